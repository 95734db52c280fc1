package plan

import (
	"math"

	"provoke/internal/units/rf"
)

// Stretch is a part of the grid that was stepped through: between two neighbouring frequencies in it, no more than
// Step apart relative to frequency, nothing was meant to be exposed. Frequencies of a list stand alone.
type Stretch struct {
	From rf.Frequency `json:"from" tell:"from_hz"`
	To   rf.Frequency `json:"to" tell:"to_hz"`
	Step rf.Fraction  `json:"step" tell:"step"`
}

// apartAgain is how much wider than the step before it a step may be and belong to the same stretch: a grid round
// several frequencies jumps from one to the next.
const apartAgain = 2.5

// stretchesOf cuts a segment's frequencies, ascending, where they jump.
func stretchesOf(f []rf.Frequency) []Stretch {
	var out []Stretch
	for i := 1; i < len(f); i++ {
		step := float64(f[i]/f[i-1]) - 1
		n := len(out) - 1
		switch {
		case n >= 0 && out[n].To == f[i-1] && step <= apartAgain*float64(out[n].Step):
			out[n].To, out[n].Step = f[i], rf.Fraction(math.Max(step, float64(out[n].Step)))
		case n >= 0 && out[n].To == f[i-1] && i+1 < len(f) && float64(f[i+1]/f[i])-1 >= step/apartAgain:
			out[n].To, out[n].Step = f[i], rf.Fraction(step) // the first step was a short one
		case i+1 < len(f) && step > apartAgain*(float64(f[i+1]/f[i])-1):
		default:
			out = append(out, Stretch{f[i-1], f[i], rf.Fraction(step)})
		}
	}
	return out
}

// slack is how much wider than the grid's step two neighbours may be apart: rounding of frequencies.
const slack = 1.01

// Joins reports that two frequencies are neighbours in one of the stretches: nothing between them was left out.
func Joins(stretches []Stretch, a, b rf.Frequency) bool {
	a, b = min(a, b), max(a, b)
	for _, s := range stretches {
		if a >= s.From*(1-1e-9) && b <= s.To*(1+1e-9) && float64(b/a)-1 <= slack*float64(s.Step) {
			return true
		}
	}
	return false
}

// spansOf are stretches without their steps, those that meet as one.
func spansOf(stretches []Stretch) []Span {
	var out []Span
	for _, s := range stretches {
		out = append(out, Span{From: s.From, To: s.To})
	}
	return Joined(out)
}

// WidestStep is the widest step that is a look at all.
var WidestStep = quickSteps[len(quickSteps)-1]

// Loosely are stretches, those that meet as one, in which frequencies so far apart are neighbours.
func Loosely(stretches []Stretch, apart rf.Fraction) []Stretch {
	out := []Stretch{}
	for _, s := range spansOf(stretches) {
		out = append(out, Stretch{s.From, s.To, apart})
	}
	return out
}

// RoundedUp is a step as a person would set one that is no finer; those below 1 % stay.
func RoundedUp(step rf.Fraction) rf.Fraction {
	for _, s := range quickSteps {
		if step <= s*1.02 && step > quickSteps[0]/slack { // three steps of 1 % are 3.03 %
			return s
		}
	}
	return step
}
