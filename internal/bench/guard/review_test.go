package guard_test

import (
	"context"
	"errors"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"provoke/internal/bench/guard"
	"provoke/internal/files/catalog"
	"provoke/internal/model/chain"
	"provoke/internal/model/level"
	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

func TestAJournalThatHangsDoesNotKeepTheDeadManFromSilencing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		src := &sharedSource{fakeSource: fakeSource{log: &[]string{}}}
		disk := make(chan struct{})
		g := guard.New(guard.Config{Chain: chain.New(bench()), Source: src, DeadMan: 2 * time.Second,
			Tripped: func(string, string) { <-disk }})
		g.Arm()
		time.Sleep(3 * time.Second)
		if !src.off.Load() {
			t.Error("RF is on a second after the dead-man's period")
		}
		close(disk)
		g.Disarm()
	})
}

func TestASweepIsNotClearedAtItsFirstFrequencyAlone(t *testing.T) {
	g, _ := newGuard(nil)
	g.Arm()
	defer g.Disarm()
	s := at(-30)
	s.To = 80 * rf.Megahertz
	if _, err := g.Clear(context.Background(), s); !errors.Is(err, guard.ErrRefused) {
		t.Errorf("cleared a sweep to %v at %v only: %v", s.To, s.Frequency, err)
	}
}

// metered adds a coupler and a power meter to the bench of round numbers.
func metered(c *guard.Config) {
	b := bench()
	b.Coupler = &catalog.Coupler{Identity: catalog.Identity{ID: "DC"}, Loss: flat(0), MaximumPower: rf.Watts(100),
		Forward: flat(50), Reverse: flat(50)}
	b.PowerMeter = &catalog.PowerMeter{Identity: catalog.Identity{ID: "PM"}, MaximumInput: rf.DBm(10),
		Floor: rf.DBm(-60)}
	b.Amplifier.Compression = curve.Flat(rf.DBm(50), 100*rf.Kilohertz, 100*rf.Megahertz, "flat")
	c.Chain = chain.New(b)
}

// Ratings by hand: reverse power 50 W = 47.0 dBm at the crest; clamp 10 W = 40.0 dBm mean. AM 80 %, carrier
// held: crest 5.1 dB above the carrier, mean 1.2 dB above it (10·log10(1+0.8²/2)).
func TestMeasuredPowerCountsWithItsModulation(t *testing.T) {
	held := level.Modulation{Kind: level.AM, Depth: 0.8, Rate: rf.Kilohertz, Hold: level.CarrierHeld}
	peak := held
	peak.Hold = level.PeakHeld
	for _, c := range []struct {
		what             string
		forward, reverse rf.Power
		mod              level.Modulation
		trips            bool
	}{
		{"reverse power 3 dB below the rating, whose crest will be 2.1 dB above", rf.DBm(38), rf.DBm(44), held, true},
		{"reverse power 6 dB below the rating", rf.DBm(38), rf.DBm(41), held, false},
		{"reverse power 3 dB below the rating, peak held", rf.DBm(38), rf.DBm(44), peak, false},
		{"forward power 0.6 dB below the rating, whose mean will be 0.6 dB above", rf.DBm(39.4), rf.DBm(30),
			held, true},
		{"forward power 0.6 dB below the rating, peak held", rf.DBm(39.4), rf.DBm(30), peak, false},
		{"a forward port that is overloaded", rf.DBm(60).WithBound(rf.AtLeast), rf.DBm(30), level.Modulation{}, true},
		{"a reverse port that is overloaded", rf.DBm(30), rf.DBm(20).WithBound(rf.AtLeast), level.Modulation{}, true},
		{"ports at the meter's floor", rf.DBm(-10).WithBound(rf.AtMost), rf.DBm(-10).WithBound(rf.AtMost), held, false},
	} {
		g, _ := newGuard(metered)
		err := g.Measured(guard.Measurement{Frequency: 10 * rf.Megahertz, Drive: rf.DBm(-1), Forward: c.forward,
			Reverse: c.reverse,
			Crest:   max(0, c.mod.CrestOverLevel()), Mean: max(0, c.mod.CarrierOverLevel()+c.mod.MeanOverCarrier())})
		if tripped := errors.Is(err, guard.ErrTripped); tripped != c.trips {
			t.Errorf("%s: tripped %t, want %t: %v", c.what, tripped, c.trips, err)
		}
	}
}

// stuckSource is one whose calls ignore their context and do not come back.
type stuckSource struct{ until chan struct{} }

func (s stuckSource) OutputOff(context.Context) error { <-s.until; return nil }
func (s stuckSource) Minimum(context.Context) error   { <-s.until; return nil }
func (s stuckSource) State(context.Context) (guard.SourceState, error) {
	<-s.until
	return guard.SourceState{}, nil
}

func TestACallThatDoesNotComeBackKeepsNothingElseFromBeingSilenced(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		source, amplifier := stuckSource{make(chan struct{})}, &fakeAmplifier{log: &[]string{}, on: true}
		g := guard.New(guard.Config{Chain: chain.New(bench()), Source: source, Amplifier: amplifier,
			Witness: fakeWitness{quiet: true}})
		began := time.Now()
		rep := g.Silence(t.Context(), "test")
		if took := time.Since(began); took > 12*time.Second {
			t.Errorf("silencing took %v", took)
		}
		if amplifier.on {
			t.Error("the amplifier still operates")
		}
		if rep.Quiet || !strings.Contains(rep.How,
			"source output off, source to minimum, source read back: the call to the instrument does not come back") {
			t.Errorf("%+v", rep)
		}
		close(source.until)
	})
}

// dueWatcher notes signs of life of the engine.
type dueWatcher struct {
	due   time.Time
	worst time.Duration
}

func (w *dueWatcher) Alive(within time.Duration) {
	if now := time.Now(); !w.due.IsZero() && now.After(w.due) {
		w.worst = max(w.worst, now.Sub(w.due))
	}
	w.due = time.Time{}
	if within > 0 {
		w.due = time.Now().Add(within)
	}
}
func (w *dueWatcher) Check() error          { return nil }
func (w *dueWatcher) Gone() <-chan struct{} { return nil }
func (w *dueWatcher) At(rf.Frequency)       {}

// Silencing lingers for longer than the dead-man's time; while it goes well nobody has to take over.
func TestSilencingIsASignOfLifeWhileItGoesWell(t *testing.T) {
	for name, want := range map[string]bool{"well": false, "not well": true} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				w := &dueWatcher{}
				g, _ := newGuard(func(c *guard.Config) {
					c.DeadMan, c.Watcher = 500*time.Millisecond, w
					c.Source.(*fakeSource).stuck = want
				})
				g.Arm()
				g.Suspect()
				g.Silence(t.Context(), "test")
				g.Disarm()
				if late := w.worst > 0; late != want {
					t.Errorf("a sign of life was %v late", w.worst)
				}
				if !w.due.IsZero() {
					t.Error("a sign of life is due after disarming")
				}
			})
		})
	}
}
