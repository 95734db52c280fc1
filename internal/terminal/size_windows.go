package terminal

import (
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

// goesUp reports whether the cursor of the console can be moved up: escape sequences are a mode, which the shell
// sets back.
func goesUp(f *os.File) bool {
	var mode uint32
	out := windows.Handle(f.Fd())
	return windows.GetConsoleMode(out, &mode) == nil &&
		windows.SetConsoleMode(out, mode|windows.ENABLE_VIRTUAL_TERMINAL_PROCESSING) == nil
}
