package tracking

import (
	"fmt"
	"math"

	"provoke/internal/model/threshold"
)

// Kind is what a product is told to be.
type Kind string

// The kinds. A product is deterministic as long as every upset lies above every pass, but for what levels scatter by,
// and there are exposures enough to say so.
const (
	Untold        Kind = "not told yet"
	Deterministic Kind = "deterministic"
	Random        Kind = "random"
)

// Estimate is the onset of the product as it is now, in dB: of a random product the level at which half of the
// exposures upset.
type Estimate struct {
	Level, Low, High  float64
	LowOpen, HighOpen bool // nothing bounds it on this side within the levels that may be exposed
	Kind              Kind
	Why               string
	Exposures, Upsets int
	// More is how many exposures are still needed, about, for an interval of the resolution, or of a random product
	// for one of ±Within.
	More int
}

// Nothing reports that nothing is known.
func (e Estimate) Nothing() bool { return e.Exposures == 0 }

// judge tells which kind of product it is.
func (t *Track) judge() {
	if t.random {
		return
	}
	o, pass, upset := threshold.OverlapOf(t.threshold())
	t.random = o == threshold.Mixed && pass-upset > 2*t.c.Scatter && t.chanceRandom() > 0.95
}

// Now is the onset as it is now.
func (t *Track) Now() Estimate {
	if t.now == nil {
		e := t.estimate()
		t.now = &e
	}
	return *t.now
}

func (t *Track) estimate() Estimate {
	trials := t.threshold()
	o, pass, upset := threshold.OverlapOf(trials)
	e := Estimate{Exposures: len(trials), Kind: Untold}
	for _, x := range trials {
		if x.Upset {
			e.Upsets++
		}
	}
	switch {
	case o == threshold.NoTrials:
		e.Level, e.LowOpen, e.HighOpen, e.Why = t.median(), true, true, "nothing was exposed yet"
		return e
	case t.random:
		t.randomly(&e, t.stepped(), pass, upset)
	default:
		t.bracketed(&e, o, pass, upset)
	}
	return e
}

// enough is how many exposures a product of which nothing was known has to have to be told deterministic.
const enough = 10

// moreToTell is about how many exposures more tell a product with a bracket as deterministic.
const moreToTell = 4

// credible is the probability that limits are worked out with where the exposures were placed by what they showed:
// those then hold the truth in Confidence of simulated products, see docs/confidence.md.
const credible = 0.98

// randomly gives the limits of the level at which half of the exposures upset.
func (t *Track) randomly(e *Estimate, trials []threshold.Trial, pass, upset float64) {
	e.Kind = Random
	e.Why = fmt.Sprintf("it passed %.1f dB above a level at which it upset, which is more than levels scatter by",
		pass-upset)
	e.Level = t.median()
	if f, err := threshold.FitML(threshold.Probit, trials); err == nil {
		e.Level = f.Mu
	}
	l, err := threshold.ProfileLimits(threshold.Probit, trials, 0.5, credible)
	if err != nil {
		e.LowOpen, e.HighOpen = true, true
	} else {
		e.Low, e.High, e.LowOpen, e.HighOpen = l.Low, l.High, l.LowOpen, l.HighOpen
	}
	e.Level = math.Max(math.Min(e.Level, t.c.High+beyond), t.c.Low-beyond)
	spread := t.spread()
	e.More = max(0, int(math.Ceil(math.Pi/2*math.Pow(2.1*spread/t.c.Within, 2)))-len(trials))
}

// spread of a random product as it is believed to be.
func (t *Track) spread() float64 {
	sum, weight := 0.0, 0.0
	for i, b := range t.belief() {
		if c := t.cells[i]; c.random() {
			sum += b * c.spread
			weight += b
		}
	}
	return sum / weight
}

// bracketed gives the highest pass and the lowest upset as limits. Where it is not told yet that the product is
// deterministic they take in what a random one may be.
func (t *Track) bracketed(e *Estimate, o threshold.Overlap, pass, upset float64) {
	e.LowOpen, e.HighOpen = o == threshold.OnlyUpsets, o == threshold.NoUpset
	margin := t.c.Scatter
	if o == threshold.Mixed || upset-pass < t.c.Step/2 {
		margin *= 2 // so close, the ends are those of many levels that scattered
	}
	e.Low, e.High = math.Min(pass, upset)-margin, math.Max(pass, upset)+margin
	switch o {
	case threshold.OnlyUpsets:
		e.High, e.Level = upset+margin, upset
	case threshold.NoUpset:
		e.Low, e.Level = pass-margin, pass
	default:
		e.Level = (pass + upset) / 2
		if gap := (upset - pass) / t.c.Step; gap > 1.2 {
			e.More = int(math.Ceil(math.Log2(gap)))
		}
	}
	chance := t.chanceRandom()
	switch {
	case (e.LowOpen || e.HighOpen) && t.steady && chance < 2*priorRandom:
		e.Kind, e.Why = Deterministic, "as before the change, and no exposure since speaks against it"
	case e.LowOpen || e.HighOpen:
	case chance < 0.05 && (t.steady || e.Exposures >= enough):
		e.Kind = Deterministic
		e.Why = fmt.Sprintf("in %d exposures every upset lies above every pass, but for what levels scatter by",
			e.Exposures)
	}
	if e.Kind != Deterministic {
		if e.More == 0 && !e.LowOpen && !e.HighOpen {
			e.More = moreToTell
		}
		e.Why = fmt.Sprintf("%d exposures do not tell it from a random one (%.0f %% likely)", e.Exposures, 100*chance)
		belief := t.belief()
		if chance > 0.001 {
			for i, c := range t.cells {
				if !c.random() {
					belief[i] = 0
				} else {
					belief[i] /= chance
				}
			}
		}
		if low := t.quantileOf(belief, (1-credible)/2); !e.LowOpen {
			e.Low = math.Min(e.Low, low)
		}
		if high := t.quantileOf(belief, (1+credible)/2); !e.HighOpen {
			e.High = math.Max(e.High, high)
		}
	}
}
