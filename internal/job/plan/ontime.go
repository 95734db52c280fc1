package plan

import (
	"fmt"
	"time"

	"provoke/internal/files/catalog"
	"provoke/internal/units/rf"
)

// OnTime is how long RF may be on at a stretch, and the share of the time that it may be on.
type OnTime struct {
	Longest rf.Duration
	Share   rf.Fraction
	Why     string // the ratings, in words
}

// Where a rating says less: common practice.
const (
	stretch = rf.Duration(time.Minute) // in which a share of time is held, where no time is given
	rested  = rf.Fraction(0.5)         // the share of time that goes with a longest time, where none is given
)

// OnTimeOf returns the ratings of clamp and amplifier; false where they give none.
func OnTimeOf(b *catalog.Bench) (OnTime, bool) {
	l := OnTime{Longest: b.Clamp.MaximumTime, Share: 1}
	if l.Longest > 0 {
		l.Why = fmt.Sprintf("%s is rated for at most %v", b.Clamp.ID, l.Longest)
		if b.Clamp.MaximumDuty <= 0 {
			l.Share = rested
		}
	}
	take := func(id string, share rf.Fraction) {
		if share <= 0 || share >= 1 {
			return
		}
		if l.Why != "" {
			l.Why += ", "
		}
		l.Why += fmt.Sprintf("%s is rated for at most %v of the time", id, share)
		l.Share = min(l.Share, share)
	}
	take(b.Clamp.ID, b.Clamp.MaximumDuty)
	if b.Amplifier != nil {
		take(b.Amplifier.ID, b.Amplifier.MaximumDuty)
	}
	if l.Longest <= 0 {
		l.Longest = stretch
	}
	return l, l.Why != ""
}

// Rest is how long RF must be off after it was on.
func (l OnTime) Rest(on time.Duration) time.Duration {
	return time.Duration(float64(on) * float64(1-l.Share) / float64(l.Share))
}

// Recovered is how much of the time on is made good by a time off.
func (l OnTime) Recovered(off time.Duration) time.Duration {
	if l.Share >= 1 {
		return 1 << 62
	}
	return time.Duration(float64(off) * float64(l.Share) / float64(1-l.Share))
}

// onTime compares dwell and duration with the ratings of time.
func (c *checker) onTime() {
	l, ok := OnTimeOf(c.bench)
	switch d := c.out.Duration; {
	case !ok || c.plan.Kind == Baseline:
	case c.plan.Dwell > l.Longest:
		c.problem("dwell", "one dwell of %v is longer than RF may be on at a stretch: %s (%v at a stretch)",
			c.plan.Dwell, l.Why, l.Longest)
	case l.Share < 1 && d.Longest > l.Longest:
		c.warn("bench", "", "RF waits off after every %v, for %v each: %s; in the worst case the run is longer by %v",
			l.Longest,
			rf.Duration(l.Rest(l.Longest.Std())), l.Why, rf.Duration(l.Rest(d.Longest.Std())))
	}
}
