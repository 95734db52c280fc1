package evidence

import (
	"fmt"
	"math"
	"slices"

	"provoke/internal/findings/analysis"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/units/rf"
)

// Topic is a question about a failing band.
type Topic string

// The topics, in the order in which lines are given.
const (
	Harmonic   Topic = "fundamental or harmonic"
	Resonance  Topic = "cable or product"
	AEPath     Topic = "DUT or AE"
	Modulation Topic = "modulation"
)

// Strength of a line.
type Strength string

// The strengths.
const (
	Strong   Strength = "strong"
	Moderate Strength = "moderate"
	Weak     Strength = "weak"
)

// strengthOf grades a distance in dB; "" is no evidence.
func strengthOf(distance float64) Strength {
	switch {
	case distance >= 10:
		return Strong
	case distance >= 6:
		return Moderate
	case distance >= 3:
		return Weak
	}
	return ""
}

// Line is one piece of evidence.
type Line struct {
	Topic    Topic    `tell:"topic"`
	For      string   `tell:"for"` // what it speaks for
	Strength Strength `tell:"strength"`
	Compared string   `tell:"compared"` // what was compared, with the figures
	Runs     []int    `tell:"runs"`     // that the figures come from
}

// Band is a failing band with its evidence.
type Band struct {
	analysis.Band `tell:"low_hz=Low.Frequency high_hz=High.Frequency lowest_hz=Lowest.Frequency onset=Lowest.Onset"`
	Lines         []Line `tell:"lines"`
}

// Explanation is the evidence on every failing band of a run.
type Explanation struct {
	Run        int    `tell:"run"`
	Considered []int  `tell:"considered"` // runs of the same state of the product
	Bands      []Band `tell:"bands"`
}

// Harmonics gives the level of the n-th harmonic (2, 3) of a carrier against the carrier at the
// clamp's input, in dB below 0, and where that is from. measured tells that it is a measurement and
// not a bound from data. ok is false where nothing is known.
type Harmonics func(fundamental rf.Frequency, n int) (level rf.Gain, measured bool, source string, ok bool)

// Explain gathers the evidence on a run of a job. same are the runs of the same state of the product by number, that
// run among them (see SameState); harmonics may be nil.
func Explain(run result.Run, same []analysis.Outline, harmonics Harmonics) (Explanation, error) {
	if err := analysis.NoLoop(run); err != nil {
		return Explanation{}, fmt.Errorf("explain: %w", err)
	}
	e := explainer{run: run, same: same, harmonics: harmonics}
	out := Explanation{Run: run.Number, Considered: numbers(same)}
	if i := slices.Index(out.Considered, analysis.ControlFor(analysis.Heads(same), run)); i >= 0 {
		e.control = &same[i]
	}
	e.findings = analysis.Of(run, e.control)
	e.cable, e.cableRuns = e.responses()
	for _, b := range e.findings.Bands {
		band := Band{Band: b}
		band.Lines = append(band.Lines, e.harmonic(b)...)
		band.Lines = append(band.Lines, e.resonance(b)...)
		band.Lines = append(band.Lines, e.ae(b)...)
		band.Lines = append(band.Lines, e.modulation(b)...)
		out.Bands = append(out.Bands, band)
	}
	return out, nil
}

// SameState returns the runs between the last change of the product up to a run and the next one, without fixing loops:
// those change it on the way.
func SameState(runs []result.Run, i int) []result.Run {
	from, to := 0, len(runs)
	for k, r := range runs {
		switch {
		case r.Opened.Changed == "":
		case k <= i:
			from = k
		case to == len(runs):
			to = k
		}
	}
	return slices.DeleteFunc(slices.Clone(runs[from:to]), func(r result.Run) bool {
		return r.Opened.RunKind == plan.Fixing
	})
}

type explainer struct {
	run       result.Run
	same      []analysis.Outline
	control   *analysis.Outline // nil for none
	findings  analysis.Findings
	harmonics Harmonics
	cable     []response // the same for every band
	cableRuns []int
}

// within is the part of a list, ascending in frequency, from one frequency to another.
func within[T any](all []T, low, high rf.Frequency, at func(T) rf.Frequency) []T {
	i, _ := slices.BinarySearchFunc(all, low, func(x T, f rf.Frequency) int { return compare(at(x), f) })
	j := i
	for j < len(all) && at(all[j]) <= high {
		j++
	}
	return all[i:j]
}

// exposures are the runs of this state on the same fixture that say something of the product.
func (e explainer) exposures() []analysis.Outline {
	var out []analysis.Outline
	for _, r := range e.same {
		o := r.Head.Opened
		if o.RunKind == plan.Exposure && o.Fixture == e.run.Opened.Fixture && len(r.Points) > 0 {
			out = append(out, r)
		}
	}
	return out
}

// response is how much current a forward power gives at a frequency, in dB(A/√W): the cable with the
// clamp on it. It is the median over every step measured there.
type response struct {
	f  rf.Frequency
	db float64
	n  int
}

// responses gathers the cable's response of the runs given.
func responses(runs []analysis.Outline) []response {
	at := map[rf.Frequency][]float64{}
	for _, r := range runs {
		for _, p := range r.Points {
			if len(p.Responses) > 0 {
				at[p.Frequency] = append(at[p.Frequency], p.Responses...)
			}
		}
	}
	var out []response
	for f, db := range at {
		out = append(out, response{f, median(db), len(db)})
	}
	slices.SortFunc(out, func(a, b response) int { return compare(a.f, b.f) })
	return out
}

// between interpolates the response over the logarithm of frequency; false outside, or where the
// points beside lie more than 25 % apart.
func between(r []response, f rf.Frequency) (float64, bool) {
	i, exact := slices.BinarySearchFunc(r, f, func(x response, f rf.Frequency) int { return compare(x.f, f) })
	switch {
	case exact:
		return r[i].db, true
	case i > 0 && f.Hz() <= r[i-1].f.Hz()*1.001:
		return r[i-1].db, true
	case i < len(r) && f.Hz() >= r[i].f.Hz()*0.999:
		return r[i].db, true
	case i == 0 || i == len(r), r[i].f.Hz()/r[i-1].f.Hz() > 1.25:
		return 0, false
	}
	u := math.Log(f.Hz()/r[i-1].f.Hz()) / math.Log(r[i].f.Hz()/r[i-1].f.Hz())
	return r[i-1].db + u*(r[i].db-r[i-1].db), true
}

func compare(a, b rf.Frequency) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

func median(x []float64) float64 {
	x = slices.Clone(x)
	slices.Sort(x)
	if n := len(x); n%2 == 0 {
		return (x[n/2-1] + x[n/2]) / 2
	}
	return x[len(x)/2]
}

func numbers(runs []analysis.Outline) []int {
	var out []int
	for _, r := range runs {
		out = append(out, r.Head.Number)
	}
	return out
}
