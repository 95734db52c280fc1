package uncertainty

import (
	"fmt"
	"math"
	"sort"

	"gonum.org/v1/gonum/stat/distuv"

	"provoke/internal/units/rf"
)

// Correlation is the correlation coefficient of two inputs, named by their index.
type Correlation struct {
	I, J int
	R    float64
}

// Budget is a sum of inputs in one unit.
type Budget struct {
	Unit         string // "dB"
	Inputs       []Input
	Correlations []Correlation
}

// Contribution is what one input gives to the result.
type Contribution struct {
	Index    int // of the budget's Inputs
	Input    Input
	Standard float64 // |sensitivity| times standard uncertainty, in the budget's unit
	// Share is the part of the combined variance, 0 to 1; with correlations it may be negative.
	Share float64
}

// Combined is the combined standard uncertainty of a budget.
type Combined struct {
	Unit     string
	Standard float64
	// Freedom is the effective number of degrees of freedom after Welch and Satterthwaite; +Inf where
	// every input has infinitely many. Inputs that are correlated count together, with the fewest
	// degrees of freedom among them.
	Freedom float64
	// Contributions are ranked, the largest first.
	Contributions []Contribution
}

// Expanded is an expanded uncertainty: the value lies within ± U with the confidence.
type Expanded struct {
	U          float64
	K          float64
	Confidence rf.Fraction
	Freedom    float64 // as used for K: whole, rounded down; +Inf
}

// Combine combines the inputs by the law of propagation (JCGM 100, 5.1 and 5.2).
func (b Budget) Combine() (Combined, error) {
	if len(b.Inputs) == 0 {
		return Combined{}, fmt.Errorf("combine uncertainties: the budget has no inputs")
	}
	for _, in := range b.Inputs {
		if err := in.Check(); err != nil {
			return Combined{}, err
		}
	}
	r, err := b.matrix()
	if err != nil {
		return Combined{}, err
	}
	c := make([]float64, len(b.Inputs))
	for i, in := range b.Inputs {
		c[i] = in.Contribution()
	}
	shares := make([]float64, len(c))
	variance := 0.0
	for i := range c {
		for j := range c {
			shares[i] += c[i] * c[j] * r[i][j]
		}
		variance += shares[i]
	}
	variance = max(variance, 0)
	out := Combined{Unit: b.Unit, Standard: math.Sqrt(variance), Freedom: b.effectiveFreedom(c, r, variance)}
	for i, in := range b.Inputs {
		share := 0.0
		if variance > 0 {
			share = shares[i] / variance
		}
		out.Contributions = append(out.Contributions, Contribution{Index: i, Input: in, Standard: math.Abs(c[i]),
			Share: share})
	}
	sort.SliceStable(out.Contributions, func(i,
		j int) bool {
		return out.Contributions[i].Standard > out.Contributions[j].Standard
	})
	return out, nil
}

// matrix returns the correlation matrix.
func (b Budget) matrix() ([][]float64, error) {
	n := len(b.Inputs)
	r := make([][]float64, n)
	for i := range r {
		r[i] = make([]float64, n)
		r[i][i] = 1
	}
	for _, c := range b.Correlations {
		if c.I < 0 || c.J < 0 || c.I >= n || c.J >= n || c.I == c.J || !(c.R >= -1 && c.R <= 1) {
			return nil, fmt.Errorf("combine uncertainties: the correlation %g of inputs %d and %d is impossible",
				c.R, c.I, c.J)
		}
		r[c.I][c.J], r[c.J][c.I] = c.R, c.R
	}
	return r, nil
}

// effectiveFreedom is the formula of Welch and Satterthwaite over groups of correlated inputs; the
// GUM gives it for independent inputs only (JCGM 100, G.4).
func (b Budget) effectiveFreedom(c []float64, r [][]float64, variance float64) float64 {
	done := make([]bool, len(c))
	sum := 0.0
	for i := range c {
		if done[i] {
			continue
		}
		group := groupOf(i, r, done)
		part, fewest := 0.0, math.Inf(1)
		for _, j := range group {
			fewest = min(fewest, b.Inputs[j].freedom())
			for _, k := range group {
				part += c[j] * c[k] * r[j][k]
			}
		}
		sum += part * part / fewest
	}
	if sum <= 0 {
		return math.Inf(1)
	}
	return variance * variance / sum
}

// groupOf returns the inputs that are joined to i by correlations, and marks them.
func groupOf(i int, r [][]float64, done []bool) []int {
	group := []int{i}
	done[i] = true
	for k := 0; k < len(group); k++ {
		for j := range r {
			if !done[j] && r[group[k]][j] != 0 {
				done[j] = true
				group = append(group, j)
			}
		}
	}
	return group
}

// Expand returns the expanded uncertainty for a confidence, with the coverage factor of Student's t
// at the effective degrees of freedom, rounded down (JCGM 100, G.4.1).
func (c Combined) Expand(confidence rf.Fraction) (Expanded, error) {
	k, err := CoverageFactor(confidence, c.Freedom)
	if err != nil {
		return Expanded{}, err
	}
	nu := c.Freedom
	if !math.IsInf(nu, 1) {
		nu = max(1, math.Floor(nu+1e-9))
	}
	return Expanded{U: k * c.Standard, K: k, Confidence: confidence, Freedom: nu}, nil
}

// CoverageFactor returns the two-sided factor of Student's t for a confidence between 0 and 1, with
// the degrees of freedom rounded down; +Inf means the normal distribution.
func CoverageFactor(confidence rf.Fraction, freedom float64) (float64, error) {
	p := float64(confidence)
	if !(p > 0 && p < 1) {
		return 0, fmt.Errorf("a confidence of %v has no coverage factor: it must lie between 0 %% and 100 %%",
			confidence)
	}
	return quantile((1+p)/2, freedom)
}

// OneSidedFactor returns the factor that a value is shown to lie beyond with a confidence.
func OneSidedFactor(confidence rf.Fraction, freedom float64) (float64, error) {
	p := float64(confidence)
	if !(p > 0 && p < 1) {
		return 0, fmt.Errorf("a confidence of %v has no factor: it must lie between 0 %% and 100 %%", confidence)
	}
	return quantile(p, freedom)
}

func quantile(p, freedom float64) (float64, error) {
	switch {
	case math.IsNaN(freedom) || freedom < 1:
		return 0, fmt.Errorf("%g degrees of freedom have no coverage factor", freedom)
	case freedom > 1e6:
		return distuv.UnitNormal.Quantile(p), nil
	}
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: math.Floor(freedom + 1e-9)}.Quantile(p), nil
}
