package event_test

import (
	"testing"

	"provoke/internal/job/event"
)

func TestOnlyAMeasuredOffIsCalledVerified(t *testing.T) {
	for v, want := range map[event.Verdict]event.Verdict{
		event.Failed:        "failed, RF off, not measured",
		event.TrippedEnd:    "tripped, RF off, not measured",
		event.Stopped:       "stopped by the operator, RF off, not measured",
		event.TimeUp:        "time is up, RF off, not measured",
		event.Done:          event.Done,
		event.RFNotKnownOff: event.RFNotKnownOff,
	} {
		if got := v.Unmeasured(); got != want || got.Kind() != v || v.Kind() != v {
			t.Errorf("%s: %s, of the kind %s", v, got, got.Kind())
		}
	}
}
