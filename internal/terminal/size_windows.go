package terminal

import (
	"io"
	"os"

	"golang.org/x/sys/windows"
)

// terminalSize asks the console behind a file for its columns and rows; 0 where there is none.
func terminalSize(f *os.File) (columns, rows int) {
	var info windows.ConsoleScreenBufferInfo
	if err := windows.GetConsoleScreenBufferInfo(windows.Handle(f.Fd()), &info); err != nil {
		return 0, 0
	}
	w := info.Window
	return int(w.Right-w.Left) + 1, int(w.Bottom-w.Top) + 1
}

// overwrites reports whether what stands on the console can be overwritten: escape sequences are a mode, which the
// shell sets back.
func overwrites(out io.Writer) bool {
	s, ours := out.(Screen)
	if !ours {
		return true
	}
	var mode uint32
	h := windows.Handle(s.Fd())
	return windows.GetConsoleMode(h, &mode) == nil &&
		windows.SetConsoleMode(h, mode|windows.ENABLE_VIRTUAL_TERMINAL_PROCESSING) == nil
}
