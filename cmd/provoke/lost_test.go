package main

import (
	"errors"
	"io"
	"strings"
	"testing"

	"provoke/internal/terminal"
)

// full is a disk without room.
type full struct{ room int }

func (f *full) Write(p []byte) (int, error) {
	if f.room -= len(p); f.room < 0 {
		return 0, errors.New("no space left on device")
	}
	return len(p), nil
}

// TestWhatCouldNotBePrintedIsSaid: an answer that went nowhere, whole or cut, is no success.
func TestWhatCouldNotBePrintedIsSaid(t *testing.T) {
	for _, args := range [][]string{{"level", "3 Vemf"}, {"keys"}, {"version"}, {"help"},
		{"new", t.TempDir() + "/my bench"}} {
		for _, room := range []int{0, 5} {
			var said strings.Builder
			w := &terminal.World{Ctx: t.Context(), Stdin: strings.NewReader(""), Stdout: &full{room}, Stderr: &said}
			if code := run(w, args); code != terminal.ExitError && args[0] != "new" || code == terminal.ExitDone {
				t.Errorf("provoke %s with room for %d bytes: exit code %d, %q", args[0], room, code, said.String())
			}
			if !strings.Contains(said.String(), "no space left") {
				t.Errorf("provoke %s with room for %d bytes says %q", args[0], room, said.String())
			}
			if args[0] == "new" {
				break // the second finds the files of the first
			}
		}
	}
	w := &terminal.World{Ctx: t.Context(), Stdout: io.Discard, Stderr: io.Discard}
	if code := run(w, []string{"version"}); code != 0 {
		t.Errorf("a command that printed all ends with %d", code)
	}
}
