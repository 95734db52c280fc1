//go:build unix

package main

import (
	"os/exec"
	"syscall"
)

// grouped has a command end together with everything that it started.
func grouped(cmd *exec.Cmd) {
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	cmd.Cancel = func() error { return syscall.Kill(-cmd.Process.Pid, syscall.SIGINT) }
}
