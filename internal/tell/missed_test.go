package tell

import (
	"testing"

	"provoke/internal/findings/analysis"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/units/rf"
)

func TestWhatARunMayHaveMissedIsSaid(t *testing.T) {
	const M = rf.Megahertz
	var six []plan.Stretch
	for i := rf.Frequency(0); i < 6; i++ {
		six = append(six, plan.Stretch{From: (10 + 2*i) * M, To: (11 + 2*i) * M, Step: 0.01})
	}
	band, coarse := []analysis.Band{{}}, []plan.Stretch{{From: 150e3, To: 80 * M, Step: 0.0799}}
	fine := []plan.Stretch{{From: 1 * M, To: 30 * M, Step: 0.01}, {From: 40 * M, To: 50 * M, Step: 0.002},
		{From: 60 * M, To: 80 * M, Step: 0.01}}
	missing := []plan.Span{{From: 4 * M, To: 7 * M}, {From: 9 * M, To: 80 * M}}
	for name, c := range map[string]struct {
		f           analysis.Findings
		words, mark string
	}{
		"single frequencies": {analysis.Findings{Bands: band}, "", ""},
		"coarse, with bands": {analysis.Findings{Bands: band, Covered: analysis.Covered{Stepped: coarse},
			Opened: event.Opened{Resolution: 3}},
			"A failing band narrower than 8 % (150 kHz to 80 MHz) may lie between two frequencies. Edges of bands " +
				"were not looked for, onsets in steps of 3.0 dB.", "warning"},
		"coarse, nothing found": {analysis.Findings{Covered: analysis.Covered{Stepped: coarse}},
			"A failing band narrower than 8 % (150 kHz to 80 MHz) may lie between two frequencies.", "warning"},
		"fine, with edges": {analysis.Findings{Bands: band, Covered: analysis.Covered{Stepped: fine},
			Opened: event.Opened{Resolution: 0.5, Edges: 0.002}}, "A failing band narrower than 1 % (1 MHz to 30 " +
			"MHz, 60 MHz to 80 MHz) or 0.2 % (40 MHz to 50 MHz) may lie between two frequencies.", "of"},
		"many ranges": {analysis.Findings{Covered: analysis.Covered{Stepped: six}}, "A failing band narrower than " +
			"1 % (6 ranges from 10 MHz to 21 MHz) may lie between two frequencies.", "of"},
		"stopped": {analysis.Findings{Covered: analysis.Covered{Stepped: fine[1:2], Missing: missing}},
			"A failing band narrower than 0.2 % (40 MHz to 50 MHz) may lie between two frequencies. Not covered of " +
				"what the plan steps through: 4 MHz to 7 MHz, 9 MHz to 80 MHz.", "warning"},
		"stopped at once": {analysis.Findings{Covered: analysis.Covered{Missing: missing[1:]}},
			"Not covered of what the plan steps through: 9 MHz to 80 MHz.", "warning"},
	} {
		if words, mark := missed(c.f); words != c.words || mark != c.mark {
			t.Errorf("%s: %q (%s), want %q (%s)", name, words, mark, c.words, c.mark)
		}
	}
}

// "No upset" in steps between which a whole resonance fits is not marked as good.
func TestACoarseRunWithoutAnUpsetIsNotCalledGood(t *testing.T) {
	for step, want := range map[rf.Fraction][2]string{
		0.01: {"no upset up to the level wanted", "good"},
		0.05: {"no upset up to the level wanted", "good"},
		0.08: {"no upset up to the level wanted in steps of up to 8 %", "warn"},
	} {
		p := analysis.Point{Threshold: result.Threshold{Wanted: rf.Amperes(1),
			Onset: rf.Amperes(1).WithBound(rf.AtLeast)}}
		f := analysis.Findings{Exposures: 9, Verdict: event.Done, Points: []analysis.Point{p},
			Covered: analysis.Covered{Stepped: []plan.Stretch{{From: 1e6, To: 2e6, Step: step}}}}
		if text, mark := Headline(f); text != want[0] || mark != want[1] {
			t.Errorf("steps of %v: %q, %s", step, text, mark)
		}
	}
}
