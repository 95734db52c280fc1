package tell

import (
	"strings"

	"provoke/internal/findings/analysis"
	"provoke/internal/findings/remedy"
	"provoke/internal/units/rf"
)

// PredictedJSON is a kept prediction beside what was measured.
type PredictedJSON struct {
	Change []string     `json:"change"`
	Cable  string       `json:"cable_sha256"`
	Points []BesideJSON `json:"points"`
}

// BesideJSON is one frequency: gains of the onset as a current at the probe.
type BesideJSON struct {
	Hz        float64  `json:"hz"`
	Predicted float64  `json:"predicted_db"`
	Low       float64  `json:"low_db"`
	High      float64  `json:"high_db"`
	Measured  *float64 `json:"measured_db"`
	Bound     *string  `json:"measured_bound"`
	Agreement string   `json:"agreement"`
}

// Predicted returns the JSON shape of a prediction beside a comparison; nil where there is none.
func Predicted(p *remedy.Prediction, c analysis.Comparison) *PredictedJSON {
	if p == nil {
		return nil
	}
	out := &PredictedJSON{Change: p.Change, Cable: p.Cable, Points: []BesideJSON{}}
	for _, b := range remedy.PredictedBeside(*p, c) {
		out.Points = append(out.Points, BesideJSON{b.Frequency.Hz(), rf.Round(float64(b.Predicted), 3), rf.Round(float64(b.Low), 3), rf.Round(float64(b.High), 3), rf.OrNullRounded(b.Measured, 3), bound(b.Bound), string(b.Agreement)})
	}
	return out
}

// predictedTable shows what was predicted before the change beside what was measured after it.
func predictedTable(p *remedy.Prediction, c analysis.Comparison) Table {
	t := Table{ID: "predicted", Columns: []Column{
		FrequencyIn("frequency"), plainDecibels("predicted gain of the onset"), plainDecibels("least"), plainDecibels("most"), decibels("measured"), words("agreement"),
	}}
	if p == nil {
		return t
	}
	t.Title = "Predicted before the change (" + strings.Join(p.Change, " + ") + ") and measured after it"
	for _, b := range remedy.PredictedBeside(*p, c) {
		word := say(string(b.Agreement))
		if b.Agreement == remedy.Less {
			word = word.marked("warn")
		}
		t.Add(Frequency(b.Frequency), gain(b.Predicted, rf.Exactly), gain(b.Low, rf.Exactly), gain(b.High, rf.Exactly), gain(b.Measured, b.Bound), word)
	}
	return t
}
