//go:build unix

package main

import (
	"os/signal"
	"syscall"
)

// ignoreTerminalStop lets a program that was put into the background read nothing from its terminal: it would be
// stopped for it, with RF on.
func ignoreTerminalStop() { signal.Ignore(syscall.SIGTTIN) }
