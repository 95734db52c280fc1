//go:build unix

package watcher

import "syscall"

// Stall stops the watcher's process, as a machine does that does not come to it: a rehearsal of what the
// run does then.
func (w *Watcher) Stall() error { return w.cmd.Process.Signal(syscall.SIGSTOP) }
