package engine_test

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"provoke/internal/bench/guard"
	"provoke/internal/bench/simbench"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/run/engine"
	"provoke/internal/units/rf"
)

// planText is a short exposure of the belt weigher over a part of the band.
func planText(grid string, more ...string) string {
	return fmt.Sprintf(`provoke: plan 1
name: test
bench: bench.yaml
kind: exposure
mode: closed loop
level: iec-61000-4-6/level-2
grid:
  - %s
modulation: AM 80 %% 1 kHz carrier held
dwell: 60 ms
settle: 1 ms
recover_within: 400 ms
levelling: {above_budget: 20 dB, forward_ceiling: 20 dB}
%s
`, grid, strings.Join(more, "\n"))
}

// bandOf returns the frequencies round a band that the level of 80 dBµA upsets.
func bandOf(sim *simbench.Bench, i int) (low, high float64) {
	e := sim.Edges(simbench.Original, simbench.CarrierHeldAM, 0.01)[i]
	return e[0], e[1]
}

func around(sim *simbench.Bench, i int, step string) string {
	low, high := bandOf(sim, i)
	return fmt.Sprintf("{from: %.0f Hz, to: %.0f Hz, step: %s}", low*0.95, high*1.05, step)
}

// inLab runs a test under a fake clock on a simulated bench at twenty times its speed.
func inLab(t *testing.T, c simbench.Config, f func(*testing.T, *lab)) {
	t.Helper()
	if c.Speed == 0 {
		c.Speed = 20
	}
	c.KeepHistory = true
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, c)
		defer l.sim.Close()
		f(t, l)
		if a := l.sim.Abuses(); len(a) > 0 {
			t.Errorf("the bench was abused: %+v", a)
		}
	})
}

// mustBeOff checks the simulated plant, not what anybody says of it.
func (l *lab) mustBeOff(o outcome) {
	l.t.Helper()
	if s := l.sim.State(); s.On && o.Verdict != event.RFNotKnownOff {
		l.t.Errorf("the run ended %q (%v) with RF on", o.Verdict, o.err)
	}
	if n := len(l.journal.records); n > 0 && l.journal.fail == nil {
		if _, ok := l.journal.records[n-1].Event.(event.Closed); !ok {
			l.t.Errorf("the journal ends with %s", l.journal.records[n-1].Event.Kind())
		}
	}
}

func TestRunFindsTheThresholdsThatTheSimulatorKnows(t *testing.T) {
	for seed := uint64(1); seed <= 3; seed++ {
		inLab(t, simbench.Config{Seed: seed}, func(t *testing.T, l *lab) {
			edges := l.sim.Edges(simbench.Original, simbench.CarrierHeldAM, 0.01)
			for i := range edges {
				o := l.do(planText(around(l.sim, i, "2 %")))
				if o.err != nil || o.Verdict != event.DoneUpset && o.Verdict != event.Incomplete {
					t.Fatalf("seed %d band %d: %s %s: %v", seed, i, o.Verdict, o.Why, o.err)
				}
				l.mustBeOff(o)
				checkOnsets(t, l, o)
			}
		})
	}
}

// checkOnsets compares every bracketed onset with the truth: the measured current may lie above it by
// the resolution and the levelling window, and below it by the analyser's and curves' errors.
func checkOnsets(t *testing.T, l *lab, o outcome) {
	t.Helper()
	found := 0
	worst := 0.0
	for _, th := range o.run.Thresholds() {
		truth := 20*math.Log10(l.sim.Onset(simbench.Original, th.Frequency.Hz(), simbench.CarrierHeldAM)) + 120
		if !th.Onset.Exact() {
			continue
		}
		found++
		d := th.Onset.In() - truth
		worst = max(worst, math.Abs(d))
		if d > 0.5+0.3+0.35 || d < -0.45 {
			t.Errorf("at %v the onset is %v, the simulator's is %.2f dBµA", th.Frequency, th.Onset, truth)
		}
	}
	if found == 0 {
		t.Error("no onset was bracketed")
	}
	t.Logf("figure: %d onsets, the furthest %.2f dB from the simulator's truth (resolution 0.5 dB)", found, worst)
}

func TestLevellingNeverOvershootsByHalfADecibel(t *testing.T) {
	inLab(t, simbench.Config{Seed: 4}, func(t *testing.T, l *lab) {
		o := l.do(planText("{from: 200 kHz, to: 79 MHz, step: 15 %}", "search: {onset: false}"))
		if o.err != nil {
			t.Fatal(o.err)
		}
		over := -100.0
		for _, s := range l.sim.History() {
			if s.On {
				over = max(over, 20*math.Log10(s.Carrier/0.01))
			}
		}
		if over > 0.5 {
			t.Errorf("the carrier was %.2f dB above the 10 mA wanted", over)
		}
		t.Logf("figure: the highest unmodulated current of a closed-loop sweep was %+.2f dB against the target", over)
	})
}

func TestAfterAnUpsetNoTrialIsAboveTheLowestLevelKnownToUpset(t *testing.T) {
	inLab(t, simbench.Config{Seed: 1}, func(t *testing.T, l *lab) {
		o := l.do(planText(around(l.sim, 0, "3 %")))
		if o.err != nil {
			t.Fatal(o.err)
		}
		lowest := map[rf.Frequency]rf.Current{}
		for _, s := range o.run.Steps {
			f := s.Step.Point.Frequency
			if known, ok := lowest[f]; ok {
				if d, _ := s.Highest.Minus(known); d > 0.35 {
					t.Errorf("at %v a %s step went to %v, %v above a level known to upset", f, s.Step.Purpose,
						s.Highest, d)
				}
			}
			if s.Outcome.Upset && (lowest[f].Absent() || lowest[f].Above(s.Current)) {
				lowest[f] = s.Current
			}
		}
		if len(lowest) == 0 {
			t.Error("nothing upset")
		}
	})
}

func TestFirstLightNamesTheCause(t *testing.T) {
	for _, c := range []struct {
		fault      simbench.FaultKind
		instrument string
		says       string
	}{
		{simbench.FaultHighZ, "source", "about 6 dB"},
		{simbench.FaultUnterminated, "source", "about 6 dB"},
		{simbench.FaultPadMissing, "source", "PAD1: it may be missing"},
		{simbench.FaultPadExtra, "source", "a pad of that value may be extra"},
		{simbench.FaultPadMissing, "analyser", "it may be missing"},
		{simbench.FaultPadExtra, "analyser", "a pad of that value may be extra"},
		{simbench.FaultProbeOpen, "analyser", "the probe is open"},
	} {
		t.Run(string(c.fault)+"@"+c.instrument, func(t *testing.T) {
			inLab(t, simbench.Config{Seed: 2, Fixture: simbench.Jig50}, func(t *testing.T, l *lab) {
				if err := l.sim.Inject(c.instrument, simbench.Fault{Kind: c.fault}); err != nil {
					t.Fatal(err)
				}
				o := l.do(jigPlan)
				if !errors.Is(o.err, engine.ErrFirstLight) || !strings.Contains(o.err.Error(), c.says) {
					t.Errorf("%s: %v", o.Verdict, o.err)
				}
				l.mustBeOff(o)
			})
		})
	}
}

const jigPlan = `provoke: plan 1
bench: bench.yaml
kind: calibration
fixture: jig50
level: 10 mA
grid:
  - {from: 1 MHz, to: 60 MHz, step: 30 %}
settle: 1 ms
`

func TestCalibrationReplaysOnTheCable(t *testing.T) {
	inLab(t, simbench.Config{Seed: 2, Fixture: simbench.Jig50}, func(t *testing.T, l *lab) {
		o := l.do(jigPlan)
		if o.err != nil || o.Verdict != event.Done {
			t.Fatalf("%s %s: %v", o.Verdict, o.Why, o.err)
		}
		cal := &plan.Calibrated{Run: 1, Loop: 100}
		for _, s := range o.run.Steps {
			cal.Points = append(cal.Points, plan.CalibratedAt{Frequency: s.Step.Point.Frequency, Drive: s.Drive,
				Current: s.Current, Forward: s.Forward})
			if d := s.Current.In() - 80; d > 0.31 || d < -1e-9 {
				t.Errorf("at %v the jig's current was calibrated at %v, not 10 mA", s.Step.Point.Frequency, s.Current)
			}
		}
		l.sim.SetFixture(simbench.Cable)
		p, list := plan.Parse("plan.yaml", []byte(`provoke: plan 1
bench: bench.yaml
kind: exposure
mode: substitution
level: 10 mA
grid:
  - {from: 1 MHz, to: 60 MHz, step: 30 %}
modulation: CW
dwell: 60 ms
settle: 1 ms
recover_within: 400 ms
search: {onset: false}
`), nil)
		if err := list.Err(); err != nil {
			t.Fatal(err)
		}
		replay := l.doPlan(p, cal)
		if replay.err != nil {
			t.Fatalf("%s: %v", replay.Verdict, replay.err)
		}
		l.mustBeOff(replay)
		for i, s := range replay.run.Steps {
			// The replayed drive is scaled from the current reached in the jig to the level.
			want := cal.Points[i].Drive.Add(rf.Gain(80 - cal.Points[i].Current.In()))
			if d := s.Drive.In() - want.In(); math.Abs(d) > 0.011 {
				t.Errorf("at %v replayed %v for %v", s.Step.Point.Frequency, s.Drive.Text(2), want.Text(2))
			}
		}
	})
}

func TestConstantDriveRecordsTheCurrent(t *testing.T) {
	inLab(t, simbench.Config{Seed: 3}, func(t *testing.T, l *lab) {
		o := l.do(`provoke: plan 1
bench: bench.yaml
kind: exposure
mode: constant drive
drive: -30 dBm
grid:
  - {from: 300 kHz, to: 70 MHz, step: 25 %}
modulation: CW
dwell: 20 ms
`)
		if o.err != nil || o.Verdict != event.Done {
			t.Fatalf("%s: %v", o.Verdict, o.err)
		}
		l.mustBeOff(o)
		for _, s := range o.run.Steps {
			if s.Drive != rf.DBm(-30) || !s.Current.Exact() {
				t.Errorf("at %v: drive %v, current %v", s.Step.Point.Frequency, s.Drive, s.Current)
			}
		}
	})
}

func TestBaselineHasNoRFAndCountsFalseAlarms(t *testing.T) {
	inLab(t, simbench.Config{Seed: 1}, func(t *testing.T, l *lab) {
		o := l.do("provoke: plan 1\nbench: bench.yaml\nkind: baseline\nlevel: 10 mA\ngrid:\n  - {from: 1 MHz, to: 2 " +
			"MHz, step: 10 %}\ndwell: 60 ms\n")
		if o.err != nil || o.Verdict != event.Done || o.Upsets != 0 {
			t.Fatalf("%s, %d upsets: %v", o.Verdict, o.Upsets, o.err)
		}
		if s := l.sim.State(); s.Exposures != 0 || s.On {
			t.Errorf("RF was on %d times in a baseline", s.Exposures)
		}
	})
}

func TestAnInterlockThatOpensTripsAndSilences(t *testing.T) {
	inLab(t, simbench.Config{Seed: 1}, func(t *testing.T, l *lab) {
		l.progress = func(s engine.Status) {
			if s.RFOn && s.Done == 3 {
				l.sim.SetInterlock(false)
			}
		}
		o := l.do(planText("{from: 5 MHz, to: 8 MHz, step: 5 %}"))
		if o.Verdict != event.TrippedEnd || !errors.Is(o.err, guard.ErrTripped) ||
			!strings.Contains(o.Why, "interlock is open") {
			t.Errorf("%s %s: %v", o.Verdict, o.Why, o.err)
		}
		l.mustBeOff(o)
		if !strings.Contains(l.journal.kinds(), "tripped safed closed") {
			t.Errorf("journal: %s", l.journal.kinds())
		}
	})
}

func TestOperatorFinishesAndAborts(t *testing.T) {
	for _, want := range []engine.Want{engine.Finish, engine.Abort} {
		inLab(t, simbench.Config{Seed: 1}, func(t *testing.T, l *lab) {
			sent := false
			var took time.Time
			l.progress = func(s engine.Status) {
				if s.RFOn && s.Done == 2 && !sent {
					sent, took = true, time.Now()
					l.operator <- engine.Command{Want: want}
				}
			}
			o := l.do(planText("{from: 5 MHz, to: 8 MHz, step: 5 %}"))
			if o.Verdict != event.Stopped || o.err == nil {
				t.Errorf("%s: %v", o.Verdict, o.err)
			}
			l.mustBeOff(o)
			t.Logf("figure: want %d: RF off and read back %v after the operator's word", want, time.Since(took))
		})
	}
}

func TestHoldSwitchesRFOffAndGoesOnWithANewAttempt(t *testing.T) {
	inLab(t, simbench.Config{Seed: 1}, func(t *testing.T, l *lab) {
		held := false
		l.progress = func(s engine.Status) {
			switch {
			case s.Phase == "exposing" && s.Done == 2 && !held:
				held = true
				l.operator <- engine.Command{Want: engine.HoldRun}
			case s.Phase == "held, RF off":
				if l.sim.State().On {
					t.Error("RF is on in a hold")
				}
				l.operator <- engine.Command{Want: engine.GoOn}
			}
		}
		o := l.do(planText("{from: 5 MHz, to: 7 MHz, step: 5 %}"))
		if o.err != nil || o.Verdict != event.Done {
			t.Fatalf("%s: %v", o.Verdict, o.err)
		}
		l.mustBeOff(o)
		again := false
		for _, r := range l.journal.records {
			if c, ok := r.Event.(event.StepClosed); ok && c.Attempt == 2 {
				again = true
			}
		}
		if !held || !again {
			t.Errorf("held %v, second attempt %v: %s", held, again, l.journal.kinds())
		}
	})
}

func TestOperatorsMarkIsAnUpset(t *testing.T) {
	inLab(t, simbench.Config{Seed: 1}, func(t *testing.T, l *lab) {
		marked := false
		l.progress = func(s engine.Status) {
			if s.Phase == "exposing" && s.Done == 2 && !marked {
				marked = true
				l.operator <- engine.Command{Want: engine.Mark, Text: "lamp went out"}
			}
		}
		o := l.do(planText("{from: 5 MHz, to: 7 MHz, step: 5 %}", "search: {onset: false}"))
		if o.Upsets != 1 || !strings.Contains(fmt.Sprint(o.run.Steps[2].Note), "lamp went out") {
			t.Errorf("%d upsets, %v", o.Upsets, o.err)
		}
		l.mustBeOff(o)
	})
}

func TestASilentMonitorEndsInRFOff(t *testing.T) {
	inLab(t, simbench.Config{Seed: 1}, func(t *testing.T, l *lab) {
		l.sim.Inject("dut", simbench.Fault{Kind: simbench.FaultDeaf, After: 300})
		o := l.do(planText("{from: 5 MHz, to: 70 MHz, step: 2 %}"))
		if o.err == nil || o.Verdict != event.Failed {
			t.Errorf("%s: %v", o.Verdict, o.err)
		}
		l.mustBeOff(o)
	})
}

func TestAFullDiskEndsInRFOff(t *testing.T) {
	inLab(t, simbench.Config{Seed: 1}, func(t *testing.T, l *lab) {
		full := errors.New("no space left on the device")
		p, _ := plan.Parse("plan.yaml", []byte(planText("{from: 5 MHz, to: 8 MHz, step: 5 %}")), nil)
		n := 0
		memoryFails = func(e event.Event) error {
			if n++; n > 12 {
				return full
			}
			return nil
		}
		defer func() { memoryFails = nil }()
		o := l.doPlan(p, nil)
		if !errors.Is(o.err, full) {
			t.Errorf("%s: %v", o.Verdict, o.err)
		}
		if l.sim.State().On {
			t.Error("RF is on although nothing can be journalled")
		}
	})
}

// TestResumeGivesTheSameFindings cuts a run after every so many records and goes on from its closed
// steps, as after a crash.
func TestResumeGivesTheSameFindings(t *testing.T) {
	inLab(t, simbench.Config{Seed: 1}, func(t *testing.T, l *lab) {
		text := planText(around(l.sim, 0, "5 %"))
		whole := l.do(text)
		if whole.err != nil {
			t.Fatal(whole.err)
		}
		for cut := 8; cut < len(l.journal.records) && cut < 60; cut += 13 {
			crash := errors.New("crash")
			n := 0
			memoryFails = func(event.Event) error {
				if n++; n > cut {
					return crash
				}
				return nil
			}
			l.closed = nil
			first := l.do(text)
			memoryFails = nil
			if !errors.Is(first.err, crash) {
				t.Fatalf("cut %d: %v", cut, first.err)
			}
			l.closed = first.run.Outcomes()
			second := l.do(text)
			if second.err != nil {
				t.Fatalf("cut %d: %v", cut, second.err)
			}
			for i, th := range second.points {
				if w := whole.points[i]; th.Frequency != w.Frequency || th.Onset != w.Onset ||
					th.Recovery != w.Recovery {
					t.Errorf("cut %d: %v %v %v, undisturbed %v %v %v", cut, th.Frequency, th.Onset, th.Recovery,
						w.Frequency, w.Onset, w.Recovery)
				}
			}
		}
	})
}

// TestWhereTheLevelIsNotReachedTheThresholdIsStillFound runs where the cable takes much less current than
// the budget: the drive's ceiling is met at every level, and what the product sees lies below what is
// asked for. Whatever upsets it within what is allowed has to be found, as a current.
func TestWhereTheLevelIsNotReachedTheThresholdIsStillFound(t *testing.T) {
	inLab(t, simbench.Config{Seed: 5}, func(t *testing.T, l *lab) {
		text := planText("{from: 36 MHz, to: 43 MHz, step: 1.5 %}", "edges: 1 %")
		o := l.do(strings.Replace(text, "levelling: {above_budget: 20 dB, forward_ceiling: 20 dB}", "", 1))
		if o.err != nil {
			t.Fatal(o.err)
		}
		l.mustBeOff(o)
		short, found := 0, 0
		for _, th := range o.run.Thresholds() {
			truth := 20*math.Log10(l.sim.Onset(simbench.Original, th.Frequency.Hz(), simbench.CarrierHeldAM)) + 120
			reached := th.Reached.In()
			if reached < 79 {
				short++
			}
			if !th.Upset && truth+0.45 < reached {
				t.Errorf("at %v the product saw %v and is said to be well; the simulator's onset is %.2f dBµA",
					th.Frequency, th.Reached, truth)
			}
			if th.Onset.Exact() {
				found++
				if d := th.Onset.In() - truth; d > 0.5+0.3+0.35 || d < -0.45 {
					t.Errorf("at %v the onset is %v, the simulator's %.2f dBµA", th.Frequency, th.Onset, truth)
				}
			} else if th.Upset {
				t.Errorf("at %v the onset is %v, although levels below it were tried", th.Frequency, th.Onset)
			}
		}
		if short == 0 || found == 0 {
			t.Errorf("%d frequencies short of the level, %d onsets: the test tests nothing", short, found)
		}
	})
}

func TestACalibrationNoticesThatTheClampIsNotInTheJig(t *testing.T) {
	inLab(t, simbench.Config{Seed: 2, Fixture: simbench.Jig50}, func(t *testing.T, l *lab) {
		moved := false
		l.progress = func(s engine.Status) {
			if s.Done == 2 && !moved { // somebody takes the clamp out and closes it round the cable
				moved = true
				l.sim.SetFixture(simbench.Cable)
			}
		}
		o := l.do(jigPlan)
		if !errors.Is(o.err, engine.ErrNotInJig) || o.Verdict != event.Failed {
			t.Errorf("%s: %v", o.Verdict, o.err)
		}
		l.mustBeOff(o)
	})
}
