package engine

import (
	"errors"
	"fmt"
	"time"

	"provoke/internal/job/plan"
	"provoke/internal/units/rf"
)

// errTimeUp is the cause when the plan's time is up.
var errTimeUp = errors.New("time is up")

// timeLimit is the time that a run has. It counts from the moment at which RF was allowed, by the clock on the wall:
// baseline, holds and waiting for a person are among it. A part of a run that is taken up again counts anew.
type timeLimit struct {
	began time.Time
	took  map[plan.Purpose]taken
}

// taken is how long steps of a purpose took.
type taken struct {
	steps int
	time  time.Duration
}

// TimeLeft says how much of the plan's time is left; "" without a limit.
func (s Status) TimeLeft(now time.Time) string {
	left := s.Until.Sub(now).Round(time.Second)
	switch {
	case s.Until.IsZero():
		return ""
	case left <= 0:
		return "time is up"
	}
	return rf.Duration(left).String() + " until the time is up"
}

func (l *timeLimit) closed(step plan.Step, took time.Duration) {
	t := l.took[step.Purpose]
	l.took[step.Purpose] = taken{t.steps + 1, t.time + took}
}

// until is when the time is up; zero for never.
func (r *run) until() time.Time {
	if r.cfg.Plan.TimeLimit <= 0 {
		return time.Time{}
	}
	return r.time.began.Add(r.cfg.Plan.TimeLimit.Std())
}

// expected is how long a step is expected to take: as those of its purpose took on the average, or by the estimate as
// long as there was none.
func (r *run) expected(step plan.Step) time.Duration {
	if t := r.time.took[step.Purpose]; t.steps > 0 {
		return t.time / time.Duration(t.steps)
	}
	upsets := 0
	if step.Purpose == plan.Confirm || step.Purpose == plan.Recover {
		upsets = 1
	}
	return plan.TimeOf(r.cfg.Plan, r.bench, 1+len(step.Descend)/2, upsets).Std()
}

// inTime returns an error when a step does not fit into what is left of the time.
func (r *run) inTime(step plan.Step) error {
	until := r.until()
	takes := r.expected(step)
	if until.IsZero() || time.Until(until) >= takes {
		return nil
	}
	done, known := r.cfg.Program.Progress()
	return fmt.Errorf("%w: of %v, %v are left, and the next step takes about %v; %d of %d frequencies were exposed",
		errTimeUp, r.cfg.Plan.TimeLimit, brief(max(0, time.Until(until))), brief(takes), done, known)
}

// brief is a time to tenths of a second, or to milliseconds below one.
func brief(d time.Duration) rf.Duration {
	if d < time.Second {
		return rf.Duration(d.Round(time.Millisecond))
	}
	return rf.Duration(d.Round(time.Second / 10))
}
