package engine_test

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"os"
	"runtime/debug"
	"strings"
	"sync"
	"testing"
	"time"

	"provoke/internal/bench/driver"
	"provoke/internal/bench/dut"
	"provoke/internal/bench/simbench"
	"provoke/internal/files/catalog"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/model/chain"
	"provoke/internal/run/engine"
	"provoke/internal/units/rf"
)

// TestMain lets the collector of garbage run seldom: the many short runs live in a few megabytes.
func TestMain(m *testing.M) {
	debug.SetGCPercent(800)
	os.Exit(m.Run())
}

// lab is a simulated bench with everything above it, in process.
type lab struct {
	t     testing.TB
	sim   *simbench.Bench
	bench *catalog.Bench
	chain *chain.Chain
	// operator brings commands into the run.
	operator chan engine.Command
	progress func(engine.Status)
	journal  *memory
	closed   []plan.Outcome
	linger   time.Duration
	// edit changes the bench file of the simulated bench before it is read; nil leaves it.
	edit func(string) string
	// desk is where a person is asked; nil for nobody.
	desk *engine.Desk
	// change is the last word on the run's configuration; nil for none.
	change func(*engine.Config)
	// connect replaces the way to the simulated instruments.
	connect func(context.Context, string) (io.ReadWriteCloser, error)
	// tables are the user's own; nil for none.
	tables []driver.Table
	// slow: instruments are waited for as the bench file and the tables say.
	slow bool
	// watching makes the monitors of a run; nil takes the product's text lines.
	watching func(*driver.Rig) []dut.Monitor
}

func newLab(t testing.TB, c simbench.Config) *lab {
	t.Helper()
	l := bareLab(t, c)
	l.reload()
	return l
}

// bareLab has a simulated bench, and no bench file yet.
func bareLab(t testing.TB, c simbench.Config) *lab {
	l := &lab{t: t, sim: simbench.New(c), operator: make(chan engine.Command, 8)}
	t.Cleanup(func() { l.sim.Close() })
	return l
}

func (l *lab) reload() {
	l.t.Helper()
	file := l.sim.BenchFile()
	if l.edit != nil {
		file = []byte(l.edit(string(file)))
	}
	b, list := catalog.Parse("bench.yaml", file, func(string) ([]byte, error) { return nil, fmt.Errorf("no files") })
	if err := list.Err(); err != nil {
		l.t.Fatalf("the simulated bench's own file: %v\n%s", err, file)
	}
	l.bench, l.chain = b, chain.New(b)
}

func (l *lab) dial(ctx context.Context, address string) (io.ReadWriteCloser, error) {
	if l.connect != nil {
		return l.connect(ctx, address)
	}
	return l.sim.Dial(ctx, address)
}

// memoryFails makes the next journals fail; nil for none.
var memoryFails func(event.Event) error

// memory is a journal in memory.
type memory struct {
	records []event.Record
	fail    func(event.Event) error
	closed  bool
}

func (m *memory) Append(at time.Time, events ...event.Event) ([]event.Record, error) {
	var out []event.Record
	for _, e := range events {
		if m.fail != nil {
			if err := m.fail(e); err != nil {
				return nil, err
			}
		}
		if m.closed {
			return nil, fmt.Errorf("appended %s after the closing record", e.Kind())
		}
		kind, body, err := event.Marshal(e)
		if err != nil {
			return nil, err
		}
		back, err := event.Unmarshal(kind, body)
		if err != nil {
			return nil, fmt.Errorf("%s does not read back: %w", kind, err)
		}
		r := event.Record{Run: 1, Seq: int64(len(m.records) + 1), At: at, Event: back}
		m.records = append(m.records, r)
		out = append(out, r)
	}
	return out, nil
}

func (m *memory) Close(at time.Time, v event.Verdict, why string) (event.Record, error) {
	r, err := m.Append(at, event.Closed{Verdict: v, Why: why, Count: int64(len(m.records))})
	m.closed = true
	if err != nil {
		return event.Record{}, err
	}
	return r[0], nil
}

// kinds lists the kinds of the journal in order.
func (m *memory) kinds() string {
	var out []string
	for _, r := range m.records {
		out = append(out, r.Event.Kind())
	}
	return strings.Join(out, " ")
}

// outcome is how a run in the lab ended.
type outcome struct {
	engine.Result
	err    error
	run    result.Run
	points []plan.Threshold
}

// do runs a plan text in the lab.
func (l *lab) do(text string) outcome {
	l.t.Helper()
	p, list := plan.Parse("plan.yaml", []byte(text),
		func(string) ([]byte, error) { return nil, fmt.Errorf("no files") })
	if err := list.Err(); err != nil {
		l.t.Fatal(err)
	}
	return l.doPlan(p, nil)
}

func (l *lab) doPlan(p *plan.Plan, cal *plan.Calibrated) outcome {
	l.t.Helper()
	_, list := plan.Check(p, l.chain, cal)
	if err := list.Err(); err != nil {
		l.t.Fatal(err)
	}
	points, err := plan.Points(p, l.chain, cal)
	if err != nil {
		l.t.Fatal(err)
	}
	program, err := plan.NewProgram(p, points)
	if err != nil {
		l.t.Fatal(err)
	}
	var o outcome
	l.journal = &memory{fail: memoryFails}
	open := driver.Options{Dial: l.dial, Tables: l.tables, Timeout: 500 * time.Millisecond}
	if l.slow {
		open.Timeout = 0
	}
	if l.desk != nil {
		open.Person = l.desk
	}
	rig, err := driver.OpenBench(l.t.Context(), l.bench, open)
	if err != nil {
		o.err = err
		return o
	}
	defer rig.Close()
	var monitors []dut.Monitor
	if l.watching != nil {
		monitors = l.watching(rig)
	} else if p.Kind != plan.Calibration {
		for _, m := range l.bench.Monitors {
			if m.Kind == catalog.MonitorText {
				monitors = append(monitors, &lineMonitor{spec: m, dial: l.dial})
			}
		}
	}
	l.journal.Append(time.Now(), event.Opened{Version: event.Version, RunKind: p.Kind, Mode: p.Mode,
		Fixture:    string(p.Fixture),
		Modulation: p.Modulation, Resolution: p.Search.Resolution, Range: p.Search.Range, Points: len(p.Grid)})
	c := engine.Config{
		Plan: p, Chain: l.chain, Rig: rig, Monitors: monitors, Journal: l.journal, Run: 1,
		Points: points, Program: program, Closed: l.closed, Operator: l.operator, Progress: l.progress,
		Linger: l.linger, Desk: l.desk,
	}
	strict := &strictWatcher{}
	c.Watcher = strict
	if l.change != nil {
		l.change(&c)
	}
	o.Result, o.err = engine.Run(l.t.Context(), c)
	if late := strict.late(); late > 0 && o.Verdict != event.TrippedEnd && o.Verdict != event.RFNotKnownOff {
		l.t.Errorf("the run ended %q, and a watcher would have silenced the bench: a sign of life of the engine came "+
			"%v late", o.Verdict, late)
	}
	for _, r := range l.journal.records {
		o.run.Apply(r)
	}
	o.points = program.Thresholds()
	return o
}

// strictWatcher notes whether every sign of life of the engine came in time. It never acts.
type strictWatcher struct {
	mu    sync.Mutex
	due   time.Time // zero: none is due
	worst time.Duration
}

func (w *strictWatcher) Alive(within time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	now := time.Now()
	if !w.due.IsZero() {
		w.worst = max(w.worst, now.Sub(w.due))
	}
	w.due = time.Time{}
	if within > 0 {
		w.due = now.Add(within)
	}
}

func (w *strictWatcher) late() time.Duration {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.worst
}

func (w *strictWatcher) Check() error          { return nil }
func (w *strictWatcher) Gone() <-chan struct{} { return nil }
func (w *strictWatcher) At(rf.Frequency)       {}

type lineMonitor struct {
	spec catalog.Monitor
	dial func(context.Context, string) (io.ReadWriteCloser, error)
	c    io.ReadWriteCloser
	done chan struct{}
}

func (m *lineMonitor) ID() string { return m.spec.ID }
func (m *lineMonitor) Start(ctx context.Context, deliver func(dut.Sample)) error {
	c, err := m.dial(ctx, m.spec.Address)
	if err != nil {
		return err
	}
	m.c, m.done = c, make(chan struct{})
	go func() {
		defer close(m.done)
		s := bufio.NewScanner(c)
		for s.Scan() {
			x := dut.Sample{At: time.Now(), Monitor: m.spec.ID, Text: s.Text()}
			if _, err := fmt.Sscanf(strings.TrimSpace(s.Text()), "%f", &x.Value); err == nil {
				x.HasValue = true
			} else {
				x.Error = true
			}
			deliver(x)
		}
	}()
	return nil
}
func (m *lineMonitor) Reset(context.Context) error {
	_, err := io.WriteString(m.c, m.spec.Reset+"\n")
	return err
}
func (m *lineMonitor) Close() error {
	if m.c != nil {
		m.c.Close()
		<-m.done
	}
	return nil
}
