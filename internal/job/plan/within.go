package plan

import (
	"fmt"
	"math"
	"path"
	"slices"

	"provoke/internal/files/catalog"
	"provoke/internal/units/rf"
)

// Named is a frequency that is to be visited first, with why.
type Named struct {
	At  rf.Frequency
	Why string
}

// Why frequencies are named.
const (
	FromLaboratory = "what the laboratory reported"
	FromCable      = "the resonances of the cable's model"
)

// NamedAt names frequencies for one reason.
func NamedAt(at []rf.Frequency, why string) (out []Named) {
	for _, f := range at {
		out = append(out, Named{f, why})
	}
	return out
}

// mostListed is how many frequencies a line lists.
const mostListed = 16

// VisitFirst puts frequencies of the grid before all others.
func (p *Plan) VisitFirst(named []Named) {
	var out []rf.Frequency
	for _, n := range named {
		out = alsoNamed(out, n.At, sameFrequency)
	}
	for _, f := range p.First {
		out = alsoNamed(out, f, sameFrequency)
	}
	p.First = out
}

// shortestLimit is the least time that a plan may have.
const shortestLimit = rf.Duration(1e9)

// Within makes of a plan the one for so much time: the same frequencies and searches, what is named first, then the
// grid from coarse to fine, until the time is up.
func Within(p *Plan, b *catalog.Bench, limit rf.Duration, named []Named) (*Look, error) {
	if limit < shortestLimit {
		return nil, fmt.Errorf("a plan for %v: a run takes %v at least", limit, shortestLimit)
	}
	if p.Kind != Exposure {
		return nil, fmt.Errorf("a plan for a time exposes the product, and %s is a plan of kind %s", p.File, p.Kind)
	}
	l := &Look{}
	ahead := p.inFile().First
	var reasons []string
	for _, n := range named {
		inside := func(s Span) bool { return n.At >= s.From && n.At <= s.To }
		if !slices.ContainsFunc(spansOf(p.Stretches), inside) && !slices.Contains(p.Grid, n.At) {
			l.Left = append(l.Left, Span{From: n.At, To: n.At})
			continue
		}
		if ahead = alsoNamed(ahead, n.At, sameFrequency); !slices.Contains(reasons, n.Why) {
			reasons = append(reasons, n.Why)
		}
	}
	if err := l.make(p, []Change{{"name", fmt.Sprintf("%s, in %v", p.Name, limit)}, {"first", bracketed(ahead)},
		{"time_limit", seconds(limit)}}); err != nil {
		return nil, err
	}
	l.Duration = durationOf(l.Plan, b)
	reach, _ := reachOf(l.Plan, b)
	says := []string{fmt.Sprintf("Made from %s for %v: what is worth most comes first, from coarse to fine, until the "+
		"time is up.", path.Base(p.File), limit), reach.String() + "."}
	if reach.Takes == 0 {
		whole := *l.Plan
		whole.TimeLimit = rf.Duration(24 * 3600 * 1e9)
		if all, _ := reachOf(&whole, b); all.Takes > 0 {
			says = append(says, fmt.Sprintf("Everything would take about %v.", all.Takes))
		}
	}
	switch n := len(l.Plan.First); {
	case n > mostListed:
		says = append(says, fmt.Sprintf("Visited first: %d frequencies, from %s on.", n, Listed(l.Plan.First[:3])))
	case n > 0:
		says = append(says, "Visited first: "+Listed(l.Plan.First)+".")
	}
	for _, why := range reasons {
		says = append(says, "Among them "+why+".")
	}
	if len(l.Left) > 0 {
		says = append(says, "Left out, since the plan does not reach there: "+Spans(l.Left)+".")
	}
	l.head(says)
	return l, nil
}

// seconds writes a time as a file has it: whole minutes, or seconds.
func seconds(d rf.Duration) string {
	if s := d.Std().Seconds(); math.Mod(s, 60) != 0 {
		return fmt.Sprintf("%g s", s)
	}
	return fmt.Sprintf("%g min", d.Std().Minutes())
}
