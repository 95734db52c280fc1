package engine_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"

	"provoke/internal/bench/driver"
	"provoke/internal/bench/simbench"
	"provoke/internal/job/plan"
	"provoke/internal/run/engine"
	"provoke/internal/units/rf"
)

// scattered is an analyser whose readings scatter, as every real one's do.
type scattered struct {
	driver.Analyser
	r      *rand.Rand
	spread float64 // standard deviation, dB
}

func (s scattered) Read(ctx context.Context) (rf.Power, error) {
	p, err := s.Analyser.Read(ctx)
	return p.Add(rf.Gain(s.r.NormFloat64() * s.spread)), err
}

func scatter(seed uint64, spread float64) func(*engine.Config) {
	return func(c *engine.Config) {
		c.Rig.Analyser = scattered{c.Rig.Analyser, rand.New(rand.NewPCG(seed, 1)), spread}
	}
}

// TestAProofRunStandsAtTheLevelAskedFor: a run that is to show that a product stands 85 dBµA may say so only
// where it read 85 dBµA or more, however its readings scatter.
func TestAProofRunStandsAtTheLevelAskedFor(t *testing.T) {
	inLab(t, simbench.Config{Seed: 4}, func(t *testing.T, l *lab) {
		l.change = scatter(7, 0.05)
		l.sim.SetBuild(simbench.Cured)
		text := strings.Replace(planText("{from: 1 MHz, to: 18 MHz, step: 8 %}", "search: {onset: false}"),
			"iec-61000-4-6/level-2", "85 dBµA", 1)
		o := l.do(text)
		if o.err != nil {
			t.Fatal(o.err)
		}
		reached, low, high := 0, rf.Gain(9), rf.Gain(-9)
		for _, s := range o.run.Steps {
			over, _ := s.Current.Minus(rf.DBuA(85))
			if s.Outcome.Skipped || s.Outcome.NotReached {
				if !s.Outcome.Upset && !strings.Contains(s.Limited, "not reached by") {
					t.Errorf("at %v: %q does not say by how much", s.Step.Point.Frequency, s.Limited)
				}
				continue
			}
			reached++
			low, high = min(low, over), max(high, over)
			if over < 0 || over > 0.3 {
				t.Errorf("at %v the step counts as 85 dBµA and stood at %s dBµA", s.Step.Point.Frequency,
					s.Current.Text(3))
			}
		}
		if len(o.run.Steps) != 39 || reached != 39 {
			t.Errorf("%d of %d steps reached their level", reached, len(o.run.Steps))
		}
		t.Logf("figure: %d steps of %d reached their level, at %s to %s above it (window 0.3 dB, readings scatter by "+
			"0.05 dB)", reached, len(o.run.Steps), low.Text(2), high.Text(2))
	})
}

// TestAnUpsetOnTheWayUpIsAnOnsetAtMost: the carrier alone upsets the product below the level of the first step.
// The level is not taken further up, and what was read there is the most that the onset can be.
func TestAnUpsetOnTheWayUpIsAnOnsetAtMost(t *testing.T) {
	inLab(t, simbench.Config{Seed: 1}, func(t *testing.T, l *lab) {
		e := l.sim.Edges(simbench.Original, simbench.Modulation{}, 0.02)
		if len(e) == 0 {
			t.Fatal("the product is not upset by a plain carrier")
		}
		text := planText(fmt.Sprintf("{list: [%.0f Hz]}", (e[0][0]+e[0][1])/2))
		text = strings.NewReplacer("AM 80 % 1 kHz carrier held", "CW", "iec-61000-4-6/level-2", "92 dBµA",
			"settle: 1 ms", "settle: 300 ms").Replace(text)
		o := l.do(text)
		if o.err != nil {
			t.Fatal(o.err)
		}
		first := o.run.Steps[0]
		if !first.Outcome.Upset || !first.Outcome.NotReached || !strings.Contains(first.Limited, "on the way up") {
			t.Fatalf("the first step: %+v, %q", first.Outcome, first.Limited)
		}
		if d, _ := rf.DBuA(88).Minus(first.Highest); d < 2 {
			t.Errorf("after the product upset the level was taken to %v", first.Highest)
		}
		lowest := map[rf.Frequency]rf.Current{}
		for _, s := range o.run.Steps {
			f := s.Step.Point.Frequency
			if p := s.Step.Purpose; lowest[f].Known() && (p == plan.Onset || p == plan.Window) &&
				s.Current.Above(lowest[f].Sub(0.09)) {
				t.Errorf("the %s step stood at %v, and %v is known to upset", p, s.Current, lowest[f])
			}
			if s.Outcome.Upset {
				lowest[f] = lowest[f].Lower(s.Current)
			}
		}
		for _, th := range o.run.Thresholds() {
			t.Logf("figure: upset on the way up at %v; onset %v, stood %v, in %d exposures", first.Current, th.Onset,
				th.Below, th.Exposures)
			truth := l.sim.Onset(simbench.Original, th.Frequency.Hz(), simbench.Modulation{})
			if d := th.Onset.WithBound(rf.Exactly).SI() / truth; d < 0.95 || d > 1.2 {
				t.Errorf("the onset is %v, the simulator's %.1f µA", th.Onset, truth*1e6)
			}
		}
	})
}
