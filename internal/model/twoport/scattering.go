package twoport

import (
	"fmt"
	"math"
	"math/cmplx"
)

// Matrix is a 2×2 matrix of scattering (S), impedance (Z), admittance (Y) or transfer scattering
// (T) parameters: m[0][1] is S12, Z12, Y12 or T12. What it is, is said by the function that takes or
// returns it.
type Matrix [2][2]complex128

// References are the reference impedances of the two ports in ohm, with real parts above zero.
// Where they are complex the waves are power waves (K. Kurokawa, "Power waves and the scattering
// matrix", IEEE Trans. MTT, 1965, from memory): a = (v + Z·i)/(2√Re Z), b = (v − Z*·i)/(2√Re Z).
type References [2]complex128

// Coaxial are the references of coaxial gear, 50 Ω at both ports.
var Coaxial = References{50, 50}

func undefined(what string) error { return fmt.Errorf("%s %w", what, ErrUndefined) }

func (z References) check() error {
	for i, x := range z {
		if !(real(x) > 0) || cmplx.IsInf(x) || cmplx.IsNaN(x) {
			return fmt.Errorf("the reference impedance %v Ω of port %d has no resistance above zero", x, i+1)
		}
	}
	return nil
}

// root returns √(Re Z1·Re Z2).
func (z References) root() complex128 { return complex(math.Sqrt(real(z[0])*real(z[1])), 0) }

// S returns the scattering matrix (formulas of D. A. Frickey, "Conversions between S, Z, Y, h, ABCD
// and T parameters which are valid for complex source and load impedances", IEEE Trans. MTT, 1994,
// from memory).
func (m ABCD) S(ref References) (Matrix, error) {
	if err := ref.check(); err != nil {
		return Matrix{}, err
	}
	z1, z2 := ref[0], ref[1]
	c1, c2 := cmplx.Conj(z1), cmplx.Conj(z2)
	den := m.A*z2 + m.B + m.C*z1*z2 + m.D*z1
	if den == 0 {
		return Matrix{}, undefined("the scattering matrix at these references")
	}
	return Matrix{
		{(m.A*z2 + m.B - m.C*c1*z2 - m.D*c1) / den, 2 * m.Determinant() * ref.root() / den},
		{2 * ref.root() / den, (-m.A*c2 + m.B - m.C*z1*c2 + m.D*z1) / den},
	}, nil
}

// ABCDOfS returns the chain matrix of a scattering matrix. It wraps ErrUndefined where S21 is zero.
func ABCDOfS(s Matrix, ref References) (ABCD, error) {
	if err := ref.check(); err != nil {
		return ABCD{}, err
	}
	if s[1][0] == 0 {
		return ABCD{}, undefined("the chain matrix (S21 is 0)")
	}
	z1, z2 := ref[0], ref[1]
	p1, p2 := cmplx.Conj(z1)+s[0][0]*z1, cmplx.Conj(z2)+s[1][1]*z2
	q1, q2 := 1-s[0][0], 1-s[1][1]
	cross := s[0][1] * s[1][0]
	d := 1 / (2 * s[1][0] * ref.root())
	return ABCD{(p1*q2 + cross*z1) * d, (p1*p2 - cross*z1*z2) * d, (q1*q2 - cross) * d, (q1*p2 + cross*z2) * d}, nil
}

// ImpedanceOf returns the impedance behind a reflection; Open for a reflection of 1.
func ImpedanceOf(gamma, ref complex128) complex128 {
	return quotient(cmplx.Conj(ref)+gamma*ref, 1-gamma)
}
