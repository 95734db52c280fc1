package dut

import (
	"context"
	"errors"
	"fmt"
	"sync"

	"provoke/internal/bench/camera"
	"provoke/internal/files/catalog"
)

// ErrCyclesUsed is wrapped by Reset when the run has used up its power cycles.
var ErrCyclesUsed = errors.New("the limit of power cycles is used up")

// Switch is a relay's output: on is the DUT powered, or its reset line at rest.
type Switch interface {
	Set(ctx context.Context, on bool) error
}

// PowerCycle resets the DUT by taking its power away for a time. It counts its cycles and stops at a
// limit: a DUT that needs more is to be looked at by a person.
type PowerCycle struct {
	Relay  catalog.Relay
	Output Switch
	// Told is told of each cycle before it is done; nil for nobody.
	Told func(cycle, of int)

	mu   sync.Mutex
	done int
}

// Reset takes the power away, gives it back and waits until the DUT has started. The power is given
// back whatever happened, also when ctx ends.
func (p *PowerCycle) Reset(ctx context.Context) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.done >= p.Relay.Cycles {
		return fmt.Errorf("reset the DUT by relay %s: %w (%d)", p.Relay.ID, ErrCyclesUsed, p.Relay.Cycles)
	}
	p.done++
	if p.Told != nil {
		p.Told(p.done, p.Relay.Cycles)
	}
	err := p.Output.Set(ctx, false)
	if err == nil {
		err = camera.Wait(ctx, p.Relay.OffFor.Std())
	}
	back, cancel := context.WithTimeout(context.WithoutCancel(ctx), resetLimit)
	defer cancel()
	if on := p.Output.Set(back, true); on != nil {
		return fmt.Errorf("reset the DUT by relay %s: its power does not come back: %w", p.Relay.ID,
			errors.Join(on, err))
	}
	if err == nil {
		err = camera.Wait(ctx, p.Relay.StartsIn.Std())
	}
	if err != nil {
		return fmt.Errorf("reset the DUT by relay %s: %w", p.Relay.ID, err)
	}
	return nil
}

// Done returns how many cycles were done.
func (p *PowerCycle) Done() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.done
}
