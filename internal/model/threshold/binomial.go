package threshold

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// ClopperPearson returns the exact two-sided limits of a probability of which k of n trials came true.
func ClopperPearson(k, n int, confidence float64) (low, high float64, err error) {
	if err := binomial(k, n, confidence); err != nil {
		return 0, 1, err
	}
	alpha := 1 - confidence
	return lower(k, n, alpha/2), upper(k, n, alpha/2), nil
}

// UpperBound returns the exact one-sided upper limit of a probability of which k of n trials came
// true. With k = 0 it is 1 − (1 − confidence)^(1/n).
func UpperBound(k, n int, confidence float64) (float64, error) {
	if err := binomial(k, n, confidence); err != nil {
		return 1, err
	}
	return upper(k, n, 1-confidence), nil
}

// TrialsToClaim returns how many trials without an upset show, with a confidence, that the
// probability is below p.
func TrialsToClaim(p, confidence float64) (int, error) {
	if !(p > 0 && p < 1 && confidence > 0 && confidence < 1) {
		return 0, fmt.Errorf("trials to claim a probability below %g with confidence %g: both must lie between 0 and 1",
			p, confidence)
	}
	return int(math.Ceil(math.Log(1-confidence)/math.Log1p(-p) - 1e-9)), nil
}

func binomial(k, n int, confidence float64) error {
	if k < 0 || n < 1 || k > n || !(confidence > 0 && confidence < 1) {
		return fmt.Errorf("limits of a probability: %d of %d trials with confidence %g make no sense", k, n, confidence)
	}
	return nil
}

func lower(k, n int, alpha float64) float64 {
	if k == 0 {
		return 0
	}
	return distuv.Beta{Alpha: float64(k), Beta: float64(n - k + 1)}.Quantile(alpha)
}

func upper(k, n int, alpha float64) float64 {
	switch k {
	case n:
		return 1
	case 0:
		return -math.Expm1(math.Log(alpha) / float64(n))
	}
	return distuv.Beta{Alpha: float64(k + 1), Beta: float64(n - k)}.Quantile(1 - alpha)
}
