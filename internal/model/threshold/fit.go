package threshold

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Model is the shape of the upset probability over level.
type Model string

// Probit is the normal distribution, its scale a standard deviation. Logistic is
// 1/(1 + exp(−(L − μ)/s)).
//
// LogLog and ComplementaryLogLog are the two distributions of extreme values, exp(−exp(−z)) and
// 1 − exp(−exp(z)): the shapes of a DUT of which any of many parts may upset, or of which all must. They
// stand for an asymmetry that nobody knows, see LimitsOfLevel.
const (
	Probit              Model = "probit"
	Logistic            Model = "logistic"
	LogLog              Model = "log-log"
	ComplementaryLogLog Model = "complementary log-log"
)

// ErrSeparated is wrapped by FitML where every pass lies below every upset: the likelihood has no
// maximum, the slope runs to infinity, and only the bracket is known.
var ErrSeparated = errors.New("every pass lies below every upset: only the bracket is known, not the spread")

// ErrOneSided is wrapped by FitML where one of the two outcomes is missing.
var ErrOneSided = errors.New("only one of the two outcomes was seen")

// ErrNotRising is wrapped by FitML where the DUT upsets no more often at higher levels.
var ErrNotRising = errors.New("upsets do not become likelier with level: the levels are too close together, too few, " +
	"or the DUT drifts")

// Fit is a maximum-likelihood fit of P = F(b0 + b1·L).
type Fit struct {
	Model      Model
	B0, B1     float64
	Mu         float64 // level of 50 % upsets, −b0/b1
	Sigma      float64 // scale, 1/b1: a standard deviation for probit, s for logistic
	Likelihood float64 // logarithm of the likelihood at the maximum
	// Covariance of b0 and b1, from the expected information.
	Covariance [2][2]float64
	Trials     int
	// Penalised: a penalty that pulls toward a flat slope was used (Firth 1993), because the trials
	// are separated. The fit is then finite and no more than a working figure.
	Penalised bool

	counts []Count
}

// quantile of the model's standard form.
func (m Model) quantile(p float64) float64 {
	switch m {
	case Logistic:
		return math.Log(p / (1 - p))
	case LogLog:
		return -math.Log(-math.Log(p))
	case ComplementaryLogLog:
		return math.Log(-math.Log1p(-p))
	}
	return distuv.UnitNormal.Quantile(p)
}

// probability of the model's standard form.
func (m Model) probability(z float64) float64 {
	switch m {
	case Logistic:
		return 1 / (1 + math.Exp(-z))
	case LogLog:
		return math.Exp(-math.Exp(-z))
	case ComplementaryLogLog:
		return -math.Expm1(-math.Exp(z))
	}
	return 0.5 * math.Erfc(-z/math.Sqrt2)
}

// upset returns ln F(z) and its derivative.
func (m Model) upset(z float64) (value, slope float64) {
	switch m {
	case Logistic:
		if z < 0 {
			e := math.Exp(z)
			return z - math.Log1p(e), 1 / (1 + e)
		}
		e := math.Exp(-z)
		return -math.Log1p(e), e / (1 + e)
	case LogLog:
		e := math.Exp(min(-z, 500))
		return -e, e
	case ComplementaryLogLog:
		if z > 6 { // F is 1 but for exp(−exp(z))
			e := math.Exp(min(z, 500))
			return -math.Exp(-e), math.Exp(z - e)
		}
		e := math.Exp(z)
		if e < 1e-12 {
			return z, 1
		}
		return math.Log(-math.Expm1(-e)), e * math.Exp(-e) / -math.Expm1(-e)
	}
	if z > -30 {
		p := 0.5 * math.Erfc(-z/math.Sqrt2)
		return math.Log(p), math.Exp(-z*z/2) / (math.Sqrt(2*math.Pi) * p)
	}
	// Φ(z) ≈ φ(z)/|z|·(1 − 1/z²) far out.
	return -z*z/2 - math.Log(-z*math.Sqrt(2*math.Pi)) + math.Log1p(-1/(z*z)), -z - 1/z
}

// pass returns ln(1 − F(z)) and its derivative toward lower z. The two log-log models are each other's
// mirror image; the others are their own.
func (m Model) pass(z float64) (value, slope float64) {
	switch m {
	case LogLog:
		return ComplementaryLogLog.upset(-z)
	case ComplementaryLogLog:
		return LogLog.upset(-z)
	}
	return m.upset(-z)
}

// weight returns the expected information of one trial at z: f²/(F·(1 − F)).
func (m Model) weight(z float64) float64 {
	if math.Abs(z) > 30 {
		return 0
	}
	_, up := m.upset(z)
	_, down := m.pass(z)
	return up * down
}

// likelihood returns the logarithm of the likelihood, its derivative with respect to the predictor
// times (1, x), and the expected information.
func (m Model) likelihood(counts []Count, b0, b1 float64) (value float64, gradient [2]float64,
	information [2][2]float64) {
	for _, c := range counts {
		z := b0 + b1*c.Level
		up, upSlope := m.upset(z)
		down, downSlope := m.pass(z)
		k, n := float64(c.Upsets), float64(c.Trials)
		if k > 0 {
			value += k * up
		}
		if n > k {
			value += (n - k) * down
		}
		g := k*upSlope - (n-k)*downSlope
		gradient[0] += g
		gradient[1] += g * c.Level
		w := 0.0
		if math.Abs(z) <= 30 { // as weight says, of what is known here already
			w = n * (upSlope * downSlope)
		}
		information[0][0] += w
		information[0][1] += w * c.Level
		information[1][1] += w * c.Level * c.Level
	}
	information[1][0] = information[0][1]
	return value, gradient, information
}

// FitML fits the model to trials. Errors wrap ErrOneSided, ErrSeparated or ErrNotRising.
func FitML(m Model, trials []Trial) (Fit, error) {
	switch o, pass, upset := OverlapOf(trials); o {
	case NoTrials, NoUpset, OnlyUpsets:
		return Fit{}, fmt.Errorf("fit the upset probability: %w (%s)", ErrOneSided, o)
	case Separated:
		return Fit{}, fmt.Errorf("fit the upset probability: %w (passes to %.2f dB, upsets from %.2f dB)", ErrSeparated,
			pass, upset)
	}
	return fit(m, CountsOf(trials), false)
}

// FitPenalised fits with the penalty of Firth, half the logarithm of the information's determinant:
// it has a maximum for separated trials too. Limits from it are not to be stated; the bracket is.
func FitPenalised(m Model, trials []Trial) (Fit, error) {
	switch o, _, _ := OverlapOf(trials); o {
	case NoTrials, NoUpset, OnlyUpsets:
		return Fit{}, fmt.Errorf("fit the upset probability: %w (%s)", ErrOneSided, o)
	}
	return fit(m, CountsOf(trials), true)
}

// fit works on levels that are centred and scaled, so that it does not depend on the scale in use.
func fit(m Model, counts []Count, penalised bool) (Fit, error) {
	if len(counts) < 2 {
		return Fit{}, fmt.Errorf("fit the upset probability: %w (all trials at one level)", ErrNotRising)
	}
	centre, spread, n := 0.0, 0.0, 0.0
	for _, c := range counts {
		centre += c.Level * float64(c.Trials)
		n += float64(c.Trials)
	}
	centre /= n
	for _, c := range counts {
		spread += (c.Level - centre) * (c.Level - centre) * float64(c.Trials)
	}
	spread = math.Sqrt(spread / n)
	scaled := make([]Count, len(counts))
	for i, c := range counts {
		scaled[i] = Count{(c.Level - centre) / spread, c.Trials, c.Upsets}
	}
	a, b, err := climb(m, scaled, penalised)
	if err != nil {
		return Fit{}, err
	}
	if !(b > 1e-6) {
		return Fit{}, fmt.Errorf("fit the upset probability: %w", ErrNotRising)
	}
	f := Fit{Model: m, B1: b / spread, B0: a - b*centre/spread, Trials: int(n), Penalised: penalised, counts: counts}
	f.Mu, f.Sigma = -f.B0/f.B1, 1/f.B1
	value, _, information := m.likelihood(counts, f.B0, f.B1)
	f.Likelihood = value
	det := information[0][0]*information[1][1] - information[0][1]*information[0][1]
	if !(det > 0) || math.IsInf(det, 0) || math.IsNaN(f.Mu) {
		return Fit{}, fmt.Errorf("fit the upset probability: %w", ErrNotRising)
	}
	f.Covariance = [2][2]float64{{information[1][1] / det, -information[0][1] / det},
		{-information[0][1] / det, information[0][0] / det}}
	return f, nil
}

// climb maximises the likelihood by Fisher's scoring with halved steps.
func climb(m Model, counts []Count, penalised bool) (a, b float64, err error) {
	value := func(a, b float64) (float64, [2]float64, [2][2]float64) {
		v, g, i := m.likelihood(counts, a, b)
		if penalised {
			v += penalty(i)
			for k := range g { // the penalty's slope, by central differences
				h := 1e-5
				up, down := [2]float64{a, b}, [2]float64{a, b}
				up[k] += h
				down[k] -= h
				_, _, iu := m.likelihood(counts, up[0], up[1])
				_, _, id := m.likelihood(counts, down[0], down[1])
				g[k] += (penalty(iu) - penalty(id)) / (2 * h)
			}
		}
		return v, g, i
	}
	b = 1
	now, g, i := value(a, b)
	for range 200 {
		det := i[0][0]*i[1][1] - i[0][1]*i[0][1]
		if !(det > 1e-12) {
			return 0, 0, fmt.Errorf("fit the upset probability: %w", ErrNotRising)
		}
		da, db := (i[1][1]*g[0]-i[0][1]*g[1])/det, (i[0][0]*g[1]-i[0][1]*g[0])/det
		step := 1.0
		if far := max(math.Abs(da), math.Abs(db)); far > 5 {
			step = 5 / far
		}
		moved := false
		for range 40 {
			v, g2, i2 := value(a+step*da, b+step*db)
			if v >= now-1e-13 && !math.IsNaN(v) {
				a, b, moved = a+step*da, b+step*db, true
				now, g, i = v, g2, i2
				break
			}
			step /= 2
		}
		if !moved || math.Abs(step*da) < 1e-11 && math.Abs(step*db) < 1e-11 {
			return a, b, nil
		}
	}
	return a, b, nil
}

func penalty(i [2][2]float64) float64 {
	det := i[0][0]*i[1][1] - i[0][1]*i[0][1]
	if !(det > 0) {
		return math.Inf(-1)
	}
	return math.Log(det) / 2
}

// Level returns the level at which the upset probability is p.
func (f Fit) Level(p float64) float64 { return f.Mu + f.Sigma*f.Model.quantile(p) }

// Probability returns the upset probability at a level.
func (f Fit) Probability(level float64) float64 { return f.Model.probability(f.B0 + f.B1*level) }
