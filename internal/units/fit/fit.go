// Package fit finds the parameters of a model from measured figures by least squares, and says how
// well they are known. It knows no model: permeability (package twoport) and cables (package cable)
// bring theirs. It stands on nothing of this program.
//
// A search from several starts (the simplex method of gonum/optimize) finds the valley, damped
// Gauss–Newton steps (Levenberg 1944, Marquardt 1963) its floor, and the Jacobian there the
// covariance s²(JᵀJ)⁻¹ with s² the sum of squares over the degrees of freedom. Parameters should be
// of the order of 1: give lengths and capacitances as logarithms or fractions.
package fit

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/diff/fd"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/optimize"
	"gonum.org/v1/gonum/stat/distuv"
)

// Residuals fills r with the weighted differences between model and measurement at the parameters
// p. Where the model is not defined it fills r with numbers that are large; NaN counts as such.
type Residuals func(r, p []float64)

// Problem is what is to be fitted.
type Problem struct {
	Residuals Residuals
	Count     int         // of residuals
	Starts    [][]float64 // at least one; the best valley is taken
	// Quick leaves the simplex search out: the steps set out from every start as it is.
	Quick bool
}

// Result is the best parameters and what is known of them.
type Result struct {
	Parameters []float64
	RMS        float64 // root mean square of the residuals
	Freedom    int     // residuals less parameters
	Converged  bool    // the last step changed nothing that matters
	covariance *mat.SymDense
}

// ErrFewer says that there are not more figures than parameters.
var ErrFewer = errors.New("not more figures than parameters")

// Solve fits. It returns an error for a problem that has no answer: fewer figures than parameters,
// or a model that is nowhere defined.
func Solve(p Problem) (Result, error) {
	if len(p.Starts) == 0 || len(p.Starts[0]) == 0 {
		return Result{}, errors.New("fit: no start is given")
	}
	n := len(p.Starts[0])
	if p.Count <= n {
		return Result{}, fmt.Errorf("fit %d parameters to %d figures: %w", n, p.Count, ErrFewer)
	}
	var best []float64
	sum, converged := math.Inf(1), false
	r := make([]float64, p.Count)
	for _, s := range p.Starts {
		x, f := append([]float64(nil), s...), p.sum(r, s)
		if p.Quick && !math.IsInf(f, 1) {
			var c bool
			x, c = p.descend(x)
			if f = p.sum(r, x); f < sum {
				converged = c
			}
		} else if !p.Quick {
			x, f = p.simplex(s, f)
		}
		if f < sum {
			best, sum = x, f
		}
	}
	if math.IsInf(sum, 1) {
		return Result{}, errors.New("fit: the model is not defined at any start")
	}
	if !p.Quick {
		best, converged = p.descend(best)
	}
	return p.result(best, converged)
}

// sum returns the sum of squares; +Inf where the model is not defined.
func (p Problem) sum(r, x []float64) float64 {
	p.Residuals(r, x)
	s := 0.0
	for _, v := range r {
		s += v * v
	}
	if math.IsNaN(s) {
		return math.Inf(1)
	}
	return s
}

func (p Problem) simplex(start []float64, f float64) ([]float64, float64) {
	r := make([]float64, p.Count)
	settings := &optimize.Settings{FuncEvaluations: 400 * len(start),
		Converger: &optimize.FunctionConverge{Relative: 1e-8, Iterations: 60}}
	out, err := optimize.Minimize(optimize.Problem{Func: func(x []float64) float64 {
		return math.Min(p.sum(r, x), math.MaxFloat64)
	}}, start, settings, &optimize.NelderMead{})
	if out == nil || (err != nil && !(out.F < f)) {
		return append([]float64(nil), start...), f
	}
	return out.X, out.F
}

// descend takes damped Gauss–Newton steps until they change nothing.
func (p Problem) descend(start []float64) (x []float64, converged bool) {
	n := len(start)
	x = append([]float64(nil), start...)
	r := make([]float64, p.Count)
	sum, damping := p.sum(r, x), 1e-3
	j := mat.NewDense(p.Count, n, nil)
	for range 200 {
		p.jacobian(j, x)
		p.Residuals(r, x)
		for {
			step, ok := dampedStep(j, r, damping)
			if !ok {
				return x, false
			}
			next, size := make([]float64, n), 0.0
			for i := range x {
				next[i] = x[i] - step[i]
				size = math.Max(size, math.Abs(step[i])/(1+math.Abs(x[i])))
			}
			f := p.sum(make([]float64, p.Count), next)
			if f <= sum {
				small := size < 1e-10 || sum-f <= 1e-14*sum
				x, sum, damping = next, f, math.Max(damping/10, 1e-12)
				if small {
					return x, true
				}
				break
			}
			if size < 1e-10 {
				return x, true
			}
			if damping *= 10; damping > 1e12 {
				return x, true
			}
		}
	}
	return x, false
}

func (p Problem) jacobian(j *mat.Dense, x []float64) {
	fd.Jacobian(j, func(y, x []float64) { p.Residuals(y, x) }, x, &fd.JacobianSettings{Formula: fd.Central, Step: 1e-6})
}

// dampedStep solves (JᵀJ + d·diag(JᵀJ))·step = Jᵀr.
func dampedStep(j *mat.Dense, r []float64, d float64) ([]float64, bool) {
	_, n := j.Dims()
	var normal mat.Dense
	normal.Mul(j.T(), j)
	var g mat.VecDense
	g.MulVec(j.T(), mat.NewVecDense(len(r), r))
	for i := range n {
		x := normal.At(i, i)
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return nil, false
		}
		normal.Set(i, i, x*(1+d)+1e-300)
	}
	var step mat.VecDense
	if err := step.SolveVec(&normal, &g); err != nil {
		var c mat.Condition
		if !errors.As(err, &c) || math.IsInf(float64(c), 1) {
			return nil, false
		}
	}
	return append([]float64(nil), step.RawVector().Data...), true
}

// undetermined is the ratio of singular values beyond which a parameter counts as not known at all.
const undetermined = 1e9

func (p Problem) result(x []float64, converged bool) (Result, error) {
	n := len(x)
	r := make([]float64, p.Count)
	sum := p.sum(r, x)
	out := Result{Parameters: x, RMS: math.Sqrt(sum / float64(p.Count)), Freedom: p.Count - n, Converged: converged}
	j := mat.NewDense(p.Count, n, nil)
	p.jacobian(j, x)
	var svd mat.SVD
	if !svd.Factorize(j, mat.SVDThin) {
		return out, errors.New("fit: the model's slope at the answer is not finite")
	}
	values := svd.Values(nil)
	var v mat.Dense
	svd.VTo(&v)
	variance := sum / float64(out.Freedom)
	out.covariance = mat.NewSymDense(n, nil)
	for a := range n {
		for b := a; b < n; b++ {
			s := 0.0
			for k, value := range values {
				w := v.At(a, k) * v.At(b, k)
				if value*undetermined <= values[0] {
					if math.Abs(w) > 1e-6 {
						s = math.Inf(1)
					}
					continue
				}
				s += variance * w / (value * value)
			}
			out.covariance.SetSym(a, b, s)
		}
	}
	return out, nil
}

// StandardError returns the standard error of a parameter; +Inf where the figures say nothing about
// it.
func (r Result) StandardError(i int) float64 { return math.Sqrt(r.covariance.At(i, i)) }

// Correlation returns that of two parameters, between −1 and 1; 0 where one is not known.
func (r Result) Correlation(i, k int) float64 {
	c := r.covariance.At(i, k) / (r.StandardError(i) * r.StandardError(k))
	if math.IsNaN(c) || math.IsInf(c, 0) {
		return 0
	}
	return c
}

// HalfWidth returns half the width of the interval that holds a parameter with a probability such as
// 0.95, by Student's distribution.
func (r Result) HalfWidth(i int, probability float64) float64 {
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: float64(r.Freedom)}.Quantile(0.5 + probability/2)
	return t * r.StandardError(i)
}
