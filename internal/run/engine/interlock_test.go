package engine_test

import (
	"context"
	"strings"
	"testing"
	"time"

	"provoke/internal/bench/driver"
	"provoke/internal/bench/guard"
	"provoke/internal/bench/simbench"
	"provoke/internal/job/event"
	"provoke/internal/run/engine"
)

// slowInterlock answers after a time.
type slowInterlock struct {
	driver.Interlock
	takes time.Duration
}

func (s *slowInterlock) Closed(ctx context.Context) (bool, error) {
	select {
	case <-ctx.Done():
		return false, ctx.Err()
	case <-time.After(s.takes):
	}
	return s.Interlock.Closed(ctx)
}

// An interlock that opens takes RF off as soon whatever the dead-man is: it was asked at a quarter of that.
func TestTheInterlockIsAskedWhateverTheDeadManIs(t *testing.T) {
	for _, takes := range []time.Duration{0, 300 * time.Millisecond} {
		inLab(t, simbench.Config{Seed: 2, Speed: 1}, func(t *testing.T, l *lab) {
			opened := false
			var openedAt time.Time
			l.progress = func(s engine.Status) {
				if s.Phase == "exposing" && !opened {
					opened = true
					go func() {
						time.Sleep(2 * time.Second)
						openedAt = time.Now()
						l.sim.SetInterlock(false)
					}()
				}
			}
			l.change = func(c *engine.Config) { c.Rig.Interlock = &slowInterlock{c.Rig.Interlock, takes} }
			var on time.Time
			text := strings.Replace(planText("{list: [1 MHz]}", "search: {onset: false}", "dead_man: 60 s"),
				"dwell: 60 ms", "dwell: 30 s", 1)
			began := time.Now()
			o := l.do(text)
			for _, s := range l.sim.History() {
				if s.On {
					on = time.Time{}
				} else if on.IsZero() {
					on = began.Add(s.At)
				}
			}
			if o.Verdict != event.TrippedEnd || !strings.Contains(o.Why, "interlock is open") {
				t.Fatalf("%s (%s): %v", o.Verdict, o.Why, o.err)
			}
			// Asked right before it opens it answers that it is closed; then once more.
			limit := max(guard.InterlockEvery, takes) + takes + 50*time.Millisecond
			took := on.Sub(openedAt)
			t.Logf("figure: an interlock that answers in %v: RF off %v after it opens, with a dead-man of 60 s "+
				"(limit %v, slack %v)", takes, took, limit, limit-took)
			if took > limit {
				t.Errorf("RF off after %v, limit %v", took, limit)
			}
			l.mustBeOff(o)
		})
	}
}

// One that answers slowly is warned of, and one slower than the dead-man is refused.
func TestASlowInterlockIsWarnedOfOrRefused(t *testing.T) {
	for _, c := range []struct {
		takes     time.Duration
		says      string
		exposures bool
	}{
		{20 * time.Millisecond, "interlock asked every 150 ms while RF is on, answers in 20 ms", true},
		{600 * time.Millisecond, "warning: slow interlock", true},
		{1200 * time.Millisecond, "longer than the dead-man of 1 s", false},
	} {
		inLab(t, simbench.Config{Seed: 2}, func(t *testing.T, l *lab) {
			l.change = func(cfg *engine.Config) { cfg.Rig.Interlock = &slowInterlock{cfg.Rig.Interlock, c.takes} }
			o := l.do(planText("{list: [1 MHz]}", "search: {onset: false}", "dead_man: 1 s"))
			said := ""
			if o.err != nil {
				said = o.err.Error()
			}
			for _, r := range l.journal.records {
				if e, ok := r.Event.(event.Armed); ok {
					said += e.Interlock
				}
			}
			if !strings.Contains(said, c.says) || (l.sim.State().Exposures > 0) != c.exposures {
				t.Errorf("%v: %d exposures, said %q", c.takes, l.sim.State().Exposures, said)
			}
			l.mustBeOff(o)
		})
	}
}
