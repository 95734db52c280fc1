package evidence

import (
	"fmt"
	"math"

	"provoke/internal/findings/analysis"
	"provoke/internal/units/rf"
)

// ae compares a band with the control run, in which the DUT was replaced or its output held.
func (e explainer) ae(b analysis.Band) []Line {
	if e.control == nil || e.control.Head.Number == e.run.Number {
		return nil
	}
	control := e.control.Head.Number
	upset, clean, least := 0, 0, math.Inf(1)
	for _, p := range e.findings.Points {
		if !p.Upset || !b.Contains(p.Frequency) {
			continue
		}
		c := e.control.At(p.Frequency)
		if p.InControl {
			upset++
			continue
		}
		if c == nil || !p.Onset.Known() {
			continue
		}
		if !c.Upset && c.Onset.Known() {
			clean++
			least = min(least, c.Onset.DB()-p.Onset.DB())
		}
	}
	total := upset + clean
	switch {
	case upset > 0:
		l := Line{Topic: AEPath, For: analysis.MonitorOrAE, Strength: Strong,
			Runs: distinct(e.run.Number, control)}
		l.Compared = fmt.Sprintf("with the DUT replaced or its output held (run %d) %d of %d frequencies upset all "+
			"the same", control, upset, total)
		if upset < total {
			l.Strength = Moderate
		}
		return []Line{l}
	case clean > 0 && least >= 0:
		l := Line{Topic: AEPath, For: "the DUT", Strength: Strong, Runs: distinct(e.run.Number, control)}
		l.Compared = fmt.Sprintf("with the DUT replaced or its output held (run %d) none of %d frequencies upset, at "+
			"currents at least %.1f dB above the onset", control, clean, least)
		return []Line{l}
	}
	return nil
}

// modulation compares the onset of the band with that of runs with another modulation.
func (e explainer) modulation(b analysis.Band) []Line {
	mine := e.run.Opened.Modulation
	var out []Line
	for _, r := range e.exposures() {
		other := r.Head.Opened.Modulation
		if r.Head.Number == e.run.Number || other == mine {
			continue
		}
		carrier, bound, n := e.against(b, r)
		if n == 0 {
			continue
		}
		crest := carrier + (other.CrestOverLevel() - mine.CrestOverLevel()).DB()
		if l, ok := judgeModulation(analysis.Modulation(mine), analysis.Modulation(other), carrier, crest, bound,
			n); ok {
			l.Runs = distinct(e.run.Number, r.Head.Number)
			l.Compared = fmt.Sprintf("run %d against run %d: %s", e.run.Number, r.Head.Number, l.Compared)
			out = append(out, l)
		}
	}
	return out
}

// against returns how far the onsets of another run lie above those of this one over the frequencies
// of a band that both have: in the middle where all upset, else the least of those that were stood,
// with the bound "at least".
func (e explainer) against(b analysis.Band, r analysis.Outline) (db float64, bound rf.Bound, n int) {
	var upset, stood []float64
	for _, p := range e.findings.Points {
		if !p.Upset || !p.Onset.Exact() || !b.Contains(p.Frequency) {
			continue
		}
		t := r.At(p.Frequency)
		switch {
		case t == nil || !t.Onset.Known():
		case t.Upset && t.Onset.Exact():
			upset = append(upset, t.Onset.DB()-p.Onset.DB())
		case !t.Upset:
			stood = append(stood, t.Onset.DB()-p.Onset.DB())
		}
	}
	switch {
	case len(upset) > 0 && len(upset) >= len(stood):
		return median(upset), rf.Exactly, len(upset)
	case len(stood) > 0:
		least := math.Inf(1)
		for _, x := range stood {
			least = min(least, x)
		}
		return least, rf.AtLeast, len(stood)
	}
	return 0, rf.Unknown, 0
}

// judgeModulation judges how far the other modulation's onset lies above mine, as level and at the
// crest.
func judgeModulation(mine, other string, carrier, crest float64, bound rf.Bound, n int) (Line, bool) {
	l := Line{Topic: Modulation}
	frequencies := fmt.Sprintf("%d frequencies", n)
	if n == 1 {
		frequencies = "one frequency"
	}
	if bound == rf.AtLeast {
		l.For, l.Strength = "the envelope of "+mine, strengthOf(crest)
		if crest >= 0 && l.Strength == "" {
			l.Strength = Weak // the same crest without that envelope does not upset
		}
		l.Compared = fmt.Sprintf("with %s the product stood at least %.1f dB more at the crest than the onset with "+
			"%s, at %s", other, crest, mine, frequencies)
		return l, crest >= 0
	}
	const alike = 1.0 // dB: resolution and repeatability of two onsets
	switch {
	case math.Abs(crest) <= alike && math.Abs(carrier) > 3:
		l.For, l.Strength = "the crest of the envelope", Moderate
		l.Compared = fmt.Sprintf("the onsets with %s and %s agree within %.1f dB at the crest and differ by %.1f dB "+
			"as carrier levels, at %s", mine, other, math.Abs(crest), math.Abs(carrier), frequencies)
	case math.Abs(carrier) <= alike && math.Abs(crest) > 3:
		l.For, l.Strength = "the carrier, whatever its modulation", Moderate
		l.Compared = fmt.Sprintf("the onsets with %s and %s agree within %.1f dB as levels and differ by %.1f dB at "+
			"the crest, at %s", mine, other, math.Abs(carrier), math.Abs(crest), frequencies)
	case crest >= 3:
		l.For, l.Strength = "the envelope of "+mine, strengthOf(crest)
		l.Compared = fmt.Sprintf("with %s it takes %.1f dB more at the crest than with %s, at %s", other, crest,
			mine, frequencies)
	case crest <= -3:
		l.For, l.Strength = "the envelope of "+other, strengthOf(-crest)
		l.Compared = fmt.Sprintf("with %s it takes %.1f dB less at the crest than with %s, at %s", other, -crest,
			mine, frequencies)
	default:
		return l, false
	}
	return l, l.Strength != ""
}
