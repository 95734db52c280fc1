package watcher_test

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"provoke/internal/bench/driver"
	"provoke/internal/bench/dut"
	"provoke/internal/bench/guard"
	"provoke/internal/bench/simbench"
	"provoke/internal/files/catalog"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/model/chain"
	"provoke/internal/run/engine"
	"provoke/internal/run/watcher"
	"provoke/internal/units/rf"
)

// stuck is a driver whose calls, from a moment on, ignore their context and do not come back.
type stuck struct {
	driver.Source
	now   atomic.Bool
	came  chan struct{} // closed when the first call hangs
	once  sync.Once
	until chan struct{}
}

func (s *stuck) hang() {
	if s.now.Load() {
		s.once.Do(func() { close(s.came) })
		<-s.until
	}
}

func (s *stuck) Apply(ctx context.Context, c guard.Cleared) error {
	s.hang()
	return s.Source.Apply(ctx, c)
}

func (s *stuck) Lower(ctx context.Context, p rf.Power) error {
	s.hang()
	return s.Source.Lower(ctx, p)
}

func (s *stuck) Rest(ctx context.Context, p rf.Power) error {
	s.hang()
	return s.Source.Rest(ctx, p)
}

func (s *stuck) OutputOff(ctx context.Context) error {
	s.hang()
	return s.Source.OutputOff(ctx)
}

func (s *stuck) Minimum(ctx context.Context) error {
	s.hang()
	return s.Source.Minimum(ctx)
}

func (s *stuck) State(ctx context.Context) (guard.SourceState, error) {
	s.hang()
	return s.Source.State(ctx)
}

// stuckAmplifier hangs with its source, as behind one adapter.
type stuckAmplifier struct {
	driver.Amplifier
	with *stuck
}

func (a *stuckAmplifier) Standby(ctx context.Context) error {
	a.with.hang()
	return a.Amplifier.Standby(ctx)
}

func (a *stuckAmplifier) Operating(ctx context.Context) (bool, error) {
	a.with.hang()
	return a.Amplifier.Operating(ctx)
}

// kept is a journal in memory.
type kept struct {
	mu     sync.Mutex
	events []event.Event
}

func (k *kept) Append(_ time.Time, e ...event.Event) ([]event.Record, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.events = append(k.events, e...)
	return nil, nil
}

func (k *kept) Close(_ time.Time, v event.Verdict, why string) (event.Record, error) {
	k.Append(time.Time{}, event.Closed{Verdict: v, Why: why})
	return event.Record{}, nil
}

const hungPlan = `provoke: plan 1
name: test
bench: bench.yaml
kind: exposure
mode: closed loop
level: iec-61000-4-6/level-2
grid:
  - {list: [1 MHz, 2 MHz, 5 MHz]}
dwell: 500 ms
settle: 1 ms
dead_man: 1 s
levelling: {above_budget: 20 dB, forward_ceiling: 20 dB}
`

// quiet is a product that is always well.
type quiet struct {
	stop chan struct{}
	done chan struct{}
}

func (q *quiet) ID() string { return "SHOWN" }
func (q *quiet) Start(_ context.Context, deliver func(dut.Sample)) error {
	q.stop, q.done = make(chan struct{}), make(chan struct{})
	go func() {
		defer close(q.done)
		for {
			select {
			case <-q.stop:
				return
			case <-time.After(20 * time.Millisecond):
				deliver(dut.Sample{At: time.Now(), Monitor: "SHOWN", Text: "12.5 kg", Value: 12.5, HasValue: true})
			}
		}
	}()
	return nil
}
func (q *quiet) Reset(context.Context) error { return dut.ErrNoReset }
func (q *quiet) Close() error                { close(q.stop); <-q.done; return nil }

// hangs is a run whose engine hangs in a call to its instruments from its third setting on.
func hangs(t *testing.T, b *catalog.Bench, w *watcher.Watcher) (*stuck, *kept, <-chan engine.Result) {
	t.Helper()
	p, list := plan.Parse("plan.yaml", []byte(hungPlan),
		func(string) ([]byte, error) { return nil, errors.New("no files") })
	if err := list.Err(); err != nil {
		t.Fatal(err)
	}
	c := chain.New(b)
	points, err := plan.Points(p, c, nil)
	if err != nil {
		t.Fatal(err)
	}
	program, err := plan.NewProgram(p, points)
	if err != nil {
		t.Fatal(err)
	}
	rig, err := driver.OpenBench(t.Context(), b, driver.Options{Timeout: 500 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	s := &stuck{Source: rig.Source, came: make(chan struct{}), until: make(chan struct{})}
	rig.Source, rig.Amplifier = s, &stuckAmplifier{rig.Amplifier, s}
	j, ended := &kept{}, make(chan engine.Result, 1)
	go func() {
		res, _ := engine.Run(t.Context(), engine.Config{Plan: p, Chain: c, Rig: rig, Monitors: []dut.Monitor{&quiet{}},
			Journal: j, Run: 1,
			Points: points, Program: program, Watcher: w, Progress: func(st engine.Status) {
				if st.Phase == "exposing" && st.RFOn {
					s.now.Store(true)
				}
			}})
		rig.Close()
		ended <- res
	}()
	return s, j, ended
}

// The engine hangs in a call that ignores its context, and so does everything that this process could
// switch RF off with; the process itself is well and beats.
func TestAnEngineThatHangsIsSilencedByTheWatcher(t *testing.T) {
	t.Parallel()
	sim := simbench.New(simbench.Config{Seed: 1, KeepHistory: true})
	t.Cleanup(func() { sim.Close() })
	if err := sim.Listen("127.0.0.1:0"); err != nil {
		t.Fatal(err)
	}
	b, list := catalog.Parse("bench.yaml", sim.BenchFile(),
		func(string) ([]byte, error) { return nil, errors.New("no files") })
	if err := list.Err(); err != nil {
		t.Fatal(err)
	}
	job := filepath.Join(t.TempDir(), "j.provoke")
	w := start(t, b, job)
	s, j, ended := hangs(t, b, w)
	select {
	case <-s.came:
	case <-time.After(10 * time.Second):
		t.Fatal("the engine never hung")
	}
	began := time.Now()
	if !sim.State().On {
		t.Fatal("RF is not on when the engine hangs")
	}
	// Dead-man 1 s, then watcher.Hung, and the silencing itself.
	const limit = time.Second + watcher.Hung
	offWithin(t, func() bool { return sim.State().On }, 10*time.Second)
	took := time.Since(began)
	t.Logf("figure: RF off by the watcher %v after the engine hung with a dead-man of 1 s (at most %v, slack %v)",
		took.Round(time.Millisecond), limit, (limit - took).Round(time.Millisecond))
	if took > limit {
		t.Errorf("RF was on for %v after the engine hung, more than the %v that are stated", took, limit)
	}
	time.Sleep(200 * time.Millisecond)
	close(s.until) // what hung comes back, and may send what it had begun
	select {
	case res := <-ended:
		if res.Verdict != event.TrippedEnd && res.Verdict != event.RFNotKnownOff {
			t.Errorf("the verdict is %q", res.Verdict)
		}
	case <-time.After(20 * time.Second):
		t.Fatal("the run does not end although its call came back")
	}
	if st := sim.State(); st.On || st.Operating {
		t.Errorf("after the end: %+v", st)
	}
	w.Release()
	left, err := watcher.Left(job)
	if err != nil || left == nil || !left.Quiet || !strings.Contains(left.Cause, "engine") {
		t.Errorf("the watcher left %+v, %v", left, err)
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	if first := firstEnd(j.events); !strings.Contains(first, "no sign of life from the engine") {
		t.Errorf("the journal's first cause is %q", first)
	}
}

// firstEnd is the first cause of an end in a journal.
func firstEnd(events []event.Event) string {
	for _, e := range events {
		switch e := e.(type) {
		case event.Tripped:
			return e.Cause
		case event.Stopping:
			return e.Cause
		}
	}
	return ""
}

func TestAnEngineThatLivesKeepsTheWatcherQuietHoweverLongItWaits(t *testing.T) {
	t.Parallel()
	sim, b := lit(t)
	w := start(t, b, "")
	for range 10 {
		w.Alive(2 * time.Second) // a busy machine may hold this loop up
		time.Sleep(100 * time.Millisecond)
	}
	w.Alive(0) // no RF any more: nothing is due
	time.Sleep(time.Second)
	if err := w.Check(); err != nil || !sim.State().On {
		t.Errorf("the watcher acted: %v", err)
	}
	w.Alive(100 * time.Millisecond)
	<-w.Gone()
	if err := w.Check(); err == nil || !strings.Contains(fmt.Sprint(err), "no sign of life from the engine") {
		t.Errorf("%v", err)
	}
	offWithin(t, func() bool { return sim.State().On }, watcher.Hung+time.Second)
}
