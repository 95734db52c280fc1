package main

import "github.com/rogpeppe/go-internal/testscript"

func (b *scriptBench) signal(ts *testscript.TestScript, args []string) {
	if args[0] != "KILL" {
		ts.Fatalf("signal %s: not on this system", args[0])
	}
	ts.Check(b.started.cmd.Process.Kill())
}

func signalWatcher(ts *testscript.TestScript, neg bool, args []string) {
	ts.Fatalf("no signals on this system")
}
