package twoport_test

import (
	. "provoke/internal/model/twoport"
	"provoke/internal/units/rf"
)

// Fixed is a permeability that is the same at all frequencies.
type Fixed complex128

// Fill fills mu with the permeability.
func (f Fixed) Fill(_ Grid, mu []complex128) error {
	for i := range mu {
		mu[i] = complex128(f)
	}
	return nil
}

// Generator is an e.m.f. of 1 V per volt and an impedance in series with the cable.
type Generator struct{ Z OnePort }

// Inject fills the e.m.f. and the impedance.
func (s Generator) Inject(g Grid, emf, series []complex128) error {
	for i := range emf {
		emf[i] = 1
	}
	return s.Z.Impedance(g, series)
}

// RowOf is a row with both components.
func RowOf(at rf.Frequency, real, loss float64) Row { return Row{At: at, Real: &real, Loss: &loss} }
