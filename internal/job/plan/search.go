package plan

import "math"

// search decides what to do next at one frequency. It is a function of what is known there.
//
// The onset is searched on depths 0 … bottom. While nothing upset, levels only rise, beside a
// failing neighbour by at most approach at a time. Once something upset, every further level is
// below the lowest level that upset, which the rules below keep without being told: they go down
// from it or between it and a level that passed.
type search struct {
	scale
	onset, recovery, edgeOnset bool
	bottom                     depth // lowest level of the onset search
	floor                      depth // lowest level of a descent
	approach                   depth // largest rise beside a failing neighbour
	confirm                    int
	window                     depth // how far below the onset the low check lies
	random                     randomSearch
}

// repeats is how many exposures more the onset gets when a confirmation did not upset. They are at
// the onset itself: above it nothing is allowed any more.
const repeats = 2

// recoverBelow is how far below the range of the onset search a descent may go.
const recoverBelow = 20 // dB

func newSearch(p *Plan) search {
	w := p.Search
	s := search{scale: scale{w.Resolution}, confirm: w.Confirm}
	s.bottom = s.whole(w.Range)
	s.floor = s.bottom + s.whole(recoverBelow)
	s.approach = max(1, s.whole(w.Approach))
	s.window = max(1, s.whole(w.Window))
	s.random = newRandomSearch(w, s.scale)
	if p.Kind == Exposure || p.Kind == Control {
		s.onset, s.recovery, s.edgeOnset = w.Onset, w.Onset && w.Recovery, !w.EdgeUpsetOnly
	}
	return s
}

// request is a step without its number and point.
type request struct {
	purpose Purpose
	at      depth
	descend []depth
}

// want returns what is still to be done at a place.
func (s search) want(p *place) (request, bool) {
	switch {
	case p.checkPoint:
		return request{purpose: DriftCheck, at: p.guess}, p.checkWanted
	case p.windowWanted:
		return request{purpose: Window, at: p.upset + s.window}, true
	case p.skipped:
		return request{}, false
	}
	if s.random.method == Repeated && s.onset && !p.added {
		return request{purpose: Repeat, at: min(s.random.below, s.bottom)}, p.stairs < s.random.trials
	}
	if m := s.methodAt(p); m != "" {
		return s.randomly(p, m)
	}
	if d, ok := s.trial(p); ok {
		purpose := Sweep
		switch {
		case p.upset != unknown:
			purpose = Onset
		case p.added:
			purpose = Edge
		}
		return request{purpose: purpose, at: d, descend: s.onward(p, d)}, true
	}
	if p.upset == unknown && p.lower > p.stood() && p.stood() != unknown && !p.lowered {
		return request{purpose: Lower, at: min(p.lower, s.floor)}, true
	}
	if !s.onset || p.upset == unknown || p.added {
		return request{}, false
	}
	if down := s.descent(p); down != nil { // it exposes at the onset again, so it confirms too
		return request{purpose: Recover, at: p.upset, descend: down}, true
	}
	if s.confirmWanted(p) {
		return request{purpose: Confirm, at: p.upset}, true
	}
	return request{}, false
}

// onward is how a trial goes on downwards when it upsets: where it would then be known that this is the onset, and what
// the recovery level is expected to be, the way down needs no exposure of its own.
func (s search) onward(p *place, d depth) []depth {
	if !s.recovery || p.added || math.IsNaN(p.hysteresis) || p.stood() != d+1 || s.random.method != Bracket {
		return nil
	}
	return s.firstDescent(p, d)
}

func (s search) trial(p *place) (depth, bool) {
	switch {
	case p.upset == unknown:
		return s.rise(p)
	case !s.onset, p.added && !s.edgeOnset:
		return 0, false
	case p.stood() == unknown:
		return s.fall(p)
	case p.stood()-p.upset <= 1:
		return 0, false
	}
	return s.between(p), true
}

// rise goes up while nothing upset: at once to the level wanted, or, beside a failing neighbour,
// from below the expected onset to it and on to the level wanted, doubling the steps up to approach.
func (s search) rise(p *place) (depth, bool) {
	stood := p.stood()
	switch {
	case stood == 0:
		return 0, false
	case stood == unknown:
		if p.beside && s.onset {
			return p.start, true
		}
		return 0, true
	}
	var to depth
	switch expected := p.guess + 1; {
	case stood > expected:
		to = expected
	case stood == expected:
		to = p.guess
	default:
		to = stood - (expected - stood)
	}
	return max(to, stood-s.approach, 0), true
}

// fall goes down while everything upset, doubling the distance from the first trial.
func (s search) fall(p *place) (depth, bool) {
	if p.upset >= s.bottom {
		return 0, false
	}
	if p.graded != nil && p.guess >= p.upset {
		return min(p.guess+1, s.bottom), true
	}
	return min(p.upset+(p.upset-p.first)+1, s.bottom), true
}

// between halves the gap between the lowest upset and the highest pass, trying the guess first.
func (s search) between(p *place) depth {
	stood := p.stood()
	inside := func(d depth) bool { return d > p.upset && d < stood }
	switch {
	case p.beside && inside(p.guess+1):
		return p.guess + 1
	case p.beside && inside(p.guess):
		return p.guess
	}
	return (p.upset + stood) / 2
}

func (s search) confirmWanted(p *place) bool {
	n := s.confirm
	if p.failed > 0 && n > 0 && !s.random.ifRandom.Random() {
		n += repeats
	}
	return p.again < n
}

// descent returns the depths that the next recovery step goes down through; nil when the recovery
// level is known or cannot be found.
func (s search) descent(p *place) []depth {
	switch {
	case !s.recovery, p.latched, p.recoverOver, p.upset >= s.floor, p.misses > 1:
		return nil
	case p.recoveries == 0:
		return s.firstDescent(p, p.upset)
	case p.well == unknown:
		return nil // still upset at the floor
	case p.well-p.stillUpset <= 1:
		return nil
	case !math.IsNaN(p.hysteresis): // it was expected about there
		return []depth{p.well - 1}
	}
	return nextDescent(p.stillUpset, p.well)
}

// firstDescent passes through the expected recovery level in single steps, then doubles; without an
// expectation it doubles from the onset.
func (s search) firstDescent(p *place, onset depth) []depth {
	near := depth(1)
	var out []depth
	add := func(below depth) { out = append(out, min(onset+below, s.floor)) }
	if !math.IsNaN(p.hysteresis) {
		if well := depth(math.Ceil(p.position(s.scale, onset)+p.hysteresis)) - onset; well > 1 {
			add(well - 1)
			near = well
		}
	}
	add(near)
	for step := depth(1); out[len(out)-1] < s.floor; step *= 2 {
		near += step
		add(near)
	}
	return distinct(out)
}

// nextDescent narrows a gap: step by step when it is small, else in about √gap steps of √gap.
func nextDescent(still, well depth) []depth {
	stride := depth(1)
	for well-still > 8 && stride*stride < well-still {
		stride++
	}
	var out []depth
	for d := still + stride; d < well; d += stride {
		out = append(out, d)
	}
	return append(out, well)
}

func distinct(falling []depth) []depth {
	out := falling[:1]
	for _, d := range falling[1:] {
		if d != out[len(out)-1] {
			out = append(out, d)
		}
	}
	return out
}
