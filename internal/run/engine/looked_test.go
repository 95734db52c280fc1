package engine_test

import (
	"context"
	"testing"
	"time"

	"provoke/internal/bench/driver"
	"provoke/internal/bench/dut"
	"provoke/internal/bench/simbench"
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
