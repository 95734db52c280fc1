package engine

import (
	"context"
	"fmt"
	"time"

	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/units/rf"
)

// duty adds up how long RF was on at a stretch. Time with RF off takes from it at the rate at which the
// rating's share of time would be held.
type duty struct {
	used  time.Duration
	since time.Time
	on    bool
}

// note is told when RF comes on or goes off.
func (d *duty) note(on bool, at time.Time, l plan.OnTime) {
	d.used, d.since, d.on = d.at(at, l), at, on
}

// at is what is used up at a time.
func (d *duty) at(now time.Time, l plan.OnTime) time.Duration {
	passed := now.Sub(d.since)
	switch {
	case d.since.IsZero():
		return 0
	case d.on:
		return d.used + passed
	}
	return max(0, d.used-l.Recovered(passed))
}

// cool waits with RF off where the next step would bring RF beyond a rating of time or of duty.
func (r *run) cool(ctx context.Context) error {
	l, ok := plan.OnTimeOf(r.bench)
	if !ok || r.guard == nil {
		return nil
	}
	used := r.duty.at(time.Now(), l)
	if used+r.cfg.Plan.Dwell.Std() <= l.Longest.Std() || used == 0 {
		return nil
	}
	if err := r.off(ctx); err != nil {
		return err
	}
	wait := l.Rest(used)
	why := fmt.Sprintf("RF was on for %v: it stays off for %v, because %s", rf.Duration(used.Round(time.Millisecond)),
		rf.Duration(wait.Round(time.Millisecond)), l.Why)
	if err := r.journal(event.Hold{Why: why}); err != nil {
		return err
	}
	r.tell(why)
	for end := time.Now().Add(wait); time.Now().Before(end); {
		if err := r.stopAsked(); err != nil {
			return err
		}
		if err := r.sleep(ctx, time.Until(end)); err != nil {
			return err
		}
	}
	r.duty = duty{}
	return r.journal(event.Resumed{Why: "the rating of time allows RF again"})
}
