package engine

import "time"

// leastStep is the least step of the wall clock that is told: less is what a clock that is kept by the
// network does by itself.
const leastStep = time.Second

// clock notices that the wall clock was set: it compares it with the clock that nobody sets.
type clock struct {
	wall, steady time.Time
	slept        time.Duration
}

// look takes a reading of the wall clock and returns by how much it was set since the one before; 0 when
// it was not. A machine that slept is not one whose clock was set: on some systems the steady clock
// stands still in sleep, on others it goes on.
func (c *clock) look(wall time.Time, slept time.Duration) time.Duration {
	was, steady := *c, time.Now()
	wall = wall.Round(0) // without the steady clock's reading
	*c = clock{wall, steady, slept}
	if was.wall.IsZero() {
		return 0
	}
	step := wall.Sub(was.wall) - steady.Sub(was.steady)
	if near(step) || near(step-(slept-was.slept)) {
		return 0
	}
	return step.Round(100 * time.Millisecond)
}

func near(d time.Duration) bool { return d > -leastStep && d < leastStep }

func (r *run) slept() time.Duration {
	if r.cfg.Slept == nil {
		return 0
	}
	return r.cfg.Slept()
}
