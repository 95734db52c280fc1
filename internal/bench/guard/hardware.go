package guard

import (
	"context"
	"fmt"
	"time"

	"provoke/internal/units/rf"
)

// HardwareDeadMan is a line that keeps RF possible only while it is fed: a circuit or a relay with a time-out
// of its own, in the amplifier's interlock or in the RF path. It works when this process and its watcher are
// both gone.
type HardwareDeadMan interface {
	// Feed lets RF be possible for the circuit's own time from now on.
	Feed(ctx context.Context) error
	// Within is the circuit's own time.
	Within() time.Duration
}

// feedsIn is how many times within the circuit's own time it is fed: two may fail.
const feedsIn = 4

// mayFeed reports that RF may be kept possible: armed, not tripped, not being silenced.
func (g *Guard) mayFeed() bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.armed && g.cause == "" && g.busy == 0
}

// feedHardware feeds it once, and trips where it has not been fed for half its time.
func (g *Guard) feedHardware(ctx context.Context) error {
	h := g.cfg.Hardware
	g.feeding.Lock()
	defer g.feeding.Unlock()
	if !g.mayFeed() {
		return nil
	}
	asked := g.now()
	ctx, cancel := context.WithTimeout(ctx, h.Within()/feedsIn)
	defer cancel()
	err := h.Feed(ctx)
	if err == nil {
		g.fed = asked
		return nil
	}
	if late := g.now().Sub(g.fed); g.fed.IsZero() || late > h.Within()/2 {
		g.Trip(fmt.Sprintf("the hardware dead-man cannot be fed: %v", err), "guard")
		return fmt.Errorf("%w: the hardware dead-man cannot be fed: %w", ErrTripped, err)
	}
	return nil
}

// keepFed feeds it until the guard is disarmed. Nothing else does, and nothing after a trip or while the bench
// is being silenced: then RF goes off by the circuit too.
func (g *Guard) keepFed(stop <-chan struct{}) {
	ticker := time.NewTicker(g.cfg.Hardware.Within() / feedsIn)
	defer ticker.Stop()
	for {
		if g.feedHardware(context.Background()) != nil {
			g.Silence(context.Background(), "hardware dead-man")
			return
		}
		select {
		case <-stop:
			return
		case <-ticker.C:
		}
	}
}

// hardwareFed makes sure, before a permission, that the circuit lets RF be.
func (g *Guard) hardwareFed(ctx context.Context) error {
	if g.cfg.Hardware == nil {
		return nil
	}
	g.feeding.Lock()
	fresh := !g.fed.IsZero() && g.now().Sub(g.fed) < g.cfg.Hardware.Within()/2
	g.feeding.Unlock()
	if fresh {
		return nil
	}
	return g.feedHardware(ctx)
}

// HardwareWords says what a hardware dead-man does; for the arming.
func HardwareWords(h HardwareDeadMan) string {
	return fmt.Sprintf("hardware dead-man: RF is possible for %v after it was last fed, whatever becomes of this "+
		"computer", rf.Duration(h.Within()))
}
