package terminal_test

import (
	"bytes"
	"errors"
	"strings"
	"testing"

	"provoke/internal/job/event"
	"provoke/internal/terminal"
)

// Every command that ends with RF not known to be off says so in the same words, once, before it says why.
func TestWhereRFIsNotKnownToBeOffTheAlarmStandsBeforeTheCause(t *testing.T) {
	var out bytes.Buffer
	w := &terminal.World{Stderr: &out}
	why := errors.New("source GEN1 does not answer")
	if code := terminal.Speak(w, terminal.WithCode(terminal.ExitRFUnknown, why)); code != terminal.ExitRFUnknown {
		t.Errorf("exit code %d", code)
	}
	alarm, cause, _ := strings.Cut(out.String(), "provoke: ")
	if strings.Count(out.String(), event.RFAlarm) != 1 || !strings.Contains(alarm, event.RFAlarm) ||
		!strings.Contains(alarm, event.TakeRFAway) || cause != why.Error()+"\n" {
		t.Errorf("it said\n%s", out.String())
	}
	out.Reset()
	if terminal.Speak(w, terminal.WithCode(terminal.ExitTripped, why)); strings.Contains(out.String(), event.RFAlarm) {
		t.Errorf("an alarm after a trip: %s", out.String())
	}
}
