package remedy

import (
	"errors"
	"fmt"
	"runtime"
	"slices"
	"sync"
	"sync/atomic"

	"provoke/internal/findings/analysis"
	"provoke/internal/units/rf"
)

// Reference says which of the two effects counts.
type Reference string

// The references.
const (
	SameDrive Reference = "same drive"
	SameProbe Reference = "same probe current"
)

// Of returns the effect that counts.
func (r Reference) Of(e Effect) rf.Gain {
	if r == SameDrive {
		return e.SameDrive
	}
	return e.SameProbe
}

// Part is a part of the user's with the ways to use it; it is used once at most.
type Part struct {
	Name         string
	Alternatives []Choice
}

// Need is what is known of the product at one frequency.
type Need struct {
	_ struct{} `tell:"hz=Frequency missing_db=Missing"`

	Frequency rf.Frequency
	// Margin is the onset over the level wanted: negative where dB are missing.
	Margin rf.Gain
	// Failing tells that the product upsets below the level wanted. Otherwise Margin is what it was
	// shown to stand, and it may stand more.
	Failing bool
}

// Missing is what is missing of the level wanted.
func (n Need) Missing() rf.Gain { return -n.Margin }

// NeedsOf returns what findings say, at the frequencies with a margin; left is how many have none, or
// only a bound that cannot be closed ("at most").
func NeedsOf(f analysis.Findings) (needs []Need, left int) {
	for _, p := range f.Points {
		if !p.Margin.Finite() || !p.Tested() {
			left++
			continue
		}
		if p.Upset && p.MarginBound == rf.AtMost {
			left++ // it upset at the lowest level tried: how much is missing is not known, at least this
		}
		needs = append(needs, Need{Frequency: p.Frequency, Margin: p.Margin, Failing: p.Upset && p.Margin < 0})
	}
	return needs, left
}

// Search looks through the combinations of parts.
type Search struct {
	Parts     []Part
	Most      int     // parts in a combination; 0 means 3
	Margin    rf.Gain // asked above the level wanted
	Reference Reference
	Keep      int // combinations kept; 0 means 20
	Workers   int // 0 means as many as there are processors
	Spread    Spread
	// Progress is told now and then how many combinations are done; nil: nobody.
	Progress func(done, total int)
}

// MaximumCombinations is how many are searched at most.
const MaximumCombinations = 500_000

// Combination is one combination, judged.
type Combination struct {
	Choices []Choice
	Effects []Effect
	Bands   []Range
	// Worst is the smallest margin at a failing frequency with the combination, WorstLow the low end of
	// its band there and anywhere.
	Worst, WorstLow rf.Gain
	WorstAt         rf.Frequency
	// Closes: every failing frequency has the margin asked. Surely: at the low end of the bands too, which
	// there is none of without a spread.
	Closes, Surely bool
	// Worse are frequencies at which the product stood the level wanted and would now see more than it
	// was shown to stand.
	Worse []Worse
}

// Worse is a frequency that a combination makes worse.
type Worse struct {
	_ struct{} `tell:"hz=Frequency effect_db=Effect left_db=Margin"`

	Frequency rf.Frequency
	Effect    rf.Gain // negative
	// Margin is what would be left of what the product was shown to stand; below 0 dB.
	Margin rf.Gain
}

// Names returns the names of the choices.
func (c Combination) Names() []string {
	var out []string
	for _, x := range c.Choices {
		out = append(out, x.Name)
	}
	return out
}

// Outcome is what a search found.
type Outcome struct {
	Total int // combinations looked at
	Best  []Combination
	Needs []Need
}

// Find looks through every combination of up to Most parts. First come those that close every gap
// with the margin asked and make nothing worse, fewest parts first; then those that close it and make
// it worse at another frequency; then the others, by what is still missing. needs must be at the
// model's frequencies, in their order.
func (m *Model) Find(s Search, needs []Need) (Outcome, error) {
	if s.Most == 0 {
		s.Most = 3
	}
	if s.Keep == 0 {
		s.Keep = 20
	}
	if s.Workers == 0 {
		s.Workers = runtime.GOMAXPROCS(0)
	}
	if s.Reference != SameDrive && s.Reference != SameProbe {
		return Outcome{}, fmt.Errorf("remedy: %q is no reference; it is %q or %q", s.Reference, SameDrive, SameProbe)
	}
	if err := m.fits(needs); err != nil {
		return Outcome{}, err
	}
	parts, err := m.sampleParts(s.Parts)
	if err != nil {
		return Outcome{}, err
	}
	all, err := combinations(parts, s.Most)
	if err != nil {
		return Outcome{}, err
	}
	best, err := m.rank(s, parts, all, needs)
	if err != nil {
		return Outcome{}, err
	}
	out := Outcome{Total: len(all), Needs: needs}
	bands, err := m.Bands(s.Spread)
	if err != nil {
		return Outcome{}, err
	}
	for _, r := range best {
		c, err := m.judge(s, bands, choicesOf(parts, r.picks), needs)
		if err != nil {
			return Outcome{}, err
		}
		out.Best = append(out.Best, c)
	}
	return out, nil
}

func (m *Model) fits(needs []Need) error {
	if len(needs) != m.grid.Len() {
		return fmt.Errorf("remedy: %d frequencies are needed and the model has %d", len(needs), m.grid.Len())
	}
	failing := false
	for i, n := range needs {
		if n.Frequency != m.grid.Frequency(i) {
			return fmt.Errorf("remedy: frequency %d is %v in the model and %v in what is needed",
				i+1, m.grid.Frequency(i), n.Frequency)
		}
		if !n.Margin.Finite() {
			return fmt.Errorf("remedy: the margin at %v is not a number", n.Frequency)
		}
		failing = failing || n.Failing
	}
	if !failing {
		return errors.New("remedy: nothing fails, so no decibel is missing")
	}
	return nil
}

func (m *Model) sampleParts(parts []Part) ([]Part, error) {
	if len(parts) == 0 {
		return nil, errors.New("remedy: the parts list is empty")
	}
	out := make([]Part, len(parts))
	var errs []error
	for i, p := range parts {
		out[i].Name = p.Name
		for _, a := range p.Alternatives {
			c, err := m.sampled(a)
			errs = append(errs, err)
			out[i].Alternatives = append(out[i].Alternatives, c)
		}
	}
	return out, errors.Join(errs...)
}

// picks are, for each part of a combination, its index and that of the alternative.
type picks [][2]int16

// combinations lists every combination of one to most parts, fewest parts first.
func combinations(parts []Part, most int) ([]picks, error) {
	total := 0
	for k := 1; k <= most; k++ {
		total += count(parts, k)
		if total > MaximumCombinations {
			return nil,
				fmt.Errorf("remedy: the parts give more than %d combinations of up to %d parts; name fewer "+
					"alternatives, or fewer parts in a combination", MaximumCombinations, most)
		}
	}
	out := make([]picks, 0, total)
	var grow func(from, left int, so picks)
	grow = func(from, left int, so picks) {
		if left == 0 {
			out = append(out, slices.Clone(so))
			return
		}
		for i := from; i < len(parts); i++ {
			for a := range parts[i].Alternatives {
				grow(i+1, left-1, append(so, [2]int16{int16(i), int16(a)}))
			}
		}
	}
	for k := 1; k <= most; k++ {
		grow(0, k, nil)
	}
	return out, nil
}

// count returns the number of combinations of exactly k parts, capped.
func count(parts []Part, k int) int {
	ways := make([]int, k+1)
	ways[0] = 1
	for _, p := range parts {
		for j := k; j > 0; j-- {
			ways[j] = min(ways[j]+ways[j-1]*len(p.Alternatives), MaximumCombinations+1)
		}
	}
	return ways[k]
}

func choicesOf(parts []Part, p picks) []Choice {
	var out []Choice
	for _, x := range p {
		out = append(out, parts[x[0]].Alternatives[x[1]])
	}
	return out
}

// rated is a combination with what it is ranked by.
type rated struct {
	picks  picks
	index  int
	closes bool
	worse  bool
	worst  rf.Gain
}

func (r rated) class() int {
	switch {
	case r.closes && !r.worse:
		return 0
	case r.closes:
		return 1
	}
	return 2
}

func better(a, b rated) int {
	if c := a.class() - b.class(); c != 0 {
		return c
	}
	if a.closes && len(a.picks) != len(b.picks) {
		return len(a.picks) - len(b.picks)
	}
	switch {
	case a.worst > b.worst:
		return -1
	case a.worst < b.worst:
		return 1
	}
	return a.index - b.index
}

// rank rates every combination and returns the best, the same whatever the number of workers.
func (m *Model) rank(s Search, parts []Part, all []picks, needs []Need) ([]rated, error) {
	const block = 64
	quick, err := newFast(m, parts)
	if err != nil {
		return nil, fmt.Errorf("remedy: %w", err)
	}
	var next, done atomic.Int64
	var tell sync.Mutex
	kept := make([][]rated, s.Workers)
	errs := make([]error, s.Workers)
	var wait sync.WaitGroup
	for w := range s.Workers {
		wait.Add(1)
		go func() {
			defer wait.Done()
			room := quick.walker()
			for {
				a := int(next.Add(block)) - block
				if a >= len(all) {
					return
				}
				for i := a; i < min(a+block, len(all)); i++ {
					r, err := m.rate(s, quick, room, all[i], i, needs)
					if err != nil {
						errs[w] = err
						next.Store(int64(len(all)))
						return
					}
					kept[w] = append(kept[w], r)
				}
				if len(kept[w]) > 8*s.Keep+block {
					slices.SortFunc(kept[w], better)
					kept[w] = kept[w][:s.Keep]
				}
				n := done.Add(int64(min(block, len(all)-a)))
				if s.Progress != nil {
					tell.Lock()
					s.Progress(int(n), len(all))
					tell.Unlock()
				}
			}
		}()
	}
	wait.Wait()
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	best := slices.Concat(kept...)
	slices.SortFunc(best, better)
	return best[:min(len(best), s.Keep)], nil
}

func (m *Model) rate(s Search, quick *fast, room *walker, p picks, index int, needs []Need) (rated, error) {
	c, err := quick.solve(room, p)
	if err != nil {
		return rated{}, fmt.Errorf("remedy: %v: %w", Combination{Choices: choicesOf(quick.parts, p)}.Names(), err)
	}
	r := rated{picks: p, index: index, closes: true, worst: rf.Gain(1e9)}
	for i, n := range needs {
		e := s.Reference.Of(effect(m.base.circuit[i], m.base.probe[i], c.circuit[i], c.probe[i]))
		if !e.Finite() {
			return r, fmt.Errorf("remedy: %v: no current reaches the circuit at %v",
				Combination{Choices: choicesOf(quick.parts, p)}.Names(), n.Frequency)
		}
		switch {
		case n.Failing:
			r.worst = min(r.worst, n.Margin+e)
		case isWorse(n, e):
			r.worse = true
		}
	}
	r.closes = r.worst >= s.Margin
	return r, nil
}

// isWorse reports that a frequency that did not fail would see more than was stood, by more than two
// runs differ at the same level.
func isWorse(n Need, effect rf.Gain) bool {
	return !n.Failing && effect < -analysis.SameLevel && n.Margin+effect < 0
}

// judge works a combination out in full.
func (m *Model) judge(s Search, bands *Bander, choices []Choice, needs []Need) (Combination, error) {
	c := Combination{Choices: choices, Closes: true, Surely: true, Worst: rf.Gain(1e9), WorstLow: rf.Gain(1e9)}
	var err error
	if c.Effects, err = m.Effects(choices); err != nil {
		return c, err
	}
	if c.Bands, err = bands.Of(choices, c.Effects); err != nil {
		return c, err
	}
	for i, n := range needs {
		e := s.Reference.Of(c.Effects[i])
		if isWorse(n, e) {
			c.Worse = append(c.Worse, Worse{Frequency: n.Frequency, Effect: e, Margin: n.Margin + e})
		}
		if !n.Failing {
			continue
		}
		if after := n.Margin + e; after < c.Worst {
			c.Worst, c.WorstAt = after, n.Frequency
		}
		c.WorstLow = min(c.WorstLow, n.Margin+s.Reference.Of(c.Bands[i].Low))
	}
	c.Closes, c.Surely = c.Worst >= s.Margin, s.Spread.Known() && c.WorstLow >= s.Margin
	return c, nil
}

// Judge works out one combination that the user chose.
func (m *Model) Judge(s Search, choices []Choice, needs []Need) (Combination, error) {
	if err := m.fits(needs); err != nil {
		return Combination{}, err
	}
	bands, err := m.Bands(s.Spread)
	if err != nil {
		return Combination{}, err
	}
	return m.judge(s, bands, choices, needs)
}
