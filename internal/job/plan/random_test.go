package plan

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"provoke/internal/model/chain"
	"provoke/internal/model/threshold"
	"provoke/internal/units/rf"
)

// chancy is a DUT that upsets with a probability: Φ((offset − middle)/spread).
func chancy(r *rand.Rand, middle, spread float64) victim {
	return victim{on: func(rf.Frequency) float64 { return never }, windowed: func(_ rf.Frequency, offset float64) bool {
		return r.Float64() < 0.5*math.Erfc(-(offset-middle)/spread/math.Sqrt2)
	}}
}

func randomPlan(m Method, trials, frequencies int) *Plan {
	p := testPlan(grid(rf.Megahertz, 1, frequencies))
	p.Search.Method, p.Search.Trials = m, trials
	return p
}

func TestAStaircaseTakesTheStatedNumberOfExposuresAndBracketsTheMiddle(t *testing.T) {
	for _, m := range []Method{Staircase, Adaptive} {
		off, n := 0.0, 40
		for i := range 60 {
			_, all := carryOut(t, randomPlan(m, 60, 1), chancy(rand.New(rand.NewPCG(3, uint64(i))), -9, 1.2))
			stairs := 0
			for _, r := range all {
				if r.Step.Purpose == StaircaseStep {
					stairs++
				}
			}
			if stairs != 60 {
				t.Fatalf("%s: %d exposures, 60 were stated", m, stairs)
			}
			got := Fold(0.5, all)
			f, err := threshold.FitML(threshold.Probit, got[0].Exposed)
			if err != nil {
				n--
				continue
			}
			off += f.Mu + 9
		}
		if mean := off / float64(n); math.Abs(mean) > 0.35 {
			t.Errorf("%s: the fits' middle lies %g dB off on average", m, mean)
		}
	}
}

// What holds for every program holds for these: the level wanted is never exceeded, levels are whole
// steps, recorded outcomes replay to the same steps, and the fold of the results is what the program
// knows.
func TestRandomSearchesKeepTheProgramsProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := randomPlan(rapid.SampledFrom([]Method{Bracket, Staircase, Adaptive, Repeated}).Draw(t, "method"),
			rapid.IntRange(2, 25).Draw(t, "trials"), rapid.IntRange(1, 6).Draw(t, "frequencies"))
		if p.Search.Method == Bracket {
			p.Search.IfRandom = Staircase
		}
		p.Search.Probability = rf.Fraction(rapid.SampledFrom([]float64{0.1, 0.2, 0.5, 0.8}).Draw(t, "probability"))
		p.Search.Step = rf.Gain(rapid.SampledFrom([]float64{0.5, 1, 2}).Draw(t, "step"))
		p.Search.Below = rf.Gain(rapid.IntRange(0, 6).Draw(t, "below"))
		if rapid.Bool().Draw(t, "drift") {
			p.Drift = Drift{At: p.Grid[0], Below: 20, Every: rapid.IntRange(1, 4).Draw(t, "every")}
		}
		p.Edges = rf.Fraction(rapid.SampledFrom([]float64{0, 0.002}).Draw(t, "edges"))
		seed := rapid.Uint64().Draw(t, "seed")
		v := chancy(rand.New(rand.NewPCG(seed, 1)), rapid.Float64Range(-20, 3).Draw(t, "middle"),
			rapid.Float64Range(0.05, 3).Draw(t, "spread"))
		g, all := carryOut(t, p, v)
		counts := map[rf.Frequency]int{}
		var outcomes []Outcome
		for _, r := range all {
			if r.Step.Offset > 0 || math.Abs(
				float64(r.Step.Offset)/0.5-math.Round(float64(r.Step.Offset)/0.5)) > 1e-9 || r.Step.Offset < -60 {
				t.Fatalf("offset %v", r.Step.Offset)
			}
			if r.Step.Purpose == StaircaseStep || r.Step.Purpose == Repeat {
				counts[r.Step.Point.Frequency]++
			}
			if r.Step.Purpose == Repeat && r.Step.Offset != -p.Search.Below {
				t.Fatalf("repeat at %v", r.Step.Offset)
			}
			outcomes = append(outcomes, r.Outcome)
		}
		for f, n := range counts {
			if n != p.Search.Trials {
				t.Fatalf("%d exposures at %v, %d stated", n, f, p.Search.Trials)
			}
		}
		if d := cmp.Diff(g.Thresholds(), Fold(p.Search.Resolution, all),
			cmp.AllowUnexported(rf.Power{}, rf.Current{}, rf.Voltage{})); d != "" {
			t.Fatalf("fold differs:\n%s", d)
		}
		cut := rapid.IntRange(0, len(all)).Draw(t, "cut")
		again, err := NewProgram(p, testPoint)
		if err != nil {
			t.Fatal(err)
		}
		step, ok, err := again.Replay(outcomes[:cut])
		if err != nil || ok != (cut < len(all)) || ok && step.String() != all[cut].Step.String() {
			t.Fatalf("replay of %d of %d gives %v, %v, %v", cut, len(all), step, ok, err)
		}
	})
}

func TestABracketSearchGoesOnWithAStaircaseWhereTheDUTIsRandom(t *testing.T) {
	p := randomPlan(Bracket, 30, 1)
	p.Search.IfRandom, p.Search.Confirm = Staircase, 3
	switched := 0
	for i := range 40 {
		_, all := carryOut(t, p, chancy(rand.New(rand.NewPCG(9, uint64(i))), -8, 1.5))
		missed, stairs := false, 0
		for _, r := range all {
			missed = missed || (r.Step.Purpose == Confirm || r.Step.Purpose == Recover) && !r.Outcome.Upset
			if r.Step.Purpose == StaircaseStep {
				stairs++
				if !missed {
					t.Fatal("a staircase begins although every confirmation upset")
				}
			}
		}
		if missed != (stairs == 30) {
			t.Fatalf("a confirmation failed: %v; %d exposures of the staircase", missed, stairs)
		}
		if missed {
			switched++
		}
	}
	if switched < 20 {
		t.Errorf("only %d of 40 runs on a random DUT switched", switched)
	}
	// A DUT that is deterministic never sees one.
	_, all := carryOut(t, p, parabola(rf.Megahertz, 10, 0.1, 2))
	for _, r := range all {
		if r.Step.Purpose == StaircaseStep {
			t.Fatal("a staircase on a deterministic DUT")
		}
	}
}

func TestTheCheckPointIsVisitedAtTheStartInBetweenAndAtTheEnd(t *testing.T) {
	p := testPlan(grid(rf.Megahertz, 1, 10))
	p.Drift = Drift{At: p.Grid[4], Below: 20, Every: 4}
	for _, p.First = range [][]rf.Frequency{nil, {p.Grid[7], p.Grid[0], p.Grid[4], p.Grid[8], p.Grid[2]}} {
		g, all := carryOut(t, p, victim{on: func(rf.Frequency) float64 { return never }})
		var at []int
		for i, r := range all {
			if r.Step.Purpose == DriftCheck {
				at = append(at, i)
				if r.Step.Offset != -20 || r.Step.Point.Frequency != p.Grid[4] {
					t.Errorf("%v", r.Step)
				}
			}
		}
		// 0 before the first, then after 4 and 8 frequencies, then at the end.
		if fmt.Sprint(at) != "[0 5 10 13]" {
			t.Errorf("first %v: visited before steps %v", p.First, at)
		}
		if done, known := g.Progress(); done != 10 || known != 10 {
			t.Errorf("first %v: progress %d of %d", p.First, done, known)
		}
	}
}

func TestASearchStatesItsRuleAndLengthBeforehand(t *testing.T) {
	for _, c := range []struct {
		s    Search
		want []string
	}{
		{Search{Onset: true, Method: Staircase}, []string{"staircase at each frequency that upsets", "steps of 1.0 dB",
			"one step up after one pass", "50 % upsets", "ends after 30 exposures"}},
		{Search{Onset: true, Method: Staircase, Probability: 0.25, Trials: 60},
			[]string{"3 steps down", "25 % upsets", "ends after 60"}},
		{Search{Onset: true, Method: Adaptive, Probability: 0.1}, []string{"adaptive", "10 % upsets", "probit"}},
		{Search{Onset: true, IfRandom: Staircase}, []string{"does not upset again"}},
		{Search{Onset: true, Method: Repeated, Below: 3, Trials: 59},
			[]string{"3.0 dB below the level wanted", "ends after 59"}},
	} {
		for _, want := range c.want {
			if got := c.s.Filled().Stated(); !strings.Contains(got, want) {
				t.Errorf("%q is missing in %q", want, got)
			}
		}
	}
	if got := DefaultSearch().Stated(); got != "" {
		t.Errorf("the bracket search states %q", got)
	}
}

func TestRandomSearchesOfAPlanFile(t *testing.T) {
	parse := func(lines string) (*Plan, string) {
		text := "provoke: plan 1\nbench: b.yaml\nkind: exposure\nlevel: 60 mA\ngrid: [{list: [1 MHz, 2 MHz]}]\n" + lines
		p, list := Parse("p", []byte(text), nil)
		return p, fmt.Sprint(list)
	}
	p,
		told := parse("search: {method: staircase, trials: 40, probability: 20.6 %, step: 2 dB}\ndrift_check: {at: 2 " +
		"MHz}\n")
	if told != "[]" || p.Search.Method != Staircase || p.Search.Trials != 40 || p.Search.Step != 2 ||
		p.Drift.Below != 20 || p.Drift.Every != 50 {
		t.Errorf("%+v, %+v, told %s", p.Search, p.Drift, told)
	}
	if r, _ := p.Search.Rule(); r.Passes != 3 {
		t.Errorf("20.6 %% is three passes in a row: %+v", r)
	}
	for lines, want := range map[string]string{
		"search: {method: stairs}":                         `"stairs" is not one of`,
		"search: {method: staircase, probability: 99 %}":   "99 %",
		"search: {method: staircase, trials: 1}":           "1 exposures are not between 2 and 1000",
		"search: {method: staircase, if_random: adaptive}": "if_random belongs to the bracket search",
		"search: {if_random: repeat}": "if_random must be a search for a random " +
			"threshold",
		"search: {if_random: staircase, confirm: 0}":                 "without a confirmation",
		"search: {method: staircase, onset: false, recovery: false}": "a search without onset has no method",
		"search: {trials: 5}":                                        "warning: search.trials has no meaning here",
		"search: {method: repeat, below: 50 dB}":                     "50.00 dB",
		"drift_check: {at: 3 MHz}": "the check point 3 MHz is not a frequency of " +
			"the grid",
		"drift_check: {at: 1 MHz, every: 0}": "must be visited after a number of frequencies",
	} {
		if _, told := parse(lines + "\n"); !strings.Contains(told, want) {
			t.Errorf("%s: told %s, want %q", lines, told, want)
		}
	}
}

func TestADwellShorterThanTheDUTsCycleOrThanAStudyFoundIsWarnedOf(t *testing.T) {
	p := checkedPlan(nil) // dwell 2 s
	b := testBench()
	told := func() string {
		_, list := Check(p, chain.New(b), nil)
		return fmt.Sprint(list)
	}
	if s := told(); strings.Contains(s, "cycle") || strings.Contains(s, "dwell study") {
		t.Errorf("warned without a reason: %s", s)
	}
	b.DUT.Cycle, b.DUT.NeededDwell = rf.Duration(3*time.Second), rf.Duration(5*time.Second)
	for _, want := range []string{"the dwell of 2 s is shorter than the DUT's own cycle of 3 s",
		"shorter than the 5 s that a dwell study of the DUT found to be needed"} {
		if s := told(); !strings.Contains(s, want) {
			t.Errorf("%q is missing in %s", want, s)
		}
	}
}
