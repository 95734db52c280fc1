package main

import (
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"provoke/internal/bench/claim"
	"provoke/internal/bench/simbench"
	"provoke/internal/job/store"
	"provoke/internal/run/watcher"
	"provoke/internal/terminal"
)

// A program that is killed as it makes its job leaves an empty file, or a job without a run: both are gone on
// with, with --resume and without.
func TestAnEmptyJobThatAnEarlyKillLeftIsTakenUp(t *testing.T) {
	t.Parallel()
	b := newWorkbench(t, simbench.Config{Seed: 1})
	b.plan("plan.yaml", 5e6, 5.5e6, "4 %", exposureLines)
	for i, resume := range [][]string{{}, {"--resume"}} {
		empty, bare := fmt.Sprintf("empty%d.provoke", i), fmt.Sprintf("bare%d.provoke", i)
		b.write(empty, "")
		j, err := store.Create(b.path(bare))
		if err != nil {
			t.Fatal(err)
		}
		j.Close()
		for _, job := range []string{empty, bare} {
			b.must(terminal.ExitDone, append([]string{"run", "plan.yaml", "--job", job, "--arm"}, resume...)...)
		}
	}
	b.write("notes.provoke", "what I did on Monday")
	b.must(terminal.ExitError, "run", "plan.yaml", "--job", "notes.provoke", "--arm")
	if data, err := os.ReadFile(b.path("notes.provoke")); err != nil || string(data) != "what I did on Monday" {
		t.Errorf("a file that is no job was touched: %q %v", data, err)
	}
}

// A run ends with RF not known to be off, and its watcher stays. The next run is refused and says what to do;
// once provoke off has read the bench back, the watcher has ended, and the next run has no cause that is not its own.
func TestAWatcherThatARunLeftEndsWithASuccessfulOff(t *testing.T) {
	t.Parallel()
	b := newWorkbench(t, simbench.Config{Seed: 1, Speed: 50})
	b.plan("plan.yaml", 5e6, 8e6, "4 %", exposureLines)
	b.sim.Inject("source", simbench.Fault{Kind: simbench.FaultSilent, After: 40})
	out := b.must(terminal.ExitRFUnknown, "run", "plan.yaml", "--job", "j.provoke", "--arm")
	for line := range strings.Lines(out) {
		if strings.Contains(line, "RF RF") || strings.Count(line, "RF not known to be off") > 1 {
			t.Errorf("said twice: %s", line)
		}
	}
	if !strings.Contains(out, "the watcher stays at this bench") {
		t.Errorf("it does not say that its watcher stays:\n%s", out)
	}
	left, err := watcher.Left(b.path("j.provoke"))
	if err != nil || left == nil {
		t.Fatalf("%v %v", left, err)
	}
	stays := claim.ProcessOf(left.Process)
	b.sim.Clear("source")
	b.must(terminal.ExitDone, "off", "bench.yaml")
	for end := time.Now().Add(5 * time.Second); stays.Lives(); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("the watcher outlives a successful off")
		}
	}
	out = b.must(terminal.ExitDone, "run", "plan.yaml", "--job", "k.provoke", "--arm")
	if strings.Contains(out, "had this bench") {
		t.Errorf("%s", out)
	}
}
