package plan

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"provoke/internal/units/rf"
)

// Program is a run as a state machine: it is asked for the next step and told what came of it. It
// has no clock and no randomness, so the same outcomes give the same steps.
//
// It visits what the plan wants first, then goes through the grid (with a time limit in another order, see turn);
// bands, edges and low checks come as the sweep passes what was visited. At a frequency without a failing neighbour it
// asks for one exposure at the level wanted; beside a failing neighbour it comes from below the neighbour's onset.
// Where the DUT upsets, it finds the onset on whole resolution steps below the level wanted, confirms it, and
// finds the recovery level. When a failing band has ended it narrows the band's edges and makes the
// low check.
//
// No offset is above 0 dB; after an upset at a frequency none there is above the lowest level known
// to upset.
type Program struct {
	plan   *Plan
	search search
	points func(rf.Frequency) (Point, error)

	order   []*place // the grid in the order of the sweep
	first   []*place // of the grid, still to be visited before the sweep
	at      int      // next of order
	visits  int      // frequencies of the grid visited
	places  []*place // by frequency; those of the grid from the beginning
	current *place
	errand  Purpose // why the program is at current: Sweep, Edge or Window
	asked   *Step
	number  int
	open    *band // failing band that the sweep is in
	closing *band // band that ended and is being finished
	last    *place
	drift   *place // the check point; nil for none. checked is how many visits its last one came after, plus 1
	checked int
	done    int
	err     error

	// Of a program with a time limit, see turn.
	turn   turn
	phase  int
	cursor int
	fresh  []*place // upset, and not looked at yet whether they begin a band
}

// band is a failing band in the making.
type band struct {
	before, after *place // the frequencies next to it that did not fail; nil at an end of the grid
	first, last   *place // outermost frequencies that fail, in the order of the sweep
	members       []*place
	splits        int
	checked       bool
}

// maximumSplits bounds how often the edges of one band are halved.
const maximumSplits = 64

// sameFrequency is the relative difference below which two frequencies are one, as in a grid.
const sameFrequency = 1e-9

// NewProgram makes the program of a plan. points gives the level of the program at a frequency (see
// Points); it is called for the whole grid at once, so a frequency where the chain cannot be computed
// is an error here, and later for frequencies added at the edges of bands, where an error ends the
// narrowing.
func NewProgram(p *Plan, points func(rf.Frequency) (Point, error)) (*Program, error) {
	g := &Program{plan: p, search: newSearch(p), points: points}
	var wrong []string
	for _, f := range p.Grid {
		point, err := points(f)
		if err != nil {
			wrong = append(wrong, fmt.Sprintf("%v: %v", f, err))
			continue
		}
		g.places = append(g.places, newPlace(point))
	}
	switch {
	case len(p.Grid) == 0:
		return nil, errors.New("the plan has no frequencies")
	case len(wrong) > 0:
		return nil, fmt.Errorf("no level can be computed at %d of %d frequencies:\n\t%s",
			len(wrong), len(p.Grid), strings.Join(wrong, "\n\t"))
	}
	for _, f := range p.First {
		i := g.index(f * (1 - sameFrequency))
		if i == len(g.places) || g.places[i].point.Frequency > f*(1+sameFrequency) {
			return nil, fmt.Errorf("%v is to be visited first and is not in the grid", f)
		}
		g.first = append(g.first, g.places[i])
		g.places[i].ahead, g.places[i].named = true, true
	}
	g.turn = fully
	if p.timed() {
		g.turn = atLevel
		for _, place := range g.places {
			place.ahead = true
		}
	}
	if g.order = slices.Clone(g.places); p.Descending {
		slices.Reverse(g.order)
	}
	if p.Drift.At.Known() && p.Kind != Baseline {
		point, err := points(p.Drift.At)
		if err != nil {
			return nil, fmt.Errorf("no level can be computed at the check point for drift: %w", err)
		}
		g.drift = newPlace(point)
		g.drift.checkPoint, g.drift.guess = true, g.search.whole(p.Drift.Below)
	}
	return g, nil
}

// Next takes what came of the step asked last and returns the next step, or false when the program
// has ended. The first call takes nil. A nil later returns the step asked last once more, for a new
// attempt. An outcome of another step than the one asked ends the program with an error, see Err.
func (g *Program) Next(last *Outcome) (Step, bool) {
	if g.err != nil {
		return Step{}, false
	}
	switch {
	case last == nil && g.asked != nil:
		return *g.asked, true
	case last != nil && g.asked == nil:
		g.err = fmt.Errorf("an outcome of step %d was given, but no step was asked", last.Number)
		return Step{}, false
	case last != nil && last.Number != g.asked.Number:
		g.err = fmt.Errorf("an outcome of step %d was given, but step %d was asked", last.Number, g.asked.Number)
		return Step{}, false
	case last != nil:
		g.current.record(g.search.scale, *g.asked, *last)
		g.asked = nil
	}
	for {
		if g.current != nil {
			if r, ok := g.want(g.current); ok {
				return g.ask(r), true
			}
		}
		if !g.advance() {
			return Step{}, false
		}
	}
}

// Err says why the program ended before its end; nil otherwise.
func (g *Program) Err() error { return g.err }

// Replay feeds recorded outcomes, in the order of their steps, and returns the step that follows them,
// or false when the program has ended with them. An outcome that does not fit is an error.
func (g *Program) Replay(outcomes []Outcome) (Step, bool, error) {
	s, ok := g.Next(nil)
	for i := range outcomes {
		if !ok {
			return Step{}, false, fmt.Errorf("the record has %d outcomes, but the program ends after %d", len(outcomes),
				i)
		}
		s, ok = g.Next(&outcomes[i])
		if g.err != nil {
			return Step{}, false, g.err
		}
	}
	return s, ok, nil
}

// Progress returns how many frequencies are done and how many are known so far: those of the grid
// and those added at the edges of failing bands.
func (g *Program) Progress() (done, known int) {
	known = len(g.order)
	for _, p := range g.places {
		if p.added {
			known++
		}
	}
	return g.done, known
}

// Thresholds returns what is known so far, by frequency.
func (g *Program) Thresholds() []Threshold {
	return thresholds(g.search.scale, g.places)
}

func (g *Program) ask(r request) Step {
	g.number++
	s := Step{Number: g.number, Point: g.current.point, Purpose: r.purpose, Offset: g.search.offset(r.at)}
	for _, d := range r.descend {
		s.Descend = append(s.Descend, g.search.offset(d))
	}
	g.asked = &s
	return s
}

// advance chooses the place to go on at; false at the end of the program.
func (g *Program) advance() bool {
	if g.current != nil {
		g.leave(g.current)
		g.current = nil
	}
	if g.finishBand() {
		return true
	}
	if len(g.first) > 0 {
		if !g.driftCheck() {
			g.visit(g.first[0])
			g.first = g.first[1:]
		}
		return true
	}
	if g.plan.timed() && g.at == 0 && (g.driftCheck() || g.byValue()) {
		return true
	}
	for ; g.at < len(g.order); g.at++ {
		p := g.order[g.at]
		if !p.ahead {
			if !g.driftCheck() {
				g.visit(p)
				g.at++
			}
			return true
		}
		if g.swept(p); g.finishBand() {
			g.at++
			return true
		}
	}
	if g.open != nil {
		g.closing, g.open = g.open, nil
		if g.finishBand() {
			return true
		}
	}
	return g.plan.timed() && g.each(fully) || g.driftCheck()
}

// leave notes that nothing more is to be done at a place for now.
func (g *Program) leave(p *place) {
	switch g.errand {
	case Sweep:
		g.done++
		if !p.ahead {
			g.swept(p)
		}
		if p.upset != unknown {
			g.fresh = append(g.fresh, p)
		}
	case Edge:
		g.done++
		g.closing.splitAt(p)
	}
}

// swept joins a frequency of the grid to the band that it belongs to.
func (g *Program) swept(p *place) {
	switch {
	case p.upset == unknown && g.open != nil:
		g.open.after = p
		g.closing, g.open = g.open, nil
	case p.upset == unknown:
	case g.open == nil:
		g.open = &band{before: g.last, first: p, last: p, members: []*place{p}}
	default:
		g.open.last = p
		g.open.members = append(g.open.members, p)
	}
	g.last = p
}

// finishBand goes on with the band that ended: its edges, then the low check.
func (g *Program) finishBand() bool {
	b := g.closing
	if b == nil {
		return false
	}
	if p := g.split(b); p != nil {
		i := g.index(p.point.Frequency)
		g.places = slices.Insert(g.places, i, p)
		g.arrive(p, i, Edge)
		return true
	}
	if !b.checked {
		b.checked = true
		if p := g.lowest(b); p != nil {
			p.windowWanted = true
			g.current, g.errand = p, Window
			return true
		}
	}
	g.closing = nil
	return false
}

// split returns a new place in the middle of the wider edge that is still wider than asked.
func (g *Program) split(b *band) *place {
	if !g.plan.refines() || b.splits >= maximumSplits {
		return nil
	}
	for _, side := range [][2]*place{{b.before, b.first}, {b.last, b.after}} {
		if side[0] == nil || side[1] == nil || !side[0].tested() || !side[1].tested() {
			continue
		}
		f, ok := g.plan.middle(side[0].point.Frequency, side[1].point.Frequency)
		if !ok {
			continue
		}
		point, err := g.points(f)
		if err != nil {
			continue
		}
		b.splits++
		p := newPlace(point)
		p.added = true
		return p
	}
	return nil
}

// splitAt puts a place that was added at an edge where it belongs: into the band or beside it.
func (b *band) splitAt(p *place) {
	entering := b.before != nil && between(p.point.Frequency, b.before.point.Frequency, b.first.point.Frequency)
	switch {
	case entering && p.upset != unknown:
		b.first = p
	case entering:
		b.before = p
	case p.upset != unknown:
		b.last = p
	default:
		b.after = p
	}
	if p.upset != unknown {
		b.members = append(b.members, p)
	}
}

func between(f, a, b rf.Frequency) bool { return f > min(a, b) && f < max(a, b) }

// lowest returns the member with the lowest onset, for the low check: the first of several.
func (g *Program) lowest(b *band) *place {
	if !g.search.onset {
		return nil
	}
	var out *place
	for _, p := range b.members {
		if p.bracketed() && p.upset+g.search.window <= g.search.floor && (out == nil || p.upset > out.upset) {
			out = p
		}
	}
	return out
}

// refines reports that the edges of failing bands are to be found.
func (p *Plan) refines() bool {
	return p.Edges > 0 && (p.Kind == Exposure || p.Kind == Control && p.Search.Onset)
}

// middle returns the geometric mean of two frequencies, to seven digits, or false when they are as
// close as asked.
func (p *Plan) middle(a, b rf.Frequency) (rf.Frequency, bool) {
	a, b = min(a, b), max(a, b)
	if float64(b/a)-1 <= float64(p.Edges) {
		return 0, false
	}
	m := math.Sqrt(a.Hz() * b.Hz())
	unit := math.Pow(10, math.Floor(math.Log10(m))-6)
	f := rf.Frequency(math.Round(m/unit) * unit)
	return f, f > a && f < b
}

// index returns the index of the first place from a frequency on.
func (g *Program) index(f rf.Frequency) int {
	return sort.Search(len(g.places), func(i int) bool { return g.places[i].point.Frequency >= f })
}

// visit goes to a frequency of the grid.
func (g *Program) visit(p *place) {
	g.visits++
	if g.plan.timed() {
		g.turn = atLevel
	}
	g.arrive(p, g.index(p.point.Frequency), Sweep)
}

// arrive makes g.places[i] the current place, with the guess that its neighbours give.
func (g *Program) arrive(p *place, i int, errand Purpose) {
	g.expect(p, i)
	g.current, g.errand = p, errand
}

// expect fills the guess of g.places[i] from its failing neighbours. What is not visited yet is none.
func (g *Program) expect(p *place, i int) {
	below, above := g.run(i-1, -1), g.run(i+1, 1)
	if len(below) == 0 && len(above) == 0 {
		return
	}
	p.beside = true
	sum, n := 0.0, 0
	for _, side := range [][]*place{below, above} {
		if len(side) == 0 {
			continue
		}
		p.start = max(p.start, side[0].upset+1)
		for _, h := range side {
			if h.well != unknown && h.well-h.stillUpset == 1 {
				sum += float64(h.well) - 0.5 - h.position(g.search.scale, h.upset)
				n++
			}
		}
	}
	if n > 0 {
		p.hysteresis = sum / float64(n)
	}
	p.guess = g.guess(p.point.Frequency, i, below, above)
	if known(below) && known(above) && p.start-(p.guess+1) <= g.search.approach {
		p.start = p.guess + 1 // readings say how the onset goes on: no need to begin below the neighbour's
	}
	p.start = min(max(p.start, p.guess+1), g.search.bottom)
}

// known reports that graded readings gave the onsets of failing places, or that there are none.
func known(places []*place) bool {
	return len(places) == 0 || len(places) > 1 && places[0].graded != nil && places[1].graded != nil
}

// run returns up to three failing places that follow one another from g.places[i] on, outwards.
func (g *Program) run(i, step int) []*place {
	var out []*place
	for ; i >= 0 && i < len(g.places) && len(out) < 3 && g.places[i].upset != unknown; i += step {
		out = append(out, g.places[i])
	}
	return out
}

// guess is the onset to be expected at f, of g.places[i]: on the line through the neighbours' onsets over the
// logarithm of frequency. A neighbour that passed counts as one step above the level wanted.
func (g *Program) guess(f rf.Frequency, i int, below, above []*place) depth {
	line := func(a, b rf.Frequency, da, db depth) depth {
		t := math.Log(float64(f/a)) / math.Log(float64(b/a))
		y := float64(da) + t*float64(db-da)
		limit := 2 * float64(g.search.approach)
		y = min(max(y, float64(da)-limit), float64(da)+limit)
		return max(-1, min(depth(math.Round(y)), g.search.bottom))
	}
	near, far := below, above
	if len(near) == 0 {
		near, far = above, below
	}
	a := near[0]
	switch {
	case len(far) > 0:
		return line(a.point.Frequency, far[0].point.Frequency, a.upset, far[0].upset)
	case len(below) > 0 && i+1 < len(g.places) && g.places[i+1].closed > 0:
		return line(a.point.Frequency, g.places[i+1].point.Frequency, a.upset, -1)
	case len(above) > 0 && i > 0 && g.places[i-1].closed > 0:
		return line(a.point.Frequency, g.places[i-1].point.Frequency, a.upset, -1)
	case len(near) > 1:
		return line(a.point.Frequency, near[1].point.Frequency, a.upset, near[1].upset)
	}
	return a.upset
}
