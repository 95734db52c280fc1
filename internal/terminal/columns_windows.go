package terminal

import (
	"os"

	"golang.org/x/sys/windows"
)

// terminalColumns asks the console behind a file how wide it is; 0 where there is none.
func terminalColumns(f *os.File) int {
	var info windows.ConsoleScreenBufferInfo
	if err := windows.GetConsoleScreenBufferInfo(windows.Handle(f.Fd()), &info); err != nil {
		return 0
	}
	return int(info.Window.Right-info.Window.Left) + 1
}
