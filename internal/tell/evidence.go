package tell

import (
	"fmt"

	"provoke/internal/findings/analysis"
	"provoke/internal/findings/evidence"
	"provoke/internal/job/result"
	"provoke/internal/units/rf"
)

// ExplanationJSON is the shape of `provoke explain --json`.
type ExplanationJSON struct {
	Run        int                 `json:"run"`
	Considered []int               `json:"considered"` // runs of the same state of the product
	Bands      []ExplainedBandJSON `json:"bands"`
}

// ExplainedBandJSON is a failing band with its evidence; without evidence lines is empty.
type ExplainedBandJSON struct {
	LowHz    float64        `json:"low_hz"`
	HighHz   float64        `json:"high_hz"`
	LowestHz float64        `json:"lowest_hz"`
	Onset    *rf.Quantity   `json:"onset"`
	Lines    []EvidenceJSON `json:"lines"`
}

// EvidenceJSON is one line: what it speaks for, how strongly, and what was compared.
type EvidenceJSON struct {
	Topic    string `json:"topic"`
	For      string `json:"for"`
	Strength string `json:"strength"` // "strong", "moderate", "weak"
	Compared string `json:"compared"`
	Runs     []int  `json:"runs"`
}

// Explanation returns the JSON shape of the evidence on a run.
func Explanation(e evidence.Explanation) ExplanationJSON {
	out := ExplanationJSON{Run: e.Run, Considered: e.Considered, Bands: []ExplainedBandJSON{}}
	for _, b := range e.Bands {
		x := ExplainedBandJSON{b.Low.Frequency.Hz(), b.High.Frequency.Hz(), b.Lowest.Frequency.Hz(), b.Lowest.Onset.Quantity(), []EvidenceJSON{}}
		for _, l := range b.Lines {
			x.Lines = append(x.Lines, EvidenceJSON{string(l.Topic), l.For, string(l.Strength), l.Compared, l.Runs})
		}
		out.Bands = append(out.Bands, x)
	}
	return out
}

// evidenceTable lists what the runs of the job show about the cause of a run's failing bands. It is
// empty where nothing bears on it.
func evidenceTable(j Job, r result.Run) Table {
	t := Table{ID: fmt.Sprintf("evidence-%d", r.Number), Title: "What the runs show about the cause", Columns: []Column{
		words("failing band"), words("question"), words("speaks for"), words("evidence"), words("what was compared"),
	}}
	var harmonics evidence.Harmonics
	if j.Attachment != nil {
		if bench, err := evidence.BenchOf(r, j.Attachment); err == nil {
			harmonics = evidence.OfAmplifier(bench)
		}
	}
	e, err := evidence.Explain(j.Runs, r.Number, harmonics)
	if err != nil { // a run that is not in the job was refused before
		return t
	}
	for _, b := range e.Bands {
		for _, l := range b.Lines {
			t.Add(keep(analysis.Span(b.Band)), say(string(l.Topic)), say(l.For), say(string(l.Strength)), say(l.Compared))
		}
	}
	return t
}
