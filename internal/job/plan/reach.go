package plan

import (
	"fmt"

	"provoke/internal/files/catalog"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// Reach is how far a run with a time limit probably gets.
type Reach struct {
	Limit             rf.Duration
	Frequencies, Grid int
	Named             int         // frequencies that are visited before all others
	Step              rf.Fraction // the widest between two that are exposed, rounded up; 0 where part is left out
	Takes             rf.Duration // of everything, where it fits
}

// String says it in a line: "20 min: about 180 of 640 frequencies, in steps of up to 4 %; a failing band narrower than
// 4 % may be missed".
func (r Reach) String() string {
	all := english.Count(r.Grid, "frequency", "frequencies")
	about := fmt.Sprintf("%v: about %d of %s", r.Limit, r.Frequencies, all)
	switch {
	case r.Takes > 0:
		return fmt.Sprintf("%v: enough for all %s and what is searched there, about %v", r.Limit, all, r.Takes)
	case r.Frequencies == r.Grid:
		return about + ", but not all that is searched there"
	case r.Frequencies <= r.Named:
		return fmt.Sprintf("%s, which are among the %d to be visited first: nothing of the range", about, r.Named)
	case r.Step == 0:
		return about + "; parts of the range wider than " + WidestStep.String() + " are left out"
	}
	return fmt.Sprintf("%s, in steps of up to %v; a failing band narrower than %v may be missed", about, r.Step, r.Step)
}

// reachOf estimates it by walking through the program: as the likely duration assumes, a tenth of the frequencies
// fails, in one band in the middle of the grid.
func reachOf(p *Plan, b *catalog.Bench) (out Reach, ok bool) {
	bare := *p
	bare.Drift.At = 0
	g, err := NewProgram(&bare, func(f rf.Frequency) (Point, error) { return Point{Frequency: f}, nil })
	if err != nil || !p.timed() {
		return out, false
	}
	e := estimate{plan: p, bench: b}
	each := e.exposure(likely)
	upset := likely.recovery*float64(p.RecoverWithin) + 4*float64(likely.exchange)
	from := int(float64(len(p.Grid)) * (1 - likely.failing) / 2)
	to := from + int(likely.failing*float64(len(p.Grid)))
	took := e.before(likely) + 2*float64(p.Dwell) // the product is watched without RF for two dwells
	fits := func(more float64) bool { return took+more <= float64(p.TimeLimit) }
	s, more := g.Next(nil)
	for more && fits(each) {
		f := s.Point.Frequency
		o := Outcome{Number: s.Number, Exposures: 1 + len(s.Descend)/2,
			Upset: to > from && f >= p.Grid[from] && f < p.Grid[to] && s.Offset >= failingFrom}
		if took += float64(o.Exposures) * each; o.Upset {
			took += upset
			for _, d := range s.Descend {
				if d < failingFrom {
					o.RecoveredAt = &d
					break
				}
			}
		}
		s, more = g.Next(&o)
	}
	out = Reach{Limit: p.TimeLimit, Grid: len(p.Grid), Named: len(p.First)}
	done, _ := g.Progress()
	out.Frequencies = min(done, out.Grid) // edges are added to it
	if !more {
		out.Takes = inSeconds(took)
	}
	out.Step = g.coarsest()
	return out, true
}

// failingFrom is the onset that the estimate assumes.
const failingFrom rf.Gain = -6

// before is what comes before the first exposure and after the last: opening, the product's baseline, which is two
// dwells or more of slow monitors, first light, off.
func (e estimate) before(a pace) float64 {
	return 30*float64(a.exchange) + (1+6*a.look)*float64(e.period(a))
}

// coarsest is the widest step between two frequencies that were visited in what the plan steps through, rounded up; 0
// where one is none any more.
func (g *Program) coarsest() (widest rf.Fraction) {
	for _, s := range spansOf(g.plan.Stretches) {
		last := s.From
		for _, p := range g.places {
			if f := p.point.Frequency; p.closed > 0 && f >= s.From && f <= s.To {
				widest, last = max(widest, rf.Fraction(f/last-1)), f
			}
		}
		widest = max(widest, rf.Fraction(s.To/last-1))
	}
	if widest > WidestStep*slack {
		return 0
	}
	return RoundedUp(widest)
}

// timeLimit says how far the time goes, and refuses one in which nothing can be exposed.
func (c *checker) timeLimit() {
	r, ok := reachOf(c.plan, c.bench)
	if !ok {
		return
	}
	c.out.Reach = &r
	if r.Frequencies == 0 && r.Takes == 0 {
		e := estimate{plan: c.plan, bench: c.bench}
		c.problem("time_limit", "in %v nothing is exposed: the baseline and the first exposure alone take about %v; "+
			"give more time, or shorten the dwell of %v", c.plan.TimeLimit,
			inSeconds(e.before(likely)+2*float64(c.plan.Dwell)+e.exposure(likely)), c.plan.Dwell)
	}
}
