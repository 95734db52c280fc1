package main

import (
	"errors"
	"fmt"
	"strings"

	"provoke/internal/files/problem"
	"provoke/internal/units/english"
)

// Exit codes. The table stands in the README too.
const (
	exitDone        = 0
	exitError       = 1
	exitUsage       = 2
	exitProblems    = 3  // problems in an input file
	exitRefused     = 4  // refused before RF by a rating
	exitUpset       = 10 // the DUT upset, only with --fail-on-upset
	exitStopped     = 11 // stopped by the operator, RF verified off
	exitIncomplete  = 12 // not all points closed
	exitTripped     = 20
	exitRFUnknown   = 21 // RF not known to be off
	exitNotVerified = 22 // journal or attachment does not verify
)

// codedError is an error with the exit code that it ends the program with. An error without one
// ends with exitProblems when it holds problems of a file, else with exitError.
type codedError struct {
	code int
	err  error
}

func (e *codedError) Error() string { return e.err.Error() }
func (e *codedError) Unwrap() error { return e.err }

// withCode gives an error its exit code; nil stays nil.
func withCode(code int, err error) error {
	if err == nil {
		return nil
	}
	return &codedError{code, err}
}

// speak prints an error for the person at the bench and returns the exit code.
func speak(w *world, err error) int {
	code := exitError
	if list, ok := problem.ListOf(err); ok {
		code = exitProblems
		fmt.Fprintln(w.stderr, err)
		n := len(list) - len(list.Warnings())
		fmt.Fprintf(w.stderr, "provoke: %s; nothing was done\n", english.Count(n, "problem", "problems"))
	} else {
		fmt.Fprintf(w.stderr, "provoke: %v\n", err)
	}
	var c *codedError
	if errors.As(err, &c) {
		code = c.code
	}
	return code
}

// rfWords says how RF ended, after a verdict: "RF read back as off", or why it is not known to be off, which the
// verdict has said.
func rfWords(how string) string {
	if why, unknown := strings.CutPrefix(how, "RF not known to be off"); unknown {
		return strings.TrimLeft(why, ";: ")
	}
	return "RF " + how
}
