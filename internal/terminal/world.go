// Package terminal is how the program speaks to a person at a terminal: tables and lines that fit, output that
// nobody else takes over, what is typed, exit codes.
package terminal

import (
	"context"
	"io"
	"os"
	"time"
)

// World is everything outside the process that a command touches.
type World struct {
	Ctx      context.Context
	Stdin    io.Reader
	lines    *LineReader // of stdin; made by line
	Stdout   io.Writer
	Stderr   io.Writer
	Terminal bool             // stderr is a terminal: status lines may be overwritten
	Now      func() time.Time // wall clock
	Signals  <-chan os.Signal // interrupts; the first finishes safely, the second stops now
}
