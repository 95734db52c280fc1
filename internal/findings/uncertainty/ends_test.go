package uncertainty_test

import (
	"errors"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"provoke/internal/files/catalog"
	"provoke/internal/findings/analysis"
	"provoke/internal/findings/uncertainty"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/model/level"
	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

func current(t *testing.T, b *catalog.Bench, f rf.Frequency, c uncertainty.Conditions) uncertainty.Current {
	t.Helper()
	out, err := uncertainty.OfCurrent(b, f, c, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// A bench of which nothing is said but the losses, at 30 MHz and by the figures of common practice: probe 2.0/2, two
// pads
// 0.3/√3, two coax 0.2/√3, analyser 1.5/√3, clamp, drift and set-up 0.5/√3, harmonics of −15 dB 20·lg(1 + 10^(−0.75)) =
// 1.4216/√3, position 0.0017/√3, VSWR 3 and 1.5 through 21 dB with VSWR 1.2 at both ends: 0.0652571, U-shaped.
func TestTheAssumedBenchByHand(t *testing.T) {
	product := 0.5/11 + 0.2/11 + 0.5*0.2/121 + 0.5*0.2*math.Pow(10, -2.1)
	mismatch := 10 * (math.Log10(1+product) - math.Log10(1-product))
	squares := 1 + mismatch*mismatch/2 + (2*0.09+2*0.04+2.25+3*0.25+1.4216*1.4216+0.0017*0.0017)/3
	if u := uncertainty.AssumedBench(30 * rf.Megahertz).DB(); math.Abs(u-math.Sqrt(squares)) > 1e-4 {
		t.Errorf("%g dB, want %g dB", u, math.Sqrt(squares))
	}
}

// What a replayed drive adds, from the sample bench file and without its words, by hand.
func TestWhatAReplayAddsByHand(t *testing.T) {
	f := 30 * rf.Megahertz
	c := current(t, bench(t, without("harmonics:", "position_tolerance:", "{spread: 0.3 dB")), f,
		uncertainty.Conditions{Means: uncertainty.Replayed})
	if c.Means != uncertainty.Replayed || len(c.Notes) != 1 || !strings.Contains(c.Notes[0], "calibration jig") {
		t.Errorf("%s, %q", c.Means, c.Notes)
	}
	for name, half := range map[string]float64{
		"clamp put up anew": 0.5, "drift of source": 0.5, "harmonics": 20 * math.Log10(1+math.Pow(10, -0.75)),
		"position": 0.001717, "repeatability": 0.5,
	} {
		if x := component(t, c, name); math.Abs(x.Half-half) > 1e-5 || !x.Assumed ||
			!strings.Contains(x.Source, "assumed") || x.Distribution != uncertainty.Rectangular {
			t.Errorf("%s: %+v, want ± %g dB", name, x, half)
		}
	}
	said := current(t, bench(t, nil), f, uncertainty.Conditions{Means: uncertainty.Replayed})
	for name, half := range map[string]float64{"clamp put up anew": 0.3, "harmonics": 20 * math.Log10(1.1)} {
		if x := component(t, said, name); math.Abs(x.Half-half) > 1e-5 || x.Assumed {
			t.Errorf("%s: %+v, want %g dB", name, x, half)
		}
	}
	// Without a broadband meter nothing reads the harmonics, and measured nothing is replayed.
	b := bench(t, nil)
	b.PowerMeter = nil
	if x := component(t, current(t, b, f, uncertainty.Conditions{Means: uncertainty.Replayed}),
		"harmonics"); x.Half != 0 {
		t.Errorf("%+v", x)
	}
	measured := current(t, bench(t, nil), f, uncertainty.Conditions{Window: 0.3})
	if measured.Means != uncertainty.Measured || len(measured.Notes) != 0 || len(measured.Components) != 8 {
		t.Errorf("%s, %q, %d components", measured.Means, measured.Notes, len(measured.Components))
	}
	levelled := current(t, bench(t, nil), f, uncertainty.Conditions{Means: uncertainty.Levelled, Window: 0.3})
	if len(levelled.Notes) != 1 || !strings.Contains(levelled.Notes[0], "0.15 dB above") {
		t.Errorf("%q", levelled.Notes)
	}
	if x := current(t, bench(t, nil), f, uncertainty.Conditions{Means: uncertainty.Levelled}); len(x.Components) != 8 {
		t.Error("no window, and yet a contribution")
	}
	b.Analyser = nil
	if _, err := uncertainty.OfCurrent(b, f, uncertainty.Conditions{}, 0.95); err == nil {
		t.Error("a current without an analyser")
	}
}

// The sample bench says the match of everything but a coax: that one is named. Only bounded, the same reflections give
// half.
func TestTheConventionOfTheMismatch(t *testing.T) {
	fixed := component(t, current(t, bench(t, nil), 30*rf.Megahertz, uncertainty.Conditions{}), "mismatch")
	bounded := component(t, current(t, bench(t, nil), 30*rf.Megahertz,
		uncertainty.Conditions{Convention: uncertainty.BoundedMagnitudes}), "mismatch")
	if fixed.Distribution != uncertainty.UShaped || bounded.Distribution != uncertainty.InDisc ||
		math.Abs(bounded.Standard()*2-fixed.Standard()) > 1e-12 {
		t.Errorf("%+v, %+v", fixed, bounded)
	}
	for c, x := range map[uncertainty.MismatchConvention]uncertainty.Component{uncertainty.FixedMagnitudes: fixed,
		uncertainty.BoundedMagnitudes: bounded} {
		if want := string(c) + "; assumed VSWR: COAX3 1.2:1"; !x.Assumed || x.Source != want {
			t.Errorf("%q, want %q", x.Source, want)
		}
	}
	b := bench(t, nil)
	b.ToAnalyser = nil // the probe's 10^(−1.5477/20) meets the analyser's 0.2
	x := component(t, current(t, b, 30*rf.Megahertz, uncertainty.Conditions{}), "mismatch")
	product := 0.2 * math.Pow(10, -(1.5+0.1*math.Log10(3))/20)
	if want := 10 * math.Log10((1+product)/(1-product)); math.Abs(x.Half-want) > 1e-6 || x.Assumed ||
		x.Source != string(uncertainty.FixedMagnitudes) {
		t.Errorf("%+v, want ± %g dB", x, want)
	}
}

func TestTwoRunsAreARepeat(t *testing.T) {
	for _, c := range []struct {
		deviation rf.Gain
		n         int
		standard  float64
		freedom   float64
		assumed   bool
	}{{0.4, 2, 0.4, 1, false}, {0, 3, 0, 2, false}, {0.4, 1, 0.5 / math.Sqrt(3), 0, true},
		{rf.Gain(math.NaN()), 3, 0.5 / math.Sqrt(3), 0, true}, {-0.1, 3, 0.5 / math.Sqrt(3), 0, true}} {
		x := component(t, current(t, bench(t, nil), 30*rf.Megahertz,
			uncertainty.Conditions{Repeated: func(rf.Frequency) (rf.Gain, int) { return c.deviation, c.n }}),
			"repeatability")
		if math.Abs(x.Standard()-c.standard) > 1e-9 || x.Freedom != c.freedom || x.Assumed != c.assumed {
			t.Errorf("%+v: %+v", c, x)
		}
	}
	failing := func(rf.Frequency, rf.Length) (rf.Gain, string, error) { return 0, "", errors.New("no such cable") }
	if _, err := uncertainty.OfCurrent(bench(t, nil), 30*rf.Megahertz, uncertainty.Conditions{Position: failing},
		0.95); err == nil || !strings.Contains(err.Error(), "no such cable") {
		t.Errorf("%v", err)
	}
	asked := rf.Length(0)
	c := current(t, bench(t, without("position_tolerance:")), 30*rf.Megahertz,
		uncertainty.Conditions{Position: func(_ rf.Frequency, tolerance rf.Length) (rf.Gain, string, error) {
			asked = tolerance
			return 0.7, "cable model", nil
		}})
	if x := component(t, c, "position"); asked != 0.01 || !x.Assumed || x.Half != 0.7 {
		t.Errorf("%v, %+v", asked, x)
	}
}

// A certificate with ten degrees of freedom keeps them; and a simulation of the budget is held against it, round 0 dB.
func TestACertificateKeepsItsDegreesOfFreedom(t *testing.T) {
	b := bench(t, func(text string) string {
		return strings.Replace(text, "{expanded: 1.0 dB, k: 2}", "{expanded: 1.0 dB, k: 2, freedom: 10}", 1)
	})
	c := current(t, b, 30*rf.Megahertz, uncertainty.Conditions{})
	if x := component(t, c, "transfer impedance"); x.Freedom != 10 || x.Assumed {
		t.Errorf("%+v", x)
	}
	if err := c.Simulate(rand.New(rand.NewPCG(1, 1)), uncertainty.MinimumDraws); err != nil ||
		c.Comparison.Low > 0.15 || c.Comparison.High > 0.15 {
		t.Errorf("%+v, %v", c.Comparison, err)
	}
}

// Which budget stands for an onset, by mode and by where its current is from.
func TestHowWellARunKnowsACurrent(t *testing.T) {
	b, f := bench(t, nil), 30*rf.Megahertz
	measured := current(t, b, f, uncertainty.Conditions{})
	replayed := current(t, b, f, uncertainty.Conditions{Means: uncertainty.Replayed})
	if measured.Combined.Standard >= replayed.Combined.Standard {
		t.Fatal("a replayed drive is known as well as a measured current")
	}
	nothing := uncertainty.AssumedBench(f)
	assumed := analysis.Known{Standard: nothing, U: 2 * nothing, Assumed: true}
	of := func(c uncertainty.Current) analysis.Known {
		return analysis.Known{Standard: rf.Gain(c.Combined.Standard), U: c.U()}
	}
	for _, c := range []struct {
		name  string
		bench *catalog.Bench
		mode  plan.Mode
		from  result.Origin
		want  analysis.Known
	}{
		{"measured", b, plan.ClosedLoop, result.Measured, of(measured)},
		{"nothing said", b, plan.ClosedLoop, "", of(measured)},
		{"asked for", b, plan.ClosedLoop, result.Asked, assumed},
		{"predicted", b, plan.ClosedLoop, result.Predicted, assumed},
		{"replayed, predicted", b, plan.Substitution, result.Predicted, of(replayed)},
		{"replayed, asked for", b, plan.Substitution, result.Asked, of(replayed)},
		{"replayed, nothing said", b, plan.Substitution, "", of(replayed)},
		{"constant drive, measured", b, plan.ConstantDrive, result.Measured, of(measured)},
		{"constant drive, predicted", b, plan.ConstantDrive, result.Predicted, assumed},
		{"no bench file", nil, plan.ClosedLoop, result.Measured, assumed},
		{"no probe", &catalog.Bench{}, plan.ClosedLoop, result.Measured, assumed},
	} {
		p := analysis.Point{Threshold: result.Threshold{Frequency: f, OnsetOrigin: c.from}}
		got := uncertainty.KnownOf(c.bench, c.mode, nil)(p)
		if math.Abs((got.Standard-c.want.Standard).DB()) > 1e-12 || math.Abs((got.U-c.want.U).DB()) > 1e-12 ||
			got.Assumed != c.want.Assumed {
			t.Errorf("%s: %+v, want %+v", c.name, got, c.want)
		}
	}
	p := analysis.Point{Threshold: result.Threshold{Frequency: f, OnsetOrigin: result.Measured}}
	three := func(rf.Frequency) (rf.Gain, int) { return 2, 3 }
	if got := uncertainty.KnownOf(b, plan.ClosedLoop,
		three)(p); math.Abs(got.Standard.DB()-math.Sqrt(math.Pow(measured.Combined.Standard, 2)-0.25/3+4)) > 1e-9 {
		t.Errorf("repeats of 2 dB: %+v", got)
	}
}

// pair are two runs of one product at 20 and 21 MHz, with nothing drawn at random: the second finds its onsets 0.5 and
// 1 dB higher, and needs 0.5 dB more drive for the same current.
func pair(t *testing.T) (a, b result.Run) {
	run := func(number int) (out result.Run) {
		again := float64(number - 1)
		threshold := map[rf.Frequency]float64{20 * rf.Megahertz: 77.2 + 0.5*again, 21 * rf.Megahertz: 78.2 + again}
		p := trialPlan(&trialBench{threshold: threshold})
		program, err := plan.NewProgram(p, func(f rf.Frequency) (plan.Point, error) {
			return plan.Point{Frequency: f, Target: rf.DBuA(trialWanted),
				Wanted: level.Ask{Current: rf.DBuA(trialWanted)}}, nil
		})
		if err != nil {
			t.Fatal(err)
		}
		seq := int64(0)
		add := func(e event.Event) {
			seq++
			out = result.Fold(out, event.Record{Run: number, Seq: seq, Event: e})
		}
		add(event.Opened{Version: event.Version, RunKind: plan.Exposure, Mode: plan.ClosedLoop, Fixture: "cable",
			Resolution: 0.5, Range: 40, Points: len(p.Grid)})
		for s, ok := program.Next(nil); ok; {
			read := s.Point.Target.In() + s.Offset.DB()
			o := plan.Outcome{Number: s.Number, Exposures: 1, Upset: read >= threshold[s.Point.Frequency]}
			add(event.StepClosed{Step: s, Attempt: 1, Outcome: o, Current: rf.DBuA(read),
				Drive: rf.DBm(-40 + s.Offset.DB() + 0.5*again)})
			s, ok = program.Next(&o)
		}
		add(event.Closed{Verdict: event.Done})
		for _, x := range out.Thresholds() {
			if !x.Upset || !x.Onset.Exact() {
				t.Fatalf("%+v", x)
			}
		}
		return out
	}
	return run(1), run(2)
}

// Two runs: at each frequency the deviation is the difference over √2; both pooled, with one degree of freedom, for
// which
// the one-sided factor is tan(0.45·π) = 6.3138.
func TestTheSetUpOfTwoRunsByHand(t *testing.T) {
	a, b := pair(t)
	got := uncertainty.SetUpOf(analysis.Outlines(a, b))
	if want := math.Sqrt((0.5*0.5/2 + 1.0/2) / 2); math.Abs(got.Deviation.DB()-want) > 1e-9 ||
		math.Abs(got.Factor-math.Tan(0.45*math.Pi)) > 1e-4 || !strings.Contains(got.From, "2 runs") {
		t.Errorf("%+v, want %g dB", got, want)
	}
	for _, runs := range [][]result.Run{nil, {a}, {a, a}} {
		if got := uncertainty.SetUpOf(analysis.Outlines(runs...)); got != (analysis.SetUp{}) {
			t.Errorf("%d runs with no difference: %+v", len(runs), got)
		}
	}
}

// padded is the sample bench with 0.4 dB more of its pad before the analyser.
func padded(t *testing.T) *catalog.Bench {
	b := bench(t, nil)
	for i, p := range b.ToAnalyser {
		if p.Kind == "pad" {
			b.ToAnalyser[i].Loss = curve.Flat(rf.Gain(20.4), rf.Megahertz, 80*rf.Megahertz, "changed")
		}
	}
	return b
}

// The pad before the analyser moves what is read by 0.4 dB, and what a drive makes of the cable by nothing.
func TestTheBasisOfAComparison(t *testing.T) {
	before, after := pair(t)
	was, now := bench(t, nil), padded(t)
	of := func(r result.Run) (*catalog.Bench, error) {
		if r.Number == 1 {
			return was, nil
		}
		return now, nil
	}
	f := 20 * rf.Megahertz
	moved := func(before, after result.Run) float64 {
		d, err := uncertainty.BasisOf(before, after, nil, of, 0).Moved(f)
		if err != nil {
			t.Fatal(err)
		}
		return d.DB()
	}
	replayedBefore, replayedAfter := before, after
	replayedBefore.Opened.Mode, replayedAfter.Opened.Mode = plan.Substitution, plan.Substitution
	for _, c := range []struct {
		name          string
		before, after result.Run
		want          float64
	}{{"levelled", before, after, 0.4}, {"replayed", replayedBefore, replayedAfter, 0},
		{"one of them replayed", replayedBefore, after, 0.4}, {"the other", before, replayedAfter, 0.4}} {
		if got := moved(c.before, c.after); math.Abs(got-c.want) > 1e-6 {
			t.Errorf("%s: %g dB, want %g dB", c.name, got, c.want)
		}
	}
	p := analysis.Point{Threshold: result.Threshold{Frequency: f, OnsetOrigin: result.Measured}}
	b := uncertainty.BasisOf(before, after, analysis.Outlines(before, after), of, 3)
	if b.Margin != 3 || b.SetUp != uncertainty.SetUpOf(analysis.Outlines(before, after)) || b.Known(p).Assumed {
		t.Errorf("%+v, %+v", b, b.Known(p))
	}
	lost := func(number int) func(result.Run) (*catalog.Bench, error) {
		return func(r result.Run) (*catalog.Bench, error) {
			if r.Number == number {
				return &catalog.Bench{}, errors.New("lost")
			}
			return was, nil
		}
	}
	if b := uncertainty.BasisOf(before, after, nil, lost(1), 0); b.Moved != nil || b.Known(p).Assumed {
		t.Errorf("the bench file of before is lost: %+v", b.Known(p))
	}
	if b := uncertainty.BasisOf(before, after, nil, lost(2), 0); b.Moved != nil || !b.Known(p).Assumed {
		t.Errorf("the bench file of after is lost: %+v", b.Known(p))
	}
}

// A product that stood everything: the decision rests on the run's bench file, or says that none is to be had.
func TestTheDecisionOfARunKnowsItsBench(t *testing.T) {
	x := &trialBench{r: rand.New(rand.NewPCG(6, 6)), threshold: map[rf.Frequency]float64{20 * rf.Megahertz: 99}}
	r := x.expose(t, 1, 0, 0, nil)
	for _, c := range []struct {
		err     error
		assumed bool
	}{{nil, false}, {errors.New("lost"), true}} {
		f := analysis.Of(r, nil)
		for i := range f.Points {
			f.Points[i].OnsetOrigin = result.Measured
		}
		uncertainty.Decide(&f, r, analysis.Outlines(r), func(result.Run) (*catalog.Bench, error) {
			return bench(t, nil),
				c.err
		})
		want := current(t, bench(t, nil), 20*rf.Megahertz, uncertainty.Conditions{}).Combined.Standard
		if c.assumed {
			want = uncertainty.AssumedBench(20 * rf.Megahertz).DB()
		}
		if f.Decision == nil || f.Decision.Assumed != c.assumed || math.Abs(f.Decision.Standard.DB()-want) > 1e-9 {
			t.Errorf("%v: %+v, want %g dB", c.err, f.Decision, want)
		}
	}
}

func TestWhatIsNotAskedForIsNotRaised(t *testing.T) {
	before, _ := pair(t)
	guarded := trialPlan(&trialBench{threshold: map[rf.Frequency]float64{20 * rf.Megahertz: 0}})
	guarded.Decision = plan.GuardBandU // U of 2 dB above the 80 dBµA wanted
	raised, err := uncertainty.RaisedBy(result.Run{}, guarded, analysis.SetUp{},
		func(analysis.Point) analysis.Known { return analysis.Known{Standard: 1, U: 2} }, nil)
	if err != nil || len(raised) != 1 || math.Abs(raised[20*rf.Megahertz].In()-82) > 1e-9 {
		t.Errorf("%v, %v", raised, err)
	}
	p := trialPlan(&trialBench{threshold: map[rf.Frequency]float64{20 * rf.Megahertz: 0, 21 * rf.Megahertz: 0}})
	p.Profile, _ = level.List([]level.Listed{{At: 20 * rf.Megahertz, Current: rf.DBuA(78)}}, 0)
	known := func(analysis.Point) analysis.Known { return analysis.Known{Standard: 1, U: 2} }
	onset := before.Thresholds()[0].Onset.In()
	for _, c := range []struct{ moved, add float64 }{{0, 0}, {0.4, 0.4}, {-0.4, 0.4}} {
		moved := func(f rf.Frequency) (rf.Gain, error) {
			if f != 20*rf.Megahertz {
				return 0, errors.New("asked where nothing is wanted")
			}
			return rf.Gain(c.moved), nil
		}
		raised, err := uncertainty.RaisedBy(before, p, analysis.SetUp{Deviation: 1, Factor: 2}, known, moved)
		if want := onset + 2*math.Sqrt2 + c.add; err != nil || len(raised) != 1 ||
			math.Abs(raised[20*rf.Megahertz].In()-want) > 1e-9 {
			t.Errorf("moved %g dB: %v, %v, want %g dBµA", c.moved, raised, err, want)
		}
	}
	failing := func(rf.Frequency) (rf.Gain, error) { return 0, errors.New("no bench") }
	if _, err := uncertainty.RaisedBy(before, p, analysis.SetUp{}, known, failing); err == nil {
		t.Error("what the bench does is not known, and yet a level is raised")
	}
	for _, change := range []func(*plan.Plan){func(p *plan.Plan) { p.Mode = plan.ConstantDrive },
		func(p *plan.Plan) { p.Kind = plan.Baseline }} {
		q := *p
		change(&q)
		if raised, err := uncertainty.RaisedBy(before, &q, analysis.SetUp{}, known, nil); err != nil ||
			len(raised) != 0 {
			t.Errorf("%v, %v", raised, err)
		}
	}
}

// A laboratory that says U = 3 dB with k = 2 knows its level to 1.5 dB; one that says nothing to 1 dB, assumed. The
// factor
// for 90 % is 1.2816.
func TestHowWellALaboratoryIsKnown(t *testing.T) {
	r, other := pair(t)
	f := 20 * rf.Megahertz
	for _, c := range []struct {
		lab     event.LaboratoryFailures
		want    rf.Gain
		assumed bool
	}{{event.LaboratoryFailures{Expanded: 3, K: 2}, 1.5, false}, {event.LaboratoryFailures{}, 1, true},
		{event.LaboratoryFailures{K: 2}, 1, true}, {event.LaboratoryFailures{Expanded: 3}, 1, true}} {
		got, err := uncertainty.CertaintyOf(nil, r, nil, c.lab, 0.9)
		if err != nil || got.Laboratory != c.want || got.AssumedLaboratory != c.assumed || !got.AssumedBench ||
			got.Bench(f) != uncertainty.AssumedBench(f) || got.Confidence != 0.9 || math.Abs(got.Factor-1.2816) > 1e-4 {
			t.Errorf("%+v: %+v, %v", c.lab, got, err)
		}
	}
	for confidence, ok := range map[rf.Fraction]bool{0.4: false, 0.5: true, 0.99: true, 1: false, 1.5: false} {
		if got, err := uncertainty.CertaintyOf(nil, r, nil, event.LaboratoryFailures{},
			confidence); (err == nil) != ok || confidence == 0.5 && math.Abs(got.Factor) > 1e-9 {
			t.Errorf("%v: %+v, %v", confidence, got, err)
		}
	}
	b := bench(t, nil)
	alone := current(t, b, f, uncertainty.Conditions{})
	for _, repeats := range [][]analysis.Outline{nil, analysis.Outlines(r)} {
		got, err := uncertainty.CertaintyOf(b, r, repeats, event.LaboratoryFailures{}, 0.95)
		if err != nil || got.AssumedBench || math.Abs(got.Bench(f).DB()-alone.Combined.Standard) > 1e-12 ||
			math.Abs(got.Factor-1.6449) > 1e-4 {
			t.Errorf("%+v, %v", got, err)
		}
	}
	spread := analysis.RepeatedTransfer(analysis.Outlines(r, other))
	s, n := spread.At(f)
	got, err := uncertainty.CertaintyOf(b, r, analysis.Outlines(r, other), event.LaboratoryFailures{}, 0.95)
	// 0.5 dB apart, in place of what was assumed
	want := math.Sqrt(math.Pow(alone.Combined.Standard, 2) - 0.25/3 + 0.125)
	if err != nil || n != 2 || math.Abs(s.DB()-0.5/math.Sqrt2) > 1e-9 || math.Abs(got.Bench(f).DB()-want) > 1e-9 ||
		got.Factor <= 1.645 {
		t.Errorf("%+v, %v, want %g dB of %d runs with %v", got, err, want, n, s)
	}
	if got, err := uncertainty.CertaintyOf(&catalog.Bench{}, r, nil, event.LaboratoryFailures{}, 0.95); err != nil ||
		!got.AssumedBench || got.Bench(f) != uncertainty.AssumedBench(f) {
		t.Errorf("a bench without a probe: %+v, %v", got, err)
	}
}
