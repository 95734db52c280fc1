package plan

import (
	"flag"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"provoke/internal/units/rf"
)

var long = flag.Bool("long", false, "as many simulated products as docs/confidence.md tells")

// simulated is a product with one band: its onset falls as a parabola over the logarithm of frequency to a depth.
type simulated struct {
	victim
	low, high rf.Frequency
	depth     float64
}

func simulate(r *rand.Rand, low, high rf.Frequency, narrow, wide float64) simulated {
	width := math.Log1p(narrow * math.Pow(wide/narrow, r.Float64()))
	x := math.Log(low.Hz()) + width/2 + r.Float64()*(math.Log(float64(high/low))-width)
	centre := rf.Frequency(math.Exp(x))
	depth := 2 + 16*r.Float64()
	return simulated{parabola(centre, depth, width/2, 2), centre * rf.Frequency(math.Exp(-width/2)),
		centre * rf.Frequency(math.Exp(width/2)), depth}
}

// learnt is when a run learnt of a band, in seconds: the first upset in it, its lowest onset of now within 3 dB of the
// depth from both sides; infinite for never. whole is when the run ended.
type learnt struct{ found, margin, whole float64 }

// learn runs a program on a product. An exposure takes 3 s and an upset 5 s more, as by the estimate for a dwell of 2 s
// and 10 s of recover_within.
func learn(t *testing.T, p *Plan, v simulated) learnt {
	out := learnt{math.Inf(1), math.Inf(1), 0}
	_, all := carryOut(t, p, v.victim)
	stood := map[rf.Frequency]rf.Gain{}
	upset := map[rf.Frequency]rf.Gain{}
	for _, x := range all {
		out.whole += 3 * float64(x.Outcome.Exposures)
		f := x.Step.Point.Frequency
		if !x.Outcome.Upset {
			if was, ok := stood[f]; !ok || x.Step.Offset > was {
				stood[f] = x.Step.Offset
			}
		} else {
			out.whole += 5
			upset[f] = min(upset[f], x.Step.Offset)
			out.found = min(out.found, out.whole)
		}
		low, ok := stood[f]
		if at, failed := upset[f]; failed && ok && float64(at-low) <= 3.01 && math.Abs(float64(at)+v.depth) <= 3 {
			out.margin = min(out.margin, out.whole)
		}
	}
	return out
}

// What a time teaches, against a sweep that goes from the lowest frequency to the highest: which share of bands is
// found, and of which the depth is known within 3 dB, after 10, 25 and 50 % of the time of the whole sweep.
func TestWhatATimeTeaches(t *testing.T) {
	seeds := 25
	if *long {
		seeds = 1000
	}
	frequencies := grid(150e3, 1, 632)
	low, high := frequencies[0], frequencies[len(frequencies)-1]
	for _, width := range [][2]float64{{0.005, 0.01}, {0.01, 0.02}, {0.02, 0.05}, {0.05, 0.1}, {0.1, 0.2}} {
		r := rand.New(rand.NewPCG(uint64(1e4*width[0]), 7))
		ways := []struct {
			name  string
			named bool
			limit rf.Duration
			all   []learnt
		}{{"sweep", false, 0, nil}, {"timed", false, 1, nil}, {"timed, named", true, 1, nil}}
		for range seeds {
			v := simulate(r, low, high, width[0], width[1])
			beside := rf.Frequency(math.Sqrt(v.low.Hz()*v.high.Hz()) * (1 + 0.01*(2*r.Float64()-1)))
			for i := range ways {
				p := testPlan(frequencies)
				p.Edges, p.TimeLimit = 0.002, ways[i].limit
				if ways[i].named {
					p.First = []rf.Frequency{nearest(frequencies, beside)}
				}
				ways[i].all = append(ways[i].all, learn(t, p, v))
			}
		}
		share := func(all []learnt, part float64, of func(learnt) float64) float64 {
			n := 0
			for i, x := range all {
				if of(x) <= part*ways[0].all[i].whole {
					n++
				}
			}
			return 100 * float64(n) / float64(len(all))
		}
		for _, w := range ways {
			var first []float64
			for i, x := range w.all {
				first = append(first, 100*x.found/ways[0].all[i].whole)
			}
			slices.Sort(first)
			found := func(l learnt) float64 { return l.found }
			margin := func(l learnt) float64 { return l.margin }
			t.Logf("figure: width %g to %g %%, %s: found in 10, 25, 50, 100 %% of the time %.0f, %.0f, %.0f, %.0f %%; "+
				"depth within 3 dB %.0f, %.0f, %.0f %%; half of the first upsets came within %.1f %% of the time",
				100*width[0], 100*width[1], w.name, share(w.all, 0.1, found), share(w.all, 0.25, found),
				share(w.all, 0.5, found), share(w.all, 1, found), share(w.all, 0.1, margin), share(w.all, 0.25, margin),
				share(w.all, 0.5, margin), first[len(first)/2])
		}
		if sweep, timed := ways[0].all, ways[1].all; width[0] >= 0.02 {
			for _, part := range []float64{0.1, 0.25, 0.5} {
				found := func(l learnt) float64 { return l.found }
				if a, b := share(sweep, part, found), share(timed, part, found); b < a+10 && b < 100 {
					t.Errorf("in %v of the time the sweep finds %.0f %%, from coarse to fine %.0f %%", part, a, b)
				}
			}
		}
	}
}

// nearest is the frequency of a grid that is nearest to another one.
func nearest(grid []rf.Frequency, f rf.Frequency) rf.Frequency {
	return slices.MinFunc(grid, func(a, b rf.Frequency) int {
		return int(math.Copysign(1, math.Abs(math.Log(float64(a/f)))-math.Abs(math.Log(float64(b/f)))))
	})
}

// A band between two frequencies of a round is found in a later one, and never by one that time kept from being made.
func TestABandBetweenTwoFrequenciesIsFoundByTheNextRound(t *testing.T) {
	p := timedPlan(grid(1e6, 1, 401))
	_, none := carryOut(t, p, victim{on: func(rf.Frequency) float64 { return never }})
	at := visited(none)
	last := at[len(at)-1] // the last frequency of all
	band := victim{on: func(f rf.Frequency) float64 {
		if f == last {
			return -5
		}
		return never
	}, off: func(rf.Frequency) float64 { return -8 }}
	_, all := carryOut(t, p, band)
	first := slices.IndexFunc(all, func(r Result) bool { return r.Outcome.Upset })
	if first != len(p.Grid)-1 {
		t.Errorf("it upset at exposure %d", first+1)
	}
	for n, r := range Fold(p.Search.Resolution, all[:first]) {
		if r.Upset || r.Frequency == last {
			t.Errorf("%d: %v", n, r.Frequency)
		}
	}
}
