package twoport

import (
	"errors"
	"math"
	"math/cmplx"

	"provoke/internal/units/rf"
)

// Open is the impedance of nothing connected.
var Open = cmplx.Inf()

// ABCD is a chain matrix: A and D without unit, B in ohm, C in siemens. The zero value is no
// network; Through is the identity.
type ABCD struct{ A, B, C, D complex128 }

// Through is two terminals joined straight to two terminals.
var Through = ABCD{A: 1, D: 1}

// SeriesElement is the matrix of an impedance z in the upper wire.
func SeriesElement(z complex128) ABCD { return ABCD{1, z, 0, 1} }

// ShuntElement is the matrix of an admittance y across the wires.
func ShuntElement(y complex128) ABCD { return ABCD{1, 0, y, 1} }

// Times returns the cascade of m and then n: the matrix product.
func (m ABCD) Times(n ABCD) ABCD {
	return ABCD{
		m.A*n.A + m.B*n.C, m.A*n.B + m.B*n.D,
		m.C*n.A + m.D*n.C, m.C*n.B + m.D*n.D,
	}
}

// Determinant returns AD − BC: 1 for a reciprocal network.
func (m ABCD) Determinant() complex128 { return m.A*m.D - m.B*m.C }

// Reversed returns the network with input and output exchanged. It needs a determinant that is not
// zero (a network through which nothing comes back has none).
func (m ABCD) Reversed() (ABCD, error) {
	d := m.Determinant()
	if d == 0 {
		return ABCD{},
			errors.New("turn a network round: its chain matrix has the determinant 0, nothing passes backwards")
	}
	return ABCD{m.D / d, m.B / d, m.C / d, m.A / d}, nil
}

// Input returns the impedance into port 1 with zl at port 2; Open where no current flows in.
func (m ABCD) Input(zl complex128) complex128 {
	if cmplx.IsInf(zl) {
		return quotient(m.A, m.C)
	}
	return quotient(m.A*zl+m.B, m.C*zl+m.D)
}

// quotient returns a/b, and Open for a division by zero.
func quotient(a, b complex128) complex128 {
	if b == 0 {
		return Open
	}
	return a / b
}

// ErrUndefined says that a conversion does not exist for this network: there is no impedance matrix
// of a lone series element, no chain matrix where nothing is transmitted.
var ErrUndefined = errors.New("is not defined for this network")

// InsertionLoss returns what the network takes from the level at the load when it is put between a
// source of impedance zs and a load zl, both complex:
//
//	IL = 20·log10 |(A·zl + B + C·zs·zl + D·zs)/(zs + zl)|
//
// It is negative where the network resonates with its terminations and the level rises, and is never
// clipped at 0 dB. It wraps ErrUndefined where there is no level without the network (zs = −zl) or
// none with it.
func (m ABCD) InsertionLoss(zs, zl complex128) (rf.Gain, error) {
	with, without := m.A*zl+m.B+m.C*zs*zl+m.D*zs, zs+zl
	r := cmplx.Abs(with) / cmplx.Abs(without)
	if !(r > 0) || math.IsInf(r, 1) {
		return 0, undefined("the insertion loss")
	}
	return rf.GainOfAmplitudeRatio(r), nil
}

// Balance is where the power of a source goes, in watt.
type Balance struct {
	Available  float64 // what the source could give into its conjugate
	Delivered  float64 // into port 1
	Reflected  float64 // Available − Delivered
	Load       float64 // in the load at port 2
	Dissipated float64 // in the network: Delivered − Load, never negative for a passive one
}

// PowerBalance returns where the power of a source of e.m.f. vs (V r.m.s.) behind zs goes. Its
// resistance must be above zero.
func (m ABCD) PowerBalance(vs, zs, zl complex128) (Balance, error) {
	den := m.A*zl + m.B + m.C*zs*zl + m.D*zs
	if !(real(zs) > 0) || den == 0 {
		return Balance{}, undefined("the power balance")
	}
	i2 := vs / den
	v1, i1 := (m.A*zl+m.B)*i2, (m.C*zl+m.D)*i2
	b := Balance{
		Available: square(vs) / (4 * real(zs)),
		Delivered: real(v1 * cmplx.Conj(i1)),
		Load:      square(i2) * real(zl),
	}
	b.Reflected, b.Dissipated = b.Available-b.Delivered, b.Delivered-b.Load
	return b, nil
}

// square returns |z|².
func square(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }
