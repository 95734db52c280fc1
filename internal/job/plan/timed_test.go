package plan

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"provoke/internal/units/rf"
)

func timedPlan(grid []rf.Frequency) *Plan {
	p := testPlan(grid)
	p.TimeLimit = rf.Duration(20 * 60e9)
	return p
}

// visited are the frequencies in the order in which they were first exposed.
func visited(all []Result) (out []rf.Frequency) {
	for _, r := range all {
		if f := r.Step.Point.Frequency; !slices.Contains(out, f) {
			out = append(out, f)
		}
	}
	return out
}

// widest is the widest gap between frequencies and the ends of a grid, as a ratio.
func widest(grid, at []rf.Frequency) float64 {
	at = slices.Sorted(slices.Values(at))
	out := math.Max(float64(at[0]/grid[0]), float64(grid[len(grid)-1]/at[len(at)-1]))
	for i := 1; i < len(at); i++ {
		out = math.Max(out, float64(at[i]/at[i-1]))
	}
	return out
}

// Whenever it ends, nothing was left out that is much wider than the range in as many parts as there were exposures.
func TestATimedProgramLooksOverItsWholeRangeInEverFinerSteps(t *testing.T) {
	for _, descending := range []bool{false, true} {
		p := timedPlan(grid(1e6, 1, 441))
		p.Descending = descending
		_, all := carryOut(t, p, victim{on: func(rf.Frequency) float64 { return never }})
		at := visited(all)
		if len(at) != len(p.Grid) || len(all) != len(p.Grid) {
			t.Fatalf("%d steps at %d of %d frequencies", len(all), len(at), len(p.Grid))
		}
		if (at[0] == p.Grid[0]) == descending {
			t.Errorf("descending %v: it begins at %v", descending, at[0])
		}
		whole := math.Log(float64(p.Grid[440] / p.Grid[0]))
		for n := 3; n < len(at); n++ {
			parts := math.Pow(2, math.Floor(math.Log2(float64(n-1))))
			if w := math.Log(widest(p.Grid, at[:n])); w > whole/parts+math.Log(1.0102) {
				t.Fatalf("descending %v: after %d exposures %.1f %% were left out; %v parts of the range are %.1f %%",
					descending, n, 100*(math.Exp(w)-1), parts, 100*(math.Exp(whole/parts)-1))
			}
		}
		for n := 257; n < 400; n++ { // within a round in the order of the sweep
			if (at[n] > at[n+1]) != descending && at[n+1] != p.Grid[440] && at[n+1] != p.Grid[0] && n > 258 && n < 395 {
				t.Fatalf("descending %v: %v comes after %v", descending, at[n+1], at[n])
			}
		}
	}
}

// Exposures are counted to each of what a run learns.
func TestATimedProgramDoesFirstWhatIsWorthMost(t *testing.T) {
	p := timedPlan(grid(1e6, 1, 441))
	p.Edges = 0.002
	p.First = []rf.Frequency{p.Grid[300], p.Grid[17]}
	in := func(f rf.Frequency, low, high int) bool { return f >= p.Grid[low] && f <= p.Grid[high] }
	v := victim{on: func(f rf.Frequency) float64 {
		switch {
		case in(f, 100, 112):
			return -7
		case in(f, 290, 301):
			return -12
		}
		return never
	}, off: func(rf.Frequency) float64 { return -20 }}
	_, all := carryOut(t, p, v)
	first := func(holds func(r Result) bool) int {
		return slices.IndexFunc(all, holds)
	}
	of := func(purpose Purpose) int { return first(func(r Result) bool { return r.Step.Purpose == purpose }) }
	if at := visited(all); at[0] != p.First[0] || at[1] != p.First[1] || all[2].Step.Purpose != Onset {
		t.Errorf("it begins with %v, then %v", at[:3], all[2].Step)
	}
	second := first(func(r Result) bool { return r.Outcome.Upset && in(r.Step.Point.Frequency, 100, 112) })
	coarse := len(all)
	for n := range all {
		if widest(p.Grid, visited(all[:n+1])) <= 1.0512 {
			coarse = n
			break
		}
	}
	exact := first(func(r Result) bool { return r.Step.Purpose == Confirm })
	rest := first(func(r Result) bool { return len(visited(all[:r.Step.Number])) == len(p.Grid) })
	order := []int{2, second, coarse, exact, rest, of(Edge), of(Recover), len(all)}
	t.Logf("figure: onset of what was named, second band, no gap above 5 %%, confirmed onset, whole grid, edges, "+
		"recovery, end after %v exposures", order)
	if !slices.IsSorted(order) || slices.Contains(order, -1) {
		t.Errorf("the order is not kept: %v", order)
	}
	if second > 60 || coarse > 180 {
		t.Errorf("the second band upset after %d exposures, no gap was above 5 %% after %d", second, coarse)
	}
	last := all[of(Recover):]
	if slices.ContainsFunc(last, func(r Result) bool { return r.Step.Purpose != Recover }) {
		t.Error("something comes after the first recovery level that is none")
	}
}

// Whenever time is up, what is said of an onset holds the one that a ramp finds.
func TestATimedProgramThatEndsEarlySaysNothingThatARampDoesNotFind(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p, v := drawVictim(t)
		p.TimeLimit = 1
		_, all := carryOut(t, p, v)
		n := rapid.IntRange(0, len(all)).Draw(t, "steps")
		for _, th := range Fold(p.Search.Resolution, all[:n]) {
			want := v.ramp(th.Frequency, p.Search).onset
			switch {
			case th.Onset.Bound == rf.Exactly && !sameOffset(th.Onset, want),
				th.Onset.Bound == rf.AtMost && want.Gain > th.Onset.Gain+1e-6,
				th.Passed.Known() && th.Upset && want.Gain < th.Passed.Gain+1e-6,
				th.Upset && want.Bound == rf.AtLeast:
				t.Fatalf("after %d of %d steps, %v: onset %v, passed %v; the ramp finds %v", n, len(all), th.Frequency,
					th.Onset, th.Passed, want)
			}
		}
	})
}

// Where graded readings put the onset close above the level, the grid becomes fine first; where far above it, last.
func TestATimedProgramLooksCloserWhereReadingsShift(t *testing.T) {
	p := timedPlan(grid(1e6, 1, 401))
	g, err := NewProgram(p, testPoint)
	if err != nil {
		t.Fatal(err)
	}
	rank := map[rf.Frequency]int{}
	for s, ok := g.Next(nil); ok; {
		o := Outcome{Number: s.Number, Exposures: 1}
		switch f := s.Point.Frequency; {
		case f >= p.Grid[100] && f <= p.Grid[130]:
			o.Graded = &Graded{Onset: 1.5, Low: 0.5, High: 3}
		case f >= p.Grid[250] && f <= p.Grid[399]:
			o.Graded = &Graded{Onset: 20, Low: 15, High: 25}
		}
		rank[s.Point.Frequency] = s.Number
		s, ok = g.Next(&o)
	}
	mean := func(low, high int) (out float64) {
		for i := low; i <= high; i++ {
			out += float64(rank[p.Grid[i]]) / float64(high-low+1)
		}
		return out
	}
	near, none, far := mean(101, 129), mean(150, 249), mean(260, 390)
	t.Logf("figure: of 401 exposures a frequency comes on average as the %.0fth close to the level, %.0fth where "+
		"nothing is known, %.0fth far above it", near, none, far)
	if !(near < 0.7*none) || !(far > 1.1*none) {
		t.Error("it does not look closer where the product is about to fail")
	}
}

func TestATimedProgramOfADUTThatAlwaysFailsStillLooksEverywhereFirst(t *testing.T) {
	p := timedPlan(grid(1e6, 1, 201))
	v := victim{on: func(rf.Frequency) float64 { return -30 }, latches: func(rf.Frequency) bool { return true }}
	_, all := carryOut(t, p, v)
	n := slices.IndexFunc(all, func(r Result) bool { return len(visited(all[:r.Step.Number])) == 200 })
	exact := 0
	for _, th := range Fold(p.Search.Resolution, all[:n]) {
		if th.Onset.Bound == rf.Exactly {
			exact++
		}
	}
	t.Logf("figure: everything fails and latches: the last of 201 frequencies is exposed after %d of %d steps, with "+
		"%d onsets exact", n, len(all), exact)
	if exact == 0 || exact > 3 || n > len(all)/2 {
		t.Errorf("after %d of %d steps %d onsets were exact", n, len(all), exact)
	}
}

// The check point for drift is visited as often as in a sweep.
func TestATimedProgramChecksForDrift(t *testing.T) {
	p := timedPlan(grid(1e6, 1, 101))
	p.Drift = Drift{At: p.Grid[40], Below: 20, Every: 25}
	_, all := carryOut(t, p, victim{on: func(rf.Frequency) float64 { return never }})
	var at []int
	for i, r := range all {
		if r.Step.Purpose == DriftCheck {
			at = append(at, i)
		}
	}
	if fmt.Sprint(at) != "[0 26 52 78 104 106]" {
		t.Errorf("before steps %v", at)
	}
}
