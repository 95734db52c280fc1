package main

import "github.com/rogpeppe/go-internal/testscript"

func (b *scriptBench) signal(ts *testscript.TestScript, args []string) {
	if args[0] != "KILL" {
		ts.Fatalf("signal %s: not on this system", args[0])
	}
	ts.Check(b.started.cmd.Process.Kill())
}
