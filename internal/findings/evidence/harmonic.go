package evidence

import (
	"fmt"

	"provoke/internal/findings/analysis"
	"provoke/internal/job/result"
	"provoke/internal/units/rf"
)

// harmonic compares the current of the second and third harmonic at the onset with what is known of
// the product's onset at their frequencies.
func (e explainer) harmonic(b analysis.Band) []Line {
	if e.harmonics == nil || !b.Lowest.Upset {
		return nil
	}
	f := b.Lowest.Frequency
	forward, ok := e.forwardAtOnset(f)
	if !ok {
		return nil
	}
	cable := responses(e.exposures())
	var out []Line
	for n := 2; n <= 3; n++ {
		below, measured, source, ok := e.harmonics(f, n)
		at := rf.Frequency(float64(n) * f.Hz())
		response, reached := between(cable, at)
		if !ok || !reached || !below.Finite() {
			continue
		}
		current := rf.FromDB[rf.Ampere](forward.DB() + below.DB() + response)
		if t, run, ok := e.onsetNear(at); ok {
			if l, ok := judgeHarmonic(n, at, current, t, measured, source); ok {
				l.Runs = distinct(e.run.Number, run)
				out = append(out, l)
			}
		}
	}
	return out
}

var ordinal = map[int]string{2: "second", 3: "third"}

// judgeHarmonic compares a harmonic's current with the onset at its frequency.
func judgeHarmonic(n int, at rf.Frequency, current rf.Current, t analysis.Outlined, measured bool, source string) (Line,
	bool) {
	l := Line{Topic: Harmonic}
	word := "at most "
	if measured {
		word = ""
	}
	over := current.DB() - t.Onset.DB()
	said := fmt.Sprintf("the %s harmonic at %v carries %s%v at the onset (%s)", ordinal[n], at, word, current, source)
	if !t.Upset {
		l.For, l.Strength = "the fundamental", strengthOf(-over)
		l.Compared = fmt.Sprintf("%s; the product stood %v there, %.1f dB more", said, t.Onset.WithBound(rf.Exactly),
			-over)
		return l, l.Strength != ""
	}
	if over >= -3 && t.Onset.Bound() != rf.AtLeast {
		l.For, l.Strength = fmt.Sprintf("the %s harmonic", ordinal[n]), Weak
		switch {
		case measured && over >= 0:
			l.Strength = Strong
		case measured || over >= 0:
			l.Strength = Moderate
		}
		l.Compared = fmt.Sprintf("%s; the onset there is %v, %+.1f dB against it", said, t.Onset, over)
		return l, true
	}
	l.For, l.Strength = "the fundamental", strengthOf(-over)
	l.Compared = fmt.Sprintf("%s; the onset there is %v, %.1f dB more", said, t.Onset, -over)
	// An onset "at most X" may lie lower: it cannot clear the harmonic.
	return l, l.Strength != "" && t.Onset.Bound() == rf.Exactly
}

// forwardAtOnset returns the forward power of the step at the onset of a frequency.
func (e explainer) forwardAtOnset(f rf.Frequency) (rf.Power, bool) {
	p := e.run.Point(f)
	if p == nil {
		return rf.Power{}, false
	}
	var least *result.Step
	for _, s := range p.Steps {
		if s.Outcome.Upset && s.Forward.Exact() && !s.Forward.IsOff() &&
			(least == nil || s.Forward.DB() < least.Forward.DB()) {
			least = s
		}
	}
	if least == nil {
		return rf.Power{}, false
	}
	return least.Forward, true
}

// onsetNear returns the threshold within 1 % of a frequency, of a run of the same state, fixture and
// modulation; of several the one that says most: an upset at the lowest current, else the highest
// that was stood.
func (e explainer) onsetNear(f rf.Frequency) (best analysis.Outlined, run int, ok bool) {
	for _, r := range e.exposures() {
		if r.Head.Opened.Modulation != e.run.Opened.Modulation {
			continue
		}
		for _, t := range within(r.Points, f*0.99, f*1.01,
			func(t analysis.Outlined) rf.Frequency { return t.Frequency }) {
			if !t.Onset.Known() {
				continue
			}
			if !ok || t.Upset && (!best.Upset || t.Onset.DB() < best.Onset.DB()) || !t.Upset && !best.Upset &&
				t.Onset.DB() > best.Onset.DB() {
				best, run, ok = t, r.Head.Number, true
			}
		}
	}
	return best, run, ok
}

func distinct(a, b int) []int {
	if a == b {
		return []int{a}
	}
	return []int{min(a, b), max(a, b)}
}
