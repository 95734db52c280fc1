package analysis_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"provoke/internal/findings/analysis"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/units/rf"
)

// gradual is a product whose meter moves by the square of the current: tuned circuits, in mV.
type gradual struct {
	circuits [][3]float64 // centre in MHz, Q, dBµA at which it upsets
	at       float64      // mV at which it upsets
	noise    float64      // mV, of one look
	zero     float64      // mV by which every reading lies off the baseline that was taken
	current  float64      // dB by which the currents are read too high
}

func (g gradual) onset(f float64) float64 {
	sum := 0.0
	for _, c := range g.circuits {
		sum += math.Pow(10, -c[2]/10) / (1 + math.Pow(c[1]*(f/c[0]-c[0]/f), 2))
	}
	return -10 * math.Log10(sum)
}

// swept exposes it from 20 to 30 MHz in steps of a ratio, searches its onsets in half decibels, and is journalled as
// the engine does: two looks before the dwell, four in it.
func (g gradual) swept(number int, step float64, seed uint64) result.Run {
	r := rand.New(rand.NewPCG(seed, uint64(number)))
	o := opened
	o.Monitors = []event.Monitor{{ID: "DMM", Kind: "meter", Unit: "mV", Tolerance: 10, Baseline: 3468,
		HasBaseline: true}}
	o.Stretches = []plan.Stretch{{From: 20e6, To: 30e6, Step: rf.Fraction(step - 1)}}
	b := builder{n: number}
	b.add(o)
	expose := func(f, level float64) bool {
		level += 0.1*r.Float64() - g.current
		shift := g.at * math.Pow(10, (level-g.onset(f))/10)
		upset := level >= g.onset(f)
		if upset {
			shift *= 5 // it jumps
		}
		c := event.StepClosed{Attempt: 1, Current: rf.DBuA(level + g.current), OnFor: rf.Duration(time.Second),
			Outcome: plan.Outcome{Number: b.step + 1, Upset: upset, Exposures: 1}}
		b.step++
		c.Step = plan.Step{Number: b.step, Purpose: plan.Sweep, Offset: rf.Gain(level + g.current - wanted),
			Point: plan.Point{Frequency: rf.Frequency(f * 1e6), Target: rf.DBuA(wanted)}}
		for i := range 6 {
			x := event.Reading{Monitor: "DMM", HasValue: true, After: rf.Duration(float64(i-1) * 0.2 * 1e9),
				Value: 3468 + g.zero + g.noise*r.NormFloat64(), RFOn: i > 1}
			if i > 1 {
				x.Value += shift
			}
			c.Readings = append(c.Readings, x)
		}
		b.add(c)
		return upset
	}
	for f := 20.0; f < 30; f *= step {
		if !expose(f, 90) {
			continue
		}
		expose(f, math.Floor(2*g.onset(f))/2-2.5)
		for level := math.Ceil(2*g.onset(f))/2 + 0.5; expose(f, level); level -= 0.5 {
		}
	}
	b.add(event.Closed{Verdict: event.DoneUpset})
	return b.r
}

func withGraded(r result.Run) analysis.Findings {
	f := analysis.Of(r, nil)
	f.Graded = analysis.GradedOf(&r)
	return f
}

// Estimates stand beside a failing band, hold the truth, and are no points of the profile.
func TestEstimatesStandApartFromWhatWasExposed(t *testing.T) {
	g := gradual{circuits: [][3]float64{{24, 8, 84}}, at: 3.2, noise: 0.05}
	f := withGraded(g.swept(1, 1.01, 1))
	if f.Graded == nil || len(f.Graded.Points) < 4 {
		t.Fatalf("estimates: %+v", f.Graded)
	}
	for _, p := range f.Graded.Points {
		truth := g.onset(p.Frequency.Hz() / 1e6)
		if truth < 90 {
			t.Errorf("%v is estimated, and it upset there", p.Frequency)
		}
		switch {
		case p.Estimate.Exact() && math.Abs(p.Estimate.In()-truth) > 1:
			t.Errorf("%v: about %v, the truth is %.2f dBµA", p.Frequency, p.Estimate, truth)
		case p.Estimate.In() > 96.3:
			t.Errorf("%v: %v is told, more than 6 dB above what was exposed", p.Frequency, p.Estimate)
		case !p.Estimate.Exact() && truth < p.Estimate.In()-0.1:
			t.Errorf("%v: %v, the truth is %.2f dBµA", p.Frequency, p.Estimate, truth)
		}
		if math.Abs(p.Critical-3.2) > 0.5 {
			t.Errorf("%v: the product upsets at %.2f mV, said is %.2f", p.Frequency, 3.2, p.Critical)
		}
	}
	for _, p := range f.Points {
		if !p.Upset && p.Onset.In() > 90.3 {
			t.Errorf("%v: an estimate became an onset: %v", p.Frequency, p.Onset)
		}
	}
}

// A resonance between two frequencies of the grid is named where its skirts rise above the noise, and none is invented.
func TestAGapWithAResonanceIsWorthAFinerGrid(t *testing.T) {
	// The band from 21 MHz shows how the reading follows; the sharp one lies between two frequencies of 2 %.
	const between = 27.18 // 26.92 and 27.46 MHz are in the grid
	wide := gradual{circuits: [][3]float64{{21, 10, 82}}, at: 3.2, noise: 0.02}
	both := wide
	both.circuits = append(slices.Clone(wide.circuits), [3]float64{between, 60, 88.8})
	f := withGraded(both.swept(1, 1.02, 3))
	if f.Graded == nil || len(f.Graded.Finer) == 0 {
		t.Fatalf("the gap is not named: %+v", f.Graded)
	}
	x := f.Graded.Finer[0]
	if x.From.Hz() > between*1e6 || x.To.Hz() < between*1e6 {
		t.Errorf("named is %v to %v, the resonance lies at %v MHz", x.From, x.To, between)
	}
	if none := withGraded(wide.swept(1, 1.02, 3)); none.Graded != nil && len(none.Graded.Finer) > 0 {
		t.Errorf("invented: %+v", none.Graded.Finer)
	}
	spans, err := analysis.Closely(f, event.LaboratoryFailures{})
	if err != nil || !strings.Contains(spans[len(spans)-1].Why, "rises towards it") {
		t.Errorf("a close look does not go there: %v %v", spans, err)
	}
}

// A fix is seen where the product passes before and after, and an unchanged product that was set up anew is not told to
// have changed by more than set-ups differ by: currents read 1 dB apart (standard deviation), and a baseline that
// drifts.
func TestAShiftThatFellIsToldAndSetUpsAreNoFix(t *testing.T) {
	before := gradual{circuits: [][3]float64{{24, 6, 91}}, at: 3.2, noise: 0.03}
	after := before
	after.at /= 4.05 // 12.15 dB
	c := analysis.Compare(before.swept(1, 1.01, 1), after.swept(2, 1.01, 2), analysis.Basis{})
	if len(c.Shifts) == 0 {
		t.Fatal("nothing is told")
	}
	held := 0
	for _, x := range c.Shifts {
		if x.Low <= 12.15 && x.High >= 12.15 {
			held++
		}
	}
	if float64(held) < 0.9*float64(len(c.Shifts)) {
		t.Errorf("the limits hold the truth at %d of %d frequencies", held, len(c.Shifts))
	}
	if c.Verdict == analysis.Shown {
		t.Error("a shift became a verdict")
	}
	r := rand.New(rand.NewPCG(7, 7))
	told, beyond, pairs := 0, 0, 100
	for i := range pairs {
		again := before
		again.current, again.zero = r.NormFloat64(), 0.02*r.NormFloat64()
		first := before
		first.current, first.zero = r.NormFloat64(), 0.02*r.NormFloat64()
		c := analysis.Compare(first.swept(1, 1.03, uint64(2*i)), again.swept(2, 1.03, uint64(2*i+1)), analysis.Basis{})
		any := false
		for _, x := range c.Shifts {
			told++
			any = any || x.Beyond
		}
		if any {
			beyond++
		}
	}
	t.Logf("figure: unchanged product set up anew, %d pairs of runs: %d shifts told to differ, in %d pairs (%.1f %%) "+
		"one by more "+
		"than set-ups differ by", pairs, told, beyond, 100*float64(beyond)/float64(pairs))
	if beyond > pairs/10 {
		t.Errorf("%d of %d pairs of an unchanged product differ by more than set-ups do", beyond, pairs)
	}
}
