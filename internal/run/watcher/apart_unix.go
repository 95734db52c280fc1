//go:build unix

package watcher

import (
	"context"
	"os/exec"
	"os/signal"
	"syscall"
)

// apart puts the watcher into a session of its own, so that no key and no closed terminal ends it
// together with the run.
func apart(c *exec.Cmd) { c.SysProcAttr = &syscall.SysProcAttr{Setsid: true} }

// Deaf makes this process, the watcher's, live on when its terminal, its user's session or the reader
// of its words has gone. The context ends when it is told to end (SIGTERM).
func Deaf(ctx context.Context) context.Context {
	signal.Ignore(syscall.SIGINT, syscall.SIGHUP, syscall.SIGPIPE, syscall.SIGQUIT)
	ctx, _ = signal.NotifyContext(context.WithoutCancel(ctx), syscall.SIGTERM)
	return ctx
}
