package event_test

import (
	"testing"

	"provoke/internal/job/event"
)

func TestAReadingIsToldWithItsUnitAndNoMoreDigitsThanItHas(t *testing.T) {
	got := event.Line(event.Watching{Monitors: []event.Monitor{{ID: "SHOWN", Unit: "kg", Tolerance: 0.05,
		Baseline: 12.340000000000002, HasBaseline: true}}})
	if want := "DUT without RF: SHOWN 12.34 kg ± 0.05 kg"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}
