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
	edged := []analysis.Band{{Low: analysis.Edge{Frequency: 10 * M, Outside: 9.9 * M, Shown: true},
		High: analysis.Edge{Frequency: 11 * M, Outside: 11.01 * M, Shown: true}}}
	upsets := []analysis.Point{{Threshold: result.Threshold{Upset: true, Bracket: 3}},
		{Threshold: result.Threshold{Upset: true, Bracket: 0.5}}}
	var many []plan.Stretch
	for i, step := range []rf.Fraction{0.08, 0.04, 0.02, 0.04, 0.1, 0.01} {
		low := []rf.Frequency{1, 10, 20, 30, 40, 50, 60}
		many = append(many, plan.Stretch{From: low[i] * M, To: low[i+1] * M, Step: step})
	}
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
		"many steps": {analysis.Findings{Covered: analysis.Covered{Stepped: many}}, "A failing band narrower than " +
			"10 % (40 MHz to 50 MHz) or 8 % (1 MHz to 10 MHz) or 4 % (10 MHz to 20 MHz, 30 MHz to 40 MHz) or finer " +
			"steps elsewhere may lie between two frequencies.", "warning"},
		"stopped": {analysis.Findings{Covered: analysis.Covered{Stepped: fine[1:2], Missing: missing}},
			"A failing band narrower than 0.2 % (40 MHz to 50 MHz) may lie between two frequencies. Not covered of " +
				"what the plan steps through: 4 MHz to 7 MHz, 9 MHz to 80 MHz.", "warning"},
		"time is up": {analysis.Findings{Verdict: event.TimeUp, Bands: edged, Upsets: 2, OfGrid: 181, Points: upsets,
			Covered: analysis.Covered{Stepped: []plan.Stretch{{From: 1 * M, To: 30 * M, Step: 0.04}}, Share: 0.85,
				Own: 0.27, Missing: missing[1:]}, Opened: event.Opened{Points: 640, Resolution: 0.5, Edges: 0.002}},
			"Looked over 85 % of the range, over the logarithm of frequency, in steps of up to 4 %; in the plan's " +
				"own steps 27 %, 181 of its 640 frequencies. A failing band narrower than 4 % (1 MHz to 30 MHz) " +
				"may lie between two frequencies. Not covered of what the plan steps through: 9 MHz to 80 MHz. " +
				"The onset is not known to 0.5 dB at 1 of the 2 frequencies that upset. 1 edge of bands not narrowed " +
				"to 0.2 %. No recovery level at 2 frequencies.",
			"warning"},
		"stopped at once": {analysis.Findings{Covered: analysis.Covered{Missing: missing[1:]}},
			"Not covered of what the plan steps through: 9 MHz to 80 MHz.", "warning"},
	} {
		if words, mark := missed(c.f); words != c.words || mark != c.mark {
			t.Errorf("%s: %q (%s), want %q (%s)", name, words, mark, c.words, c.mark)
		}
	}
}

// A run whose time was up is neither good nor done, and says in its first line how much is open.
func TestARunWhoseTimeIsUpSaysSoFirst(t *testing.T) {
	p := analysis.Point{Threshold: result.Threshold{Wanted: rf.Amperes(1), Onset: rf.Amperes(1).WithBound(rf.AtLeast)}}
	f := analysis.Findings{Exposures: 9, Verdict: event.TimeUp, Points: []analysis.Point{p}, OfGrid: 160,
		Covered: analysis.Covered{Stepped: []plan.Stretch{{From: 1e6, To: 2e6, Step: 0.04}}, Own: 0.25},
		Opened:  event.Opened{Points: 640, RunKind: plan.Exposure, Stretches: []plan.Stretch{{}}}}
	if text, mark := Headline(f); mark != "warn" || text != "no upset up to the level wanted; time is up, RF off "+
		"verified; 75 % of the range was not exposed (160 of 640 frequencies were)" {
		t.Errorf("%q, %s", text, mark)
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
