package analysis

import (
	"math"

	"provoke/internal/units/rf"
)

// compareBands says what became of each failing band, and which are new. A band that is gone beside
// a new one that lies nearer to it than twice its centre has moved.
func (c *Comparison) compareBands() {
	taken := map[*Band]bool{}
	for i := range c.Before.Bands {
		b := &c.Before.Bands[i]
		x := ComparedBand{Before: b, Fate: c.fate(b)}
		c.gains(&x)
		for j := range c.After.Bands {
			if a := &c.After.Bands[j]; overlap(*b, *a) {
				x.After, x.Fate = a, Remains
				taken[a] = true
				break
			}
		}
		c.Bands = append(c.Bands, x)
	}
	for j := range c.After.Bands {
		a := &c.After.Bands[j]
		if taken[a] {
			continue
		}
		if b := c.movedFrom(a); b != nil {
			b.After, b.Fate = a, Moved
			continue
		}
		c.Bands = append(c.Bands, ComparedBand{After: a, Fate: New, LeastGain: rf.Gain(math.NaN()),
			MostGain: rf.Gain(math.NaN())})
	}
}

// fate judges a band by its frequencies. Frequencies that were exposed before only to find its edge
// count where the after-run was there.
func (c *Comparison) fate(b *Band) BandFate {
	for _, p := range c.Points {
		if !b.Contains(p.Frequency) || p.Verdict == Shown || p.excused() {
			continue
		}
		if p.Before != nil && p.Before.Upset {
			return Unproven
		}
	}
	return Gone
}

// excused reports that nothing is asked of the after-run here: the frequency was exposed before only
// to find the edge of a band, and the after-run, which found no band, had no reason to go there.
func (p ComparedPoint) excused() bool {
	return p.EdgeOnly && (p.After == nil || !p.After.Tested() && !p.After.NotReached)
}

func (c *Comparison) gains(x *ComparedBand) {
	var within []ComparedPoint
	for _, p := range c.Points {
		if x.Before.Contains(p.Frequency) {
			within = append(within, p)
		}
	}
	x.LeastGain, x.MostGain, x.LeastGainBound, x.MostGainBound = GainRange(within)
}

func overlap(a, b Band) bool {
	return a.Low.Frequency <= b.High.Frequency && b.Low.Frequency <= a.High.Frequency
}

// movedFrom returns the nearest band before that no longer upsets and lies within an octave.
func (c *Comparison) movedFrom(a *Band) *ComparedBand {
	var best *ComparedBand
	for i := range c.Bands {
		x := &c.Bands[i]
		if x.Before == nil || x.After != nil || octaves(*x.Before, *a) > 1 {
			continue
		}
		if best == nil || octaves(*x.Before, *a) < octaves(*best.Before, *a) {
			best = x
		}
	}
	return best
}

// octaves returns the distance between the centres of two bands.
func octaves(a, b Band) float64 {
	centre := func(x Band) float64 {
		return math.Log2(x.Low.Frequency.Hz())/2 + math.Log2(x.High.Frequency.Hz())/2
	}
	return math.Abs(centre(a) - centre(b))
}
