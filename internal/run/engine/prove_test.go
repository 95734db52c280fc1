package engine_test

import (
	"errors"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"provoke/internal/bench/simbench"
	"provoke/internal/job/event"
	"provoke/internal/run/engine"
	"provoke/internal/units/rf"
)

// Whoever changes something behind the program's back, whatever and whenever: the step does not count as
// well, and what somebody set trips.
func TestAChangeBehindTheProgramsBack(t *testing.T) {
	const am, cw = "AM 80 % 1 kHz carrier held", "CW"
	for _, c := range []struct {
		what, phase, modulation, fault string
		after                          time.Duration
		verdict                        event.Verdict
		says                           string
		noMeter                        bool
	}{
		{"standby in a dwell", "exposing", am, "touched@amplifier:set=standby", 500 * time.Millisecond,
			event.TrippedEnd, "it reads standby and was left at operate", false},
		{"standby and return", "exposing", am, "touched@amplifier:set=standby:for=700ms", 300 * time.Millisecond,
			event.TrippedEnd, "standby", false},
		{"a tenth of the level", "exposing", am, "touched@source:set=level-20", 500 * time.Millisecond,
			event.TrippedEnd, "the level reads", false},
		{"four times, no meter", "exposing", am, "touched@source:set=level+12", 500 * time.Millisecond,
			event.TrippedEnd, "the level reads", true},
		{"four times", "exposing", am, "touched@source:set=level+12", 500 * time.Millisecond, event.TrippedEnd,
			"", false},
		{"modulation off", "exposing", am, "touched@source:set=cw", 500 * time.Millisecond, event.TrippedEnd,
			"the modulation reads", false},
		{"modulation on", "exposing", cw, "touched@source:set=am", 500 * time.Millisecond, event.TrippedEnd,
			"the modulation reads", false},
		{"another frequency", "exposing", am, "touched@source:set=frequency", 500 * time.Millisecond, event.TrippedEnd,
			"the frequency reads", false},
		{"off in the dwell", "exposing", am, "touched@source:set=off", 500 * time.Millisecond, event.TrippedEnd,
			"the output reads off", false},
		{"off, and on again", "exposing", am, "touched@source:set=off:for=500ms", 500 * time.Millisecond,
			event.TrippedEnd, "", false},
		{"less, and back", "exposing", am, "touched@source:set=level-10:for=500ms", 500 * time.Millisecond,
			event.TrippedEnd, "", false},
		{"fold-back", "exposing", am, "folds-back@amplifier:set=-6", 500 * time.Millisecond, event.Incomplete,
			"did not reach", false},
		{"the source gives less than it says", "exposing", am, "untrue@source:set=-6", 500 * time.Millisecond,
			event.Incomplete, "did not reach", false},
		{"the source gives more than it says", "exposing", am, "untrue@source:set=+6", 500 * time.Millisecond,
			event.TrippedEnd, "reads", false},
		{"drift within what is allowed", "exposing", am, "drifts@amplifier:set=-2", 100 * time.Millisecond, event.Done,
			"", false},
		{"standby in the climb", "levelling", am, "touched@amplifier:set=standby", 0, event.TrippedEnd,
			"it reads standby and was left at operate", false},
		{"on before the first raise", "first light", am, "touched@source:set=on", 0, event.TrippedEnd,
			"the output reads on and was left at off", false},
		{"level before the first raise", "first light", am, "touched@source:set=level+20", 0, event.TrippedEnd,
			"the level reads", false},
	} {
		inLab(t, simbench.Config{Seed: 2}, func(t *testing.T, l *lab) {
			f, err := simbench.ParseFault(c.fault)
			if err != nil {
				t.Fatal(err)
			}
			f.Delay = c.after
			done := false
			l.progress = func(s engine.Status) {
				if s.Phase == c.phase && !done && (s.Done == 1 || c.phase == "first light") {
					done = true
					if err := l.sim.Inject(f.Instrument, f); err != nil {
						t.Error(err)
					}
				}
			}
			l.change = func(cfg *engine.Config) {
				if c.noMeter {
					cfg.Rig.PowerMeter = nil
				}
			}
			o := l.do(dwellsLong(c.modulation))
			if o.Verdict != c.verdict || !strings.Contains(o.Why, c.says) {
				t.Errorf("%s: %s (%s): %v", c.what, o.Verdict, o.Why, o.err)
			}
			if !done {
				t.Errorf("%s: nothing was changed", c.what)
			}
			if c.verdict == event.Incomplete {
				if s := o.run.Steps[1]; !s.Outcome.NotReached || !strings.Contains(s.Limited, "not held") {
					t.Errorf("%s: %+v %q", c.what, s.Outcome, s.Limited)
				}
			}
			l.mustBeOff(o)
		})
	}
}

// unheard is a watcher that acted before anybody in this process was told: what a process finds that stood
// still, and was let go on.
type unheard struct{ over atomic.Pointer[error] }

func (u *unheard) Check() error {
	if err := u.over.Load(); err != nil {
		return *err
	}
	return nil
}
func (u *unheard) Gone() <-chan struct{} { return nil }
func (u *unheard) At(rf.Frequency)       {}
func (u *unheard) Alive(time.Duration)   {}

// What the watcher changed is its doing, and not told as somebody's at a front panel.
func TestWhatTheWatcherDidIsToldAsItsDoing(t *testing.T) {
	for _, fault := range []string{"touched@amplifier:set=standby", "touched@source:set=off"} {
		inLab(t, simbench.Config{Seed: 2}, func(t *testing.T, l *lab) {
			f, err := simbench.ParseFault(fault)
			if err != nil {
				t.Fatal(err)
			}
			var w unheard
			l.change = func(cfg *engine.Config) { cfg.Watcher = &w }
			l.progress = func(s engine.Status) {
				if s.Phase == "exposing" && s.Done == 1 && w.over.Load() == nil {
					err := errors.New("this process stood still for 2.1 s, and the watcher takes over")
					w.over.Store(&err)
					if err := l.sim.Inject(f.Instrument, f); err != nil {
						t.Error(err)
					}
				}
			}
			o := l.do(dwellsLong("AM 80 % 1 kHz carrier held"))
			if o.Verdict != event.TrippedEnd || !strings.Contains(o.Why, "stood still for 2.1 s") {
				t.Errorf("%s: %s (%s): %v", fault, o.Verdict, o.Why, o.err)
			}
			l.mustBeOff(o)
		})
	}
}
