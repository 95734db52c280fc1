package plan

import (
	"math"

	"provoke/internal/units/rf"
)

// A program with a time limit may end after any step, so it does first what is worth most. It has no clock: who runs
// it ends it. The order is, each until nothing of it is left:
//
//  1. what is named (first and clocks), once each at the level wanted;
//  2. the grid in ever smaller gaps (see nextGap) until none is wider than coarseGap, and at each new failing band one
//     onset to roughOnset, and whether its other frequencies are worse: a band with its margin to 3 dB says more than a
//     hundred frequencies beside it;
//  3. the worst known frequency of each band to the resolution, confirmed: the margin of the product rests on it;
//  4. the rest of the grid in the same manner: a band that nobody saw is worth more than a second digit;
//  5. the onsets of all other frequencies that upset to roughOnset, then to the resolution, confirmed;
//  6. edges finer than the grid, and the low checks: as the sweep passes;
//  7. recovery levels, which no margin rests on and which keep the product upset the longest.
//
// What is exposed is searched by the rules of any other run, only with pauses, so that with enough time the results are
// those of the sweep.

// turn is how far a place is searched before something else is worth more.
type turn int

const (
	atLevel turn = iota + 1 // whether it upsets
	roughly                 // the onset to roughOnset
	exactly                 // the onset to the resolution, confirmed
	fully
)

const (
	roughOnset rf.Gain = 3
	// coarseGap: a resonance of a Q of 20, about the sharpest of a cable, is as wide as that between its 3 dB points
	// (common practice, no single source).
	coarseGap = 0.05
)

// due is the turn in which a request is made.
func (g *Program) due(p *place, r request) turn {
	switch {
	case r.purpose == Recover:
		return fully
	case r.purpose == Onset:
		stood := p.stood()
		if stood == unknown || g.search.offset(p.upset)-g.search.offset(stood) > roughOnset+1e-9 {
			return roughly
		}
		return exactly
	case r.purpose == Confirm, r.purpose == StaircaseStep, r.purpose == Repeat && p.stairs > 0:
		return exactly
	}
	return atLevel
}

// want returns what is to be done at a place in the turn of now.
func (g *Program) want(p *place) (request, bool) { return g.wantIn(p, g.turn) }

func (g *Program) wantIn(p *place, t turn) (request, bool) {
	r, ok := g.search.want(p)
	if p.compare != unknown && t == roughly && g.phase <= looking {
		if p.upset >= p.compare {
			return r, ok && g.due(p, r) <= t
		}
		return request{purpose: Onset, at: p.compare}, p.stood() == unknown && !p.skipped
	}
	if r.purpose == Recover && t == exactly { // it would confirm the onset too, and comes too late for that
		return request{purpose: Confirm, at: p.upset}, p.recoveries == 0 && g.search.confirmWanted(p)
	}
	if r.purpose == Recover && p.windowUpset {
		return r, false // the low check came before it and upset: the onset is above what is known to upset
	}
	return r, ok && g.due(p, r) <= t
}

// waits reports that something is still to be done up to a turn at a place that was visited.
func (g *Program) waits(p *place, t turn) bool {
	_, ok := g.wantIn(p, t)
	return ok && p.closed > 0
}

// byValue goes to the place where the next exposure is worth most; false when only the sweep's own work is left.
func (g *Program) byValue() bool {
	for ; g.phase < len(g.phases()); g.phase++ {
		if g.phases()[g.phase]() {
			return true
		}
		g.cursor = 0
	}
	g.turn = exactly
	return false
}

// looking is the last phase in which the grid is looked over.
const looking = 2

func (g *Program) phases() []func() bool {
	return []func() bool{
		func() bool { return g.newBand() || g.nextGap(math.Log(1+coarseGap)) },
		func() bool { return g.worst() },
		func() bool { return g.newBand() || g.nextGap(0) },
		func() bool { return g.each(roughly) },
		func() bool { return g.each(exactly) },
	}
}

// back goes back to a frequency of the grid that was left, up to a turn. Its neighbours may tell more by now.
func (g *Program) back(p *place, t turn) {
	g.turn = t
	g.arrive(p, g.index(p.point.Frequency), Onset)
}

// each goes through the places, in the order of the sweep, up to a turn.
func (g *Program) each(t turn) bool {
	for ; g.cursor < len(g.order); g.cursor++ {
		if p := g.order[g.cursor]; g.waits(p, t) {
			g.back(p, t)
			return true
		}
	}
	return false
}

// newBand goes on where an upset was found. Where it belongs to no band with an onset its own is found roughly;
// otherwise one exposure, which as a rule upsets nothing, shows whether it is worse than all of the band by more than
// roughOnset: only then its own is found too.
func (g *Program) newBand() bool {
	for len(g.fresh) > 0 {
		p := g.fresh[0]
		g.fresh = g.fresh[1:]
		if !g.waits(p, roughly) {
			continue
		}
		if worst := max(g.knownBeside(p, -1), g.knownBeside(p, 1)); worst != unknown {
			p.compare = worst + g.search.whole(max(roughOnset, g.search.resolution))
			if p.compare > g.search.bottom {
				continue
			}
		}
		g.back(p, roughly)
		return true
	}
	return false
}

// knownBeside is the lowest onset, roughly, of the places of the same band in a direction; unknown where none has one.
func (g *Program) knownBeside(p *place, step int) depth {
	near, worst := p, unknown
	for i := g.index(p.point.Frequency) + step; i >= 0 && i < len(g.places); i += step {
		q := g.places[i]
		switch {
		case q.closed == 0:
			continue
		case q.upset == unknown || gap(near, q) > math.Log1p(float64(WidestStep))+1e-9:
			return worst
		case !g.waits(q, roughly):
			worst = max(worst, q.upset)
		}
		near = q
	}
	return worst
}

// worst finds the onset exactly where it is the lowest known of a band.
func (g *Program) worst() bool {
	var w *place
	ends := func() bool { return w != nil && g.waits(w, exactly) }
	for _, p := range g.places {
		switch {
		case p.closed == 0:
		case p.upset == unknown:
			if ends() {
				g.back(w, exactly)
				return true
			}
			w = nil
		case w == nil || p.upset > w.upset:
			w = p
		}
	}
	if ends() {
		g.back(w, exactly)
		return true
	}
	return false
}

// gap is the distance of two places over the logarithm of frequency.
func gap(a, b *place) float64 {
	return math.Abs(math.Log(float64(b.point.Frequency / a.point.Frequency)))
}

// nextGap visits the middle of a gap between two frequencies that were visited: the widest, counted over the logarithm
// of frequency times what is to be expected there (see interest), in the order of the sweep among those that halving
// the range as often makes. So the whole grid is seen in rounds of half the step each. Gaps that count for no more than
// least are left.
func (g *Program) nextGap(least float64) bool {
	n := len(g.places)
	whole := math.Log(float64(g.places[n-1].point.Frequency / g.places[0].point.Frequency))
	best, from, to := math.Inf(1), 0, 0 // how often the range is halved, twice; between two that were visited
	look := func(a, b int) {
		if b-a < 2 {
			return
		}
		width := g.width(a, b)
		if width <= least {
			return
		}
		halved := math.Round(2 * math.Log2(max(whole, 1e-12)/width))
		if halved < best || halved == best && g.plan.Descending {
			best, from, to = halved, a, b
		}
	}
	last := -1
	for i, p := range g.places {
		if p.closed > 0 {
			look(last, i)
			last = i
		}
	}
	look(last, n)
	if math.IsInf(best, 1) {
		return false
	}
	g.visit(g.places[g.middleOf(from, to)])
	return true
}

// width is what a gap between two places counts for; -1 and the number of places are the ends of the grid, from which
// a gap counts twice: nothing bounds it there.
func (g *Program) width(a, b int) float64 {
	n := len(g.places)
	low, high := g.places[max(a, 0)], g.places[min(b, n-1)]
	w := max(gap(low, high), 1e-9)
	switch {
	case a < 0 && b == n:
		return 4 * w
	case a < 0:
		return 2 * w * interest(high, high)
	case b == n:
		return 2 * w * interest(low, low)
	}
	return w * interest(low, high)
}

// Where graded readings put the onset less than closely above the level, a band may lie beside; more than distant above
// it, hardly one that is wider than the gap.
const (
	closely rf.Gain = 3
	nearby  rf.Gain = 6
	distant rf.Gain = 12
)

// interest says how much more likely a gap hides something than another as wide: 4 makes it as fine as the rest is two
// rounds later.
func interest(a, b *place) float64 {
	if a.failing() != b.failing() {
		return 4 // the edge of a band lies here
	}
	if a.failing() {
		return 1
	}
	out, far := 1.0, true
	for _, p := range []*place{a, b} {
		if p.named {
			out = max(out, 2) // what was expected here may have moved a little with the cable
		}
		switch e := p.graded; {
		case e == nil:
			far = false
		case e.Onset <= closely:
			return 4
		case e.Onset <= nearby:
			out = 2
		}
		far = far && p.graded.Onset > distant
	}
	if far && out == 1 {
		return 0.5
	}
	return out
}

// middleOf is the place between two that is nearest to the middle; where one is an end of the grid, that end.
func (g *Program) middleOf(a, b int) int {
	switch n := len(g.places); {
	case a < 0 && b == n && g.plan.Descending:
		return n - 1
	case a < 0:
		return 0
	case b == n:
		return n - 1
	}
	low, high := g.places[a], g.places[b]
	best := a + 1
	for i := a + 1; i < b; i++ {
		if math.Abs(gap(low, g.places[i])-gap(low, high)/2) < math.Abs(gap(low, g.places[best])-gap(low, high)/2) {
			best = i
		}
	}
	return best
}
