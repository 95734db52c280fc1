package engine_test

import (
	"strings"
	"testing"
	"time"

	"provoke/internal/bench/simbench"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/run/engine"
	"provoke/internal/units/rf"
)

// outcomesOf are the closed steps of a journal.
func outcomesOf(m *memory) (out []plan.Outcome) {
	for _, r := range m.records {
		if c, ok := r.Event.(event.StepClosed); ok {
			out = append(out, c.Outcome)
		}
	}
	return out
}

// A run with a time limit ends before it, off and read back, by a verdict that is neither done nor a failure; what is
// taken up again goes on with the next step and has the same time once more, until everything is exposed.
func TestARunEndsWhenItsTimeIsUp(t *testing.T) {
	inLab(t, simbench.Config{Seed: 1}, func(t *testing.T, l *lab) {
		text := planText(around(l.sim, 0, "1 %"), "time_limit: 4 s")
		var closed []plan.Outcome
		var until time.Time
		l.progress = func(s engine.Status) { until = s.Until }
		for part := 1; ; part++ {
			began := time.Now()
			l.closed = closed
			o := l.do(text)
			took := time.Since(began)
			l.mustBeOff(o)
			if o.err != nil {
				t.Fatal(o.err)
			}
			closed = append(closed, outcomesOf(l.journal)...)
			if took > 4500*time.Millisecond || part > 60 {
				t.Fatalf("part %d took %v", part, took)
			}
			if o.Verdict == event.DoneUpset {
				t.Logf("figure: done in %d parts of 4 s, %d steps", part, len(closed))
				if part < 3 {
					t.Errorf("everything was exposed in %d parts", part)
				}
				return
			}
			if o.Verdict != event.TimeUp || !strings.Contains(o.Why, "time is up") ||
				!strings.Contains(o.Why, "frequencies") || took < 3*time.Second {
				t.Fatalf("part %d after %v: %q, %s", part, took, o.Verdict, o.Why)
			}
			if off := until.Sub(began) - 4*time.Second; off.Abs() > time.Millisecond {
				t.Errorf("it was said to last for %v", 4*time.Second+off)
			}
			last := l.journal.records[len(l.journal.records)-1].Event.(event.Closed)
			intents := strings.Count(l.journal.kinds(), "intent")
			if last.Verdict != event.TimeUp || intents != len(outcomesOf(l.journal)) {
				t.Errorf("%d steps were begun, %d closed; closed as %q", intents, len(outcomesOf(l.journal)),
					last.Verdict)
			}
		}
	})
}

// Minutes are those of the clock on the wall: a hold is among them, and its person is not thrown out of it.
func TestAHoldIsAmongTheTime(t *testing.T) {
	inLab(t, simbench.Config{Seed: 1}, func(t *testing.T, l *lab) {
		held, holding := false, time.Time{}
		l.progress = func(s engine.Status) {
			switch {
			case s.Phase == "exposing" && s.Done == 2 && !held:
				held, holding = true, time.Now()
				l.operator <- engine.Command{Want: engine.HoldRun}
			case s.Phase == "held, RF off":
				go func() {
					time.Sleep(10 * time.Second)
					l.operator <- engine.Command{Want: engine.GoOn}
				}()
			}
		}
		o := l.do(planText("{from: 5 MHz, to: 7 MHz, step: 1 %}", "time_limit: 5 s"))
		if took := time.Since(holding); o.err != nil || o.Verdict != event.TimeUp || took < 10*time.Second {
			t.Errorf("%s after %v: %v", o.Verdict, took, o.err)
		}
		l.mustBeOff(o)
	})
}

// Where the baseline takes the time, or a person at it, nothing is exposed, and that is no failure either.
func TestATimeShorterThanTheFirstStepExposesNothing(t *testing.T) {
	inLab(t, simbench.Config{Seed: 1}, func(t *testing.T, l *lab) {
		l.change = func(c *engine.Config) { c.Plan.TimeLimit = rf.Duration(time.Second) } // it is not checked again
		o := l.do(strings.Replace(planText("{list: [5 MHz]}", "time_limit: 20 s"), "dwell: 60 ms", "dwell: 3 s", 1))
		if o.Verdict != event.TimeUp || o.Exposures != 0 || len(outcomesOf(l.journal)) != 0 || o.err != nil {
			t.Errorf("%s, %d exposures: %v", o.Verdict, o.Exposures, o.err)
		}
		l.mustBeOff(o)
	})
}
