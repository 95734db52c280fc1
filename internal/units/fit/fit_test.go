package fit_test

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"provoke/internal/units/fit"
)

// The line through (1, 2), (2, 3), (3, 5), (4, 6): slope 1.4, intercept 0.5, sum of squares 0.2,
// s² = 0.1, var(slope) = s²/Σ(x−2.5)² = 0.1/5 = 0.02, var(intercept) = s²·Σx²/(4·5) = 0.1·30/20 = 0.15
// (worked by hand).
func TestAStraightLineHasTheTextbookErrors(t *testing.T) {
	y := []float64{2, 3, 5, 6}
	got, err := fit.Solve(fit.Problem{Count: 4, Starts: [][]float64{{0, 0}}, Residuals: func(r, p []float64) {
		for i := range y {
			r[i] = p[0] + p[1]*float64(i+1) - y[i]
		}
	}})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		what      string
		got, want float64
	}{
		{"intercept", got.Parameters[0], 0.5}, {"slope", got.Parameters[1], 1.4},
		{"error of the slope", got.StandardError(1), math.Sqrt(0.02)}, {"error of the intercept", got.StandardError(0),
			math.Sqrt(0.15)},
		{"RMS", got.RMS, math.Sqrt(0.2 / 4)},
		// Student's t for 2 degrees of freedom at 97.5 %: 4.302653 (published tables).
		{"half width", got.HalfWidth(1, 0.95), 4.302653 * math.Sqrt(0.02)},
	} {
		if math.Abs(c.got-c.want) > 1e-6 {
			t.Errorf("%s is %.9f, want %.9f", c.what, c.got, c.want)
		}
	}
}

func TestTheIntervalHoldsTheTruthAsOftenAsItSays(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	held, trials := 0, 300
	for range trials {
		var x, y [20]float64
		for i := range x {
			x[i] = float64(i) / 4
			y[i] = 3*math.Exp(-0.7*x[i]) + 0.05*r.NormFloat64()
		}
		got, err := fit.Solve(fit.Problem{Count: len(x), Quick: true, Starts: [][]float64{{2, 1}},
			Residuals: func(r, p []float64) {
				for i := range x {
					r[i] = p[0]*math.Exp(-p[1]*x[i]) - y[i]
				}
			}})
		if err != nil || !got.Converged {
			t.Fatal(err, got)
		}
		if math.Abs(got.Parameters[1]-0.7) <= got.HalfWidth(1, 0.95) {
			held++
		}
	}
	// 95 % of 300 is 285 with a standard deviation of 3.8: four of them to either side.
	if held < 269 {
		t.Errorf("the 95 %% interval held the truth %d times of %d", held, trials)
	}
}

func TestWhatTheFiguresDoNotTellIsNotKnown(t *testing.T) {
	got, err := fit.Solve(fit.Problem{Count: 5, Starts: [][]float64{{1, 1}}, Residuals: func(r, p []float64) {
		for i := range r {
			r[i] = (p[0]+p[1])*float64(i) - 2*float64(i) + []float64{0.1, -0.1, 0.1, -0.1, 0}[i]
		}
	}})
	if err != nil {
		t.Fatal(err)
	}
	if !math.IsInf(got.StandardError(0), 1) {
		t.Errorf("only the sum is known, and yet the first is said to be %v ± %v", got.Parameters[0],
			got.StandardError(0))
	}
}

func TestFewerFiguresThanParametersAreRefused(t *testing.T) {
	_, err := fit.Solve(fit.Problem{Count: 2, Starts: [][]float64{{1, 1}}, Residuals: func(r, p []float64) {}})
	if !errors.Is(err, fit.ErrFewer) {
		t.Error(err)
	}
}
