//go:build unix

package main

import (
	"syscall"

	"github.com/rogpeppe/go-internal/testscript"
)

func (b *scriptBench) signal(ts *testscript.TestScript, args []string) {
	s := map[string]syscall.Signal{"INT": syscall.SIGINT, "KILL": syscall.SIGKILL, "STOP": syscall.SIGSTOP, "CONT": syscall.SIGCONT}[args[0]]
	ts.Check(b.started.cmd.Process.Signal(s))
}
