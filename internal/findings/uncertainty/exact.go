package uncertainty

import (
	"fmt"
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/stat/distuv"

	"provoke/internal/units/rf"
)

// Interval returns the interval that the sum of the budget's inputs, each spread as it says, lies in with a
// confidence: as much probability below as above. It is what Simulate draws (JCGM 101, 7.7), worked out from
// the characteristic function instead (Gil-Pelaez 1951), so that it has no scatter and costs little.
func (b Budget) Interval(confidence rf.Fraction) (Interval, error) {
	s, err := b.sum()
	if err != nil {
		return Interval{}, err
	}
	p := float64(confidence)
	if !(p > 0 && p < 1) {
		return Interval{}, fmt.Errorf("a confidence of %v has no interval: it must lie between 0 %% and 100 %%",
			confidence)
	}
	return Interval{s.quantile((1 - p) / 2), s.quantile((1 + p) / 2)}, nil
}

// sum is the distribution of a sum by its characteristic function at t = step, 2·step, …
type sum struct {
	step, scale, reach float64
	at                 []complex128
}

// How many standard uncertainties a distribution may spread over before its tails are folded back: more where
// few degrees of freedom give it long ones. mostPoints bounds the work where nothing damps the characteristic
// function.
const (
	shortReach, longReach = 50.0, 400.0
	mostPoints            = 4000
)

func (b Budget) sum() (sum, error) {
	c, err := b.Combine()
	if err != nil {
		return sum{}, err
	}
	s := sum{scale: c.Standard, reach: shortReach}
	for _, in := range b.Inputs {
		if in.freedom() < 12 {
			s.reach = longReach
		}
	}
	if c.Standard <= 0 {
		return s, nil
	}
	parts, err := b.parts()
	if err != nil {
		return sum{}, err
	}
	s.step = 2 * math.Pi / (s.reach * c.Standard)
	for k := 1; k <= mostPoints; k++ {
		t, phi := float64(k)*s.step, complex(1, 0)
		for _, p := range parts {
			phi *= p(t)
		}
		s.at = append(s.at, phi)
		if k > 40 && cmplx.Abs(phi) < 1e-9 {
			break
		}
	}
	return s, nil
}

// parts are the characteristic functions of what is independent: inputs that are correlated count together, as
// a normal distribution.
func (b Budget) parts() ([]func(float64) complex128, error) {
	group, _, err := b.correlated()
	if err != nil {
		return nil, err
	}
	r, err := b.matrix()
	if err != nil {
		return nil, err
	}
	together, variance := map[int]bool{}, 0.0
	for _, i := range group {
		together[i] = true
		for _, j := range group {
			variance += b.Inputs[i].Contribution() * b.Inputs[j].Contribution() * r[i][j]
		}
	}
	out := []func(float64) complex128{normal(math.Sqrt(max(variance, 0)))}
	for i, in := range b.Inputs {
		if !together[i] && in.Contribution() != 0 {
			out = append(out, in.characteristic())
		}
	}
	return out, nil
}

func normal(u float64) func(float64) complex128 {
	return func(t float64) complex128 { return complex(math.Exp(-u*u*t*t/2), 0) }
}

// characteristic returns the characteristic function of the input's deviation times its sensitivity.
func (in Input) characteristic() func(float64) complex128 {
	a := in.Sensitivity * in.Half
	sinc := func(x float64) float64 {
		if math.Abs(x) < 1e-9 {
			return 1
		}
		return math.Sin(x) / x
	}
	switch in.Distribution {
	case Rectangular:
		return func(t float64) complex128 { return complex(sinc(a*t), 0) }
	case Triangular:
		return func(t float64) complex128 { return complex(math.Pow(sinc(a*t/2), 2), 0) }
	case UShaped, InDisc:
		return in.ofPhase()
	}
	u := in.Sensitivity * in.Standard()
	nu := in.freedom()
	if math.IsInf(nu, 1) {
		return normal(u)
	}
	return studentsT(nu, u)
}

// studentsT: Student's t is normal with a variance of ν over a χ² of ν, whose quantiles stand for it here.
func studentsT(nu, u float64) func(float64) complex128 {
	const n = 64
	var variances [n]float64
	chi := distuv.ChiSquared{K: nu}
	for i := range variances {
		variances[i] = u * u * nu / chi.Quantile((float64(i)+0.5)/n)
	}
	return func(t float64) complex128 {
		sum := 0.0
		for _, v := range variances {
			sum += math.Exp(-v * t * t / 2)
		}
		return complex(sum/n, 0)
	}
}

// ofPhase takes the mean over a phase that may be any; of a bounded mismatch over its magnitude too, the root
// of the product of two even numbers, whose distribution is w·(1 − ln w).
func (in Input) ofPhase() func(float64) complex128 {
	const phases, sizes = 48, 24
	shares := []float64{1}
	if in.Distribution == InDisc {
		shares = shares[:0]
		for i := range sizes {
			shares = append(shares, math.Sqrt(inverse((float64(i)+0.5)/sizes,
				func(w float64) float64 { return w * (1 - math.Log(w)) })))
		}
	}
	var levels []float64
	for _, share := range shares {
		for k := range phases {
			c := math.Cos(2 * math.Pi * (float64(k) + 0.5) / phases)
			x := in.Half * share * c
			if p := in.product * share; in.product != 0 {
				x = (10 / math.Ln10) * math.Log1p(p*(2*c+p))
			}
			levels = append(levels, in.Sensitivity*x)
		}
	}
	n := complex(float64(len(levels)), 0)
	return func(t float64) complex128 {
		var sum complex128
		for _, x := range levels {
			sin, cos := math.Sincos(t * x)
			sum += complex(cos, sin)
		}
		return sum / n
	}
}

// inverse finds where a rising function of 0 to 1 takes a value.
func inverse(y float64, f func(float64) float64) float64 {
	low, high := 1e-12, 1.0
	for range 50 {
		if middle := (low + high) / 2; f(middle) < y {
			low = middle
		} else {
			high = middle
		}
	}
	return (low + high) / 2
}

// below is the distribution function: ½ − (1/π)·∫ Im(e^(−itx)·φ(t))/t dt, by the midpoint rule of its
// periodic continuation.
func (s sum) below(x float64) float64 {
	if s.scale <= 0 {
		if x < 0 {
			return 0
		}
		return 1
	}
	// ½ + x·step/2π belongs to t = 0, where the integrand is x.
	total := s.step * (-x) / 2
	turn, turned := cmplx.Rect(1, -s.step*x), complex(1, 0) // e^(−itx): under 1e-12 off after 4,000
	for k, phi := range s.at {
		turned *= turn
		total += imag(phi*turned) / float64(k+1)
	}
	return min(max(0.5-total/math.Pi, 0), 1)
}

func (s sum) quantile(p float64) float64 {
	if s.scale <= 0 {
		return 0
	}
	low, high := -s.reach/4*s.scale, s.reach/4*s.scale
	for range 32 {
		if middle := (low + high) / 2; s.below(middle) < p {
			low = middle
		} else {
			high = middle
		}
	}
	return (low + high) / 2
}
