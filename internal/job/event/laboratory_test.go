package event_test

import (
	"fmt"
	"testing"

	"provoke/internal/job/event"
)

// A range is looked at in its middle, by ratio, and at its ends; a failure at one frequency there.
func TestWhereTheFailuresOfALaboratoryAreLookedFor(t *testing.T) {
	l := event.LaboratoryFailures{Failures: []event.LaboratoryFailure{{From: 27.12e6}, {From: 20e6, To: 45e6},
		{From: 3e6, To: 3e6}}}
	if got := fmt.Sprint(l.Frequencies()); got != "[27.12 MHz 30 MHz 20 MHz 45 MHz 3 MHz]" {
		t.Error(got)
	}
}
