package engine_test

import (
	"context"
	"errors"
	"sync/atomic"
	"testing"
	"time"

	"provoke/internal/bench/driver"
	"provoke/internal/bench/dut"
	"provoke/internal/bench/simbench"
	"provoke/internal/job/event"
	"provoke/internal/run/engine"
)

// takenOver is a watcher that takes over when it is told to.
type takenOver struct {
	strictWatcher
	over atomic.Bool
}

func (w *takenOver) Check() error {
	if w.over.Load() {
		return errors.New("this process stood still for 3 s, and the watcher takes over")
	}
	return nil
}

// standsStill is a monitor that is well, until a while after RF came on its program stands still, and its
// meter does not answer in time.
type standsStill struct {
	lateAnswers
	watcher *takenOver
}

func (m *standsStill) Start(ctx context.Context, deliver func(dut.Sample)) error {
	ctx, m.cancel = context.WithCancel(ctx)
	m.done = make(chan struct{})
	go func() {
		defer close(m.done)
		quiet := time.Now()
		for ctx.Err() == nil {
			time.Sleep(5 * time.Millisecond)
			x := dut.Sample{At: time.Now(), Monitor: m.id, Value: 12.5, HasValue: true}
			if on := m.sim.State().On; !on {
				quiet = x.At
			} else if x.At.Sub(quiet) > 50*time.Millisecond {
				m.watcher.over.Store(true)
				x = dut.Sample{At: x.At, Monitor: m.id, Lost: "no answer in time"}
			}
			deliver(x)
		}
	}()
	return nil
}

func TestAStepInWhichTheWatcherTookOverSaysNothingOfTheProduct(t *testing.T) {
	inLab(t, simbench.Config{Seed: 1}, func(t *testing.T, l *lab) {
		watcher := &takenOver{}
		l.change = func(c *engine.Config) { c.Watcher = watcher }
		l.watching = func(*driver.Rig) []dut.Monitor {
			return []dut.Monitor{&standsStill{lateAnswers{sim: l.sim, id: l.bench.Monitors[0].ID}, watcher}}
		}
		o := l.do(planText("list: [30 MHz]", "search: {onset: false}"))
		if len(o.run.Steps) > 0 || len(o.run.Abandoned) != 1 || o.Verdict != event.TrippedEnd {
			t.Errorf("%d steps closed, %d abandoned, verdict %q: %s", len(o.run.Steps), len(o.run.Abandoned), o.Verdict,
				l.journal.kinds())
		}
		l.mustBeOff(o)
	})
}
