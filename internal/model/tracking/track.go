package tracking

import (
	"math"

	"provoke/internal/model/threshold"
)

// What a change of the product is noticed by: Hazard is the probability, before each exposure, that it has just
// changed; Noticed is the probability at which it is told.
const (
	Hazard  = 1.0 / 80
	Noticed = 0.95
)

// Confidence is that of every interval here.
const Confidence = 0.95

// Config is what a track stands on; levels and widths in dB.
type Config struct {
	Low, High float64 // where it may expose, in whole steps down from High, the level wanted
	Step      float64 // the resolution
	Scatter   float64 // standard deviation of a level that is set anew
	Expected  float64 // onset that is expected; NaN for none
	Within    float64 // half the width that the interval of a random product is to have; 0 counts as 1 dB
}

// Trial is one exposure.
type Trial struct {
	Set   float64 // as asked for, in whole steps
	Level float64 // as measured
	Upset bool
}

// Track is the onset at one frequency.
type Track struct {
	c      Config
	cells  []cell
	levels []level // that may be exposed, falling

	products []product // what the product may be since when; the weights sum to 1
	trials   []Trial   // of the product as it is, since it was last changed
	total    int       // exposures in all
	now      *Estimate // of the trials so far; nil where it is not worked out yet
	random   bool      // it was told to be random
	steady   bool      // it was told to be deterministic before it was changed
	below    float64   // the first exposure after a change is not above this; +Inf for no such bound
	reach    float64   // what the bench reaches; +Inf where it reaches all
	expected float64
}

// cell is one onset with one spread.
type cell struct{ onset, spread float64 }

// level is one that may be exposed: the upset probability in each cell, and its entropy.
type level struct {
	set     float64
	chance  []float64
	entropy []float64
}

// product is what the product may be: since before exposure number since, with a weight, and what is believed of it.
type product struct {
	since  int
	weight float64
	belief []float64
}

// lapse is the probability that an exposure says what it should not.
const lapse = 0.003

// New starts a track.
func New(c Config) *Track {
	if !(c.Within > 0) {
		c.Within = 1
	}
	t := &Track{c: c, below: math.Inf(1), reach: math.Inf(1), expected: c.Expected}
	t.cells = cellsOf(c)
	for n := 0; ; n++ {
		set := c.High - float64(n)*c.Step
		if set < c.Low-1e-9 {
			break
		}
		l := level{set: set, chance: t.chances(set), entropy: make([]float64, len(t.cells))}
		for i, p := range l.chance {
			l.entropy[i] = entropy(p)
		}
		t.levels = append(t.levels, l)
	}
	t.products = []product{{weight: 1, belief: t.fresh(t.expected, priorRandom)}}
	return t
}

// spreads are the spreads of a random product that are thought of, in dB.
var spreads = [...]float64{0.7, 1.3, 2.5, 4.5}

// priorRandom is how likely a product is thought random of which nothing is known.
const priorRandom = 0.15

// beyond is how far above the level wanted, and below the lowest, an onset is thought of.
const beyond = 9.0

func cellsOf(c Config) []cell {
	fine := math.Min(c.Step/2, 0.25)
	steady := math.Max(math.Hypot(c.Scatter, fine/2), 0.1)
	var out []cell
	for onset := c.Low - beyond; onset <= c.High+beyond; onset += fine {
		out = append(out, cell{onset, steady})
	}
	for _, s := range spreads {
		for onset := c.Low - beyond; onset <= c.High+beyond; onset += math.Max(fine, s/3) {
			out = append(out, cell{onset, s})
		}
	}
	return out
}

func (c cell) random() bool { return c.spread >= spreads[0] }

// chances returns the upset probability at a level in every cell.
func (t *Track) chances(at float64) []float64 {
	out := make([]float64, len(t.cells))
	for i, c := range t.cells {
		out[i] = lapse + (1-2*lapse)*0.5*math.Erfc((c.onset-at)/(c.spread*math.Sqrt2))
	}
	return out
}

func entropy(p float64) float64 { return -p*math.Log(p) - (1-p)*math.Log(1-p) }

// fresh returns what is believed of a product that was changed: half that its onset is near the one expected, half
// that it may be anywhere, likelier near it; random with the probability given.
func (t *Track) fresh(expected, random float64) []float64 {
	out := make([]float64, len(t.cells))
	steady, chancy := 0.0, 0.0
	for i, c := range t.cells {
		// Cells of a greater spread are wider.
		width := math.Max(math.Min(t.c.Step/2, 0.25), c.spread/3)
		if !c.random() {
			width = math.Min(t.c.Step/2, 0.25)
		}
		v := 0.2 / (t.c.High - t.c.Low)
		if !math.IsNaN(expected) {
			d := math.Abs(c.onset - expected)
			v += 0.4*math.Exp(-d/7)/14 + 0.4*math.Exp(-d/1)/2
		}
		out[i] = v * width
		if c.random() {
			chancy += out[i]
		} else {
			steady += out[i]
		}
	}
	for i, c := range t.cells {
		if c.random() {
			out[i] *= random / chancy
		} else {
			out[i] *= (1 - random) / steady
		}
	}
	return out
}

// Changed says that somebody changed the product, or may have: what was exposed before counts no more, and the next
// exposure is not above what the product stood.
func (t *Track) Changed() {
	was := t.Now()
	t.steady = was.Kind == Deterministic || t.steady && was.Kind == Untold
	t.expected = was.Level
	if was.Nothing() {
		t.expected = t.c.Expected
	}
	t.below = math.Inf(1)
	if !was.LowOpen && len(t.trials) > 0 {
		t.below = was.Low
	}
	t.products = []product{{since: t.total, weight: 1, belief: t.fresh(t.expected, t.carried())}}
	t.trials, t.now = nil, nil
	t.random = false
}

// carried is how likely the product is to be random after a change: mostly as it was.
func (t *Track) carried() float64 {
	return min(max(0.9*t.chanceRandom()+0.1*priorRandom, 0.002), 0.95)
}

// chanceRandom is the probability that the product is random.
func (t *Track) chanceRandom() float64 {
	out := 0.0
	for _, p := range t.products {
		for i, c := range t.cells {
			if c.random() {
				out += p.weight * p.belief[i]
			}
		}
	}
	return out
}

// Add takes what came of an exposure. It returns true when the product is noticed to have changed: exposures before
// the change count no more.
func (t *Track) Add(x Trial) bool {
	chance := t.chances(x.Level)
	if !x.Upset {
		for i := range chance {
			chance[i] = 1 - chance[i]
		}
	}
	young := product{since: t.total, weight: Hazard, belief: t.fresh(t.median(), t.carried())}
	for i := range t.products {
		t.products[i].weight *= 1 - Hazard
	}
	t.products = append(t.products, young)
	sum := 0.0
	for i := range t.products {
		p := &t.products[i]
		p.weight *= learn(p.belief, chance)
		sum += p.weight
	}
	kept := t.products[:0]
	for _, p := range t.products {
		if p.weight /= sum; p.weight > 1e-6 {
			kept = append(kept, p)
		}
	}
	t.products = kept
	t.trials = append(t.trials, x)
	t.total++
	t.below = math.Inf(1)
	t.now = nil
	changed := t.notice()
	t.judge()
	return changed
}

// learn moves a belief by what an exposure says, and returns how likely that was.
func learn(belief, chance []float64) float64 {
	sum := 0.0
	for i := range belief {
		belief[i] *= chance[i]
		sum += belief[i]
	}
	for i := range belief {
		belief[i] /= sum
	}
	return sum
}

// Counted is how many exposures count: those of the product as it is.
func (t *Track) Counted() int { return len(t.trials) }

// begun is the number of the first exposure that counts.
func (t *Track) begun() int { return t.total - len(t.trials) }

// notice lets go of what was before a change.
func (t *Track) notice() bool {
	since, younger, best := t.begun(), 0.0, product{}
	for _, p := range t.products {
		if p.since > since {
			younger += p.weight
			if p.weight > best.weight {
				best = p
			}
		}
	}
	if younger < Noticed {
		return false
	}
	t.trials = append([]Trial(nil), t.trials[best.since-since:]...)
	kept := t.products[:0]
	sum := 0.0
	for _, p := range t.products {
		if p.since >= best.since {
			kept = append(kept, p)
			sum += p.weight
		}
	}
	for i := range kept {
		kept[i].weight /= sum
	}
	t.products = kept
	t.random = false
	return true
}

// median of the onset as it is believed to be.
func (t *Track) median() float64 { return t.quantileOf(t.belief(), 0.5) }

// belief is what is believed of the product, whenever it may have changed.
func (t *Track) belief() []float64 {
	out := make([]float64, len(t.cells))
	for _, p := range t.products {
		for i, b := range p.belief {
			out[i] += p.weight * b
		}
	}
	return out
}

// quantileOf goes over bins of a quarter of a decibel; the onset of a cell is its middle.
func (t *Track) quantileOf(belief []float64, q float64) float64 {
	fine := math.Min(t.c.Step/2, 0.25)
	n := int(math.Round((t.c.High-t.c.Low+2*beyond)/fine)) + 2
	bins := make([]float64, n)
	for i, c := range t.cells {
		bins[min(max(0, int(math.Round((c.onset-t.c.Low+beyond)/fine))), n-1)] += belief[i]
	}
	sum := 0.0
	for i, b := range bins {
		if sum+b >= q {
			return t.c.Low - beyond + (float64(i)-0.5+(q-sum)/b)*fine
		}
		sum += b
	}
	return t.c.High + beyond
}

// Next returns the level to expose next: of those allowed, where an exposure teaches most (the mutual information of
// its outcome and the table of beliefs). Allowed is nothing above the lowest level known to upset the product as it is,
// or, once it is told to be random, above the level at which it is expected to upset with a probability of 0.9. A level
// is no longer known to upset once the product stood it three times in a row.
func (t *Track) Next() float64 {
	belief := t.belief()
	top := t.Highest()
	best, most := t.levels[len(t.levels)-1].set, math.Inf(-1)
	for _, l := range t.levels {
		if l.set > top+1e-9 {
			continue
		}
		p, h := 0.0, 0.0
		for i, b := range belief {
			p += b * l.chance[i]
			h += b * l.entropy[i]
		}
		if v := entropy(p) - h; v > most+1e-12 {
			best, most = l.set, v
		}
	}
	return best
}

// Highest is the highest level that may be exposed now.
func (t *Track) Highest() float64 {
	top := math.Min(t.c.High, t.reach+t.c.Step/2)
	if t.random {
		belief := t.belief()
		top = t.levels[len(t.levels)-1].set
		for _, l := range t.levels {
			p := 0.0
			for i, b := range belief {
				p += b * l.chance[i]
			}
			if p <= 0.9 {
				top = l.set
				break
			}
		}
		return math.Min(top, t.below)
	}
	for i, x := range t.trials {
		if x.Upset && !t.stoodSince(i) {
			top = math.Min(top, t.standsAt(x))
		}
	}
	return math.Min(top, t.below)
}

// stands is how many exposures in a row a product has to stand at a level at which it upset before, for that level not
// to count as known to upset: at the very onset, what levels scatter by decides.
const stands = 3

// stoodSince reports that the product stood the level of an upset since, often enough.
func (t *Track) stoodSince(upset int) bool {
	row := 0
	for i := len(t.trials) - 1; i > upset && row < stands; i-- {
		if x := t.trials[i]; t.standsAt(x) >= t.standsAt(t.trials[upset])-t.c.Step/4 {
			if x.Upset {
				return false
			}
			row++
		}
	}
	return row >= stands
}

// standsAt is the level of a trial in whole steps: as it was asked for, or where less was reached, the step below that.
func (t *Track) standsAt(x Trial) float64 {
	if x.Level > x.Set-t.c.Step {
		return x.Set
	}
	return t.c.High - math.Ceil((t.c.High-x.Level-t.c.Scatter)/t.c.Step)*t.c.Step
}

// Reaches says that the bench does not reach more than a level.
func (t *Track) Reaches(level float64) { t.reach = math.Min(t.reach, level) }

// AtTop reports that the product as it is stood the highest level that may be exposed, or that can be reached.
func (t *Track) AtTop() bool {
	top := math.Min(t.c.High, t.reach) - t.c.Step/2
	for _, x := range t.trials {
		if !x.Upset && x.Level >= top {
			return true
		}
	}
	return false
}

func (t *Track) threshold() []threshold.Trial {
	out := make([]threshold.Trial, len(t.trials))
	for i, x := range t.trials {
		out[i] = threshold.Trial{Level: x.Level, Upset: x.Upset}
	}
	return out
}

// stepped are the trials at whole steps, moved by what levels lay above those on the average: to a random product what
// they scatter by is nothing, and few levels are worked out sooner than many.
func (t *Track) stepped() []threshold.Trial {
	over := 0.0
	for _, x := range t.trials {
		over += (x.Level - t.standsAt(x)) / float64(len(t.trials))
	}
	out := make([]threshold.Trial, len(t.trials))
	for i, x := range t.trials {
		out[i] = threshold.Trial{Level: t.standsAt(x) + over, Upset: x.Upset}
	}
	return out
}
