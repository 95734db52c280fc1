package main

import (
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/store"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

// traceBench has a probe of 0 dBΩ and a 20 dB pad before the analyser, so that
// I[dBµA] = P[dBm] + 106.99 + 20. All of it is invented.
const traceBench = `provoke: bench 1
name: invented bench
source:
  kind: signal generator
  id: GEN1
  band: 100 kHz to 100 MHz
  minimum: -100 dBm
  maximum: 10 dBm
  resolution: 0.1 dB
  counts_in: dBm
clamp:
  id: CLAMP1
  insertion_loss: {flat: 6 dB, band: 100 kHz to 100 MHz}
  maximum_forward: 10 W
cable: {id: W1, maximum_current: 1 A}
dut: {id: DUT1}
probe:
  id: PROBE1
  transfer_impedance: {flat: 0 dBΩ, band: 100 kHz to 100 MHz}
  maximum_current: 1 A
to_analyser:
  - {id: PAD2, kind: pad, loss: 20 dB, maximum_power: 1 W}
analyser:
  id: SA1
  band: 9 kHz to 1 GHz
  maximum_input: 20 dBm
  mixer_limit: -10 dBm
  bandwidths: [1 kHz]
  floor: -110 dBm
monitors:
  - {id: KEY, kind: operator}
`

func writeAll(t *testing.T, files map[string]string) string {
	t.Helper()
	dir := t.TempDir()
	for name, text := range files {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

func TestAnExportedTraceIsPrintedInTheDocumentedShape(t *testing.T) {
	dir := writeAll(t, map[string]string{"a.csv": "Frequency (MHz);Level (dBm)\r\n10;-27,5\r\n20;---\r\n30;-40,25\r\n"})
	code, out, errs := journalRun("trace", filepath.Join(dir, "a.csv"), "--json")
	if code != terminal.ExitDone {
		t.Fatalf("exit code %d: %s", code, errs)
	}
	var got map[string]any
	if err := json.Unmarshal([]byte(out), &got); err != nil {
		t.Fatal(err)
	}
	y := got["y"].([]any)[0].(map[string]any)
	x := got["x"].(map[string]any)
	if got["points"] != 3.0 || x["name"] != "Frequency" || x["unit"] != "MHz" || y["unit"] != "dBm" || len(got) != 4 {
		t.Errorf("printed %s", out)
	}
	if v := y["values"].([]any); v[0] != -27.5 || v[1] != nil || v[2] != -40.25 {
		t.Errorf("levels %v", v)
	}
	if w := got["warnings"].([]any); len(w) != 1 || !strings.Contains(w[0].(string), ":3:4: warning:") {
		t.Errorf("warnings %v", w)
	}
}

func TestATraceThatIsNotUnderstoodIsRefusedWithItsPlace(t *testing.T) {
	dir := writeAll(t, map[string]string{"a.csv": "Frequency;Level\n10;-27\n20;-28\n"})
	says(t, terminal.ExitProblems, []string{"trace", filepath.Join(dir, "a.csv")}, "a.csv:1:1:",
		`"Frequency" has no unit`)
	says(t, terminal.ExitDone, []string{"trace", filepath.Join(dir, "a.csv"), "--x", "MHz", "--y", "dBm"}, "2 points",
		"highest at 10 MHz")
	says(t, terminal.ExitUsage, []string{"trace", filepath.Join(dir, "a.csv"), "--x", "MHz", "--y", "dBm", "--job",
		filepath.Join(dir, "j.provoke")}, "--bench")
}

// Of least and greatest only a person knows which one is meant.
func TestOneColumnOfSeveralBecomesCableCurrent(t *testing.T) {
	dir := writeAll(t, map[string]string{"bench.yaml": traceBench,
		"two.csv": "f/MHz,Min/dBm,Max/dBm\n10,-60,-27\n20,-61,-28\n"})
	args := []string{"trace", filepath.Join(dir, "two.csv"), "--bench", filepath.Join(dir, "bench.yaml")}
	says(t, terminal.ExitUsage, args, `"Min", "Max"`, "--y-column")
	out := says(t, terminal.ExitDone, append(args, "--y-column", "Max"), "cable current")
	if !strings.Contains(out, "99.99 dBµA") {
		t.Errorf("printed %s", out)
	}
}

func TestAMaxHoldTraceBecomesCableCurrentInARun(t *testing.T) {
	dir := writeAll(t, map[string]string{"bench.yaml": traceBench, "max.csv": "f/MHz,P/dBm\n10,-27\n20,-105\n30,-5\n"})
	job := journalJob(t, false)
	out := says(t, terminal.ExitDone, []string{"trace", filepath.Join(dir, "max.csv"), "--bench",
		filepath.Join(dir, "bench.yaml"), "--job", job, "--caption", "max hold"},
		"cable current", "1 of 3 currents are at most", "1 of 3 currents are at least", "run 1, record")
	if !strings.Contains(out, "99.99 dBµA") { // −27 dBm + 106.99 dB + 20 dB − 0 dBΩ
		t.Errorf("printed %s", out)
	}
	j, err := store.OpenReadOnly(job)
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	var read *event.TraceRead
	for rec, err := range j.Records(1, 1) {
		if err != nil {
			t.Fatal(err)
		}
		if e, ok := rec.Event.(event.TraceRead); ok {
			read = &e
		}
	}
	if read == nil || len(read.Points) != 3 || math.Abs(read.Points[0].Current.DB()+120-99.99) > 0.001 {
		t.Fatalf("journalled %+v", read)
	}
	if read.Points[1].Current.Bound() != rf.AtMost || read.Points[2].Current.Bound() != rf.AtLeast {
		t.Errorf("near the floor %v, overloaded %v", read.Points[1].Current, read.Points[2].Current)
	}
	says(t, terminal.ExitDone, []string{"journal", job, "--verify"})
}

// stepsJob is a run of n steps, one after every so long, the first 10 s after the run's beginning, at multiples of a
// frequency.
func stepsJob(t *testing.T, n int, every, lasting time.Duration, apart rf.Frequency) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "belt.provoke")
	j, err := store.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	w, err := j.NewRun(journalClock, event.Opened{RunKind: plan.Exposure})
	for i := 0; i < n && err == nil; i++ {
		f, at := apart*rf.Frequency(i+1), journalClock.Add(10*time.Second+time.Duration(i)*every)
		step := plan.Step{Number: i + 1, Point: plan.Point{Frequency: f, Drive: rf.DBm(-20), Ceiling: rf.DBm(-20)},
			Purpose: plan.Sweep}
		if _, err = w.Append(at, event.Intent{Step: step, Attempt: 1}); err == nil {
			_, err = w.Append(at.Add(lasting),
				event.StepClosed{Step: step, Attempt: 1, Outcome: plan.Outcome{Number: i + 1, Exposures: 1}})
		}
	}
	if err == nil {
		_, err = w.Close(journalClock.Add(time.Minute), event.Done, "")
	}
	if err != nil {
		t.Fatal(err)
	}
	return path
}

// logJob is a run of two steps of 9 s at 10 and 20 MHz, the first 10 s after its beginning.
func logJob(t *testing.T) string { return stepsJob(t, 2, 10*time.Second, 9*time.Second, 10e6) }

// The log's clock is 5 s behind: its 09:30:20 is the run's 09:30:25, in the second step.
const weigherLog = "time;weight [kg]\n25.11.2026 09:30:00;12,34\n25.11.2026 09:30:02;12,34\n25.11.2026 " +
	"09:30:10;12,35\n25.11.2026 09:30:20;13,01\n25.11.2026 09:30:21;12,98\n"

func TestALogJoinsARunByItsTimeStamps(t *testing.T) {
	dir := writeAll(t, map[string]string{"w.log": weigherLog})
	job := logJob(t)
	log := filepath.Join(dir, "w.log")
	says(t, terminal.ExitDone, []string{"log", job, log, "--offset", "5 s", "--zone", "+00:00", "--tolerance",
		"0.05 kg"}, "20 MHz", "13.01 kg", "clock +5 s", "bad in 1 of 2 steps")
	says(t, terminal.ExitError, []string{"log", job, log, "--offset", "1 h", "--zone", "+00:00"},
		"has nothing of the run", "--offset")
	says(t, terminal.ExitUsage, []string{"log", job, log, "--tolerance", "0.05"}, "has no unit")
	says(t, terminal.ExitDone, []string{"journal", job, "--verify"})
}

// shortSteps is a run of ten steps of 300 ms at 1 to 10 MHz, the first from 09:30:10.0 UTC on, without a gap.
func shortSteps(t *testing.T) string {
	return stepsJob(t, 10, 300*time.Millisecond, 299*time.Millisecond, 1e6)
}

func TestALogInWholeSecondsTellsEveryStepThatALineMayBelongTo(t *testing.T) {
	// Bad lines from 09:30:11.1 to 09:30:11.9, in the steps 4 to 7 (from 10.9, 11.2, 11.5 and 11.8 on), under a clock
	// that shows whole seconds: each may be of any moment from 11 to 12, which is in the steps 4 to 7.
	var log strings.Builder
	for i := 0; i < 14; i++ {
		log.WriteString("25.11.2026 09:30:" + []string{"08", "09", "10", "12"}[i%4] + " 12.34 kg\n")
	}
	log.WriteString(strings.Repeat("25.11.2026 09:30:11 13.01 kg\n", 5))
	dir := writeAll(t, map[string]string{"w.log": log.String(),
		"m.log": "25.11.2026 09:29 12.34 kg\n25.11.2026 09:30 13.01 kg\n"})
	job := shortSteps(t)
	out := says(t, terminal.ExitDone, []string{"log", job, filepath.Join(dir, "w.log"), "--zone", "utc", "--tolerance",
		"0.05 kg"},
		"read in line 1: 12.34 kg of", "to 1 s", "more than one", "bad in 4 of 10 steps")
	for _, step := range []string{"\n4 ", "\n5 ", "\n6 ", "\n7 "} {
		if strings.Count(out, step) != 1 {
			t.Errorf("does not tell step%s once:\n%s", step, out)
		}
	}
	// Under a clock that is 250 ms behind, they are of 11.25 to 12.25: the steps 5 to 8 (11.2 to 12.4).
	says(t, terminal.ExitDone, []string{"log", job, filepath.Join(dir, "w.log"), "--zone", "utc", "--offset",
		"250 ms", "--tolerance", "0.05 kg"}, "bad in 4 of 10 steps", "\n8 ")
	says(t, terminal.ExitError, []string{"log", job, filepath.Join(dir, "m.log"), "--zone", "utc", "--tolerance",
		"0.05 kg"}, "m.log", "to 1 min", "nothing can be said")
	says(t, terminal.ExitDone, []string{"journal", job, "--verify"})
	j, err := store.Open(job)
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	for rec, err := range j.Records(1, 1) {
		if err != nil {
			t.Fatal(err)
		}
		// Of the good lines, 3 each are of 10 and 12 and, 250 ms later, 4 of 09 reach into the run too.
		if l, ok := rec.Event.(event.LogRead); ok &&
			(l.Width.Std() != time.Second || l.Entries != map[string]int{"+0 s": 3 + 3 + 5,
				"+250 ms": 4 + 3 + 3 + 5}[l.Offset]) {
			t.Errorf("journalled %+v", l)
		}
	}
}
