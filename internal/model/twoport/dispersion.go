package twoport

import (
	"errors"
	"fmt"
	"math"

	"provoke/internal/units/fit"
	"provoke/internal/units/rf"
)

// Debye is one relaxation: K/(1 + j·f/Relaxation).
type Debye struct {
	K          float64
	Relaxation rf.Frequency
}

// Lorentz is one resonance: K·f0²/(f0² − f² + j·f·b).
type Lorentz struct {
	K         float64
	Resonance rf.Frequency // f0
	Damping   rf.Frequency // b
}

// Dispersion is a permeability as a sum of relaxations and resonances on top of Constant. With one
// of each it is the model of spin rotation and domain wall motion of the literature.
type Dispersion struct {
	Constant float64 // 0 means 1
	Debye    []Debye
	Lorentz  []Lorentz
}

// At returns the permeability at a frequency in hertz.
func (d Dispersion) At(hz float64) complex128 {
	mu := complex(d.constant(), 0)
	for _, t := range d.Debye {
		mu += complex(t.K, 0) / complex(1, hz/t.Relaxation.Hz())
	}
	for _, t := range d.Lorentz {
		f0 := t.Resonance.Hz()
		mu += complex(t.K*f0*f0, 0) / complex(f0*f0-hz*hz, hz*t.Damping.Hz())
	}
	return mu
}

func (d Dispersion) constant() float64 {
	if d.Constant == 0 {
		return 1
	}
	return d.Constant
}

// Fill fills mu with the permeability.
func (d Dispersion) Fill(g Grid, mu []complex128) error {
	var err error
	for _, t := range d.Debye {
		if !(t.K >= 0) || !t.Relaxation.Known() {
			err = errors.Join(err, fmt.Errorf(
				"a Debye term of strength %v at %v: a passive one has a strength of 0 or more and a known frequency",
				t.K, t.Relaxation))
		}
	}
	for _, t := range d.Lorentz {
		if !(t.K >= 0) || !t.Resonance.Known() || !t.Damping.Known() {
			err = errors.Join(err, fmt.Errorf(
				"a Lorentz term of strength %v at %v with damping %v: a passive one has a strength of 0 or more and "+
					"known frequencies", t.K, t.Resonance, t.Damping))
		}
	}
	if err != nil {
		return err
	}
	for i, hz := range g.hz {
		mu[i] = d.At(hz)
	}
	return nil
}

// Shape is how many terms of each kind a fitted dispersion has.
type Shape struct {
	Debye, Lorentz int
	Constant       bool // the constant is fitted too, else it is 1
}

// FitError is how far a dispersion is from the table that it was fitted to: |µ_fit − µ|/|µ|. A small
// error of |µ| does not make the loss right where µ″ is far below µ′: WorstLoss says how wrong that
// is. Compute losses with the table.
type FitError struct {
	RMS, Worst  float64
	WorstAt     rf.Frequency
	WorstLoss   float64 // largest |µ″_fit − µ″|/µ″
	WorstLossAt rf.Frequency
	Points      int
}

// String prints the error in per cent.
func (e FitError) String() string {
	return fmt.Sprintf("fit error %.1f %% rms, worst %.0f %% at %v; of the loss alone worst %.0f %% at %v", 100*e.RMS,
		100*e.Worst, e.WorstAt, 100*e.WorstLoss, e.WorstLossAt)
}

// Fit fits a dispersion to the rows of the table that hold both components, |µ_fit − µ|/|µ| being
// least in the mean square. The error of the fit belongs beside every figure computed with it.
func (t *Table) Fit(s Shape) (Dispersion, FitError, error) {
	hz, mu := t.whole()
	n := 2*s.Debye + 3*s.Lorentz
	if s.Constant {
		n++
	}
	if s.Debye < 0 || s.Lorentz < 0 || n == 0 {
		return Dispersion{}, FitError{}, errors.New("fit a permeability: the model needs at least one term")
	}
	result, err := fit.Solve(fit.Problem{Count: 2 * len(hz), Starts: s.starts(hz, mu), Residuals: func(r, p []float64) {
		d := s.dispersion(p)
		for i := range hz {
			e := (d.At(hz[i]) - mu[i]) / complex(math.Sqrt(square(mu[i])), 0)
			r[2*i], r[2*i+1] = real(e), imag(e)
		}
	}})
	if err != nil {
		return Dispersion{}, FitError{}, fmt.Errorf("material %s: %w", t.name, err)
	}
	d := s.dispersion(result.Parameters)
	return d, d.errorAgainst(hz, mu), nil
}

// whole returns the rows with both components; neither is interpolated.
func (t *Table) whole() (hz []float64, mu []complex128) {
	k := 0
	for i, x := range t.real.hz {
		for k < len(t.loss.hz) && t.loss.hz[k] < x {
			k++
		}
		if k < len(t.loss.hz) && t.loss.hz[k] == x && (t.real.value[i] != 0 || t.loss.value[k] != 0) {
			hz, mu = append(hz, x), append(mu, complex(t.real.value[i], -t.loss.value[k]))
		}
	}
	return hz, mu
}

// dispersion reads parameters, all logarithms: strength, frequency and damping.
func (s Shape) dispersion(p []float64) Dispersion {
	next := func() float64 { x := math.Exp(math.Min(p[0], 600)); p = p[1:]; return x }
	var d Dispersion
	if s.Constant {
		d.Constant = next()
	}
	for range s.Debye {
		d.Debye = append(d.Debye, Debye{next(), rf.Frequency(next())})
	}
	for range s.Lorentz {
		d.Lorentz = append(d.Lorentz, Lorentz{next(), rf.Frequency(next()), rf.Frequency(next())})
	}
	return d
}

// starts spreads the terms over the band in which the loss is large, in a few arrangements.
func (s Shape) starts(hz []float64, mu []complex128) [][]float64 {
	peak, high := 0, hz[len(hz)-1]
	for i := range mu {
		if imag(mu[i]) < imag(mu[peak]) {
			peak = i
		}
	}
	strength := math.Max(real(mu[0]), 2) / float64(max(s.Debye+s.Lorentz, 1))
	var out [][]float64
	for _, spread := range []float64{1, 2, 4} {
		for _, sharp := range []float64{0.5, 2} {
			var p []float64
			if s.Constant {
				p = append(p, math.Log(math.Max(real(mu[0])/20, 1)))
			}
			f := hz[peak]
			for range s.Lorentz {
				p = append(p, math.Log(strength), math.Log(f), math.Log(f*sharp))
				f = math.Min(f*spread*1.5, high)
			}
			for range s.Debye {
				p = append(p, math.Log(strength), math.Log(f))
				f = math.Min(f*spread*1.5, high)
			}
			out = append(out, s.debyeFirst(p))
		}
	}
	return out
}

// debyeFirst puts the Debye terms, which starts writes last, where dispersion reads them.
func (s Shape) debyeFirst(p []float64) []float64 {
	head := 0
	if s.Constant {
		head = 1
	}
	lorentz := p[head : head+3*s.Lorentz]
	out := append([]float64(nil), p[:head]...)
	out = append(out, p[head+3*s.Lorentz:]...)
	return append(out, lorentz...)
}

func (d Dispersion) errorAgainst(hz []float64, mu []complex128) FitError {
	e := FitError{Points: len(hz)}
	for i := range hz {
		got := d.At(hz[i])
		x := math.Sqrt(square(got-mu[i]) / square(mu[i]))
		e.RMS += x * x / float64(len(hz))
		if x > e.Worst {
			e.Worst, e.WorstAt = x, rf.Frequency(hz[i])
		}
		if loss := math.Abs(imag(got)-imag(mu[i])) / -imag(mu[i]); loss > e.WorstLoss && imag(mu[i]) < 0 {
			e.WorstLoss, e.WorstLossAt = loss, rf.Frequency(hz[i])
		}
	}
	e.RMS = math.Sqrt(e.RMS)
	return e
}
