package analysis

import (
	"cmp"
	"slices"

	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/units/rf"
)

// Outline is what the findings of another run take from a run. It is a small part of it, so that those of a whole job
// can be held.
type Outline struct {
	// Head is the run without anything that was done in it: its number, how it was opened and how it ended.
	Head      result.Run
	Points    []Outlined // ascending
	Stability *Stability // nil where the run has no check point
	Bands     []Band     // that failed; of a control run only
	exposed   bool
}

// Outlined is what a run showed at one frequency.
type Outlined struct {
	Frequency     rf.Frequency
	Upset, Tested bool
	Onset         rf.Current // as in result.Threshold
	// Transfer is the mean of measured current over drive, in dB; NaN without one. Bounds and checks of a drift point
	// are left out.
	Transfer float64
	// Responses are the currents that the steps measured, over their forward powers, in dB.
	Responses []float64
}

// OutlineOf returns the outline of a run.
func OutlineOf(r result.Run) Outline {
	o := Outline{Head: result.Run{Number: r.Number, Opened: r.Opened, Verdict: r.Verdict},
		exposed: r.Exposures > 0 && uncomparable(r, r) == ""}
	if s, ok := StabilityOf(r); ok {
		o.Stability = &s
	}
	if r.Opened.RunKind == plan.Control {
		o.Bands = Of(r, nil).Bands
	}
	thresholds := r.Thresholds()
	o.Points = make([]Outlined, len(thresholds))
	responses := make([]float64, 0, len(r.Steps))
	for i, t := range thresholds {
		from := len(responses)
		responses = appendResponses(responses, r.Point(t.Frequency))
		o.Points[i] = Outlined{Frequency: t.Frequency, Upset: t.Upset, Tested: t.Exposures > 0, Onset: t.Onset,
			Transfer: transferOf(r.Point(t.Frequency)), Responses: responses[from:]}
	}
	return o
}

// Outlines are those of runs.
func Outlines(runs ...result.Run) []Outline {
	var out []Outline
	for _, r := range runs {
		out = append(out, OutlineOf(r))
	}
	return out
}

// Heads are the heads of runs.
func Heads(runs []Outline) []result.Run {
	var out []result.Run
	for _, o := range runs {
		out = append(out, o.Head)
	}
	return out
}

// At returns what the run showed at a frequency, nil when nothing was done there.
func (o Outline) At(f rf.Frequency) *Outlined {
	i, found := slices.BinarySearchFunc(o.Points, f, func(p Outlined, f rf.Frequency) int {
		return cmp.Compare(p.Frequency, f)
	})
	if !found {
		return nil
	}
	return &o.Points[i]
}

func appendResponses(to []float64, p *result.Point) []float64 {
	for _, s := range p.Steps {
		if s.Current.Exact() && !s.Current.IsOff() && s.Forward.Exact() && !s.Forward.IsOff() {
			to = append(to, s.Current.DB()-s.Forward.DB())
		}
	}
	return to
}

func transferOf(p *result.Point) float64 {
	sum, n := 0.0, 0.0
	for _, s := range p.Steps {
		if s.Current.Exact() && s.Drive.Exact() && s.Step.Purpose != plan.DriftCheck {
			sum += s.Current.DB() - s.Drive.DB()
			n++
		}
	}
	return sum / n // NaN without one
}
