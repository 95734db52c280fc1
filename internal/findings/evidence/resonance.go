package evidence

import (
	"fmt"
	"math"

	"provoke/internal/findings/analysis"
	"provoke/internal/job/plan"
	"provoke/internal/units/rf"
)

// around is how far beside a band its surroundings reach: a factor of frequency.
const around = 2.0

// resonance compares how the current at constant drive stands out over the band with how the onset
// current does.
func (e explainer) resonance(b analysis.Band) []Line {
	peak, at, level, okCable := prominence(e.cable, b)
	depth, stood, okProduct := e.depth(b)
	var out []Line
	if okCable && peak >= 3 {
		l := Line{Topic: Resonance, For: "a resonance of the cable", Strength: strengthOf(peak),
			Runs: e.cableRuns}
		l.Compared = fmt.Sprintf("for the same forward power the cable carries %.1f dB more at %v than beside the "+
			"band (%s for 1 W there in the middle)", peak, at, rf.FromDB[rf.Ampere](level).Linear())
		if e.run.Opened.Mode == plan.ClosedLoop {
			l.Compared += "; the levelled current hides that, a replayed forward power does not"
		}
		out = append(out, l)
	}
	if okProduct && depth >= 3 {
		l := Line{Topic: Resonance, For: "the product's own response", Strength: strengthOf(depth),
			Runs: []int{e.run.Number}}
		l.Compared = fmt.Sprintf("the onset is %v at %v, and beside the band the product stood %v in the middle, "+
			"%.1f dB more", b.Lowest.Onset, b.Lowest.Frequency, stood, depth)
		switch {
		case okCable && peak < 3:
			l.Compared += fmt.Sprintf("; for the same forward power the current is no more than %.1f dB above that "+
				"beside the band", max(peak, 0))
		case okCable:
			l.Compared += "; these are currents, so the cable's own peak is not in them"
		}
		out = append(out, l)
	}
	return out
}

// responses returns the cable's response: of constant-drive runs where there are any, else of every run
// that measured current and forward power.
func (e explainer) responses() ([]response, []int) {
	var constant []analysis.Outline
	for _, r := range e.exposures() {
		if r.Head.Opened.Mode == plan.ConstantDrive {
			constant = append(constant, r)
		}
	}
	if r := responses(constant); len(r) > 0 {
		return r, numbers(constant)
	}
	all := e.exposures()
	return responses(all), numbers(all)
}

// beside reports that a frequency lies in the surroundings of a band and not in it.
func beside(b analysis.Band, f rf.Frequency) bool {
	low, high := b.Low.Frequency, b.High.Frequency
	return !b.Contains(f) && f.Hz() >= low.Hz()/around && f.Hz() <= high.Hz()*around
}

// leastBeside is the number of frequencies beside a band that say something.
const leastBeside = 4

// prominence returns how far the response in a band rises above the middle of its surroundings.
func prominence(cable []response, b analysis.Band) (peak float64, at rf.Frequency, level float64, ok bool) {
	highest := math.Inf(-1)
	var outside []float64
	low, high := b.Low.Frequency/around, b.High.Frequency*around
	for _, r := range within(cable, low, high, func(r response) rf.Frequency { return r.f }) {
		switch {
		case b.Contains(r.f):
			if r.db > highest {
				highest, at = r.db, r.f
			}
		case beside(b, r.f):
			outside = append(outside, r.db)
		}
	}
	if len(outside) < leastBeside || math.IsInf(highest, 0) {
		return 0, 0, 0, false
	}
	level = median(outside)
	return highest - level, at, level, true
}

// depth returns how far the band's lowest onset lies below what the product stood beside the band,
// in the middle of those frequencies. It is a bound from below: the product may stand more.
func (e explainer) depth(b analysis.Band) (depth float64, stood rf.Current, ok bool) {
	var outside []float64
	low, high := b.Low.Frequency/around, b.High.Frequency*around
	for _, p := range within(e.findings.Points, low, high, func(p analysis.Point) rf.Frequency { return p.Frequency }) {
		if !p.Upset && p.Tested() && p.Onset.Known() && beside(b, p.Frequency) {
			outside = append(outside, p.Onset.DB())
		}
	}
	if len(outside) < leastBeside || !b.Lowest.Onset.Known() {
		return 0, rf.Current{}, false
	}
	m := median(outside)
	return m - b.Lowest.Onset.DB(), rf.FromDB[rf.Ampere](m), true
}
