package event_test

import (
	"testing"
	"time"

	"provoke/internal/job/event"
)

// cannedClock is a machine whose clock was set while a run went on.
func cannedClock() []event.Event {
	return []event.Event{event.ClockSetBy(time.Hour), event.ClockSetBy(-90 * time.Second)}
}

func TestASteppedClockIsToldWithItsSign(t *testing.T) {
	for i, want := range []string{"the clock of this machine was set by +1 h 0 min",
		"the clock of this machine was set by −1 min 30 s"} {
		if got := event.Line(cannedClock()[i]); got != want {
			t.Errorf("%q", got)
		}
	}
}
