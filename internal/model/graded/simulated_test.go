package graded

import (
	"flag"
	"math"
	"math/rand/v2"
	"testing"

	"provoke/internal/units/rf"
)

var long = flag.Bool("long", false, "more simulated products")

// dip is where a product is susceptible: a tuned circuit, with how its reading answers there.
type dip struct {
	centre, q, lowest float64 // MHz, –, level at which u is 1, in dB
	p, s, peak, sign  float64
}

// product is one simulated product: shift says where its reading goes, truth where it upsets.
type product struct {
	dips  []dip
	noise float64
	limit float64 // shift at which the product upsets, in tolerances
	// onset is of another mechanism that the reading knows nothing of; nil where the reading leads.
	onset func(f, level float64) bool
	extra func(r *rand.Rand, level float64) float64 // shift besides, of each exposure
}

func (p product) shift(f, level float64) (d float64) {
	for _, x := range p.dips {
		on := x.lowest + 10*math.Log10(1+math.Pow(x.q*(f/x.centre-x.centre/f), 2))
		u := math.Pow(10, x.p*(level-on)/20)
		switch {
		case x.s > 0:
			u = x.s * (1 - math.Exp(-u/x.s))
		case x.peak > 0:
			u -= u * u / 4 / x.peak
		}
		d += x.sign * u
	}
	return d
}

// upsets says whether the product upsets at a level, whatever noise there is.
func (p product) upsets(f, level float64) bool {
	if p.onset != nil {
		return p.onset(f, level)
	}
	return math.Abs(p.shift(f, level)) >= p.limit
}

// truth is the lowest level that upsets.
func (p product) truth(f float64) float64 {
	for l := 40.0; l < 110; l += 0.02 {
		if p.upsets(f, l) {
			return l
		}
	}
	return math.Inf(1)
}

const wanted = 80.0

// exposed is a sweep with its searches, in steps of half a decibel, as a program would place them; where the estimate
// asks for one more exposure it gets it.
func (p product) exposed(r *rand.Rand, step float64) (track Track) {
	last := Sample{}
	expose := func(f, level float64) bool {
		s := Sample{At: rf.Frequency(f * 1e6), Level: level + 0.1*r.Float64(), Sigma: p.noise}
		s.Upset = p.upsets(f, s.Level)
		s.Shift = p.shift(f, s.Level)
		if s.Upset && p.limit < 1 { // it jumps
			s.Shift = 5 * s.Shift / p.limit
		}
		s.Shift += p.noise * r.NormFloat64()
		if p.extra != nil {
			s.Shift += p.extra(r, s.Level)
		}
		track.Add(s)
		last = s
		return s.Upset
	}
	for f := 20.0; f < 60; f *= step {
		low, high := math.Inf(-1), math.Inf(1)
		next := wanted
		if last.Upset {
			next = min(wanted, last.Level-2)
		}
		for high-low > 0.8 && next > 50 {
			if expose(f, next) {
				high = next
			} else {
				low = next
			}
			switch {
			case math.IsInf(high, 1):
				if low >= wanted {
					high = low
				}
				next = min(wanted, low+2)
			case math.IsInf(low, -1):
				next = high - 3
			default:
				next = math.Round((low+high)/2*2) / 2
			}
		}
		if e := track.At(rf.Frequency(f*1e6), step); e.Ask > 0 {
			expose(f, e.Ask)
		}
	}
	return track
}

// drawn makes a product whose every band answers as a class says.
func drawn(r *rand.Rand, class func(r *rand.Rand, d *dip)) product {
	p := product{noise: 0.005 * math.Pow(16, r.Float64()), limit: 1}
	for range 2 + r.IntN(3) {
		d := dip{centre: 22 + 36*r.Float64(), q: 5 + 35*r.Float64(), lowest: 66 + 22*r.Float64(), p: 2, sign: 1}
		if r.IntN(2) == 0 {
			d.sign = -1
		}
		class(r, &d)
		p.dips = append(p.dips, d)
	}
	return p
}

type score struct{ estimates, within, held, least, wrong, bands int }

func (t *score) count(p product, bands []Band) {
	for _, b := range bands {
		for _, e := range b.Estimates {
			if e.Upset || e.Kind == Silent {
				continue
			}
			truth := p.truth(float64(e.At) / 1e6)
			switch e.Kind {
			case About:
				t.estimates++
				if math.Abs(truth-e.Onset) <= 1 {
					t.within++
				}
				if truth >= e.Low-0.05 && truth <= e.High+0.05 {
					t.held++
				}
			case AtLeast:
				t.least++
				if truth < e.Low-0.05 {
					t.wrong++
				}
			}
		}
	}
}

// What the estimates are worth where readings follow, in every way that was thought of.
func TestAnEstimateHoldsWhereReadingsFollow(t *testing.T) {
	n := 6
	if *long {
		n = 150
	}
	fixed := func(p float64) func(*rand.Rand, *dip) { return func(_ *rand.Rand, d *dip) { d.p = p } }
	var all score
	for i, c := range []struct {
		name  string
		class func(r *rand.Rand, d *dip)
		jumps bool // it upsets before the reading leaves its tolerance
	}{
		{"exponent 1", fixed(1), false}, {"exponent 1.5", fixed(1.5), false}, {"exponent 2", fixed(2), false},
		{"exponent 2.5", fixed(2.5), false},
		{"exponent 3", fixed(3), false},
		{"any exponent from 1 to 3 in each band", func(r *rand.Rand, d *dip) { d.p = 1 + 2*r.Float64() }, false},
		{"saturates at 0.8 to 4 tolerances", func(r *rand.Rand, d *dip) { d.s = 0.8 * math.Pow(5, r.Float64()) },
			false},
		{"turns round at 0.6 to 3 tolerances", func(r *rand.Rand, d *dip) { d.peak = 0.6 * math.Pow(5, r.Float64()) },
			false},
		{"upsets at 0.1 to 1 tolerances, any exponent from 1 to 3", func(r *rand.Rand, d *dip) {
			d.p = 1 +
				2*r.Float64()
		}, true},
	} {
		var one score
		for seed := range n {
			r := rand.New(rand.NewPCG(uint64(seed), uint64(i)))
			p := drawn(r, c.class)
			if c.jumps {
				p.limit = 0.1 * math.Pow(10, r.Float64())
				p.noise *= p.limit
			}
			track := p.exposed(r, 1.01)
			one.count(p, track.Bands(1.01))
		}
		t.Logf("figure: graded readings, %s: %d estimates, within 1 dB %.1f %%, limits hold %.1f %%; %d "+
			"\"at least\", wrong "+
			"%.2f %%", c.name, one.estimates, percent(one.within, one.estimates), percent(one.held, one.estimates),
			one.least, percent(one.wrong, one.least))
		all.estimates, all.within, all.held = all.estimates+one.estimates, all.within+one.within, all.held+one.held
		all.least, all.wrong = all.least+one.least, all.wrong+one.wrong
	}
	t.Logf("figure: graded readings, all: %d estimates, within 1 dB %.1f %%, limits hold %.1f %%; %d \"at least\", "+
		"wrong %.2f "+
		"%%", all.estimates, percent(all.within, all.estimates), percent(all.held, all.estimates), all.least,
		percent(all.wrong, all.least))
	if percent(all.within, all.estimates) < 90 || percent(all.held, all.estimates) < 93 {
		t.Error("the estimates are not what docs/confidence.md says")
	}
}

func percent(n, of int) float64 { return 100 * float64(n) / float64(max(1, of)) }

// Where readings do not follow nothing is told.
func TestNothingIsToldWhereReadingsDoNotFollow(t *testing.T) {
	n := 6
	if *long {
		n = 100
	}
	for i, c := range []struct {
		name string
		make func(r *rand.Rand) product
	}{
		{"noise alone", func(r *rand.Rand) product {
			p := drawn(r, func(*rand.Rand, *dip) {})
			q := product{noise: p.noise, onset: p.upsets}
			return q
		}},
		{"moves anyhow in every exposure", func(r *rand.Rand) product {
			p := drawn(r, func(*rand.Rand, *dip) {})
			return product{noise: p.noise, onset: p.upsets, extra: func(r *rand.Rand, _ float64) float64 {
				return r.Float64() - 0.5
			}}
		}},
		{"the same shift as soon as there is RF", func(r *rand.Rand) product {
			p := drawn(r, func(*rand.Rand, *dip) {})
			by := 0.2 + 0.5*r.Float64()
			return product{noise: p.noise, onset: p.upsets, extra: func(*rand.Rand, float64) float64 { return by }}
		}},
		{"moves elsewhere than it upsets", func(r *rand.Rand) product {
			p, other := drawn(r, func(*rand.Rand, *dip) {}), drawn(r, func(_ *rand.Rand, d *dip) { d.lowest = 84 })
			return product{dips: other.dips, noise: p.noise, onset: p.upsets}
		}},
	} {
		var one score
		places := 0
		for seed := range n {
			r := rand.New(rand.NewPCG(uint64(seed), uint64(100+i)))
			p := c.make(r)
			track := p.exposed(r, 1.01)
			places += len(track.places)
			one.count(p, track.Bands(1.01))
		}
		t.Logf("figure: graded readings that do not follow, %s: of %d frequencies %d told, %d \"at least\" (wrong %d)",
			c.name,
			places, one.estimates, one.least, one.wrong)
		if float64(one.estimates) > 0.005*float64(places) {
			t.Errorf("%s: %d estimates at %d frequencies", c.name, one.estimates, places)
		}
	}
}
