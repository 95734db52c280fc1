package main

import (
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"provoke/internal/bench/claim"
	"provoke/internal/bench/simbench"
	"provoke/internal/files/catalog"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/store"
	"provoke/internal/run/watcher"
	"provoke/internal/terminal"
)

func TestAResumedRunNeedsTheFilesAndTheCalibrationOfItsFirstPart(t *testing.T) {
	curve, level := []byte("clamp as measured in May"), []byte("level")
	was := event.Opened{Calibration: 2, Files: []event.Attachment{
		{Name: "clamp.csv", SHA256: sha256Of(curve)}, {Name: "level.csv", SHA256: sha256Of(level)}}}
	for _, c := range []struct {
		what        string
		curve       []byte
		calibration int
		refused     string
	}{
		{"the same", curve, 2, ""},
		{"the clamp was measured anew meanwhile", []byte("clamp as measured in June"), 2, "another clamp.csv"},
		{"the jig was calibrated anew meanwhile", curve, 5, "calibration run 2"},
	} {
		pr := &prepared{bench: &catalog.Bench{Files: map[string][]byte{"clamp.csv": c.curve}},
			plan: &plan.Plan{Files: map[string][]byte{"level.csv": level}}, cal: &plan.Calibrated{Run: c.calibration}}
		err := sameInputs(7, was, pr)
		if (err != nil) != (c.refused != "") || err != nil && !strings.Contains(err.Error(), c.refused) {
			t.Errorf("%s: %v", c.what, err)
		}
	}
}

// A program that is killed as it makes its job leaves an empty file, or a job without a run: both are gone on
// with, with --resume and without.
func TestAnEmptyJobThatAnEarlyKillLeftIsTakenUp(t *testing.T) {
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
