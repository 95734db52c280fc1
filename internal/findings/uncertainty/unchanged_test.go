package uncertainty_test

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"provoke/internal/files/catalog"
	"provoke/internal/findings/analysis"
	"provoke/internal/findings/uncertainty"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/model/level"
	"provoke/internal/model/threshold"
	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

var pairsOfRuns = flag.Int("pairs", 5000, "pairs of runs in the trials of an unchanged product")

// trialBench puts one product up again and again. A set-up moves all levels together (1 dB), each frequency by itself
// besides (0.3 dB), and drifts through the run (up to 0.3 dB either way); the loop stops anywhere in its window, and
// readings scatter by 0.05 dB.
type trialBench struct {
	r         *rand.Rand
	threshold map[rf.Frequency]float64 // dBµA, true
}

const trialWanted = 80.0

// expose runs a bracket search through the program, journals it and folds the journal.
func (b *trialBench) expose(t testing.TB, number int, gain, wrong float64,
	raised map[rf.Frequency]rf.Current) result.Run {
	t.Helper()
	p := trialPlan(b)
	program, err := plan.NewProgram(p, func(f rf.Frequency) (plan.Point, error) {
		point := plan.Point{Frequency: f, Target: rf.DBuA(trialWanted),
			Wanted: level.Ask{Current: rf.DBuA(trialWanted)}}
		if to, ok := raised[f]; ok {
			point.Target = to
		}
		return point, nil
	})
	if err != nil {
		t.Fatal(err)
	}
	var run result.Run
	seq := int64(0)
	add := func(e event.Event) { seq++; run = result.Fold(run, event.Record{Run: number, Seq: seq, Event: e}) }
	add(event.Opened{Version: event.Version, RunKind: plan.Exposure, Mode: plan.ClosedLoop, Fixture: "cable",
		Resolution: 0.5, Range: 40, Points: len(p.Grid),
		Bench: event.Attachment{SHA256: fmt.Sprint(wrong)}, Levelling: event.Levelling{Step: 0.1, Spread: 0.05}})
	common, drift, each := b.r.NormFloat64(), 0.6*b.r.Float64()-0.3, map[rf.Frequency]float64{}
	for f := range b.threshold {
		each[f] = 0.3 * b.r.NormFloat64()
	}
	for s, ok := program.Next(nil); ok; {
		f := s.Point.Frequency
		read := s.Point.Target.In() + s.Offset.DB() + 0.3*b.r.Float64()
		truly := read - wrong + common + each[f] + drift*float64(s.Number)/60 + 0.05*b.r.NormFloat64()
		o := plan.Outcome{Number: s.Number, Exposures: 1, Upset: truly >= b.threshold[f]+gain}
		add(event.StepClosed{Step: s, Attempt: 1, Outcome: o, Current: rf.DBuA(read), Drive: rf.DBm(-40)})
		s, ok = program.Next(&o)
	}
	add(event.Closed{Verdict: event.Done})
	return run
}

func trialPlan(b *trialBench) *plan.Plan {
	p := &plan.Plan{Kind: plan.Exposure, Mode: plan.ClosedLoop, Search: plan.Search{Onset: true}.Filled()}
	for n := range len(b.threshold) {
		p.Grid = append(p.Grid, rf.Frequency(20+n)*rf.Megahertz)
	}
	p.Profile, _ = level.Constant(rf.DBuA(trialWanted))
	return p
}

type tally struct{ shown, of int }

func (c tally) percent(t *testing.T) (share, low, high float64) {
	low, high, err := threshold.ClopperPearson(c.shown, c.of, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	return 100 * float64(c.shown) / float64(c.of), 100 * low, 100 * high
}

// trialPairs compares seeded pairs of runs of a product whose true onsets lie up to deepest below the level wanted, and
// counts the rows and the verdicts that say "shown".
func trialPairs(t *testing.T, n int, seed uint64, gain, wrong, deepest float64, overTest bool,
	basis analysis.Basis) (rows, verdicts tally) {
	for i := range n {
		r := rand.New(rand.NewPCG(seed, uint64(i)))
		b := &trialBench{r: r, threshold: map[rf.Frequency]float64{}}
		for k := range 1 + r.IntN(6) {
			b.threshold[rf.Frequency(20+k)*rf.Megahertz] = trialWanted - deepest*r.Float64()
		}
		before := b.expose(t, 1, 0, 0, nil)
		var raised map[rf.Frequency]rf.Current
		if overTest {
			var err error
			if raised, err = uncertainty.RaisedBy(before, trialPlan(b), basis.SetUp, basis.Known,
				basis.Moved); err != nil {
				t.Fatal(err)
			}
		}
		c := analysis.Compare(before, b.expose(t, 2, gain, wrong, raised), basis)
		if len(c.Before.Bands) == 0 {
			continue // by chance nothing upset before
		}
		verdicts.of++
		if c.Verdict == analysis.Shown {
			verdicts.shown++
		}
		for _, p := range c.Points {
			if p.Before != nil && p.Before.Upset {
				rows.of++
				if p.Verdict == analysis.Shown {
					rows.shown++
				}
			}
		}
	}
	return rows, verdicts
}

// TestAnUnchangedProductIsNotToldAsFixed: the same product, put up twice, is "shown" to be better in at most 5 % of
// rows and of verdicts, whether the level asked for is that of the standard or raised to where a difference could be
// shown; and a true gain of 6 dB is shown.
func TestAnUnchangedProductIsNotToldAsFixed(t *testing.T) {
	basis := analysis.Basis{Known: uncertainty.KnownOf(nil, plan.ClosedLoop, nil)}
	known := basis.Known(analysis.Point{Threshold: result.Threshold{Frequency: 20 * rf.Megahertz}})
	basis.Known = func(analysis.Point) analysis.Known { return known }
	for _, x := range []struct {
		name     string
		overTest bool
		wrong    float64 // dB too much that the second bench file reads
	}{{"at the level wanted", false, 0}, {"raised to show a difference", true, 0},
		{"raised, and a pad entered 0.4 dB wrong in the second bench file", true, 0.4}} {
		basis.Moved = func(rf.Frequency) (rf.Gain, error) { return rf.Gain(x.wrong), nil }
		for _, deepest := range []float64{1, 8} {
			rows, verdicts := trialPairs(t, *pairsOfRuns, 11, 0, x.wrong, deepest, x.overTest, basis)
			for what, c := range map[string]tally{"rows": rows, "verdicts": verdicts} {
				share, low, high := c.percent(t)
				t.Logf("figure: unchanged product, onsets up to %g dB below the level, %s: %d of %d %s \"shown\": "+
					"%.2f %% (95 %%: %.2f to %.2f %%)", deepest, x.name, c.shown, c.of, what, share, low, high)
				if share > 5 {
					t.Errorf("%s, %s: %.2f %%", x.name, what, share)
				}
			}
		}
	}
	basis.Moved = nil
	rows, verdicts := trialPairs(t, *pairsOfRuns, 12, 6, 0, 2.5, true, basis)
	share, low, high := rows.percent(t)
	whole, _, _ := verdicts.percent(t)
	t.Logf("figure: a true gain of 6 dB: %.2f %% of %d rows \"shown\" (95 %%: %.2f to %.2f %%), %.2f %% of %d verdicts",
		share, rows.of, low, high, whole, verdicts.of)
	if share < 90 {
		t.Errorf("a true gain of 6 dB is shown in %.1f %% of rows only", share)
	}
}

// TestARowThatIsTooLowToShowADifferenceSaysWhatWouldShowIt: an onset 0.3 dB below the level wanted.
func TestARowThatIsTooLowToShowADifferenceSaysWhatWouldShowIt(t *testing.T) {
	b := &trialBench{r: rand.New(rand.NewPCG(1, 1)), threshold: map[rf.Frequency]float64{20 * rf.Megahertz: 79}}
	c := analysis.Compare(b.expose(t, 1, 0, 0, nil), b.expose(t, 2, 9, 0, nil), analysis.Basis{})
	if c.Verdict != analysis.NoDifference || c.Points[0].Verdict != analysis.NoDifference ||
		!strings.Contains(c.Points[0].Why, "would show it") {
		t.Errorf("%s: %q", c.Verdict, c.Reasons)
	}
}

// TestAChangedPadMovesTheCurrentByWhatItWasChangedBy: 0.4 dB more loss before the analyser makes 0.4 dB more current
// of the
// same reading.
func TestAChangedPadMovesTheCurrentByWhatItWasChangedBy(t *testing.T) {
	was := bench(t, nil)
	now := bench(t, nil)
	for i, p := range now.ToAnalyser {
		if p.Kind == "pad" {
			loss, err := p.Loss.At(30 * rf.Megahertz)
			if err != nil {
				t.Fatal(err)
			}
			now.ToAnalyser[i].Loss = curve.Flat(loss+0.4, 1*rf.Megahertz, 80*rf.Megahertz, "entered wrong")
			break
		}
	}
	d, err := uncertainty.Moved(was, now, false)(30 * rf.Megahertz)
	if err != nil || math.Abs(d.DB()-0.4) > 1e-6 {
		t.Errorf("%v, %v", d, err)
	}
	if d, err := uncertainty.Moved(was, bench(t, nil), true)(30 * rf.Megahertz); err != nil || d != 0 {
		t.Errorf("the same bench moves the drive's current by %v, %v", d, err)
	}
	if _, err := uncertainty.Moved(was, now, false)(3 * rf.Gigahertz); err == nil {
		t.Error("a frequency that the bench does not cover has a difference")
	}
}

// TestForgettingNeverMakesALevelBetterKnown: whatever is taken away of what a bench file states, no uncertainty
// becomes smaller,
// down to no bench file at all. What is stated is never worse than what is assumed in its place.
func TestForgettingNeverMakesALevelBetterKnown(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := rf.Frequency(rapid.IntRange(1, 80).Draw(t, "MHz")) * rf.Megahertz
		mode := rapid.SampledFrom([]plan.Mode{plan.ClosedLoop, plan.Substitution, plan.ConstantDrive}).Draw(t, "mode")
		stated := func(name string, most float64) catalog.Uncertainty {
			if !rapid.Bool().Draw(t, name) {
				return catalog.Uncertainty{}
			}
			return catalog.Uncertainty{Spread: catalog.SpreadRectangular,
				Value: rf.Gain(rapid.Float64Range(0, most).Draw(t, name+" limit"))}
		}
		b := &catalog.Bench{Probe: &catalog.Probe{}, Analyser: &catalog.Analyser{}, PowerMeter: &catalog.PowerMeter{}}
		b.ToAnalyser = []catalog.Passive{{Kind: "pad", Loss: curve.Flat(rf.Gain(10), f, f, "x")}}
		b.Probe.Uncertainty, b.Analyser.Uncertainty = stated("probe", 1.5), stated("analyser", 1.5)
		b.ToAnalyser[0].Uncertainty, b.Clamp.Uncertainty = stated("pad", 0.3), stated("clamp", 0.5)
		at := analysis.Point{Threshold: result.Threshold{Frequency: f, OnsetOrigin: result.Measured}}
		u := uncertainty.KnownOf(b, mode, nil)(at)
		for _, forget := range []func(){
			func() { b.Probe.Uncertainty = catalog.Uncertainty{} },
			func() { b.ToAnalyser[0].Uncertainty = catalog.Uncertainty{} },
			func() { b.Analyser.Uncertainty = catalog.Uncertainty{} },
			func() { b.Clamp.Uncertainty = catalog.Uncertainty{} }, func() { b = nil },
		} {
			forget()
			less := uncertainty.KnownOf(b, mode, nil)(at)
			if less.Standard < u.Standard-1e-9 || less.U < u.U-0.01 {
				t.Fatalf("knowing less makes %v of %v", less, u)
			}
			for _, rule := range []plan.DecisionRule{plan.SimpleAcceptance, plan.GuardBand95, plan.GuardBandU} {
				if rule.Guard(less.Standard, less.U) < rule.Guard(u.Standard, u.U)-0.01 {
					t.Fatalf("knowing less asks for less margin by the %s", rule)
				}
			}
			u = less
		}
	})
}

// TestWhatIsRaised: a guard band at every frequency, and where the product upset before what shows a difference.
func TestWhatIsRaised(t *testing.T) {
	b := &trialBench{r: rand.New(rand.NewPCG(3, 3)), threshold: map[rf.Frequency]float64{20 * rf.Megahertz: 79,
		21 * rf.Megahertz: 90}}
	before := b.expose(t, 1, 0, 0, nil)
	known := func(analysis.Point) analysis.Known { return analysis.Known{Standard: 1, U: 2} }
	p := trialPlan(b)
	for _, c := range []struct {
		rule        plan.DecisionRule
		first, last float64 // dBµA; 0 for not raised
	}{{plan.SimpleAcceptance, before.Thresholds()[0].Onset.In() + 2.326, 0},
		{plan.GuardBand95, before.Thresholds()[0].Onset.In() + 2.326, 81.645}} {
		p.Decision = c.rule
		raised, err := uncertainty.RaisedBy(before, p, analysis.SetUp{}, known, nil)
		if err != nil {
			t.Fatal(err)
		}
		for f, want := range map[rf.Frequency]float64{20 * rf.Megahertz: max(c.first, c.last),
			21 * rf.Megahertz: c.last} {
			if got := raised[f]; got.Known() != (want != 0) || want != 0 && math.Abs(got.In()-want) > 0.01 {
				t.Errorf("%s, %v: raised to %v, want %g dBµA", c.rule, f, got, want)
			}
		}
	}
	p.Mode = plan.Substitution // its level is a drive, and the run before levelled a current
	p.Decision = plan.SimpleAcceptance
	if raised, err := uncertainty.RaisedBy(before, p, analysis.SetUp{}, known, nil); err != nil || len(raised) > 0 {
		t.Errorf("%v, %v", raised, err)
	}
}
