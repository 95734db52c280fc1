package sweep_test

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"provoke/internal/model/sweep"
)

var trials = flag.Int("trials", 2000, "products of the trial of free sweeps")

// product is a simulated device under test, stepped through time: it knows nothing of how bands are
// worked out.
type product struct {
	bands    [][2]float64 // Hz, in ascending order
	delay    float64      // s from the cause to what shows, and back
	jitter   float64      // share of it, either way
	latching bool
	looks    float64 // s between looks
	late     float64 // s that a reset takes
	again    float64 // share of the delay that an upset after a reset takes
	missed   float64 // chance that resets do nothing in a pass
}

func (p product) in(f float64) int {
	return slices.IndexFunc(p.bands, func(b [2]float64) bool { return f >= b[0] && f <= b[1] })
}

// place is where a source is after t of a pass, by its own clock.
func place(s sweep.Sweep, t float64) float64 {
	part := min(t/s.Time.Seconds(), 1)
	a, b := s.From.Hz(), s.To.Hz()
	if s.Law == sweep.Linear {
		return a + part*(b-a)
	}
	return a * math.Pow(b/a, part)
}

// pass runs one pass in small steps of time. The source's clock runs by pace, the beginning is marked
// late by so much. What it returns is what a watcher with a reset after 3 s would note; blind is the
// longest time between an upset and the look that saw the product well after a reset, Inf where it
// never was, 0 where no reset was given.
func (p product) pass(r *rand.Rand, s sweep.Sweep, pace, marked, within float64) (o sweep.Observed, blind float64) {
	const dt = 0.01
	o = sweep.Observed{Sweep: s, Within: seconds(within)}
	once := func() float64 { return p.delay * (1 + p.jitter*(2*r.Float64()-1)) }
	dead := r.Float64() < p.missed
	type change struct {
		at float64
		to bool
	}
	inside, shows, latched := false, false, false
	var coming []change // of what shows
	next, resets, asked := p.looks*r.Float64(), math.Inf(1), math.Inf(-1)
	lastGood, lastBad, open, wasReset := 0.0, 0.0, -1, false
	look := func(a, b float64) sweep.Look {
		return sweep.Look{From: seconds(max(a, 0)), To: max(seconds(b), 1)}
	}
	given := 0.0
	// a step of time is a sum in a linear sweep, a factor in a log one
	f, on := place(s, marked/pace), place(s, (marked+dt)/pace)
	if marked < 0 {
		f, on = place(s, 0), place(s, dt/pace)
	}
	sum, factor := on-f, on/f
	for t := 0.0; t < s.Time.Seconds()-max(marked, 0); t += dt {
		if t+marked > 0 {
			if s.Law == sweep.Linear {
				f += sum
			} else {
				f *= factor
			}
		}
		if now := p.in(f) >= 0; now != inside {
			inside = now
			coming = append(coming, change{t + once(), now})
		}
		for len(coming) > 0 && t >= coming[0].at {
			shows, coming = coming[0].to, coming[1:]
			latched = latched || shows
		}
		if t >= resets { // the product begins anew: what is in the band takes its time again
			resets = math.Inf(1)
			if wasReset, given = true, asked; !dead {
				latched, shows, coming = false, false, nil
				if inside {
					coming = []change{{t + once()*p.again, true}}
				}
			}
		}
		if t < next {
			continue
		}
		next += p.looks
		switch bad := shows || p.latching && latched; {
		case bad && open < 0:
			open = len(o.Upsets)
			o.Upsets = append(o.Upsets, sweep.Seen{Onset: look(lastGood, t), Monitor: "kg"})
			lastBad = t
		case bad:
			lastBad = t
			if t-o.Upsets[open].Onset.To.Seconds() > 3 && t-asked > 3 && math.IsInf(resets, 1) {
				asked, resets = t, t+p.late*r.Float64()
			}
		case open >= 0:
			if u := &o.Upsets[open]; wasReset {
				u.Reset = look(given, t)
				blind = max(blind, t-u.Onset.From.Seconds())
			} else {
				u.Recovery = look(lastBad, t)
			}
			open, wasReset, lastGood = -1, false, t
		default:
			lastGood = t
		}
	}
	if open >= 0 && (p.latching || wasReset || dead) {
		blind = math.Inf(1)
	}
	return o, blind
}

// drawn is one trial: a product, its sweeps, what was seen, and what the passes can tell apart.
type drawn struct {
	product
	observed []sweep.Observed
	tells    bool   // every gap exceeds what each pass resolves
	seen     []bool // by band: a look could fall into it
	lost     bool   // a pass did not get the product back
	words    string
}

const limit = 3 * time.Second // the longest latency that is allowed for

func draw(seed uint64) drawn {
	r := rand.New(rand.NewPCG(seed, 11))
	between := func(a, b float64) float64 { return a + (b-a)*r.Float64() }
	d := drawn{product: product{delay: between(0.05, 1.5), jitter: 0.1, again: between(0, 1), latching: r.IntN(2) == 0,
		looks: between(0.05, 0.5), late: between(0, 3)}}
	if r.IntN(8) == 0 {
		d.missed = 0.5
	}
	base := sweep.Sweep{Law: sweep.Linear, From: 1 * MHz, To: 30 * MHz, Time: seconds(between(60, 200)),
		Tolerance: 0.002}
	if r.IntN(2) == 0 {
		base.Law, base.From, base.To = sweep.Log, 150*kHz, 80*MHz
	}
	// Bands are drawn as shares of the sweep's time, so that their number does not hang on its law.
	n := 1 + r.IntN(4)
	var ends []float64
	for range 2 * n {
		ends = append(ends, between(0.03, 0.97))
	}
	slices.Sort(ends)
	for i := range n {
		a, b := ends[2*i], ends[2*i+1]
		if r.IntN(2) == 0 { // as many narrow ones as wide
			b = a + (b-a)*0.1*r.Float64()
		}
		b = max(b, a+0.0005)
		whole := base
		whole.Time = time.Second
		d.bands = append(d.bands, [2]float64{place(whole, a), place(whole, b)})
	}
	times := []float64{1}
	if r.IntN(2) == 0 {
		times = append(times, between(0.4, 0.7))
	}
	within := between(0.02, 0.5)
	type passed struct {
		s     sweep.Sweep
		blind float64
	}
	var all []passed
	for _, x := range times {
		s := base
		s.Time = seconds(base.Time.Seconds() * x)
		for _, s := range []sweep.Sweep{s, s.Reversed()} {
			o, blind := d.pass(r, s, 1+s.Tolerance*(2*r.Float64()-1), within*(2*r.Float64()-1), within)
			d.observed, all = append(d.observed, o), append(all, passed{s, blind})
			d.lost = d.lost || math.IsInf(blind, 1)
		}
	}
	d.tells, d.seen = true, make([]bool, n)
	for i, b := range d.bands {
		// A product that recovers between two looks was not seen.
		for _, p := range all {
			d.seen[i] = d.seen[i] || d.latching || stay(p.s, b[0], b[1]) > d.looks+2*d.jitter*d.delay
		}
		d.tells = d.tells && d.seen[i]
	}
	for _, p := range all {
		// Without a reset a gap shows when a look falls into it; with one the pass is blind until the
		// product is well, and does not know for the longest latency afterwards that the band has ended.
		need := 2*d.looks + 2*d.jitter*d.delay
		if p.blind > 0 {
			need = p.blind + limit.Seconds() + 2*d.looks + d.delay
		}
		for i := 1; i < n; i++ {
			d.tells = d.tells && stay(p.s, d.bands[i-1][1], d.bands[i][0]) > need
		}
	}
	d.words = fmt.Sprintf("seed %d: %s %v, %d rates, latching %t, delay %.2f s, looks %.2f s, mark %.2f s, lost %t",
		seed, base.Law, base.Time, len(times), d.latching, d.delay, d.looks, within, d.lost)
	return d
}

// stay is how long a pass takes from one frequency to a higher one.
func stay(s sweep.Sweep, a, b float64) float64 {
	low, high := s.Ends()
	if s.Law == sweep.Linear {
		return s.Time.Seconds() * (b - a) / float64(high-low)
	}
	return s.Time.Seconds() * math.Log(b/a) / math.Log(float64(high/low))
}

// Free sweeps of 2,000 products: whether each limit holds the truth, whether the number of bands is
// right where the passes can tell it, and whether the stepped run afterwards covers every band.
func TestLimitsOfBandsHoldOverManyProducts(t *testing.T) {
	type tally struct {
		bandsTold, told, right, bands, covered int
		held                                   [4]int    // by limit: lower end least and most, upper end least and most
		widths                                 []float64 // s of sweep time that the limits of one end leave open
	}
	kinds := map[string]*tally{}
	failed := 0
	for seed := range uint64(*trials) {
		d := draw(seed)
		got := sweep.Bands(d.observed, limit)
		kind := "recovers by itself"
		if d.latching {
			kind = "latching"
		}
		if len(d.observed) > 2 {
			kind += ", two rates"
		} else {
			kind += ", one rate"
		}
		k := kinds[kind]
		if k == nil {
			k = &tally{}
			kinds[kind] = k
		}
		if d.tells && !d.lost {
			k.told++
			if len(got) == len(d.bands) {
				k.right++
			}
		}
		bad := ""
		for i, b := range got {
			low, high, any := d.truth(b, got, i)
			k.bandsTold++
			for e, x := range []struct{ truth, least, most float64 }{{low, b.LowLeast.Hz(), b.LowMost.Hz()},
				{high, b.HighLeast.Hz(), b.HighMost.Hz()}} {
				if any && x.truth >= x.least {
					k.held[2*e]++
				}
				if any && x.truth <= x.most {
					k.held[2*e+1]++
				}
				if !any || x.truth < x.least || x.truth > x.most {
					bad += fmt.Sprintf("\n  %.6g not in %.6g to %.6g", x.truth, x.least, x.most)
				}
				if !d.lost {
					k.widths = append(k.widths, stay(d.observed[0].Sweep, x.least, x.most))
				}
			}
		}
		for i, b := range d.bands {
			if !d.seen[i] {
				continue
			}
			k.bands++
			if slices.ContainsFunc(got, func(g sweep.Band) bool {
				return g.SearchLow.Hz() <= b[0] &&
					g.SearchHigh.Hz() >= b[1]
			}) {
				k.covered++
			} else {
				bad += fmt.Sprintf("\n  %.6g to %.6g is not covered by any search", b[0], b[1])
			}
		}
		if d.tells && !d.lost && len(got) != len(d.bands) {
			bad += fmt.Sprintf("\n  %d bands", len(got))
		}
		if bad != "" && failed < 4 {
			failed++
			t.Logf("%s\n  truth %.6g, told %s%s", d.words, d.bands, tellAll(got), bad)
		}
	}
	for name, k := range kinds {
		held, right, covered := float64(slices.Min(k.held[:]))/float64(k.bandsTold), float64(k.right)/float64(k.told),
			float64(k.covered)/float64(k.bands)
		slices.Sort(k.widths)
		t.Logf("figure: free sweeps, %s: the worst of the four limits holds the truth in %.1f %% of %d bands told, "+
			"the number of bands is right in %.1f %% of %d, %.1f %% of %d bands lie in a search; median width of the "+
			"limits of one end %.2f s of the sweep",
			name, 100*held, k.bandsTold, 100*right, k.told, 100*covered, k.bands, k.widths[len(k.widths)/2])
		if held < 0.94 || right < 0.98 || covered < 0.98 || k.told < *trials/20 {
			t.Errorf("%s: limits hold in %.3f, numbers in %.3f, searches in %.3f", name, held, right, covered)
		}
	}
}

func tellAll(bands []sweep.Band) (s string) {
	for _, b := range bands {
		s += fmt.Sprintf("[%.6g…%.6g to %.6g…%.6g] ", b.LowLeast.Hz(), b.LowMost.Hz(), b.HighLeast.Hz(),
			b.HighMost.Hz())
	}
	return s
}

// truth is what a band that was told stands for: the true band whose middle is nearest to its own, and,
// where several true bands are nearest to it, all of these from the lowest to the highest.
func (d drawn) truth(b sweep.Band, all []sweep.Band, i int) (low, high float64, any bool) {
	for _, x := range d.bands {
		best, apart := -1, math.Inf(1)
		for k, g := range all {
			if y := math.Abs(math.Log(x[0] * x[1] / (g.Low.Hz() * g.High.Hz()))); y < apart {
				best, apart = k, y
			}
		}
		if best != i {
			continue
		}
		if !any {
			low = x[0]
		}
		high, any = x[1], true
	}
	return low, high, any
}

// The case that was filed: a product that latches between 17.3 and 23.2 MHz. It upsets on the way up at
// 17.33 MHz and again after each reset inside the band, and on the way down at 23.2 MHz.
func TestReupsetsAfterAResetBelongToTheBand(t *testing.T) {
	p := product{bands: [][2]float64{{17.3e6, 23.2e6}}, delay: 0.1, again: 1, latching: true, looks: 0.1, late: 0.05}
	s := sweep.Sweep{Law: sweep.Log, From: 150 * kHz, To: 80 * MHz, Time: 120 * time.Second}
	r := rand.New(rand.NewPCG(1, 2))
	up, _ := p.pass(r, s, 1, 0, 0.1)
	down, _ := p.pass(r, s.Reversed(), 1, 0, 0.1)
	if len(up.Upsets) < 2 || len(down.Upsets) < 2 {
		t.Fatalf("%d and %d upsets: the case shows nothing", len(up.Upsets), len(down.Upsets))
	}
	bands := sweep.Bands([]sweep.Observed{up, down}, limit)
	if len(bands) != 1 {
		t.Fatalf("%d bands: %s", len(bands), tellAll(bands))
	}
	b := bands[0]
	t.Logf("figure: the band of 17.3 to 23.2 MHz is told as %v to %v, lower end %v to %v, upper end %v to %v, search "+
		"%v to %v", b.Low, b.High, b.LowLeast, b.LowMost, b.HighLeast, b.HighMost, b.SearchLow, b.SearchHigh)
	if b.LowLeast > 17.3*MHz || b.LowMost < 17.3*MHz || b.HighLeast > 23.2*MHz || b.HighMost < 23.2*MHz ||
		b.SearchLow > 17.3*MHz || b.SearchHigh < 23.2*MHz {
		t.Errorf("the limits %s do not hold the truth", tellAll(bands))
	}
	if len(b.Notes) == 0 {
		t.Error("nothing is said of the upsets after resets")
	}

	// On the way up alone nothing bounds the upper end but the look that found the product well.
	alone := sweep.Bands([]sweep.Observed{up}, limit)
	if len(alone) != 1 || alone[0].HighLeast > 23.2*MHz || alone[0].HighMost < 23.2*MHz {
		t.Errorf("the way up alone: %s", tellAll(alone))
	}
	// Where no reset brought it back, everything behind was not looked at.
	up.Upsets = up.Upsets[:1]
	up.Upsets[0].Reset = sweep.Look{}
	alone = sweep.Bands([]sweep.Observed{up}, limit)
	if len(alone) != 1 || alone[0].HighMost < s.To*0.999 || alone[0].SearchHigh < s.To*0.999 {
		t.Errorf("a pass that never got the product back: %s", tellAll(alone))
	}
}

// A band in the middle that both passes crossed while the product was still upset by its neighbours was seen by
// nobody: it is said, and the stepped run goes there. 1 MHz/s; bands at 20, 25 and 30 MHz, each 0.1 MHz wide; a
// reset brings the product back 6 s after its upset.
func TestWhatEveryPassWasBlindForIsSteppedOver(t *testing.T) {
	s := sweep.Sweep{Law: sweep.Linear, From: 1 * MHz, To: 61 * MHz, Time: 60 * time.Second}
	upset := func(onset float64) sweep.Seen {
		return sweep.Seen{Onset: sweep.Look{From: seconds(onset - 0.1), To: seconds(onset)},
			Reset: sweep.Look{From: seconds(onset + 5.8), To: seconds(onset + 6)}}
	}
	up := sweep.Observed{Sweep: s, Upsets: []sweep.Seen{upset(19.1), upset(29.1)}}
	down := sweep.Observed{Sweep: s.Reversed(), Upsets: []sweep.Seen{upset(31), upset(41)}}
	bands := sweep.Bands([]sweep.Observed{up, down}, limit)
	if len(bands) != 2 {
		t.Fatalf("%d bands: %s", len(bands), tellAll(bands))
	}
	stepped, said := false, false
	for _, b := range bands {
		stepped = stepped || b.SearchLow <= 25*MHz && b.SearchHigh >= 25.1*MHz
		said = said || strings.Contains(strings.Join(b.Notes, "\n"), "no pass could see")
		if b.LowLeast <= 25.1*MHz && b.HighMost >= 25*MHz {
			t.Errorf("the limits of a band hold what nobody saw: %s", tellAll(bands))
		}
	}
	if !stepped || !said {
		t.Errorf("stepped over %t, said %t: %+v", stepped, said, bands)
	}
}
