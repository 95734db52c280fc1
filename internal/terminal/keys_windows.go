package terminal

import (
	"errors"
	"fmt"
	"io"
	"os"

	"golang.org/x/sys/windows"
)

// keyMode is a console that delivers keys.
type keyMode struct {
	in  windows.Handle
	was uint32
}

// isTerminal reports a file that is a console.
func isTerminal(f *os.File) bool {
	var mode uint32
	return windows.GetConsoleMode(windows.Handle(f.Fd()), &mode) == nil
}

// enterKeyMode turns a console to single keys until leave: arrows and the like come as escape sequences, Ctrl-C
// stays a signal. Nothing is stopped here.
func enterKeyMode(f *os.File, _ func(bool)) (*keyMode, error) {
	m := &keyMode{in: windows.Handle(f.Fd())}
	if err := windows.GetConsoleMode(m.in, &m.was); err != nil {
		return nil, fmt.Errorf("ask the console for its mode: %w", err)
	}
	keys := m.was&^(windows.ENABLE_LINE_INPUT|windows.ENABLE_ECHO_INPUT) | windows.ENABLE_PROCESSED_INPUT |
		windows.ENABLE_VIRTUAL_TERMINAL_INPUT
	if err := windows.SetConsoleMode(m.in, keys); err != nil {
		return nil, fmt.Errorf("turn the console to single keys: %w", err)
	}
	return m, nil
}

// leave gives the console back.
func (m *keyMode) leave() { windows.SetConsoleMode(m.in, m.was) }

func (m *keyMode) suspend() {}

// comesBack reports a Ctrl-Z among single keys, which Go's reader takes for the end of the input.
func comesBack(in io.Reader, err error) bool {
	f, ok := in.(*os.File)
	var mode uint32
	return ok && errors.Is(err, io.EOF) && windows.GetConsoleMode(windows.Handle(f.Fd()), &mode) == nil &&
		mode&windows.ENABLE_LINE_INPUT == 0
}
