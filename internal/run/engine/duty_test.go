package engine_test

import (
	"strings"
	"testing"
	"time"

	"provoke/internal/bench/simbench"
)

func TestTheRunWaitsWithRFOffForRatingsOfTimeAndDuty(t *testing.T) {
	inLab(t, simbench.Config{Seed: 2, Fixture: simbench.Jig50}, func(t *testing.T, l *lab) {
		l.edit = func(file string) string {
			return strings.Replace(strings.Replace(file, "maximum_time: 60 min", "maximum_time: 300 ms", 1),
				"  maximum_duty: 100 %\n\ncable", "  maximum_duty: 25 %\n\ncable", 1)
		}
		l.reload()
		if l.bench.Clamp.MaximumDuty != 0.25 {
			t.Fatalf("duty %v", l.bench.Clamp.MaximumDuty)
		}
		began := time.Now()
		o := l.do(strings.Replace(jigPlan, "settle: 1 ms", "settle: 20 ms\ndwell: 100 ms", 1))
		if o.err != nil {
			t.Fatal(o.err)
		}
		on := time.Duration(l.sim.State().Seconds / 20 * float64(time.Second))
		stretch, longest := time.Duration(0), time.Duration(0)
		var since time.Duration
		lit := false
		for _, s := range l.sim.History() {
			if s.On != lit {
				if !s.On {
					stretch = (s.At - since) / 20
					longest = max(longest, stretch)
				}
				lit, since = s.On, s.At
			}
		}
		took := time.Since(began)
		t.Logf("figure: RF on for %v of %v, longest stretch %v", on, took, longest)
		if longest > 500*time.Millisecond || !strings.Contains(l.journal.kinds(), "hold resumed") ||
			float64(on) > 0.35*float64(took) {
			t.Errorf("on %v of %v, longest stretch %v; %s", on, took, longest, l.journal.kinds())
		}
	})
}
