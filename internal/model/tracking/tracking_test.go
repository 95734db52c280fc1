package tracking

import (
	"flag"
	"math"
	"math/rand/v2"
	"sort"
	"testing"

	"pgregory.net/rapid"

	"provoke/internal/model/threshold"
)

// long takes the numbers of runs that docs/confidence.md tells; without it, a sample that fits into a test command.
var long = flag.Bool("long", false, "simulate as many products as docs/confidence.md tells")

func runs(sample, full int) int {
	if *long {
		return full
	}
	return sample
}

// product is a simulated one: its onset, the spread of a random one, and what levels scatter by. What the track is told
// of a level is off by as much again, as a meter is.
type simulated struct {
	onset, spread, scatter float64
	r                      *rand.Rand
	// known are the levels set, in tenths of a decibel, that are known to upset: how often in a row each passed since.
	known map[int]int
}

func (d *simulated) expose(set float64) Trial {
	level := set + 0.1 + d.scatter*d.r.NormFloat64()
	x := Trial{set, level + d.scatter*d.r.NormFloat64(), level+d.spread*d.r.NormFloat64() >= d.onset}
	note(d.known, x)
	return x
}

// note keeps which levels are known to upset: those that were not stood three times in a row since.
func note(known map[int]int, x Trial) {
	for level := range known {
		if math.Abs(float64(level)/10-x.Set) < 0.05 || x.Upset == false && x.Set > float64(level)/10 {
			if known[level]++; x.Upset {
				known[level] = 0
			}
		}
		if known[level] >= 3 {
			delete(known, level)
		}
	}
	if x.Upset {
		known[int(math.Round(10*x.Set))] = 0
	}
}

// lowestKnown is the lowest level known to upset.
func lowestKnown(known map[int]int) float64 {
	out := math.Inf(1)
	for level := range known {
		out = math.Min(out, float64(level)/10)
	}
	return out
}

func config(expected float64) Config {
	return Config{Low: -40, High: 0, Step: 0.5, Scatter: 0.1, Expected: expected}
}

func newSimulated(r *rand.Rand, spread float64) (*simulated, *Track) {
	d := &simulated{onset: -15 + 10*r.Float64(), spread: spread, scatter: 0.1, r: r, known: map[int]int{}}
	return d, New(config(d.onset + r.NormFloat64()))
}

func holds(c Change, truth float64) bool {
	return (c.LowOpen || c.Low <= truth) && (c.HighOpen || truth <= c.High)
}

// changes simulates changes of a deterministic product by 1 to 20 dB, either way, and gives what is known of them after
// so many exposures.
func changes(t *testing.T, n, exposures int, declared bool) {
	r := rand.New(rand.NewPCG(16, uint64(exposures)))
	within, held, open := 0, 0, 0
	var widths []float64
	for range n {
		d, tr := newSimulated(r, 0)
		for range 16 {
			tr.Add(d.expose(tr.Next()))
		}
		before, was := tr.Now(), d.onset
		d.onset += (1 + 19*r.Float64()) * float64(2*r.IntN(2)-1)
		if d.onset > 0 {
			d.onset = 2*was - d.onset
		}
		if declared {
			tr.Changed()
			clear(d.known)
		}
		for i := range exposures {
			set := tr.Next()
			if known := lowestKnown(d.known); declared && set > known+0.01 {
				t.Fatalf("%g dB is above %g dB, which upset", set, known)
			}
			if declared && i == 0 && !before.LowOpen && set > before.Low+0.5 {
				t.Fatalf("the first exposure after hands is at %g dB, above what the product stood before, %g dB", set,
					before.Low)
			}
			tr.Add(d.expose(set))
		}
		c := Between(before, tr.Now())
		if math.Abs(c.Middle-(d.onset-was)) <= 1 {
			within++
		}
		if holds(c, d.onset-was) {
			held++
		}
		if c.LowOpen || c.HighOpen {
			open++
			continue
		}
		widths = append(widths, c.High-c.Low)
	}
	sort.Float64s(widths)
	share := func(k int) float64 { return 100 * float64(k) / float64(n) }
	words := "told"
	if !declared {
		words = "not told"
	}
	t.Logf("figure: change of 1 to 20 dB, %s, %d exposures: within 1 dB in %.1f %% of %d, limits hold it in %.1f %%, "+
		"open in %.1f %%, median width %.2f dB", words, exposures, share(within), n, share(held), share(open),
		widths[len(widths)/2])
	if !declared {
		if exposures >= 16 && (share(within) < 90 || share(held) < 90) {
			t.Error("a change that nobody told of is not followed")
		}
		return
	}
	if share(within) < 90 || share(held) < 93 {
		t.Error("promised are 90 % within 1 dB, and limits that hold in 93 %")
	}
	// Twice the resolution, and what four levels scatter by.
	if most := 2*0.5 + 4*0.1; widths[len(widths)/2] > most {
		t.Errorf("promised is a median width of at most %.2f dB", most)
	}
}

func TestAChangeIsKnownAfterEightExposures(t *testing.T) {
	changes(t, runs(200, 5000), 8, true)
	changes(t, runs(100, 5000), 12, true)
}

func TestAChangeThatNobodyToldOfIsFollowed(t *testing.T) {
	for _, n := range []int{8, 12, 16} {
		changes(t, runs(100, 3000), n, false)
	}
}

// Without any change none may be noticed: fewer than 1 in 200 exposures, by the upper limit of what was counted.
func TestNoChangeIsNoticedWhereThereIsNone(t *testing.T) {
	all, exposures := 0, 0
	for _, spread := range []float64{0, 0.3, 1, 2, 4} {
		r := rand.New(rand.NewPCG(16, uint64(10*spread)))
		changed, n, told := 0, 0, 0
		products := runs(40, 1000)
		for range products {
			d, tr := newSimulated(r, spread)
			for range 40 {
				n++
				if tr.Add(d.expose(tr.Next())) {
					changed++
				}
			}
			if tr.Now().Kind == Random {
				told++
			}
		}
		_, high, err := threshold.ClopperPearson(changed, n, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		t.Logf("figure: spread %.1f dB: %d changes noticed in %d exposures without one (at most 1 in %.0f, 95 %%); "+
			"told to be "+
			"random: %d of %d", spread, changed, n, 1/high, told, products)
		if float64(changed) >= float64(n)/200 {
			t.Error("promised are fewer than 1 in 200")
		}
		all, exposures = all+changed, exposures+n
		if spread == 0 && told > 0 {
			t.Error("a deterministic product is called random")
		}
	}
	if _, high, _ := threshold.ClopperPearson(all, exposures, 0.95); high >= 1.0/200 {
		t.Errorf("%d of %d exposures: promised are fewer than 1 in 200, shown is 1 in %.0f", all, exposures, 1/high)
	}
}

func TestLimitsOfARandomProductHoldTheTruth(t *testing.T) {
	for _, spread := range []float64{1, 2, 4} {
		r := rand.New(rand.NewPCG(17, uint64(spread)))
		n := runs(50, 3000)
		held, above := map[int]int{}, 0
		for range n {
			d, tr := newSimulated(r, spread)
			for i := 1; i <= 40; i++ {
				set := tr.Next()
				if tr.random && tr.expected90() < set {
					above++
				}
				tr.Add(d.expose(set))
				if e := tr.Now(); i == 20 || i == 40 {
					if (e.LowOpen || e.Low <= d.onset) && (e.HighOpen || d.onset <= e.High) {
						held[i]++
					}
				}
			}
		}
		for _, i := range []int{20, 40} {
			share := 100 * float64(held[i]) / float64(n)
			t.Logf("figure: random product, spread %.0f dB, %d exposures: limits hold the level of 50 %% in %.1f %% "+
				"of %d",
				spread, i, share, n)
			if share < 93 {
				t.Error("promised are 93 %")
			}
		}
		if above > 0 {
			t.Errorf("%d exposures were above the level with an expected upset probability of 0.9", above)
		}
	}
}

// expected90 is the highest level at which the product is expected to upset with a probability of 0.9 at most, by a
// sum of its own over the table of beliefs.
func (t *Track) expected90() float64 {
	top, belief := math.Inf(-1), t.belief()
	for n := 0; float64(n)*t.c.Step <= t.c.High-t.c.Low; n++ {
		set, p := t.c.High-float64(n)*t.c.Step, 0.0
		for i, b := range belief {
			c := t.cells[i]
			p += b * (lapse + (1-2*lapse)*(0.5+0.5*math.Erf((set-c.onset)/(c.spread*math.Sqrt2))))
		}
		if p <= 0.9 {
			top = math.Max(top, set)
		}
	}
	return math.Max(top, t.c.Low)
}

// Whatever outcomes come, no exposure lies outside the range or between its steps, or above the lowest level that upset
// the product as it is.
func TestATrackStaysWhereItMay(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := config(rapid.SampledFrom([]float64{math.NaN(), -60, -20, -3, 0, 12}).Draw(t, "expected"))
		tr := New(c)
		known := map[int]int{}
		for range 40 {
			if rapid.IntRange(0, 9).Draw(t, "hands") == 0 {
				tr.Changed()
				clear(known)
			}
			set := tr.Next()
			if set > c.High+1e-9 || set < c.Low-1e-9 || math.Abs(set/c.Step-math.Round(set/c.Step)) > 1e-6 {
				t.Fatalf("%g dB is outside %+v or between its steps", set, c)
			}
			if upset := lowestKnown(known); !tr.random && set > upset+0.01 {
				t.Fatalf("%g dB is above %g dB, which upset", set, upset)
			}
			x := Trial{set, set + rapid.Float64Range(0, 0.3).Draw(t, "over"), rapid.Bool().Draw(t, "upset")}
			if note(known, x); tr.Add(x) || tr.random {
				clear(known)
			}
			e := tr.Now()
			for _, v := range []float64{e.Level, e.Low, e.High} {
				if math.IsNaN(v) {
					t.Fatalf("%+v", e)
				}
			}
			if !e.LowOpen && !e.HighOpen && e.Low > e.High {
				t.Fatalf("limits cross: %+v", e)
			}
		}
	})
}

func TestWhatTheBenchDoesNotReachIsNotAskedForAgain(t *testing.T) {
	tr := New(config(0))
	tr.Reaches(-6.2)
	for range 5 {
		set := tr.Next()
		if set > -6 {
			t.Fatalf("%g dB is asked for, and -6.2 dB is reached", set)
		}
		tr.Add(Trial{set, math.Min(set, -6.2), false})
	}
	if !tr.AtTop() || !tr.Now().HighOpen {
		t.Errorf("%+v", tr.Now())
	}
}

// A product that was deterministic and now stands the level wanted has gained at least what lies between.
func TestAProductThatNoLongerUpsetsHasGained(t *testing.T) {
	d, tr := newSimulated(rand.New(rand.NewPCG(19, 1)), 0)
	d.onset = -5
	for range 30 {
		tr.Add(d.expose(tr.Next()))
	}
	before := tr.Now()
	d.onset = 12
	tr.Changed()
	for !tr.AtTop() {
		tr.Add(d.expose(tr.Next()))
	}
	if c := Between(before, tr.Now()); !c.Shown() || !c.HighOpen || c.Low < 4 || c.Low > 5.2 {
		t.Errorf("%+v after %d exposures: %+v", c, len(tr.trials), tr.Now())
	}
	// Of a random one a single exposure shows little.
	d, tr = newSimulated(rand.New(rand.NewPCG(19, 2)), 3)
	d.onset = -8
	for range 40 {
		tr.Add(d.expose(tr.Next()))
	}
	before = tr.Now()
	tr.Changed()
	tr.Add(Trial{Set: 0, Level: 0.1})
	if c := Between(before, tr.Now()); before.Kind != Random || c.Shown() {
		t.Errorf("%+v, shown by one exposure: %+v", before, c)
	}
}

// A–B–A–B: the mean of differences that share no exposure, with limits by Student's t. Three pairs of +4, +5 and +6 dB
// have a standard deviation of 1 dB and t of 4.303 at 2 degrees of freedom (tables): ±2.48 dB.
func TestPairsArePooled(t *testing.T) {
	pair := func(d float64) Change { return Change{d, d - 0.5, d + 0.5, false, false} }
	pooled := func(changes ...Change) Change { return Pooled([][]Change{changes})[0] }
	c := pooled(pair(4), pair(5), pair(6))
	if math.Abs(c.Middle-5) > 1e-9 || math.Abs(c.High-5-4.302653/math.Sqrt(3)) > 1e-5 || !c.Shown() {
		t.Errorf("%+v", c)
	}
	if c := pooled(pair(3), pair(3)); math.Abs(c.High-c.Low-1) > 1e-9 {
		t.Errorf("pairs that agree exactly are not known better than each: %+v", c)
	}
	if c := pooled(pair(-1), pair(1.5)); c.Shown() {
		t.Errorf("shown: %+v", c)
	}
	if c := pooled(pair(2), Change{Middle: 3, Low: 2, HighOpen: true}); !c.HighOpen || c.LowOpen {
		t.Errorf("%+v", c)
	}
	// At two places, 3 and 5 dB at one, 6 and 8 dB at the other: Σ of squares 4 over 2 degrees of freedom, and a third
	// place with one change has what they scatter by too.
	three := Pooled([][]Change{{pair(3), pair(5)}, {pair(6), pair(8)}, {pair(1)}, nil})
	if half := 4.302653 * math.Sqrt2 / math.Sqrt2; math.Abs(three[0].High-4-half) > 1e-5 ||
		math.Abs(three[2].High-1-half*math.Sqrt2) > 1e-5 || !three[3].LowOpen {
		t.Errorf("%+v", three)
	}
	if c := pair(2).Against(); c.Middle != -2 || c.Low != -2.5 || c.High != -1.5 || !c.Shown() {
		t.Errorf("%+v", c)
	}
}

// The limits of pooled pairs hold the truth where hands alone move the onset by a normal deviate of 1 dB.
func TestPooledPairsHoldTheTruth(t *testing.T) {
	r := rand.New(rand.NewPCG(18, 1))
	n := 4000
	for _, pairs := range []int{2, 3, 5} {
		held := 0
		for range n {
			var c, c2 []Change // at two frequencies
			for range pairs {
				before, after := r.NormFloat64(), 3+r.NormFloat64()
				other, moved := r.NormFloat64(), r.NormFloat64()
				bracket := func(x float64) Estimate {
					low := math.Floor(x/0.5) * 0.5
					return Estimate{Level: low + 0.25, Low: low, High: low + 0.5, Kind: Deterministic, Exposures: 8}
				}
				c = append(c, Between(bracket(before), bracket(after)))
				c2 = append(c2, Between(bracket(other), bracket(moved)))
			}
			if holds(Pooled([][]Change{c, c2})[0], 3) {
				held++
			}
		}
		share := 100 * float64(held) / float64(n)
		t.Logf("figure: %d pairs: limits hold the difference in %.1f %% of %d", pairs, share, n)
		if share < 93 {
			t.Error("promised are 93 %")
		}
	}
}

func BenchmarkEstimateOfARandomProduct(b *testing.B) {
	d, tr := newSimulated(rand.New(rand.NewPCG(1, 1)), 2)
	for range 60 {
		tr.Add(d.expose(tr.Next()))
	}
	tr.random = true
	for b.Loop() {
		tr.now = nil
		tr.Now()
	}
}

func BenchmarkExposure(b *testing.B) {
	d, tr := newSimulated(rand.New(rand.NewPCG(1, 1)), 0)
	for b.Loop() {
		tr.Add(d.expose(tr.Next()))
		if tr.total%200 == 0 {
			tr.Changed()
		}
	}
}
