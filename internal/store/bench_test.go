package store_test

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"provoke/internal/event"
	"provoke/internal/level"
	"provoke/internal/plan"
	"provoke/internal/rf"
	"provoke/internal/store"
)

// step returns a closed step of usual size: three readings of the DUT.
func step(n int) event.Event {
	f := rf.Frequency(150e3 + 800*float64(n))
	s := plan.Step{Number: n, Purpose: plan.Sweep, Offset: -6, Point: plan.Point{Frequency: f, Target: rf.DBuA(80), Drive: rf.DBm(-27.4), Ceiling: rf.DBm(-21.4),
		Wanted: level.Ask{Current: rf.DBuA(80)}}}
	reading := event.Reading{Monitor: "weight", After: 1e9, Text: " 12.50 kg", Value: 12.5, HasValue: true, RFOn: true}
	return event.StepClosed{
		Step: s, Attempt: 1, Outcome: plan.Outcome{Number: n, Exposures: 1}, Drive: rf.DBm(-27.1), Current: rf.DBuA(79.9), Highest: rf.DBuA(79.9),
		Forward: rf.DBm(18.2), Reverse: rf.DBm(3.1), Predicted: rf.DBuA(80), Means: "r.m.s. of the unmodulated carrier",
		Readings: []event.Reading{reading, reading, reading}, OnFor: 2e9,
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
