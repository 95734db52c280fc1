package engine_test

import (
	"context"
	"sync"
	"testing"
	"time"

	"provoke/internal/bench/driver"
	"provoke/internal/bench/dut"
	"provoke/internal/bench/simbench"
	"provoke/internal/files/catalog"
	"provoke/internal/run/engine"
	"provoke/internal/units/rf"
)

// lateAnswers is a monitor whose answers of the first moments with RF on were all asked for before.
type lateAnswers struct {
	sim    *simbench.Bench
	id     string
	cancel context.CancelFunc
	done   chan struct{}
}

func (m *lateAnswers) ID() string                  { return m.id }
func (m *lateAnswers) Reset(context.Context) error { return dut.ErrNoReset }
func (m *lateAnswers) Close() error                { m.cancel(); <-m.done; return nil }

func (m *lateAnswers) Start(ctx context.Context, deliver func(dut.Sample)) error {
	ctx, m.cancel = context.WithCancel(ctx)
	m.done = make(chan struct{})
	go func() {
		defer close(m.done)
		quiet := time.Now() // when RF was last off
		for ctx.Err() == nil {
			time.Sleep(5 * time.Millisecond)
			x := dut.Sample{At: time.Now(), Asked: time.Now(), Monitor: m.id, Value: 12.5, HasValue: true}
			switch {
			case !m.sim.State().On:
				quiet = x.At
			case x.At.Sub(quiet) < 300*time.Millisecond:
				x.Asked = quiet
			default:
				x.Value = 20
			}
			deliver(x)
		}
	}()
	return nil
}

func TestAnAnswerThatWasAskedForBeforeTheDwellsEndIsNoLookAfterIt(t *testing.T) {
	inLab(t, simbench.Config{Seed: 1}, func(t *testing.T, l *lab) {
		l.watching = func(*driver.Rig) []dut.Monitor {
			return []dut.Monitor{&lateAnswers{sim: l.sim, id: l.bench.Monitors[0].ID}}
		}
		o := l.do(planText("list: [30 MHz]", "search: {onset: false}"))
		if o.err != nil || len(o.run.Steps) == 0 || !o.run.Steps[0].Outcome.Upset {
			t.Errorf("%v: %d steps closed, and the product was said to stand the first", o.err, len(o.run.Steps))
		}
		l.mustBeOff(o)
	})
}

// steadyMeter reads the same volt every time, at once.
type steadyMeter struct{}

func (steadyMeter) Read(context.Context) (float64, error) { return 1, nil }

// A monitor that asks once a period is asked when the dwell is over: a point takes its dwell, which is a period at
// least, and not up to a period more.
func TestAfterADwellNobodyWaitsForTheNextPeriod(t *testing.T) {
	inLab(t, simbench.Config{Seed: 3}, func(t *testing.T, l *lab) {
		const period, latency = 500 * time.Millisecond, 20 * time.Millisecond
		l.watching = func(*driver.Rig) []dut.Monitor {
			spec := catalog.Monitor{Identity: catalog.Identity{ID: "SLOW"}, Kind: catalog.MonitorMeter, Tolerance: 1,
				Unit:  "V",
				Every: rf.Duration(period), Latency: rf.Duration(latency)}
			l.bench.Monitors = []catalog.Monitor{spec}
			m, err := dut.New(spec, dut.Options{Meter: steadyMeter{}})
			if err != nil {
				t.Fatal(err)
			}
			return []dut.Monitor{m}
		}
		began := time.Now()
		o := l.do(planText("{from: 200 kHz, to: 400 kHz, step: 5 %}", "search: {onset: false}"))
		if o.err != nil {
			t.Fatal(o.err)
		}
		each := time.Since(began) / time.Duration(max(1, len(o.run.Steps)))
		t.Logf("figure: %d points with a monitor that asks every %v: %v each", len(o.run.Steps), period, each)
		if each > period+latency+period/4 {
			t.Errorf("a point takes %v", each)
		}
	})
}

// afterTheFact reads the product's display, but in the first recovery step nothing until RF was left 20 dB lower, and
// then one upset.
type afterTheFact struct {
	sim *simbench.Bench
	id  string

	mu         sync.Mutex
	descending bool
	told       int // times that it was bad afterwards
	ended      chan struct{}
	done       chan struct{}
}

func (m *afterTheFact) ID() string                  { return m.id }
func (m *afterTheFact) Reset(context.Context) error { m.sim.ResetDUT(); return nil }
func (m *afterTheFact) Close() error                { close(m.ended); <-m.done; return nil }
func (m *afterTheFact) Start(_ context.Context, deliver func(dut.Sample)) error {
	m.ended, m.done = make(chan struct{}), make(chan struct{})
	go func() {
		defer close(m.done)
		highest := 0.0
		for {
			select {
			case <-m.ended:
				return
			case <-time.After(2 * time.Millisecond):
			}
			s := m.sim.State()
			x := dut.Sample{At: time.Now(), Monitor: m.id, Value: s.Kilograms, HasValue: true}
			m.mu.Lock()
			if m.descending && m.told < 1 {
				highest = max(highest, s.Carrier)
				x.Value = 12.34
				if s.On && s.Carrier < highest/10 {
					x.Value = 20
					m.told++
				}
			}
			m.mu.Unlock()
			deliver(x)
		}
	}()
	return nil
}

// An upset that shows only when the level was left has no way down from it: the level is not raised again for that.
func TestAnUpsetThatShowsAfterTheLevelWasLeftHasNoWayDown(t *testing.T) {
	inLab(t, simbench.Config{Seed: 1, Steady: true}, func(t *testing.T, l *lab) {
		m := &afterTheFact{sim: l.sim, id: l.bench.Monitors[0].ID}
		l.watching = func(*driver.Rig) []dut.Monitor { return []dut.Monitor{m} }
		l.progress = func(s engine.Status) {
			m.mu.Lock()
			defer m.mu.Unlock()
			m.descending = len(s.Step.Descend) > 0
		}
		o := l.do(planText(around(l.sim, 0, "10 %")))
		if o.err != nil {
			t.Error(o.err)
		}
		after, down := 0, 0
		for _, s := range o.run.Steps {
			if s.Particulars == nil || len(s.Descend) == 0 || !s.Outcome.Upset {
				continue
			}
			if s.Outcome.Exposures == 1 && len(s.Descent) == 0 {
				after++
			} else if len(s.Descent) > 0 {
				down++
			}
		}
		if m.told == 0 || after != 1 || down == 0 {
			t.Errorf("told %d times; %d steps without a way down, %d with one", m.told, after, down)
		}
		l.mustBeOff(o)
	})
}
