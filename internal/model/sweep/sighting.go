package sweep

import (
	"math"
	"slices"
	"time"
)

// ending is how an upset ended in its pass.
type ending int

const (
	recovered ending = iota // by itself
	wasReset                // it was well after a reset: the band ended before that
	unseen                  // it was not well again, or the pass ended too soon after a reset to say
)

// sighting is one band as one pass saw it: an upset and those after it that came so soon after a reset
// that the product may still have been in the band. Places are in the coordinate u.
type sighting struct {
	pass     int
	law      Sweep
	k        float64 // rate with its sign
	onset    span
	anywhere bool // the band began somewhere in onset: the pass was blind there
	end      span // where it was seen well again; unless unseen
	ends     ending
	inside   float64 // where it was in the band last, at least; NaN where only the onset says so
	latency  float64 // seconds that the latency is at most, as re-upsets after a reset show
	again    []again
	never    bool // it was not well again in this pass
}

// again is an upset after a reset: from where the reset was given to where the upset was seen.
type again struct{ reset, seen span }

// apparent returns where in u a change seemed to be, with what sampling, the mark of the beginning and
// the source's timing leave open. In a sweep by steps the clock's place is up to a step off.
func (o Observed) apparent(l Look) span {
	s := o.Sweep
	mid := (l.From + l.To) / 2
	half := (l.To-l.From)/2 + o.Within + time.Duration(s.Tolerance*float64(mid))
	step := 0.0
	if s.Steps > 1 {
		step = math.Abs(s.u(s.To)-s.u(s.From)) / float64(s.Steps-1)
	}
	return span{s.u(s.From) + s.rate()*mid.Seconds(), math.Abs(s.rate())*half.Seconds() + step}
}

func at(t time.Duration) Look { return Look{t, t} }

// sightingsOf returns what a pass saw through one monitor, from the lowest to the highest.
func sightingsOf(pass int, o Observed, monitor string, most time.Duration) []sighting {
	var out []sighting
	var before *Seen
	for i := range o.Upsets {
		u := &o.Upsets[i]
		if u.Monitor != monitor {
			continue
		}
		n := len(out) - 1
		switch {
		case before != nil && before.Reset.Known() && u.Onset.From <= before.Reset.To+most:
			out[n].goOn(o, *before, *u)
		default:
			out = append(out, sighting{pass: pass, law: o.Sweep, k: o.Sweep.rate(), onset: o.apparent(u.Onset),
				inside: math.NaN()})
			n++
		}
		out[n].endAs(o, *u, most)
		before = u
	}
	if o.Sweep.Down() {
		slices.Reverse(out)
	}
	return out
}

// goOn adds an upset that came after a reset. Between the reset and the upset the product was in the
// band. That bounds no latency: a product may upset again sooner than at first.
func (s *sighting) goOn(o Observed, before, u Seen) {
	a := again{o.apparent(at(before.Reset.From)), o.apparent(at(u.Onset.To))}
	s.again = append(s.again, a)
	if s.inside = a.reset.from(); s.k < 0 {
		s.inside = a.reset.to()
	}
}

func (s *sighting) endAs(o Observed, u Seen, most time.Duration) {
	s.never = false
	switch {
	case u.Recovery.Known():
		s.ends, s.end = recovered, o.apparent(u.Recovery)
	case u.Reset.Known() && u.Reset.To+most <= o.Sweep.Time:
		s.ends, s.end = wasReset, o.apparent(at(u.Reset.To))
	default:
		s.ends, s.never = unseen, !u.Reset.Known()
	}
}

// limits adds what the sighting says of a band; both is whether the other direction saw it too.
func (s sighting) limits(f *fit, scale float64, both bool) {
	k := s.k
	entry, exit := &f.lowLeast, &f.highLeast
	entryMost, exitMost := &f.lowMost, &f.highMost
	if k < 0 {
		entry, exit, entryMost, exitMost = exit, entry, exitMost, entryMost
	}
	least, most := late(s.onset, k, scale)
	if s.anywhere {
		least, most = line{s.onset.from(), 0}, line{s.onset.to(), 0}
	}
	*entry, *entryMost = append(*entry, least), append(*entryMost, most)
	switch s.ends {
	case recovered:
		least, most := late(s.end, k, scale)
		*exit, *exitMost = append(*exit, least), append(*exitMost, most)
	case wasReset:
		if k > 0 {
			*exitMost = append(*exitMost, line{s.end.to(), 0})
		} else {
			*exit = append(*exit, line{s.end.from(), 0})
		}
	}
	// An upset after a reset belongs to the band; where the other direction saw the end of the band
	// that is better known, and what does not fit it is another band.
	if !both && !math.IsNaN(s.inside) {
		if k > 0 {
			*exit = append(*exit, line{s.inside, 0})
		} else {
			*exitMost = append(*exitMost, line{s.inside, 0})
		}
	}
}

func monitorsOf(passes []Observed) []string {
	var out []string
	for _, o := range passes {
		for _, u := range o.Upsets {
			if !slices.Contains(out, u.Monitor) {
				out = append(out, u.Monitor)
			}
		}
	}
	return out
}

// blind returns from where to where the pass could not see the product be upset by another band: it was
// upset, and a reset had to end that.
func (s sighting) blind() (from, to float64, any bool) {
	low, high := s.law.Ends()
	switch {
	case s.ends == wasReset:
		return min(s.onset.from(), s.end.from()), max(s.onset.to(), s.end.to()), true
	case s.ends == unseen && s.k > 0:
		return s.onset.from(), s.law.u(high), true
	case s.ends == unseen:
		return s.law.u(low), s.onset.to(), true
	case len(s.again) > 0:
		last := s.again[len(s.again)-1].seen
		return min(s.onset.from(), last.from()), max(s.onset.to(), last.to()), true
	}
	return 0, 0, false
}

// unlooked returns the stretches in which every pass was blind.
func unlooked(passes [][]sighting) [][2]float64 {
	out := [][2]float64{{math.Inf(-1), math.Inf(1)}}
	for _, pass := range passes {
		var left [][2]float64
		for _, s := range pass {
			from, to, any := s.blind()
			for _, x := range out {
				if a, b := max(from, x[0]), min(to, x[1]); any && a < b {
					left = append(left, [2]float64{a, b})
				}
			}
		}
		out = left
	}
	return out
}
