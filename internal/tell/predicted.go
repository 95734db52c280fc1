package tell

import (
	"strings"

	"provoke/internal/findings/analysis"
	"provoke/internal/findings/remedy"
	"provoke/internal/units/rf"
)

// predictedBeside is a kept prediction beside what was measured.
type predictedBeside struct {
	remedy.Prediction `tell:"change=Change cable_sha256=Cable"`
	At                []remedy.Beside `tell:"points"`
}

// Beside is the kept prediction beside what was measured; nil where there is none.
func (c CompareTold) Beside() *predictedBeside {
	if c.Predicted == nil {
		return nil
	}
	return &predictedBeside{*c.Predicted, remedy.PredictedBeside(*c.Predicted, c.Comparison)}
}

// predictedTable shows what was predicted before the change beside what was measured after it.
func predictedTable(p *remedy.Prediction, c analysis.Comparison) Table {
	t := Table{ID: "predicted", Columns: []Column{
		FrequencyIn("frequency"), plainDecibels("predicted gain of the onset"), plainDecibels("least"),
		plainDecibels("most"), decibels("measured"), words("agreement"),
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
		t.Add(Frequency(b.Frequency), gain(b.Predicted, rf.Exactly), gain(b.Low, rf.Exactly), gain(b.High, rf.Exactly),
			gain(b.Measured, b.Bound), word)
	}
	return t
}
