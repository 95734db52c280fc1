package plan

import (
	"fmt"

	"provoke/internal/files/problem"
	"provoke/internal/model/chain"
)

// CheckSweep computes a free sweep on a bench without touching an instrument: the worst case at every
// rating over the whole span, and as problems what speaks against it. Points, Unreachable and the
// times of the result are of no sweep and stay empty.
func CheckSweep(s *FreeSweep, budget Budget) (Checked, problem.List) {
	s.Plan.settleDrive(budget.Bench())
	c := checker{plan: s.Plan, budget: budget, bench: budget.Bench(), worst: map[string]int{},
		refused: map[string]int{},
		at:      &pointer{plan: s.Plan, budget: budget, crest: chain.CrestOfLevel(s.Plan.Modulation)}}
	if src := c.bench.Source; !src.ByHand {
		c.problem("bench",
			"a source that sweeps by itself is set by hand: write by_hand and hardware_off for %s in %s in place of "+
				"its address", src.ID, c.bench.File)
	}
	for _, f := range c.bench.Across(s.Plan.Grid[0], s.Plan.Grid[1]) {
		predicted, err := budget.Predict(f, s.Plan.Drive, c.at.crest, s.Plan.Fixture)
		if err != nil {
			c.problem("from", "%v", fmt.Errorf("over its span the sweep passes %v: %w", f, err))
			break // what the chain does not cover, it does not cover at many frequencies
		}
		c.refuse(predicted)
		c.worstAt(f, Point{Frequency: f, Drive: s.Plan.Drive, Ceiling: s.Plan.Drive})
	}
	c.sayRefusals()
	c.unmeasured()
	return c.out, c.list
}
