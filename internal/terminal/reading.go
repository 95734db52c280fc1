package terminal

import (
	"errors"
	"os"

	"provoke/internal/files/document"
	"provoke/internal/job/event"
)

// ReadText reads a file that a person wrote: a bench, a plan, parts.
func ReadText(name string) ([]byte, error) { return ReadFile(name, document.MaximumSize) }

// ReadTable reads a file of figures: a curve, a trace, a sweep.
func ReadTable(name string) ([]byte, error) { return ReadFile(name, document.MaximumTable) }

// ReadFile reads a file of at most so many bytes.
func ReadFile(name string, most int64) ([]byte, error) {
	f, err := os.Open(name)
	var pe *os.PathError
	if errors.As(err, &pe) {
		return nil, &os.PathError{Op: pe.Op, Path: event.Printable(pe.Path), Err: pe.Err} // a name may hold a line feed
	}
	if err != nil {
		return nil, err
	}
	return document.ReadFile(f, event.Printable(name), most)
}
