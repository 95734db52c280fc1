package engine_test

import (
	"context"
	"errors"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"provoke/internal/bench/driver"
	"provoke/internal/bench/guard"
	"provoke/internal/bench/simbench"
	"provoke/internal/job/event"
	"provoke/internal/run/engine"
	"provoke/internal/units/rf"
)

// overSource lets a test act when the source has done what it was told.
type overSource struct {
	driver.Source
	applied, lowered func(guard.SourceState)
}

func (s *overSource) Apply(ctx context.Context, c guard.Cleared) error {
	err := s.Source.Apply(ctx, c)
	s.tell(ctx, s.applied)
	return err
}

func (s *overSource) Lower(ctx context.Context, to rf.Power) error {
	err := s.Source.Lower(ctx, to)
	s.tell(ctx, s.lowered)
	return err
}

func (s *overSource) tell(ctx context.Context, f func(guard.SourceState)) {
	if f == nil {
		return
	}
	if st, err := s.State(ctx); err == nil {
		f(st)
	}
}

func TestAJournalThatHangsEndsInRFOff(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, simbench.Config{Seed: 2, Speed: 20})
		defer l.sim.Close()
		disk := make(chan struct{})
		memoryFails = func(e event.Event) error {
			if _, ok := e.(event.StepClosed); ok {
				<-disk
			}
			return nil
		}
		defer func() { memoryFails = nil }()
		ended := make(chan outcome, 1)
		go func() { ended <- l.do(planText("{list: [1 MHz, 2 MHz, 5 MHz]}", "dead_man: 1 s")) }()
		time.Sleep(30 * time.Second)
		if s := l.sim.State(); s.On || s.Operating {
			t.Errorf("the disk has hung for half a minute and RF is on: %+v", s)
		}
		close(disk)
		if o := <-ended; o.Verdict != event.TrippedEnd {
			t.Errorf("%s: %v", o.Verdict, o.err)
		}
	})
}

func TestAnInterlockThatOpensInADescentTrips(t *testing.T) {
	inLab(t, simbench.Config{Seed: 1}, func(t *testing.T, l *lab) {
		var opened, off atomic.Int64 // when, in ns
		l.change = func(c *engine.Config) {
			c.Rig.Source = &overSource{Source: c.Rig.Source, lowered: func(st guard.SourceState) {
				if opened.Load() == 0 && l.journalHas("recovery") {
					opened.Store(time.Now().UnixNano())
					l.sim.SetInterlock(false)
				}
			}}
		}
		go func() {
			for range 120_000 {
				if off.Load() != 0 {
					return
				}
				time.Sleep(time.Millisecond)
				if opened.Load() != 0 && !l.sim.State().On {
					off.Store(time.Now().UnixNano())
				}
			}
		}()
		o := l.do(strings.Replace(planText(around(l.sim, 0, "2 %"), "dead_man: 1 s"), "dwell: 60 ms", "dwell: 5 s", 1))
		time.Sleep(10 * time.Millisecond)
		synctest.Wait()
		if opened.Load() == 0 {
			t.Fatal("no descent")
		}
		if o.Verdict != event.TrippedEnd {
			t.Errorf("%s: %v", o.Verdict, o.err)
		}
		if took := time.Duration(off.Load() - opened.Load()); took > time.Second {
			t.Errorf("RF went off %v after the interlock opened", took)
		}
		l.mustBeOff(o)
	})
}

// journalHas reports that the newest intent is of a purpose.
func (l *lab) journalHas(purpose string) bool {
	for i := len(l.journal.records) - 1; i >= 0; i-- {
		if e, ok := l.journal.records[i].Event.(event.Intent); ok {
			return strings.EqualFold(string(e.Step.Purpose), purpose)
		}
	}
	return false
}

func TestAHoldIsObeyedInADescent(t *testing.T) {
	inLab(t, simbench.Config{Seed: 1}, func(t *testing.T, l *lab) {
		var asked time.Time
		l.change = func(c *engine.Config) {
			c.Rig.Source = &overSource{Source: c.Rig.Source, lowered: func(st guard.SourceState) {
				if asked.IsZero() && l.journalHas("recovery") {
					asked = time.Now()
					l.operator <- engine.Command{Want: engine.HoldRun}
					go func() {
						time.Sleep(time.Second)
						if l.sim.State().On {
							t.Error("RF is on a second after a hold was asked for")
						}
						l.operator <- engine.Command{Want: engine.GoOn}
					}()
				}
			}}
		}
		o := l.do(strings.Replace(planText(around(l.sim, 0, "2 %")), "dwell: 60 ms", "dwell: 2 s", 1))
		if asked.IsZero() {
			t.Fatal("no descent")
		}
		if o.err != nil {
			t.Error(o.err)
		}
		l.mustBeOff(o)
	})
}

func TestNothingRisesAfterAHoldWasAskedFor(t *testing.T) {
	inLab(t, simbench.Config{Seed: 2}, func(t *testing.T, l *lab) {
		held := false
		var at atomic.Pointer[rf.Power]
		l.change = func(c *engine.Config) {
			c.Rig.Source = &overSource{Source: c.Rig.Source, applied: func(st guard.SourceState) {
				if !held && l.journalHas("Sweep") && len(l.journal.records) > 5 {
					held = true
					at.Store(&st.Level)
					l.operator <- engine.Command{Want: engine.HoldRun}
					go func() {
						time.Sleep(5 * time.Second)
						if l.sim.State().On {
							t.Error("RF is on five seconds after a hold was asked for")
						}
						at.Store(nil)
						l.operator <- engine.Command{Want: engine.GoOn}
					}()
					return
				}
				if was := at.Load(); was != nil && st.Output && st.Level.Exceeds(*was) {
					t.Errorf("the source rose from %v to %v after a hold was asked for", *was, st.Level)
				}
			}}
		}
		o := l.do(strings.Replace(planText("{list: [1 MHz, 2 MHz, 5 MHz]}"), "settle: 1 ms", "settle: 200 ms", 1))
		if !held || o.err != nil {
			t.Errorf("held %t: %v", held, o.err)
		}
		l.mustBeOff(o)
	})
}

func TestSilencingLooksWhereTheSourceWasSetLast(t *testing.T) {
	inLab(t, simbench.Config{Seed: 2}, func(t *testing.T, l *lab) {
		l.change = func(c *engine.Config) {
			c.Rig.Source = &overSource{Source: c.Rig.Source, applied: func(st guard.SourceState) {
				if st.Frequency > 4*rf.Megahertz { // the analyser is still at 2 MHz
					l.operator <- engine.Command{Want: engine.Abort}
					time.Sleep(time.Millisecond)
				}
			}}
		}
		o := l.do(planText("{list: [1 MHz, 2 MHz, 5 MHz]}", "search: {onset: false}"))
		if !strings.Contains(o.Safing.How, "at 5 MHz") {
			t.Errorf("%s: %s", o.Verdict, o.Safing.How)
		}
	})
}

func TestRFThatIsNotKnownToBeOffIsNotToldAsOff(t *testing.T) {
	inLab(t, simbench.Config{Seed: 2}, func(t *testing.T, l *lab) {
		var last engine.Status
		l.progress = func(s engine.Status) { last = s }
		l.change = func(c *engine.Config) {
			on := false
			c.Rig.Source = &overSource{Source: c.Rig.Source, applied: func(st guard.SourceState) {
				if !on && st.Output {
					on = true
					l.sim.Inject("source", simbench.Fault{Instrument: "source", Kind: simbench.FaultDeaf})
				}
			}}
		}
		o := l.do(planText("{list: [1 MHz, 2 MHz]}"))
		if o.Verdict != event.RFNotKnownOff {
			t.Fatalf("%s: %v", o.Verdict, o.err)
		}
		if !last.RFOn {
			t.Errorf("told %q with RF off", last.Phase)
		}
	})
}

func TestAFaultInTheProgramItselfEndsInRFOff(t *testing.T) {
	inLab(t, simbench.Config{Seed: 2}, func(t *testing.T, l *lab) {
		once := false
		l.progress = func(s engine.Status) {
			if s.RFOn && s.Phase == "exposing" && !once {
				once = true
				panic("a slip of the programmer")
			}
		}
		o := l.do(planText("{list: [1 MHz, 2 MHz]}"))
		if o.Verdict != event.Failed || o.err == nil || !strings.Contains(o.err.Error(), "a slip of the programmer") {
			t.Errorf("%s: %v", o.Verdict, o.err)
		}
		l.mustBeOff(o)
	})
}

// warmAnalyser stands for a chain that gives more after its first reading at a frequency, as a product
// whose resonance moves when it warms up: by gain at the second reading, by again more at each further one.
type warmAnalyser struct {
	driver.Analyser
	gain, again rf.Gain
	at          rf.Frequency
	n           int
}

func (a *warmAnalyser) Setup(ctx context.Context, s driver.AnalyserSetup) error {
	if s.Frequency != a.at {
		a.at, a.n = s.Frequency, 0
	}
	return a.Analyser.Setup(ctx, s)
}

func (a *warmAnalyser) Read(ctx context.Context) (rf.Power, error) {
	p, err := a.Analyser.Read(ctx)
	if a.n++; a.n > 1 {
		p = p.Add(a.gain + rf.Gain(a.n-2)*a.again)
	}
	return p, err
}

func TestNothingDwellsAboveTheLevelWhenTheChainGivesMore(t *testing.T) {
	for _, c := range []struct {
		what        string
		gain, again rf.Gain
		tested      bool
	}{
		{"2 dB more once", 2, 0, true},
		{"2 dB more at every reading", 2, 2, false},
	} {
		inLab(t, simbench.Config{Seed: 2}, func(t *testing.T, l *lab) {
			l.change = func(cfg *engine.Config) {
				cfg.Rig.Analyser = &warmAnalyser{Analyser: cfg.Rig.Analyser, gain: c.gain, again: c.again}
			}
			o := l.do(planText("{list: [1 MHz, 2 MHz, 5 MHz]}", "search: {onset: false}", "trip_above: 12 dB"))
			if c.tested != (o.err == nil) || !c.tested && !errors.Is(o.err, guard.ErrTripped) {
				t.Fatalf("%s: %v", c.what, o.err)
			}
			for _, s := range o.run.Steps[min(1, len(o.run.Steps)):] { // first light has read at the first frequency
				if s.Outcome.Skipped == c.tested {
					t.Errorf("%s: at %v skipped %t: %s", c.what, s.Step.Point.Frequency, s.Outcome.Skipped, s.Limited)
				}
				over, _ := s.Current.Minus(s.Step.Point.Target.Add(s.Step.Offset))
				if !s.Outcome.Skipped && over > 0.3 {
					t.Errorf("%s: exposed at %v with %v, %v above the level", c.what, s.Step.Point.Frequency, s.Current,
						over)
				}
			}
			l.mustBeOff(o)
		})
	}
}

// dullAnalyser takes its first reading at a frequency for noise.
type dullAnalyser struct{ warmAnalyser }

func (a *dullAnalyser) Read(ctx context.Context) (rf.Power, error) {
	p, err := a.warmAnalyser.Read(ctx)
	if a.n == 1 && a.at > rf.Megahertz {
		p = p.WithBound(rf.AtMost)
	}
	return p, err
}

func TestALevelIsReachedAfterAReadingAtTheFloor(t *testing.T) {
	inLab(t, simbench.Config{Seed: 2}, func(t *testing.T, l *lab) {
		l.change = func(cfg *engine.Config) {
			cfg.Rig.Analyser = &dullAnalyser{warmAnalyser{Analyser: cfg.Rig.Analyser}}
		}
		o := l.do(planText("{list: [1 MHz, 2 MHz, 5 MHz]}", "search: {onset: false}"))
		if o.err != nil {
			t.Fatal(o.err)
		}
		for _, s := range o.run.Steps {
			if s.Limited != "" {
				t.Errorf("at %v: %s", s.Step.Point.Frequency, s.Limited)
			}
		}
		l.mustBeOff(o)
	})
}

func TestAHoldIsObeyedInAFreeSweep(t *testing.T) {
	inLab(t, simbench.Config{Seed: 3}, func(t *testing.T, l *lab) {
		h := byHand(t, l, "source")
		defer h.leave()
		sweeper(h, l, nil)
		asked := false
		l.progress = func(s engine.Status) {
			if s.Phase != "sweeping" || asked {
				return
			}
			asked = true
			l.operator <- engine.Command{Want: engine.HoldRun}
			go func() {
				time.Sleep(1500 * time.Millisecond)
				if l.sim.State().On {
					t.Error("RF is on a second and a half after a hold was asked for, in a pass of five")
				}
				l.operator <- engine.Command{Want: engine.GoOn}
			}()
		}
		out, spec, err := l.sweep(sweepText("{by: key}"), nil)
		if err != nil || !asked || len(out.Passes) != len(spec.Passes) {
			t.Errorf("asked %t, %d passes: %v", asked, len(out.Passes), err)
		}
		if l.sim.State().On {
			t.Error("RF is on")
		}
	})
}
