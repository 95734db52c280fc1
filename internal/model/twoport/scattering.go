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

// Z returns the impedance matrix in ohm; it wraps ErrUndefined where C is zero, as for a lone series
// element.
func (m ABCD) Z() (Matrix, error) {
	if m.C == 0 {
		return Matrix{}, undefined("the impedance matrix")
	}
	return Matrix{{m.A / m.C, m.Determinant() / m.C}, {1 / m.C, m.D / m.C}}, nil
}

// Y returns the admittance matrix in siemens; it wraps ErrUndefined where B is zero, as for a lone
// shunt element.
func (m ABCD) Y() (Matrix, error) {
	if m.B == 0 {
		return Matrix{}, undefined("the admittance matrix")
	}
	return Matrix{{m.D / m.B, -m.Determinant() / m.B}, {-1 / m.B, m.A / m.B}}, nil
}

// ABCDOfZ returns the chain matrix of an impedance matrix; it wraps ErrUndefined where Z21 is zero.
func ABCDOfZ(z Matrix) (ABCD, error) {
	if z[1][0] == 0 {
		return ABCD{}, undefined("the chain matrix (Z21 is 0)")
	}
	return ABCD{z[0][0] / z[1][0], z.determinant() / z[1][0], 1 / z[1][0], z[1][1] / z[1][0]}, nil
}

// ABCDOfY returns the chain matrix of an admittance matrix; it wraps ErrUndefined where Y21 is zero.
func ABCDOfY(y Matrix) (ABCD, error) {
	if y[1][0] == 0 {
		return ABCD{}, undefined("the chain matrix (Y21 is 0)")
	}
	return ABCD{-y[1][1] / y[1][0], -1 / y[1][0], -y.determinant() / y[1][0], -y[0][0] / y[1][0]}, nil
}

func (m Matrix) determinant() complex128 { return m[0][0]*m[1][1] - m[0][1]*m[1][0] }

func (m Matrix) times(n Matrix) Matrix {
	var p Matrix
	for i := range 2 {
		for j := range 2 {
			p[i][j] = m[i][0]*n[0][j] + m[i][1]*n[1][j]
		}
	}
	return p
}

// inverse reports false where there is none.
func (m Matrix) inverse() (Matrix, bool) {
	d := m.determinant()
	if d == 0 {
		return Matrix{}, false
	}
	return Matrix{{m[1][1] / d, -m[0][1] / d}, {-m[1][0] / d, m[0][0] / d}}, true
}

func diagonal(a, b complex128) Matrix { return Matrix{{a, 0}, {0, b}} }

func (m Matrix) minus(n Matrix) Matrix {
	return Matrix{{m[0][0] - n[0][0], m[0][1] - n[0][1]}, {m[1][0] - n[1][0], m[1][1] - n[1][1]}}
}

// ZOfS returns the impedance matrix of a scattering matrix: Z = F⁻¹(1 − S)⁻¹(S·G + G*)·F with G the
// references and F = 1/(2√Re G).
func ZOfS(s Matrix, ref References) (Matrix, error) {
	if err := ref.check(); err != nil {
		return Matrix{}, err
	}
	inv, ok := diagonal(1, 1).minus(s).inverse()
	if !ok {
		return Matrix{}, undefined("the impedance matrix")
	}
	sum := s.times(diagonal(ref[0], ref[1]))
	sum[0][0] += cmplx.Conj(ref[0])
	sum[1][1] += cmplx.Conj(ref[1])
	return scaled(inv.times(sum), ref, false), nil
}

// scaled returns F⁻¹·M·F, or F·M·F⁻¹ when turned, with F = 1/(2√Re G).
func scaled(m Matrix, ref References, turned bool) Matrix {
	r := complex(math.Sqrt(real(ref[0])/real(ref[1])), 0)
	if turned {
		r = 1 / r
	}
	m[0][1] *= r
	m[1][0] /= r
	return m
}

// SOfZ returns the scattering matrix of an impedance matrix: S = F(Z − G*)(Z + G)⁻¹F⁻¹.
func SOfZ(z Matrix, ref References) (Matrix, error) {
	if err := ref.check(); err != nil {
		return Matrix{}, err
	}
	inv, ok := Matrix{{z[0][0] + ref[0], z[0][1]}, {z[1][0], z[1][1] + ref[1]}}.inverse()
	if !ok {
		return Matrix{}, undefined("the scattering matrix at these references")
	}
	return scaled(z.minus(diagonal(cmplx.Conj(ref[0]), cmplx.Conj(ref[1]))).times(inv), ref, true), nil
}

// YOfS returns the admittance matrix of a scattering matrix: Y = F⁻¹(S·G + G*)⁻¹(1 − S)F.
func YOfS(s Matrix, ref References) (Matrix, error) {
	if err := ref.check(); err != nil {
		return Matrix{}, err
	}
	sum := s.times(diagonal(ref[0], ref[1]))
	sum[0][0] += cmplx.Conj(ref[0])
	sum[1][1] += cmplx.Conj(ref[1])
	inv, ok := sum.inverse()
	if !ok {
		return Matrix{}, undefined("the admittance matrix")
	}
	return scaled(inv.times(diagonal(1, 1).minus(s)), ref, false), nil
}

// SOfY returns the scattering matrix of an admittance matrix: S = F(1 − G*·Y)(1 + G·Y)⁻¹F⁻¹.
func SOfY(y Matrix, ref References) (Matrix, error) {
	if err := ref.check(); err != nil {
		return Matrix{}, err
	}
	g := diagonal(ref[0], ref[1]).times(y)
	inv, ok := Matrix{{1 + g[0][0], g[0][1]}, {g[1][0], 1 + g[1][1]}}.inverse()
	if !ok {
		return Matrix{}, undefined("the scattering matrix at these references")
	}
	left := diagonal(1, 1).minus(diagonal(cmplx.Conj(ref[0]), cmplx.Conj(ref[1])).times(y))
	return scaled(left.times(inv), ref, true), nil
}

// Renormalised returns a scattering matrix at other references. It exists also where no chain
// matrix does.
//
//	S' = A⁻¹(S − Γ*)(1 − Γ·S)⁻¹A*  with  Γ = (Z' − Z)/(Z' + Z*),  A = (1 − Γ*)√(1 − |Γ|²)/|1 − Γ|
//
// (Kurokawa 1965, from memory).
func Renormalised(s Matrix, from, to References) (Matrix, error) {
	if err := from.check(); err != nil {
		return Matrix{}, err
	}
	if err := to.check(); err != nil {
		return Matrix{}, err
	}
	var gamma, a [2]complex128
	for i := range 2 {
		gamma[i] = (to[i] - from[i]) / (to[i] + cmplx.Conj(from[i]))
		a[i] = (1 - cmplx.Conj(gamma[i])) * complex(math.Sqrt(1-square(gamma[i]))/cmplx.Abs(1-gamma[i]), 0)
	}
	left := s.minus(diagonal(cmplx.Conj(gamma[0]), cmplx.Conj(gamma[1])))
	inv, ok := diagonal(1, 1).minus(diagonal(gamma[0], gamma[1]).times(s)).inverse()
	if !ok {
		return Matrix{}, undefined("the scattering matrix at these references")
	}
	out := diagonal(1/a[0], 1/a[1]).times(left).times(inv)
	return out.times(diagonal(cmplx.Conj(a[0]), cmplx.Conj(a[1]))), nil
}

// TOfS returns the transfer scattering matrix [b1; a1] = T·[a2; b2], which multiplies in a cascade
// of equal real references; it wraps ErrUndefined where S21 is zero.
func TOfS(s Matrix) (Matrix, error) {
	if s[1][0] == 0 {
		return Matrix{}, undefined("the transfer scattering matrix (S21 is 0)")
	}
	d := 1 / s[1][0]
	return Matrix{{-s.determinant() * d, s[0][0] * d}, {-s[1][1] * d, d}}, nil
}

// SOfT returns the scattering matrix of a transfer scattering matrix; it wraps ErrUndefined where
// T22 is zero.
func SOfT(t Matrix) (Matrix, error) {
	if t[1][1] == 0 {
		return Matrix{}, undefined("the scattering matrix (T22 is 0)")
	}
	d := 1 / t[1][1]
	return Matrix{{t[0][1] * d, t.determinant() * d}, {d, -t[1][0] * d}}, nil
}

// Cascade returns the scattering matrix of s and then n, whose joined ports have the same real
// reference. It exists also where no chain matrix does.
func Cascade(s, n Matrix) (Matrix, error) {
	d := 1 - s[1][1]*n[0][0]
	if d == 0 {
		return Matrix{}, undefined("the cascade (a wave runs between the two for ever)")
	}
	return Matrix{
		{s[0][0] + s[0][1]*n[0][0]*s[1][0]/d, s[0][1] * n[0][1] / d},
		{n[1][0] * s[1][0] / d, n[1][1] + n[1][0]*s[1][1]*n[0][1]/d},
	}, nil
}

// Reflection returns the (power wave) reflection of an impedance against a reference, in ohm; an
// open end reflects 1.
func Reflection(z, ref complex128) complex128 {
	if cmplx.IsInf(z) {
		return 1
	}
	return quotient(z-cmplx.Conj(ref), z+ref)
}

// ImpedanceOf returns the impedance behind a reflection; Open for a reflection of 1.
func ImpedanceOf(gamma, ref complex128) complex128 {
	return quotient(cmplx.Conj(ref)+gamma*ref, 1-gamma)
}
