package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"provoke/internal/bench/simbench"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/job/store"
	"provoke/internal/run/watcher"
	"provoke/internal/terminal"
)

const sweepFile = `provoke: sweep 1
name: first look
bench: bench.yaml
law: log
from: 1 MHz
to: 6 MHz
times: [1500 ms]
drive: -18 dBm
modulation: AM 80 % 1 kHz carrier held
mark: {by: key, within: 50 ms}
latency_at_most: 1 s
`

func TestASweepIsCheckedOverItsWholeSpanBeforeAnythingIsTouched(t *testing.T) {
	dir := writeAll(t, map[string]string{"bench.yaml": handBench, "sweep.yaml": sweepFile,
		"loud.yaml":  strings.Replace(sweepFile, "-18 dBm", "18 dBm", 1),
		"wired.yaml": strings.Replace(sweepFile, "bench.yaml", "trace.yaml", 1), "trace.yaml": traceBench})
	code, out := typedRun("", "sweep", dir+"/sweep.yaml", "--check")
	if code != terminal.ExitDone || !strings.Contains(out, "within every rating over the whole span") {
		t.Errorf("exit code %d:\n%s", code, out)
	}
	// The worst case of the span stands before the question.
	if code, out := typedRun("no\n", "sweep", dir+"/sweep.yaml", "--job",
		dir+"/j.provoke"); code != terminal.ExitStopped || !strings.Contains(out, "CLAMP1 ") ||
		!strings.Contains(out, "headroom") {
		t.Errorf("not armed: exit code %d:\n%s", code, out)
	}
	loud := strings.Replace(handBench, "maximum_forward: 10 W", "maximum_forward: 10 mW", 1)
	if err := os.WriteFile(dir+"/bench.yaml", []byte(loud), 0o644); err != nil {
		t.Fatal(err)
	}
	if code, out := typedRun("", "sweep", dir+"/loud.yaml", "--check"); code != terminal.ExitRefused ||
		!strings.Contains(out, "CLAMP1") {
		t.Errorf("over a rating: exit code %d:\n%s", code, out)
	}
	if code, out := typedRun("", "sweep", dir+"/wired.yaml", "--check"); code != terminal.ExitRefused ||
		!strings.Contains(out, "by_hand") {
		t.Errorf("a wired source: exit code %d:\n%s", code, out)
	}
}

// bystander reads what the program prints and does at the simulated bench what it asks for.
type bystander struct {
	mu   sync.Mutex
	text bytes.Buffer
	sim  *simbench.Bench
	in   *io.PipeWriter
	pass time.Duration // of the generator's sweep, as the product sees it
	down bool
}

// Write takes what is printed and acts once a prompt is complete.
func (b *bystander) Write(p []byte) (int, error) {
	b.mu.Lock()
	b.text.Write(p)
	text := b.text.String()
	b.mu.Unlock()
	if strings.HasSuffix(string(p), "> ") || strings.HasSuffix(text, "\n> ") {
		i := strings.LastIndex(text, "\n====")
		i = strings.LastIndex(text[:max(i, 0)], "\n====")
		go b.act(text[max(i, 0):])
	}
	return len(p), nil
}

func (b *bystander) front(message string) {
	c, err := b.sim.Dial(context.Background(), "source")
	if err != nil {
		return
	}
	defer c.Close()
	fmt.Fprintf(c, "%s;*OPC?\n", message)
	c.SetReadDeadline(time.Now().Add(time.Second))
	c.Read(make([]byte, 64))
}

var volts = regexp.MustCompile(`level ([0-9.]+) (m?)Vpp`)

func (b *bystander) act(prompt string) { io.WriteString(b.in, b.does(prompt)+"\n") }

// does does at the simulated bench what a prompt asks for and returns the answer.
func (b *bystander) does(prompt string) string {
	answer := "done"
	switch {
	case strings.Contains(prompt, "SWITCH RF OFF NOW"):
		b.front("OUTP 0")
		answer = "off"
	case strings.Contains(prompt, "PROVOKE CANNOT SWITCH"):
		answer = "switch S1"
	case strings.Contains(prompt, "SET UP SWEEP"):
		b.down = strings.Contains(prompt, "start 6 MHz")
	case strings.Contains(prompt, "SET THE SOURCE"):
		x := 0.0
		if m := volts.FindStringSubmatch(prompt); m != nil {
			x, _ = strconv.ParseFloat(m[1], 64)
			if m[2] == "m" {
				x /= 1000
			}
		}
		start := "1E6"
		if b.down {
			start = "6E6"
		}
		b.front(fmt.Sprintf("FREQ %s;:AM:SOUR INT;:AM:DEPT 80;:AM:INT:FREQ 1000;:AM:STAT 1;:VOLT %.5g;:OUTP 1",
			start, x))
	case strings.Contains(prompt, "START THE SWEEP"):
		s := simbench.FreeSweep{From: 1e6, To: 6e6, Log: true, Time: 20 * b.pass, Passes: 1}
		if b.down {
			s.From, s.To = s.To, s.From
		}
		b.sim.StartSweep(s)
		answer = ""
	}
	return answer
}

// sweeping is a simulated bench whose source is set by hand, with a bystander who does so.
type sweeping struct {
	sim *simbench.Bench
	dir string
	by  *bystander
	out bytes.Buffer
	w   *terminal.World
}

func newSweeping(t *testing.T) *sweeping {
	t.Helper()
	sim := simbench.New(simbench.Config{Seed: 3, Speed: 20})
	t.Cleanup(func() { sim.Close() })
	if err := sim.Listen("127.0.0.1:0"); err != nil {
		t.Fatal(err)
	}
	file := regexp.MustCompile(`(?m)^(source:\n(?:  .*\n)*?)  address: .*\n  table: .*\n`).ReplaceAllString(
		string(sim.BenchFile()), "${1}  by_hand: true\n  hardware_off: switch S1\n")
	dir := writeAll(t, map[string]string{"bench.yaml": file, "sweep.yaml": sweepFile})
	in, typed := io.Pipe()
	s := &sweeping{sim: sim, dir: dir, by: &bystander{sim: sim, in: typed, pass: 1500 * time.Millisecond}}
	ctx, cancel := context.WithTimeout(t.Context(), 60*time.Second)
	t.Cleanup(cancel)
	s.w = &terminal.World{Ctx: ctx, Stdin: in, Stdout: wide{&s.out}, Stderr: s.by, Now: time.Now}
	return s
}

// An earlier run of the job died, and its watcher is still at the bench: a sweep waits for it, as a run does, says
// what it did, and puts that into the journal of the dead run.
func TestASweepWaitsForAWatcherThatIsAtTheBenchAndJournalsItsReport(t *testing.T) {
	t.Parallel()
	s := newSweeping(t)
	file := filepath.Join(s.dir, "j.provoke")
	job, err := store.Create(file)
	if err != nil {
		t.Fatal(err)
	}
	dead, err := job.NewRun(time.Now(), event.Opened{Version: event.Version, RunKind: plan.Exposure, Label: "killed"})
	if err != nil {
		t.Fatal(err)
	}
	dead.Leave()
	job.Close()
	leaves := func(r watcher.Report) {
		text, err := json.Marshal(r)
		if err == nil {
			err = os.WriteFile(watcher.File(file), text, 0o644)
		}
		if err != nil {
			t.Error(err)
		}
	}
	r := watcher.Report{Run: 1, Cause: "no sign of life", At: time.Now()}
	leaves(r)
	silenced := make(chan time.Time, 1)
	go func() {
		time.Sleep(700 * time.Millisecond)
		r.Done, r.Quiet, r.How = true, true, "read back as off"
		silenced <- time.Now()
		leaves(r)
	}()
	code := run(s.w, []string{"sweep", s.dir + "/sweep.yaml", "--job", file, "--arm"})
	said := s.by.text.String()
	if code != terminal.ExitDone || strings.Count(said, "the watcher silenced the bench (no sign of life)") != 1 {
		t.Errorf("exit code %d:\n%s\n%s", code, s.out.String(), said)
	}
	if _, err := os.Stat(watcher.File(file)); !os.IsNotExist(err) {
		t.Errorf("the watcher's report lies there still: %v", err)
	}
	if job, err = store.OpenReadOnly(file); err != nil {
		t.Fatal(err)
	}
	defer job.Close()
	journalled := 0
	for rec, err := range job.Records(1, 1) {
		if e, ok := rec.Event.(event.Safed); err == nil && ok && e.By == "watcher" {
			journalled++
		}
	}
	if journalled != 1 {
		t.Errorf("what the watcher did stands %d times in the journal of the run that died", journalled)
	}
	done := <-silenced
	if swept, err := result.All(job.Records(2, 1)); err != nil ||
		swept.OpenedAt.Before(done.Truncate(time.Millisecond)) {
		t.Errorf("the sweep began at %v, before the watcher was done at %v: %v", swept.OpenedAt, done, err)
	}
}

func TestASweepFromTheTerminalFindsTheBandAndWritesTheSteppedPlan(t *testing.T) {
	t.Parallel()
	b := newSweeping(t)
	sim, dir, out := b.sim, b.dir, &b.out
	code := run(b.w, []string{"sweep", dir + "/sweep.yaml", "--job", dir + "/j.provoke", "--arm", "--operator",
		"A. Engineer"})
	if code != terminal.ExitDone || !strings.Contains(out.String(), "band from") || !strings.Contains(out.String(),
		"off by the operator's word") {
		t.Fatalf("exit code %d:\n%s\n%s", code, out.String(), b.by.text.String())
	}
	if s := sim.State(); s.On || s.Exposures != 2 {
		t.Errorf("RF on %v, %d times", s.On, s.Exposures)
	}
	if a := sim.Abuses(); len(a) > 0 {
		t.Errorf("abused: %v", a)
	}
	says(t, terminal.ExitDone, []string{"plan", dir + "/sweep-stepped.yaml"})
	says(t, terminal.ExitDone, []string{"journal", dir + "/j.provoke", "--verify"})
	says(t, terminal.ExitDone, []string{"findings", dir + "/j.provoke"})
	says(t, terminal.ExitDone, []string{"report", dir + "/j.provoke", "-o", dir + "/report.html"})
	says(t, terminal.ExitDone, []string{"journal", dir + "/j.provoke"},
		"a second process watches on connections of its own to amplifier AMP1", "hardware off: switch S1",
		"pass 1: 1 MHz to 6 MHz log", "UPSET")
}
