//go:build unix

package terminal

import (
	"os"

	"golang.org/x/sys/unix"
)

// terminalSize asks the terminal behind a file for its columns and rows; 0 where there is none.
func terminalSize(f *os.File) (columns, rows int) {
	size, err := unix.IoctlGetWinsize(int(f.Fd()), unix.TIOCGWINSZ)
	if err != nil {
		return 0, 0
	}
	return int(size.Col), int(size.Row)
}

// goesUp reports whether the cursor of the terminal can be moved up.
func goesUp(*os.File) bool { return os.Getenv("TERM") != "" && os.Getenv("TERM") != "dumb" }
