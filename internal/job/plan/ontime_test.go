package plan

import (
	"testing"
	"time"

	"provoke/internal/files/catalog"
	"provoke/internal/units/rf"
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
		{time: 1, longest: 1, rest: 10 * time.Second}, // however short
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
		if got := l.Rest(10 * time.Second).Round(time.Millisecond); ok &&
			(l.Longest.Std() != c.longest || got != c.rest) {
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

func TestTheRatingsOfTimeAreSaidInWords(t *testing.T) {
	for _, c := range []struct {
		time       rf.Duration
		clamp, amp rf.Fraction
		want       string
	}{
		{rf.Duration(10 * time.Minute), 0.25, 0.5,
			"CLAMP1 is rated for at most 10 min, CLAMP1 is rated for at most 25 % of the time, AMP1 is rated for at " +
				"most 50 % of the time"},
		{0, 0.25, 1, "CLAMP1 is rated for at most 25 % of the time"},
		{0, 0, 0.5, "AMP1 is rated for at most 50 % of the time"},
		{rf.Duration(10 * time.Minute), 0, 0, "CLAMP1 is rated for at most 10 min"},
	} {
		b := &catalog.Bench{Amplifier: &catalog.Amplifier{Identity: catalog.Identity{ID: "AMP1"}, MaximumDuty: c.amp}}
		b.Clamp.ID, b.Clamp.MaximumTime, b.Clamp.MaximumDuty = "CLAMP1", c.time, c.clamp
		if l, ok := OnTimeOf(b); !ok || l.Why != c.want {
			t.Errorf("%q, want %q", l.Why, c.want)
		}
	}
}
