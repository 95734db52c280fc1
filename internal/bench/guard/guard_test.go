package guard_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"provoke/internal/bench/guard"
	"provoke/internal/files/catalog"
	"provoke/internal/model/chain"
	"provoke/internal/model/level"
	"provoke/internal/units/curve"
	"provoke/internal/units/rf"

	"pgregory.net/rapid"
)

func flat(g rf.Gain) curve.Curve[rf.Gain] {
	return curve.Flat(g, 100*rf.Kilohertz, 100*rf.Megahertz, "flat, for the test")
}

// exactly is a figure without any uncertainty, so that the numbers stay round.
var exactly = catalog.Quality{Uncertainty: catalog.Uncertainty{Spread: catalog.SpreadRectangular}}

// bench is a chain with round numbers: 0 dBm at the generator is +40 dBm at the clamp and
// 40 + 73.0 − 7 = 106.0 dBµA in the jig.
func bench() *catalog.Bench {
	return &catalog.Bench{
		Source: catalog.Source{Identity: catalog.Identity{ID: "GEN"}, Uncertainty: exactly.Uncertainty,
			Band:    catalog.Band{Low: 100 * rf.Kilohertz, High: 100 * rf.Megahertz},
			Minimum: rf.DBm(-60), Maximum: rf.DBm(10), Resolution: 0.1, CountsIn: catalog.CountsDBm,
			MaximumReverse: rf.Watts(1)},
		Amplifier: &catalog.Amplifier{Identity: catalog.Identity{ID: "AMP"}, Quality: exactly,
			Band: catalog.Band{Low: 100 * rf.Kilohertz, High: 100 * rf.Megahertz},
			Gain: flat(40), Compression: curve.Flat(rf.DBm(50), 100*rf.Kilohertz, 100*rf.Megahertz, "flat"),
			Saturation:   rf.DBm(53),
			MaximumInput: rf.DBm(0), ReflectedLimit: rf.Watts(50), MaximumDuty: 1},
		Clamp: catalog.Clamp{Identity: catalog.Identity{ID: "CLAMP"}, Quality: exactly, InsertionLoss: flat(7),
			ReturnLoss: flat(3), MaximumForward: rf.Watts(10), MaximumDuty: 1, MaximumTime: rf.Duration(time.Hour)},
		Cable: catalog.Cable{MaximumCurrent: rf.Amperes(1), ExpectedLow: -20, ExpectedHigh: 10},
		Probe: &catalog.Probe{Identity: catalog.Identity{ID: "PROBE"},
			TransferImpedance: curve.Flat(rf.DBOhm(14), 100*rf.Kilohertz, 100*rf.Megahertz, "flat"),
			MaximumCurrent:    rf.Amperes(2)},
		ToAnalyser: []catalog.Passive{{Identity: catalog.Identity{ID: "PAD20"}, Kind: "pad", Loss: flat(20),
			MaximumPower: rf.Watts(2)}},
		Analyser: &catalog.Analyser{Identity: catalog.Identity{ID: "SA"},
			Band:         catalog.Band{Low: 9 * rf.Kilohertz, High: 1 * rf.Gigahertz},
			MaximumInput: rf.DBm(30), MixerLimit: rf.DBm(10), Floor: rf.DBm(-110)},
	}
}

// fakeSource remembers what it was told.
type fakeSource struct {
	log     *[]string
	on      bool
	deaf    bool // does nothing and answers nothing
	stuck   bool // answers, but its output stays on
	comesOn time.Time
}

func (f *fakeSource) call(what string) error {
	*f.log = append(*f.log, what)
	if f.deaf {
		return errors.New("no answer")
	}
	return nil
}

func (f *fakeSource) OutputOff(context.Context) error {
	err := f.call("source off")
	if err == nil && !f.stuck {
		f.on = false
	}
	return err
}
func (f *fakeSource) Minimum(context.Context) error { return f.call("source minimum") }
func (f *fakeSource) State(context.Context) (guard.SourceState, error) {
	err := f.call("source state")
	if !f.comesOn.IsZero() && !time.Now().Before(f.comesOn) {
		f.on, f.comesOn = true, time.Time{} // an abandoned "output on" arrives late
	}
	return guard.SourceState{Setting: guard.Setting{Output: f.on, Level: rf.DBm(-60)}, Settled: true}, err
}

type fakeAmplifier struct {
	log *[]string
	on  bool
}

func (f *fakeAmplifier) Standby(context.Context) error {
	*f.log = append(*f.log, "amplifier standby")
	f.on = false
	return nil
}
func (f *fakeAmplifier) Operating(context.Context) (bool, error) {
	*f.log = append(*f.log, "amplifier state")
	return f.on, nil
}

type fakeWitness struct {
	quiet bool
	err   error
}

func (f fakeWitness) Quiet(context.Context) (string, bool, error) { return "-90.0 dBm", f.quiet, f.err }

func newGuard(change func(*guard.Config)) (*guard.Guard, *[]string) {
	log := &[]string{}
	cfg := guard.Config{Chain: chain.New(bench()), Fixture: catalog.OnCable, Run: 1,
		Source: &fakeSource{log: log, on: true}, Amplifier: &fakeAmplifier{log: log, on: true}}
	if change != nil {
		change(&cfg)
	}
	return guard.New(cfg), log
}

func at(level float64) guard.Setting {
	return guard.Setting{Frequency: 10 * rf.Megahertz, Level: rf.DBm(level), Output: true}
}

var am80 = level.Modulation{Kind: level.AM, Depth: 0.8, Rate: 1 * rf.Kilohertz, Hold: level.CarrierHeld}

func TestNothingIsClearedBeforeArming(t *testing.T) {
	g, _ := newGuard(nil)
	if _, err := g.Clear(t.Context(), at(-40)); !errors.Is(err, guard.ErrRefused) {
		t.Fatalf("cleared without arming: %v", err)
	}
}

func TestPermissionIsGoodOnceForAShortTimeAndCannotBeForged(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g, _ := newGuard(func(c *guard.Config) { c.DeadMan = time.Hour })
		if err := g.Arm(); err != nil {
			t.Fatal(err)
		}
		defer g.Disarm()
		if _, err := (guard.Cleared{}).Take(); !errors.Is(err, guard.ErrRefused) {
			t.Errorf("a forged permission was taken: %v", err)
		}
		c, err := g.Clear(t.Context(), at(-40))
		if err != nil {
			t.Fatal(err)
		}
		s, err := c.Take()
		if err != nil || s != at(-40) {
			t.Fatalf("took %+v, %v", s, err)
		}
		if _, err := c.Take(); !errors.Is(err, guard.ErrRefused) {
			t.Errorf("a permission was used twice: %v", err)
		}
		old, _ := g.Clear(t.Context(), at(-40))
		time.Sleep(2*time.Second + time.Millisecond)
		if _, err := old.Take(); !errors.Is(err, guard.ErrRefused) {
			t.Errorf("a permission outlived its time: %v", err)
		}
		operate, err := g.ClearOperate(t.Context(), guard.SourceState{Setting: guard.Setting{Output: false}})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := operate.Take(); !errors.Is(err, guard.ErrRefused) {
			t.Errorf("a permission for the amplifier raised the source: %v", err)
		}
	})
}

func TestAmplifierIsNotClearedWhileTheSourceIsUp(t *testing.T) {
	g, _ := newGuard(nil)
	g.Arm()
	defer g.Disarm()
	if _, err := g.ClearOperate(t.Context(), guard.SourceState{Setting: at(-40)}); !errors.Is(err, guard.ErrRefused) {
		t.Errorf("cleared the amplifier with the source at −40 dBm: %v", err)
	}
	if _, err := g.ClearOperate(t.Context(), guard.SourceState{Setting: at(-60)}); err != nil {
		t.Errorf("the source's minimum is allowed: %v", err)
	}
}

func TestPeakOfAMCountsAgainstTheAmplifierInput(t *testing.T) {
	// 0 dBm peak input; 80 % AM raises the peak by 20·log10(1.8) = 5.105 dB (IEC 61000-4-6; check value G10).
	b := bench()
	b.Clamp.MaximumForward = rf.Watts(1000)
	b.Cable.MaximumCurrent = rf.Amperes(1000)
	b.Amplifier.ReflectedLimit = rf.Watts(1000)
	b.Probe.MaximumCurrent = rf.Amperes(1000)
	b.ToAnalyser[0].MaximumPower = rf.Watts(1000)
	b.Analyser.MaximumInput = rf.Watts(1000)
	b.Amplifier.Compression = curve.Flat(rf.DBm(80), 100*rf.Kilohertz, 100*rf.Megahertz, "flat")
	b.Amplifier.Saturation = rf.DBm(83)
	g, _ := newGuard(func(c *guard.Config) { c.Chain = chain.New(b) })
	g.Arm()
	defer g.Disarm()
	for _, c := range []struct {
		level float64
		mod   level.Modulation
		ok    bool
	}{
		{-0.01, level.Modulation{}, true},
		{0.01, level.Modulation{}, false},
		{-5.11, am80, true},
		{-5.10, am80, false},
	} {
		s := at(c.level)
		s.Modulation = c.mod
		_, err := g.Clear(t.Context(), s)
		if (err == nil) != c.ok {
			t.Errorf("%.2f dBm, %s: %v", c.level, c.mod.Kind, err)
		}
		if err != nil && (!errors.Is(err, guard.ErrRefused) || !strings.Contains(err.Error(), "amplifier input")) {
			t.Errorf("the refusal does not name the rating: %v", err)
		}
	}
}

func TestAnAbsentRatingForbids(t *testing.T) {
	for name, remove := range map[string]func(*catalog.Bench){
		"amplifier input": func(b *catalog.Bench) { b.Amplifier.MaximumInput = rf.Power{} },
		"clamp":           func(b *catalog.Bench) { b.Clamp.MaximumForward = rf.Power{} },
		"cable":           func(b *catalog.Bench) { b.Cable.MaximumCurrent = rf.Current{} },
		"probe":           func(b *catalog.Bench) { b.Probe.MaximumCurrent = rf.Current{} },
		"analyser":        func(b *catalog.Bench) { b.Analyser.MaximumInput = rf.Power{} },
		"pad":             func(b *catalog.Bench) { b.ToAnalyser[0].MaximumPower = rf.Power{} },
	} {
		b := bench()
		remove(b)
		g, _ := newGuard(func(c *guard.Config) { c.Chain = chain.New(b) })
		g.Arm()
		if _, err := g.Clear(t.Context(), at(-50)); !errors.Is(err, guard.ErrRefused) {
			t.Errorf("%s without a rating was cleared: %v", name, err)
		}
		g.Disarm()
	}
}

// steep is the loss of a clamp that takes 33 dB more at 1 MHz than at 10 MHz.
func steep(t *testing.T) curve.Curve[rf.Gain] {
	t.Helper()
	loss, err := curve.New([]curve.Point[rf.Gain]{{At: 100 * rf.Kilohertz, Value: 40},
		{At: 1 * rf.Megahertz, Value: 40}, {At: 10 * rf.Megahertz, Value: 7}, {At: 100 * rf.Megahertz, Value: 7}},
		"steep clamp")
	if err != nil {
		t.Fatal(err)
	}
	return loss
}

func TestFrequencyChangesOnlyFromALevelAllowedAtBoth(t *testing.T) {
	b := bench()
	b.Clamp.InsertionLoss = steep(t)
	b.Cable.MaximumCurrent = rf.DBuA(100)
	g, _ := newGuard(func(c *guard.Config) { c.Chain = chain.New(b) })
	g.Arm()
	defer g.Disarm()
	// At 1 MHz −5 dBm gives 35 + 73 − 40 + 10 (range) = 78 dBµA; at 10 MHz it would give 111 dBµA.
	low := guard.Setting{Frequency: 1 * rf.Megahertz, Level: rf.DBm(-5), Output: true}
	c, err := g.Clear(t.Context(), low)
	if err != nil {
		t.Fatal(err)
	}
	c.Take()
	high := guard.Setting{Frequency: 10 * rf.Megahertz, Level: rf.DBm(-20), Output: true}
	if _, err := g.Clear(t.Context(), high); !errors.Is(err, guard.ErrRefused) {
		t.Fatalf("changed frequency at a level that is too much for the new one: %v", err)
	}
	g.Lowered(rf.DBm(-20))
	if _, err := g.Clear(t.Context(), high); err != nil {
		t.Fatalf("after going down it is allowed: %v", err)
	}
}

func TestOpenOrUnreadableInterlockTrips(t *testing.T) {
	for _, c := range []struct {
		closed bool
		err    error
	}{{false, nil}, {true, errors.New("no answer")}} {
		var told []string
		g, _ := newGuard(func(cfg *guard.Config) {
			cfg.Interlock = func(context.Context) (bool, error) { return c.closed, c.err }
			cfg.Tripped = func(cause, by string) { told = append(told, cause) }
		})
		g.Arm()
		if _, err := g.Clear(t.Context(), at(-50)); !errors.Is(err, guard.ErrTripped) {
			t.Errorf("interlock %+v: %v", c, err)
		}
		if len(told) != 1 || !strings.Contains(told[0], "interlock") {
			t.Errorf("told %q", told)
		}
		if err := g.Arm(); !errors.Is(err, guard.ErrTripped) {
			t.Errorf("armed again after a trip: %v", err)
		}
		g.Disarm()
	}
}

func TestWhatIsMeasuredTrips(t *testing.T) {
	// Prediction at −20 dBm, 10 MHz on the cable: 20 dBm + 73.01 − 7 = 86.01 dBµA, high end +10 dB.
	for _, c := range []struct {
		name string
		m    guard.Measurement
		trip string
	}{
		{"as predicted", guard.Measurement{Current: rf.DBuA(86)}, ""},
		{"within the range and the allowance", guard.Measurement{Current: rf.DBuA(101.9)}, ""},
		{"above both", guard.Measurement{Current: rf.DBuA(102.2)}, "current probe"},
		{"at the floor is no evidence of too much", guard.Measurement{Current: rf.DBuA(110).WithBound(rf.AtMost)}, ""},
		{"overloaded", guard.Measurement{Current: rf.DBuA(80).WithBound(rf.AtLeast)}, "overloaded"},
		{"forward power over the clamp's rating", guard.Measurement{Forward: rf.Watts(10.1)}, "forward power"},
		{"forward power over the prediction", guard.Measurement{Forward: rf.DBm(26.2)}, "forward power"},
		{"reverse power", guard.Measurement{Reverse: rf.Watts(51)}, "reverse power"},
	} {
		g, _ := newGuard(nil)
		c.m.Frequency, c.m.Drive = 10*rf.Megahertz, rf.DBm(-20)
		err := g.Measured(c.m)
		if (err != nil) != (c.trip != "") || (err != nil && !strings.Contains(err.Error(), c.trip)) {
			t.Errorf("%s: %v", c.name, err)
		}
		if (g.Cause() != "") != (c.trip != "") {
			t.Errorf("%s: latch is %q", c.name, g.Cause())
		}
	}
}

func TestSilencingGoesThroughItsOrderWhateverFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		log := &[]string{}
		src := &fakeSource{log: log, on: true, deaf: true}
		g := guard.New(guard.Config{Chain: chain.New(bench()), Source: src,
			Amplifier: &fakeAmplifier{log: log, on: true}})
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		rep := g.Silence(ctx, "test")
		if rep.Quiet || !strings.HasPrefix(rep.How, "RF not known to be off") {
			t.Errorf("a deaf source was called quiet: %+v", rep)
		}
		want := "source off|amplifier standby|source minimum|source state|amplifier state"
		if got := strings.Join((*log)[:5], "|"); got != want {
			t.Errorf("order %s", got)
		}
		t.Logf("figure: silencing a deaf source gave up after %v (limit 5 s), %d calls", rep.Took, len(*log))
	})
}

func TestQuietRestsOnTheWitnessWhereThereIsOne(t *testing.T) {
	for _, c := range []struct {
		witness guard.Witness
		quiet   bool
		how     string
	}{
		{nil, true, "off by the instrument's word only"},
		{fakeWitness{quiet: true}, true, "measured at the floor"},
		{fakeWitness{quiet: false}, false, "RF not known to be off"},
		{fakeWitness{err: errors.New("no answer")},
			true, "off by the instrument's word only; the meter could not be read"},
	} {
		synctest.Test(t, func(t *testing.T) {
			g, _ := newGuard(func(cfg *guard.Config) { cfg.Witness = c.witness })
			rep := g.Silence(t.Context(), "test")
			if rep.Quiet != c.quiet || rep.Measured != (c.how == "measured at the floor") ||
				!strings.Contains(rep.How, c.how) {
				t.Errorf("%+v: %+v", c.witness, rep)
			}
		})
	}
}

func TestSilencingOutlastsACommandThatArrivesLate(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		log := &[]string{}
		src := &fakeSource{log: log, on: true, comesOn: time.Now().Add(200 * time.Millisecond)}
		g := guard.New(guard.Config{Chain: chain.New(bench()), Source: src})
		g.Suspect()
		rep := g.Silence(t.Context(), "test")
		if !rep.Quiet || src.on {
			t.Fatalf("the late command won: on %v, %+v", src.on, rep)
		}
		t.Logf("figure: quiet was believed %v after a command that arrived 200 ms late", rep.Took)
	})
}

// sharedSource may be looked at while another goroutine silences it.
type sharedSource struct {
	fakeSource
	off atomic.Bool
}

func (s *sharedSource) OutputOff(context.Context) error {
	s.off.Store(true)
	return nil
}

func (s *sharedSource) State(context.Context) (guard.SourceState, error) {
	return guard.SourceState{Setting: guard.Setting{Output: !s.off.Load(), Level: rf.DBm(-60)}, Settled: true}, nil
}

func TestDeadManSilencesWithinItsPeriod(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		src := &sharedSource{fakeSource: fakeSource{log: &[]string{}}}
		var told atomic.Value
		g := guard.New(guard.Config{Chain: chain.New(bench()), Source: src, DeadMan: 2 * time.Second,
			Tripped: func(cause, by string) { told.Store(by + ": " + cause) }})
		g.Arm()
		for range 5 { // fed, it stays quiet
			time.Sleep(1900 * time.Millisecond)
			g.Feed()
		}
		if src.off.Load() || told.Load() != nil {
			t.Fatal("tripped although it was fed")
		}
		begun := time.Now()
		for !src.off.Load() {
			time.Sleep(time.Millisecond)
		}
		took := time.Since(begun)
		if took > 2*time.Second+100*time.Millisecond {
			t.Errorf("RF off %v after the last sign of life", took)
		}
		t.Logf("figure: dead-man of 2 s had RF off after %v", took)
		g.Disarm()
		if s, _ := told.Load().(string); !strings.HasPrefix(s, "dead-man: ") {
			t.Errorf("told %q", s)
		}
	})
}

// TestNoSequenceGetsPastALimitOrATrip drives the guard with random requests and readings and
// checks what it lets through against ratings computed here by hand from the bench's round numbers.
func TestNoSequenceGetsPastALimitOrATrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		g, _ := newGuard(func(c *guard.Config) { c.DeadMan = time.Hour })
		g.Arm()
		defer g.Disarm()
		tripped := false
		var kept []guard.Cleared
		for range rapid.IntRange(1, 30).Draw(t, "n") {
			switch rapid.IntRange(0, 4).Draw(t, "what") {
			case 0, 1, 2:
				s := at(rapid.Float64Range(-70, 20).Draw(t, "level"))
				s.Frequency = rf.Frequency(rapid.Float64Range(5e4, 2e8).Draw(t, "f"))
				crest := 0.0
				if rapid.Bool().Draw(t, "am") {
					s.Modulation = am80
					crest = 5.105
				}
				c, err := g.Clear(context.Background(), s)
				if err != nil {
					continue
				}
				if tripped {
					t.Fatalf("cleared %v after a trip", s)
				}
				// amplifier input 0 dBm peak; clamp 10 W = 40 dBm mean, so drive ≤ 0 dBm less the mean's rise;
				// cable 1 A = 120 dBµA at the crest and the range's +10 dB: drive ≤ 120 − 10 − 106.0 = +4 dBm.
				if peak := s.Level.In() + crest; peak > 0.001 {
					t.Fatalf("cleared %v with crest %v dB into an input rated 0 dBm", s.Level, crest)
				}
				if s.Frequency < 100*rf.Kilohertz || s.Frequency > 100*rf.Megahertz {
					t.Fatalf("cleared at %v, outside the bench's band", s.Frequency)
				}
				kept = append(kept, c)
			case 3:
				g.Trip(fmt.Sprint("cause ", len(kept)), "test")
				tripped = true
			case 4:
				for _, c := range kept {
					if _, err := c.Take(); err == nil && tripped {
						t.Fatal("an old permission worked after a trip")
					}
				}
				kept = nil
			}
		}
	})
}
