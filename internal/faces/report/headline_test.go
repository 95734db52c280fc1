package report_test

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"provoke/internal/faces/report"
	"provoke/internal/findings/analysis"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/tell"
	"provoke/internal/units/rf"
)

// A journal of every kind of run, and what a reader must find at the head of whatever tells of it. What is right is
// counted here from the records alone.
func journals() map[string][]event.Event {
	opened := func(kind plan.RunKind, mode plan.Mode) event.Opened {
		return event.Opened{RunKind: kind, Mode: mode, Fixture: "cable", Resolution: 0.5, Range: 40,
			Setup: []event.Field{{Name: "product", Value: "belt weigher"}}}
	}
	step := func(n int, f rf.Frequency, p plan.Purpose, offset float64, o plan.Outcome) event.StepClosed {
		o.Number = n
		return event.StepClosed{Attempt: 1, Outcome: o, Current: rf.DBuA(80 + offset),
			Step: plan.Step{Number: n, Purpose: p, Offset: rf.Gain(offset),
				Point: plan.Point{Frequency: f, Target: rf.DBuA(80)}}}
	}
	well, upset := plan.Outcome{Exposures: 1}, plan.Outcome{Exposures: 1, Upset: true}
	exposure := opened(plan.Exposure, plan.ClosedLoop)
	sweep := opened(plan.Exposure, plan.ConstantDrive)
	pass := func(n int) event.SweepPass {
		e := event.SweepPass{Pass: n, Law: "log", From: 1e6, To: 30e6, Time: rf.Duration(time.Minute)}
		for i := range 5 {
			e.Upsets = append(e.Upsets, event.SweepUpset{Monitor: "KG", Apparent: rf.Frequency(17e6 + 1e6*float64(i)),
				After: rf.Duration(time.Second)})
		}
		return e
	}
	closed := func(v event.Verdict) event.Closed { return event.Closed{Verdict: v} }
	return map[string][]event.Event{
		"exposure, well": {exposure, step(1, 10e6, plan.Sweep, 0, well), closed(event.Done)},
		"exposure, upset": {exposure, step(1, 10e6, plan.Sweep, 0, upset),
			step(2, 10e6, plan.Onset, -0.5, well), closed(event.DoneUpset)},
		"stopped after an upset": {exposure, step(1, 10e6, plan.Sweep, 0, upset),
			event.Stopping{Cause: "stopped by the operator", ByOperator: true}, closed(event.Stopped)},
		"stopped while well": {exposure, step(1, 10e6, plan.Sweep, 0, well), closed(event.Stopped)},
		"stopped after a mark": {exposure, step(1, 10e6, plan.Sweep, 0, well),
			event.OperatorMark{Text: "it upset now"}, closed(event.Stopped)},
		"tripped": {exposure, step(1, 10e6, plan.Sweep, 0, upset), event.Tripped{Cause: "test"},
			closed(event.TrippedEnd)},
		"not closed":      {exposure, step(1, 10e6, plan.Sweep, 0, well)},
		"nothing exposed": {exposure, closed(event.Failed)},
		"level not reached": {exposure,
			step(1, 10e6, plan.Sweep, 0, plan.Outcome{Exposures: 1, NotReached: true}), closed(event.Incomplete)},
		"RF not known to be off": {exposure, step(1, 10e6, plan.Sweep, 0, well),
			event.Safed{Quiet: false, How: "RF not known to be off"}, closed(event.RFNotKnownOff)},
		"control, upset": {opened(plan.Control, plan.ClosedLoop), step(1, 10e6, plan.Sweep, 0, upset),
			closed(event.DoneUpset)},
		"baseline, quiet": {opened(plan.Baseline, plan.ClosedLoop), step(1, 10e6, plan.Sweep, 0, well),
			closed(event.Done)},
		"baseline, false alarm": {opened(plan.Baseline, plan.ClosedLoop), step(1, 10e6, plan.Sweep, 0, upset),
			closed(event.DoneUpset)},
		"calibration": {opened(plan.Calibration, plan.ClosedLoop),
			step(1, 10e6, plan.Sweep, 0, plan.Outcome{}), closed(event.Done)},
		"free sweep with ten upsets": {sweep, pass(1), pass(2),
			event.SweepBands{Bands: []event.SweepBand{{Low: 17e6, High: 23e6}}}, closed(event.Done)},
		"free sweep, well": {sweep, event.SweepPass{Pass: 1, Law: "log", From: 1e6, To: 30e6},
			event.SweepBands{}, closed(event.Done)},
		"staircase": {exposure, step(1, 10e6, plan.StaircaseStep, 0, well),
			step(2, 10e6, plan.StaircaseStep, 0, upset), closed(event.DoneUpset)},
		"upset in the drift check": {exposure, step(1, 10e6, plan.DriftCheck, -6, upset), closed(event.DoneUpset)},
	}
}

// What is reported first is never better than what was seen.
func TestTheHeadlineIsNeverBetterThanTheJournal(t *testing.T) {
	for name, events := range journals() {
		t.Run(name, func(t *testing.T) {
			r := result.Run{Number: 1}
			upsets, exposed, known, complete := 0, 0, true, false
			for i, e := range events {
				r = result.Fold(r, event.Record{Run: 1, Seq: int64(i + 1),
					At: time.Date(2026, 3, 1, 12, 0, i, 0, time.UTC), Event: e})
				switch e := e.(type) {
				case event.StepClosed:
					exposed += e.Outcome.Exposures
					if e.Outcome.Upset {
						upsets++
					}
				case event.SweepPass:
					exposed++
					upsets += len(e.Upsets)
				case event.OperatorMark:
					upsets++
				case event.Safed:
					known = e.Quiet
				case event.Closed:
					complete = e.Verdict == event.Done || e.Verdict == event.DoneUpset
				}
			}
			kind := events[0].(event.Opened).RunKind
			exposes := kind == plan.Exposure || kind == plan.Control
			text, mark := tell.Headline(analysis.Of(r, nil))
			var page bytes.Buffer
			if err := report.HTML(&page, tell.Job{Name: "job", Runs: []result.Run{r}, Detailed: []int{1}}); err != nil {
				t.Fatal(err)
			}
			first, _, _ := strings.Cut(page.String(), "<h2")
			if !strings.Contains(strings.Join(strings.Fields(first), " "), text) {
				t.Errorf("page 1 does not hold %q", text)
			}
			for where, said := range map[string]string{"headline": text, "page 1": first} {
				low := strings.ToLower(said)
				if (upsets > 0 || exposed == 0 && exposes) &&
					(strings.Contains(low, "no upset") || strings.Contains(low, "not upset")) {
					t.Errorf("%s: %d upsets, %d exposures: %q", where, upsets, exposed, said)
				}
			}
			if mark == "good" && (upsets > 0 || exposed == 0 || !known || !complete || !exposes) {
				t.Errorf("marked good: %d upsets, %d exposures, off known %v, complete %v: %q", upsets, exposed,
					known, complete, text)
			}
			if exposes && upsets > 0 && mark != "bad" || !known &&
				(mark != "bad" || !strings.Contains(text, "NOT KNOWN")) {
				t.Errorf("%d upsets, off known %v, marked %q: %q", upsets, known, mark, text)
			}
			t.Logf("%s [%s]", text, mark)
		})
	}
}
