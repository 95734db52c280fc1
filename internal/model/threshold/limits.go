package threshold

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Limits are confidence limits of a level. An open end is one that the trials do not bound.
type Limits struct {
	Low, High         float64 // dB; meaningless where open
	LowOpen, HighOpen bool
	Confidence        float64
	Method            string
}

// The methods of Limits.
const (
	ProfileMethod = "profile likelihood, Student"
	FiellerMethod = "Fieller"
	UnitedMethod  = "profile likelihood over four shapes, Student"
)

// critical returns the square of Student's t for so many degrees of freedom: with few trials the χ² of
// theory gives limits that are too close.
func critical(confidence float64, freedom int) float64 {
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: float64(max(1, freedom))}.Quantile((1 + confidence) / 2)
	return t * t
}

// shapes are the models over which limits far from the middle are united: which of them a DUT follows
// cannot be seen in a few dozen exposures, and they differ most there.
var shapes = []Model{Probit, Logistic, LogLog, ComplementaryLogLog}

// EnoughFor returns how many exposures limits of the level of probability p take at least: as many as
// show three of the rarer outcome there.
func EnoughFor(p float64) int { return int(math.Ceil(3/min(p, 1-p) - 1e-9)) }

// LimitsOfLevel returns limits of the level at which the upset probability is p that hold without knowing
// the shape of the upset probability. Near 50 % they are those of the model's likelihood. Elsewhere, and where
// the search's step was small against the scale, they take in the limits of every shape, with as many degrees of
// freedom as there are trials of the rarer outcome. fine says that the step was small. Errors wrap ErrOneSided.
func LimitsOfLevel(m Model, trials []Trial, p, confidence float64, fine bool) (Limits, error) {
	if p >= 0.35 && p <= 0.65 && !fine {
		return ProfileLimits(m, trials, p, confidence)
	}
	upsets := 0
	for _, t := range trials {
		if t.Upset {
			upsets++
		}
	}
	out := Limits{Low: math.Inf(1), High: math.Inf(-1), Confidence: confidence, Method: UnitedMethod}
	for _, shape := range shapes {
		l, err := profileLimits(shape, trials, p, confidence, min(upsets, len(trials)-upsets))
		if err != nil {
			return l, err
		}
		out.LowOpen, out.HighOpen = out.LowOpen || l.LowOpen, out.HighOpen || l.HighOpen
		out.Low, out.High = min(out.Low, l.Low), max(out.High, l.High)
	}
	return out, nil
}

// ProfileLimits returns limits of the level at which the upset probability is p: all levels that the
// likelihood, with the slope that suits each best, does not refuse. It works for separated trials too,
// where there is no fit. Errors wrap ErrOneSided.
func ProfileLimits(m Model, trials []Trial, p, confidence float64) (Limits, error) {
	return profileLimits(m, trials, p, confidence, len(trials)-2)
}

func profileLimits(m Model, trials []Trial, p, confidence float64, freedom int) (Limits, error) {
	o, pass, upset := OverlapOf(trials)
	if o != Separated && o != Mixed {
		return Limits{}, fmt.Errorf("limits of the level of %.4g %% upsets: %w (%s)", 100*p, ErrOneSided, o)
	}
	if !(p > 0 && p < 1 && confidence > 0 && confidence < 1) {
		return Limits{}, fmt.Errorf("limits of the level: probability %g and confidence %g must lie between 0 and 1", p,
			confidence)
	}
	counts := CountsOf(trials)
	best, top := (pass+upset)/2, 0.0
	if o == Mixed {
		f, err := fit(m, counts, false)
		if err != nil {
			return Limits{LowOpen: true, HighOpen: true, Confidence: confidence, Method: ProfileMethod}, nil
		}
		best, top = f.Level(p), f.Likelihood
	}
	floor := top - critical(confidence, freedom)/2
	z := m.quantile(p)
	inside := func(q float64) bool { return m.profile(counts, z, q) >= floor }
	span := max(counts[len(counts)-1].Level-counts[0].Level, 1e-6)
	out := Limits{Confidence: confidence, Method: ProfileMethod}
	out.Low, out.LowOpen = edge(inside, best, -span)
	out.High, out.HighOpen = edge(inside, best, span)
	return out, nil
}

// edge walks from inside until outside, then halves; open where 64 spans further are still inside.
func edge(inside func(float64) bool, from, span float64) (float64, bool) {
	step, in := span/16, from
	out := from + step
	for ; inside(out); out += step {
		in = out
		if math.Abs(out-from) > 64*math.Abs(span) {
			return 0, true
		}
		step *= 1.5
	}
	for range 60 {
		middle := (in + out) / 2
		if inside(middle) {
			in = middle
		} else {
			out = middle
		}
		if math.Abs(out-in) < 1e-6*math.Abs(span) {
			break
		}
	}
	return in, false
}

// profile returns the largest logarithm of the likelihood with the level of standard quantile z at q,
// over all slopes of 0 or more. It is concave in the slope.
func (m Model) profile(counts []Count, z, q float64) float64 {
	at := func(b float64) (float64, float64) {
		value, slope := 0.0, 0.0
		for _, c := range counts {
			x := c.Level - q
			k, n := float64(c.Upsets), float64(c.Trials)
			if k > 0 {
				up, upSlope := m.upset(z + b*x)
				value += k * up
				slope += k * upSlope * x
			}
			if n > k {
				down, downSlope := m.pass(z + b*x)
				value += (n - k) * down
				slope -= (n - k) * downSlope * x
			}
		}
		return value, slope
	}
	value, slope := at(0)
	if slope <= 0 {
		return value
	}
	low, high := 0.0, 1e-3
	for {
		v, s := at(high)
		value = max(value, v)
		if s <= 0 || math.IsNaN(s) {
			break
		}
		if high > 1e7 {
			return value // separated at q: the slope runs to infinity
		}
		low, high = high, 4*high
	}
	for range 60 {
		middle := (low + high) / 2
		v, s := at(middle)
		value = max(value, v)
		if s > 0 {
			low = middle
		} else {
			high = middle
		}
		if high-low < 1e-7*high {
			break
		}
	}
	return value
}

// FiellerLimits returns limits of the level at which the upset probability is p by Fieller's theorem,
// from the covariance of the fit. Where the slope itself is not shown to differ from 0 both ends are
// open.
func (f Fit) FiellerLimits(p, confidence float64) Limits {
	out := Limits{Confidence: confidence, Method: FiellerMethod}
	t2 := critical(confidence, f.Trials-2)
	a0 := f.B0 - f.Model.quantile(p)
	v := f.Covariance
	a := f.B1*f.B1 - t2*v[1][1]
	b := a0*f.B1 - t2*v[0][1]
	c := a0*a0 - t2*v[0][0]
	d := b*b - a*c
	if !(a > 0) || !(d >= 0) {
		out.LowOpen, out.HighOpen = true, true
		return out
	}
	out.Low, out.High = (-b-math.Sqrt(d))/a, (-b+math.Sqrt(d))/a
	return out
}
