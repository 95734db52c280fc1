package watcher

import (
	"context"
	"os/exec"
	"os/signal"
	"syscall"
)

// apart puts the watcher into a process group of its own without a console, so that no key and no
// closed window ends it together with the run.
func apart(c *exec.Cmd) {
	const detached = 0x00000008 // DETACHED_PROCESS
	c.SysProcAttr = &syscall.SysProcAttr{CreationFlags: syscall.CREATE_NEW_PROCESS_GROUP | detached, HideWindow: true}
}

// Deaf makes this process, the watcher's, live on when its console has gone.
func Deaf(ctx context.Context) context.Context {
	signal.Ignore()
	return context.WithoutCancel(ctx)
}
