package result

import (
	"errors"
	"iter"

	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/units/rf"
)

// Fold returns the run after one more record. The result depends on nothing but the records, in
// order. For speed it works in place: r is used up, and only the returned run may be used. Clone
// makes a copy that stays.
func Fold(r Run, rec event.Record) Run {
	r.Apply(rec)
	return r
}

// All folds every record of a run. A record that this program cannot read is counted and passed
// over; any other error ends the fold and is returned with the run up to there.
func All(records iter.Seq2[event.Record, error]) (Run, error) {
	var r Run
	for rec, err := range records {
		if err != nil && !errors.Is(err, event.ErrUnreadable) {
			return r, err
		}
		r.Apply(rec)
	}
	return r, nil
}

// Apply is Fold in place.
func (r *Run) Apply(rec event.Record) {
	if r.Number == 0 {
		r.Number = rec.Run
	}
	r.Records++
	r.LastAt = rec.At
	r.Head = rec.Chain
	switch e := rec.Event.(type) {
	case event.Opened:
		r.open(rec, e)
	case event.Armed:
		r.Armed = &e
		r.State = Armed
	case event.Watching:
		r.Monitors = e.Monitors
	case event.FirstLight:
		r.FirstLight = append(r.FirstLight, e)
	case event.Intent:
		r.intend(rec, e)
	case event.StepClosed:
		r.closeStep(rec, &e)
	case event.Hold:
		r.Holds = append(r.Holds, Hold{From: rec.At, Why: e.Why})
		r.State = Holding
	case event.Resumed:
		r.resume(rec, e.Why)
	case event.Note:
		r.Notes = append(r.Notes, Noted{rec.At, e})
	case event.Attached:
		r.Attachments = append(r.Attachments, Attached{rec.At, e})
	case event.LaboratoryFailures:
		r.Laboratory = &e
	case event.ClockSet:
		r.ClockSets = append(r.ClockSets, e)
	case event.OperatorMark:
		r.Marks = append(r.Marks, Marked{rec.At, e.Text})
	case event.HandsIn, event.HandsOut, event.Reference:
		r.Fixing = append(r.Fixing, rec)
	default:
		if !r.applyByHand(rec.Event) {
			r.applyEnd(rec)
		}
	}
}

// applyByHand folds what a person did, what a source did by itself, and what joined the run later.
func (r *Run) applyByHand(e event.Event) bool {
	switch e := e.(type) {
	case event.HardwareOff:
		r.HardwareOff = append(r.HardwareOff, e)
	case event.ByHand:
		r.ByHand = append(r.ByHand, e)
	case event.SweepPass:
		r.Passes = append(r.Passes, e)
	case event.SweepBands:
		r.Bands = &e
	case event.TraceRead:
		r.Traces = append(r.Traces, e)
	case event.LogRead:
		r.Logs = append(r.Logs, e)
	default:
		return false
	}
	return true
}

// applyEnd folds the events of a run's end.
func (r *Run) applyEnd(rec event.Record) {
	switch e := rec.Event.(type) {
	case event.Tripped:
		r.Trips = append(r.Trips, Trip{rec.At, e})
		r.stop(e.Cause, e.By, e.By == "operator")
		r.State = Tripped
	case event.Stopping:
		by := "engine"
		if e.ByOperator {
			by = "operator"
		}
		r.stop(e.Cause, by, e.ByOperator)
		if r.State != Tripped {
			r.State = Safing
		}
	case event.Safed:
		r.Safed = &e
		if r.State != Tripped {
			r.State = Safing
		}
	case event.Closed:
		r.abandon()
		r.endHold(rec)
		r.Verdict, r.Why = e.Verdict, e.Why
		r.State = Closed
	case event.Unknown:
		r.Unreadable++
	}
}

// stop keeps the first cause.
func (r *Run) stop(cause, by string, human bool) {
	if r.StopCause == "" {
		r.StopCause, r.StopBy, r.StoppedByHuman = cause, by, human
	}
}

func (r *Run) open(rec event.Record, e event.Opened) {
	if r.State != "" { // the same run, opened again after a crash
		r.takeUp(rec, "opened again")
	} else {
		r.OpenedAt = rec.At
	}
	r.Opened = e
	r.Monitors = e.Monitors
	r.State = Opening
}

// resume ends a hold, or takes the run up again after it had stopped or crashed.
func (r *Run) resume(rec event.Record, why string) {
	if r.State == Holding {
		r.endHold(rec)
	} else {
		r.takeUp(rec, why)
	}
	r.State = Armed
	if len(r.Steps) > 0 || r.Now.Active {
		r.State = Exposing
	}
}

// takeUp forgets how the run had ended; what ended it stays readable in the journal.
func (r *Run) takeUp(rec event.Record, why string) {
	r.abandon()
	r.endHold(rec)
	r.Resumptions = append(r.Resumptions, Resumption{rec.At, why})
	r.StopCause, r.StopBy, r.StoppedByHuman = "", "", false
	r.Verdict, r.Why, r.Safed = "", "", nil
}

func (r *Run) endHold(rec event.Record) {
	if n := len(r.Holds); n > 0 && r.Holds[n-1].To.IsZero() {
		r.Holds[n-1].To = rec.At
	}
}

// abandon moves a step that was meant but never closed to the abandoned ones.
func (r *Run) abandon() {
	if r.Now.Active {
		r.Abandoned = append(r.Abandoned, event.Intent{Step: r.Now.Step, Attempt: r.Now.Attempt})
		r.Now = Now{Current: r.Now.Current}
	}
}

func (r *Run) intend(rec event.Record, e event.Intent) {
	r.abandon()
	r.Now = Now{
		Active: true, Step: e.Step, Attempt: e.Attempt, Since: rec.At,
		Frequency: e.Step.Point.Frequency,
		Drive:     e.Step.Point.Drive.Add(e.Step.Offset),
		Target:    e.Step.Point.Target.Add(e.Step.Offset),
		Current:   r.Now.Current,
	}
	r.State = Exposing
}

func (r *Run) closeStep(rec event.Record, e *event.StepClosed) {
	p := r.pointOf(e.Step.Point)
	var s *Step
	if n := len(p.Steps); n > 0 && *p.Steps[n-1].Step.Point == (Place{e.Step.Point, e.Means}) {
		s = stepOf(rec.Seq, rec.At, e, p.Steps[n-1].Step.Point)
	} else {
		s = StepOf(rec.Seq, rec.At, *e)
	}
	r.Last, r.Readings = s, e.Readings
	r.Steps = append(r.Steps, s)
	p.Steps = append(p.Steps, s)
	r.count(e)
	r.HighestCurrent = higher(r.HighestCurrent, higher(e.Highest, e.Current))
	r.Now = Now{Current: e.Current, Frequency: e.Step.Point.Frequency, Drive: e.Drive,
		Target: e.Step.Point.Target.Add(e.Step.Offset)}
	if r.State != Tripped && r.State != Safing {
		r.State = Exposing
	}
}

func (r *Run) count(e *event.StepClosed) {
	r.Exposures += e.Outcome.Exposures
	if e.Outcome.Upset {
		r.Upsets++
	}
	if e.Outcome.NotReached {
		r.NotReached++
	}
	if e.Outcome.Skipped {
		r.Skipped++
	}
}

func (r *Run) pointOf(of plan.Point) *Point {
	f := of.Frequency
	p := r.points[f]
	if p == nil {
		if r.points == nil {
			r.points = map[rf.Frequency]*Point{}
		}
		p = &Point{Frequency: f}
		r.points[f] = p
		r.order = append(r.order, f)
	}
	if of.Target.Known() {
		p.Target = of.Target
	}
	if w := of.Wanted.Current; w.Known() {
		p.Wanted = w
	}
	return p
}

// higher returns the level with the higher number; an absent one gives way.
func higher(a, b rf.Current) rf.Current {
	switch {
	case !a.Known():
		return b
	case !b.Known() || a.DB() >= b.DB():
		return a
	}
	return b
}
