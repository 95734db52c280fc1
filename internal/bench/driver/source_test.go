package driver_test

import (
	"context"
	"errors"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"pgregory.net/rapid"

	"provoke/internal/bench/driver"
	"provoke/internal/bench/guard"
	"provoke/internal/bench/scpi"
	"provoke/internal/bench/simbench"
	"provoke/internal/files/catalog"
	"provoke/internal/model/level"
	"provoke/internal/units/rf"
)

// talk keeps what was said.
type talk struct {
	mu    sync.Mutex
	lines []string
}

func (k *talk) hear(e scpi.Exchange) {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.lines = append(k.lines, string(e.Direction)+" "+e.Text)
}

// sent returns the messages sent since the last call.
func (k *talk) sent() []string {
	k.mu.Lock()
	defer k.mu.Unlock()
	var out []string
	for _, l := range k.lines {
		if strings.HasPrefix(l, "> ") {
			out = append(out, l[2:])
		}
	}
	k.lines = nil
	return out
}

// on returns options that reach a face of a bench, and what is said.
func on(b *simbench.Bench, face string) (driver.Options, *talk) {
	k := &talk{}
	return driver.Options{Trace: k.hear, Dial: func(ctx context.Context, _ string) (io.ReadWriteCloser,
		error) {
		return b.Dial(ctx, face)
	}}, k
}

// byHand sends messages to a face as a person at its front panel would.
func byHand(t *testing.T, b *simbench.Bench, face string, messages ...string) {
	t.Helper()
	c := scpi.New(scpi.Options{Dial: scpi.Streams(func(ctx context.Context) (io.ReadWriteCloser,
		error) {
		return b.Dial(ctx, face)
	})})
	defer c.Close()
	for _, m := range messages {
		must(t, c.Set(t.Context(), m))
	}
}

func newBench(t *testing.T, c simbench.Config) *simbench.Bench {
	b := simbench.New(c)
	t.Cleanup(func() { b.Close() })
	return b
}

func openSource(t *testing.T, spec catalog.Source, o driver.Options) driver.Source {
	t.Helper()
	s, err := driver.OpenSource(t.Context(), spec, o)
	must(t, err)
	t.Cleanup(func() { s.Close() })
	return s
}

// front is a signal generator's front panel: what the generic commands do to it.
type front struct {
	dbm       float64
	on        bool
	am, pulse bool
	depth     float64
}

func (f *front) do(command string) {
	head, arg, _ := strings.Cut(command, " ")
	x, _ := strconv.ParseFloat(arg, 64)
	switch head {
	case "POW":
		f.dbm = x
	case "OUTP":
		f.on = x == 1
	case "AM:STAT":
		f.am = x == 1
	case "AM:DEPT":
		f.depth = x / 100
	case "PULM:STAT":
		f.pulse = x == 1
	}
}

// crest is the level at the crest of the envelope in dBm.
func (f *front) crest() float64 {
	switch {
	case !f.on:
		return math.Inf(-1)
	case f.am:
		return f.dbm + 20*math.Log10(1+f.depth)
	}
	return f.dbm
}

func drawSetting(r *rapid.T, name string) guard.Setting {
	m := rapid.SampledFrom([]level.Modulation{{Kind: level.CW},
		{Kind: level.AM, Depth: 0.8, Rate: 1000}, {Kind: level.AM, Depth: 0.3, Rate: 400},
		{Kind: level.Pulse, Duty: 0.1, Rate: 200}}).Draw(r, name+" modulation")
	return guard.Setting{
		Frequency:  rf.Frequency(rapid.SampledFrom([]float64{1e6, 27.12e6}).Draw(r, name+" frequency")),
		Level:      rf.DBm(float64(rapid.IntRange(-100, 20).Draw(r, name+" level"))),
		Output:     rapid.Bool().Draw(r, name+" output"),
		Modulation: m,
	}
}

func TestNoStepInsideAnApplyIsLouderThanTheLouderOfOldAndNew(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		from, to := drawSetting(r, "from"), drawSetting(r, "to")
		f := front{dbm: from.Level.In(), on: from.Output, am: from.Modulation.Kind == level.AM,
			pulse: from.Modulation.Kind == level.Pulse, depth: float64(from.Modulation.Depth)}
		before := f.crest()
		var steps []float64
		for _, message := range driver.Ordered(from, to) {
			for _, c := range message {
				f.do(c)
				steps = append(steps, f.crest())
			}
		}
		after := f.crest()
		for i, c := range steps {
			if c > math.Max(before, after)+1e-9 {
				r.Fatalf("step %d is at %.2f dBm, before %.2f, after %.2f: %v", i, c, before, after,
					driver.Ordered(from, to))
			}
		}
		want := front{dbm: to.Level.In(), on: to.Output, am: to.Modulation.Kind == level.AM,
			pulse: to.Modulation.Kind == level.Pulse, depth: float64(to.Modulation.Depth)}
		if math.Abs(f.crest()-want.crest()) > 1e-9 && f.crest() != want.crest() || f.pulse != want.pulse ||
			f.dbm != want.dbm {
			r.Fatalf("ends at %+v, want %+v", f, want)
		}
	})
}

func TestARefusedCommandNeverLeavesTheOutputLouderThanOldOrNew(t *testing.T) {
	// An instrument that refuses one command of a message and carries out the rest: the driver sees the
	// error before the next message, so only one message at a time can be carried out in part.
	rapid.Check(t, func(r *rapid.T) {
		from, to := drawSetting(r, "from"), drawSetting(r, "to")
		f := front{dbm: from.Level.In(), on: from.Output, am: from.Modulation.Kind == level.AM,
			pulse: from.Modulation.Kind == level.Pulse, depth: float64(from.Modulation.Depth)}
		before := f.crest()
		end := front{dbm: to.Level.In(), on: to.Output, am: to.Modulation.Kind == level.AM,
			depth: float64(to.Modulation.Depth)}
		for _, message := range driver.Ordered(from, to) {
			refused := rapid.IntRange(0, len(message)).Draw(r, "refused")
			for i, c := range message {
				if i != refused {
					f.do(c)
				}
			}
			if refused < len(message) {
				break
			}
		}
		if f.crest() > math.Max(before, end.crest())+1e-9 {
			r.Fatalf("ends at %.2f dBm, before %.2f, wanted %.2f: %v", f.crest(), before, end.crest(),
				driver.Ordered(from, to))
		}
	})
}

func TestDBmFromPeakToPeakVolts(t *testing.T) {
	// check_values.csv G01 to G07 (the 0.2, 0.6325, 2 and 10 Vpp cases agree with a published generator
	// manual's table) and G09, the high-Z display trap: 2 Vpp shown is 1 Vpp into 50 Ω.
	for _, c := range []struct {
		volts string
		load  string
		dBm   float64
	}{
		{"0.6", "50", -0.4575749056}, {"0.632455", "50", 0}, {"1", "50", 3.979400087}, {"2", "50", 10},
		{"10", "50", 23.97940009}, {"0.2", "50", -10}, {"2", "INF", 3.979400087}, {"20", "INF", 23.97940009},
	} {
		b := newBench(t, simbench.Config{})
		byHand(t, b, "source", "OUTP:LOAD "+c.load, "VOLT "+c.volts)
		o, _ := on(b, "source")
		spec := functionGenerator(catalog.Load50)
		if c.load == "INF" {
			spec.Load = catalog.LoadHighZ
		}
		state, err := openSource(t, spec, o).State(t.Context())
		must(t, err)
		if d := math.Abs(state.Level.In() - c.dBm); d > 0.001 {
			t.Errorf("%s Vpp at %s reads as %s, want %.4f dBm", c.volts, c.load, state.Level.Text(4), c.dBm)
		}
	}
}

func TestTheNumberSentDoublesAtHighImpedance(t *testing.T) {
	// check_values.csv G08: 0 dBm is 0.632455532 Vpp into 50 Ω; the open-circuit voltage is the double.
	for load, want := range map[catalog.LoadSetting]string{catalog.Load50: "VOLT 0.6324555;",
		catalog.LoadHighZ: "VOLT 1.264911;"} {
		b := newBench(t, simbench.Config{})
		if load == catalog.LoadHighZ {
			byHand(t, b, "source", "OUTP:LOAD INF")
		}
		o, k := on(b, "source")
		s := openSource(t, functionGenerator(load), o)
		must(t, driver.ApplySetting(t.Context(), s, guard.Setting{Frequency: rf.Megahertz, Level: rf.DBm(0),
			Output: true}))
		if all := strings.Join(k.sent(), "\n"); !strings.Contains(all, want) {
			t.Errorf("%s: sent\n%s\nwant %s", load, all, want)
		}
		// What the simulated bench has at the generator's output is independent of how it is shown.
		state, err := s.State(t.Context())
		must(t, err)
		if math.Abs(state.Level.In()) > 0.005 {
			t.Errorf("%s: reads back as %s", load, state.Level.Text(3))
		}
	}
}

func TestAGeneratorSetForAnotherLoadIsRefusedButCanBeSilenced(t *testing.T) {
	b := newBench(t, simbench.Config{})
	byHand(t, b, "source", "OUTP:LOAD INF", "VOLT 0.2", "OUTP 1")
	o, k := on(b, "source")
	_, err := driver.OpenSource(t.Context(), functionGenerator(catalog.Load50), o)
	var e *driver.SettingError
	if !errors.As(err, &e) || !strings.Contains(err.Error(), "source GEN1") || !strings.Contains(err.Error(), "6 dB") {
		t.Fatalf("got %v", err)
	}
	k.sent()
	o.ForSilencing = true
	s := openSource(t, functionGenerator(catalog.Load50), o)
	if err := driver.ApplySetting(t.Context(), s, guard.Setting{Frequency: rf.Megahertz, Level: rf.DBm(-40),
		Output: true}); !errors.As(err, &e) {
		t.Errorf("raised in spite of the load: %v", err)
	}
	if err := s.Lower(t.Context(), rf.DBm(-40)); !errors.As(err, &e) {
		t.Errorf("lowered in spite of the load: %v", err)
	}
	for _, m := range k.sent() {
		if strings.Contains(m, "VOLT 0") || strings.Contains(m, "OUTP 1") {
			t.Errorf("sent %s", m)
		}
	}
	must(t, s.OutputOff(t.Context()))
	must(t, s.Minimum(t.Context()))
	state, err := s.State(t.Context())
	must(t, err)
	if state.Output || state.Level.Exceeds(rf.DBm(-55.9)) {
		t.Errorf("silenced: %v at %v", state.Output, state.Level)
	}
}

func TestMinimumIsRightWhateverLoadAndUnitTheSourceIsSetFor(t *testing.T) {
	for _, c := range []struct {
		spec    catalog.LoadSetting
		by      []string
		generic string
	}{
		{catalog.Load50, []string{"OUTP:LOAD INF"}, "set for high-Z, the bench file says 50 Ω"},
		{catalog.LoadHighZ, []string{"OUTP:LOAD 50"}, "set for 50 Ω, the bench file says high-Z"},
		{catalog.Load50, []string{"VOLT:UNIT VRMS"}, "set for volts r.m.s."},
		{catalog.Load50, []string{"VOLT:UNIT DBM"}, "set for dBm"},
	} {
		b := newBench(t, simbench.Config{})
		byHand(t, b, "source", append(c.by, "VOLT MAX")...)
		o, _ := on(b, "source")
		o.ForSilencing = true
		s := openSource(t, functionGenerator(c.spec), o)
		if err := s.Minimum(t.Context()); err != nil {
			t.Errorf("%s: %v", c.generic, err)
		}
		state, err := s.State(t.Context())
		if err != nil || state.Level.Exceeds(rf.DBm(-55.9)) {
			t.Errorf("%s: at %v, %v", c.generic, state.Level, err)
		}
	}
}

func TestALevelIsRoundedDownAndNeverClipped(t *testing.T) {
	spec := signalGenerator()
	spec.Resolution, spec.Minimum, spec.Maximum = 0.1, rf.DBm(-99.95), rf.DBm(13)
	for _, c := range []struct {
		ask, want float64
		out       bool
	}{
		{10, 10, false}, {9.9999999999, 10, false}, {9.99, 9.9, false}, {-20.01, -20.1, false}, {-20.1, -20.1, false},
		{-99.95, -99.95, false}, {-99.94, -99.95, false}, {13, 13, false},
		{13.001, 0, true}, {-99.96, 0, true},
	} {
		got, err := driver.Settable(spec, rf.DBm(c.ask))
		if c.out {
			if !errors.Is(err, driver.ErrOutOfRange) {
				t.Errorf("%v dBm: %v, %v; want an error", c.ask, got, err)
			}
			continue
		}
		if err != nil || math.Abs(got.In()-c.want) > 1e-9 {
			t.Errorf("%v dBm: %s, %v; want %v dBm", c.ask, got.Text(3), err, c.want)
		}
	}
	for _, p := range []rf.Power{{}, rf.Off[rf.Watt](), rf.DBm(0).WithBound(rf.AtMost)} {
		if _, err := driver.Settable(spec, p); !errors.Is(err, driver.ErrOutOfRange) {
			t.Errorf("%v: %v", p, err)
		}
	}
	rapid.Check(t, func(r *rapid.T) {
		spec.Resolution = rf.Gain(rapid.SampledFrom([]float64{0.01, 0.1, 0.5, 1}).Draw(r, "resolution"))
		ask := rf.DBm(rapid.Float64Range(-99.9, 13).Draw(r, "level"))
		got, err := driver.Settable(spec, ask)
		d, _ := ask.Minus(got)
		if err != nil || d < -1e-5*spec.Resolution || d >= spec.Resolution {
			r.Fatalf("%s became %s, %v", ask.Text(4), got.Text(4), err)
		}
	})
}

func TestWhatTheSourceCannotDoIsRefusedAndNothingIsSent(t *testing.T) {
	b := newBench(t, simbench.Config{Generator: simbench.SignalGenerator})
	o, k := on(b, "source")
	s := openSource(t, signalGenerator(), o)
	good := guard.Setting{Frequency: rf.Megahertz, Level: rf.DBm(-30), Output: true}
	for name, change := range map[string]func(*guard.Setting){
		"level too high":   func(g *guard.Setting) { g.Level = rf.DBm(24) },
		"level too low":    func(g *guard.Setting) { g.Level = rf.DBm(-101) },
		"no level":         func(g *guard.Setting) { g.Level = rf.Power{} },
		"frequency":        func(g *guard.Setting) { g.Frequency = 200 * rf.Megahertz },
		"no frequency":     func(g *guard.Setting) { g.Frequency = 0 },
		"AM without depth": func(g *guard.Setting) { g.Modulation = level.Modulation{Kind: level.AM, Rate: 1000} },
		"AM beyond 100 %": func(g *guard.Setting) {
			g.Modulation = level.Modulation{Kind: level.AM, Depth: 1.2,
				Rate: 1000}
		},
		"pulse of no rate": func(g *guard.Setting) { g.Modulation = level.Modulation{Kind: level.Pulse, Duty: 0.5} },
		"FM":               func(g *guard.Setting) { g.Modulation = level.Modulation{Kind: "FM", Rate: 1000} },
	} {
		bad := good
		change(&bad)
		k.sent()
		if err := driver.ApplySetting(t.Context(), s, bad); !errors.Is(err, driver.ErrOutOfRange) {
			t.Errorf("%s: %v", name, err)
		}
		if m := k.sent(); len(m) != 0 {
			t.Errorf("%s: sent %q", name, m)
		}
	}
}

func TestAPermissionThatNoGuardMadeRaisesNothing(t *testing.T) {
	b := newBench(t, simbench.Config{})
	o, k := on(b, "source")
	s := openSource(t, functionGenerator(catalog.Load50), o)
	k.sent()
	if err := s.Apply(t.Context(), guard.Cleared{}); !errors.Is(err, guard.ErrRefused) {
		t.Errorf("got %v", err)
	}
	oa, ka := on(b, "amplifier")
	a, err := driver.OpenAmplifier(t.Context(), catalog.Amplifier{Identity: catalog.Identity{ID: "AMP1"},
		Connection: catalog.Connection{Address: address}}, oa)
	must(t, err)
	defer a.Close()
	ka.sent()
	if err := a.Operate(t.Context(), guard.Cleared{}); !errors.Is(err, guard.ErrRefused) {
		t.Errorf("got %v", err)
	}
	if m := append(k.sent(), ka.sent()...); len(m) != 0 {
		t.Errorf("sent %q", m)
	}
}

func TestLowerOnlyLowers(t *testing.T) {
	b := newBench(t, simbench.Config{Generator: simbench.SignalGenerator})
	o, _ := on(b, "source")
	s := openSource(t, signalGenerator(), o)
	must(t, driver.ApplySetting(t.Context(), s, guard.Setting{Frequency: rf.Megahertz, Level: rf.DBm(-30),
		Output: true}))
	for _, up := range []float64{-29.9, 0} {
		if err := s.Lower(t.Context(), rf.DBm(up)); !errors.Is(err, driver.ErrWouldRaise) {
			t.Errorf("lower from -30 to %v dBm: %v", up, err)
		}
	}
	must(t, s.Lower(t.Context(), rf.DBm(-30)))
	must(t, s.Lower(t.Context(), rf.DBm(-40)))
	if err := s.Lower(t.Context(), rf.DBm(-35)); !errors.Is(err, driver.ErrWouldRaise) {
		t.Errorf("back up to -35 dBm: %v", err)
	}
}

func TestRestTakesAmplitudeModulationOffAndLeavesAPulseOn(t *testing.T) {
	b := newBench(t, simbench.Config{Generator: simbench.SignalGenerator})
	o, _ := on(b, "source")
	s := openSource(t, signalGenerator(), o)
	for _, c := range []struct{ on, left level.Modulation }{
		{level.Modulation{Kind: level.AM, Depth: 0.8, Rate: 1000}, level.Modulation{Kind: level.CW}},
		{level.Modulation{Kind: level.Pulse, Duty: 0.1, Rate: 200},
			level.Modulation{Kind: level.Pulse, Duty: 0.1, Rate: 200}},
	} {
		must(t, driver.ApplySetting(t.Context(), s, guard.Setting{Frequency: rf.Megahertz, Level: rf.DBm(-30),
			Output: true, Modulation: c.on}))
		must(t, s.Rest(t.Context(), rf.DBm(-50)))
		state, err := s.State(t.Context())
		must(t, err)
		if d, _ := state.Level.Minus(rf.DBm(-50)); state.Modulation != c.left || math.Abs(d.DB()) > 0.02 ||
			!state.Output {
			t.Errorf("after %+v it rests at %+v", c.on, state.Setting)
		}
		if err := s.Rest(t.Context(), rf.DBm(-40)); !errors.Is(err, driver.ErrWouldRaise) {
			t.Errorf("rest went up: %v", err)
		}
	}
	must(t, s.OutputOff(t.Context()))
}

func TestTheFirstUseOfAnOutputIsConfirmedBeforeItGoesOn(t *testing.T) {
	b := newBench(t, simbench.Config{Generator: simbench.SignalGenerator})
	byHand(t, b, "source", "POW 20")
	o, k := on(b, "source")
	s := openSource(t, signalGenerator(), o)
	must(t, b.Inject("source", simbench.Fault{Kind: simbench.FaultError, Only: "POW"}))
	err := driver.ApplySetting(t.Context(), s, guard.Setting{Frequency: rf.Megahertz, Level: rf.DBm(-30), Output: true})
	var e *scpi.InstrumentError
	if !errors.As(err, &e) {
		t.Errorf("got %v", err)
	}
	if b.State().On {
		t.Errorf("the output went on at an old level of 20 dBm: %q", k.sent())
	}
}

func TestARebootedSourceIsReadBackBeforeItIsRaised(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, simbench.Config{Generator: simbench.SignalGenerator})
		o, k := on(b, "source")
		s := openSource(t, signalGenerator(), o)
		g := guard.Setting{Frequency: 10 * rf.Megahertz, Level: rf.DBm(-30), Output: true}
		must(t, driver.ApplySetting(t.Context(), s, g))
		must(t, b.Inject("source", simbench.Fault{Kind: simbench.FaultReboots}))
		taken := 0
		take := func() (guard.Setting, error) { taken++; return g, nil }
		if err := driver.ApplyTaking(t.Context(), s, take); !errors.Is(err, scpi.ErrClosed) {
			t.Fatalf("got %v", err)
		}
		k.sent()
		must(t, driver.ApplyTaking(t.Context(), s, take))
		m := k.sent()
		if len(m) != 4 || m[0] != "*CLS" || !strings.HasPrefix(m[1], "*OPC?;:FREQ?") || m[3][:6] != "OUTP 1" {
			t.Errorf("after the reboot: %q", m)
		}
		if st := b.State(); !st.On || st.Frequency != 10e6 || taken != 2 {
			t.Errorf("bench %+v, %d permissions taken", st, taken)
		}
	})
}

func TestNoPermissionIsUsedUpWhileTheSourceDoesNotAnswer(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, simbench.Config{})
		o, _ := on(b, "source")
		s := openSource(t, functionGenerator(catalog.Load50), o)
		must(t, b.Inject("source", simbench.Fault{Kind: simbench.FaultCloses}))
		s.State(t.Context())
		b.Clear("source")
		must(t, b.Inject("source", simbench.Fault{Kind: simbench.FaultDeaf}))
		taken := 0
		err := driver.ApplyTaking(t.Context(), s, func() (guard.Setting, error) {
			taken++
			return guard.Setting{},
				nil
		})
		if !errors.Is(err, scpi.ErrTimeout) || taken != 0 {
			t.Errorf("%v, %d taken", err, taken)
		}
	})
}

func TestASourceThatRoundsWhatItIsToldIsNoticed(t *testing.T) {
	b := newBench(t, simbench.Config{Generator: simbench.SignalGenerator})
	o, _ := on(b, "source")
	spec := signalGenerator()
	s := openSource(t, spec, o)
	g := guard.Setting{Frequency: rf.Megahertz, Level: rf.DBm(-30), Output: true}
	must(t, driver.ApplySetting(t.Context(), s, g))
	must(t, b.Inject("source", simbench.Fault{Kind: simbench.FaultActsLate, Delay: time.Hour}))
	g.Level = rf.DBm(-25)
	err := driver.ApplySetting(t.Context(), s, g)
	var e *driver.ReadBackError
	if !errors.As(err, &e) || e.Told != "-25.00 dBm" || e.Reads != "-30.00 dBm" {
		t.Errorf("got %v", err)
	}
}

func TestOutputOffIsSaidAgainWhenTheFirstTimeHasNoAnswer(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, simbench.Config{})
		o, _ := on(b, "source")
		s := openSource(t, functionGenerator(catalog.Load50), o)
		must(t, driver.ApplySetting(t.Context(), s, guard.Setting{Frequency: rf.Megahertz, Level: rf.DBm(-30),
			Output: true}))
		must(t, b.Inject("source", simbench.Fault{Kind: simbench.FaultDeaf, Only: "SYST:ERR?"}))
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		must(t, s.OutputOff(ctx))
		if b.State().On {
			t.Error("the output is on")
		}
	})
}

func TestOutputOffOfADeafSourceEndsWithItsContextAndIsAnError(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, simbench.Config{})
		o, _ := on(b, "source")
		s := openSource(t, functionGenerator(catalog.Load50), o)
		must(t, b.Inject("source", simbench.Fault{Kind: simbench.FaultDeaf}))
		hung := make(chan error)
		go func() { _, err := s.State(t.Context()); hung <- err }()
		synctest.Wait()
		began := time.Now()
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		if err := s.OutputOff(ctx); !errors.Is(err, scpi.ErrTimeout) {
			t.Errorf("got %v", err)
		}
		if d := time.Since(began); d > time.Second {
			t.Errorf("took %v", d)
		}
		<-hung
	})
}

func TestFaultsOfASourceNeverLookLikeSuccess(t *testing.T) {
	for _, f := range []simbench.FaultKind{simbench.FaultDeaf, simbench.FaultSilent, simbench.FaultLate,
		simbench.FaultActsNoAnswer,
		simbench.FaultGarbage, simbench.FaultCloses, simbench.FaultReboots, simbench.FaultError,
		simbench.FaultOverrange} {
		t.Run(string(f), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBench(t, simbench.Config{})
				o, k := on(b, "source")
				s := openSource(t, functionGenerator(catalog.Load50), o)
				g := guard.Setting{Frequency: rf.Megahertz, Level: rf.DBm(-30), Output: true}
				must(t, driver.ApplySetting(t.Context(), s, g))
				must(t, b.Inject("source", simbench.Fault{Kind: f, Delay: 3 * time.Second}))
				g.Level = rf.DBm(-20)
				err := driver.ApplySetting(t.Context(), s, g)
				if err == nil || !strings.Contains(err.Error(), "source GEN1 at TCPIP") {
					t.Errorf("apply: %v", err)
				}
				b.Clear("source")
				time.Sleep(5 * time.Second) // whatever is late arrives
				k.sent()
				must(t, driver.ApplySetting(t.Context(), s, g))
				if m := k.sent(); !slices.ContainsFunc(m,
					func(x string) bool { return strings.HasPrefix(x, "*OPC?;:FREQ?") }) {
					t.Errorf("raised without a look at the state after a fault: %q", m)
				}
				state, err := s.State(t.Context())
				must(t, err)
				if d, _ := state.Level.Minus(g.Level); math.Abs(d.DB()) > 0.02 || !state.Output {
					t.Errorf("state %v %v", state.Level, state.Output)
				}
			})
		})
	}
}
