package plan

import (
	"encoding/json"
	"flag"
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"provoke/internal/units/rf"
)

var update = flag.Bool("update", false, "write the golden files anew")

// victim is a device under test for a program: it upsets at and above on(f), and is well again on
// the way down at and below off(f), both against the level wanted. It is reset between trials.
type victim struct {
	on, off  func(rf.Frequency) float64
	latches  func(rf.Frequency) bool
	reach    func(rf.Frequency) float64 // highest offset the bench reaches
	coin     func() bool                // an upset that is due is seen only when it says so
	windowed func(f rf.Frequency, offset float64) bool
	graded   func(f rf.Frequency, offset float64) *Graded // what readings say after a pass
}

const never = 1e3 // dB above the level wanted

// meet does a step and returns what came of it.
func (v victim) meet(s Step) Outcome {
	f := s.Point.Frequency
	o := Outcome{Number: s.Number, Exposures: 1}
	level := float64(s.Offset)
	if v.reach != nil && level > v.reach(f) {
		o.NotReached = true
		level = v.reach(f)
	}
	o.Upset = level >= v.on(f)-1e-9
	if v.windowed != nil && v.windowed(f, level) {
		o.Upset = true
	}
	if o.Upset && v.coin != nil && !v.coin() {
		o.Upset = false
	}
	if !o.Upset {
		if v.graded != nil && s.Purpose != Recover {
			o.Graded = v.graded(f, level)
		}
		return o
	}
	if v.latches != nil && v.latches(f) {
		o.Latched = true
		return o
	}
	for _, d := range s.Descend {
		o.Exposures++
		if v.off != nil && float64(d) <= v.off(f)+1e-9 {
			at := d
			o.RecoveredAt = &at
			break
		}
	}
	return o
}

// grid returns n frequencies from low on, each the given per cent above the one before.
func grid(low rf.Frequency, percent float64, n int) []rf.Frequency {
	out := []rf.Frequency{low}
	for len(out) < n {
		out = append(out, rf.Frequency(math.Round(float64(out[len(out)-1])*(1+percent/100))))
	}
	return out
}

func testPoint(f rf.Frequency) (Point, error) {
	return Point{Frequency: f, Target: rf.DBuA(80), Drive: rf.DBm(-20), Ceiling: rf.DBm(-14)}, nil
}

func testPlan(grid []rf.Frequency) *Plan {
	return &Plan{Kind: Exposure, Mode: ClosedLoop, Grid: grid, Search: DefaultSearch()}
}

// carryOut runs a program to its end.
func carryOut(t interface {
	Helper()
	Fatalf(string, ...any)
}, p *Plan, v victim) (*Program, []Result) {
	t.Helper()
	g, err := NewProgram(p, testPoint)
	if err != nil {
		t.Fatalf("NewProgram: %v", err)
	}
	var all []Result
	for s, ok := g.Next(nil); ok; {
		o := v.meet(s)
		all = append(all, Result{s, o})
		if len(all) > 200*len(p.Grid)+1000 {
			t.Fatalf("the program does not end")
		}
		s, ok = g.Next(&o)
	}
	if g.Err() != nil {
		t.Fatalf("the program ended with %v", g.Err())
	}
	return g, all
}

// ramp is the exhaustive method: from the lowest level of the range up in resolution steps to the
// first upset, then down from it in resolution steps until the DUT is well.
type ramp struct {
	onset, recovery Offset
	toUpset, toTop  int // exposures up to and with the first upset, and all the way to the level wanted
}

func (v victim) ramp(f rf.Frequency, s Search) ramp {
	n := int(math.Floor(float64(s.Range/s.Resolution) + 1e-6))
	level := func(d int) float64 { return -float64(d) * float64(s.Resolution) }
	out := ramp{toTop: n + 1, toUpset: n + 1, onset: Offset{0, rf.AtLeast}, recovery: Offset{Bound: rf.Unknown}}
	for d := n; d >= 0; d-- {
		if level(d) < v.on(f)-1e-9 {
			continue
		}
		out.toUpset = n - d + 1
		out.onset = Offset{rf.Gain(level(d)), rf.Exactly}
		if d == n {
			out.onset.Bound = rf.AtMost
		}
		lowest := n + int(math.Floor(20/float64(s.Resolution)+1e-6))
		for r := d + 1; r <= lowest; r++ {
			if level(r) <= v.off(f)+1e-9 {
				out.recovery = Offset{rf.Gain(level(r)), rf.Exactly}
				return out
			}
		}
		out.recovery = Offset{rf.Gain(level(lowest)), rf.AtMost}
		return out
	}
	return out
}

func sameOffset(a, b Offset) bool {
	return a.Bound == b.Bound && math.Abs(float64(a.Gain-b.Gain)) < 1e-6
}

// compareWithRamp fails where the program's thresholds are not those of the exhaustive ramp.
func compareWithRamp(t interface {
	Helper()
	Fatalf(string, ...any)
}, p *Plan, g *Program, v victim) {
	t.Helper()
	found := g.Thresholds()
	byFrequency := map[rf.Frequency]Threshold{}
	for _, th := range found {
		byFrequency[th.Frequency] = th
	}
	for _, f := range p.Grid {
		th, ok := byFrequency[f]
		if !ok {
			t.Fatalf("%v was not tested", f)
		}
		want := v.ramp(f, p.Search)
		if !sameOffset(th.Onset, want.onset) || !sameOffset(th.Recovery, want.recovery) {
			t.Fatalf("%v: onset %v, recovery %v; the ramp finds %v, %v", f, th.Onset, th.Recovery, want.onset,
				want.recovery)
		}
	}
	for _, th := range found {
		if !th.Added {
			continue
		}
		if want := v.ramp(th.Frequency, p.Search); !sameOffset(th.Onset, want.onset) {
			t.Fatalf("added %v: onset %v; the ramp finds %v", th.Frequency, th.Onset, want.onset)
		}
	}
}

// checkCeiling fails when a step asks for more than the level wanted, or for more than the lowest
// level known to upset at its frequency, or rises by more than the approach beside a failing
// neighbour, or when a descent does not fall.
func checkCeiling(t interface {
	Helper()
	Fatalf(string, ...any)
}, p *Plan, all []Result) {
	t.Helper()
	lowest := map[rf.Frequency]rf.Gain{}
	for _, r := range all {
		f, s := r.Step.Point.Frequency, r.Step
		if s.Offset > 0 {
			t.Fatalf("step %v is above the level wanted", s)
		}
		if l, ok := lowest[f]; ok && s.Offset > l+1e-9 {
			t.Fatalf("step %v is above %v, which is known to upset there", s, l)
		}
		last := s.Offset
		for _, d := range s.Descend {
			if d >= last {
				t.Fatalf("step %v does not descend", s)
			}
			last = d
		}
		if l, ok := lowest[f]; r.Outcome.Upset && (!ok || s.Offset < l) {
			lowest[f] = s.Offset
		}
	}
}

// checkApproach fails when, at a frequency beside one that is known to fail, the first trial is not
// below that neighbour's onset (unless nothing in the range is), or a trial rises by more than the approach over what
// passed.
func checkApproach(t interface {
	Helper()
	Fatalf(string, ...any)
}, p *Plan, all []Result) {
	t.Helper()
	type state struct {
		tried, failed bool
		upset, pass   rf.Gain
	}
	at := map[rf.Frequency]*state{}
	neighbours := func(f rf.Frequency) (below, above rf.Frequency) {
		// One that is still to be visited hides those beyond.
		for _, g := range slices.AppendSeq(slices.Clone(p.Grid), maps.Keys(at)) {
			if g < f && g > below {
				below = g
			}
			if g > f && (above == 0 || g < above) {
				above = g
			}
		}
		return
	}
	for _, r := range all {
		f, s := r.Step.Point.Frequency, r.Step
		here := at[f]
		if here == nil {
			here = &state{}
			below, above := neighbours(f)
			for _, n := range []rf.Frequency{below, above} {
				if at[n] == nil || !at[n].failed {
					continue
				}
				if s.Offset >= at[n].upset-1e-9 && s.Offset-p.Search.Resolution >= -p.Search.Range-1e-9 {
					t.Fatalf("step %v starts at or above the onset %v of its neighbour %v", s, at[n].upset, n)
				}
				here.tried, here.pass = true, s.Offset
			}
			at[f] = here
		}
		if here.tried && !here.failed && s.Offset > here.pass+p.Search.Approach+1e-9 {
			t.Fatalf("step %v rises by more than %v over %v", s, p.Search.Approach, here.pass)
		}
		if r.Outcome.Upset {
			if !here.failed || s.Offset < here.upset {
				here.upset = s.Offset
			}
			here.failed = true
		} else if s.Purpose != Window {
			here.pass = max(here.pass, s.Offset)
			if !here.tried {
				here.pass = s.Offset
			}
		}
	}
}

// checkReplay feeds the outcomes to a new program and fails when its steps differ; at every stage a
// nil outcome must give the step not closed once more.
func checkReplay(t interface {
	Helper()
	Fatalf(string, ...any)
}, p *Plan, all []Result) {
	t.Helper()
	g, err := NewProgram(p, testPoint)
	if err != nil {
		t.Fatalf("NewProgram: %v", err)
	}
	s, ok := g.Next(nil)
	for i, r := range all {
		again, okAgain := g.Next(nil)
		if !ok || !okAgain || !cmp.Equal(s, r.Step, levels) || !cmp.Equal(again, s, levels) {
			t.Fatalf("step %d of the replay is %v and %v; it was %v", i+1, s, again, r.Step)
		}
		// The journal writes offsets as text; the outcome must survive it.
		data, err := json.Marshal(r.Outcome)
		if err != nil {
			t.Fatalf("%v", err)
		}
		var o Outcome
		if err := json.Unmarshal(data, &o); err != nil {
			t.Fatalf("%v", err)
		}
		s, ok = g.Next(&o)
	}
	if ok {
		t.Fatalf("the replay goes on with %v", s)
	}
}

var levels = cmp.Options{
	cmp.Comparer(func(a, b rf.Current) bool { return a == b }),
	cmp.Comparer(func(a, b rf.Power) bool { return a == b }),
	cmp.Comparer(func(a, b rf.Voltage) bool { return a == b }),
}

// parabola is a smooth band: a dip of the given depth below the level wanted, in units of log
// frequency, and a hysteresis.
func parabola(centre rf.Frequency, depth, halfWidth, hysteresis float64) victim {
	on := func(f rf.Frequency) float64 {
		x := math.Log(float64(f/centre)) / halfWidth
		return -depth * (1 - x*x)
	}
	return victim{on: on, off: func(f rf.Frequency) float64 { return on(f) - hysteresis }}
}

// resonance is a band shaped by a single tuned circuit: the susceptibility falls off on both sides.
func resonance(centre rf.Frequency, depth, q, hysteresis float64) victim {
	on := func(f rf.Frequency) float64 {
		x := q * (float64(f/centre) - float64(centre/f))
		return -depth + 10*math.Log10(1+x*x)
	}
	return victim{on: on, off: func(f rf.Frequency) float64 { return on(f) - hysteresis }}
}

// Smooth bands for which exposures are counted, everything included: confirmation, recovery level and low check.
var smooth = []struct {
	name    string
	percent float64
	n       int
	v       victim
}{
	{"parabola 12 dB deep, 1 % steps", 1, 90, parabola(27.12e6, 12, 0.15, 2.8)},
	{"parabola 15 dB deep, 1 % steps, slope to 2 dB a step", 1, 90, parabola(27.12e6, 15, 0.13, 2.3)},
	{"parabola 10 dB deep, 2 % steps", 2, 50, parabola(27.12e6, 10, 0.25, 1.2)},
	{"tuned circuit 12 dB deep, 1 % steps", 1, 110, resonance(30e6, 12, 12, 3.1)},
	{"tuned circuit 15 dB deep, 2 % steps, slope to 3 dB a step", 2, 60, resonance(30e6, 15, 13, 3.6)},
}

// counted does the search over a smooth band and counts the exposures at failing frequencies: of the search, and of the
// ramp all the way to the level wanted.
func counted(t *testing.T, p *Plan, v victim) (failing, mine, ramp int) {
	t.Helper()
	g, all := carryOut(t, p, v)
	compareWithRamp(t, p, g, v)
	checkCeiling(t, p, all)
	checkReplay(t, p, all)
	for _, th := range g.Thresholds() {
		if th.Upset {
			mine += th.Exposures
			ramp += v.ramp(th.Frequency, p.Search).toTop
			failing++
		}
	}
	return failing, mine, ramp
}

func TestSearchTakesAtMostATenthOfTheRampsExposuresOverASmoothBand(t *testing.T) {
	for _, c := range smooth {
		t.Run(c.name, func(t *testing.T) {
			p := testPlan(grid(19e6, c.percent, c.n))
			failing, mine, ramp := counted(t, p, c.v)
			t.Logf("figure: without graded readings, %s: %d failing frequencies, %.1f exposures each, 1/%.1f of the "+
				"ramp",
				c.name, failing, float64(mine)/float64(failing), float64(ramp)/float64(mine))
			if failing < 20 || 10*mine > ramp {
				t.Errorf("%d exposures at %d failing frequencies are more than a tenth of the ramp's %d", mine, failing,
					ramp)
			}
		})
	}
}

// With graded readings, as good as simulated ones (package graded): an error of 0.3 dB, standard deviation, worked out
// from what was read within 6 dB below the onset and at no other level. A frequency takes five at least: one that it
// stands, the upset, two on the way down between which it recovers, and the confirmation.
func TestSearchWithGradedReadingsTakesAboutFiveExposuresOverASmoothBand(t *testing.T) {
	for _, c := range smooth {
		t.Run(c.name, func(t *testing.T) {
			r := rand.New(rand.NewPCG(1, 2))
			c.v.graded = func(f rf.Frequency, offset float64) *Graded {
				if far := c.v.on(f) - offset; far > 6 {
					return nil
				}
				on := c.v.on(f) + 0.3*r.NormFloat64()
				return &Graded{Onset: rf.Gain(on), Low: rf.Gain(on - 0.6), High: rf.Gain(on + 0.6)}
			}
			for _, res := range []rf.Gain{0.5, 1, 2} {
				p := testPlan(grid(19e6, c.percent, c.n))
				p.Search.Resolution = res
				failing, mine, ramp := counted(t, p, c.v)
				t.Logf("figure: with graded readings to %v, %s: %d failing frequencies, %.1f exposures each, 1/%.1f "+
					"of the ramp",
					res, c.name, failing, float64(mine)/float64(failing), float64(ramp)/float64(mine))
				if failing < 20 || float64(mine) > 6.3*float64(failing) {
					t.Errorf("%d exposures at %d failing frequencies, the ramp takes %d", mine, failing, ramp)
				}
				if res == 2 {
					checkBrackets(t, p, c.v)
				}
			}
		})
	}
}

// checkBrackets fails where a bracket took more than three exposures beside a frequency that fails already.
func checkBrackets(t *testing.T, p *Plan, v victim) {
	t.Helper()
	_, all := carryOut(t, p, v)
	trials, last := map[rf.Frequency]int{}, rf.Frequency(0)
	for _, r := range all {
		if f := r.Step.Point.Frequency; r.Step.Purpose == Sweep || r.Step.Purpose == Onset {
			if trials[f]++; trials[f] > 3 && trials[last] > 1 {
				t.Errorf("%v took more than three exposures for a bracket of %v", f, p.Search.Resolution)
			}
			if f != last && trials[f] == 1 {
				last = f
			}
		}
	}
}

func TestSearchFindsWhatTheRampFindsForEveryPairOfOnsets(t *testing.T) {
	s := Search{Onset: true, Recovery: true, Resolution: 1, Range: 12, Approach: 3, Confirm: 1, Window: 6}
	frequencies := grid(1e6, 1, 3)
	for a := -14.0; a <= 1; a++ {
		for b := -14.0; b <= 1; b++ {
			for c := -14.0; c <= 1; c++ {
				for _, hysteresis := range []float64{0, 1, 5, 30} {
					onsets := map[rf.Frequency]float64{frequencies[0]: a, frequencies[1]: b, frequencies[2]: c}
					on := func(f rf.Frequency) float64 { return onsets[f] }
					v := victim{on: on, off: func(f rf.Frequency) float64 { return on(f) - hysteresis }}
					p := testPlan(frequencies)
					p.Search = s
					g, all := carryOut(t, p, v)
					compareWithRamp(t, p, g, v)
					checkCeiling(t, p, all)
					checkApproach(t, p, all)
				}
			}
		}
	}
}

// drawVictim draws a DUT whose onset is a random walk, sometimes absent, sometimes jumping.
func drawVictim(t *rapid.T) (*Plan, victim) {
	p := testPlan(grid(rf.Frequency(rapid.Float64Range(1e5, 1e8).Draw(t, "low")),
		rapid.Float64Range(0.5, 5).Draw(t, "step"), rapid.IntRange(1, 25).Draw(t, "points")))
	p.Search.Resolution = rf.Gain(rapid.SampledFrom([]float64{0.1, 0.25, 0.3, 0.5, 1, 2}).Draw(t, "resolution"))
	p.Search.Range = rf.Gain(rapid.SampledFrom([]float64{6, 20, 40}).Draw(t, "range"))
	p.Search.Approach = rf.Gain(rapid.SampledFrom([]float64{2, 3, 6}).Draw(t, "approach"))
	p.Search.Confirm = rapid.IntRange(0, 2).Draw(t, "confirm")
	p.Edges = rf.Fraction(rapid.SampledFrom([]float64{0, 0.005, 0.001}).Draw(t, "edges"))
	p.Descending = rapid.Bool().Draw(t, "descending")
	p.TimeLimit = rf.Duration(rapid.SampledFrom([]float64{0, 20 * 60e9}).Draw(t, "time limit"))
	p.First = rapid.SliceOfNDistinct(rapid.SampledFrom(p.Grid), 0, len(p.Grid),
		func(f rf.Frequency) rf.Frequency { return f }).Draw(t, "first")
	values := make([]float64, len(p.Grid))
	hysteresis := make([]float64, len(p.Grid))
	x, h := rapid.Float64Range(-45, 20).Draw(t, "first"), rapid.Float64Range(0, 8).Draw(t, "hysteresis")
	for i := range values {
		if rapid.IntRange(0, 9).Draw(t, "jump") == 0 {
			x = rapid.Float64Range(-45, 20).Draw(t, "to")
		}
		x += rapid.Float64Range(-4, 4).Draw(t, "walk")
		h = max(0, h+rapid.Float64Range(-1, 1).Draw(t, "drift"))
		values[i], hysteresis[i] = x, h
	}
	at := func(values []float64) func(rf.Frequency) float64 {
		return func(f rf.Frequency) float64 { // steps between the points of the grid
			i := len(p.Grid) - 1
			for i > 0 && p.Grid[i] > f {
				i--
			}
			return values[i]
		}
	}
	on, gap := at(values), at(hysteresis)
	return p, victim{on: on, off: func(f rf.Frequency) float64 { return on(f) - gap(f) }}
}

func TestSearchFindsWhatTheRampFinds(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p, v := drawVictim(t)
		g, all := carryOut(t, p, v)
		compareWithRamp(t, p, g, v)
		checkCeiling(t, p, all)
		checkApproach(t, p, all)
		checkReplay(t, p, all)
	})
}

// Whatever comes of the steps, also from a DUT that upsets at random, latches, cannot be reached or
// is given up: levels stay below the ceiling, the program ends, a replay gives the same steps, and
// the fold of the results is what the program knows.
func TestProgramHoldsItsCeilingWhateverTheDUTDoes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p, v := drawVictim(t)
		p.Kind = rapid.SampledFrom([]RunKind{Exposure, Exposure, Exposure, Control, Baseline, Calibration}).Draw(t,
			"kind")
		p.Search.EdgeUpsetOnly = rapid.Bool().Draw(t, "edge upset only")
		p.Search.Onset = rapid.IntRange(0, 4).Draw(t, "onset") > 0
		g, err := NewProgram(p, testPoint)
		if err != nil {
			t.Fatalf("%v", err)
		}
		var all []Result
		for s, ok := g.Next(nil); ok; {
			o := v.meet(s)
			switch rapid.IntRange(0, 19).Draw(t, "whim") {
			case 0:
				o.Upset = !o.Upset
			case 1:
				o.NotReached = true
			case 2:
				o = Outcome{Number: s.Number, Skipped: true}
			case 3:
				o.Latched = o.Upset
			case 4:
				o.RecoveredAt = nil
			case 5:
				o.Upset, o.RecoveredAt = false, nil
			}
			all = append(all, Result{s, o})
			if len(all) > 200*len(p.Grid)+1000 {
				t.Fatalf("the program does not end")
			}
			s, ok = g.Next(&o)
		}
		checkCeiling(t, p, all)
		checkReplay(t, p, all)
		if d := cmp.Diff(g.Thresholds(), Fold(p.Search.Resolution, all), levels); d != "" {
			t.Fatalf("the fold of the results differs from what the program knows:\n%s", d)
		}
		if done, known := g.Progress(); done != known {
			t.Fatalf("at the end %d of %d frequencies are done", done, known)
		}
		if p.Kind == Baseline || p.Kind == Calibration {
			if len(all) != len(p.Grid) {
				t.Fatalf("a %s run has %d steps for %d frequencies", p.Kind, len(all), len(p.Grid))
			}
		}
	})
}

// What is visited first is done in the order given, once, and then the sweep goes on as if it had come there by
// itself: bands, their edges and low checks are those of the sweep alone, as are onsets.
func TestWhatIsVisitedFirstChangesTheOrderAndNothingElse(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p, v := drawVictim(t)
		g, all := carryOut(t, p, v)
		compareWithRamp(t, p, g, v)
		checkApproach(t, p, all)
		var visited []rf.Frequency
		counted := map[rf.Frequency]bool{}
		for _, r := range all {
			if f := r.Step.Point.Frequency; !counted[f] {
				visited, counted[f] = append(visited, f), true
			}
		}
		if d := cmp.Diff(p.First, visited[:len(p.First)], cmpopts.EquateEmpty()); d != "" {
			t.Fatalf("the order is another one than was given:\n%s", d)
		}
		alone := *p
		alone.First = nil
		want, _ := carryOut(t, &alone, v)
		short := func(g *Program) (out []string) {
			for _, th := range g.Thresholds() {
				out = append(out, fmt.Sprintf("%v added %v onset %v recovery %v, %s", th.Frequency, th.Added, th.Onset,
					th.Recovery, th.Monotone))
			}
			return out
		}
		if d := cmp.Diff(short(want), short(g)); d != "" {
			t.Fatalf("it is not what the sweep alone finds:\n%s", d)
		}
	})
}

// A frequency that failed first is no neighbour of one far away: what lies between is still to be visited.
func TestWhatWasVisitedFirstMakesNoDistantFrequencyCautious(t *testing.T) {
	p := testPlan(grid(10e6, 5, 21))
	p.First = []rf.Frequency{p.Grid[15], p.Grid[18]}
	p.Search.Recovery = false
	v := victim{on: func(f rf.Frequency) float64 {
		if f == p.Grid[15] {
			return -6
		}
		return never
	}}
	_, all := carryOut(t, p, v)
	exposures := map[rf.Frequency]int{}
	for _, r := range all {
		exposures[r.Step.Point.Frequency]++
	}
	for i, f := range p.Grid {
		beside := i == 14 || i == 16
		if n := exposures[f]; i != 15 && (n > 1) != beside {
			t.Errorf("%v, %d from the frequency that failed, took %d exposures", f, i-15, n)
		}
	}
}

func TestAFirstFrequencyThatIsNotOfTheGridIsRefused(t *testing.T) {
	p := testPlan(grid(10e6, 5, 3))
	p.First = []rf.Frequency{p.Grid[1] * (1 + 1e-10), 10.2e6}
	if _, err := NewProgram(p, testPoint); err == nil || !strings.Contains(err.Error(), "10.2 MHz") {
		t.Fatalf("%v", err)
	}
	p.First = p.First[:1]
	if _, err := NewProgram(p, testPoint); err != nil {
		t.Fatal(err)
	}
}

func TestStepListsOfTypicalDUTs(t *testing.T) {
	flat := func(level float64) func(rf.Frequency) float64 { return func(rf.Frequency) float64 { return level } }
	narrow := func(f rf.Frequency) float64 {
		if f > 10.25e6 && f < 10.55e6 {
			return -4
		}
		return never
	}
	for _, c := range []struct {
		name string
		plan func(*Plan)
		v    victim
	}{
		{"immune", nil, victim{on: flat(never)}},
		{"one-band", nil, parabola(10.5e6, 6, 0.035, 2)},
		{"one-band-with-edges", func(p *Plan) { p.Edges = 0.002 }, parabola(10.5e6, 6, 0.035, 2)},
		{"one-band-descending", func(p *Plan) { p.Descending = true }, parabola(10.5e6, 6, 0.035, 2)},
		{"one-band-first", func(p *Plan) {
			p.First, p.Edges = []rf.Frequency{p.Grid[5], p.Grid[8], p.Grid[2]}, 0.005
		}, parabola(10.5e6, 6, 0.035, 2)},
		{"latches", nil, victim{on: narrow, off: flat(-20), latches: func(rf.Frequency) bool { return true }}},
		{"fails-at-the-bottom", nil, victim{on: flat(-60), off: flat(-70)}},
		{"window", nil, victim{on: narrow, off: flat(-7), windowed: func(f rf.Frequency, l float64) bool {
			return narrow(f) < 0 && l > -11 && l < -9
		}}},
		{"not-reached", nil, victim{on: narrow, off: flat(-7), reach: func(f rf.Frequency) float64 {
			if f > 10.35e6 {
				return -5
			}
			return 0
		}}},
		{"baseline", func(p *Plan) { p.Kind = Baseline }, victim{on: flat(never)}},
		{"control", func(p *Plan) { p.Kind = Control; p.Search.Onset = false }, victim{on: narrow}},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := testPlan(grid(10e6, 1, 9))
			if c.plan != nil {
				c.plan(p)
			}
			g, all := carryOut(t, p, c.v)
			checkCeiling(t, p, all)
			checkReplay(t, p, all)
			compareGolden(t, filepath.Join("testdata", "steps", c.name+".txt"), stepList(g, all))
		})
	}
}

func TestAnUpsetThatIsRandomIsMarkedNotRepeatableAndBounded(t *testing.T) {
	coin := 0
	v := parabola(10.2e6, 6, 0.015, 2)
	v.coin = func() bool { coin++; return coin%3 != 0 }
	p := testPlan(grid(10e6, 1, 5))
	g, all := carryOut(t, p, v)
	checkCeiling(t, p, all)
	some := false
	for _, th := range g.Thresholds() {
		if th.Upset && !th.Repeatable {
			some = true
		}
		if th.Exposures > 30 {
			t.Errorf("%v took %d exposures", th.Frequency, th.Exposures)
		}
	}
	if !some {
		t.Error("no threshold is marked not repeatable")
	}
}

func TestAnOutcomeOfAnotherStepEndsTheProgram(t *testing.T) {
	g, err := NewProgram(testPlan(grid(1e6, 1, 2)), testPoint)
	if err != nil {
		t.Fatal(err)
	}
	g.Next(nil)
	if _, ok := g.Next(&Outcome{Number: 7}); ok || g.Err() == nil {
		t.Fatal("an outcome of a step that was not asked was accepted")
	}
}

func stepList(g *Program, all []Result) string {
	var b strings.Builder
	for _, r := range all {
		fmt.Fprintf(&b, "%v:", r.Step)
		o := r.Outcome
		switch {
		case o.Upset:
			b.WriteString(" upset")
		default:
			b.WriteString(" pass")
		}
		if o.NotReached {
			b.WriteString(", level not reached")
		}
		if o.Latched {
			b.WriteString(", latched")
		}
		if o.RecoveredAt != nil {
			fmt.Fprintf(&b, ", well at %s", o.RecoveredAt.Text(2))
		}
		b.WriteString("\n")
	}
	b.WriteString("\n")
	for _, t := range g.Thresholds() {
		fmt.Fprintf(&b, "%v onset %v recovery %v", t.Frequency, t.Onset, t.Recovery)
		if t.Upset {
			fmt.Fprintf(&b, " %d/%d %s", t.Upsets, t.Trials, t.Monotone)
		}
		fmt.Fprintf(&b, " in %d\n", t.Exposures)
	}
	for _, band := range Bands(g.Thresholds()) {
		fmt.Fprintf(&b, "band %v to %v, passes at %v and %v, lowest %v at %v, %s\n", band.Low, band.High,
			band.Below, band.Above, band.Lowest.Onset, band.Lowest.Frequency, band.Monotone)
	}
	return b.String()
}

func compareGolden(t *testing.T, file, got string) {
	t.Helper()
	if *update {
		if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(string(want), got); d != "" {
		t.Errorf("%s differs (write it anew with -update):\n%s", file, d)
	}
}

// Band is a run of neighbouring frequencies that fail.
type Band struct {
	Low, High rf.Frequency // outermost that upset
	// Below and Above are the nearest frequencies outside that did not upset; absent at an end of
	// what was tested. The edges of the band lie between them and Low and High.
	Below, Above rf.Frequency
	Lowest       Threshold // of the lowest onset
	Monotone     Monotony
	Exposures    int
}

// Bands returns the failing bands of thresholds that are sorted by frequency.
func Bands(all []Threshold) []Band {
	var out []Band
	var before rf.Frequency
	inside := false
	for _, t := range all {
		if !t.Upset {
			if inside {
				out[len(out)-1].Above = t.Frequency
			}
			before, inside = t.Frequency, false
			continue
		}
		if !inside {
			out = append(out, Band{Low: t.Frequency, Below: before, Lowest: t, Monotone: MonotoneAssumed})
			inside = true
		}
		b := &out[len(out)-1]
		b.High = t.Frequency
		b.Exposures += t.Exposures
		if t.Onset.Gain < b.Lowest.Onset.Gain {
			b.Lowest = t
		}
		if t.Monotone == NotMonotone || b.Monotone == MonotoneAssumed {
			b.Monotone = t.Monotone
		}
	}
	return out
}
