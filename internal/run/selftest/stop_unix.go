//go:build unix

package selftest

import "syscall"

// stopSignal stops a process, contSignal lets it go on; nil where a system cannot.
var (
	stopSignal = func(pid int) error { return syscall.Kill(pid, syscall.SIGSTOP) }
	contSignal = func(pid int) error { return syscall.Kill(pid, syscall.SIGCONT) }
)
