//go:build unix

package main

import (
	"syscall"

	"provoke/internal/run/watcher"

	"github.com/rogpeppe/go-internal/testscript"
)

var signals = map[string]syscall.Signal{"INT": syscall.SIGINT, "TERM": syscall.SIGTERM, "KILL": syscall.SIGKILL,
	"STOP": syscall.SIGSTOP, "CONT": syscall.SIGCONT}

func signalWatcher(ts *testscript.TestScript, neg bool, args []string) {
	left, err := watcher.Left(ts.MkAbs(args[1]))
	ts.Check(err)
	ts.Check(syscall.Kill(left.Process, signals[args[0]]))
}

func (b *scriptBench) signal(ts *testscript.TestScript, args []string) {
	ts.Check(b.started.cmd.Process.Signal(signals[args[0]]))
}
