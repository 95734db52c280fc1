package dut

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os/exec"
	"strings"
	"time"

	"provoke/internal/bench/scpi"
	"provoke/internal/files/catalog"
	"provoke/internal/units/rf"
)

// commandLimit is for one run of a command.
const commandLimit = 10 * time.Second

// orElse returns a time of the bench file, or another where it gives none.
func orElse(d rf.Duration, otherwise time.Duration) time.Duration {
	if d > 0 {
		return d.Std()
	}
	return otherwise
}

// meter asks an instrument for its reading.
type meter struct {
	worker
	read  func(context.Context) (float64, error)
	scale float64 // of the monitor's units in the instrument's
}

func newMeter(spec catalog.Monitor, o Options) (Monitor, error) {
	if o.Meter == nil {
		return nil, fmt.Errorf("monitor %s: it is a meter and none is connected", spec.ID)
	}
	return &meter{worker: worker{spec: spec}, read: o.Meter.Read, scale: catalog.PerBaseUnit(spec.Unit)}, nil
}

// Start reads once, so that an instrument that is not there is told at once.
func (m *meter) Start(ctx context.Context, deliver func(Sample)) error {
	if _, err := m.read(ctx); errors.Is(err, scpi.ErrPoisoned) {
		return fmt.Errorf("monitor %s: %w", m.spec.ID, err)
	}
	return m.start(ctx, deliver, func(ctx context.Context) {
		m.every(ctx, m.spec.Period().Std(), m.look)
	})
}

func (m *meter) look(ctx context.Context) {
	v, err := m.read(ctx)
	switch {
	case err == nil:
		m.sample(Sample{Value: v * m.scale, HasValue: true})
	case ctx.Err() == nil:
		m.sample(Sample{Lost: err.Error()})
	}
}

// command runs a program; its exit status says how the DUT is.
type command struct{ worker }

func newCommand(spec catalog.Monitor, _ Options) (Monitor, error) {
	if len(spec.Command) == 0 {
		return nil, fmt.Errorf("monitor %s: it is a command and none is given", spec.ID)
	}
	return &command{worker: worker{spec: spec}}, nil
}

// Start checks that the program is there.
func (c *command) Start(ctx context.Context, deliver func(Sample)) error {
	if _, err := exec.LookPath(c.spec.Command[0]); err != nil {
		return fmt.Errorf("monitor %s: %w", c.spec.ID, err)
	}
	return c.start(ctx, deliver, func(ctx context.Context) {
		c.every(ctx, c.spec.Period().Std(), c.look)
	})
}

func (c *command) look(ctx context.Context) {
	limit := orElse(c.spec.Timeout, commandLimit)
	bounded, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	out := &head{}
	run := exec.CommandContext(bounded, c.spec.Command[0], c.spec.Command[1:]...)
	run.Stdout, run.Stderr = out, out
	run.WaitDelay = time.Second // for children that keep the pipes open
	err := run.Run()
	var exit *exec.ExitError
	switch {
	case ctx.Err() != nil:
	case bounded.Err() != nil:
		c.sample(Sample{Lost: fmt.Sprintf("%s has not ended after %v", c.spec.Command[0], rf.Duration(limit))})
	case err == nil:
		c.sample(Sample{Text: out.line()})
	case errors.As(err, &exit):
		c.sample(Sample{Error: true, Text: strings.TrimSpace(exit.Error() + " " + out.line())})
	default:
		c.sample(Sample{Lost: err.Error()})
	}
}

// head keeps the beginning of what a program prints.
type head struct{ kept bytes.Buffer }

// Write keeps the first 4 KiB and drops the rest.
func (h *head) Write(b []byte) (int, error) {
	if room := 4096 - h.kept.Len(); room > 0 {
		h.kept.Write(b[:min(room, len(b))])
	}
	return len(b), nil
}

// line returns the first line that is not empty.
func (h *head) line() string {
	for _, l := range strings.Split(h.kept.String(), "\n") {
		if l = clean(l); l != "" {
			return l
		}
	}
	return ""
}

// Operator is the person who watches the DUT and presses a key when it upsets.
type Operator struct{ worker }

func newOperator(spec catalog.Monitor, _ Options) (Monitor, error) {
	return &Operator{worker: worker{spec: spec}}, nil
}

// Start begins to take presses.
func (o *Operator) Start(ctx context.Context, deliver func(Sample)) error {
	return o.start(ctx, deliver, func(ctx context.Context) { <-ctx.Done() })
}

// Press says "it upset now". It is dropped when the monitor is not running.
func (o *Operator) Press(text string) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.deliver != nil && !o.closed {
		o.sample(Sample{Error: true, Text: text})
	}
}
