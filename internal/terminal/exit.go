package terminal

import (
	"errors"
	"fmt"
	"io"
	"strings"

	"provoke/internal/files/problem"
	"provoke/internal/job/event"
	"provoke/internal/units/english"
)

// Exit codes. The table stands in the README too.
const (
	ExitDone        = 0
	ExitError       = 1
	ExitUsage       = 2
	ExitProblems    = 3  // problems in an input file
	ExitRefused     = 4  // refused before RF by a rating
	ExitUpset       = 10 // the DUT upset, only with --fail-on-upset
	ExitStopped     = 11 // stopped by the operator, RF verified off
	ExitIncomplete  = 12 // not all points closed
	ExitTripped     = 20
	ExitRFUnknown   = 21 // RF not known to be off
	ExitNotVerified = 22 // journal or attachment does not verify
)

// codedError is an error with the exit code that it ends the program with. An error without one
// ends with ExitProblems when it holds problems of a file, else with ExitError.
type codedError struct {
	code int
	err  error
}

func (e *codedError) Error() string { return e.err.Error() }
func (e *codedError) Unwrap() error { return e.err }

// WithCode gives an error its exit code; nil stays nil.
func WithCode(code int, err error) error {
	if err == nil {
		return nil
	}
	return &codedError{code, err}
}

// Alarm prints that RF is not known to be off, and what to do; a terminal rings.
func Alarm(out io.Writer) {
	Ring(out)
	fmt.Fprintf(out, "\n*** %s ***\n*** %s ***\n\n", event.RFAlarm, event.TakeRFAway)
}

// Speak prints an error for the person at the bench and returns the exit code. Where RF is not known to be off the
// alarm stands before it.
func Speak(w *World, err error) int {
	code := ExitError
	var c *codedError
	coded := errors.As(err, &c)
	if coded && c.code == ExitRFUnknown {
		Alarm(w.Stderr)
	}
	if list, ok := problem.ListOf(err); ok {
		code = ExitProblems
		fmt.Fprintln(w.Stderr, err)
		n := len(list) - len(list.Warnings())
		fmt.Fprintf(w.Stderr, "provoke: %s; nothing was done\n", english.Count(n, "problem", "problems"))
	} else {
		fmt.Fprintf(w.Stderr, "provoke: %v\n", err)
	}
	if coded {
		code = c.code
	}
	return code
}

// RFWords says how RF ended, after a verdict: "RF read back as off", or why it is not known to be off, which the
// verdict has said.
func RFWords(how string) string {
	if why, unknown := strings.CutPrefix(how, "RF not known to be off"); unknown {
		return strings.TrimLeft(why, ";: ")
	}
	return "RF " + how
}
