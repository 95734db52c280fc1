package budget

import (
	"slices"

	"provoke/internal/files/problem"
	"provoke/internal/findings/uncertainty"
	"provoke/internal/units/rf"
)

// The shapes of --json.
type (
	UncertaintyJSON struct {
		Bench      string                 `json:"bench"`
		Hash       string                 `json:"hash"`
		Means      string                 `json:"means"`
		Confidence float64                `json:"confidence"`
		Seed       uint64                 `json:"seed"`
		Points     []uncertaintyPointJSON `json:"points"`
		Warnings   problem.List           `json:"warnings"`
	}
	uncertaintyPointJSON struct {
		Frequency  *rf.Quantity               `json:"frequency"`
		U          *float64                   `json:"u_db"`
		K          float64                    `json:"k"`
		Freedom    *float64                   `json:"freedom"`
		Standard   *float64                   `json:"standard_db"`
		Assumed    int                        `json:"assumed"`
		Largest    string                     `json:"largest"`
		Simulated  *simulatedJSON             `json:"simulated"`
		Components []uncertaintyComponentJSON `json:"components"`
		Notes      []string                   `json:"notes"`
	}
	simulatedJSON struct {
		Draws     int        `json:"draws"`
		Symmetric [2]float64 `json:"symmetric_db"`
		Shortest  [2]float64 `json:"shortest_db"`
		Differs   bool       `json:"differs"`
	}
	uncertaintyComponentJSON struct {
		Name         string   `json:"name"`
		Item         string   `json:"item,omitempty"`
		Distribution string   `json:"distribution"`
		Half         *float64 `json:"half_db"`
		Divisor      float64  `json:"divisor"`
		Freedom      *float64 `json:"freedom"`
		Sensitivity  float64  `json:"sensitivity"`
		Standard     *float64 `json:"standard_db"`
		Share        float64  `json:"share"`
		Left         *float64 `json:"left_db"`
		Source       string   `json:"source"`
		Assumed      bool     `json:"assumed"`
	}
)

// Shape is the uncertainty for --json.
func (s *Uncertainty) Shape() UncertaintyJSON {
	out := UncertaintyJSON{Bench: s.bench.Name, Hash: s.bench.Hash, Means: string(s.conditions.Means),
		Confidence: rf.Round(float64(s.confidence), 4), Seed: s.seed,
		Points: []uncertaintyPointJSON{}, Warnings: slices.Clip(s.warnings)}
	if out.Warnings == nil {
		out.Warnings = problem.List{}
	}
	for _, p := range s.points {
		out.Points = append(out.Points, uncertaintyPoint(p))
	}
	return out
}

func uncertaintyPoint(p uncertainty.Current) uncertaintyPointJSON {
	q := uncertaintyPointJSON{Frequency: p.Frequency.Quantity(), U: rf.OrNullRounded(p.U(), 3), K: rf.Round(p.K(), 4),
		Freedom:  rf.OrNullRounded(p.Combined.Freedom, 4),
		Standard: rf.OrNullRounded(rf.Gain(p.Combined.Standard), 3), Assumed: len(p.Assumed()),
		Notes:   append([]string{}, p.Notes...),
		Largest: nameOf(p.Components[p.Combined.Contributions[0].Index])}
	if m := p.Simulated; m != nil {
		q.Simulated = &simulatedJSON{m.Draws, ends(m.Symmetric), ends(m.Shortest), p.Comparison.Differs}
	}
	for _, r := range p.Combined.Contributions {
		x := p.Components[r.Index]
		left, _ := p.Without(r.Index)
		freedom := rf.OrNullRounded(x.Freedom, 4)
		if x.Freedom == 0 {
			freedom = nil
		}
		q.Components = append(q.Components, uncertaintyComponentJSON{x.Name, x.Item, string(x.Distribution),
			rf.OrNullRounded(rf.Gain(x.Half), 3), rf.Round(divisorOf(x), 4),
			freedom, x.Sensitivity, rf.OrNullRounded(rf.Gain(r.Standard), 3), rf.Round(r.Share, 4),
			rf.OrNullRounded(left, 3), x.Source, x.Assumed})
	}
	return q
}

// divisorOf returns what the figure is divided by to give the standard uncertainty.
func divisorOf(x uncertainty.Component) float64 {
	if s := x.Standard(); s > 0 {
		return x.Half / s
	}
	return 1
}

func ends(i uncertainty.Interval) [2]float64 {
	return [2]float64{rf.Round(i.Low, 4), rf.Round(i.High, 4)}
}
