package result_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/units/rf"
)

var start = time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)

// journal numbers events and gives each a second.
func journal(events ...event.Event) []event.Record {
	var out []event.Record
	for i, e := range events {
		out = append(out, event.Record{Run: 1, Seq: int64(i + 1), At: start.Add(time.Duration(i) * time.Second),
			Event: e, Chain: fmt.Sprintf("h%d", i+1)})
	}
	return out
}

func fold(events ...event.Event) result.Run {
	var r result.Run
	for _, rec := range journal(events...) {
		r = result.Fold(r, rec)
	}
	return r
}

var opened = event.Opened{RunKind: plan.Exposure, Mode: plan.ClosedLoop, Resolution: 0.5, Range: 40}

// target is the level wanted of every step in these tests.
var target = rf.DBuA(90)

// step makes a closed step whose measured current is the level asked for.
func step(n int, f rf.Frequency, p plan.Purpose, offset rf.Gain, upset bool) event.StepClosed {
	return event.StepClosed{
		Step: plan.Step{Number: n, Point: plan.Point{Frequency: f, Target: target, Drive: rf.DBm(-10)}, Purpose: p,
			Offset: offset},
		Attempt: 1,
		Outcome: plan.Outcome{Number: n, Upset: upset, Exposures: 1},
		Drive:   rf.DBm(-10).Add(offset),
		Current: target.Add(offset),
		Highest: target.Add(offset),
	}
}

func thresholdOf(steps ...event.StepClosed) result.Threshold {
	events := []event.Event{opened}
	for _, s := range steps {
		events = append(events, s)
	}
	t := fold(events...).Thresholds()
	if len(t) != 1 {
		panic("these tests look at one frequency")
	}
	return t[0]
}

const f = 27 * rf.Megahertz

func TestOnsetIsTheLowestCurrentThatUpsets(t *testing.T) {
	// 90 dBµA wanted. Working: an offset of −6 dB is 84 dBµA.
	cases := []struct {
		name  string
		steps []event.StepClosed
		onset rf.Current
		below rf.Current
	}{
		{"never upset: at least the highest that was reached",
			[]event.StepClosed{step(1, f, plan.Sweep, 0, false)}, rf.DBuA(90).WithBound(rf.AtLeast), rf.Current{}},
		{"upset at the only level tried: at most that",
			[]event.StepClosed{step(1, f, plan.Sweep, 0, true)}, rf.DBuA(90).WithBound(rf.AtMost), rf.Current{}},
		{"bracketed within the resolution: exactly",
			[]event.StepClosed{step(1, f, plan.Sweep, 0, true), step(2, f, plan.Onset, -6.5, false),
				step(3, f, plan.Onset, -6, true)},
			rf.DBuA(84), rf.DBuA(83.5)},
		{"bracketed more widely than the resolution: at most the lowest that upset",
			[]event.StepClosed{step(1, f, plan.Sweep, 0, true), step(2, f, plan.Onset, -10, false),
				step(3, f, plan.Onset, -6, true)},
			rf.DBuA(84).WithBound(rf.AtMost), rf.DBuA(80)},
		{"upset also at the low check exposure: at most that",
			[]event.StepClosed{step(1, f, plan.Sweep, -6.5, false), step(2, f, plan.Onset, -6, true),
				step(3, f, plan.Window, -12, true)},
			rf.DBuA(78).WithBound(rf.AtMost), rf.Current{}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			got := thresholdOf(c.steps...)
			sameCurrent(t, "onset", got.Onset, c.onset)
			sameCurrent(t, "below", got.Below, c.below)
			if got.Exposures != len(c.steps) {
				t.Errorf("%d exposures, want %d", got.Exposures, len(c.steps))
			}
		})
	}
}

func sameCurrent(t *testing.T, what string, got, want rf.Current) {
	t.Helper()
	if got.Text(3) != want.Text(3) {
		t.Errorf("%s is %v, want %v", what, got, want)
	}
}

func TestTheMeasuredCurrentIsTheOnsetNotTheOneAskedFor(t *testing.T) {
	ok, up := step(1, f, plan.Onset, -0.5, false), step(2, f, plan.Sweep, 0, true)
	up.Current = rf.DBuA(89.8)
	got := thresholdOf(ok, up)
	sameCurrent(t, "onset", got.Onset, rf.DBuA(89.8))
	if got.OnsetOrigin != result.Measured {
		t.Errorf("origin is %q, want measured", got.OnsetOrigin)
	}
	up.Current = rf.Current{}
	got = thresholdOf(ok, up)
	sameCurrent(t, "onset without a reading", got.Onset, rf.DBuA(90))
	if got.OnsetOrigin != result.Asked {
		t.Errorf("origin is %q, want asked for", got.OnsetOrigin)
	}
}

func TestALevelThatWasNotReachedShowsOnlyWhatWasReached(t *testing.T) {
	s := step(1, f, plan.Sweep, 0, false)
	s.Outcome.NotReached, s.Current, s.Limited = true, rf.DBuA(81.2), "drive ceiling"
	got := thresholdOf(s)
	sameCurrent(t, "onset", got.Onset, rf.DBuA(81.2).WithBound(rf.AtLeast))
	if !got.NotReached || got.Limited != "drive ceiling" {
		t.Errorf("not reached %v, limited %q", got.NotReached, got.Limited)
	}
	s.Current = rf.Current{}
	if got = thresholdOf(s); got.Onset.Known() {
		t.Errorf("without a reading the onset is %v, want absent", got.Onset)
	}
}

func TestAReadingAtTheFloorShowsNoImmunity(t *testing.T) {
	s := step(1, f, plan.Sweep, 0, false)
	s.Current = rf.DBuA(40).WithBound(rf.AtMost)
	if got := thresholdOf(s); got.Onset.Known() {
		t.Errorf("onset is %v, want absent: the DUT was shown to stand nothing", got.Onset)
	}
}

func TestASkippedStepIsNoExposure(t *testing.T) {
	s := step(1, f, plan.Sweep, 0, false)
	s.Outcome.Skipped, s.Outcome.Exposures = true, 0
	got := thresholdOf(s)
	if got.Onset.Known() || got.Reached.Known() || got.Exposures != 0 {
		t.Errorf("skipped step counts: %+v", got)
	}
}

func TestMarginIsOnsetOverLevelWantedWithTheBoundThatFollows(t *testing.T) {
	m, b := thresholdOf(step(1, f, plan.Sweep, 0, true), step(2, f, plan.Onset, -6.5, false),
		step(3, f, plan.Onset, -6, true)).Margin()
	if m.Text(3) != "-6.000 dB" || b != rf.Exactly {
		t.Errorf("margin %v %v, want exactly -6 dB", b, m)
	}
	m, b = thresholdOf(step(1, f, plan.Sweep, 0, false)).Margin()
	if m.Text(3) != "0.000 dB" || b != rf.AtLeast {
		t.Errorf("margin %v %v, want at least 0 dB", b, m)
	}
}

func TestTrialsAtTheOnsetAreCounted(t *testing.T) {
	got := thresholdOf(step(1, f, plan.Onset, -1, false), step(2, f, plan.Onset, -0.5, true),
		step(3, f, plan.Confirm, -0.5, false), step(4, f, plan.Sweep, 0, false))
	if got.UpsetsAtOnset != 1 || got.TrialsAtOnset != 2 {
		t.Errorf("%d of %d upset, want 1 of 2", got.UpsetsAtOnset, got.TrialsAtOnset)
	}
	if !got.NotMonotone {
		t.Error("a higher level that did not upset is not noticed")
	}
}

func TestRecoveryIsTheFirstLevelComingDownAtWhichItIsWell(t *testing.T) {
	gain := func(g rf.Gain) *rf.Gain { return &g }
	descent := func(recovered *rf.Gain, latched bool, visited ...rf.Current) event.StepClosed {
		s := step(4, f, plan.Recover, -2, true)
		s.Step.Descend = []rf.Gain{-2.5, -3, -3.5}
		s.Outcome.RecoveredAt, s.Outcome.Latched, s.Descent = recovered, latched, visited
		return s
	}
	cases := []struct {
		name string
		step event.StepClosed
		want rf.Current
	}{
		{"well at the second", descent(gain(-3), false, rf.DBuA(87.4), rf.DBuA(86.9)), rf.DBuA(86.9)},
		{"well at the second, not measured there", descent(gain(-3), false), rf.DBuA(87)},
		{"at none", descent(nil, false, rf.DBuA(87.5), rf.DBuA(87), rf.DBuA(86.5)), rf.DBuA(86.5).WithBound(rf.AtMost)},
		{"latched", descent(nil, true, rf.DBuA(87.5)), rf.Current{}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			got := thresholdOf(step(1, f, plan.Onset, -2.5, false), step(2, f, plan.Onset, -2, true), c.step)
			sameCurrent(t, "recovery", got.Recovery, c.want)
			sameCurrent(t, "onset", got.Onset, rf.DBuA(88))
		})
	}
}

func TestTheFirstCauseOfAStopWins(t *testing.T) {
	r := fold(opened, event.Armed{By: "tester"}, event.Tripped{Cause: "current above the prediction", By: "guard"},
		event.Stopping{Cause: "operator", ByOperator: true}, event.Safed{Quiet: true},
		event.Closed{Verdict: event.TrippedEnd})
	if r.StopCause != "current above the prediction" || r.StopBy != "guard" || r.StoppedByHuman {
		t.Errorf("stop cause %q by %q", r.StopCause, r.StopBy)
	}
	if r.State != result.Closed || r.Verdict != event.TrippedEnd {
		t.Errorf("state %q, verdict %q", r.State, r.Verdict)
	}
}

func TestStatesFollowTheEvents(t *testing.T) {
	s := step(1, f, plan.Sweep, 0, false)
	events := []struct {
		e    event.Event
		want result.State
	}{
		{opened, result.Opening},
		{event.Armed{}, result.Armed},
		{event.FirstLight{Passed: true}, result.Armed},
		{event.Intent{Step: s.Step, Attempt: 1}, result.Exposing},
		{event.Hold{Why: "DUT silent"}, result.Holding},
		{event.Resumed{Why: "DUT speaks again"}, result.Exposing},
		{s, result.Exposing},
		{event.Tripped{Cause: "interlock"}, result.Tripped},
		{event.Safed{Quiet: true}, result.Tripped},
		{event.Closed{Verdict: event.TrippedEnd}, result.Closed},
	}
	var r result.Run
	for i, x := range events {
		r = result.Fold(r, event.Record{Run: 1, Seq: int64(i + 1), At: start.Add(time.Duration(i) * time.Second),
			Event: x.e})
		if r.State != x.want {
			t.Errorf("after %s the state is %q, want %q", x.e.Kind(), r.State, x.want)
		}
	}
	if len(r.Holds) != 1 || r.Holds[0].To.Sub(r.Holds[0].From) != time.Second {
		t.Errorf("hold %+v", r.Holds)
	}
}

func TestAStepThatNeverClosedIsAbandonedAndTriedAgain(t *testing.T) {
	s := step(2, f, plan.Sweep, 0, false)
	r := fold(opened, event.Armed{}, event.Intent{Step: s.Step, Attempt: 1}, event.Resumed{Why: "after a crash"})
	if len(r.Abandoned) != 1 || r.Attempts(2) != 1 || r.Now.Active {
		t.Errorf("abandoned %v, attempts %d, now %+v", r.Abandoned, r.Attempts(2), r.Now)
	}
	if len(r.Resumptions) != 1 {
		t.Errorf("resumptions %v", r.Resumptions)
	}
}

func TestOutcomesComeInTheOrderOfClosingOncePerStep(t *testing.T) {
	a, b, again := step(1, f, plan.Sweep, 0, false), step(2, 2*f, plan.Sweep, 0, true), step(1, f, plan.Sweep, 0, true)
	again.Attempt = 2
	got := fold(opened, a, b, again).Outcomes()
	want := []plan.Outcome{again.Outcome, b.Outcome}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
}

func TestReadingsAreKeptForUpsetsOnly(t *testing.T) {
	good, bad := step(1, f, plan.Sweep, 0, false), step(2, 2*f, plan.Sweep, 0, true)
	good.Readings = []event.Reading{{Monitor: "KG", After: -1, Value: 5.001, HasValue: true},
		{Monitor: "KG", After: 1, Value: 5, HasValue: true, RFOn: true}}
	bad.Readings = slices.Clone(good.Readings)
	r := fold(opened, good, bad, step(3, 3*f, plan.Sweep, 0, false))
	if len(r.Steps[0].Readings) != 0 || len(r.Steps[1].Readings) != 2 {
		t.Errorf("readings kept: %d and %d, want 0 and 2", len(r.Steps[0].Readings), len(r.Steps[1].Readings))
	}
	if q := r.Steps[0].Quiet; len(q) != 1 || q[0].Value != 5.001 {
		t.Errorf("reading before RF is %v, want 5.001", q)
	}
}

func TestRFNotKnownOffIsSeen(t *testing.T) {
	if !fold(opened, event.Safed{Quiet: false}).RFNotKnownOff() {
		t.Error("a safing without quiet passes for silence")
	}
	if fold(opened, event.Safed{Quiet: true}).RFNotKnownOff() {
		t.Error("a quiet safing is called not known")
	}
}

// The live page takes clones while the engine folds on; the run years later folds all at once.
func TestFoldingLiveAndLaterAreOneAndClonesStay(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		events := []event.Event{opened, event.Armed{}}
		for n := range rapid.IntRange(1, 30).Draw(t, "steps") {
			s := step(n+1, rf.Frequency(rapid.IntRange(1, 5).Draw(t, "MHz"))*rf.Megahertz, plan.Sweep,
				rf.Gain(-rapid.IntRange(0, 20).Draw(t, "down")), rapid.Bool().Draw(t, "upset"))
			events = append(events, event.Intent{Step: s.Step, Attempt: 1}, s, event.Hold{Why: "x"}, event.Resumed{})
		}
		records := journal(events...)
		cut := rapid.IntRange(0, len(records)).Draw(t, "cut")
		var live result.Run
		var kept result.Run
		for i, rec := range records {
			if i == cut {
				kept = live.Clone()
			}
			live = result.Fold(live, rec)
		}
		if cut == len(records) {
			kept = live.Clone()
		}
		alike(t, fold(events[:cut]...), kept)
		alike(t, fold(events...), live)
	})
}

func alike(t *rapid.T, want, got result.Run) {
	t.Helper()
	if d := cmp.Diff(want, got, cmp.AllowUnexported(result.Run{}, rf.Current{}, rf.Power{}, rf.Voltage{}),
		cmpopts.EquateEmpty()); d != "" {
		t.Fatalf("differs: %s", d)
	}
}

func BenchmarkFoldHundredThousandSteps(b *testing.B) {
	records := HundredThousandSteps()
	b.ReportAllocs()
	for b.Loop() {
		var r result.Run
		for _, rec := range records {
			r = result.Fold(r, rec)
		}
		if n := len(r.Thresholds()); n != 1000 {
			b.Fatal(n)
		}
	}
}

// HundredThousandSteps is a long run: 1000 frequencies, 100 steps each.
func HundredThousandSteps() []event.Record {
	events := make([]event.Event, 0, 100_001)
	events = append(events, opened)
	for n := range 100_000 {
		s := step(n+1, rf.Frequency(1+n/100)*rf.Megahertz, plan.Onset, rf.Gain(-(n%100))/2, n%100 < 20)
		s.Readings = []event.Reading{{Monitor: "KG", After: -1, Value: 5, HasValue: true},
			{Monitor: "KG", After: 1, Value: 5, HasValue: true, RFOn: true}}
		events = append(events, s)
	}
	return journal(events...)
}
