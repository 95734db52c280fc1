package analysis_test

import (
	"fmt"
	"strings"
	"testing"

	"provoke/internal/findings/analysis"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/units/rf"
)

// inSteps are trials in steps from one frequency to another; those from upset to upsetTo fail.
func inSteps(from, to rf.Frequency, step float64, upset, upsetTo rf.Frequency) (out []trial) {
	for f := from; ; f = min(f*rf.Frequency(1+step), to) {
		t := trial{f: f}
		if f >= upset && f <= upsetTo {
			t.onset = 80
		}
		if out = append(out, t); f == to {
			break
		}
	}
	return out
}

func told(c analysis.Covered) string {
	var out []string
	for _, s := range c.Stepped {
		out = append(out, fmt.Sprintf("%.4g to %.4g MHz within %.2g %%", s.From.Hz()/1e6, s.To.Hz()/1e6,
			100*float64(s.Step)))
	}
	for _, s := range c.Missing {
		out = append(out, fmt.Sprintf("not %.4g to %.4g MHz", s.From.Hz()/1e6, s.To.Hz()/1e6))
	}
	return strings.Join(out, "; ")
}

func TestWhatARunCoversIsWhatItExposed(t *testing.T) {
	coarse, fine := plan.Stretch{From: 1e6, To: 10e6, Step: 0.1}, plan.Stretch{From: 10e6, To: 20e6, Step: 0.01}
	whole := inSteps(1e6, 10e6, 0.1, 3e6, 4e6)
	within := func(trials []trial, keep func(f rf.Frequency) bool) (out []trial) {
		for _, x := range trials {
			if keep(x.f) {
				out = append(out, x)
			}
		}
		return out
	}
	for name, c := range map[string]struct {
		stretches []plan.Stretch
		trials    []trial
		want      string
		coarse    bool
	}{
		"a whole run":    {[]plan.Stretch{coarse}, whole, "1 to 10 MHz within 10 %", true},
		"a list":         {[]plan.Stretch{}, whole, "", false},
		"an old journal": {nil, whole, "", false},
		"nothing at all": {[]plan.Stretch{coarse}, nil, "not 1 to 10 MHz", false},
		"two resolutions": {[]plan.Stretch{coarse, fine}, append(whole, inSteps(10e6, 20e6, 0.01, 0, 0)[1:]...),
			"1 to 10 MHz within 10 %; 10 to 20 MHz within 1 %", true},
		"a finer part within": {[]plan.Stretch{coarse, {From: 2e6, To: 2.1e6, Step: 0.01}},
			append(within(whole, func(f rf.Frequency) bool { return f < 2e6 || f > 2.1e6 }),
				inSteps(2e6, 2.1e6, 0.01, 0, 0)...), "1 to 10 MHz within 10 %", true},
		"a fine run": {[]plan.Stretch{fine}, inSteps(10e6, 20e6, 0.01, 0, 0), "10 to 20 MHz within 1 %", false},
		"stopped": {[]plan.Stretch{coarse}, within(whole, func(f rf.Frequency) bool { return f < 2.5e6 }),
			"1 to 2.358 MHz within 10 %; not 2.358 to 10 MHz", true},
		"stopped after what came first": {[]plan.Stretch{coarse},
			append([]trial{{f: 7e6}}, within(whole, func(f rf.Frequency) bool { return f < 1.2e6 })...),
			"1 to 1.1 MHz within 10 %; not 1.1 to 10 MHz", true},
		"what was never asked for is not missing": {[]plan.Stretch{{From: 1e6, To: 2e6, Step: 0.1},
			{From: 5e6, To: 10e6, Step: 0.1}}, append(inSteps(1e6, 2e6, 0.1, 0, 0), inSteps(5e6, 10e6, 0.1, 0, 0)...),
			"1 to 2 MHz within 10 %; 5 to 10 MHz within 10 %", true},
		"given up in the middle": {[]plan.Stretch{coarse},
			within(whole, func(f rf.Frequency) bool { return f < 2.5e6 || f > 5e6 }),
			"1 to 2.358 MHz within 10 %; 5.054 to 10 MHz within 10 %; not 2.358 to 5.054 MHz", true},
	} {
		o := opened
		o.Stretches = c.stretches
		f := analysis.Of(run(1, o, c.trials...), nil)
		if got := told(f.Covered); got != c.want || f.Covered.Coarse() != c.coarse {
			t.Errorf("%s: %s, coarse: %v; want %s", name, got, f.Covered.Coarse(), c.want)
		}
	}
}

func TestWhatIsLookedAtClosely(t *testing.T) {
	o := opened
	o.Stretches = []plan.Stretch{{From: 1e6, To: 10e6, Step: 0.1}}
	f := analysis.Of(run(7, o, inSteps(1e6, 10e6, 0.1, 3e6, 4e6)...), nil)
	lab := report(t, `provoke: laboratory 1
failures:
  - {from: 3.2 MHz, to: 3.6 MHz, level: 10 V emf, what: it is in the band}
  - {from: 6 MHz, level: 10 V emf, what: it is not}
  - {from: 27.12 MHz, level: 10 V emf, what: never exposed}
`)
	spans, err := analysis.Closely(f, lab)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, s := range spans {
		got = append(got, fmt.Sprintf("%.4g to %.4g MHz: %s", s.From.Hz()/1e6, s.To.Hz()/1e6, s.Why))
	}
	// 1.1^12 to 1.1^14 MHz upset. Half a per cent to either side of what the laboratory reports is the same frequency.
	want := []string{"2.853 to 4.177 MHz: failed: 3.138428 MHz to 3.797498 MHz",
		"5.427 to 6.633 MHz: the laboratory's failure at 6 MHz, not reproduced",
		"24.53 to 29.98 MHz: the laboratory's failure at 27.12 MHz, not reproduced"}
	if strings.Join(got, "\n") != strings.Join(want, "\n") {
		t.Errorf("%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	well := analysis.Of(run(8, o, inSteps(1e6, 10e6, 0.1, 0, 0)...), nil)
	if _, err := analysis.Closely(well, event.LaboratoryFailures{}); err == nil {
		t.Error("there is nothing to look at closely, and it was not said")
	}
	o.RunKind = plan.Baseline
	if _, err := analysis.Closely(analysis.Of(run(9, o), nil), lab); err == nil {
		t.Error("a baseline is looked at closely")
	}
}

// A run with a time limit is told by the steps that it came to, rounded up to what a plan would have.
func TestARunWhoseTimeIsUpCoversItsRangeInTheStepsThatItCameTo(t *testing.T) {
	o := opened
	o.Stretches = []plan.Stretch{{From: 1e6, To: 4e6, Step: 0.01}, {From: 4e6, To: 10e6, Step: 0.01}}
	o.TimeLimit, o.Points = rf.Duration(60e9), 233
	trials := append(inSteps(1e6, 3e6, 0.036, 0, 0), inSteps(3e6, 3.2e6, 0.01, 3.05e6, 3.1e6)[1:]...)
	trials = append(trials, inSteps(3.2e6, 7e6, 0.036, 0, 0)[1:]...)
	f := analysis.Of(run(1, o, trials...), nil)
	if got, want := told(f.Covered), "1 to 2.993 MHz within 4 %; 2.993 to 3.2 MHz within 1 %; 3.2 to 6.967 "+
		"MHz within 4 %; 6.967 to 7 MHz within 1 %; not 7 to 10 MHz"; got != want {
		t.Errorf("%s, want %s", got, want)
	}
	if s := float64(f.Covered.Share); s < 0.844 || s > 0.846 { // ln 7 / ln 10
		t.Errorf("%v of the range", s)
	}
	if s := float64(f.Covered.Own); s < 0.255 || s > 0.265 { // (ln 7 - ln 1.0667)·ln 1.01/ln 1.036 + ln 1.0667 of ln 10
		t.Errorf("%v of it in its own steps", s)
	}
	if len(f.Bands) != 1 || f.Bands[0].Points != 2 {
		t.Errorf("%+v", f.Bands)
	}
	o.TimeLimit = 0
	if whole := analysis.Of(run(2, o, append(inSteps(1e6, 4e6, 0.01, 0, 0),
		inSteps(4e6, 10e6, 0.01, 0, 0)[1:]...)...), nil).Covered; whole.Share != 1 ||
		whole.Own < 0.995 {
		t.Errorf("a whole run covers %v, %v of it in its own steps", whole.Share, whole.Own)
	}
}

// Every frequency that upset before stood the level after the fix, and then the time was up: what would have upset
// elsewhere was never exposed. Nothing is shown, whatever ended the run, until everything was exposed.
func TestWhatDidNotGetThroughShowsNoFix(t *testing.T) {
	o := opened
	o.Stretches, o.Points = []plan.Stretch{{From: 20e6, To: 60e6, Step: 0.05}}, 24
	before := inSteps(20e6, 60e6, 0.05, 30e6, 33e6)
	after := inSteps(20e6, 60e6, 0.05, 0, 0)
	for _, c := range []struct {
		verdict event.Verdict
		kept    int
		want    analysis.Judgement
		says    string
	}{
		{event.TimeUp, 14, analysis.NotShown, "40 % of the range was not exposed (14 of 24 frequencies were)"},
		{event.TimeUp.Unmeasured(), 14, analysis.NotShown, "40 % of the range was not exposed"},
		{event.Stopped, 23, analysis.NotShown, "1 % of the range was not exposed (23 of 24 frequencies were)"},
		{event.TrippedEnd, 14, analysis.NotShown, "40 % of the range was not exposed"},
		{"", 14, analysis.NotShown, "40 % of the range was not exposed"},
		{event.TimeUp, 24, analysis.Shown, ""}, // only edges or recovery levels are left
		{event.Done, 24, analysis.Shown, ""},
	} {
		b := builder{n: 2}
		b.add(o)
		for _, x := range after[:c.kept] {
			b.expose(x)
		}
		if c.verdict != "" {
			b.add(event.Closed{Verdict: c.verdict})
		}
		got := analysis.Compare(run(1, o, before...), b.r, analysis.Basis{})
		if got.Verdict != c.want || !strings.Contains(strings.Join(got.Reasons, "; "), c.says) {
			t.Errorf("%s after %d of 24: %s: %s", c.verdict, c.kept, got.Verdict, strings.Join(got.Reasons, "; "))
		}
	}
}
