package store_test

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/job/store"
	"provoke/internal/model/level"
	"provoke/internal/units/rf"
)

// step returns a closed step of usual size: three readings of the DUT.
func step(n int) event.Event {
	f := rf.Frequency(150e3 + 800*float64(n))
	s := plan.Step{Number: n, Purpose: plan.Sweep, Offset: -6,
		Point: plan.Point{Frequency: f, Target: rf.DBuA(80), Drive: rf.DBm(-27.4), Ceiling: rf.DBm(-21.4),
			Wanted: level.Ask{Current: rf.DBuA(80)}}}
	before := event.Reading{Monitor: "weight", After: -2e8, Text: " 12.50 kg", Value: 12.5, HasValue: true}
	reading := event.Reading{Monitor: "weight", After: 1e9, Text: " 12.50 kg", Value: 12.5, HasValue: true, RFOn: true}
	return event.StepClosed{
		Step: s, Attempt: 1, Outcome: plan.Outcome{Number: n, Exposures: 1}, Drive: rf.DBm(-27.1),
		Current: rf.DBuA(79.9), Highest: rf.DBuA(79.9),
		Forward: rf.DBm(18.2), Reverse: rf.DBm(3.1), Predicted: rf.DBuA(80), Means: "r.m.s. of the unmodulated carrier",
		Readings: []event.Reading{before, reading, reading}, OnFor: 2e9,
	}
}

func BenchmarkReadAndDecode100000Steps(b *testing.B) {
	j, path := newJob(b)
	w := newRun(b, j)
	for n := 0; n < 100000; {
		var batch []event.Event
		for range 1000 {
			n++
			batch = append(batch, step(n))
		}
		add(b, w, batch...)
	}
	_, body, _ := event.Marshal(step(1))
	j.Close()
	info, _ := os.Stat(path)
	b.Logf("%d bytes a record, the job has %.1f MB", len(body), float64(info.Size())/1e6)
	for b.Loop() {
		j, err := store.OpenReadOnly(path)
		if err != nil {
			b.Fatal(err)
		}
		n := 0
		for _, err := range j.Records(1, 1) {
			if err != nil {
				b.Fatal(err)
			}
			n++
		}
		if n != 100001 {
			b.Fatal(n)
		}
		j.Close()
	}
}

// The two figures belong side by side: an append is one fsync and what provoke adds to it.
func BenchmarkAppend(b *testing.B) {
	b.Run("one step", func(b *testing.B) {
		j, _ := newJob(b)
		w := newRun(b, j)
		n := 0
		for b.Loop() {
			n++
			add(b, w, step(n))
		}
	})
	b.Run("raw write and fsync in the same folder", func(b *testing.B) {
		f, err := os.Create(filepath.Join(b.TempDir(), "raw"))
		if err != nil {
			b.Fatal(err)
		}
		defer f.Close()
		page := make([]byte, 2*8216) // two frames, as an append writes
		for b.Loop() {
			if _, err := f.Write(page); err != nil {
				b.Fatal(err)
			}
			if err := f.Sync(); err != nil {
				b.Fatal(err)
			}
		}
	})
}

func BenchmarkVerify100000Steps(b *testing.B) {
	j, _ := newJob(b)
	w := newRun(b, j)
	for n := 0; n < 100000; {
		var batch []event.Event
		for range 1000 {
			n++
			batch = append(batch, step(n))
		}
		add(b, w, batch...)
	}
	if _, err := w.Close(time.Now(), event.Done, ""); err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if v, err := j.Verify(); err != nil || !v.Complete() {
			b.Fatal(v, err)
		}
	}
}

// BenchmarkOpenAndFoldAMillionEvents opens a job of a million records (ten runs of fifty thousand
// intents and closed steps, three readings each, four steps at a frequency) and folds every run into its
// state and thresholds. peak-MB is the most that the process ever held.
func BenchmarkOpenAndFoldAMillionEvents(b *testing.B) {
	path := million(b, 10)
	foldsAll(b, path)
}

// BenchmarkOpenAndFoldOneRunOfAMillionEvents is the same in a single run, larger than any plan makes.
func BenchmarkOpenAndFoldOneRunOfAMillionEvents(b *testing.B) {
	path := million(b, 1)
	foldsAll(b, path)
}

// foldsAll measures foldAll. The processor's time tells what a machine that does other work hides.
func foldsAll(b *testing.B, path string) {
	before := cpuSeconds()
	for b.Loop() {
		foldAll(b, path)
	}
	b.ReportMetric((cpuSeconds()-before)/float64(b.N), "cpu-s/op")
	b.ReportMetric(peakMB(), "peak-MB")
}

// upset says which steps of the million do: two of four at every tenth frequency.
func upset(n int) bool { return n/4%10 == 0 && n%4 < 2 }

func foldAll(b *testing.B, path string) {
	j, err := store.OpenReadOnly(path)
	if err != nil {
		b.Fatal(err)
	}
	defer j.Close()
	runs, err := j.Runs()
	if err != nil {
		b.Fatal(err)
	}
	steps, upsets, failing := 0, 0, 0
	for _, run := range runs {
		r, err := result.All(j.Records(run.Run, 1))
		if err != nil {
			b.Fatal(err)
		}
		steps, upsets = steps+len(r.Steps), upsets+r.Upsets
		for _, t := range r.Thresholds() {
			if t.Upset {
				failing++
			}
		}
	}
	if steps != 500000 || upsets != 25000 || failing != 12500 {
		b.Fatal(steps, upsets, failing)
	}
}

// million makes a job of a million records in another process, so that the peak is the reader's.
func million(b *testing.B, runs int) string {
	b.Helper()
	path := filepath.Join(b.TempDir(), "million.provoke")
	c := exec.Command(os.Args[0])
	c.Env = append(os.Environ(), "STORE_TEST_MILLION="+path, "STORE_TEST_RUNS="+strconv.Itoa(runs))
	if out, err := c.CombinedOutput(); err != nil {
		b.Fatalf("%v: %s", err, out)
	}
	info, err := os.Stat(path)
	if err != nil {
		b.Fatal(err)
	}
	b.Logf("the job has %.0f MB", float64(info.Size())/1e6)
	return path
}

// peakMB is the largest resident size of this process so far; 0 where the system does not tell.
func peakMB() float64 {
	data, _ := os.ReadFile("/proc/self/status")
	_, rest, _ := strings.Cut(string(data), "VmHWM:")
	var kB float64
	fmt.Sscan(rest, &kB)
	return kB / 1e3
}

// cpuSeconds is the processor time that this process took so far; 0 where the system does not tell.
func cpuSeconds() float64 {
	data, _ := os.ReadFile("/proc/self/stat")
	_, rest, _ := strings.Cut(string(data), ") ") // behind the name, from field 3 on
	fields := strings.Fields(rest)
	if len(fields) < 13 {
		return 0
	}
	var user, system float64 // fields 14 and 15, in hundredths of a second
	fmt.Sscan(fields[11], &user)
	fmt.Sscan(fields[12], &system)
	return (user + system) / 100
}

func init() {
	if path := os.Getenv("STORE_TEST_MILLION"); path != "" {
		otherMillion(path)
	}
}

// otherMillion is the other process.
func otherMillion(path string) {
	fail := func(err error) {
		if err != nil {
			fmt.Println(err)
			os.Exit(1)
		}
	}
	j, err := store.Create(path)
	fail(err)
	runs, err := strconv.Atoi(os.Getenv("STORE_TEST_RUNS"))
	fail(err)
	for range runs {
		w, err := j.NewRun(time.Now(), event.Opened{Program: "test", Points: 125000 / runs})
		fail(err)
		for n := 0; n < 500000/runs; {
			var batch []event.Event
			for range 5000 {
				s := step(n / 4).(event.StepClosed)
				if upset(n) {
					s.Outcome.Upset, s.Class, s.RecoveredAfter, s.Note = true, event.DuringOnly,
						3e8, "1.2 kg above the baseline"
				}
				n++
				s.Step.Number, s.Outcome.Number = n, n
				batch = append(batch, event.Intent{Step: s.Step, Attempt: 1}, s)
			}
			_, err := w.Append(time.Now(), batch...)
			fail(err)
		}
		_, err = w.Close(time.Now(), event.Done, "")
		fail(err)
	}
	fail(j.Close())
	os.Exit(0)
}
