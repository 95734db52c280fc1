package engine_test

import (
	"context"
	"errors"
	"math"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"provoke/internal/bench/driver"
	"provoke/internal/bench/dut"
	"provoke/internal/bench/guard"
	"provoke/internal/bench/simbench"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/run/engine"
	"provoke/internal/units/rf"
)

// Runs of one or two steps, each for one promise.

// spied is one call to an instrument, with what the source had been set to after it.
type spied struct {
	what  string // "source.Apply" and so on
	phase string
	at    time.Time
	guard.Setting
	setup driver.AnalyserSetup
}

// spy stands between a run and its instruments: it notes what is asked of them, takes time, and lets one call
// fail. What silencing asks is let through.
type spy struct {
	mu    sync.Mutex
	calls []spied
	phase string
	// fails is the number, from 1, of the call to the instrument named that fails with fault; 0 for none.
	instrument string
	fails, n   int
	failed     bool
	raised     bool // the source was set after a call had failed
	fault      error
	// takes is how long a call takes, by its name.
	takes map[string]time.Duration
	// before is called before a call; an error is what comes of it.
	before func(ctx context.Context, what string) error
}

var errPulled = errors.New("somebody pulled the cable")

// spyOn puts a spy on every instrument of the next run.
func (l *lab) spyOn() *spy {
	s := &spy{fault: errPulled}
	change, progress := l.change, l.progress
	l.change = func(c *engine.Config) {
		if change != nil {
			change(c)
		}
		if c.Rig.Source != nil {
			c.Rig.Source = &spySource{c.Rig.Source, s}
		}
		if c.Rig.Amplifier != nil {
			c.Rig.Amplifier = &spyAmplifier{c.Rig.Amplifier, s}
		}
		if c.Rig.Analyser != nil {
			c.Rig.Analyser = &spyAnalyser{c.Rig.Analyser, s}
		}
		if c.Rig.PowerMeter != nil {
			c.Rig.PowerMeter = &spyMeter{c.Rig.PowerMeter, s}
		}
		c.Progress = func(x engine.Status) {
			s.mu.Lock()
			s.phase = x.Phase
			s.mu.Unlock()
			if progress != nil {
				progress(x)
			}
		}
	}
	return s
}

func (s *spy) call(ctx context.Context, what string) error {
	s.mu.Lock()
	silencing := s.phase == "" || s.phase == "silencing" || s.phase == "quieting the bench"
	s.calls = append(s.calls, spied{what: what, phase: s.phase, at: time.Now()})
	fails := false
	if !silencing {
		if s.failed && what == "source.Apply" {
			s.raised = true
		}
		if s.instrument != "" && strings.HasPrefix(what, s.instrument) {
			s.n++
			fails = s.n == s.fails
			s.failed = s.failed || fails
		}
	}
	s.mu.Unlock()
	if fails {
		return s.fault
	}
	if silencing {
		return nil
	}
	if d := s.takes[what]; d > 0 {
		select {
		case <-time.After(d):
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	if s.before != nil {
		return s.before(ctx, what)
	}
	return nil
}

// in says whether the run is in a phase.
func (s *spy) in(phase string) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.phase == phase
}

// of returns the calls of a name in a phase; "" is any.
func (s *spy) of(what, phase string) (out []spied) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, c := range s.calls {
		if c.what == what && (phase == "" || c.phase == phase) {
			out = append(out, c)
		}
	}
	return out
}

type spySource struct {
	driver.Source
	s *spy
}

func (x *spySource) Apply(ctx context.Context, c guard.Cleared) error {
	if err := x.s.call(ctx, "source.Apply"); err != nil {
		return err
	}
	x.s.mu.Lock()
	i := len(x.s.calls) - 1
	for x.s.calls[i].what != "source.Apply" {
		i--
	}
	x.s.mu.Unlock()
	err := x.Source.Apply(ctx, c)
	if st, e := x.Source.State(ctx); e == nil {
		x.s.mu.Lock()
		x.s.calls[i].Setting = st.Setting
		x.s.mu.Unlock()
	}
	return err
}

func (x *spySource) Lower(ctx context.Context, to rf.Power) error {
	if err := x.s.call(ctx, "source.Lower"); err != nil {
		return err
	}
	return x.Source.Lower(ctx, to)
}

func (x *spySource) Rest(ctx context.Context, to rf.Power) error {
	if err := x.s.call(ctx, "source.Rest"); err != nil {
		return err
	}
	return x.Source.Rest(ctx, to)
}

func (x *spySource) OutputOff(ctx context.Context) error {
	if err := x.s.call(ctx, "source.OutputOff"); err != nil {
		return err
	}
	return x.Source.OutputOff(ctx)
}

func (x *spySource) State(ctx context.Context) (guard.SourceState, error) {
	if err := x.s.call(ctx, "source.State"); err != nil {
		return guard.SourceState{}, err
	}
	return x.Source.State(ctx)
}

func (x *spySource) Plain(ctx context.Context) ([]string, error) {
	if err := x.s.call(ctx, "source.Plain"); err != nil {
		return nil, err
	}
	return x.Source.(driver.Plainer).Plain(ctx)
}

func (x *spySource) Limit(ctx context.Context, most rf.Power) ([]string, error) {
	if err := x.s.call(ctx, "source.Limit"); err != nil {
		return nil, err
	}
	return x.Source.(driver.Limiter).Limit(ctx, most)
}

type spyAmplifier struct {
	driver.Amplifier
	s *spy
}

func (x *spyAmplifier) Operate(ctx context.Context, c guard.Cleared) error {
	if err := x.s.call(ctx, "amplifier.Operate"); err != nil {
		return err
	}
	return x.Amplifier.Operate(ctx, c)
}

func (x *spyAmplifier) State(ctx context.Context) (driver.AmplifierState, error) {
	if err := x.s.call(ctx, "amplifier.State"); err != nil {
		return driver.AmplifierState{}, err
	}
	return x.Amplifier.State(ctx)
}

type spyAnalyser struct {
	driver.Analyser
	s *spy
}

func (x *spyAnalyser) Setup(ctx context.Context, a driver.AnalyserSetup) error {
	if err := x.s.call(ctx, "analyser.Setup"); err != nil {
		return err
	}
	x.s.mu.Lock()
	for i := len(x.s.calls) - 1; ; i-- {
		if x.s.calls[i].what == "analyser.Setup" {
			x.s.calls[i].setup = a
			break
		}
	}
	x.s.mu.Unlock()
	return x.Analyser.Setup(ctx, a)
}

func (x *spyAnalyser) Read(ctx context.Context) (rf.Power, error) {
	if err := x.s.call(ctx, "analyser.Read"); err != nil {
		return rf.Power{}, err
	}
	return x.Analyser.Read(ctx)
}

type spyMeter struct {
	driver.PowerMeter
	s *spy
}

func (x *spyMeter) Read(ctx context.Context, f rf.Frequency) (forward, reverse rf.Power, err error) {
	if err := x.s.call(ctx, "power meter.Read"); err != nil {
		return rf.Power{}, rf.Power{}, err
	}
	return x.PowerMeter.Read(ctx, f)
}

const quick = "search: {onset: false}"

// onEveryCall lets one call to an instrument after the other fail, once, in a run of two steps. Whichever it is,
// the run ends with that very cause and RF off, nothing is raised any more, and no step is closed.
func onEveryCall(t *testing.T, instrument string, least int, text string) {
	for n := 1; ; n++ {
		ended := false
		inLab(t, simbench.Config{Seed: 2}, func(t *testing.T, l *lab) {
			s := l.spyOn()
			s.instrument, s.fails = instrument, n
			o := l.do(text)
			if ended = !s.failed; ended {
				if o.err != nil {
					t.Errorf("with no call failing: %v", o.err)
				}
				return
			}
			if !errors.Is(o.err, errPulled) || o.Verdict != event.Failed {
				t.Errorf("call %d failed: %q, %v", n, o.Verdict, o.err)
			}
			if s.raised {
				t.Errorf("call %d failed, and the source was set after it", n)
			}
			for _, r := range l.journal.records {
				if c, ok := r.Event.(event.StepClosed); ok {
					t.Errorf("call %d failed in the first step, and it was closed: %+v", n, c.Outcome)
				}
			}
			l.mustBeOff(o)
		})
		if t.Failed() {
			return
		}
		if ended {
			if n <= least {
				t.Errorf("%d calls to the %s were tried, at least %d are to be made", n-1, instrument, least)
			}
			return
		}
	}
}

func oneStep(more ...string) string {
	return planText("{list: [2 MHz]}", append(more, quick)...)
}

func TestAFaultOfTheSourceEndsTheRunWithItsCause(t *testing.T) {
	// State, Apply and OutputOff of the proof of off, two raises of first light, two of the response, the climb,
	// the modulation, and the end of the dwell; Plain and Limit before them.
	onEveryCall(t, "source", 14, oneStep())
}

func TestAFaultOfTheAmplifierEndsTheRunWithItsCause(t *testing.T) {
	onEveryCall(t, "amplifier", 6, oneStep())
}

func TestAFaultOfTheAnalyserEndsTheRunWithItsCause(t *testing.T) {
	onEveryCall(t, "analyser", 12, oneStep())
}

func TestAFaultOfThePowerMeterEndsTheRunWithItsCause(t *testing.T) {
	onEveryCall(t, "power meter", 5, oneStep())
}

// The phases of a run come in the order in which docs/safety.md tells arming.
func TestARunTellsWhatItIsDoing(t *testing.T) {
	inLab(t, simbench.Config{Seed: 2}, func(t *testing.T, l *lab) {
		var phases []string
		l.progress = func(s engine.Status) {
			if n := len(phases); n == 0 || phases[n-1] != s.Phase {
				phases = append(phases, s.Phase)
			}
		}
		o := l.do(oneStep())
		want := []string{"quieting the bench", "watching the product without RF", "arming", "proving that off works",
			"first light",
			"learning what the meters make of the modulation", "levelling", "modulating", "exposing", "silencing",
			"done"}
		if !slices.Equal(phases, want) || o.Verdict != event.Done {
			t.Errorf("%q with the phases\n%q, want\n%q", o.Verdict, phases, want)
		}
	})
}

// An instrument that answers every exchange leaves nothing that could still arrive: silencing does not wait. And
// the amplifier that fails to answer while it waits in standby, after a route was chosen, is no command on its way
// either.
func TestSilencingAfterAnsweredCommandsDoesNotLinger(t *testing.T) {
	inLab(t, simbench.Config{Seed: 2}, func(t *testing.T, l *lab) {
		l.linger = 3 * time.Second
		if o := l.do(oneStep()); o.err != nil || o.Safing.Took > time.Second {
			t.Errorf("silenced in %v: %v", o.Safing.Took, o.err)
		}
		l.edit = func(s string) string {
			return s + "switch: {id: SW1, address: \"" + l.sim.Address("interlock") + "\", route: \"3\"}\n"
		}
		l.reload()
		s := l.spyOn()
		s.before = func(_ context.Context, what string) error {
			if what == "amplifier.State" && s.in("proving that off works") {
				return errPulled
			}
			return nil
		}
		if o := l.do(oneStep()); !errors.Is(o.err, errPulled) || o.Safing.Took > time.Second {
			t.Errorf("silenced in %v: %v", o.Safing.Took, o.err)
		}
	})
}

// What the meters make of the modulation is learnt once; a dwell is then proved by readings in it, and the
// carrier is not read without its modulation at the end.
func TestADwellIsProvedWithoutTakingTheModulationOff(t *testing.T) {
	for _, without := range []string{"", "the power meter", "the analyser's answers"} {
		inLab(t, simbench.Config{Seed: 2}, func(t *testing.T, l *lab) {
			l.change = func(c *engine.Config) {
				if without != "" {
					c.Rig.PowerMeter = nil
				}
			}
			s := l.spyOn()
			o := l.do(planText("{list: [1 MHz, 2 MHz]}", quick))
			if o.err != nil || o.Verdict != event.Done {
				t.Fatalf("%q: %v", o.Verdict, o.err)
			}
			if n := len(s.of("source.Apply", "learning what the meters make of the modulation")); n != 2 {
				t.Errorf("without %s: %d settings to learn the response, want one without and one with modulation",
					without, n)
			}
			if n := len(s.of("source.Apply", "exposing")); n != 0 {
				t.Errorf("without %s: the source was set %d times in a dwell", without, n)
			}
			if n := len(s.of("source.Apply", "modulating")); n != 2 {
				t.Errorf("without %s: modulated %d times in two steps", without, n)
			}
		})
	}
}

// The analyser's reference level leaves 3 dB above the high end of what the budget expects, and with modulation what
// the crest adds: 20·log10(1 + 0.8) = 5.1 dB for AM of 80 %. At first light a person who reads by eye is told the
// range in which the reading has to lie.
func TestTheAnalyserIsSetUpWithRoomForTheCrest(t *testing.T) {
	inLab(t, simbench.Config{Seed: 2}, func(t *testing.T, l *lab) {
		s := l.spyOn()
		if o := l.do(oneStep()); o.err != nil {
			t.Fatal(o.err)
		}
		for phase, want := range map[string]float64{"proving that off works": 3, "levelling": 3, "exposing": 3 + 5.105,
			"learning what the meters make of the modulation": 3 + 5.105} {
			setups := s.of("analyser.Setup", phase)
			if len(setups) == 0 {
				t.Errorf("nothing was set up when %s", phase)
			}
			for _, c := range setups {
				if room, _ := c.setup.ReferenceLevel.Minus(c.setup.High); math.Abs(room.DB()-want) > 0.001 {
					t.Errorf("when %s the reference level leaves %v, want %.3f dB", phase, room.Text(3), want)
				}
			}
		}
		light := l.has("first-light")[0].(event.FirstLight)
		setup := s.of("analyser.Setup", "first light")[0].setup
		told, _ := setup.High.Minus(setup.Low)
		allowed, _ := light.High.Minus(light.Low)
		if math.Abs((told-allowed).DB()) > 0.001 || !setup.ReferenceLevel.Above(setup.High) {
			t.Errorf("first light may lie within %v, and the analyser was told a range of %v (reference %v, high %v)",
				allowed, told, setup.ReferenceLevel, setup.High)
		}
	})
}

// First light is made 20 dB below the first level, the first point settles for three times as long again as
// others, and where 20 dB would drown in the noise it is made nearer.
func TestFirstLightIsMadeFarBelowTheFirstLevel(t *testing.T) {
	for _, c := range []struct {
		level string
		below func(rf.Gain) bool
	}{
		{"iec-61000-4-6/level-2", func(g rf.Gain) bool { return g >= 20 && g < 20.2 }},
		{"58 dBµA", func(g rf.Gain) bool { return g >= 6 && g < 19.9 }},
	} {
		inLab(t, simbench.Config{Seed: 2}, func(t *testing.T, l *lab) {
			s := l.spyOn()
			text := strings.NewReplacer("iec-61000-4-6/level-2", c.level, "settle: 1 ms",
				"settle: 20 ms").Replace(oneStep())
			o := l.do(text)
			light := l.has("first-light")
			if len(light) != 1 {
				t.Fatalf("%q: %v", o.Verdict, o.err)
			}
			e := light[0].(event.FirstLight)
			if below, _ := o.run.Steps[0].Step.Point.Drive.Minus(e.Drive); !c.below(below) {
				t.Errorf("%s: first light %v below the first level's drive", c.level, below.Text(2))
			}
			floor := l.bench.Analyser.Floor
			setup := s.of("analyser.Setup", "first light")[0].setup
			if room, _ := setup.Low.Minus(floor); room < 11.8 {
				t.Errorf("%s: the low end of the budget lies %v above the analyser's floor, want 12 dB", c.level, room)
			}
			raised := s.of("source.Apply", "first light")
			if read := s.of("analyser.Read", "first light"); read[0].at.Sub(
				raised[len(raised)-1].at) < 4*20*time.Millisecond {
				t.Errorf("read %v after it was set: one settling time of 20 ms, and three more, are to pass",
					read[0].at.Sub(raised[len(raised)-1].at))
			}
		})
	}
}

// armed is what the run journalled at arming.
func (l *lab) armed() event.Armed {
	l.t.Helper()
	all := l.has("armed")
	if len(all) != 1 {
		l.t.Fatalf("armed %d times: %s", len(all), l.journal.kinds())
	}
	return all[0].(event.Armed)
}

// docs/safety.md allows 200 ms of a dwell off its level, two readings: instruments that answer at once are read every
// 100 ms, and slower ones as often as they answer. How soon an open interlock takes RF off counts the source in.
func TestHowOftenADwellIsReadIsMeasuredAtArming(t *testing.T) {
	for _, c := range []struct {
		what  string
		takes time.Duration
		every time.Duration
		says  string
	}{
		{"analyser.Read", 0, 100 * time.Millisecond, "the source in 0 s"},
		{"analyser.Read", 250 * time.Millisecond, 250 * time.Millisecond, "the source in 0 s"},
		{"power meter.Read", 300 * time.Millisecond, 300 * time.Millisecond, "the source in 0 s"},
		{"source.State", 120 * time.Millisecond, 120 * time.Millisecond, "the source in 120 ms"},
		{"amplifier.State", 130 * time.Millisecond, 130 * time.Millisecond, "the source in 0 s"},
	} {
		inLab(t, simbench.Config{Seed: 2}, func(t *testing.T, l *lab) {
			s := l.spyOn()
			s.takes = map[string]time.Duration{c.what: c.takes}
			if o := l.do(oneStep()); o.err != nil {
				t.Fatal(o.err)
			}
			if a := l.armed(); a.ReadEvery.Std() != c.every || !strings.Contains(a.Interlock, c.says) {
				t.Errorf("%s takes %v: a dwell is read every %v; %q", c.what, c.takes, a.ReadEvery, a.Interlock)
			}
		})
	}
}

// Instruments that take nearly as long as the dead-man waits are no hang: every call begins with a sign of life.
func TestInstrumentsNearlyAsSlowAsTheDeadManAreNoHang(t *testing.T) {
	inLab(t, simbench.Config{Seed: 2}, func(t *testing.T, l *lab) {
		s := l.spyOn()
		s.takes = map[string]time.Duration{"analyser.Read": 1700 * time.Millisecond,
			"power meter.Read": 1700 * time.Millisecond}
		o := l.do(strings.Replace(oneStep("dead_man: 2 s"), "settle: 1 ms", "settle: 310 ms", 1))
		if o.err != nil || o.Verdict != event.Done {
			t.Errorf("%q: %v", o.Verdict, o.err)
		}
	})
}

// With the peak held the carrier in the dwell is lower than the level by what the crest adds: 20·log10(1.8) = 5.1 dB.
func TestWithThePeakHeldTheCarrierIsLowerInTheDwell(t *testing.T) {
	inLab(t, simbench.Config{Seed: 2}, func(t *testing.T, l *lab) {
		s := l.spyOn()
		o := l.do(strings.Replace(oneStep(), "carrier held", "peak held", 1))
		if o.err != nil {
			t.Fatal(o.err)
		}
		on := s.of("source.Apply", "modulating")
		if len(on) != 1 {
			t.Fatalf("modulated %d times", len(on))
		}
		step := o.run.Steps[0]
		if d, _ := step.Drive.Minus(on[0].Level); math.Abs(d.DB()-5.105) > 0.03 {
			t.Errorf("the carrier is %v below the level's drive, want 5.1 dB", d.Text(2))
		}
		if !step.Highest.Known() || step.Current.Above(step.Highest) {
			t.Errorf("current %v, highest %v", step.Current, step.Highest)
		}
		if c := l.has("step-closed")[0].(event.StepClosed); !strings.Contains(c.Means, "peak held: carrier") {
			t.Errorf("the level means %q", c.Means)
		}
	})
}

// In constant drive a step so many decibels below the plan's drive is made with that drive; here the operator
// marks every step as an upset, so that the search goes all the way down.
func TestASearchInConstantDriveGoesDownByItsOffsets(t *testing.T) {
	inLab(t, simbench.Config{Seed: 3}, func(t *testing.T, l *lab) {
		marked := -1
		l.progress = func(s engine.Status) {
			if s.Phase == "exposing" && s.Done+s.Exposures != marked {
				marked = s.Done + s.Exposures
				l.operator <- engine.Command{Want: engine.Mark, Text: "flicker"}
			}
		}
		o := l.do(`provoke: plan 1
bench: bench.yaml
kind: exposure
mode: constant drive
drive: -30 dBm
grid:
  - {list: [2 MHz]}
modulation: CW
dwell: 20 ms
search: {recovery: false, range: 6 dB, resolution: 2 dB}
`)
		if o.err != nil || len(o.run.Steps) < 3 {
			t.Fatalf("%q, %d steps: %v", o.Verdict, len(o.run.Steps), o.err)
		}
		lowest := rf.Gain(0)
		for _, s := range o.run.Steps {
			want := rf.DBm(-30).Add(s.Step.Offset)
			lowest = min(lowest, s.Step.Offset)
			if d, _ := want.Minus(s.Drive); d < 0 || d > 0.11 || !s.Outcome.Upset { // rounded down to the source's step
				t.Errorf("a step at %v: drive %v, want %v; %+v", s.Step.Offset, s.Drive.Text(2), want.Text(2),
					s.Outcome)
			}
		}
		if lowest != -6 || o.Upsets != len(o.run.Steps) {
			t.Errorf("down to %v, %d upsets in %d steps", lowest, o.Upsets, len(o.run.Steps))
		}
	})
}

// While the reading is at the floor the level goes up in steps of 3 dB, and what is exact then is levelled on.
func TestOutOfTheFloorInStepsOfThreeDecibels(t *testing.T) {
	inLab(t, simbench.Config{Seed: 2}, func(t *testing.T, l *lab) {
		l.change = func(c *engine.Config) { c.Rig.Analyser = &floored{Analyser: c.Rig.Analyser, first: 3} }
		s := l.spyOn()
		o := l.do(planText("{list: [1 MHz, 2 MHz]}", quick))
		if o.err != nil {
			t.Fatal(o.err)
		}
		var levels []float64
		for _, c := range s.of("source.Apply", "levelling") {
			if c.Frequency == 2*rf.Megahertz {
				levels = append(levels, c.Level.In())
			}
		}
		if len(levels) < 4 {
			t.Fatalf("set to %v dBm", levels)
		}
		for i := 1; i < 4; i++ {
			if d := levels[i] - levels[i-1]; i < 3 && math.Abs(d-3) > 0.03 {
				t.Errorf("from %.2f to %.2f dBm with the reading at the floor", levels[i-1], levels[i])
			}
		}
		step := o.run.Steps[1]
		if over, _ := step.Current.Minus(step.Step.Point.Target); step.Limited != "" || over < 0 || over > 0.3 {
			t.Errorf("levelled to %v for %v: %q", step.Current, step.Step.Point.Target, step.Limited)
		}
	})
}

// floored is an analyser whose first readings above 1 MHz are bounds.
type floored struct {
	driver.Analyser
	first, n int
	f        rf.Frequency
}

func (a *floored) Setup(ctx context.Context, s driver.AnalyserSetup) error {
	a.f = s.Frequency
	return a.Analyser.Setup(ctx, s)
}

func (a *floored) Read(ctx context.Context) (rf.Power, error) {
	p, err := a.Analyser.Read(ctx)
	if a.f > rf.Megahertz {
		if a.n++; a.n <= a.first {
			p = p.WithBound(rf.AtMost)
		}
	}
	return p, err
}

// fell is a run of two dwells of 300 ms; in the second the analyser reads so much differently.
func (l *lab) fell(drift rf.Gain, modulation string, power bool) outcome {
	var dwelling atomic.Bool
	l.progress = func(s engine.Status) { dwelling.Store(s.Phase == "exposing" && s.Done == 1) }
	l.change = func(c *engine.Config) {
		c.Rig.Analyser = &driftingAnalyser{c.Rig.Analyser, drift, dwelling.Load}
		if !power {
			c.Rig.PowerMeter = nil
		}
	}
	return l.do(strings.NewReplacer("dwell: 60 ms", "dwell: 300 ms", "AM 80 % 1 kHz carrier held",
		modulation).Replace(planText("{list: [1 MHz, 2 MHz]}", quick)))
}

const modulated = "AM 80 % 1 kHz carrier held"

// A reading in a dwell 3 dB lower than what was measured just before is a step not held; the run goes on.
func TestALevelThatFallsInADwellIsNotHeld(t *testing.T) {
	for _, modulation := range []string{modulated, "CW"} {
		inLab(t, simbench.Config{Seed: 2}, func(t *testing.T, l *lab) {
			o := l.fell(-5, modulation, false)
			if o.Verdict != event.Incomplete || len(o.run.Steps) != 2 {
				t.Fatalf("%s: %q: %v", modulation, o.Verdict, o.err)
			}
			if s := o.run.Steps[1]; !s.Outcome.NotReached || s.Outcome.Upset || !strings.Contains(s.Limited,
				"the level was not held: the current fell by") {
				t.Errorf("%s: %+v, %q", modulation, s.Outcome, s.Limited)
			}
			if s := o.run.Steps[0]; s.Outcome.NotReached || s.Limited != "" {
				t.Errorf("%s: the step before: %+v, %q", modulation, s.Outcome, s.Limited)
			}
		})
	}
}

// One that is 3 dB higher trips.
func TestALevelThatRisesInADwellTrips(t *testing.T) {
	for _, modulation := range []string{modulated, "CW"} {
		inLab(t, simbench.Config{Seed: 2}, func(t *testing.T, l *lab) {
			o := l.fell(4, modulation, true)
			if o.Verdict != event.TrippedEnd || len(o.run.Steps) != 1 || !strings.Contains(o.Why, "reads") {
				t.Errorf("%s: %q %s after %d steps: %v", modulation, o.Verdict, o.Why, len(o.run.Steps), o.err)
			}
			l.mustBeOff(o)
		})
	}
}

// An analyser that fails while the power meter hangs ends the run at once: the meter is not waited for.
func TestAMeterThatHangsIsNotWaitedForWhenTheOtherFailed(t *testing.T) {
	inLab(t, simbench.Config{Seed: 2}, func(t *testing.T, l *lab) {
		s := l.spyOn()
		var failed time.Time
		s.before = func(ctx context.Context, what string) error {
			switch {
			case !s.in("exposing"):
			case what == "power meter.Read":
				<-ctx.Done()
				return ctx.Err()
			case what == "analyser.Read":
				time.Sleep(10 * time.Millisecond)
				failed = time.Now()
				return errPulled
			}
			return nil
		}
		o := l.do(strings.Replace(oneStep(), "dwell: 60 ms", "dwell: 300 ms", 1))
		if took := time.Since(failed); o.Verdict != event.Failed || !errors.Is(o.err, errPulled) || took > time.Second {
			t.Errorf("%q %v after the analyser failed: %v", o.Verdict, took, o.err)
		}
		l.mustBeOff(o)
	})
}

// Every step of an undisturbed run is a first attempt; after a hold the step is asked again as the second, and the next
// is a first one again. A hold is journalled once, however long it lasts.
func TestAttemptsAreCountedByStep(t *testing.T) {
	inLab(t, simbench.Config{Seed: 2}, func(t *testing.T, l *lab) {
		held := false
		l.progress = func(s engine.Status) {
			switch {
			case s.Phase == "exposing" && s.Done == 1 && !held:
				held = true
				l.operator <- engine.Command{Want: engine.HoldRun}
				time.AfterFunc(5*time.Second, func() { l.operator <- engine.Command{Want: engine.GoOn} })
			}
		}
		o := l.do(planText("{list: [1 MHz, 2 MHz, 5 MHz]}", quick))
		if o.err != nil || len(o.run.Steps) != 3 {
			t.Fatalf("%q: %v", o.Verdict, o.err)
		}
		for i, want := range []int{1, 2, 1} {
			for _, e := range l.has("step-closed") {
				if c := e.(event.StepClosed); c.Outcome.Number == i+1 && c.Attempt != want {
					t.Errorf("step %d was closed as attempt %d, want %d", i+1, c.Attempt, want)
				}
			}
		}
		if h, r := len(l.has("hold")), len(l.has("resumed")); h != 1 || r != 1 {
			t.Errorf("%d holds and %d resumptions: %s", h, r, l.journal.kinds())
		}
	})
}

// Whoever hangs up says nothing, and an answer that nobody asked for changes nothing.
func TestAnOperatorWhoHangsUpStopsNothing(t *testing.T) {
	inLab(t, simbench.Config{Seed: 2}, func(t *testing.T, l *lab) {
		l.operator <- engine.Command{Want: engine.Reply, Text: "yes"}
		close(l.operator)
		if o := l.do(oneStep()); o.err != nil || o.Verdict != event.Done {
			t.Errorf("%q: %v", o.Verdict, o.err)
		}
	})
}

// A wall clock that is set in a run is journalled before what is written next.
func TestASetClockIsJournalled(t *testing.T) {
	inLab(t, simbench.Config{Seed: 2}, func(t *testing.T, l *lab) {
		var ahead atomic.Int64
		l.progress = func(s engine.Status) {
			if s.Done == 1 {
				ahead.Store(int64(time.Hour))
			}
		}
		l.change = func(c *engine.Config) {
			c.Now = func() time.Time { return time.Now().Add(time.Duration(ahead.Load())) }
		}
		o := l.do(planText("{list: [1 MHz, 2 MHz]}", quick))
		set := l.has("clock-set")
		if o.err != nil || len(set) != 1 || set[0].(event.ClockSet).Forward.Std() != time.Hour {
			t.Errorf("%v, %+v: %s", o.err, set, l.journal.kinds())
		}
	})
}

// Two that write the journal at once, as the engine and a key, take turns.
func TestTheJournalIsWrittenByOneAtATime(t *testing.T) {
	inLab(t, simbench.Config{Seed: 2}, func(t *testing.T, l *lab) {
		var writing, overlaps atomic.Int32
		memoryFails = func(e event.Event) error {
			if writing.Add(1) > 1 {
				overlaps.Add(1)
			}
			defer writing.Add(-1)
			if _, ok := e.(event.StepClosed); ok {
				l.operator <- engine.Command{Want: engine.Mark, Text: "flicker"}
				time.Sleep(50 * time.Millisecond) // a slow disk
			}
			return nil
		}
		defer func() { memoryFails = nil }()
		l.do(planText("{list: [1 MHz, 2 MHz]}", quick))
		if n := overlaps.Load(); n != 0 || len(l.has("operator-mark")) == 0 {
			t.Errorf("%d writes began while another went on: %s", n, l.journal.kinds())
		}
	})
}

// How a run ends is in the journal, in the result and on the page.
func TestHowARunEndedIsSaidEverywhere(t *testing.T) {
	inLab(t, simbench.Config{Seed: 2}, func(t *testing.T, l *lab) {
		full := errors.New("no space left on the device")
		memoryFails = func(e event.Event) error {
			if _, ok := e.(event.Closed); ok {
				return full
			}
			return nil
		}
		o := l.do(oneStep())
		memoryFails = nil
		if !errors.Is(o.err, full) || !strings.Contains(o.err.Error(), "close the journal") {
			t.Errorf("a journal that could not be closed: %v", o.err)
		}
		for _, want := range []engine.Want{engine.Abort, engine.Finish} {
			var last string
			l.progress = func(s engine.Status) {
				last = s.Phase
				if s.Phase == "exposing" {
					l.operator <- engine.Command{Want: want, Text: "lunch"}
				}
			}
			o = l.do(oneStep())
			stopping := l.has("stopping")
			if len(stopping) != 1 || !stopping[0].(event.Stopping).ByOperator ||
				!strings.Contains(stopping[0].(event.Stopping).Cause, "lunch") {
				t.Errorf("stopping is journalled as %+v: %s", stopping, l.journal.kinds())
			}
			if last != string(event.Stopped) || o.Verdict != event.Stopped {
				t.Errorf("the page shows %q at the end, the verdict is %q", last, o.Verdict)
			}
		}
		l.progress = nil
		s := l.spyOn()
		s.instrument, s.fails = "analyser.Read", 1
		l.do(oneStep())
		if stopping := l.has("stopping"); len(stopping) != 1 || stopping[0].(event.Stopping).ByOperator ||
			!strings.Contains(stopping[0].(event.Stopping).Cause, errPulled.Error()) {
			t.Errorf("stopping is journalled as %+v", stopping)
		}
	})
}

// When RF is not known to be off, the error says in words what was read back.
func TestRFNotKnownToBeOffIsInTheError(t *testing.T) {
	inLab(t, simbench.Config{Seed: 2}, func(t *testing.T, l *lab) {
		l.progress = func(s engine.Status) {
			if s.Phase == "exposing" {
				l.sim.Inject("source", simbench.Fault{Instrument: "source", Kind: simbench.FaultDeaf})
			}
		}
		o := l.do(oneStep())
		if o.Verdict != event.RFNotKnownOff || o.err == nil || o.Safing.How == "" ||
			!strings.Contains(o.err.Error(), o.Safing.How) {
			t.Errorf("%q, %q: %v", o.Verdict, o.Safing.How, o.err)
		}
	})
}

// What fails because the watcher has acted is told as that, and what fails while a trip is being journalled
// as the trip.
func TestTheFirstCauseIsToldAndNotWhatFollowed(t *testing.T) {
	inLab(t, simbench.Config{Seed: 2}, func(t *testing.T, l *lab) {
		watcher := &takenOver{}
		l.change = func(c *engine.Config) { c.Watcher = watcher }
		s := l.spyOn()
		s.before = func(_ context.Context, what string) error {
			if s.in("levelling") && what == "analyser.Read" {
				watcher.over.Store(true)
				return errPulled
			}
			return nil
		}
		if o := l.do(oneStep()); o.Verdict != event.TrippedEnd || !strings.Contains(o.Why, "the watcher takes over") {
			t.Errorf("%q %s: %v", o.Verdict, o.Why, o.err)
		}
	})
	inLab(t, simbench.Config{Seed: 2}, func(t *testing.T, l *lab) {
		memoryFails = func(e event.Event) error {
			if _, ok := e.(event.Tripped); ok {
				time.Sleep(3 * time.Second) // a disk that is slow at the wrong moment
			}
			return nil
		}
		defer func() { memoryFails = nil }()
		s := l.spyOn()
		s.before = func(_ context.Context, what string) error {
			if s.in("levelling") && what == "analyser.Read" {
				l.sim.SetInterlock(false)
				time.Sleep(300 * time.Millisecond) // it is asked every 150 ms
				return errPulled
			}
			return nil
		}
		o := l.do(oneStep())
		if o.Verdict != event.TrippedEnd || !errors.Is(o.err, guard.ErrTripped) || !strings.Contains(o.err.Error(),
			"interlock is open") {
			t.Errorf("%q %s: %v", o.Verdict, o.Why, o.err)
		}
		l.mustBeOff(o)
	})
}

// What off was proved by is journalled, and what it was not.
func TestWhatOffWasProvedByIsSaid(t *testing.T) {
	for _, c := range []struct {
		analyser bool
		says     string
	}{{true, "does not show above the analyser's floor"}, {false, "nothing measures at the source's lowest level"}} {
		inLab(t, simbench.Config{Seed: 2}, func(t *testing.T, l *lab) {
			if !c.analyser {
				l.change = func(cfg *engine.Config) { cfg.Rig.Analyser = nil }
			}
			l.do(strings.Replace(constantDrive(rf.DBm(-40)), "10 MHz", "2 MHz", 1))
			if notes := l.journal.notes(); !strings.Contains(notes, c.says) {
				t.Errorf("analyser %t: %q", c.analyser, notes)
			}
		})
	}
}

// A key on the way up counts as an upset there, with how long RF had been on: here the first reading, made 300 ms
// after RF came up.
func TestAKeyOnTheWayUpIsAnUpsetWithItsTime(t *testing.T) {
	inLab(t, simbench.Config{Seed: 2}, func(t *testing.T, l *lab) {
		marked := false
		l.progress = func(s engine.Status) {
			if s.Phase == "levelling" && s.RFOn && s.Done == 1 && !marked {
				marked = true
				l.operator <- engine.Command{Want: engine.Mark, Text: "smoke"}
			}
		}
		o := l.do(strings.Replace(planText("{list: [1 MHz, 2 MHz]}", quick), "settle: 1 ms", "settle: 300 ms", 1))
		if len(o.run.Steps) != 2 {
			t.Fatalf("%q: %v", o.Verdict, o.err)
		}
		var closed event.StepClosed
		for _, e := range l.has("step-closed") {
			closed = e.(event.StepClosed)
		}
		if !closed.Outcome.Upset || closed.Outcome.Exposures != 1 || closed.OnFor.Std() < 300*time.Millisecond ||
			closed.OnFor.Std() > 3*time.Second || o.Upsets != 1 {
			t.Errorf("%+v, on for %v; %d upsets", closed.Outcome, closed.OnFor, o.Upsets)
		}
	})
}

// product is a monitor and the product behind it: it says every so often whether it is well.
type product struct {
	id    string
	every time.Duration
	// bad says whether it is upset now; on is whether RF is on, for how long it has been so or not.
	bad   func(on bool, since time.Duration) bool
	reset func() error // nil: only a person can
	sim   *simbench.Bench
	stop  context.CancelFunc
	done  chan struct{}
}

func (p *product) ID() string { return p.id }
func (p *product) Reset(context.Context) error {
	if p.reset == nil {
		return dut.ErrNoReset
	}
	return p.reset()
}
func (p *product) Close() error { p.stop(); <-p.done; return nil }
func (p *product) Start(ctx context.Context, deliver func(dut.Sample)) error {
	ctx, p.stop = context.WithCancel(ctx)
	p.done = make(chan struct{})
	go func() {
		defer close(p.done)
		was, changed := false, time.Now()
		for ctx.Err() == nil {
			time.Sleep(p.every)
			on := p.sim.State().On
			if on != was {
				was, changed = on, time.Now()
			}
			x := dut.Sample{At: time.Now(), Monitor: p.id, Value: 12.5, HasValue: true}
			if p.bad(on, time.Since(changed)) {
				x.Value = 20
			}
			deliver(x)
		}
	}()
	return nil
}

// with makes the next run watch a product.
func (l *lab) with(p *product) {
	p.sim, p.id = l.sim, l.bench.Monitors[0].ID
	l.watching = func(*driver.Rig) []dut.Monitor { return []dut.Monitor{p} }
}

// How a product comes back is told by when it was well: in the dwell only, later, by a reset, or by a person.
func TestHowAProductComesBackIsTold(t *testing.T) {
	exposed := func(back time.Duration) func(bool, time.Duration) bool {
		// upset as long as RF is on for more than 100 ms, and so long after it went off
		upset := false
		return func(on bool, since time.Duration) bool {
			if on {
				upset = since > 100*time.Millisecond
			} else if since > back {
				upset = false
			}
			return upset
		}
	}
	for _, c := range []struct {
		what        string
		every, back time.Duration
		reset       error // what a reset says; nil: it works
		canReset    bool
		class       event.Class
		latched     bool
		least, most time.Duration
		note        string
		holds       int
		resets      int32
	}{
		{what: "at once", every: 5 * time.Millisecond, class: event.DuringOnly, most: 20 * time.Millisecond},
		{what: "after 500 ms", every: 5 * time.Millisecond, back: 500 * time.Millisecond, class: event.RecoversLater,
			least: 500 * time.Millisecond, most: 520 * time.Millisecond},
		// It speaks less often than the dead-man waits, and takes longer than that.
		{what: "after 2 s, and it speaks every 1.2 s", every: 1200 * time.Millisecond, back: 2 * time.Second,
			class: event.DuringOnly, least: 0, most: 4 * time.Second},
		{what: "by a reset", every: 5 * time.Millisecond, back: time.Hour, canReset: true, class: event.NeedsReset,
			latched: true, least: 5 * time.Second, most: 5200 * time.Millisecond, resets: 1},
		{what: "by a person", every: 5 * time.Millisecond, back: 7 * time.Second, class: event.NeedsReset,
			latched: true, least: 7 * time.Second, most: 7200 * time.Millisecond, holds: 1},
		{what: "by a person, where the reset fails", every: 5 * time.Millisecond, back: 7 * time.Second, canReset: true,
			reset: errPulled, class: event.NeedsReset, latched: true,
			least: 7 * time.Second, most: 7200 * time.Millisecond, holds: 1,
			note: "it cannot be reset: somebody pulled the cable", resets: 1},
	} {
		inLab(t, simbench.Config{Seed: 2}, func(t *testing.T, l *lab) {
			was := exposed(c.back)
			var wasReset atomic.Bool
			var resets atomic.Int32
			p := &product{every: c.every, bad: func(on bool, since time.Duration) bool {
				return was(on, since) &&
					!wasReset.Load()
			}}
			if c.canReset {
				p.reset = func() error {
					resets.Add(1)
					wasReset.Store(c.reset == nil)
					return c.reset
				}
			}
			l.edit = func(file string) string { return strings.Replace(file, "silence: ", "silence: 20 s #", 1) }
			l.reload()
			l.with(p)
			o := l.do(strings.NewReplacer("recover_within: 400 ms", "recover_within: 5 s", "dwell: 60 ms",
				"dwell: 150 ms", modulated, "CW").Replace(oneStep("dead_man: 1 s")))
			if o.err != nil || len(o.run.Steps) != 1 {
				t.Fatalf("%s: %q: %v", c.what, o.Verdict, o.err)
			}
			s := l.has("step-closed")[0].(event.StepClosed)
			if s.Class != c.class || s.Outcome.Latched != c.latched || !s.Outcome.Upset {
				t.Errorf("%s: %q, %+v", c.what, s.Class, s.Outcome)
			}
			if d := s.RecoveredAfter.Std(); d < c.least || d > c.most || d == 0 {
				t.Errorf("%s: recovered after %v, want %v to %v", c.what, d, c.least, c.most)
			}
			if !strings.Contains(s.Note, c.note) || len(l.has("hold")) != c.holds || resets.Load() != c.resets {
				t.Errorf("%s: note %q, %d holds, %d resets", c.what, s.Note, len(l.has("hold")), resets.Load())
			}
			l.mustBeOff(o)
		})
	}
}

// A recovery step goes down through its offsets until the product is well, and says at which it was, with the
// current at each: here it is well 4 dB below the level, by what the bench really puts on the cable.
func TestADescentEndsWhereTheProductIsWell(t *testing.T) {
	inLab(t, simbench.Config{Seed: 2}, func(t *testing.T, l *lab) {
		lowered := false
		l.progress = func(s engine.Status) { lowered = lowered || s.Phase == "lowering" }
		wellBelow := 0.01 * math.Pow(10, -4.0/20)
		upset := false
		p := &product{every: 5 * time.Millisecond}
		p.bad = func(on bool, _ time.Duration) bool {
			c := p.sim.State().Carrier
			upset = on && (upset && c > wellBelow || c > 0.0099)
			return upset
		}
		l.with(p)
		o := l.do(strings.Replace(planText("{list: [2 MHz]}"), modulated, "CW", 1))
		if o.err != nil {
			t.Fatalf("%q: %v", o.Verdict, o.err)
		}
		found := false
		for _, e := range l.has("step-closed") {
			s := e.(event.StepClosed)
			if s.Step.Purpose != plan.Recover {
				continue
			}
			found = true
			if s.Outcome.RecoveredAt == nil || len(s.Descent) == 0 || !lowered {
				t.Fatalf("%+v, descent %v, said %t", s.Outcome, s.Descent, lowered)
			}
			if n := len(s.Descent); s.Step.Descend[n-1] != *s.Outcome.RecoveredAt || s.Outcome.Exposures != 1+n {
				t.Errorf("well at %v after a descent through %v of %v, %d exposures", *s.Outcome.RecoveredAt, s.Descent,
					s.Step.Descend, s.Outcome.Exposures)
			}
			for i, c := range s.Descent {
				want := s.Step.Point.Target.Add(s.Step.Descend[i])
				if d, _ := c.Minus(want); math.Abs(d.DB()) > 0.4 {
					t.Errorf("at %v of the descent the current is told as %v, want %v", s.Step.Descend[i], c, want)
				}
				if last := i == len(s.Descent)-1; last != (c.SI() < wellBelow*1.05) {
					t.Errorf("the descent through %v ends at %v, and the product is well below %.2f mA", s.Descent,
						c, wellBelow*1e3)
				}
			}
		}
		if !found {
			t.Error("no recovery step")
		}
		l.mustBeOff(o)
	})
}

// A baseline needs no source; what is bad in it is a false alarm with its reason.
func TestABaselineOnABenchWithoutASource(t *testing.T) {
	inLab(t, simbench.Config{Seed: 2}, func(t *testing.T, l *lab) {
		l.change = func(c *engine.Config) { c.Rig.Source = nil }
		marked := false
		l.progress = func(s engine.Status) {
			if s.Phase == "watching without RF" && !marked {
				marked = true
				l.operator <- engine.Command{Want: engine.Mark, Text: "it blinked"}
			}
		}
		o := l.do("provoke: plan 1\nbench: bench.yaml\nkind: baseline\nlevel: 10 mA\ngrid:\n  - {list: [1 MHz, 2 " +
			"MHz]}\ndwell: 60 ms\n")
		if o.err != nil || o.Upsets != 1 {
			t.Fatalf("%q, %d upsets: %v", o.Verdict, o.Upsets, o.err)
		}
		s := l.has("step-closed")[0].(event.StepClosed)
		if !s.Outcome.Upset || !strings.Contains(s.Note, "it blinked") || s.Outcome.Exposures != 0 {
			t.Errorf("%+v, %q", s.Outcome, s.Note)
		}
	})
}

// A step with a source that a person sets is looked at after its dwell too, with the level up.
func TestALookAfterTheDwellCountsWithASourceByHand(t *testing.T) {
	inLab(t, simbench.Config{Seed: 3}, func(t *testing.T, l *lab) {
		h := byHand(t, l, "source")
		defer h.leave()
		var exposing atomic.Int64
		l.progress = func(s engine.Status) {
			if s.Phase == "exposing" && exposing.Load() == 0 {
				exposing.Store(time.Now().UnixNano())
			}
		}
		l.watching = func(*driver.Rig) []dut.Monitor {
			return []dut.Monitor{&tardy{lateAnswers{sim: l.sim, id: l.bench.Monitors[0].ID}, &exposing}}
		}
		o := l.do(strings.Replace(planText("{list: [12 MHz]}"), "mode: closed loop",
			"mode: constant drive\ndrive: -38 dBm\nsearch: {onset: false, recovery: false}", 1))
		if o.err != nil || o.Upsets != 1 {
			t.Errorf("%q, %d upsets: the product was upset in the dwell, and said so 200 ms later: %v", o.Verdict,
				o.Upsets, o.err)
		}
	})
}

// tardy is a product that the first dwell upsets, and whose answers come 200 ms late.
type tardy struct {
	lateAnswers
	exposing *atomic.Int64
}

func (m *tardy) Start(ctx context.Context, deliver func(dut.Sample)) error {
	ctx, m.cancel = context.WithCancel(ctx)
	m.done = make(chan struct{})
	go func() {
		defer close(m.done)
		for ctx.Err() == nil {
			time.Sleep(5 * time.Millisecond)
			x := dut.Sample{At: time.Now(), Asked: time.Now(), Monitor: m.id, Value: 12.5, HasValue: true}
			if began := m.exposing.Load(); began != 0 {
				switch since := time.Now().Sub(time.Unix(0, began)); {
				case since < 200*time.Millisecond:
					x.Asked = time.Unix(0, began)
				case since < 400*time.Millisecond:
					x.Value = 20
				}
			}
			deliver(x)
		}
	}()
	return nil
}

// Where nothing on the bench answers by itself while the product recovers, waiting for it is no hang of the engine.
func TestWaitingForAProductOnABenchByHandIsNoHang(t *testing.T) {
	inLab(t, simbench.Config{Seed: 3}, func(t *testing.T, l *lab) {
		h := byHand(t, l, "source")
		defer h.leave()
		nothingElse(l, h)
		upset := false
		l.with(&product{every: 5 * time.Millisecond, bad: func(on bool, since time.Duration) bool {
			upset = on && since > 100*time.Millisecond || !on && upset && since < 3*time.Second
			return upset
		}})
		o := l.do(strings.NewReplacer("mode: closed loop",
			"mode: constant drive\ndrive: -38 dBm\nsearch: {onset: false, recovery: false}", "recover_within: 400 ms",
			"recover_within: 5 s", "dwell: 60 ms", "dwell: 150 ms").
			Replace(planText("{list: [12 MHz]}", "dead_man: 2 s")))
		if o.err != nil || o.Upsets != 1 {
			t.Fatalf("%q, %d upsets: %v", o.Verdict, o.Upsets, o.err)
		}
		if c := l.has("step-closed")[0].(event.StepClosed); c.RecoveredAfter.Std() < 2900*time.Millisecond {
			t.Errorf("recovered after %v, it took 3 s", c.RecoveredAfter)
		}
	})
}
