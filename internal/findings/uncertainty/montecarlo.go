package uncertainty

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"provoke/internal/units/rf"
)

// Interval is a coverage interval.
type Interval struct{ Low, High float64 }

// HalfWidth returns half the length of the interval.
func (i Interval) HalfWidth() float64 { return (i.High - i.Low) / 2 }

// Simulated is the outcome of a Monte Carlo run after JCGM 101.
type Simulated struct {
	Draws      int
	Mean       float64
	Standard   float64
	Confidence rf.Fraction
	// Symmetric leaves as much probability below as above; Shortest is the shortest that covers.
	Symmetric, Shortest Interval
}

// Draws that Simulate takes at least: fewer say little of a 95 % interval (JCGM 101, 7.2.2).
const MinimumDraws = 10_000

const block = 1024

// Simulate draws the budget's inputs and sums them. Every input is drawn from its distribution: a
// certificate and a Type A input with finite degrees of freedom from Student's t (JCGM 101, 6.4.9),
// a mismatch exactly from its phase. Correlated inputs are drawn from a normal distribution.
func (b Budget) Simulate(r *rand.Rand, draws int, confidence rf.Fraction) (Simulated, error) {
	if err := b.drawable(draws, confidence); err != nil {
		return Simulated{}, err
	}
	group, root, err := b.correlated()
	if err != nil {
		return Simulated{}, err
	}
	y := make([]float64, draws)
	for from := 0; from < draws; from += block {
		part := y[from:min(from+block, draws)]
		for i, in := range b.Inputs {
			if !slices.Contains(group, i) {
				in.draw(r, part, in.Sensitivity)
			}
		}
		if len(group) > 0 {
			b.drawCorrelated(r, part, group, root)
		}
	}
	return summarise(y, confidence), nil
}

func (b Budget) drawable(draws int, confidence rf.Fraction) error {
	switch {
	case len(b.Inputs) == 0:
		return fmt.Errorf("simulate: the budget has no inputs")
	case draws < MinimumDraws || draws > 100_000_000:
		return fmt.Errorf("simulate: %d draws; between %d and 100000000 are taken", draws, MinimumDraws)
	case !(confidence > 0 && confidence < 1):
		return fmt.Errorf("simulate: a confidence of %v; it must lie between 0 %% and 100 %%", confidence)
	}
	for _, in := range b.Inputs {
		if err := in.Check(); err != nil {
			return err
		}
	}
	return nil
}

// draw adds c times draws of the input's deviation to every element of sum.
func (in Input) draw(r *rand.Rand, sum []float64, c float64) {
	a := c * in.Half
	switch in.Distribution {
	case Rectangular:
		for i := range sum {
			sum[i] += a * (2*r.Float64() - 1)
		}
	case Triangular:
		for i := range sum {
			sum[i] += a * (r.Float64() - r.Float64())
		}
	case UShaped, InDisc:
		in.drawPhase(r, sum, c)
	default:
		in.drawNormal(r, sum, c*in.Standard())
	}
}

// drawNormal draws from a normal distribution, or from Student's t where the degrees of freedom are
// finite.
func (in Input) drawNormal(r *rand.Rand, sum []float64, u float64) {
	nu := in.freedom()
	if math.IsInf(nu, 1) {
		for i := range sum {
			sum[i] += u * r.NormFloat64()
		}
		return
	}
	for i := range sum {
		sum[i] += u * student(r, nu)
	}
}

// student draws Student's t by the polar method of Bailey (1994).
func student(r *rand.Rand, nu float64) float64 {
	for {
		u, v := 2*r.Float64()-1, 2*r.Float64()-1
		w := u*u + v*v
		if w > 0 && w <= 1 {
			return u * math.Sqrt(nu*math.Expm1(-2/nu*math.Log(w))/w)
		}
	}
}

// cosine draws the cosine of a phase that may be any: for a point (x, y) in the unit disc
// (x² − y²)/(x² + y²) is the cosine of twice its angle.
func cosine(r *rand.Rand) float64 {
	for {
		x, y := 2*r.Float64()-1, 2*r.Float64()-1
		x, y = x*x, y*y
		if w := x + y; w > 0 && w <= 1 {
			return (x - y) / w
		}
	}
}

// drawPhase draws what depends on an unknown phase. Of a mismatch the product of the reflections is
// known, so its level is drawn as it is: 10·log10(1 + 2ρ·cos φ + ρ²).
func (in Input) drawPhase(r *rand.Rand, sum []float64, c float64) {
	if in.product == 0 {
		for i := range sum {
			sum[i] += c * in.Half * cosine(r)
		}
		return
	}
	for i := range sum {
		p := in.product
		if in.Distribution == InDisc { // two magnitudes, each √(uniform) of its bound
			p *= math.Sqrt(r.Float64() * r.Float64())
		}
		sum[i] += c * (10 / math.Ln10) * math.Log1p(p*(2*cosine(r)+p))
	}
}

// correlated returns the inputs that are correlated with another one and the Cholesky factor of
// their correlation matrix.
func (b Budget) correlated() (group []int, root [][]float64, err error) {
	r, err := b.matrix()
	if err != nil {
		return nil, nil, err
	}
	for i := range r {
		for j := range r {
			if i != j && r[i][j] != 0 {
				group = append(group, i)
				break
			}
		}
	}
	root = make([][]float64, len(group))
	for i := range group {
		root[i] = make([]float64, len(group))
		for j := 0; j <= i; j++ {
			s := r[group[i]][group[j]]
			for k := 0; k < j; k++ {
				s -= root[i][k] * root[j][k]
			}
			switch {
			case i == j && s < -1e-9, i != j && root[j][j] == 0 && math.Abs(s) > 1e-4:
				// wholly given by those before, and yet not
				return nil, nil, fmt.Errorf("simulate: the correlations contradict one another")
			case i == j:
				root[i][i] = math.Sqrt(max(s, 0))
			case root[j][j] > 0:
				root[i][j] = s / root[j][j]
			}
		}
	}
	return group, root, nil
}

func (b Budget) drawCorrelated(r *rand.Rand, sum []float64, group []int, root [][]float64) {
	z := make([]float64, len(group))
	for n := range sum {
		for i := range z {
			z[i] = r.NormFloat64()
			x := 0.0
			for j := 0; j <= i; j++ {
				x += root[i][j] * z[j]
			}
			sum[n] += b.Inputs[group[i]].Contribution() * x
		}
	}
}

// summarise sorts the draws and finds the intervals (JCGM 101, 7.5 to 7.7).
func summarise(y []float64, confidence rf.Fraction) Simulated {
	s := Simulated{Draws: len(y), Confidence: confidence}
	n := float64(len(y))
	for _, v := range y {
		s.Mean += v
	}
	s.Mean /= n
	for _, v := range y {
		s.Standard += (v - s.Mean) * (v - s.Mean)
	}
	s.Standard = math.Sqrt(s.Standard / (n - 1))
	ascend(y)
	q := min(int(math.Round(float64(confidence)*n)), len(y)-1)
	r := (len(y) - q) / 2
	s.Symmetric = Interval{y[r], y[min(r+q, len(y)-1)]}
	best := 0
	for i := 1; i+q < len(y); i++ {
		if y[i+q]-y[i] < y[best+q]-y[best] {
			best = i
		}
	}
	s.Shortest = Interval{y[best], y[best+q]}
	return s
}

// ascend sorts by the digits of the bit patterns, eleven bits at a time: on a million draws several
// times as fast as comparing. Draws are finite.
func ascend(y []float64) {
	const bits, size = 11, 1 << 11
	from, to := make([]uint64, len(y)), make([]uint64, len(y))
	var counts [6][size]int
	for i, v := range y {
		u := math.Float64bits(v)
		u ^= uint64(int64(u)>>63) | 1<<63 // negative numbers fall below positive ones, and in order
		from[i] = u
		for p := range counts {
			counts[p][u>>(bits*p)&(size-1)]++
		}
	}
	for p := range counts {
		at, c := 0, &counts[p]
		for d, n := range c {
			c[d] = at
			at += n
		}
		for _, u := range from {
			d := u >> (bits * p) & (size - 1)
			to[c[d]] = u
			c[d]++
		}
		from, to = to, from
	}
	for i, u := range from {
		u ^= (u>>63 - 1) | 1<<63
		y[i] = math.Float64frombits(u)
	}
}

// Comparison says whether the law of propagation holds for a result (JCGM 101, 8).
type Comparison struct {
	// Tolerance is half a unit of the last of two significant digits of the standard uncertainty.
	Tolerance float64
	// Low and High are how far the ends of ± U lie from those of the simulated interval.
	Low, High float64
	// Differs: one of them is beyond the tolerance, so both results are to be shown.
	Differs bool
}

// Compare compares the interval estimate ± U with the simulated one that leaves as much below as
// above.
func Compare(estimate float64, c Combined, e Expanded, s Simulated) Comparison {
	out := Comparison{
		Low:  math.Abs(estimate - e.U - s.Symmetric.Low),
		High: math.Abs(estimate + e.U - s.Symmetric.High),
	}
	if c.Standard > 0 {
		out.Tolerance = 0.5 * math.Pow(10, math.Floor(math.Log10(c.Standard))-1)
	}
	out.Differs = out.Low > out.Tolerance || out.High > out.Tolerance
	return out
}
