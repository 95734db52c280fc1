package engine_test

import (
	"fmt"
	"math"
	"testing"

	"provoke/internal/bench/simbench"
	"provoke/internal/findings/analysis"
	"provoke/internal/job/plan"
)

// A staircase on a product that upsets at random, at real sockets' speed under a fake clock: it takes
// the stated number of exposures, the level wanted is never exceeded, the bench's truth lies within the
// limits, and the check point is visited at both ends.
func TestAStaircaseOnAProductThatUpsetsAtRandom(t *testing.T) {
	inLab(t, simbench.Config{Seed: 3}, func(t *testing.T, l *lab) {
		low, high := bandOf(l.sim, 0)
		hz := math.Round(math.Sqrt(low*high)/1e4) * 1e4
		l.sim.RandomOnset(1, 11)
		o := l.do(planText(fmt.Sprintf("{list: [%.0f Hz]}", hz), "search: {method: staircase, trials: 40}",
			fmt.Sprintf("drift_check: {at: %.0f Hz, below: 20 dB, every: 5}", hz)))
		if o.err != nil {
			t.Fatal(o.err)
		}
		l.mustBeOff(o)
		stairs, checks := 0, 0
		for _, s := range o.run.Steps {
			switch s.Step.Purpose {
			case plan.StaircaseStep:
				stairs++
			case plan.DriftCheck:
				checks++
			}
			if above, _ := s.Highest.Minus(s.Step.Point.Target); above > 0.2 {
				t.Errorf("%v: %v is above the level wanted", s.Step, s.Highest)
			}
		}
		if stairs != 40 || checks != 2 {
			t.Errorf("%d exposures of the staircase, %d checks", stairs, checks)
		}
		x, err := analysis.RandomOf(o.run, o.run.Points()[0].Frequency, analysis.RandomQuestion{})
		if err != nil || x.Fit == nil {
			t.Fatalf("%+v, %v", x, err)
		}
		truth := 20 * math.Log10(1e6*l.sim.Onset(simbench.Original, hz, simbench.CarrierHeldAM))
		t.Logf("figure: staircase of 40 exposures on the simulated bench: 50 %% level %v, limits %v to %v, truth "+
			"%.1f dBµA", x.Levels[0].Current, x.Levels[0].Low, x.Levels[0].High, truth)
		if off := x.Fit.Mu - truth; math.Abs(off) > 1.2 {
			t.Errorf("the fit's middle lies %.2f dB off the truth", off)
		}
		if s, ok := analysis.StabilityOf(o.run); !ok || s.Drifted(1) {
			t.Errorf("%+v", s)
		}
	})
}
