package session

import (
	"errors"
	"strings"

	"provoke/internal/bench/guard"
	"provoke/internal/terminal"
)

// SwitchOffByHand is what to do before reading why RF is not known to be off.
const SwitchOffByHand = "take RF away by hand now: mains switch of the amplifier, or of the generator where there is none; touch nothing on the cable before"

// RFUnknown says what to do where a bench could not be brought to off, and why; what was met on opening is told where
// it does not stand there already.
func RFUnknown(rep guard.Report, opening error) error {
	all := []error{errors.New(SwitchOffByHand), errors.New(rep.How)}
	if opening != nil {
		for l := range strings.Lines(opening.Error()) {
			if l = strings.TrimSuffix(l, "\n"); !strings.Contains(rep.How, l) {
				all = append(all, errors.New(l))
			}
		}
	}
	return terminal.WithCode(terminal.ExitRFUnknown, errors.Join(all...))
}
