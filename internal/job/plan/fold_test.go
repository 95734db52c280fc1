package plan

import (
	"slices"
	"testing"

	"provoke/internal/model/threshold"
	"provoke/internal/units/rf"
)

// What steps at one frequency say, by the words of Threshold: an onset is exact only where the level one resolution
// step below it was reached and passed; what was not reached says nothing of its level; what was given up says nothing.
func TestWhatStepsSayOfAThreshold(t *testing.T) {
	step := func(purpose Purpose, offset rf.Gain, o Outcome) Result {
		point, _ := testPoint(1e6)
		return Result{Step{Point: point, Purpose: purpose, Offset: offset, Descend: []rf.Gain{-4, -5}}, o}
	}
	upset, pass, notReached, skipped := Outcome{Upset: true}, Outcome{}, Outcome{NotReached: true},
		Outcome{Skipped: true}
	none := Offset{Bound: rf.Unknown}
	exactly := func(g rf.Gain) Offset { return Offset{g, rf.Exactly} }
	for name, c := range map[string]struct {
		results        []Result
		onset, passed  Offset
		upsets, trials int
		latched, short bool
		skipped        bool
	}{
		"one step below passed": {results: []Result{step(Sweep, -3, upset), step(Onset, -3.5, pass)},
			onset: exactly(-3), passed: exactly(-3.5), upsets: 1, trials: 1},
		"two steps below passed": {results: []Result{step(Sweep, -3, upset), step(Onset, -4, pass)},
			onset: Offset{-3, rf.AtMost}, passed: exactly(-4), upsets: 1, trials: 1},
		"one step below was not reached": {results: []Result{step(Sweep, -3, upset), step(Onset, -3.5, notReached)},
			onset: Offset{-3, rf.AtMost}, passed: none, upsets: 1, trials: 1, short: true},
		"nor that, and two steps passed": {results: []Result{step(Sweep, -3, upset), step(Onset, -3.5, notReached),
			step(Onset, -4, pass)}, onset: Offset{-3, rf.AtMost}, passed: exactly(-4), upsets: 1, trials: 1,
			short: true},
		"upset before its level": {results: []Result{step(Sweep, -3, Outcome{Upset: true, NotReached: true}),
			step(Onset, -3.5, pass)}, onset: exactly(-3), passed: exactly(-3.5), upsets: 1, trials: 1},
		"nothing upset": {results: []Result{step(Sweep, 0, pass)}, onset: Offset{0, rf.AtLeast},
			passed: exactly(0)},
		"nothing was reached": {results: []Result{step(Sweep, 0, notReached)}, onset: none, passed: none,
			short: true},
		"given up": {results: []Result{step(Sweep, 0, skipped)}, onset: none, passed: none,
			skipped: true},
		"given up after a pass": {results: []Result{step(Sweep, -3, pass), step(Sweep, 0, skipped)},
			onset: Offset{-3, rf.AtLeast}, passed: exactly(-3), skipped: true},
		"confirmed": {results: []Result{step(Sweep, -3, upset), step(Confirm, -3, upset)},
			onset: Offset{-3, rf.AtMost}, passed: none, upsets: 2, trials: 2},
		"latched when confirmed": {results: []Result{step(Sweep, -3, upset),
			step(Confirm, -3, Outcome{Upset: true, Latched: true})}, onset: Offset{-3, rf.AtMost}, passed: none,
			upsets: 2, trials: 2, latched: true},
		"latched at first only": {results: []Result{step(Sweep, -3, Outcome{Upset: true, Latched: true}),
			step(Confirm, -3, upset)}, onset: Offset{-3, rf.AtMost}, passed: none, upsets: 2, trials: 2},
		"not confirmed": {results: []Result{step(Sweep, -3, upset), step(Confirm, -3, pass)},
			onset: Offset{-3, rf.AtMost}, passed: none, upsets: 1, trials: 2},
		"confirmation not reached": {results: []Result{step(Sweep, -3, upset), step(Confirm, -3, notReached)},
			onset: Offset{-3, rf.AtMost}, passed: none, upsets: 1, trials: 1},
		"recovery did not upset": {results: []Result{step(Sweep, -3, upset), step(Recover, -3, pass)},
			onset: Offset{-3, rf.AtMost}, passed: none, upsets: 1, trials: 2},
		"recovery did not reach its top": {results: []Result{step(Sweep, -3, upset), step(Recover, -3, notReached)},
			onset: Offset{-3, rf.AtMost}, passed: none, upsets: 1, trials: 1},
		"recovery was given up": {results: []Result{step(Sweep, -3, upset), step(Recover, -3, skipped)},
			onset: Offset{-3, rf.AtMost}, passed: none, upsets: 1, trials: 1},
		"staircase back at the lowest": {results: []Result{step(Sweep, -3, upset), step(StaircaseStep, -3, upset),
			step(StaircaseStep, -3, upset), step(StaircaseStep, -3, pass)}, onset: Offset{-3, rf.AtMost},
			passed: exactly(-3), upsets: 3, trials: 4},
		"check point far below": {results: []Result{step(Sweep, -3, upset), step(DriftCheck, -20, pass)},
			onset: Offset{-3, rf.AtMost}, passed: none, upsets: 1, trials: 1},
		"low check upsets": {results: []Result{step(Sweep, -3, upset), step(Onset, -3.5, pass),
			step(Window, -9, upset)}, onset: Offset{-9, rf.AtMost}, passed: exactly(-3.5), upsets: 1, trials: 1},
		"low check passes": {results: []Result{step(Sweep, -3, upset), step(Onset, -3.5, pass),
			step(Window, -9, pass)}, onset: exactly(-3), passed: exactly(-3.5), upsets: 1, trials: 1},
		"the level above upsets too": {results: []Result{step(Sweep, -3, upset), step(Onset, -3.5, pass),
			step(Onset, -1, upset)}, onset: exactly(-3), passed: exactly(-3.5), upsets: 1, trials: 1},
		"a lower level upsets afterwards": {results: []Result{step(Sweep, -3, Outcome{Upset: true, Latched: true}),
			step(Onset, -4, upset)}, onset: Offset{-4, rf.AtMost}, passed: none, upsets: 1, trials: 1},
	} {
		all := Fold(0.5, c.results)
		if len(all) != 1 {
			t.Fatalf("%s: %+v", name, all)
		}
		got := all[0]
		if got.Onset != c.onset || got.Passed != c.passed || got.Upsets != c.upsets || got.Trials != c.trials ||
			got.Latched != c.latched || got.NotReached != c.short || got.Skipped != c.skipped {
			t.Errorf("%s: onset %v, passed %v, %d of %d, latched %v, not reached %v, skipped %v", name, got.Onset,
				got.Passed, got.Upsets, got.Trials, got.Latched, got.NotReached, got.Skipped)
		}
		if got.Repeatable != (c.upsets == c.trials) || got.Tested != (c.onset.Known() || c.short) {
			t.Errorf("%s: repeatable %v, tested %v", name, got.Repeatable, got.Tested)
		}
		if want := map[string]Monotony{"low check upsets": NotMonotone,
			"low check passes": MonotoneChecked}[name]; want != "" && got.Monotone != want {
			t.Errorf("%s: %s", name, got.Monotone)
		}
	}
}

func TestAnOffsetIsKnownOrNot(t *testing.T) {
	for _, c := range []struct {
		o     Offset
		known bool
		text  string
	}{{Offset{-12.5, rf.Exactly}, true, "-12.5 dB"}, {Offset{0, rf.AtLeast}, true, "at least 0.0 dB"},
		{Offset{-3, rf.AtMost}, true, "at most -3.0 dB"}, {Offset{0, rf.Unknown}, false, "–"}} {
		if c.o.Known() != c.known || c.o.String() != c.text {
			t.Errorf("%q, known %v", c.o, c.o.Known())
		}
	}
}

// Resolution 0.5 dB, so steps of a staircase of 1 dB are two depths.
func TestTheNextStepOfAStaircase(t *testing.T) {
	p := testPlan(grid(1e6, 1, 1))
	p.Search.Method, p.Search.Trials = Staircase, 10
	s := newSearch(p)
	for name, c := range map[string]struct {
		levels []float64
		upset  string // u or p for each
		stairs int
		want   rf.Gain
	}{
		"one up after a pass":                    {[]float64{0, -1, -3}, "uup", 2, -2},
		"one down after an upset":                {[]float64{-6, -3}, "pu", 1, -4},
		"the way down doubles: 1":                {[]float64{0}, "u", 0, -1},
		"the way down doubles: 2":                {[]float64{0, -1}, "uu", 1, -3},
		"the way down doubles: 4":                {[]float64{0, -1, -3}, "uuu", 2, -7},
		"never above the level wanted":           {[]float64{0, -1, 0}, "upp", 2, 0},
		"never below the range of 40 dB":         {[]float64{-20, -39.5, -40}, "puu", 2, -40},
		"after another search from the lowest":   {[]float64{0, -6, -3, -2.5}, "upup", 0, -3},
		"and then up and down from where it was": {[]float64{0, -6, -3, -2.5, -3}, "upupu", 1, -4},
	} {
		at := newPlace(Point{})
		at.stairs, at.upset = c.stairs, 6 // -3 dB
		for i, l := range c.levels {
			at.exposed = append(at.exposed, threshold.Trial{Level: l, Upset: c.upset[i] == 'u'})
		}
		r, ok := s.randomly(at, Staircase)
		if got := s.offset(r.at); !ok || r.purpose != StaircaseStep || got != c.want {
			t.Errorf("%s: %v, want %v", name, got, c.want)
		}
	}
	at := newPlace(Point{})
	if at.stairs = 10; s.random.trials != 10 {
		t.Errorf("%d trials", s.random.trials)
	}
	if _, ok := s.randomly(at, Staircase); ok {
		t.Error("it goes on after the number stated")
	}
}

// A DUT that upsets from -9.5 dB on: steps of 1 dB tell -9 dB from -10 dB, which coarser ones would not.
func TestAnAdaptiveSearchGoesInTheStepsStated(t *testing.T) {
	p := testPlan(grid(1e6, 1, 1))
	p.Search.Method, p.Search.Trials = Adaptive, 30
	_, all := carryOut(t, p, victim{on: func(rf.Frequency) float64 { return -9.5 },
		off: func(rf.Frequency) float64 { return -12 }})
	at := map[rf.Gain]int{}
	for _, r := range all {
		if r.Step.Purpose == StaircaseStep {
			at[r.Step.Offset]++
		}
	}
	if at[-9] == 0 || at[-10] == 0 {
		t.Errorf("exposed at %v", at)
	}
	for offset := range at {
		if float64(offset) != float64(int(offset)) {
			t.Errorf("%v is no whole step of 1 dB", offset)
		}
	}
}

// What a search leaves open is filled in; a staircase's step is a whole number of resolution steps, at least one.
func TestASearchIsFilledIn(t *testing.T) {
	for step, want := range map[rf.Gain]rf.Gain{0: 1, 0.5: 0.5, 0.1: 0.5, 1.2: 1, 1.3: 1.5, -1: 1} {
		if got := (Search{Resolution: 0.5, Step: step}).Filled().Step; got != want {
			t.Errorf("a step of %v becomes %v, want %v", step, got, want)
		}
	}
	for p, want := range map[rf.Fraction]rf.Fraction{0: 0.5, 0.2: 0.2, 1: 0.5, -1: 0.5} {
		if got := (Search{Probability: p}).Filled().Probability; got != want {
			t.Errorf("a probability of %v becomes %v, want %v", p, got, want)
		}
	}
	if got := (Search{Below: 3}).Filled().Below; got != 3 {
		t.Errorf("3 dB below become %v", got)
	}
	// Up and down settles where one of two exposures upsets; two passes in a row are √½ of passes.
	for p, want := range map[rf.Fraction]int{0: 1, 0.5: 1, 0.293: 2} {
		if r, err := (Search{Probability: p}).Filled().Rule(); err != nil || r.Passes != want || r.Upsets != 1 {
			t.Errorf("probability %v: %+v, %v", p, r, err)
		}
	}
}

// Where a confirmation does not upset, two more are made; without confirmations none is.
func TestAnOnsetThatIsNotConfirmedIsExposedTwiceMore(t *testing.T) {
	for confirm, want := range map[int]int{0: 0, 1: 3, 2: 4} {
		p := testPlan(grid(1e6, 1, 1))
		p.Search.Confirm, p.Search.Recovery = confirm, false
		g, err := NewProgram(p, testPoint)
		if err != nil {
			t.Fatal(err)
		}
		n := 0
		for s, ok := g.Next(nil); ok; {
			o := Outcome{Number: s.Number, Upset: s.Offset >= -3 && s.Purpose != Confirm}
			if s.Purpose == Confirm {
				if n++; s.Offset != -3 {
					t.Errorf("%v", s)
				}
			}
			s, ok = g.Next(&o)
		}
		if th := g.Thresholds()[0]; n != want || th.Upsets != 1 || th.Trials != 1+want {
			t.Errorf("%d asked for: %d confirmations, %d of %d", confirm, n, th.Upsets, th.Trials)
		}
	}
}

// Onset -4.5 dB at 10.4 MHz beside a pass at 10 MHz: half-way between the two, over the logarithm of frequency, the
// onset is expected half-way between 9 steps below the level wanted and one above it, 4 steps below. The new
// frequency is first exposed one step below its neighbour's onset, then (a rise of 2.5 dB is less than the approach of
// 3 dB) one step below what is expected.
func TestAtAnEdgeTheOnsetIsExpectedOnTheLineToTheNeighbourThatPassed(t *testing.T) {
	p := testPlan([]rf.Frequency{10e6, 10.4e6})
	p.Edges, p.Search.Recovery = 0.025, false
	on := func(f rf.Frequency) float64 {
		if f > 10.3e6 {
			return -4.5
		}
		return never
	}
	for _, p.Descending = range []bool{false, true} {
		_, all := carryOut(t, p, victim{on: on})
		var edge []rf.Gain
		for _, r := range all {
			if r.Step.Purpose == Edge {
				edge = append(edge, r.Step.Offset)
			}
		}
		if len(edge) < 2 || edge[0] != -5 || edge[1] != -2.5 {
			t.Errorf("descending %v: at the edge %v, want -5 dB and -2.5 dB first", p.Descending, edge)
		}
	}
}

// Seven digits: two frequencies with nothing between them have no middle, whatever is asked.
func TestTheMiddleOfTwoFrequencies(t *testing.T) {
	p := &Plan{Edges: 1e-9}
	for _, c := range []struct{ a, b, want rf.Frequency }{
		{1e6, 4e6, 2e6}, {4e6, 1e6, 2e6}, {1e6, 1e6 + 2, 1e6 + 1}, {1e6, 1e6 + 0.8, 0}, {1e6, 1e6, 0},
	} {
		if f, ok := p.middle(c.a, c.b); ok != (c.want > 0) || ok && f != c.want {
			t.Errorf("%v and %v: %v, %v", c.a.Hz(), c.b.Hz(), f, ok)
		}
	}
	p.Edges = 0.01
	if _, ok := p.middle(1e6, 1.0099e6); ok {
		t.Error("an edge of 0.99 % is narrowed to 1 %")
	}
	if _, ok := p.middle(1e6, 1.011e6); !ok {
		t.Error("an edge of 1.1 % is not narrowed to 1 %")
	}
}

func TestAStepThatWasGivenUpIsSaid(t *testing.T) {
	point, _ := testPoint(1e6)
	all := Fold(0.5, []Result{{Step{Point: point, Purpose: Sweep}, Outcome{Upset: true}},
		{Step{Point: point, Purpose: Confirm}, Outcome{Skipped: true}}})
	if th := all[0]; !th.Skipped || th.Trials != 1 {
		t.Errorf("%+v", th)
	}
}

// A recovery that was given up is not tried again, nor is one of a latched upset.
func TestARecoveryThatWasGivenUpIsOver(t *testing.T) {
	for name, o := range map[string]Outcome{"given up": {Skipped: true}, "latched": {Upset: true, Latched: true}} {
		g, err := NewProgram(testPlan(grid(1e6, 1, 1)), testPoint)
		if err != nil {
			t.Fatal(err)
		}
		n := 0
		for s, ok := g.Next(nil); ok && n < 10; {
			back := Outcome{Number: s.Number, Upset: s.Offset >= -3}
			if s.Purpose == Recover {
				n++
				back = o
				back.Number = s.Number
			}
			s, ok = g.Next(&back)
		}
		if th := g.Thresholds()[0]; n != 1 || th.Recovery.Known() {
			t.Errorf("%s: %d recovery steps, recovery %v", name, n, th.Recovery)
		}
	}
}

// A gap of n steps is narrowed in √n strides of √n: 9 in 3 of 3, 10 in 3 of 4 at most; up to 8 step by step.
func TestAGapIsNarrowedInStridesOfItsRoot(t *testing.T) {
	for gap, want := range map[depth][]depth{9: {3, 6, 9}, 10: {4, 8, 10}, 16: {4, 8, 12, 16}, 17: {5, 10, 15, 17},
		8: {1, 2, 3, 4, 5, 6, 7, 8}, 2: {1, 2}} {
		got := nextDescent(0, gap)
		if len(got) != len(want) {
			t.Errorf("%d: %v, want %v", gap, got, want)
			continue
		}
		for i := range got {
			if got[i] != want[i] {
				t.Errorf("%d: %v, want %v", gap, got, want)
			}
		}
	}
}

// Between an upset 2 steps below the level wanted and a pass 8 below: one below the guess, then the guess, else halves.
func TestBetweenUpsetAndPassTheGuessIsTriedFirst(t *testing.T) {
	s := newSearch(testPlan(grid(1e6, 1, 1)))
	for guess, want := range map[depth]depth{4: 5, 6: 7, 7: 7, 2: 3, 8: 5, 1: 5, unknown: 5} {
		p := newPlace(Point{})
		p.beside, p.guess, p.upset, p.pass = guess != unknown, guess, 2, 8
		if got := s.between(p); got != want {
			t.Errorf("guess %d: %d, want %d", guess, got, want)
		}
	}
}

// What a search leaves open is that of DefaultSearch; distances below a resolution step count as one step.
func TestTheDistancesOfASearch(t *testing.T) {
	d := DefaultSearch()
	if f := (Search{}).Filled(); f.Resolution != d.Resolution || f.Range != d.Range || f.Approach != d.Approach ||
		f.Window != d.Window {
		t.Errorf("%+v", f)
	}
	p := testPlan(grid(1e6, 1, 1))
	p.Search.Resolution, p.Search.Approach, p.Search.Window, p.Search.Range = 6, 1, 1, 40
	if s := newSearch(p); s.approach != 1 || s.window != 1 || s.bottom != 6 || s.floor != 6+3 { // 40/6 and 20/6
		t.Errorf("%+v", s)
	}
	p.Search = d
	if s := newSearch(p); s.approach != 6 || s.window != 12 || s.bottom != 80 || s.floor != 120 {
		t.Errorf("%+v", s)
	}
}

func TestACheckPointAfterEachFrequency(t *testing.T) {
	p := testPlan(grid(1e6, 1, 3))
	p.Drift = Drift{At: p.Grid[0], Below: 20, Every: 1}
	_, all := carryOut(t, p, victim{on: func(rf.Frequency) float64 { return never }})
	var got []Purpose
	for _, r := range all {
		got = append(got, r.Step.Purpose)
	}
	if want := []Purpose{DriftCheck, Sweep, DriftCheck, Sweep, DriftCheck, Sweep, DriftCheck}; !slices.Equal(got,
		want) {
		t.Errorf("%v", got)
	}
}

// The band is deepest between two frequencies of the grid, where its edge is looked for: the low check goes there, the
// window of 6 dB below the onset of -10 dB.
func TestTheLowCheckIsMadeAtTheLowestOnsetOfTheBand(t *testing.T) {
	for _, at := range []rf.Frequency{10.2e6, 10.6e6} { // at either edge
		p := testPlan([]rf.Frequency{10e6, 10.4e6, 10.8e6})
		p.Edges, p.Search.Recovery = 0.025, false
		_, all := carryOut(t, p, victim{on: func(f rf.Frequency) float64 {
			switch {
			case f > at-0.1e6 && f < at+0.1e6:
				return -10
			case f > 10.3e6 && f < 10.5e6:
				return -4
			}
			return never
		}})
		n := 0
		for _, r := range all {
			if s := r.Step; s.Purpose == Window {
				if n++; s.Offset != -16 || s.Point.Frequency < at-0.1e6 || s.Point.Frequency > at+0.1e6 {
					t.Errorf("%v", s)
				}
			}
		}
		if n != 1 {
			t.Errorf("%d low checks", n)
		}
	}
}

// What was asked for without being reached, and did not upset, is stood as far as the search goes: the higher counts.
func TestWhereASearchStands(t *testing.T) {
	for _, c := range []struct{ pass, held, want depth }{{8, 6, 6}, {6, 8, 6}, {8, unknown, 8}, {unknown, 6, 6},
		{unknown, unknown, unknown}} {
		p := newPlace(Point{})
		p.pass, p.held = c.pass, c.held
		if got := p.stood(); got != c.want {
			t.Errorf("passed %d, not reached %d: stands at %d, want %d", c.pass, c.held, got, c.want)
		}
	}
}

func TestAnOutcomeAfterTheEndIsAnError(t *testing.T) {
	g, err := NewProgram(testPlan(grid(1e6, 1, 1)), testPoint)
	if err != nil {
		t.Fatal(err)
	}
	s, _ := g.Next(nil)
	if _, ok := g.Next(&Outcome{Number: s.Number}); ok || g.Err() != nil {
		t.Fatalf("it goes on: %v", g.Err())
	}
	if _, ok := g.Next(&Outcome{Number: s.Number}); ok || g.Err() == nil {
		t.Error("the same outcome was taken twice")
	}
}
