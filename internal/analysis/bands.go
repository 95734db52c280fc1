package analysis

import (
	"provoke/internal/event"
	"provoke/internal/plan"
	"provoke/internal/result"
	"provoke/internal/rf"
)

// Band is a run of neighbouring frequencies that upset.
type Band struct {
	Low, High  Edge
	Lowest     Point // of the lowest onset
	Class      event.Class
	Monotone   plan.Monotony
	Points     int // frequencies that upset
	Exposures  int
	InControl  bool // every upset of it is in the control run too
	NeedsReset bool
}

// Edge is where a band ends.
type Edge struct {
	Frequency rf.Frequency // the outermost that upset
	// Outside is the nearest frequency outside that was tested; absent at an end of the run.
	Outside rf.Frequency
	// Shown: at Outside the DUT stood the level wanted, so the edge lies between. Otherwise the
	// band may go on: the run ends here, or the level was not reached there.
	Shown bool
}

// Resolution is the distance between the outermost upset and the frequency outside, relative to
// the frequency; 0 where there is none.
func (e Edge) Resolution() rf.Fraction {
	if !e.Outside.Known() {
		return 0
	}
	d := float64(e.Outside-e.Frequency) / float64(e.Frequency)
	return rf.Fraction(max(d, -d))
}

// Width is the highest frequency of the band over the lowest, as a difference.
func (b Band) Width() rf.Frequency { return b.High.Frequency - b.Low.Frequency }

// Contains reports that a frequency lies between the outermost upsets.
func (b Band) Contains(f rf.Frequency) bool { return f >= b.Low.Frequency && f <= b.High.Frequency }

// bands joins neighbouring frequencies that upset. Frequencies at which nothing was shown neither
// end nor carry a band. The lowest onset is that of the lowest current, or of the lowest drive.
func bands(points []Point, inDrive bool) []Band {
	var out []Band
	var before *Point
	open := false
	for i := range points {
		p := &points[i]
		switch {
		case !p.Tested() && !p.NotReached:
			continue
		case p.Upset && !open:
			out = append(out, newBand(*p, before, inDrive))
			open = true
		case p.Upset:
			out[len(out)-1].take(*p, inDrive)
		case open:
			out[len(out)-1].High.end(p)
			open = false
		}
		before = p
	}
	return out
}

func newBand(p Point, before *Point, inDrive bool) Band {
	b := Band{Low: Edge{Frequency: p.Frequency}, Lowest: p, Monotone: plan.MonotoneAssumed, InControl: true}
	if before != nil {
		b.Low.end(before)
	}
	b.take(p, inDrive)
	return b
}

func (e *Edge) end(outside *Point) {
	e.Outside = outside.Frequency
	e.Shown = outside.Tested() && !outside.NotReached
}

func (b *Band) take(p Point, inDrive bool) {
	b.High = Edge{Frequency: p.Frequency}
	b.Points++
	b.Exposures += p.Exposures
	b.InControl = b.InControl && p.InControl
	b.NeedsReset = b.NeedsReset || p.Latched
	b.Class = result.Worse(b.Class, p.Class)
	if p.Onset.Known() && (!b.Lowest.Onset.Known() || p.Onset.DB() < b.Lowest.Onset.DB()) && !inDrive || inDrive && p.OfDrive.Gain < b.Lowest.OfDrive.Gain {
		b.Lowest = p
	}
	if p.Monotone == plan.NotMonotone || b.Monotone == plan.MonotoneAssumed {
		b.Monotone = p.Monotone
	}
	if p.NotMonotone {
		b.Monotone = plan.NotMonotone
	}
}
