package driver

import (
	"context"
	"fmt"
	"io"
	"time"

	"provoke/internal/bench/guard"
	"provoke/internal/bench/scpi/serialline"
	"provoke/internal/files/catalog"
	"provoke/internal/files/resource"
)

// DeadMan is the line that a run's guard feeds so that RF stays possible.
type DeadMan interface {
	guard.HardwareDeadMan
	io.Closer
}

// OpenDeadMan opens the line. It feeds nothing.
func OpenDeadMan(ctx context.Context, spec catalog.HardwareDeadMan, o Options) (DeadMan, error) {
	if spec.Line == "" {
		r, err := OpenRelay(ctx, catalog.Relay{Identity: spec.Identity, Connection: spec.Connection}, o)
		if err != nil {
			return nil, err
		}
		return &relayDeadMan{r, spec.Within.Std()}, nil
	}
	r, err := resource.Parse(spec.Address)
	if err != nil {
		return nil, fmt.Errorf("open %s: %w", spec.ID, err)
	}
	lines, err := serialline.OpenLines(r.Device)
	if err != nil {
		return nil, fmt.Errorf("open %s: %w", spec.ID, err)
	}
	return NewLineDeadMan(lines, spec), nil
}

// relayDeadMan is a network relay with a time-out of its own, which every "on" arms again.
type relayDeadMan struct {
	relay  Relay
	within time.Duration
}

func (d *relayDeadMan) Feed(ctx context.Context) error { return d.relay.Set(ctx, true) }
func (d *relayDeadMan) Within() time.Duration          { return d.within }
func (d *relayDeadMan) Close() error                   { return d.relay.Close() }

// ControlLines are the outputs of a serial port that carry no data.
type ControlLines interface {
	SetDTR(on bool) error
	SetRTS(on bool) error
	io.Closer
}

// lineDeadMan gives edges to an external circuit that each of them triggers again.
type lineDeadMan struct {
	lines  ControlLines
	set    func(bool) error
	within time.Duration
	on     bool // owned by who feeds
}

// NewLineDeadMan feeds by edges on a control line of a serial port. It was never run on real hardware.
func NewLineDeadMan(lines ControlLines, spec catalog.HardwareDeadMan) DeadMan {
	d := &lineDeadMan{lines: lines, set: lines.SetDTR, within: spec.Within.Std()}
	if spec.Line == catalog.LineRTS {
		d.set = lines.SetRTS
	}
	return d
}

// Feed gives an edge. A level that stays as it is feeds nothing.
func (d *lineDeadMan) Feed(ctx context.Context) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if err := d.set(!d.on); err != nil {
		return err
	}
	d.on = !d.on
	return nil
}

func (d *lineDeadMan) Within() time.Duration { return d.within }
func (d *lineDeadMan) Close() error          { return d.lines.Close() }

// Hardware returns the bench's hardware dead-man for a guard; nil for none.
func (r *Rig) Hardware() guard.HardwareDeadMan {
	if r.DeadMan == nil {
		return nil
	}
	return r.DeadMan
}
