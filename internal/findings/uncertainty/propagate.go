package uncertainty

import (
	"fmt"
	"math"
)

// Estimates are several values with their covariance, in the units of their model.
type Estimates struct {
	Values     []float64
	Covariance [][]float64
}

// Standard returns the standard uncertainty of a value.
func (e Estimates) Standard(i int) float64 { return math.Sqrt(max(0, e.Covariance[i][i])) }

// Correlation returns the correlation coefficient of two values; 0 where one of them is exact.
func (e Estimates) Correlation(i, j int) float64 {
	d := e.Standard(i) * e.Standard(j)
	if d == 0 {
		return 0
	}
	return e.Covariance[i][j] / d
}

// Correlated makes estimates of values, their standard uncertainties and their correlations.
func Correlated(values, standards []float64, correlations ...Correlation) (Estimates, error) {
	n := len(values)
	if len(standards) != n {
		return Estimates{}, fmt.Errorf("propagate uncertainties: %d values have %d uncertainties", n, len(standards))
	}
	b := Budget{Inputs: make([]Input, n), Correlations: correlations}
	r, err := b.matrix()
	if err != nil {
		return Estimates{}, err
	}
	e := Estimates{Values: append([]float64(nil), values...), Covariance: r}
	for i := range r {
		for j := range r[i] {
			r[i][j] *= standards[i] * standards[j]
		}
	}
	return e, nil
}

// MeansOf returns the means of quantities that were read together, one row of readings per
// quantity, with the covariance of the means (JCGM 100, 5.2.3).
func MeansOf(readings [][]float64) (Estimates, error) {
	e := Estimates{}
	for _, row := range readings {
		if len(row) < 2 || len(row) != len(readings[0]) {
			return Estimates{}, fmt.Errorf("the covariance of means needs the same number of readings of every quantity, two or more")
		}
		mean, _, _, _, err := MeanOf(row)
		if err != nil {
			return Estimates{}, err
		}
		e.Values = append(e.Values, mean)
	}
	n := float64(len(readings[0]))
	for i := range readings {
		row := make([]float64, len(readings))
		for j := range readings {
			for k := range readings[i] {
				row[j] += (readings[i][k] - e.Values[i]) * (readings[j][k] - e.Values[j]) / (n * (n - 1))
			}
		}
		e.Covariance = append(e.Covariance, row)
	}
	return e, nil
}

// Propagate carries estimates through a model of any number of results by the law of propagation,
// to first order. Sensitivities are central differences over one standard uncertainty, as JCGM 100,
// 5.1.3 note 2 has them.
func Propagate(model func([]float64) []float64, in Estimates) (Estimates, error) {
	y := model(append([]float64(nil), in.Values...))
	jacobian := make([][]float64, len(y)) // result by input
	for i := range jacobian {
		jacobian[i] = make([]float64, len(in.Values))
	}
	for j := range in.Values {
		h := in.Standard(j) / 64
		if h == 0 {
			continue
		}
		at := func(x float64) []float64 {
			v := append([]float64(nil), in.Values...)
			v[j] = x
			return model(v)
		}
		up, down := at(in.Values[j]+h), at(in.Values[j]-h)
		for i := range y {
			jacobian[i][j] = (up[i] - down[i]) / (2 * h)
		}
	}
	out := Estimates{Values: y, Covariance: make([][]float64, len(y))}
	for i := range y {
		out.Covariance[i] = make([]float64, len(y))
		for k := range y {
			for a := range in.Values {
				for b := range in.Values {
					out.Covariance[i][k] += jacobian[i][a] * in.Covariance[a][b] * jacobian[k][b]
				}
			}
			if x := out.Covariance[i][k]; math.IsNaN(x) || math.IsInf(x, 0) || math.IsNaN(y[i]) || math.IsInf(y[i], 0) {
				return Estimates{}, fmt.Errorf("propagate uncertainties: the model gives no finite result within one standard uncertainty of its inputs")
			}
		}
	}
	return out, nil
}
