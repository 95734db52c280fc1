package analysis

import (
	"slices"

	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/units/rf"
)

// Band is a run of neighbouring frequencies that upset.
type Band struct {
	// Only where low_shown and high_shown say so does the edge lie between the band and below_hz, above_hz.
	_ struct{} `tell:"low_hz=Low.Frequency high_hz=High.Frequency below_hz=Low.Outside above_hz=High.Outside"`
	_ struct{} `tell:"low_shown=Low.Shown high_shown=High.Shown low_not_exposed=Low.Gap high_not_exposed=High.Gap"`
	_ struct{} `tell:"lowest_hz=Lowest.Frequency lowest_onset=Lowest.Onset wanted=Lowest.Wanted"`
	_ struct{} `tell:"margin_db=Lowest.Margin margin_bound=Lowest.MarginBound class=Class,null points=Points"`
	_ struct{} `tell:"exposures=Exposures monotone=Monotone monitor_or_ae=InControl"`

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
	// Gap: between here and Outside, which upset too, lies more than the grid's own step, and nothing was
	// exposed there.
	Gap bool
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

// Contains reports that a frequency lies between the outermost upsets.
func (b Band) Contains(f rf.Frequency) bool { return f >= b.Low.Frequency && f <= b.High.Frequency }

// bands joins neighbouring frequencies that upset. Frequencies at which nothing was shown neither
// end nor carry a band; more than the grid's own step without an exposure ends one. The lowest onset is that of
// the lowest current, or of the lowest drive.
func bands(points []Point, stretches []plan.Stretch, inDrive bool) []Band {
	stretches = stretched(points, stretches)
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
		case p.Upset && !plan.Joins(stretches, before.Frequency, p.Frequency):
			out[len(out)-1].High.gap(p)
			out = append(out, newBand(*p, nil, inDrive))
			out[len(out)-1].Low.gap(before)
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

// widestStep is the widest step of a grid that a journal without its stretches is taken to have: wider ones are
// lists (common practice: standards step by 1 %, the coarsest quick look by 10 %).
const widestStep = 0.105

// stretched returns the stretches of a run; of a journal that does not say them, one with half more than the usual
// distance of its frequencies.
func stretched(points []Point, stretches []plan.Stretch) []plan.Stretch {
	if stretches != nil || len(points) < 2 {
		return stretches
	}
	var steps []float64
	for i := 1; i < len(points); i++ {
		steps = append(steps, float64(points[i].Frequency/points[i-1].Frequency)-1)
	}
	slices.Sort(steps)
	return []plan.Stretch{{From: points[0].Frequency, To: points[len(points)-1].Frequency,
		Step: rf.Fraction(min(1.5*steps[len(steps)/2], widestStep))}}
}

func (e *Edge) gap(other *Point) { e.Outside, e.Gap = other.Frequency, true }

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
	if p.Onset.Known() && (!b.Lowest.Onset.Known() || p.Onset.DB() < b.Lowest.Onset.DB()) && !inDrive || inDrive &&
		p.OfDrive.Gain < b.Lowest.OfDrive.Gain {
		b.Lowest = p
	}
	if p.Monotone == plan.NotMonotone || b.Monotone == plan.MonotoneAssumed {
		b.Monotone = p.Monotone
	}
	if p.NotMonotone {
		b.Monotone = plan.NotMonotone
	}
}
