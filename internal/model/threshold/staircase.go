package threshold

import (
	"fmt"
	"math"
)

// Rule is a staircase: how many whole steps the level goes up or down after what. The zero Rule is
// the plain up-and-down.
type Rule struct {
	// Probability is the upset probability that the staircase settles round.
	Probability float64
	// Passes in a row at one level are needed to go up, Upsets in a row to go down; 0 counts as 1.
	Passes, Upsets int
	// Up and Down are how many steps the level moves; 0 counts as 1.
	Up, Down int
}

// UpAndDown is the plain staircase: one step up after a pass, one down after an upset (Dixon and Mood).
func UpAndDown() Rule { return Rule{Probability: 0.5, Passes: 1, Upsets: 1, Up: 1, Down: 1} }

// RuleFor returns the rule that settles round an upset probability: the plain one for 50 %; the
// transformed ones of Levitt (1971) for their probabilities, 0.5^(1/n) upset for n upsets in a row and
// 1 − 0.5^(1/n) for n passes in a row, n from 2 to 4; else a weighted one (Kaernbach 1991) whose steps
// stand in the ratio up : down = p : (1 − p), as near as whole numbers up to 10 come.
func RuleFor(probability float64) (Rule, error) {
	if !(probability >= 0.05 && probability <= 0.95) {
		return Rule{},
			fmt.Errorf("a staircase cannot settle round an upset probability of %.4g %%: take one from 5 %% to 95 %%",
				100*probability)
	}
	if math.Abs(probability-0.5) < 0.005 {
		return UpAndDown(), nil
	}
	for n := 2; n <= 4; n++ {
		p := TransformedTarget(n)
		switch {
		case math.Abs(probability-p) < 0.006:
			return Rule{Probability: p, Passes: 1, Upsets: n, Up: 1, Down: 1}, nil
		case math.Abs(probability-(1-p)) < 0.006:
			return Rule{Probability: 1 - p, Passes: n, Upsets: 1, Up: 1, Down: 1}, nil
		}
	}
	best, off := Rule{}, math.Inf(1)
	for up := 1; up <= 10; up++ {
		for down := 1; down <= 10; down++ {
			p := float64(up) / float64(up+down)
			if d := math.Abs(p - probability); d < off-1e-12 {
				best, off = Rule{Probability: p, Passes: 1, Upsets: 1, Up: up, Down: down}, d
			}
		}
	}
	return best, nil
}

// TransformedTarget returns the probability that n upsets in a row settle round: 0.5^(1/n).
func TransformedTarget(n int) float64 { return math.Pow(0.5, 1/float64(n)) }

// Move returns by how many steps the level moves after the newest trial of a staircase: its outcomes
// in order, each with the level it was made at. 0 means one more at the same level.
func (r Rule) Move(trials []Trial) int {
	n := len(trials)
	if n == 0 {
		return 0
	}
	last := trials[n-1]
	need, by := max(1, r.Passes), max(1, r.Up)
	if last.Upset {
		need, by = max(1, r.Upsets), -max(1, r.Down)
	}
	row := 0
	for i := n - 1; i >= 0 && trials[i].Upset == last.Upset && math.Abs(trials[i].Level-last.Level) < 1e-9; i-- {
		row++
	}
	// A row that was already answered by a move that had nowhere to go is answered again.
	if row%need == 0 {
		return by
	}
	return 0
}

// String words the rule: "one step up after a pass, one step down after an upset (settles round 50 %
// upsets)".
func (r Rule) String() string {
	return fmt.Sprintf("%s up after %s, %s down after %s (settles round %.3g %% upsets)",
		steps(r.Up), inARow(r.Passes, "pass", "passes"), steps(r.Down), inARow(r.Upsets, "upset", "upsets"),
		100*r.Probability)
}

func steps(n int) string {
	if n <= 1 {
		return "one step"
	}
	return fmt.Sprintf("%d steps", n)
}

func inARow(n int, one, many string) string {
	if n <= 1 {
		return "one " + one
	}
	return fmt.Sprintf("%d %s in a row", n, many)
}

// DixonMood is the estimate of an up-and-down run after Dixon and Mood (1948), by hand arithmetic. It
// uses the less frequent outcome only; a likelihood fit uses all.
type DixonMood struct {
	Mean, Sigma float64
	N, A, B     int  // Σn, Σi·n, Σi²·n over the levels of the less frequent outcome
	Upsets      bool // the less frequent outcome is the upset
	// Weak: the formula of sigma holds for (N·B − A²)/N² > 0.3 only; Sigma is then 0.53 steps.
	Weak bool
}

// DixonMoodOf estimates mean and standard deviation from an up-and-down run with equal steps. It
// refuses a run in which one of the outcomes is missing.
func DixonMoodOf(trials []Trial, step float64) (DixonMood, error) {
	upsets := 0
	for _, t := range trials {
		if t.Upset {
			upsets++
		}
	}
	passes := len(trials) - upsets
	if upsets == 0 || passes == 0 || !(step > 0) {
		return DixonMood{},
			fmt.Errorf("estimate after Dixon and Mood: %d upsets and %d passes with steps of %g dB: both outcomes "+
				"and a step are needed", upsets, passes, step)
	}
	d := DixonMood{Upsets: upsets <= passes}
	lowest := math.Inf(1)
	for _, t := range trials {
		if t.Upset == d.Upsets {
			lowest = min(lowest, t.Level)
		}
	}
	for _, t := range trials {
		if t.Upset == d.Upsets {
			i := int(math.Round((t.Level - lowest) / step))
			d.N++
			d.A += i
			d.B += i * i
		}
	}
	n, a, b := float64(d.N), float64(d.A), float64(d.B)
	half := 0.5
	if d.Upsets {
		half = -0.5
	}
	d.Mean = lowest + step*(a/n+half)
	m := (n*b - a*a) / (n * n)
	d.Sigma = 1.620 * step * (m + 0.029)
	if d.Weak = m <= 0.3; d.Weak {
		d.Sigma = 0.53 * step
	}
	return d, nil
}
