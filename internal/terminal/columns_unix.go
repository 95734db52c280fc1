//go:build unix

package terminal

import (
	"os"

	"golang.org/x/sys/unix"
)

// terminalColumns asks the terminal behind a file how wide it is; 0 where there is none.
func terminalColumns(f *os.File) int {
	size, err := unix.IoctlGetWinsize(int(f.Fd()), unix.TIOCGWINSZ)
	if err != nil {
		return 0
	}
	return int(size.Col)
}
