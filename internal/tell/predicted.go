package tell

import (
	"fmt"
	"slices"
	"strings"

	"provoke/internal/findings/analysis"
	"provoke/internal/findings/remedy"
	"provoke/internal/job/fixing"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/units/english"
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

// TriedBeside is a prediction beside a try of a fixing loop, counted for putting the change in.
type TriedBeside struct {
	Run    int            `tell:"run"`
	Try    int            `tell:"try"`
	Did    string         `tell:"did"`
	Change []string       `tell:"predicted_change"`
	At     []triedBesides `tell:"points"`
}

type triedBesides struct {
	remedy.BesideTried
	Gain changeShape `tell:"measured"`
}

// Predicted is the newest prediction that is kept with a run; nil where there is none.
func (b *Book) Predicted(r result.Run) (*remedy.Prediction, error) {
	return remedy.Kept(r, b.from.Attachment)
}

// Tried puts a prediction beside a try; loop is the run of the fixing loop, 0 for the newest.
func (b *Book) Tried(p remedy.Prediction, try, loop int) (TriedBeside, error) {
	if loop == 0 {
		var err error
		if loop, err = b.NewestLoop(); err != nil {
			return TriedBeside{}, err
		}
	}
	if _, err := b.Choose(loop); err != nil {
		return TriedBeside{}, err
	}
	r, err := b.Run(loop)
	if err != nil {
		return TriedBeside{}, err
	}
	if r.Opened.RunKind != plan.Fixing {
		return TriedBeside{}, fmt.Errorf("run %d is no fixing loop and has no tries", loop)
	}
	l := fixing.Of(&r)
	tries := l.Tries()
	i := slices.IndexFunc(tries, func(t fixing.Try) bool { return t.Try == try })
	if i < 0 {
		return TriedBeside{}, fmt.Errorf("run %d has no try %d; it has %s", loop, try,
			english.Count(len(tries), "try", "tries"))
	}
	out := TriedBeside{Run: loop, Try: try, Did: did(tries[i].Epoch), Change: p.Change}
	var at []rf.Frequency
	gains := slices.Clone(tries[i].Gains)
	for k, p := range l.Places {
		at = append(at, p.Point.Frequency)
		if tries[i].Out {
			gains[k] = gains[k].Against()
		}
	}
	for _, x := range remedy.PredictedBesideTried(p, at, gains) {
		out.At = append(out.At, triedBesides{x, shapeOfChange(x.Measured, 0)})
	}
	return out, nil
}

// Section tells it.
func (t TriedBeside) Section() Section {
	s := Section{ID: "tried", Title: fmt.Sprintf("Try %d of run %d (%s) beside what is predicted for %s", t.Try, t.Run,
		t.Did, strings.Join(t.Change, " + "))}
	table := Table{ID: "tried-beside",
		Note: "Gain of the onset by putting it in; by their limits, half a dB allowed. A try is evidence and no proof.",
		Columns: []Column{FrequencyIn("frequency"), plainDecibels("predicted"), plainDecibels("least"),
			plainDecibels("most"), decibels("tried"), words("the try and the prediction")}}
	for _, x := range t.At {
		says := say(string(x.Says))
		if x.Says == remedy.Disagrees {
			says = says.marked("warn")
		}
		table.Add(Frequency(x.Frequency), gain(x.Predicted, rf.Exactly), gain(x.Low, rf.Exactly),
			gain(x.High, rf.Exactly), changeCell(x.Measured), says)
	}
	s.table(table)
	return s
}
