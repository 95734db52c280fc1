package engine

import (
	"context"
	"fmt"
	"strings"

	"provoke/internal/bench/driver"
	"provoke/internal/units/rf"
)

// aboveCeilings is how far above the highest ceiling of the plan's points a source is limited: at the
// frequencies that are added to find the edges of a band a ceiling may lie a little higher.
const aboveCeilings rf.Gain = 1

// limitSource has the source hold by itself what it can hold: no level above the run's ceilings, and its
// output going off when the connection is lost. The guard does not rely on it.
func (r *run) limitSource(ctx context.Context) error {
	l, ok := r.cfg.Rig.Source.(driver.Limiter)
	if !ok || r.byHand() || r.cfg.FreeRunning || r.cfg.Points == nil {
		return nil
	}
	most, err := r.highestCeiling()
	if err != nil || !most.Known() {
		return err
	}
	words, err := l.Limit(r.patiently(ctx), most.Add(aboveCeilings))
	if err != nil {
		return r.instrument("have the source hold its limit", err)
	}
	r.cfg.Armed.Limits = append(r.cfg.Armed.Limits, words...)
	return nil
}

// patiently is a context for a call of the engine's own goroutine that takes several messages: each answer
// is a sign of life, so that a slow instrument is not taken for an engine that hangs.
func (r *run) patiently(ctx context.Context) context.Context { return driver.WithLife(ctx, r.feed) }

// plainSource brings the source to a plain carrier, whatever its last user left on, and says what of that
// cannot be read. The bench was silenced: the output is off, the amplifier in standby.
func (r *run) plainSource(ctx context.Context) error {
	p, ok := r.cfg.Rig.Source.(driver.Plainer)
	if !ok {
		return nil
	}
	unread, err := p.Plain(r.patiently(ctx))
	if err != nil {
		return r.instrument("bring the source to a plain carrier before RF", err)
	}
	if len(unread) > 0 {
		r.cfg.Armed.Limits = append(r.cfg.Armed.Limits,
			fmt.Sprintf("not read at source %s, and so not known to be off: %s", r.bench.Source.ID,
				strings.Join(unread, ", ")))
	}
	return nil
}

// highestCeiling is the largest drive that any point of the plan may use, and any between two.
func (r *run) highestCeiling() (rf.Power, error) {
	var most rf.Power
	grid := r.cfg.Plan.Grid
	look := func(f rf.Frequency) error {
		p, err := r.cfg.Points(f)
		if err == nil && p.Ceiling.Known() && (!most.Known() || p.Ceiling.Above(most)) {
			most = p.Ceiling
		}
		return err
	}
	for i, f := range grid {
		if err := look(f); err != nil {
			return most, err
		}
		if i > 0 && r.cfg.Plan.Edges > 0 {
			if err := look((grid[i-1] + f) / 2); err != nil {
				return most, err
			}
		}
	}
	return most, nil
}
