//go:build unix

package main

import (
	"os/signal"
	"syscall"
)

// ignoreFileLimit turns the signal for a file that may not grow any more into an error of the write,
// which ends a run with RF off.
func ignoreFileLimit() { signal.Ignore(syscall.SIGXFSZ) }

// fileLimit is how many files and connections this process may have open; 0 where nothing says.
func fileLimit() int {
	var l syscall.Rlimit
	if syscall.Getrlimit(syscall.RLIMIT_NOFILE, &l) != nil {
		return 0
	}
	return int(min(uint64(l.Cur), 1<<20))
}
