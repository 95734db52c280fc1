//go:build unix

package main

import (
	"os/signal"
	"syscall"
)

// ignoreFileLimit turns the signal for a file that may not grow any more into an error of the write,
// which ends a run with RF off.
func ignoreFileLimit() { signal.Ignore(syscall.SIGXFSZ) }
