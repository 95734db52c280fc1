package analysis_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"provoke/internal/findings/analysis"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/model/level"
	"provoke/internal/units/rf"
)

func containsText(s, part string) bool { return strings.Contains(s, part) }

func TestImmunityProfileHasTheMarginWithItsBound(t *testing.T) {
	f := analysis.Of(run(1, opened, grid(0, 84, 80, 86.5, 0)...), nil)
	// Working: onset − 90 dBµA wanted.
	want := []struct {
		margin float64
		bound  rf.Bound
	}{{0, rf.AtLeast}, {-6, rf.Exactly}, {-10, rf.Exactly}, {-3.5, rf.Exactly}, {0, rf.AtLeast}}
	for i, w := range want {
		p := f.Points[i]
		if math.Abs(float64(p.Margin)-w.margin) > 1e-9 || p.MarginBound != w.bound {
			t.Errorf("%v: margin %v %v, want %v %v dB", p.Frequency, p.MarginBound, p.Margin, w.bound, w.margin)
		}
	}
	if w, ok := f.Worst(); !ok || w.Frequency != 24*rf.Megahertz {
		t.Errorf("worst is %v, want 24 MHz", w.Frequency)
	}
	if f.Upsets != 3 || f.Exposures != 11 {
		t.Errorf("%d upsets in %d exposures, want 3 in 11", f.Upsets, f.Exposures)
	}
}

func TestFailingBandEndsBetweenAnUpsetAndAFrequencyThatStoodTheLevel(t *testing.T) {
	bands := analysis.Of(run(1, opened, grid(0, 84, 80, 86.5, 0, 88)...), nil).Bands
	if len(bands) != 2 {
		t.Fatalf("%d bands, want 2", len(bands))
	}
	b := bands[0]
	if b.Low.Frequency != 22e6 || b.High.Frequency != 26e6 || b.Low.Outside != 20e6 || b.High.Outside != 28e6 ||
		!b.Low.Shown || !b.High.Shown {
		t.Errorf("band %+v to %+v, want 22 to 26 MHz between 20 and 28 MHz", b.Low, b.High)
	}
	if b.Lowest.Frequency != 24e6 || b.Points != 3 || b.Exposures != 9 || b.Monotone != plan.MonotoneAssumed {
		t.Errorf("lowest at %v, %d points, %d exposures, %s", b.Lowest.Frequency, b.Points, b.Exposures, b.Monotone)
	}
	// Working: (22 − 20)/22 = 9.09 %.
	if got := float64(b.Low.Resolution()); math.Abs(got-2.0/22) > 1e-9 {
		t.Errorf("low edge is known to %v, want 9.09 %%", b.Low.Resolution())
	}
	if last := bands[1].High; last.Outside.Known() || last.Shown {
		t.Errorf("the band at the end of the run seems to end: %+v", last)
	}
}

func TestAFrequencyThatWasNotReachedDoesNotEndABand(t *testing.T) {
	trials := grid(0, 84, 0)
	trials[2].reach = 80
	b := analysis.Of(run(1, opened, trials...), nil).Bands[0]
	if b.High.Outside != 24e6 || b.High.Shown {
		t.Errorf("edge %+v: at 24 MHz the product saw 80 of 90 dBµA, so the band may go on", b.High)
	}
}

func TestUpsetsOfTheControlRunAreMarkedMonitorOrAE(t *testing.T) {
	o := opened
	o.RunKind = plan.Control
	control := analysis.OutlineOf(run(2, o, grid(0, 0, 0, 82, 82)...))
	f := analysis.Of(run(1, opened, grid(0, 84, 0, 86, 86, 0)...), &control)
	for _, p := range f.Points {
		if want := p.Frequency == 26e6 || p.Frequency == 28e6; p.InControl != want {
			t.Errorf("%v: in control %v, want %v", p.Frequency, p.InControl, want)
		}
	}
	if f.Bands[0].InControl || !f.Bands[1].InControl || f.Control != 2 {
		t.Errorf("bands %+v", f.Bands)
	}
}

func TestUpsetsOfABaselineAreFalseAlarms(t *testing.T) {
	o := opened
	o.RunKind = plan.Baseline
	b := builder{n: 1}
	b.add(o)
	for i := range 5 {
		b.close(rf.Frequency(20+i)*rf.Megahertz, plan.Sweep, 0, 0, i == 3)
	}
	a := analysis.Of(b.r, nil).FalseAlarms
	if a == nil || a.Alarms != 1 || a.Dwells != 5 || a.At[0] != 23*rf.Megahertz {
		t.Errorf("false alarms %+v, want 1 in 5 dwells at 23 MHz", a)
	}
	if analysis.Of(run(1, opened, grid(84)...), nil).FalseAlarms != nil {
		t.Error("an exposure has false alarms")
	}
}

func TestDriftIsTheReadingWithoutRFAgainstTheFirstPoint(t *testing.T) {
	var r result.Run
	r = result.Fold(r, event.Record{Run: 1, Seq: 1, Event: opened})
	for i, kg := range []float64{5.000, 5.003, 4.986, 5.001} {
		r = result.Fold(r, event.Record{Run: 1, Seq: int64(i + 2), Event: event.StepClosed{
			Step: plan.Step{Number: i + 1, Point: plan.Point{Frequency: rf.Frequency(20+i) * rf.Megahertz},
				Purpose: plan.Sweep},
			Readings: []event.Reading{{Monitor: "KG", After: rf.Duration(-time.Second), Value: kg, HasValue: true}},
		}})
	}
	d := analysis.Of(r, nil).Drift
	// Working: 4.986 − 5.000 = −0.014 kg, beyond half of 0.02 kg.
	if len(d) != 1 || math.Abs(d[0].Largest+0.014) > 1e-9 || d[0].Step != 3 || d[0].Unit != "kg" || !d[0].Exceeds() {
		t.Errorf("drift %+v, want −0.014 kg at step 3", d)
	}
}

var before = grid(0, 84, 80, 86.5, 0, 0, 0)

func TestComparison(t *testing.T) {
	worseElsewhere := grid(0, 0, 0, 0, 0, 0, 85)
	worseElsewhere[6].f = 80 * rf.Megahertz
	beforeFar := append([]trial(nil), before...)
	beforeFar[6].f = 80 * rf.Megahertz
	other := opened
	other.Modulation = level.Modulation{Kind: level.CW}
	shorter := opened
	shorter.Dwell = rf.Duration(100 * time.Millisecond)
	moved := opened
	moved.Bench.SHA256 = "bbbb"
	moved.Setup = []event.Field{{Name: "clamp to DUT", Value: "300 mm"}}
	tolerant := opened
	tolerant.Monitors = []event.Monitor{{ID: "KG", Kind: "text", Unit: "kg", Tolerance: 0.5}}

	cases := []struct {
		name         string
		before       []trial
		opened       event.Opened
		after        []trial
		margin       rf.Gain
		want         analysis.Judgement
		reason       string
		reservations string
	}{
		{"a real fix", before, opened, grid(0, 0, 0, 0, 0, 0, 0), 0, analysis.Shown, "22 MHz to 26 MHz", ""},
		{"a fix that only lifts the onset", before, opened, grid(0, 88, 86, 0, 0, 0, 0), 0, analysis.NotShown,
			"still upsets; helped 4.0 dB to 6.0 dB; 4.0 dB missing at 24 MHz", ""},
		{"a fix that only moves the band", before, opened, grid(0, 0, 0, 0, 0, 83, 85), 0, analysis.Worse,
			"the band moved", ""},
		{"a fix that lowers the reachable current", before, opened, reaching(78, grid(0, 0, 0, 0, 0, 0, 0)),
			0, analysis.NotShown, "the after-run reached only 78.0 dBµA", ""},
		{"a fix that reaches the onset before but not the level wanted", before, opened,
			reaching(88, grid(0, 0, 0, 0, 0, 0, 0)), 0, analysis.NotShown,
			"reached only 88.0 dBµA; 90.0 dBµA is required", ""},
		{"a fix with more margin asked than was tried", before, opened, grid(0, 0, 0, 0, 0, 0, 0), 6, analysis.NotShown,
			"at 26 MHz: the after-run reached only 90.0 dBµA; 92.5 dBµA is required", ""},
		{"worse at another frequency", beforeFar, opened, worseElsewhere, 0, analysis.Worse,
			"worse at 80 MHz; most at 80 MHz: upsets at 85.0 dBµA, before it stood 90.0 dBµA", ""},
		{"worse at the same frequency", before, opened, grid(0, 84, 78, 86.5, 0, 0, 0), 0, analysis.Worse,
			"upsets at 78.0 dBµA, before at 80.0 dBµA", ""},
		{"an upset at the level wanted, levelled 0.1 dB below it", before, opened, grid(0, 0, 89.9, 0, 0, 0, 0),
			0, analysis.NotShown, "at 24 MHz: still upsets, at 89.9 dBµA; 90.0 dBµA is required", ""},
		{"a new upset at the level wanted", before, opened, grid(0, 0, 0, 0, 89.9, 0, 0), 0, analysis.NotShown,
			"at 28 MHz: upsets at 89.9 dBµA, before it stood 90.0 dBµA", ""},
		{"another modulation", before, other, grid(0, 0, 0, 0, 0, 0, 0), 0, analysis.NotShown,
			"modulation: AM 80 % 1 kHz, carrier held before, CW after", ""},
		{"a shorter dwell", before, shorter, grid(0, 0, 0, 0, 0, 0, 0), 0, analysis.NotShown, "dwell", ""},
		{"a monitor with more tolerance", before, tolerant, grid(0, 0, 0, 0, 0, 0, 0), 0, analysis.NotShown,
			"monitor KG", ""},
		{"another position and a bench that is not known", before, moved, grid(0, 0, 0, 0, 0, 0, 0),
			0, analysis.NotShown, "the job does not hold both", "clamp to DUT: 50 mm before, 300 mm after"},
		{"a gain that the set-up explains", grid(0, 0, 87.7, 0, 0, 0, 0), opened, grid(0, 0, 0, 0, 0, 0, 0),
			0, analysis.NoDifference,
			"at 24 MHz: stood 90.0 dBµA, 2.3 dB above what upset before; two set-ups of the same bench differ by up " +
				"to 2.3 dB", ""},
		{"a gain that the set-up does not explain", grid(0, 0, 87.6, 0, 0, 0, 0), opened, grid(0, 0, 0, 0, 0, 0, 0),
			0, analysis.Shown, "24 MHz", ""},
		{"levelled 0.1 dB below the level wanted", before, opened, reaching(89.9, grid(0, 0, 0, 0, 0, 0, 0)),
			0, analysis.NotShown, "90.0 dBµA is required", ""},
		{"nothing upset before", grid(0, 0), opened, grid(0, 0), 0, analysis.NotShown, "nothing upset before", ""},
		{"a band not exposed again", before, opened, before[:1], 0, analysis.NotShown, "not exposed in the after-run",
			""},
		{"other frequencies not exposed again", before, opened, grid(0, 0, 0, 0, 0), 0, analysis.Shown, "22 MHz",
			"not exposed in the after-run at 30 MHz, 32 MHz"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			got := analysis.Compare(run(1, opened, c.before...), run(2, c.opened, c.after...),
				analysis.Basis{Margin: c.margin})
			if got.Verdict != c.want {
				t.Errorf("verdict %q, want %q; reasons %q", got.Verdict, c.want, got.Reasons)
			}
			contains(t, got.Reasons, c.reason)
			if c.reservations != "" {
				contains(t, got.Reservations, c.reservations)
			} else if len(got.Reservations) > 0 && c.want == analysis.Shown {
				t.Errorf("reservations %q", got.Reservations)
			}
			for _, s := range append(got.Reasons, string(got.Verdict)) {
				if strings.Contains(s, "fixed") {
					t.Errorf("%q promises more than was shown", s)
				}
			}
		})
	}
}

func TestGainIsABoundWhereTheAfterRunFoundNoOnset(t *testing.T) {
	c := analysis.Compare(run(1, opened, before...), run(2, opened, grid(0, 0, 86, 0, 0, 0, 0)...), analysis.Basis{})
	want := []string{"–", "at least 6.0 dB", "6.0 dB", "at least 3.5 dB", "–"}
	for i, w := range want {
		got := "–"
		if q := c.Points[i].Gain.Quantity(c.Points[i].GainBound); q != nil {
			got = q.Text
		}
		if got != w {
			t.Errorf("%v: gain %s, want %s", c.Points[i].Frequency, got, w)
		}
	}
	if b := c.Bands[0]; b.Fate != analysis.Remains || b.LeastGain.Text(1) != "3.5 dB" ||
		b.LeastGainBound != rf.AtLeast {
		t.Errorf("band %s, least gain %v %v", b.Fate, b.LeastGainBound, b.LeastGain)
	}
}

func TestDifferencesThatForbidTheVerdictComeFirst(t *testing.T) {
	o := opened
	o.Bench.SHA256, o.Modulation = "bbbb", level.Modulation{}
	d := analysis.Compare(run(1, opened, before...), run(2, o, before...), analysis.Basis{}).Differences
	if len(d) != 2 || d[0].What != "modulation" || !d[0].Forbids || d[1].What != "bench" || d[1].Forbids {
		t.Errorf("differences %+v", d)
	}
}

func TestFrequenciesOfBandEdgesNeedNoSecondExposure(t *testing.T) {
	b := builder{n: 1}
	b.add(opened)
	for _, x := range before {
		b.expose(x)
	}
	b.close(21*rf.Megahertz, plan.Edge, 0, 0, true)
	b.add(event.Closed{Verdict: event.DoneUpset})
	c := analysis.Compare(b.r, run(2, opened, grid(0, 0, 0, 0, 0, 0, 0)...), analysis.Basis{})
	if c.Verdict != analysis.Shown {
		t.Errorf("verdict %q: %q", c.Verdict, c.Reasons)
	}
	contains(t, c.Reservations, "21 MHz")
	if c.Bands[0].Fate != analysis.Gone {
		t.Errorf("band is %q", c.Bands[0].Fate)
	}
}

// Replaying a calibration, the level is the drive: on a cable that takes more current than the jig
// the product upsets at more than the matched-loop current, and has failed at the level all the same.
func TestAnUpsetInASubstitutionIsAnUpsetAtTheLevel(t *testing.T) {
	replay := func(o event.Opened, failing rf.Frequency) result.Run {
		b := builder{n: 2}
		b.add(o)
		for _, t := range before {
			b.close(t.f, plan.Sweep, 0, 4, t.f == failing)
			if t.f == failing { // its onset is 93 dBµA, 1 dB below the calibrated drive
				b.close(t.f, plan.Onset, -1.5, 2.5, false)
				b.close(t.f, plan.Onset, -1, 3, true)
			}
		}
		b.add(event.Closed{Verdict: event.DoneUpset})
		return b.r
	}
	o := opened
	o.Mode = plan.Substitution
	for f, want := range map[rf.Frequency]struct {
		verdict analysis.Judgement
		why     string
	}{
		24 * rf.Megahertz: {analysis.NotShown,
			"at 24 MHz: still upsets, 1.0 dB below the calibrated drive (93.0 dBµA); the calibrated drive is required"},
		28 * rf.Megahertz: {analysis.Worse,
			"worse at 28 MHz; most at 28 MHz: upsets 1.0 dB below the calibrated drive (93.0 dBµA), before it stood " +
				"the calibrated drive"},
	} {
		c := analysis.Compare(run(1, o, before...), replay(o, f), analysis.Basis{})
		if c.Verdict != want.verdict {
			t.Errorf("%v: verdict %q: %q", f, c.Verdict, c.Reasons)
		}
		contains(t, c.Reasons, want.why)
	}
	// The margin is counted from the calibrated drive, not from the matched-loop current.
	f := analysis.Of(replay(o, 24*rf.Megahertz), nil)
	if f.Level() != analysis.CalibratedDrive || f.Bands[0].Lowest.Margin != -1 ||
		f.Bands[0].Lowest.MarginBound != rf.Exactly {
		t.Errorf("the margin to %s is %v (%v)", f.Level(), f.Bands[0].Lowest.Margin, f.Bands[0].Lowest.MarginBound)
	}
	for _, p := range f.Points {
		if !p.Upset && (p.Margin != 0 || p.MarginBound != rf.AtLeast) {
			t.Errorf("%v stood the calibrated drive, and its margin is %v %v", p.Frequency, p.MarginBound, p.Margin)
		}
	}
	// Before and after as drives: 2 dB more drive is the gain, whatever the currents were.
	c := analysis.Compare(replay(o, 24*rf.Megahertz), replay(o, 24*rf.Megahertz), analysis.Basis{})
	for _, p := range c.Points {
		if p.Frequency == 24*rf.Megahertz && (p.Gain != 0 || p.GainBound != rf.Exactly || !p.InDrive) {
			t.Errorf("the gain in drive is %v (%v)", p.Gain, p.GainBound)
		}
	}
	// In a closed loop the level is the current, and 93 dBµA is above it.
	if c := analysis.Compare(run(1, opened, before...), replay(opened, 24*rf.Megahertz),
		analysis.Basis{}); c.Verdict != analysis.Shown {
		t.Errorf("closed loop: verdict %q: %q", c.Verdict, c.Reasons)
	}
}

func TestARunThatExposedNothingIsNotARunWithoutUpset(t *testing.T) {
	b := builder{n: 1}
	b.add(opened)
	b.add(event.Closed{Verdict: event.Failed})
	if f := analysis.Of(b.r, nil); f.Exposed() || f.Unfinished() == "" {
		t.Errorf("exposed %v, unfinished %q", f.Exposed(), f.Unfinished())
	}
	if f := analysis.Of(run(1, opened, before...), nil); !f.Exposed() || f.Unfinished() != "" {
		t.Errorf("a run that is done: exposed %v, unfinished %q", f.Exposed(), f.Unfinished())
	}
}

func TestABaselineStoodNothing(t *testing.T) {
	o := opened
	o.RunKind = plan.Baseline
	c := analysis.Compare(run(1, o, grid(0, 0)...), run(2, opened, before...), analysis.Basis{})
	if len(c.Points) > 0 {
		t.Errorf("a run without RF has currents to compare: %+v", c.Points[0])
	}
}

func TestBaselineShowsNothing(t *testing.T) {
	o := opened
	o.RunKind = plan.Baseline
	c := analysis.Compare(run(1, opened, before...), run(2, o, grid(0, 0, 0, 0, 0, 0, 0)...), analysis.Basis{})
	if c.Verdict != analysis.NotShown {
		t.Errorf("verdict %q", c.Verdict)
	}
	contains(t, c.Reasons, "run 2 is a baseline")
}

// Whatever two runs found: "shown" means that at every frequency that upset before the product stood
// the level wanted and the onset before plus the margin, within what counts as the same level.
func TestShownIsNeverSaidWithoutTheCurrent(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		onset := rapid.OneOf(rapid.Just(0.0),
			rapid.Map(rapid.IntRange(140, 180), func(n int) float64 { return float64(n) / 2 }))
		var b, a []trial
		for i := range rapid.IntRange(1, 8).Draw(t, "frequencies") {
			f := rf.Frequency(20+2*i) * rf.Megahertz
			b = append(b, trial{f: f, onset: onset.Draw(t, "before")})
			a = append(a, trial{f: f, onset: onset.Draw(t, "after"),
				reach: float64(rapid.IntRange(140, 182).Draw(t, "reach")) / 2})
		}
		margin := rf.Gain(rapid.IntRange(0, 6).Draw(t, "margin"))
		c := analysis.Compare(run(1, opened, b...), run(2, opened, a...), analysis.Basis{Margin: margin})
		if c.Verdict != analysis.Shown {
			return
		}
		for i := range b {
			stood := a[i].reach
			if a[i].onset != 0 && a[i].onset <= a[i].reach {
				stood = a[i].onset
			}
			required := math.Max(wanted, b[i].onset+float64(margin))
			if b[i].onset != 0 && stood < required-float64(analysis.SameLevel)-1e-6 {
				t.Fatalf("shown, although %v stood only %v of %v dBµA", b[i].f, stood, required)
			}
		}
	})
}

func BenchmarkFindingsOfHundredThousandSteps(b *testing.B) {
	var records []event.Record
	records = append(records, event.Record{Run: 1, Seq: 1, Event: opened})
	for n := range 100_000 {
		offset := rf.Gain(-(n % 100)) / 2
		records = append(records, event.Record{Run: 1, Seq: int64(n + 2), Event: event.StepClosed{
			Step: plan.Step{Number: n + 1, Purpose: plan.Onset, Offset: offset,
				Point: plan.Point{Frequency: rf.Frequency(1+n/100) * rf.Megahertz, Target: rf.DBuA(90)}},
			Outcome: plan.Outcome{Number: n + 1, Upset: n%100 < 20 && n%30000 < 9000, Exposures: 1},
			Current: rf.DBuA(90).Add(offset),
			Readings: []event.Reading{{Monitor: "KG", After: -1, Value: 5, HasValue: true},
				{Monitor: "KG", After: 1, Value: 5, HasValue: true, RFOn: true}},
		}})
	}
	b.ReportAllocs()
	for b.Loop() {
		var r result.Run
		for _, rec := range records {
			r = result.Fold(r, rec)
		}
		if f := analysis.Of(r, nil); len(f.Bands) == 0 {
			b.Fatal("no bands")
		}
	}
}

// A list of eight frequencies, all of which upset, was told as one band from the lowest to the highest.
func TestBandsAreNotJoinedAcrossWhatWasNeverExposed(t *testing.T) {
	list := []rf.Frequency{1.7095e6, 3e6, 5e6, 8e6, 12e6, 16e6, 22e6, 28.34e6}
	var trials []trial
	for _, f := range list {
		trials = append(trials, trial{f: f, onset: 80})
	}
	for name, o := range map[string]event.Opened{"with its stretches": opened, "an older journal": opened} {
		if name == "with its stretches" {
			o.Stretches = []plan.Stretch{}
		}
		f := analysis.Of(run(1, o, trials...), nil)
		if len(f.Bands) != len(list) {
			t.Fatalf("%s: %d bands of %d frequencies", name, len(f.Bands), len(list))
		}
		if e := f.Bands[0].High; !e.Gap || e.Shown || e.Outside != 3e6 {
			t.Errorf("%s: the upper edge of the first band is %+v", name, e)
		}
		if e := f.Bands[1].Low; !e.Gap || e.Outside != 1.7095e6 {
			t.Errorf("%s: the lower edge of the second band is %+v", name, e)
		}
	}
	// A grid whose frequencies were skipped in the middle of a band.
	o := opened
	o.Stretches = []plan.Stretch{{From: 20e6, To: 24e6, Step: 0.01}}
	f := analysis.Of(run(1, o, trial{f: 20e6}, trial{f: 20.2e6, onset: 80}, trial{f: 20.4e6, onset: 80},
		trial{f: 21e6, onset: 80}, trial{f: 21.2e6}), nil)
	if len(f.Bands) != 2 || f.Bands[0].High.Frequency != 20.4e6 || !f.Bands[0].High.Gap || !f.Bands[1].High.Shown {
		t.Errorf("%+v", f.Bands)
	}
}
