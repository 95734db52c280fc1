package main

import (
	"math"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"provoke/internal/job/event"
	"provoke/internal/job/result"
	"provoke/internal/job/store"
	"provoke/internal/run/engine"
	"provoke/internal/run/watcher"
)

// jumpedRun does the exposure of a served demo by the path of `provoke run`, with a wall clock that is
// set in its middle. It returns the fold and the records.
func jumpedRun(t *testing.T, p *person, step time.Duration) (*result.Run, []event.Record) {
	t.Helper()
	var offset atomic.Int64
	w := *p.desk.w
	w.Now = func() time.Time { return time.Now().Round(0).Add(time.Duration(offset.Load())) } // no steady clock in it
	file := filepath.Join(t.TempDir(), "job.provoke")
	began := time.Now()
	res, err := perform(&w, performance{planFile: filepath.Join(p.dir, "exposure.yaml"), jobFile: file, armed: true, operator: "A. Invented",
		operatorSays: make(chan engine.Command), progress: func(s engine.Status) {
			if s.Phase == "exposing" && s.RFOn && s.Done >= 3 {
				offset.Store(int64(step))
			}
		}})
	if err != nil {
		t.Fatal(err)
	}
	if took := time.Since(began); took > 60*time.Second {
		t.Errorf("the run took %v", took)
	}
	if step != 0 && offset.Load() == 0 {
		t.Fatal("the clock was never set")
	}
	job, err := store.OpenReadOnly(file)
	if err != nil {
		t.Fatal(err)
	}
	defer job.Close()
	if rep, err := job.Verify(); err != nil || !rep.OK() {
		t.Errorf("the journal does not verify: %+v %v", rep, err)
	}
	var records []event.Record
	r := &result.Run{}
	for rec, err := range job.Records(1, 1) {
		if err != nil {
			t.Fatal(err)
		}
		records = append(records, rec)
		r.Apply(rec)
		switch e := rec.Event.(type) {
		case event.Tripped:
			t.Errorf("set by %v the run tripped: %s", step, e.Cause)
		case event.Safed:
			if e.By != "" {
				t.Errorf("set by %v the %s acted: %s", step, e.By, e.Cause)
			}
		}
	}
	if left, err := watcher.Left(file); left != nil || err != nil {
		t.Errorf("set by %v the watcher left %v %v", step, left, err)
	}
	if r.Armed == nil || !strings.HasPrefix(r.Armed.Suspend, "suspend is ") {
		t.Errorf("arming does not say whether the machine may sleep: %+v", r.Armed)
	}
	if r.Verdict != res.Verdict {
		t.Errorf("journalled %q, returned %q", r.Verdict, res.Verdict)
	}
	return r, records
}

// Nothing that a run measures or waits for rests on the clock of the wall.
func TestAWallClockThatIsSetInARunChangesNothingButTheDates(t *testing.T) {
	p := besieged(t)
	peace, records := jumpedRun(t, p, 0)
	if len(peace.ClockSets) > 0 || len(records) < 20 {
		t.Errorf("%d records, clock %v", len(records), peace.ClockSets)
	}
	for step, want := range map[time.Duration]string{
		time.Hour:  "the clock of this machine was set by +1 h 0 min",
		-time.Hour: "the clock of this machine was set by −1 h 0 min",
	} {
		r, records := jumpedRun(t, p, step)
		if r.Verdict != peace.Verdict || found(r) != found(peace) {
			t.Errorf("set by %v: %q %s, else %q:\n%s\nnot\n%s", step, r.Verdict, r.Why, peace.Verdict, found(r), found(peace))
		}
		if len(r.ClockSets) != 1 || r.ClockSets[0].Words() != want {
			t.Errorf("journalled %v", r.ClockSets)
		}
		for i, s := range r.Steps {
			if !s.Outcome.Upset && s.OnFor < r.Opened.Dwell || s.OnFor < 0 || s.OnFor.Std() > 10*time.Second || s.RecoveredAfter.Std() > 10*time.Second || s.RecoveredAfter < 0 {
				t.Errorf("set by %v, step %d: on for %v, recovered after %v", step, i, s.OnFor, s.RecoveredAfter)
			}
			for _, x := range s.Readings {
				if math.Abs(x.After.Std().Seconds()) > 10 {
					t.Errorf("set by %v, step %d: a reading %v after RF came up", step, i, x.After)
				}
			}
		}
		for i, rec := range records {
			if rec.Seq != int64(i+1) {
				t.Errorf("set by %v: record %d has number %d", step, i+1, rec.Seq)
			}
			if i == 0 {
				continue
			}
			_, set := rec.Event.(event.ClockSet)
			if d := rec.At.Sub(records[i-1].At); (d < -time.Minute || d > time.Minute) != set {
				t.Errorf("set by %v: %v between records %d and %d (%s)", step, d, i, i+1, rec.Event.Kind())
			}
		}
	}
}
