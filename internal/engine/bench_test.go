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

	"provoke/internal/driver"
	"provoke/internal/dut"
	"provoke/internal/engine"
	"provoke/internal/event"
	"provoke/internal/plan"
	"provoke/internal/scpi"
	"provoke/internal/simbench"
	"provoke/internal/store"
)

// readyMonitor is a DUT that is always well and is looked at every 100 µs, so that waiting for a look
// does not count as overhead.
type readyMonitor struct {
	id   string
	stop chan struct{}
}

func (m *readyMonitor) ID() string { return m.id }
func (m *readyMonitor) Start(_ context.Context, deliver func(dut.Sample)) error {
	m.stop = make(chan struct{})
	go func() {
		for {
			select {
			case <-m.stop:
				return
			case <-time.After(100 * time.Microsecond):
				deliver(dut.Sample{At: time.Now(), Monitor: m.id, HasValue: true, Value: 12.34})
			}
		}
	}()
	return nil
}
func (m *readyMonitor) Reset(context.Context) error { return dut.ErrNoReset }
func (m *readyMonitor) Close() error                { close(m.stop); return nil }

// BenchmarkOverheadPerPoint measures what a point of a closed-loop sweep takes beyond its dwell: over
// TCP, with a real job file, instruments that answer at once and a monitor that is ready. It prints
// the median beside the limit of 1 ms and the commits' share.
func BenchmarkOverheadPerPoint(b *testing.B) {
	sim := simbench.New(simbench.Config{Seed: 1, Speed: 200})
	defer sim.Close()
	if err := sim.Listen("127.0.0.1:0"); err != nil {
		b.Fatal(err)
	}
	l := &lab{t: b, sim: sim}
	l.reload()
	for i := range l.bench.Monitors {
		l.bench.Monitors[i].Latency = 0
	}
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
	sync := fsyncTime(b)
	b.ReportMetric(float64(median.Microseconds()), "µs/point")
	b.ReportMetric(float64(sync.Microseconds()), "µs/fsync")
	b.ReportMetric(2, "commits/point")
	b.ReportMetric(float64((median - 2*sync).Microseconds()), "µs/point-less-commits")
}

func onePass(b *testing.B, l *lab, p *plan.Plan, dwell time.Duration) []time.Duration {
	rig, err := driver.OpenBench(b.Context(), l.bench, driver.Options{Dial: func(ctx context.Context, address string) (io.ReadWriteCloser, error) {
		r, err := scpi.ParseResource(address)
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
	if _, err := engine.Run(b.Context(), engine.Config{Plan: p, Chain: l.chain, Rig: rig, Monitors: []dut.Monitor{&readyMonitor{id: "SHOWN"}},
		Journal: w, Run: 1, Points: points, Program: program}); err != nil {
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
