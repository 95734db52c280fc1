//go:build unix

package program

import (
	"os/exec"
	"syscall"
)

// family is a command and everything that it started.
type family struct{ leader int }

// startFamily starts a command as the first of a process group of its own.
func startFamily(cmd *exec.Cmd) (family, error) {
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	if err := cmd.Start(); err != nil {
		return family{}, err
	}
	return family{cmd.Process.Pid}, nil
}

// kill ends them all.
func (f family) kill() { syscall.Kill(-f.leader, syscall.SIGKILL) }
