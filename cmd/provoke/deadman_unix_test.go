//go:build unix

package main

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"testing"
	"time"

	"provoke/internal/bench/simbench"
	"provoke/internal/run/watcher"
	"provoke/internal/terminal"
)

const dogTable = `provoke: commands 1
name: relay with a time-out
role: relay
about: a network relay whose every on lasts for its own time
commands:
  "identify?": "*IDN?"
  "on": "WATC 1"
  "off": "WATC 0"
  "on?": "WATC?"
`

// Program and watcher are killed at the same instant, as a container's end or the out-of-memory killer does:
// the relay in the RF path, which nobody feeds any more, opens.
func TestTheHardwareDeadManEndsRFWhenProgramAndWatcherAreKilled(t *testing.T) {
	const within = 600 * time.Millisecond
	b := newWorkbench(t, simbench.Config{Seed: 1, Speed: 50})
	box, err := b.sim.Dial(t.Context(), "interlock")
	if err != nil {
		t.Fatal(err)
	}
	fmt.Fprintln(box, "WATC:TIM 0.6;:WATC?")
	box.Read(make([]byte, 10))
	box.Close()
	b.write("dog.yaml", dogTable)
	file, err := os.ReadFile(b.path("bench.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	// a source that switches itself off when its connection is lost would be quicker
	plain := strings.Replace(string(file), "table: function generator with limits", "table: function generator", 1)
	b.write("bench.yaml",
		plain+"\ntables: [dog.yaml]\nhardware_dead_man:\n  id: HDM1\n  kind: relay\n  within: 600 ms\n  address: "+
			b.sim.Address("interlock")+"\n  table: relay with a time-out\n")
	b.plan("plan.yaml", 5e6, 8e6, "4 %", exposureLines)
	b.must(terminal.ExitDone, "run", "plan.yaml", "--job", "whole.provoke", "--arm") // it is fed as long as it takes
	b.plan("plan.yaml", 5e6, 8e6, "0.3 %", exposureLines)
	c := exec.Command(os.Args[0])
	c.Args = []string{"provoke", "run", b.path("plan.yaml"), "--job", b.path("j.provoke"), "--arm"}
	var said bytes.Buffer
	c.Stdout, c.Stderr = &said, &said
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	for end := time.Now().Add(20 * time.Second); !b.sim.State().On ||
		b.sim.State().Carrier < 1e-3; time.Sleep(time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("no RF:\n%s", said.String())
		}
	}
	left, err := watcher.Left(b.path("j.provoke"))
	if err != nil || left == nil {
		t.Fatalf("%+v %v", left, err)
	}
	syscall.Kill(left.Process, syscall.SIGSTOP) // so that it sees nothing of the other's end
	syscall.Kill(c.Process.Pid, syscall.SIGKILL)
	syscall.Kill(left.Process, syscall.SIGKILL)
	began := time.Now()
	c.Wait()
	for b.sim.State().On && b.sim.State().Carrier > 1e-4 {
		if time.Since(began) > 5*time.Second {
			t.Fatal("RF stays on")
		}
		time.Sleep(time.Millisecond)
	}
	took := time.Since(began)
	t.Logf("figure: RF off %v after program and watcher were killed, by a relay with a time-out of %v (at most %v)",
		took.Round(time.Millisecond), within, within+200*time.Millisecond)
	if s := b.sim.State(); !s.On || !s.Operating {
		t.Errorf("it was not the relay that ended RF: %+v", s)
	}
	if took > within+200*time.Millisecond {
		t.Errorf("RF was on for %v", took)
	}
	if out := b.must(terminal.ExitDone, "off", "bench.yaml"); !strings.Contains(out, "RF read back as off") {
		t.Error(out)
	}
}
