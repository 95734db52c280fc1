package tell

import (
	"provoke/internal/findings/remedy"
	"provoke/internal/units/rf"
)

// RemedyJSON is the shape of `provoke remedy --json`. Effects are in dB, positive for better.
type RemedyJSON struct {
	Cable        string              `json:"cable"`
	CableHash    string              `json:"cable_sha256"`
	PartsHash    string              `json:"parts_sha256"`
	Run          *int                `json:"run"`
	Reference    string              `json:"reference"` // "same drive", "same probe current"
	Margin       float64             `json:"margin_db"`
	Combinations int                 `json:"combinations"`
	Missing      []MissingJSON       `json:"missing"`
	Best         []CombinationJSON   `json:"best"`
	Estimate     *RemedyEstimateJSON `json:"estimate"`
	Remarks      []string            `json:"remarks"`
}

// MissingJSON is what is missing at a failing frequency.
type MissingJSON struct {
	Hz      float64 `json:"hz"`
	Missing float64 `json:"missing_db"`
}

// CombinationJSON is one combination of parts.
type CombinationJSON struct {
	Choices  []string       `json:"choices"`
	Closes   bool           `json:"closes"`
	Surely   bool           `json:"surely"` // at the low end of the bands too
	Worst    float64        `json:"worst_db"`
	WorstLow *float64       `json:"worst_low_db"` // null without a spread, as all limits
	WorstHz  float64        `json:"worst_hz"`
	Worse    []WorseJSON    `json:"worse"`
	Points   []EffectPoints `json:"points"`
}

// WorseJSON is a frequency that a combination makes worse.
type WorseJSON struct {
	Hz     float64 `json:"hz"`
	Effect float64 `json:"effect_db"`
	Left   float64 `json:"left_db"`
}

// EffectPoints is the effect at one frequency with its band.
type EffectPoints struct {
	Hz        float64  `json:"hz"`
	Drive     float64  `json:"same_drive_db"`
	DriveLow  *float64 `json:"same_drive_low_db"`
	DriveHigh *float64 `json:"same_drive_high_db"`
	Probe     float64  `json:"same_probe_db"`
	ProbeLow  *float64 `json:"same_probe_low_db"`
	ProbeHigh *float64 `json:"same_probe_high_db"`
}

// RemedyEstimateJSON is the cable that was estimated from a run.
type RemedyEstimateJSON struct {
	RMS        float64              `json:"rms_db"`
	Quantities []RemedyQuantityJSON `json:"quantities"`
}

// RemedyQuantityJSON is one estimated quantity; a limit that is not known is null.
type RemedyQuantityJSON struct {
	Name  string   `json:"name"`
	Unit  string   `json:"unit"`
	Value float64  `json:"value"`
	Low   *float64 `json:"low"`
	High  *float64 `json:"high"`
}

// Remedy returns the JSON shape of a search.
func Remedy(o remedy.Outcome, s remedy.Search) RemedyJSON {
	out := RemedyJSON{Reference: string(s.Reference), Margin: rf.Round(float64(s.Margin), 3), Combinations: o.Total, Missing: []MissingJSON{}, Best: []CombinationJSON{}, Remarks: []string{}}
	limit := func(g rf.Gain) *float64 {
		if !s.Spread.Known() {
			return nil
		}
		x := rf.Round(float64(g), 3)
		return &x
	}
	for _, n := range o.Needs {
		if n.Failing {
			out.Missing = append(out.Missing, MissingJSON{n.Frequency.Hz(), rf.Round(-float64(n.Margin), 3)})
		}
	}
	for _, c := range o.Best {
		x := CombinationJSON{Choices: c.Names(), Closes: c.Closes, Surely: c.Surely, Worst: rf.Round(float64(c.Worst), 3), WorstLow: limit(c.WorstLow), WorstHz: c.WorstAt.Hz(), Worse: []WorseJSON{}}
		for _, w := range c.Worse {
			x.Worse = append(x.Worse, WorseJSON{w.Frequency.Hz(), rf.Round(float64(w.Effect), 3), rf.Round(float64(w.Margin), 3)})
		}
		for i, e := range c.Effects {
			b := c.Bands[i]
			x.Points = append(x.Points, EffectPoints{o.Needs[i].Frequency.Hz(), rf.Round(float64(e.SameDrive), 3), limit(b.Low.SameDrive), limit(b.High.SameDrive),
				rf.Round(float64(e.SameProbe), 3), limit(b.Low.SameProbe), limit(b.High.SameProbe)})
		}
		out.Best = append(out.Best, x)
	}
	return out
}

// milli rounds to a thousandth.
