package plan

import (
	"math"

	"provoke/internal/model/threshold"
	"provoke/internal/units/rf"
)

// depth is a level as the number of whole resolution steps below the level wanted. Levels are
// compared as depths only, in integers, so that a search finds exactly what a ramp finds. A greater
// depth is a lower level.
type depth int

const unknown depth = -1

// scale turns offsets into depths and back.
type scale struct{ resolution rf.Gain }

func (s scale) offset(d depth) rf.Gain {
	if d <= 0 {
		return 0
	}
	return -rf.Gain(float64(d) * float64(s.resolution))
}

func (s scale) depth(offset rf.Gain) depth {
	return depth(math.Round(-float64(offset) / float64(s.resolution)))
}

// whole returns how many whole steps fit into a distance; a distance that is a whole number of steps
// but for rounding counts as one.
func (s scale) whole(g rf.Gain) depth {
	return depth(math.Floor(float64(g)/float64(s.resolution) + 1e-6))
}

// place is all that is known about one frequency: a fold of the steps done there. What to do next
// follows from it and from the guess that was made when the program came here.
type place struct {
	point Point
	added bool // not of the grid: found by looking for an edge
	ahead bool // of the grid, and visited before the sweep comes to it
	named bool // of the grid, and named as of interest
	// compare is the level that shows whether the onset is much lower than that of a neighbour; unknown for none.
	compare depth

	// The guess, fixed on arrival.
	beside     bool    // beside a failing neighbour
	guess      depth   // expected onset; below 0 where none is expected
	start      depth   // first trial beside a failing neighbour
	hysteresis float64 // expected distance from onset to recovery, in depths; NaN without a neighbour

	// What the steps gave.
	exposures int
	closed    int   // steps closed here, skipped ones included
	first     depth // depth of the first trial
	pass      depth // highest level that was reached and passed
	upset     depth // lowest level that upset
	short     bool  // a trial without upset did not reach its level
	held      depth // highest level that was asked for without being reached, and did not upset
	skipped   bool
	latched   bool // the last upset at the lowest level had to be reset
	trials    int  // at the lowest level that upset
	upsets    int  // of those
	again     int  // steps at the onset after the one that found it
	failed    int  // confirmations, or recovery steps, that did not upset

	recoveries   int   // recovery steps that upset the DUT
	misses       int   // recovery steps that did not
	recoverOver  bool  // nothing more is to be learnt
	stillUpset   depth // lowest level of a descent at which the DUT was not yet well
	well         depth // highest level of a descent at which it was well
	windowWanted bool
	window       depth // level of the low check
	windowUpset  bool
	windowShort  bool

	graded      *Graded           // what graded readings say; nil for nothing
	lower       depth             // of an exposure below what was stood; unknown for none
	lowered     bool              // it was made
	exposed     []threshold.Trial // every exposure that says something, in order; level is the offset in dB
	stairs      int               // steps of a staircase, an adaptive search or repeats closed here
	checkPoint  bool              // the place is the check point for drift; guess is its depth
	checkWanted bool              // it is due
}

func newPlace(p Point) *place {
	return &place{
		point: p, guess: unknown, hysteresis: math.NaN(), first: unknown, pass: unknown, upset: unknown, held: unknown,
		stillUpset: unknown, well: unknown, window: unknown, lower: unknown, compare: unknown,
	}
}

// position is where the onset lies between an upset and the level below it, as a depth that need not be whole: by
// graded readings, or in the middle.
func (p *place) position(s scale, upset depth) float64 {
	if p.graded != nil {
		return min(max(-float64(p.graded.Onset/s.resolution), float64(upset)+0.1), float64(upset)+0.9)
	}
	return float64(upset) + 0.5
}

// failing reports that the DUT upset here.
func (p *place) failing() bool { return p.upset != unknown || p.windowUpset }

// tested reports that at least one exposure says something.
func (p *place) tested() bool { return p.failing() || p.pass != unknown || p.short }

// stood returns the highest level that did not upset, reached or not: where the search stands. What
// was not reached says nothing about its level, but the level above it still brings more.
func (p *place) stood() depth {
	switch {
	case p.held == unknown:
		return p.pass
	case p.pass == unknown:
		return p.held
	}
	return min(p.pass, p.held)
}

// bracketed reports that the onset is known to the resolution. That the DUT upset below the level of that step, on
// the way up or because it was not reached, does not matter: it stood the next lower one.
func (p *place) bracketed() bool {
	return p.upset != unknown && p.pass == p.upset+1
}

// read takes what graded readings say: the onset to be expected here, and whether one exposure lower is wanted.
func (p *place) read(s scale, o Outcome) {
	if o.Graded != nil {
		p.graded = o.Graded
		p.beside, p.guess = true, max(-1, s.whole(-o.Graded.Onset))
	}
	if o.Lower != nil && p.lower == unknown && p.upset == unknown {
		p.lower = s.depth(*o.Lower)
	}
}

// record folds what came of a step into the place.
func (p *place) record(s scale, step Step, o Outcome) {
	p.closed++
	p.exposures += o.Exposures
	p.read(s, o)
	d := s.depth(step.Offset)
	if step.Purpose == Lower {
		p.lowered = true
	}
	if step.Purpose == DriftCheck {
		p.checkWanted = false
		return
	}
	p.recordExposed(s, d, o)
	switch step.Purpose {
	case StaircaseStep, Repeat:
		p.recordStair(s, step, d, o)
	case Window:
		p.recordWindow(d, o)
	case Confirm:
		p.recordConfirm(d, o)
	case Recover:
		p.recordRecovery(s, step, o)
	default:
		p.recordTrial(s, step, d, o)
	}
}

func (p *place) recordTrial(s scale, step Step, d depth, o Outcome) {
	if o.Skipped {
		p.skipped = true
		return
	}
	if p.first == unknown {
		p.first = d
	}
	switch {
	case o.Upset && (p.upset == unknown || d > p.upset):
		p.upset, p.latched = d, o.Latched
		p.trials, p.upsets = 1, 1
		p.recoveries, p.stillUpset, p.well = 0, unknown, unknown
		if len(step.Descend) > 0 && (o.Exposures > 1 || o.Latched) { // else it upset on the way up, and RF went off
			p.recordDescent(s, step, o)
		}
	case o.Upset:
	case o.NotReached:
		p.short = true
		if p.held == unknown || d < p.held {
			p.held = d
		}
	case p.pass == unknown || d < p.pass:
		p.pass = d
	}
}

// recordStair counts the exposures at the lowest level that upset, which a staircase comes back to.
func (p *place) recordStair(s scale, step Step, d depth, o Outcome) {
	p.stairs++
	again := p.upset == d
	p.recordTrial(s, step, d, o)
	if !again || o.Skipped || o.NotReached && !o.Upset {
		return
	}
	p.trials++
	if o.Upset {
		p.upsets++
		p.latched = o.Latched
	}
}

func (p *place) recordConfirm(d depth, o Outcome) {
	p.again++
	if o.Skipped {
		p.skipped = true
		return
	}
	if o.NotReached && !o.Upset {
		return // says nothing about that level
	}
	p.trials++
	if o.Upset {
		p.upsets++
		p.latched = o.Latched
	} else {
		p.failed++
	}
}

func (p *place) recordRecovery(s scale, step Step, o Outcome) {
	p.again++
	switch {
	case o.Skipped:
		p.recoverOver = true
		return
	case !o.Upset:
		if !o.NotReached {
			p.trials++
		}
		p.failed++
		p.misses++
		return
	}
	p.trials++
	p.upsets++
	p.recordDescent(s, step, o)
}

// recordDescent takes what the way down after an upset showed.
func (p *place) recordDescent(s scale, step Step, o Outcome) {
	p.recoveries++
	if o.Latched {
		p.latched, p.recoverOver = true, true
		return
	}
	still := s.depth(step.Offset)
	for _, offset := range step.Descend {
		d := s.depth(offset)
		if o.RecoveredAt != nil && d >= s.depth(*o.RecoveredAt) {
			if p.well == unknown || d < p.well {
				p.well = d
			}
			break
		}
		still = d
	}
	if still > p.stillUpset {
		p.stillUpset = still
	}
}

func (p *place) recordWindow(d depth, o Outcome) {
	p.windowWanted = false
	if o.Skipped {
		return
	}
	p.window, p.windowUpset, p.windowShort = d, o.Upset, o.NotReached && !o.Upset
}
