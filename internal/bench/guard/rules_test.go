package guard_test

import (
	"context"
	"errors"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"provoke/internal/bench/guard"
	"provoke/internal/files/catalog"
	"provoke/internal/model/chain"
	"provoke/internal/units/rf"
)

// armed is an armed guard whose dead-man leaves it alone.
func armed(t *testing.T, change func(*guard.Config)) *guard.Guard {
	t.Helper()
	g, _ := newGuard(func(c *guard.Config) {
		c.DeadMan = time.Hour
		if change != nil {
			change(c)
		}
	})
	if err := g.Arm(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(g.Disarm)
	return g
}

func must(t *testing.T, c guard.Cleared, err error) guard.Cleared {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// What ends every permission that was made before, taken or not.
func TestAPermissionDoesNotOutliveWhatSilencedTheBench(t *testing.T) {
	for name, ends := range map[string]func(*guard.Guard){
		"a silencing": func(g *guard.Guard) { g.Silence(context.Background(), "test") },
		"a trip":      func(g *guard.Guard) { g.Trip("test", "test") },
		"disarming and arming anew": func(g *guard.Guard) {
			g.Disarm()
			if err := g.Arm(); err != nil {
				panic(err)
			}
		},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				g := armed(t, nil)
				c, err := g.Clear(t.Context(), at(-40))
				waiting := must(t, c, err)
				c, err = g.Clear(t.Context(), at(-40))
				taken := must(t, c, err)
				if _, err := taken.Take(); err != nil {
					t.Fatal(err)
				}
				if err := taken.Still(); err != nil {
					t.Errorf("a permission that was just taken does not hold: %v", err)
				}
				ends(g)
				if _, err := waiting.Take(); err == nil {
					t.Errorf("a permission of before %s was taken after it", name)
				}
				if err := taken.Still(); err == nil {
					t.Errorf("what was taken before %s may still be sent after it", name)
				}
			})
		})
	}
}

func TestAPermissionIsGoodToTheEndOfItsTimeAndNoLonger(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := armed(t, nil)
		c, err := g.Clear(t.Context(), at(-40))
		c = must(t, c, err)
		time.Sleep(2 * time.Second)
		if _, err := c.Take(); err != nil {
			t.Errorf("refused when it was 2 s old: %v", err)
		}
	})
}

func TestARouteIsClearedWithTheOutputOffOnly(t *testing.T) {
	g := armed(t, nil)
	if _, err := g.ClearRoute(t.Context(), guard.SourceState{Setting: at(-60)}, "3"); !errors.Is(err,
		guard.ErrRefused) {
		t.Errorf("a route is cleared with the output on: %v", err)
	}
	c, err := g.ClearRoute(t.Context(), guard.SourceState{}, "3")
	c = must(t, c, err)
	if _, err := c.Take(); !errors.Is(err, guard.ErrRefused) {
		t.Errorf("a permission for a route raised the source: %v", err)
	}
	if route, err := c.TakeRoute(); err != nil || route != "3" {
		t.Errorf("took the route %q: %v", route, err)
	}
	if _, err := c.TakeRoute(); !errors.Is(err, guard.ErrRefused) {
		t.Errorf("a route was taken twice: %v", err)
	}
	g.Trip("test", "test")
	if _, err := g.ClearRoute(t.Context(), guard.SourceState{}, "3"); !errors.Is(err, guard.ErrTripped) {
		t.Errorf("a route is cleared after a trip: %v", err)
	}
}

func TestTheAmplifierIsClearedAtTheSourcesMinimumAndNotAtTenDecibelMore(t *testing.T) {
	g := armed(t, nil)
	for level, good := range map[float64]bool{-60: true, -59.95: true, -59.8: false, -50: false} {
		if _, err := g.ClearOperate(t.Context(), guard.SourceState{Setting: at(level)}); (err == nil) != good {
			t.Errorf("the source at %v dBm, its minimum being -60 dBm: %v", level, err)
		}
	}
}

// What the guard believes of the source decides how a change of frequency is judged.
func TestLoweredOnlyLowersWhatIsBelieved(t *testing.T) {
	b := bench()
	b.Clamp.InsertionLoss = flat(7)
	b.Cable.MaximumCurrent = rf.Amperes(1000)
	b.Probe.MaximumCurrent = rf.Amperes(1000)
	g := armed(t, func(c *guard.Config) { c.Chain = chain.New(b) })
	take := func(f rf.Frequency, dBm float64) error {
		c, err := g.Clear(t.Context(), guard.Setting{Frequency: f, Level: rf.DBm(dBm), Output: true})
		if err == nil {
			_, err = c.Take()
		}
		return err
	}
	if err := take(10*rf.Megahertz, -30); err != nil {
		t.Fatal(err)
	}
	g.Lowered(rf.DBm(20)) // far over the amplifier's input: nobody was asked for that
	if err := take(20*rf.Megahertz, -30); err != nil {
		t.Errorf("a level above the one that was cleared was believed: %v", err)
	}
}

// crossing is a guard whose clamp stands much more at 1 MHz than at 10 MHz, after a level was taken at 1 MHz.
func crossing(t *testing.T) (*guard.Guard, guard.Setting) {
	t.Helper()
	b := bench()
	b.Clamp.InsertionLoss = steep(t)
	b.Cable.MaximumCurrent = rf.DBuA(100)
	g := armed(t, func(c *guard.Config) { c.Chain = chain.New(b) })
	c, err := g.Clear(t.Context(), guard.Setting{Frequency: rf.Megahertz, Level: rf.DBm(-5), Output: true})
	if _, err := must(t, c, err).Take(); err != nil {
		t.Fatal(err)
	}
	return g, guard.Setting{Frequency: 10 * rf.Megahertz, Level: rf.DBm(-20), Output: true}
}

func TestAChangeOfFrequencyIsJudgedFromWhatIsOn(t *testing.T) {
	g, to := crossing(t)
	if _, err := g.Clear(t.Context(), to); !errors.Is(err, guard.ErrRefused) {
		t.Errorf("a change at too high a level was cleared: %v", err)
	}
	g.WentOff()
	if _, err := g.Clear(t.Context(), to); err != nil {
		t.Errorf("refused although the output is off: %v", err)
	}
	synctest.Test(t, func(t *testing.T) {
		g, to := crossing(t)
		g.Silence(t.Context(), "test")
		if _, err := g.Clear(t.Context(), to); err != nil {
			t.Errorf("refused although the bench was silenced: %v", err)
		}
	})
	// The other way: the level before is allowed at both places, the one after only at the new one.
	g, _ = crossing(t)
	g.Lowered(rf.DBm(-40))
	g2 := g
	c, err := g2.Clear(t.Context(), guard.Setting{Frequency: 10 * rf.Megahertz, Level: rf.DBm(-40), Output: true})
	if _, err := must(t, c, err).Take(); err != nil {
		t.Fatal(err)
	}
	if _, err := g2.Clear(t.Context(), guard.Setting{Frequency: rf.Megahertz, Level: rf.DBm(-5),
		Output: true}); !errors.Is(err, guard.ErrRefused) || !strings.Contains(err.Error(), "10 MHz") {
		t.Errorf("a level that is too much for the place that is left was cleared: %v", err)
	}
}

// A command that raises and was never confirmed may still be carried out: quiet counts after the linger only.
func TestQuietIsBelievedAfterTheLingerWhereACommandMayStillArrive(t *testing.T) {
	const linger = 2500 * time.Millisecond
	take := func(t *testing.T, g *guard.Guard) {
		c, err := g.Clear(t.Context(), at(-40))
		if _, err := must(t, c, err).Take(); err != nil {
			t.Fatal(err)
		}
	}
	for name, c := range map[string]struct {
		before func(*testing.T, *guard.Guard)
		waits  bool
	}{
		"nothing was raised":     {func(*testing.T, *guard.Guard) {}, false},
		"a permission was taken": {take, true},
		"the instrument confirmed it": {func(t *testing.T, g *guard.Guard) { take(t, g); g.Confirmed() },
			false},
		"somebody suspects one": {func(t *testing.T, g *guard.Guard) { g.Suspect() }, true},
		"the linger was waited for once before": {func(t *testing.T,
			g *guard.Guard) {
			take(t, g)
			g.Silence(t.Context(), "first")
		}, false},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				g := armed(t, nil)
				c.before(t, g)
				began := time.Now()
				if rep := g.Silence(t.Context(), "test"); !rep.Quiet {
					t.Fatalf("%+v", rep)
				}
				took := time.Since(began)
				if c.waits && (took < linger || took > linger+200*time.Millisecond) || !c.waits &&
					took > 100*time.Millisecond {
					t.Errorf("quiet was believed after %v", took)
				}
			})
		})
	}
}

// comes is a source whose output comes on by itself after a time, once, and obeys.
type comes struct {
	fakeSource
	at time.Time
}

func (c *comes) State(ctx context.Context) (guard.SourceState, error) {
	if !c.at.IsZero() && !time.Now().Before(c.at) {
		c.on, c.at = true, time.Time{}
	}
	return c.fakeSource.State(ctx)
}

func TestALateCommandIsTakenBackWhateverItsTime(t *testing.T) {
	for _, late := range []time.Duration{200 * time.Millisecond, time.Second, 2400 * time.Millisecond} {
		synctest.Test(t, func(t *testing.T) {
			src := &comes{fakeSource: fakeSource{log: &[]string{}, on: true}, at: time.Now().Add(late)}
			g := guard.New(guard.Config{Chain: chain.New(bench()), Source: src})
			g.Suspect()
			began := time.Now()
			rep := g.Silence(t.Context(), "test")
			if !rep.Quiet || src.on || !src.at.IsZero() {
				t.Errorf("a command that comes after %v wins: on %v, not come yet %v, %+v", late,
					src.on, !src.at.IsZero(), rep)
			}
			if took := time.Since(began); took < late+2500*time.Millisecond {
				t.Errorf("quiet was believed %v after a command that came after %v: the linger begins anew",
					took-late, late)
			}
		})
	}
}

// keepsOn is a source or an amplifier that says it is on for some time.
type keepsOn struct {
	fakeSource
	until time.Time
}

func (k *keepsOn) State(context.Context) (guard.SourceState, error) {
	return guard.SourceState{Setting: guard.Setting{Output: time.Now().Before(k.until)}}, nil
}

type slowAmplifier struct {
	fakeAmplifier
	until time.Time
	err   error
}

func (k *slowAmplifier) Operating(context.Context) (bool, error) {
	return time.Now().Before(k.until), k.err
}

func TestNothingIsQuietBeforeEverythingSaysSo(t *testing.T) {
	const wait = 1200 * time.Millisecond
	run := func(t *testing.T, change func(*guard.Config)) (rep guard.Report, took time.Duration) {
		synctest.Test(t, func(t *testing.T) {
			c := guard.Config{Chain: chain.New(bench()), Source: &fakeSource{log: &[]string{}},
				Linger: 300 * time.Millisecond}
			change(&c)
			began := time.Now()
			rep = guard.New(c).Silence(t.Context(), "test")
			took = time.Since(began)
		})
		return rep, took
	}
	rep, took := run(t, func(c *guard.Config) {
		c.Source = &keepsOn{fakeSource{log: &[]string{}}, time.Now().Add(wait)}
	})
	if !rep.Quiet || took < wait+300*time.Millisecond {
		t.Errorf("a source that was on for %v: quiet %v after %v; what was refused once may come late", wait, rep.Quiet,
			took)
	}
	rep, took = run(t, func(c *guard.Config) {
		c.Amplifier = &slowAmplifier{fakeAmplifier{log: &[]string{}}, time.Now().Add(wait), nil}
	})
	if !rep.Quiet || took < wait {
		t.Errorf("an amplifier that operated for %v: quiet %v after %v", wait, rep.Quiet, took)
	}
	if rep, _ = run(t, func(c *guard.Config) {
		c.Amplifier = &slowAmplifier{fakeAmplifier{log: &[]string{}}, time.Now().Add(time.Hour), nil}
	}); rep.Quiet || !strings.Contains(rep.How, "still operating") {
		t.Errorf("an amplifier that goes on operating: %+v", rep)
	}
	if rep, _ = run(t, func(c *guard.Config) {
		c.Amplifier = &slowAmplifier{fakeAmplifier{log: &[]string{}}, time.Time{}, errors.New("no answer")}
	}); rep.Quiet {
		t.Errorf("an amplifier that does not answer: %+v", rep)
	}
	if rep, _ = run(t, func(c *guard.Config) { c.Source = refusesOff{&fakeSource{log: &[]string{}}} }); rep.Quiet ||
		!strings.Contains(rep.How, "source output off: refused") {
		t.Errorf("a source that reads as off but refused the command: %+v", rep)
	}
}

// refusesOff answers that its output is off, and refuses to switch it off.
type refusesOff struct{ *fakeSource }

func (refusesOff) OutputOff(context.Context) error { return errors.New("refused") }
func (r refusesOff) State(context.Context) (guard.SourceState, error) {
	return guard.SourceState{}, nil
}

func TestSilencingTellsARepeatedResultOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		src := &fakeSource{log: &[]string{}, deaf: true}
		rep := guard.New(guard.Config{Chain: chain.New(bench()), Source: src,
			Amplifier: &fakeAmplifier{log: &[]string{}}}).Silence(t.Context(), "test")
		seen := map[guard.Step]int{}
		for _, s := range rep.Steps {
			if seen[s]++; seen[s] > 1 {
				t.Errorf("told twice: %+v", s)
			}
		}
		if len(rep.Steps) < 5 {
			t.Errorf("each step is told: %+v", rep.Steps)
		}
		if rep.Took < 6*time.Second || rep.Took > 8*time.Second {
			t.Errorf("gave up after %v", rep.Took)
		}
	})
}

func TestTwoWhoSilenceWaitForOneAnother(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := guard.New(guard.Config{Chain: chain.New(bench()), Source: &fakeSource{log: &[]string{}, on: true}})
		g.Suspect()
		done := make(chan guard.Report, 2)
		for range 2 {
			go func() { done <- g.Silence(context.Background(), "test") }()
		}
		for range 2 {
			if rep := <-done; !rep.Quiet {
				t.Errorf("%+v", rep)
			}
		}
	})
}

// slowSource takes its time for each call, and gives it up with its context.
type slowSource struct {
	fakeSource
	takes time.Duration
}

func (s *slowSource) OutputOff(ctx context.Context) error {
	select {
	case <-time.After(s.takes):
		return s.fakeSource.OutputOff(ctx)
	case <-ctx.Done():
		return ctx.Err()
	}
}

// The dead-man does not trip for an engine that waits while the bench is being silenced, which takes longer.
func TestTheDeadManWaitsWhileTheBenchIsBeingSilenced(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var told atomic.Value
		g := guard.New(guard.Config{Chain: chain.New(bench()), Source: &fakeSource{log: &[]string{}, on: true},
			DeadMan: 500 * time.Millisecond,
			Tripped: func(cause, by string) { told.Store(by) }})
		if err := g.Arm(); err != nil {
			t.Fatal(err)
		}
		g.Suspect()
		if rep := g.Silence(t.Context(), "test"); !rep.Quiet || rep.Took < 2*time.Second {
			t.Fatalf("%+v", rep)
		}
		if told.Load() != nil {
			t.Errorf("tripped by the %s meanwhile", told.Load())
		}
		time.Sleep(600 * time.Millisecond) // and it watches again afterwards
		g.Disarm()
		if told.Load() != "dead-man" {
			t.Errorf("tripped by %q afterwards", told.Load())
		}
	})
}

func TestPatienceWithOneExchangeIsASecond(t *testing.T) {
	for takes, quiet := range map[time.Duration]bool{900 * time.Millisecond: true, 1100 * time.Millisecond: false} {
		synctest.Test(t, func(t *testing.T) {
			g := guard.New(guard.Config{Chain: chain.New(bench()),
				Source: &slowSource{fakeSource{log: &[]string{}, on: true}, takes}})
			if rep := g.Silence(t.Context(), "test"); rep.Quiet != quiet {
				t.Errorf("a source that takes %v: %+v", takes, rep)
			}
		})
	}
}

// goneWatcher is a watcher that goes away, or has a reason to act.
type goneWatcher struct {
	gone  chan struct{}
	check error
	at    rf.Frequency
	alive []time.Duration
}

func (w *goneWatcher) Check() error              { return w.check }
func (w *goneWatcher) Gone() <-chan struct{}     { return w.gone }
func (w *goneWatcher) At(f rf.Frequency)         { w.at = f }
func (w *goneWatcher) Alive(d time.Duration)     { w.alive = append(w.alive, d) }
func newWatcher() *goneWatcher                   { return &goneWatcher{gone: make(chan struct{})} }
func (w *goneWatcher) leaves(why string)         { w.check = errors.New(why); close(w.gone) }
func watched(w *goneWatcher) func(*guard.Config) { return func(c *guard.Config) { c.Watcher = w } }

func TestNothingIsRaisedWithoutTheWatcher(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWatcher()
		var by string
		g := armed(t, func(c *guard.Config) { c.Watcher, c.Tripped = w, func(_, who string) { by = who } })
		c, err := g.Clear(t.Context(), at(-40))
		c = must(t, c, err)
		taken, err := g.Clear(t.Context(), at(-40))
		if _, err := must(t, taken, err).Take(); err != nil {
			t.Fatal(err)
		}
		if w.at != 10*rf.Megahertz {
			t.Errorf("the watcher was told of RF at %v", w.at)
		}
		w.check = errors.New("it has acted")
		if _, err := c.Take(); !errors.Is(err, guard.ErrTripped) || !strings.Contains(err.Error(), "it has acted") {
			t.Errorf("taken without a watcher: %v", err)
		}
		if err := taken.Still(); !errors.Is(err, guard.ErrTripped) {
			t.Errorf("goes on without a watcher: %v", err)
		}
		if g.Cause() != "it has acted" || by != "watcher" {
			t.Errorf("tripped by %q: %q", by, g.Cause())
		}
	})
}

func TestAWatcherThatGoesAwayEndsInRFOff(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w, src := newWatcher(), &sharedSource{fakeSource: fakeSource{log: &[]string{}}}
		g, _ := newGuard(func(c *guard.Config) { c.Watcher, c.Source, c.Amplifier = w, src, nil })
		if err := g.Arm(); err != nil {
			t.Fatal(err)
		}
		w.leaves("the watcher has gone")
		time.Sleep(100 * time.Millisecond)
		if !src.off.Load() || g.Cause() != "the watcher has gone" {
			t.Errorf("off %v, cause %q", src.off.Load(), g.Cause())
		}
		g.Disarm()
	})
}

func TestTheWatcherIsToldWhenTheNextSignOfLifeIsDue(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWatcher()
		g, _ := newGuard(func(c *guard.Config) { c.Watcher, c.DeadMan = w, 3*time.Second })
		g.Arm()
		g.Feed()
		g.Disarm()
		g.Feed()
		want := []time.Duration{3500 * time.Millisecond, 3500 * time.Millisecond, 0} // the dead-man's time and 0.5 s
		if len(w.alive) != len(want) {
			t.Fatalf("told %v", w.alive)
		}
		for i := range want {
			if w.alive[i] != want[i] {
				t.Errorf("told %v, want %v", w.alive, want)
			}
		}
	})
}

func TestFeedingNeverWaits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g, _ := newGuard(func(c *guard.Config) { c.DeadMan = time.Second })
		g.Feed() // before arming nobody listens
		g.Arm()
		for range 100 {
			g.Feed()
		}
		time.Sleep(900 * time.Millisecond)
		g.Feed()
		time.Sleep(900 * time.Millisecond)
		if g.Cause() != "" {
			t.Errorf("tripped although it was fed: %s", g.Cause())
		}
		g.Disarm()
	})
}

// asked is an interlock that counts how often it is asked.
type asked struct {
	closed bool
	err    error
	n      int
	panics bool
}

func (a *asked) read(context.Context) (bool, error) {
	a.n++
	if a.panics {
		panic("test")
	}
	return a.closed, a.err
}

func TestTheInterlockIsAskedAgainUnlessItsAnswerIsFresh(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a := &asked{closed: true}
		g := armed(t, func(c *guard.Config) { c.Interlock = a.read })
		check := func() {
			if err := g.CheckInterlock(t.Context()); err != nil {
				t.Error(err)
			}
		}
		check()
		time.Sleep(4 * time.Millisecond)
		check()
		if a.n != 1 {
			t.Errorf("asked %d times within 4 ms", a.n)
		}
		time.Sleep(time.Millisecond)
		check()
		if a.n != 2 {
			t.Errorf("asked %d times within 5 ms", a.n)
		}
		time.Sleep(time.Second)
		judge := g.BeginInterlock(t.Context())
		synctest.Wait()
		if a.n != 3 {
			t.Error("the question is not on its way before it is judged")
		}
		if err := judge(); err != nil {
			t.Error(err)
		}
		if err := g.BeginInterlock(t.Context())(); err != nil || a.n != 3 {
			t.Errorf("asked %d times, %v", a.n, err)
		}
		a.closed = false
		time.Sleep(time.Second)
		if err := g.BeginInterlock(t.Context())(); !errors.Is(err, guard.ErrTripped) {
			t.Errorf("an open interlock: %v", err)
		}
	})
}

func TestAnInterlockWhoseReadingPanicsTrips(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := armed(t, func(c *guard.Config) { c.Interlock = (&asked{panics: true}).read })
		if err := g.BeginInterlock(t.Context())(); !errors.Is(err, guard.ErrTripped) ||
			!strings.Contains(err.Error(), "a fault in provoke itself: test") {
			t.Errorf("%v", err)
		}
	})
}

// A run that ends takes its questions along; that is no fault of the interlock's.
func TestAQuestionThatEndsWithTheRunDoesNotTrip(t *testing.T) {
	ctx, cancel := context.WithCancelCause(context.Background())
	ended := errors.New("the run has ended")
	cancel(ended)
	g := armed(t, func(c *guard.Config) { c.Interlock = (&asked{err: context.Canceled}).read })
	if err := g.CheckInterlock(ctx); !errors.Is(err, ended) || g.Cause() != "" {
		t.Errorf("%v, cause %q", err, g.Cause())
	}
}

func TestTheFirstCauseOfATripStays(t *testing.T) {
	g := armed(t, nil)
	g.Trip("first", "test")
	g.Trip("second", "test")
	if g.Cause() != "first" {
		t.Errorf("the cause is %q", g.Cause())
	}
	if _, err := g.Clear(t.Context(), at(-50)); !errors.Is(err, guard.ErrTripped) ||
		!strings.Contains(err.Error(), "first") {
		t.Errorf("%v", err)
	}
}

func TestTheCauseIsWaitedForAShortTimeOnly(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		disk := make(chan struct{})
		guard.Briefly(func() { <-disk })
		if took := time.Since(began); took != 250*time.Millisecond {
			t.Errorf("waited %v", took)
		}
		close(disk)
		began, told := time.Now(), false
		guard.Briefly(func() { time.Sleep(200 * time.Millisecond); told = true })
		if took := time.Since(began); !told || took != 200*time.Millisecond {
			t.Errorf("waited %v, told %v", took, told)
		}
	})
}

// Readings against ratings, with hand arithmetic: at 10 MHz and −20 dBm the budget says 86.01 dBµA, range −20 to
// +10 dB; the cable stands 1 A (120 dBµA), the probe 2 A (126 dBµA).
func TestMeasuredCurrentsCountAtTheirCrest(t *testing.T) {
	const crest = 5.105450102 // 80 % AM, 20·log10(1.8)
	roomy := func(c *guard.Config) {
		b := bench()
		b.Cable.ExpectedHigh = 60 // the prediction's own high end is out of the way
		c.Chain = chain.New(b)
	}
	jig := func(c *guard.Config) {
		b := bench()
		b.Cable.MaximumCurrent = rf.DBuA(80)
		c.Chain, c.Fixture = chain.New(b), catalog.Jig50
	}
	bare := func(c *guard.Config) {
		b := bench()
		b.Cable.ExpectedHigh, b.Probe = 60, nil
		c.Chain = chain.New(b)
	}
	for _, c := range []struct {
		what   string
		change func(*guard.Config)
		m      guard.Measurement
		trip   string
	}{
		{"a cable just within its rating at the crest", roomy,
			guard.Measurement{Current: rf.DBuA(119.9 - crest), Crest: crest}, ""},
		{"a cable just over its rating at the crest", roomy,
			guard.Measurement{Current: rf.DBuA(120.1 - crest), Crest: crest}, "cable current at the crest"},
		{"the same read with its modulation on, which adds no more", roomy,
			guard.Measurement{Current: rf.DBuA(120.1 - crest), Crest: crest, Modulated: true}, ""},
		{"over it with its modulation on", roomy,
			guard.Measurement{Current: rf.DBuA(120.1), Crest: crest, Modulated: true}, "cable current at the crest"},
		{"in a jig the cable's rating is nothing", jig, guard.Measurement{Current: rf.DBuA(86)}, ""},
		{"a bench without a probe's rating", bare, guard.Measurement{Current: rf.DBuA(125)}, "cable current"},
	} {
		g, _ := newGuard(c.change)
		c.m.Frequency, c.m.Drive = 10*rf.Megahertz, rf.DBm(-20)
		err := g.Measured(c.m)
		if (err != nil) != (c.trip != "") || err != nil && !strings.Contains(err.Error(), c.trip) {
			t.Errorf("%s: %v", c.what, err)
		}
	}
}

func TestNothingReadWhereMuchIsExpectedTrips(t *testing.T) {
	// The budget's low end at −20 dBm is 66.01 dBµA.
	for _, c := range []struct {
		m    guard.Measurement
		trip bool
	}{
		{guard.Measurement{Current: rf.DBuA(50).WithBound(rf.AtMost)}, true},
		{guard.Measurement{Current: rf.DBuA(66).WithBound(rf.AtMost)}, false},
		{guard.Measurement{Current: rf.DBuA(50).WithBound(rf.AtMost), Modulated: true}, false},
		{guard.Measurement{Current: rf.DBuA(67)}, false},
	} {
		g, _ := newGuard(nil)
		c.m.Frequency, c.m.Drive = 10*rf.Megahertz, rf.DBm(-20)
		if err := g.Measured(c.m); (err != nil) != c.trip {
			t.Errorf("%+v: %v", c.m, err)
		}
	}
}

func TestARefusalSaysWhatIsOverOrWhyItIsNotKnown(t *testing.T) {
	p := chain.Prediction{Frequency: 10 * rf.Megahertz, Nodes: []chain.Node{
		{ID: "A", Place: "input", Within: true},
		{ID: "B", Place: "output", Note: "the level there is not known"},
	}}
	err := guard.NodesError(p)
	if !errors.Is(err, guard.ErrRefused) || !strings.Contains(err.Error(),
		"B output at 10 MHz: the level there is not known") || strings.Contains(err.Error(), "over the rating") ||
		strings.Contains(err.Error(), "A input") {
		t.Errorf("%v", err)
	}
	if guard.NodesError(chain.Prediction{Nodes: p.Nodes[:1]}) != nil {
		t.Error("what is within is refused")
	}
}

// handAmplifier answers as told.
type handAmplifier struct {
	fakeAmplifier
	operating bool
	err       error
}

func (h *handAmplifier) Operating(context.Context) (bool, error) { return h.operating, h.err }

func TestAnOperatingAmplifierIsNotQuietWhateverTheOperatorSays(t *testing.T) {
	log := &[]string{}
	rep := silencedByHand(t, func(c *guard.Config) {
		c.Source, c.Amplifier = &person{}, &handAmplifier{fakeAmplifier: fakeAmplifier{log: log}, operating: true}
	})
	if rep.Quiet || !strings.Contains(rep.How, "still operating") {
		t.Errorf("%+v", rep)
	}
	rep = silencedByHand(t, func(c *guard.Config) {
		c.Source, c.Amplifier, c.Witness = &person{never: true}, &handAmplifier{fakeAmplifier: fakeAmplifier{log: log},
			operating: true}, floor{}
	})
	if rep.Quiet {
		t.Errorf("a meter at the floor stands for an amplifier that operates: %+v", rep)
	}
}

func TestTheOperatorsWordIsMeasuredWhereSomethingMeasures(t *testing.T) {
	rep := silencedByHand(t, func(c *guard.Config) { c.Source, c.Witness = &person{}, floor{} })
	if !rep.Quiet || rep.How != "off by the operator's word, and measured at the floor" {
		t.Errorf("%+v", rep)
	}
	// RF that went away with the operator's hand was there when the meter was read first.
	rep = silencedByHand(t, func(c *guard.Config) {
		c.Source, c.Witness = &person{after: time.Now().Add(time.Second / 2)}, floor{time.Now().Add(time.Second / 2)}
	})
	if !rep.Quiet || !strings.HasSuffix(rep.How, "measured at the floor") {
		t.Errorf("%+v", rep)
	}
	rep = silencedByHand(t, func(c *guard.Config) {
		c.Source, c.Witness, c.Unswitched.Sweeps = &person{}, floor{}, true
	})
	if !rep.Quiet || rep.How != "off by the operator's word" {
		t.Errorf("a sweep: %+v", rep)
	}
}

func TestAPersonHasAMinuteToSwitchOff(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := guard.New(guard.Config{Chain: chain.New(bench()), Source: &person{after: time.Now().Add(55 * time.Second)},
			Unswitched: guard.Unswitched{Named: "S1"}})
		if rep := g.Silence(t.Context(), "test"); !rep.Quiet {
			t.Errorf("55 s are too long: %+v", rep)
		}
	})
}

// What was measured just before bounds what comes next, 3 dB above it, whatever the budget allows.
func TestWhatWasMeasuredJustBeforeBoundsWhatComesNext(t *testing.T) {
	for _, c := range []struct {
		what string
		m    guard.Measurement
		trip string
	}{
		{"2.9 dB more current", guard.Measurement{Current: rf.DBuA(88.9), Expected: rf.DBuA(86)}, ""},
		{"3.1 dB more current", guard.Measurement{Current: rf.DBuA(89.1), Expected: rf.DBuA(86)}, "above 89.0 dBµA"},
		{"2.9 dB more, modulated as expected", guard.Measurement{Current: rf.DBuA(88.9), Expected: rf.DBuA(86),
			Crest: 5, Modulated: true}, ""},
		{"3.1 dB more, modulated", guard.Measurement{Current: rf.DBuA(89.1), Expected: rf.DBuA(86), Crest: 5,
			Modulated: true}, "above 89.0 dBµA"},
		{"an analyser that overloads in the dwell", guard.Measurement{Current: rf.DBuA(89.1).WithBound(rf.AtLeast),
			Expected: rf.DBuA(86), Crest: 5, Modulated: true}, "overloaded"},
		{"nothing was expected", guard.Measurement{Current: rf.DBuA(95)}, ""},
		{"an expectation that is a bound only",
			guard.Measurement{Current: rf.DBuA(95), Expected: rf.DBuA(80).WithBound(rf.AtMost)}, ""},
		{"2.9 dB more forward power", guard.Measurement{Forward: rf.DBm(22.9), ExpectedForward: rf.DBm(20)}, ""},
		{"3.1 dB more forward power", guard.Measurement{Forward: rf.DBm(23.1), ExpectedForward: rf.DBm(20)},
			"forward power reads 23.1 dBm at 10 MHz, above 23.0 dBm"},
	} {
		g, _ := newGuard(nil)
		c.m.Frequency, c.m.Drive = 10*rf.Megahertz, rf.DBm(-20)
		err := g.Measured(c.m)
		if (err != nil) != (c.trip != "") || err != nil && !strings.Contains(err.Error(), c.trip) {
			t.Errorf("%s: %v", c.what, err)
		}
	}
}

// Modulation may add its crest to a reading that is taken with it on: both limits move by that, and no further.
func TestAModulatedReadingMayBeAsHighAsItsCrest(t *testing.T) {
	const crest = 5
	for _, c := range []struct {
		m    guard.Measurement
		trip bool
	}{
		{guard.Measurement{Current: rf.DBuA(106.9)}, false}, // 96.01 and 6 dB, and 5 dB of the crest: 107.0
		{guard.Measurement{Current: rf.DBuA(107.2)}, true},
		{guard.Measurement{Forward: rf.DBm(30.9)}, false}, // 20 and 6 and 5
		{guard.Measurement{Forward: rf.DBm(31.1)}, true},
	} {
		g, _ := newGuard(nil)
		c.m.Frequency, c.m.Drive, c.m.Crest, c.m.Modulated = 10*rf.Megahertz, rf.DBm(-20), crest, true
		if err := g.Measured(c.m); (err != nil) != c.trip {
			t.Errorf("%+v: %v", c.m, err)
		}
	}
}

// The clamp's rating is one of mean power: a reading with modulation on may be its crest.
func TestAModulatedForwardReadingIsHeldAgainstTheRatingAtItsCrest(t *testing.T) {
	for forward, trip := range map[float64]bool{44.9: false, 45.1: true} {
		g, _ := newGuard(nil)
		err := g.Measured(guard.Measurement{Frequency: 10 * rf.Megahertz, Drive: rf.DBm(0), Forward: rf.DBm(forward),
			Crest: 5, Modulated: true})
		if (err != nil) != trip {
			t.Errorf("%v dBm with a crest of 5 dB over a rating of 40 dBm: %v", forward, err)
		}
	}
}

// A probe's rating counts where there is a probe, a jig included.
func TestTheProbesRatingCountsAtTheCrest(t *testing.T) {
	b := bench()
	b.Probe.MaximumCurrent = rf.DBuA(90)
	for current, trip := range map[float64]bool{86.9: false, 87.1: true} {
		g, _ := newGuard(func(c *guard.Config) { c.Chain, c.Fixture = chain.New(b), catalog.Jig50 })
		err := g.Measured(guard.Measurement{Frequency: 10 * rf.Megahertz, Drive: rf.DBm(-20), Current: rf.DBuA(current),
			Crest: 3})
		if (err != nil) != trip || err != nil && !strings.Contains(err.Error(), "the current at the crest") {
			t.Errorf("%v dBµA with a crest of 3 dB: %v", current, err)
		}
	}
}

// timed answers after some time each.
type timed struct {
	takes []time.Duration
	n     int
}

func (x *timed) read(context.Context) (bool, error) {
	time.Sleep(x.takes[min(x.n, len(x.takes)-1)])
	x.n++
	return true, nil
}

func TestTheInterlockIsTimedOnceItsConnectionIsThere(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		x := &timed{takes: []time.Duration{time.Second, 20 * time.Millisecond, 30 * time.Millisecond, time.Second}}
		g, _ := newGuard(func(c *guard.Config) { c.Interlock = x.read })
		if took, err := g.TimeInterlock(t.Context()); err != nil || took != 30*time.Millisecond || x.n != 3 {
			t.Errorf("%v after %d questions: %v", took, x.n, err)
		}
		g, _ = newGuard(nil)
		if took, err := g.TimeInterlock(t.Context()); err != nil || took != 0 {
			t.Errorf("no interlock: %v, %v", took, err)
		}
		g, _ = newGuard(func(c *guard.Config) { c.Interlock = (&asked{}).read })
		if _, err := g.TimeInterlock(t.Context()); !errors.Is(err, guard.ErrTripped) {
			t.Errorf("an open interlock: %v", err)
		}
	})
}

// opens is an interlock that is open from a time on.
type opens struct {
	at time.Time
	n  atomic.Int32
}

func (o *opens) read(context.Context) (bool, error) {
	o.n.Add(1)
	return time.Now().Before(o.at), nil
}

func TestTheInterlockIsWatchedWhileRFMayBeOnAndNotOtherwise(t *testing.T) {
	raise := func(t *testing.T, g *guard.Guard) {
		t.Helper()
		c, err := g.Clear(t.Context(), at(-40))
		if _, err := must(t, c, err).Take(); err != nil {
			t.Fatal(err)
		}
	}
	t.Run("RF is on", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			o := &opens{at: time.Now().Add(time.Second)}
			src := &sharedSource{fakeSource: fakeSource{log: &[]string{}}}
			g := armed(t, func(c *guard.Config) { c.Interlock, c.Source, c.Amplifier = o.read, src, nil })
			raise(t, g)
			g.Confirmed()
			time.Sleep(990 * time.Millisecond)
			if g.Cause() != "" || o.n.Load() < 6 || o.n.Load() > 8 {
				t.Errorf("%q after %d questions in a second", g.Cause(), o.n.Load())
			}
			time.Sleep(170 * time.Millisecond)
			if g.Cause() != "the interlock is open" || !src.off.Load() {
				t.Errorf("%q, off %v", g.Cause(), src.off.Load())
			}
		})
	})
	for name, quiet := range map[string]func(*guard.Guard){
		"nothing was raised":       func(*guard.Guard) {},
		"the output went off":      func(g *guard.Guard) { raise(t, g); g.Confirmed(); g.WentOff() },
		"a person switches it off": func(g *guard.Guard) { raise(t, g); g.GoingOff() },
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				o := &opens{at: time.Now().Add(100 * time.Millisecond)}
				g := armed(t, func(c *guard.Config) { c.Interlock = o.read })
				quiet(g)
				before := o.n.Load()
				time.Sleep(time.Second)
				if g.Cause() != "" || o.n.Load() != before {
					t.Errorf("%q after %d questions more", g.Cause(), o.n.Load()-before)
				}
			})
		})
	}
	t.Run("the person is done", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			o := &opens{at: time.Now().Add(100 * time.Millisecond)}
			g := armed(t, func(c *guard.Config) { c.Interlock = o.read })
			raise(t, g)
			g.GoingOff()()
			time.Sleep(time.Second)
			if g.Cause() == "" {
				t.Error("the interlock is not watched any more")
			}
		})
	})
}

func TestARefusedSweepIsNamedFromItsLowerToItsUpperEnd(t *testing.T) {
	g := armed(t, func(c *guard.Config) { c.Chain, c.Fixture = peaky(t), catalog.Jig50 })
	for _, s := range []guard.Setting{{Frequency: 50e6, To: 1e6, Level: rf.DBm(-0.5)},
		{Frequency: 1e6, To: 50e6, Level: rf.DBm(-0.5)}} {
		if _, err := g.ClearSpan(t.Context(), s); err == nil || !strings.Contains(err.Error(), "over 1 MHz to 50 MHz") {
			t.Errorf("%v to %v: %v", s.Frequency, s.To, err)
		}
	}
}
