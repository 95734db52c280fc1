package engine

import (
	"math"
	"time"

	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/units/rf"
)

// grade begins to follow how far the readings move, where the plan looks for onsets and lets readings place exposures.
func (r *run) grade() {
	p := r.cfg.Plan
	if r.cfg.Program == nil || !p.Search.Onset || p.Search.Ungraded || p.Kind != plan.Exposure &&
		p.Kind != plan.Control {
		return
	}
	r.gradings = result.NewGradings(r.watch.baselines(), p.Stretches)
	for _, s := range r.cfg.Earlier {
		r.gradings.Add(s)
	}
}

// graded adds to the outcome of a step what the readings so far say of the onset at its frequency: as an offset, for
// the current follows the drive decibel for decibel near by.
func (r *run) graded(c *event.StepClosed) {
	if r.gradings == nil {
		return
	}
	r.gradings.Add(result.StepOf(0, time.Time{}, *c))
	x := r.gradings.At(c.Step.Point.Frequency)
	if !c.Current.Exact() {
		return
	}
	at := func(level float64) rf.Gain { // to hundredths: it is an estimate
		return rf.Gain(math.Round(100*(level-c.Current.In()))/100) + c.Step.Offset
	}
	if x.Places {
		c.Outcome.Graded = &plan.Graded{Onset: at(x.Onset), Low: at(x.Low), High: at(x.High)}
	}
	if x.Ask > 0 {
		lower := at(x.Ask)
		c.Outcome.Lower = &lower
	}
}
