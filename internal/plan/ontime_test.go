package plan

import (
	"testing"
	"time"

	"provoke/internal/catalog"
	"provoke/internal/rf"
)

func TestTheRatingsOfTimeAndTheRestThatTheyWant(t *testing.T) {
	for _, c := range []struct {
		time       rf.Duration
		clamp, amp rf.Fraction
		longest    time.Duration
		rest       time.Duration // after 10 s on
		none       bool
	}{
		{none: true}, {clamp: 1, amp: 1, none: true},
		{time: rf.Duration(time.Hour), clamp: 1, longest: time.Hour, rest: 0},
		{time: rf.Duration(time.Hour), longest: time.Hour, rest: 10 * time.Second},
		{clamp: 0.25, longest: time.Minute, rest: 30 * time.Second},
		{clamp: 0.5, amp: 0.2, longest: time.Minute, rest: 40 * time.Second},
	} {
		b := &catalog.Bench{Amplifier: &catalog.Amplifier{MaximumDuty: c.amp}}
		b.Clamp.MaximumTime, b.Clamp.MaximumDuty = c.time, c.clamp
		l, ok := OnTimeOf(b)
		if ok == c.none {
			t.Errorf("%+v: %+v, %v", c, l, ok)
			continue
		}
		if got := l.Rest(10 * time.Second).Round(time.Millisecond); ok && (l.Longest.Std() != c.longest || got != c.rest) {
			t.Errorf("%+v: %+v, rest %v", c, l, got)
		}
		p := &Plan{Kind: Exposure, Dwell: l.Longest + 1}
		k := checker{plan: p, bench: b}
		k.onTime()
		if ok && k.list.Err() == nil {
			t.Errorf("%+v: a dwell that is too long passes", c)
		}
	}
}
