package graded

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"

	"provoke/internal/units/rf"
)

// Sample is one exposure as one monitor saw it.
type Sample struct {
	At    rf.Frequency
	Level float64 // of the current, in dB on one scale
	Shift float64 // of the reading from where it is without RF, in tolerances
	Sigma float64 // standard deviation of Shift
	Upset bool    // the product upset in it, by whatever monitor
}

// Reach is how far above the highest level exposed an estimate is told; beyond it only "at least" is.
const Reach = 6.0 // dB

// Width is the widest that limits may be for an estimate to be told as a level; wider ones give "at least".
const Width = 3.0 // dB

// placing is the widest that limits may be for an estimate to say where to expose next.
const placing = 5.0 // dB

// little is the part of the shift that upsets below which nothing is told: beyond Reach whatever the exponent, and what
// a baseline is off by looks like it.
const little = 0.1

// Confidence of the limits of an estimate.
const Confidence = 0.95

// seen is how many standard deviations a shift has to have before anything is made of it.
const seen = 4.0

// Kind is what an estimate is good for.
type Kind int

// The kinds of estimate.
const (
	// Silent: the reading says nothing here.
	Silent Kind = iota
	// AtLeast: the product stands Low, as far as this reading goes; nothing is said of what is above.
	AtLeast
	// About: the reading leaves its tolerance about Onset.
	About
)

// Estimate is what one monitor's readings say at one frequency. It is of exposures that the product stood, but for
// places at which it upset: there it tells where the next exposure belongs.
type Estimate struct {
	At               rf.Frequency
	Kind             Kind
	Onset, Low, High float64 // dB, as Sample.Level
	Level, Shift     float64 // of the exposure that moved the reading furthest
	Exponent         float64 // most likely in this band
	Critical         float64 // shift at which the product upsets, in tolerances; 0 where that is not known
	Upset            bool    // the product upset here
	// Places: Onset is good enough to say where the next exposure belongs, told or not.
	Places bool
	// Ask is a lower level at which one exposure more would tell how the reading follows here; 0 where none is needed.
	Ask float64
}

// Band is what one monitor's readings say in a band of neighbouring frequencies.
type Band struct {
	Low, High rf.Frequency
	// Why it says nothing, in words; "" where it does.
	Why       string
	Estimates []Estimate
}

// place is the samples at one frequency, by level.
type place struct {
	at   rf.Frequency
	all  []Sample
	good []Sample // that moved the reading visibly and did not upset the product
	// pass and upset are the highest level stood and the lowest one above it that upset; ±Inf for none.
	pass, upset float64
	// follows and leads say whether the reading moved less at a lower level, and had left its tolerance, or nearly,
	// when the product upset.
	follows, leads verdict
}

// verdict is what became of a test.
type verdict int

const (
	untested verdict = iota
	good
	bad
)

// tally counts verdicts.
type tally struct{ good, bad int }

func (t *tally) add(v verdict, n int) {
	switch v {
	case good:
		t.good += n
	case bad:
		t.bad += n
	}
}

// share is the part that is good, as if there were least of them.
func (t tally) share(least int) float64 { return float64(t.good) / float64(max(least, t.good+t.bad)) }

// Track is what one monitor showed in a run, exposure by exposure. The zero value has seen nothing.
type Track struct {
	places         []place // ascending in frequency
	follows, leads tally
}

// Add takes an exposure.
func (t *Track) Add(s Sample) {
	i, found := slices.BinarySearchFunc(t.places, s.At, func(p place, f rf.Frequency) int {
		return cmp.Compare(p.at,
			f)
	})
	if !found {
		t.places = slices.Insert(t.places, i, place{})
	}
	p := &t.places[i]
	t.count(p, -1)
	all := append(p.all, s)
	slices.SortStableFunc(all, func(a, b Sample) int { return cmp.Compare(a.Level, b.Level) })
	*p = placeOf(all)
	t.count(p, 1)
}

func (t *Track) count(p *place, n int) {
	t.follows.add(p.follows, n)
	t.leads.add(p.leads, n)
}

// At is the estimate at one frequency, for the next exposure there or near it. step is the widest ratio of two
// neighbouring frequencies of the grid.
func (t *Track) At(f rf.Frequency, step float64) Estimate {
	i, found := slices.BinarySearchFunc(t.places, f, func(p place, f rf.Frequency) int { return cmp.Compare(p.at, f) })
	if !found || len(t.places[i].good) == 0 {
		return Estimate{At: f}
	}
	from, to := i, i+1
	for from > 0 && joined(&t.places[from-1], &t.places[from], step) && t.places[from-1].far(f) < farthest {
		from--
	}
	for to < len(t.places) && joined(&t.places[to-1], &t.places[to], step) && t.places[to].far(f) < farthest {
		to++
	}
	return t.band(from, to, i, i+1).Estimates[0]
}

// Bands returns what all exposures say, in bands of ascending frequency: places that follow one another and whose
// reading moves the same way.
func (t *Track) Bands(step float64) (out []Band) {
	for i := 0; i < len(t.places); {
		j := i + 1
		if len(t.places[i].good) == 0 {
			i = j
			continue
		}
		for j < len(t.places) && joined(&t.places[j-1], &t.places[j], step) {
			j++
		}
		out = append(out, t.band(i, j, i, j))
		i = j
	}
	return out
}

// Stood returns, for every frequency, the exposure at the highest level that the product stood.
func (t *Track) Stood() (out []Sample) {
	for _, p := range t.places {
		for _, s := range slices.Backward(p.all) {
			if !s.Upset {
				if !s.unread() {
					out = append(out, s)
				}
				break
			}
		}
	}
	return out
}

// unread reports that the monitor gave no reading in the exposure.
func (s Sample) unread() bool { return math.IsInf(s.Sigma, 1) }

// Visible reports that a shift is more than noise.
func (s Sample) Visible() bool { return math.Abs(s.Shift) >= seen*s.Sigma }

// Narrowest is the Q of the sharpest resonance that a reading would have shown at the frequencies to either side of it,
// step being their ratio, although it upsets the product only at its very peak: with an exponent p a tuned circuit
// moves the reading, at the distance of half a step, by (1 + (Q·step)²)^(−p/2) of what upsets, which has to be more
// than noise.
func Narrowest(sigma, critical, exponent, step float64) float64 {
	least := seen * sigma / critical
	if !(least < 1) || !(step > 1) {
		return 0
	}
	return math.Sqrt(math.Pow(least, -2/exponent)-1) / (step - 1)
}

// gap is the widest ratio of two neighbouring frequencies of a band, unless three steps of the grid are wider.
const gap = 1.1

// joined reports that two places that follow one another belong to one band.
func joined(a, b *place, step float64) bool {
	return len(a.good) > 0 && len(b.good) > 0 && float64(b.at/a.at) <= max(gap, step*step*step) && a.sign() == b.sign()
}

// near is how far, in the logarithm of frequency, what was read at one frequency says much of the curve at another;
// beyond farthest it says nothing.
const near, farthest = 0.03, 0.12

// far is the distance of a place in the logarithm of frequency.
func (p *place) far(f rf.Frequency) float64 { return math.Abs(math.Log(float64(p.at / f))) }

func placeOf(all []Sample) place {
	p := place{at: all[0].At, all: all, pass: math.Inf(-1), upset: math.Inf(1)}
	for _, s := range all {
		switch {
		case s.Upset:
			p.upset = min(p.upset, s.Level)
		default:
			p.pass = max(p.pass, s.Level)
		}
	}
	for _, s := range all {
		if !s.Upset && math.Abs(s.Shift) >= seen*s.Sigma {
			p.good = append(p.good, s)
		}
	}
	p.test()
	return p
}

func (p *place) sign() float64 { return math.Copysign(1, p.good[len(p.good)-1].Shift) }

// test looks for what shows, or contradicts, that the reading follows the level here and leads to the upset.
func (p *place) test() {
	sign := 0.0
	for _, s := range p.good {
		sign = math.Copysign(1, s.Shift)
	}
	switch n := len(p.good); {
	case p.upset-p.pass > closest || p.upset < p.pass:
	case n > 0 && p.good[n-1].Level > p.pass-0.01:
		p.leads = good
	case slices.ContainsFunc(p.all, func(s Sample) bool { return !s.Upset && s.Level > p.pass-0.01 && !s.unread() }):
		p.leads = bad
	}
	for i, s := range p.all {
		for _, t := range p.all[:i] {
			apart := s.Level - t.Level
			if s.Upset || t.Upset || apart < 0.3 || sign == 0 || p.follows == bad {
				continue
			}
			// At the lower level it is to move less, by what the least exponent makes of the distance.
			least, noise := math.Pow(10, -flattest*apart/20), 3*math.Hypot(s.Sigma, t.Sigma)
			switch {
			case t.Shift*sign > s.Shift*sign*least+noise, s.Shift*sign < -noise:
				p.follows = bad
			case t.Shift*sign < s.Shift*sign-noise:
				p.follows = good
			}
		}
	}
}

// closest is how close an upset has to lie above what was stood for the shift there to be that of the onset, in dB.
const closest = 2.5

// critical is the shift at which the product upsets here, for a place that leads.
func (p *place) critical() float64 { return math.Abs(p.good[len(p.good)-1].Shift) }

// flattest is the least exponent with which a reading is said to follow the level.
const flattest = 0.75

// bend is how a reading departs from a pure power of the current.
type bend struct {
	s    float64 // where it saturates, in tolerances; +Inf where it does not
	peak float64 // where a second effect turns it; +Inf where none does
	log  float64 // of what is believed of it before anything was read
}

// bends and exponents are what may be, with what is believed of each before anything was read.
var bends = func() (out []bend) {
	never := math.Inf(1)
	saturations, peaks := []float64{0.7, 0.85, 0.97, 1.2, 1.6, 2.5, 4}, []float64{0.65, 0.8, 0.93, 1.05, 1.3, 2, 3}
	out = append(out, bend{never, never, math.Log(0.6)})
	for _, s := range saturations {
		out = append(out, bend{s, never, math.Log(0.2 / float64(len(saturations)))})
	}
	for _, p := range peaks {
		out = append(out, bend{never, p, math.Log(0.2 / float64(len(peaks)))})
	}
	return out
}()

var exponents = func() (out []weighed) {
	square, any := distuv.Normal{Mu: 2, Sigma: 0.15}, distuv.Uniform{Min: 0.8, Max: 3.4}
	total := 0.0
	for p := 0.1; p < 4.01; p += 0.1 {
		w := max(0.6*square.Prob(p)+0.4*any.Prob(p), 1e-3)
		out = append(out, weighed{p, w})
		total += w
	}
	for i := range out {
		out[i].w = math.Log(out[i].w / total)
	}
	return out
}()

// drive is the u that moves the reading by d tolerances, the lowest one, and du/dd there; +Inf where none does.
func (c bend) drive(d float64) (u, slope float64) {
	switch {
	case !math.IsInf(c.s, 1):
		if d >= c.s {
			return math.Inf(1), math.Inf(1)
		}
		return -c.s * math.Log(1-d/c.s), 1 / (1 - d/c.s)
	case !math.IsInf(c.peak, 1):
		if d >= c.peak {
			return math.Inf(1), math.Inf(1)
		}
		root := math.Sqrt(1 - d/c.peak)
		return 2 * c.peak * (1 - root), 1 / root
	}
	return d, 1
}

// leaves is the u at which the reading has moved by what upsets the product, on whichever side; +Inf where it never
// does.
func (c bend) leaves() float64 {
	if u, _ := c.drive(1); !math.IsInf(u, 1) {
		return u
	}
	if math.IsInf(c.peak, 1) {
		return math.Inf(1)
	}
	return 2 * c.peak * (1 + math.Sqrt(1+1/c.peak)) // u − u²/4P = −1
}

// bent is the samples of a place under one bend: the drive of each in dB, with its standard deviation.
type bent struct {
	drive, sigma [most]float64
	n            int
	penalty      float64 // for readings beyond what the bend allows; +Inf where they cannot be
}

// most is how many samples of a place are looked at, the highest ones, and how many places to either side.
const most = 12

// of is the samples of a place under a bend, whose tolerances are scale of those of the reading.
func (c bend) of(p place, scale float64) (b bent) {
	good := p.good[max(0, len(p.good)-most):]
	b.n = len(good)
	for i, s := range good {
		d, sigma := math.Abs(s.Shift)/scale, s.Sigma/scale
		u, slope := c.drive(d)
		if math.IsInf(u, 1) { // by noise, perhaps
			if u, slope = c.drive(d - 2*sigma); math.IsInf(u, 1) {
				b.penalty = math.Inf(1)
				return b
			}
			b.penalty += 2
		}
		b.drive[i], b.sigma[i] = 20*math.Log10(u), 20/math.Ln10*slope*sigma/u
	}
	return b
}

// amplitude is the drive at a level of 0 dB with an exponent, in dB, with its standard deviation, and how well the
// readings agree with it, as a logarithm.
func (b bent) amplitude(p place, exponent float64) (mean, sigma, fit float64) {
	if math.IsInf(b.penalty, 1) {
		return math.NaN(), 0, math.Inf(-1)
	}
	good := p.good[len(p.good)-b.n:]
	sum, weights, squares := 0.0, 0.0, 0.0
	scatter := levelScatter * exponent
	for i, s := range good {
		w := 1 / (b.sigma[i]*b.sigma[i] + scatter*scatter)
		a := b.drive[i] - exponent*s.Level
		sum, weights, squares = sum+w*a, weights+w, squares+w*a*a
	}
	mean = sum / weights
	return mean, 1 / math.Sqrt(weights), -b.penalty - max(0, squares-sum*mean)/2
}

// levelScatter is what levels are not known by from one exposure to the next, in dB.
const levelScatter = 0.05

// NoCritical is why nothing is told of a band in which nothing, or too little, upset.
const NoCritical = "nothing has shown yet at which shift the product upsets"

// why says why nothing is told of a band; "" where something is.
func (t *Track) why(places []place) string {
	var follows, leads tally
	for _, p := range places {
		follows.add(p.follows, 1)
		leads.add(p.leads, 1)
	}
	switch {
	case 8*leads.bad > leads.good, t.leads.bad > 0 && t.leads.share(0) < 1.0/3 && leads.good < 4:
		return "the product upsets without this reading having moved"
	case 5*follows.bad > follows.good:
		return "the reading does not move less at lower levels"
	case len(places) == 1 && follows.good+leads.good == 0:
		return "it moved at one frequency alone, at one level"
	case t.follows.share(2) < 2.0/3:
		return "nothing has shown yet that the reading follows the level"
	}
	return ""
}

// leading is the part of the tolerance that a reading has gone when the product is said to upset because it leaves it.
const leading = 0.7

// onsetShift is the shift at which the product upsets, in tolerances, by the places of a band at which that was seen,
// or by all of the run where it was the same in two bands at least; open is how little is known of it in a band where
// it was not seen, as a standard deviation in dB of the shift. 0 where nothing is known; not sure where it was seen
// once.
func (t *Track) onsetShift(places []place) (shift, open float64, sure bool) {
	var here, all []float64
	bands, last := 0, rf.Frequency(0)
	for _, p := range places {
		if p.leads == good {
			here = append(here, p.critical())
		}
	}
	slices.Sort(here)
	if n := len(here); n > 1 && here[n*9/10] < 1.6*here[n/10] || n > 0 && here[0] > leading {
		return here[n/2], 0, true
	} else if n > 1 {
		return 0, 0, false // it is another shift at every frequency: not what upsets the product
	} else if n == 1 {
		return here[0], 0, false
	}
	for i := range t.places {
		if p := &t.places[i]; p.leads == good {
			all = append(all, 20*math.Log10(p.critical()))
			if float64(p.at) > float64(last)*gap {
				bands++
			}
			last = p.at
		}
	}
	if len(all) < 3 {
		return 0, 0, false
	}
	slices.Sort(all)
	middle, spread := all[len(all)/2], all[len(all)*9/10]-all[len(all)/10]
	switch {
	case all[len(all)/10] > 20*math.Log10(leading): // it upsets as it leaves its tolerance
		return 1, 0.5, true
	case bands > 1 && spread < 4:
		return math.Pow(10, middle/20), max(1, spread/2), true
	}
	return 0, 0, false
}

// band says what is believed of the places from low to high of a band, which are those from begin to end.
func (t *Track) band(begin, end, low, high int) Band {
	places, from, to := t.places[begin:end], low-begin, high-begin
	b := Band{Low: places[0].at, High: places[len(places)-1].at, Why: t.why(places)}
	scale, open, sure := t.onsetShift(places)
	if !sure {
		b.Why = cmp.Or(b.Why, NoCritical)
	}
	known := scale > 0
	if !known {
		scale = 1
	}
	k := curves{scale: scale, open: open, places: places, all: make([]amplitude, len(places)*cells)}
	for j, p := range places {
		for i, c := range bends {
			bent := c.of(p, scale)
			for e := range exponents {
				a := &k.all[j*cells+i*len(exponents)+e]
				a.mean, a.sigma, a.fit = bent.amplitude(p, exponents[e].x)
			}
		}
	}
	weights := make([]float64, cells)
	onsets := make([]weighed, cells)
	exponent := make([]weighed, len(exponents))
	var all []weighed
	for j := from; j < to; j++ {
		if !k.believe(weights, onsets, j) {
			b.Estimates = append(b.Estimates, Estimate{At: places[j].at, Level: places[j].pass})
			continue
		}
		all = all[:0]
		for e := range exponents {
			exponent[e] = weighed{exponents[e].x, 0}
		}
		for i, w := range weights {
			e := i % len(exponents)
			exponent[e].w += w
			if w < 1e-6 {
				continue
			}
			for _, z := range tenths { // a normal distribution is stood for by the middles of its tenths
				all = append(all, weighed{onsets[i].x + z*onsets[i].w, w / float64(len(tenths))})
			}
		}
		e := b.at(places, j, all, exponent)
		if known {
			e.Critical = scale
		}
		if math.Abs(e.Shift) < little*scale {
			e.Kind = Silent
		}
		e.Places = known && e.High-e.Low <= placing
		b.Estimates = append(b.Estimates, e)
	}
	return b
}

// cells is how many ways there are in which a reading may follow the level: every exponent with every bend.
var cells = len(bends) * len(exponents)

// amplitude is that of one place in one of them, in dB.
type amplitude struct{ mean, sigma, fit float64 }

// curves are the amplitudes of the places of a band.
type curves struct {
	scale, open float64 // of the shift at which the product upsets
	places      []place
	all         []amplitude
}

// believe fills weights with what is believed of the curve at place j, by what was read there and near it, and onsets
// with where each puts the onset and its standard deviation; false where nothing fits.
func (k *curves) believe(weights []float64, onsets []weighed, j int) bool {
	count := 0.0
	type neighbour struct {
		i     int
		share float64
	}
	var close []neighbour
	for i := max(0, j-most); i < min(len(k.places), j+most+1); i++ {
		if far := k.places[i].far(k.places[j].at); far <= farthest {
			close = append(close, neighbour{i, math.Exp(-far / near)})
			count += math.Exp(-far / near)
		}
	}
	for c := range weights {
		bend, p := bends[c/len(exponents)], exponents[c%len(exponents)]
		weights[c] = bend.log + p.w
		// The drive at which the product upsets: by the places near by at which that was seen.
		sum, parts, squares, shares := 0.0, 0.0, 0.0, 0.0
		for _, n := range close {
			a, at := &k.all[n.i*cells+c], &k.places[n.i]
			weights[c] += n.share * a.fit
			if at.leads == good && !math.IsInf(a.fit, -1) {
				wide := p.x * math.Max(at.upset-at.pass, 0.2) / math.Sqrt(12)
				variance := a.sigma*a.sigma + wide*wide + p.x*p.x*onsetScatter*onsetScatter
				u, w := a.mean+p.x*(at.upset+at.pass)/2, n.share/variance
				sum, parts, squares, shares = sum+w*u, parts+w, squares+w*u*u, shares+n.share
			}
		}
		a := &k.all[j*cells+c]
		drive, open := 20*math.Log10(bend.leaves()), k.open
		if parts > 0 {
			drive, open = sum/parts, math.Sqrt(shares/parts/math.Max(shares, 1))
			weights[c] -= math.Max(0, squares-sum*sum/parts) / 2
		}
		onsets[c] = weighed{(drive - a.mean) / p.x, math.Hypot(math.Hypot(a.sigma, open)/p.x, onsetScatter)}
		if math.IsInf(a.fit, -1) || math.IsNaN(onsets[c].x) {
			onsets[c] = weighed{math.Inf(1), 0}
		}
	}
	best := slices.Max(weights)
	if best < -8-4*count {
		return false
	}
	total := 0.0
	for c := range weights {
		weights[c] = math.Exp(weights[c] - best)
		total += weights[c]
	}
	for c := range weights {
		weights[c] /= total
	}
	return true
}

// onsetScatter is by how much onsets depart from one shift of a band, in dB of level.
const onsetScatter = 0.2

type weighed struct{ x, w float64 }

// quantile is that of values in their order whose weights are 1 together.
func quantile(all []weighed, q float64) float64 {
	sum := 0.0
	for _, a := range all {
		if sum += a.w; sum >= q {
			return a.x
		}
	}
	return all[len(all)-1].x
}

// at is the estimate at place j of the band, from what is believed of its onset and of the exponent.
func (b Band) at(places []place, j int, all, exponent []weighed) Estimate {
	p := places[j]
	last := p.good[len(p.good)-1]
	e := Estimate{At: p.at, Level: p.pass, Shift: last.Shift, Upset: !math.IsInf(p.upset, 1),
		Exponent: quantile(exponent, 0.5)}
	slices.SortFunc(all, func(a, b weighed) int { return cmp.Compare(a.x, b.x) })
	e.Onset, e.Low, e.High = quantile(all, 0.5), quantile(all, (1-Confidence)/2), quantile(all, (1+Confidence)/2)
	stood := p.pass
	e.Low, e.Onset, e.High = max(e.Low, stood), max(e.Onset, stood), max(e.High, stood)
	known := slices.ContainsFunc(places, func(o place) bool {
		return o.follows != untested && o.far(p.at) < near
	})
	if !known && math.Abs(last.Shift) >= max(0.25, 8*last.Sigma) {
		e.Ask = last.Level - below
	}
	switch flat := quantile(exponent, 0.1) < flattest; {
	case b.Why != "" || flat || e.beyond(places, j):
	case e.High-e.Low <= Width && e.Onset <= stood+Reach:
		e.Kind = About
	default:
		e.Kind = AtLeast
		e.Low = min(e.Low, stood+Reach)
	}
	return e
}

// steepest is by how much onsets differ at most between neighbours of one band, in dB: a grid of 1 % on a tuned circuit
// with a Q of 40 has 4 dB.
const steepest = 5

// beyond reports that a neighbour upset so far below the estimate that what was stood here may lie above a range of
// levels that upset.
func (e Estimate) beyond(places []place, j int) bool {
	for _, i := range []int{j - 1, j + 1} {
		if i >= 0 && i < len(places) && places[i].upset < e.Onset-steepest {
			return true
		}
	}
	return false
}

// below is how much lower the exposure is that tells how a reading follows.
const below = 4 // dB

// tenths are the middles of the tenths of the normal distribution.
var tenths = func() (out []float64) {
	for i := range 10 {
		out = append(out, distuv.UnitNormal.Quantile((float64(i)+0.5)/10))
	}
	return out
}()
