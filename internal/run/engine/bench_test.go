package engine_test

import (
	"context"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"provoke/internal/bench/driver"
	"provoke/internal/bench/dut"
	"provoke/internal/bench/simbench"
	"provoke/internal/files/catalog"
	"provoke/internal/files/resource"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/store"
	"provoke/internal/run/engine"
)

// idleMonitor is the operator who presses no key, so that waiting for a look does not count as
// overhead.
type idleMonitor struct{}

func (idleMonitor) ID() string                                    { return "KEY" }
func (idleMonitor) Start(context.Context, func(dut.Sample)) error { return nil }
func (idleMonitor) Reset(context.Context) error                   { return dut.ErrNoReset }
func (idleMonitor) Close() error                                  { return nil }

// BenchmarkOverheadPerPoint measures what a point of a closed-loop sweep takes beyond its dwell: over
// TCP, with a real job file, instruments that answer at once and nobody to wait for. What the clock
// overshoots the dwell by is measured beside it. It prints the median, the limit being 1 ms and the
// commits' share.
func BenchmarkOverheadPerPoint(b *testing.B) {
	sim := simbench.New(simbench.Config{Seed: 1, Speed: 200})
	defer sim.Close()
	if err := sim.Listen("127.0.0.1:0"); err != nil {
		b.Fatal(err)
	}
	l := &lab{t: b, sim: sim}
	l.reload()
	l.bench.Monitors = []catalog.Monitor{{Identity: catalog.Identity{ID: "KEY"}, Kind: catalog.MonitorOperator}}
	const dwell = 2 * time.Millisecond
	p, list := plan.Parse("plan.yaml", []byte(`provoke: plan 1
bench: bench.yaml
kind: exposure
mode: closed loop
level: 1 mA
grid:
  - {from: 200 kHz, to: 70 MHz, step: 1 %}
modulation: AM 80 % 1 kHz carrier held
dwell: 2 ms
settle: 0 s
levelling: {above_budget: 20 dB, forward_ceiling: 20 dB}
`), nil)
	if err := list.Err(); err != nil {
		b.Fatal(err)
	}
	var overhead []time.Duration
	for b.Loop() {
		overhead = append(overhead, onePass(b, l, p, dwell)...)
	}
	slices.Sort(overhead)
	median := overhead[len(overhead)/2]
	sync, late := fsyncTime(b), timerLateness(dwell)
	b.ReportMetric(float64(median.Microseconds()), "µs/point")
	b.ReportMetric(float64(sync.Microseconds()), "µs/fsync")
	b.ReportMetric(1, "commits/point")
	b.ReportMetric(float64(late.Microseconds()), "µs/timer-lateness")
	b.ReportMetric(float64((median - sync - late).Microseconds()), "µs/point-less-commits-and-timer")
}

func onePass(b *testing.B, l *lab, p *plan.Plan, dwell time.Duration) []time.Duration {
	rig, err := driver.OpenBench(b.Context(), l.bench,
		driver.Options{Dial: func(ctx context.Context, address string) (io.ReadWriteCloser, error) {
			r, err := resource.Parse(address)
			if err != nil {
				return nil, err
			}
			var d net.Dialer
			return d.DialContext(ctx, "tcp", fmt.Sprintf("%s:%d", r.Host, r.Port))
		}})
	if err != nil {
		b.Fatal(err)
	}
	defer rig.Close()
	points, err := plan.Points(p, l.chain, nil)
	if err != nil {
		b.Fatal(err)
	}
	program, err := plan.NewProgram(p, points)
	if err != nil {
		b.Fatal(err)
	}
	job, err := store.Create(filepath.Join(b.TempDir(), "job.provoke"))
	if err != nil {
		b.Fatal(err)
	}
	defer job.Close()
	w, err := job.NewRun(time.Now(), event.Opened{Version: event.Version, RunKind: p.Kind, Mode: p.Mode})
	if err != nil {
		b.Fatal(err)
	}
	if _, err := engine.Run(b.Context(), engine.Config{Plan: p, Chain: l.chain, Rig: rig,
		Monitors: []dut.Monitor{idleMonitor{}},
		Journal:  w, Run: 1, Points: points, Program: program}); err != nil {
		b.Fatal(err)
	}
	var out []time.Duration
	var last time.Time
	for r, err := range job.Records(1, 1) {
		if err != nil {
			b.Fatal(err)
		}
		if _, ok := r.Event.(event.StepClosed); !ok {
			continue
		}
		if !last.IsZero() {
			out = append(out, r.At.Sub(last)-dwell)
		}
		last = r.At
	}
	return out
}

// timerLateness is the median by which a timer of a dwell ends late on this machine.
func timerLateness(d time.Duration) time.Duration {
	var all []time.Duration
	for range 50 {
		t := time.Now()
		<-time.After(d)
		all = append(all, time.Since(t)-d)
	}
	slices.Sort(all)
	return all[len(all)/2]
}

// fsyncTime is the median of a small append and fsync in the same kind of folder.
func fsyncTime(b *testing.B) time.Duration {
	f, err := os.Create(filepath.Join(b.TempDir(), "sync"))
	if err != nil {
		b.Fatal(err)
	}
	defer f.Close()
	var all []time.Duration
	for range 200 {
		t := time.Now()
		f.Write(make([]byte, 512))
		f.Sync()
		all = append(all, time.Since(t))
	}
	slices.Sort(all)
	return all[len(all)/2]
}
