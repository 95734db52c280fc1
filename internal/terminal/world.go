// Package terminal is how the program speaks to a person at a terminal: tables and lines that fit, output that
// nobody else takes over, what is typed, exit codes.
package terminal

import (
	"context"
	"errors"
	"io"
	"os"
	"time"
)

// World is everything outside the process that a command touches.
type World struct {
	Program  string // version of the program, as it is recorded
	Ctx      context.Context
	Stdin    io.Reader
	lines    *LineReader // of stdin; made by line
	Stdout   io.Writer
	Stderr   io.Writer
	Terminal bool             // stderr is a terminal: status lines may be overwritten
	Now      func() time.Time // wall clock
	Signals  <-chan os.Signal // interrupts; the first finishes safely, the second stops now
	// Simulated: the bench is simulated by this very process, and nobody's hands are at it.
	Simulated bool
}

// Interruptible returns a context that an interrupt ends.
func (w *World) Interruptible() (context.Context, func()) {
	ctx, cancel := context.WithCancelCause(w.Ctx)
	go func() {
		select {
		case <-w.Signals:
			cancel(errors.New("stopped by the operator"))
		case <-ctx.Done():
		}
	}()
	return ctx, func() { cancel(nil) }
}
