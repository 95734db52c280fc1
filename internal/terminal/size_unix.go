//go:build unix

package terminal

import (
	"io"
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

// overwrites reports whether what stands on the terminal can be overwritten.
func overwrites(out io.Writer) bool {
	term := os.Getenv("TERM")
	_, ours := out.(Screen)
	return !ours || term != "" && term != "dumb"
}
