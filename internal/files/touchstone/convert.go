package touchstone

import (
	"errors"
	"fmt"
	"math"

	"provoke/internal/units/rf"
)

// toScattering converts the network from the parameter of the file.
func (p *parser) toScattering() {
	if p.n.Parameter == "S" {
		return
	}
	for i := range p.n.Frequencies {
		m := p.n.S(i)
		if p.two {
			normalise(p.n.Parameter, p.n.Reference, m.Data)
		}
		if err := scattering(p.n.Parameter, m); err != nil {
			p.add(int(p.lines[i]), 1, false, fmt.Sprintf("these %s-parameters have no S-parameters: %v", p.n.Parameter,
				err), "")
		}
	}
}

// normalise divides out the references, in place: voltages by √R, currents times √R. For equal
// references it is Z/R, Y·R, h11/R, h22·R, g11·R, g22/R.
func normalise(parameter string, r []float64, m []complex128) {
	n := len(r)
	for i := range n {
		for j := range n {
			m[i*n+j] *= complex(normal(parameter, r, i, j), 0)
		}
	}
}

// normal returns the factor from ohm and siemens to the normalised element.
func normal(parameter string, r []float64, i, j int) float64 {
	// what stands left of the equation (i) and right of it (j): true for a voltage
	voltageLeft, voltageRight := true, false // Z
	switch parameter {
	case "Y":
		voltageLeft, voltageRight = false, true
	case "H": // V1, I2 from I1, V2
		voltageLeft, voltageRight = i == 0, j == 1
	case "G": // I1, V2 from V1, I2
		voltageLeft, voltageRight = i == 1, j == 0
	}
	f := 1.0
	if voltageLeft {
		f /= math.Sqrt(r[i])
	} else {
		f *= math.Sqrt(r[i])
	}
	if voltageRight {
		return f * math.Sqrt(r[j])
	}
	return f / math.Sqrt(r[j])
}

var errSingular = errors.New("the equations have no solution")

// scattering turns a normalised Z, Y, H or G into S, in place.
//
//	S = (z+1)⁻¹(z−1)   S = (1+y)⁻¹(1−y)
//
// H: Δ = (h11+1)(h22+1) − h12·h21, S11 = ((h11−1)(h22+1) − h12·h21)/Δ, S12 = 2·h12/Δ,
// S21 = −2·h21/Δ, S22 = ((1+h11)(1−h22) + h12·h21)/Δ. G is the dual: S of the same formula, negated.
func scattering(parameter string, m Matrix) error {
	n, d := m.N, m.Data
	switch parameter {
	case "Z", "Y":
		a, b := make([]complex128, n*n), make([]complex128, n*n)
		copy(a, d)
		copy(b, d)
		for i := range n {
			a[i*n+i]++
			b[i*n+i]--
		}
		if parameter == "Y" {
			negate(b)
		}
		if !solve(n, a, b) {
			return errSingular
		}
		copy(d, b)
	default:
		h11, h12, h21, h22 := d[0], d[1], d[2], d[3]
		det := (h11+1)*(h22+1) - h12*h21
		d[0], d[1] = ((h11-1)*(h22+1)-h12*h21)/det, 2*h12/det
		d[2], d[3] = -2*h21/det, ((1+h11)*(1-h22)+h12*h21)/det
		if parameter == "G" {
			negate(d)
		}
	}
	for _, x := range d {
		if !finite(x) {
			return errSingular
		}
	}
	return nil
}

// immittance turns S into a normalised Z, Y, H or G; the result is new.
func immittance(parameter string, m Matrix) ([]complex128, error) {
	n, s := m.N, m.Data
	out := make([]complex128, n*n)
	switch parameter {
	case "S":
		copy(out, s)
	case "Z", "Y":
		a := make([]complex128, n*n)
		for i, x := range s {
			if parameter == "Y" {
				x = -x
			}
			a[i], out[i] = -x, x
		}
		for i := range n {
			a[i*n+i]++
			out[i*n+i]++
		}
		if !solve(n, a, out) {
			return nil, errSingular
		}
	default:
		g := complex128(1)
		if parameter == "G" {
			g = -1
		}
		s11, s12, s21, s22 := g*s[0], g*s[1], g*s[2], g*s[3]
		det := (1-s11)*(1+s22) + s12*s21
		out[0], out[1] = ((1+s11)*(1+s22)-s12*s21)/det, 2*s12/det
		out[2], out[3] = -2*s21/det, ((1-s11)*(1-s22)-s12*s21)/det
	}
	for _, x := range out {
		if !finite(x) {
			return nil, errSingular
		}
	}
	return out, nil
}

func negate(m []complex128) {
	for i := range m {
		m[i] = -m[i]
	}
}

// solve replaces b by a⁻¹·b by Gauss-Jordan elimination with row pivots; a is destroyed. It reports false
// when a is singular to the accuracy of the numbers.
func solve(n int, a, b []complex128) bool {
	largest := 0.0
	for _, x := range a {
		largest = math.Max(largest, size(x))
	}
	for c := range n {
		pivot := c
		for r := c + 1; r < n; r++ {
			if size(a[r*n+c]) > size(a[pivot*n+c]) {
				pivot = r
			}
		}
		if !(size(a[pivot*n+c]) > 1e-14*largest) {
			return false
		}
		for k := range n {
			a[c*n+k], a[pivot*n+k] = a[pivot*n+k], a[c*n+k]
			b[c*n+k], b[pivot*n+k] = b[pivot*n+k], b[c*n+k]
		}
		inverse := 1 / a[c*n+c]
		for k := range n {
			a[c*n+k] *= inverse
			b[c*n+k] *= inverse
		}
		for r := range n {
			f := a[r*n+c]
			if r == c || f == 0 {
				continue
			}
			for k := range n {
				a[r*n+k] -= f * a[c*n+k]
				b[r*n+k] -= f * b[c*n+k]
			}
		}
	}
	return true
}

func size(x complex128) float64 { return math.Abs(real(x)) + math.Abs(imag(x)) }

// Renormalised returns the same network at other reference resistances, one for all ports or one per
// port: S' = K(S−Γ)(1−ΓS)⁻¹K⁻¹ with Γ = (R'−R)/(R'+R) and K = (R'+R)/(2√(R'R)) on the diagonal, which
// follows from a' = (v+R'i)/(2√R') and b' = (v−R'i)/(2√R'). A mixed-mode network is refused.
func (n *Network) Renormalised(ohm ...float64) (*Network, error) {
	if len(n.Modes) > 0 {
		return nil, fmt.Errorf("cannot renormalise %s: it is a mixed-mode network", n.Name)
	}
	if len(ohm) == 1 {
		for len(ohm) < n.Ports {
			ohm = append(ohm, ohm[0])
		}
	}
	out, err := New(n.Name, ohm, n.Frequencies, n.data)
	if err != nil || out.Ports != n.Ports {
		return nil, fmt.Errorf("cannot renormalise %s to %s: it has %s", n.Name, describeReference(ohm), ports(n.Ports))
	}
	out.Version, out.Parameter, out.Format, out.Unit = n.Version, n.Parameter, n.Format, n.Unit
	out.Noise, out.Warnings = n.Noise, n.Warnings
	for i := range n.Frequencies {
		if !renormalise(out.S(i), n.Reference, ohm) {
			return nil, fmt.Errorf("cannot renormalise %s at %v: %w", n.Name, rf.Frequency(n.Frequencies[i]),
				errSingular)
		}
	}
	return out, nil
}

func renormalise(m Matrix, from, to []float64) bool {
	n, s := m.N, m.Data
	gamma, k := make([]complex128, n), make([]complex128, n)
	for i := range n {
		gamma[i] = complex((to[i]-from[i])/(to[i]+from[i]), 0)
		k[i] = complex((to[i]+from[i])/(2*math.Sqrt(to[i]*from[i])), 0)
	}
	a, b := make([]complex128, n*n), make([]complex128, n*n) // both transposed: X·A = B is Aᵀ·Xᵀ = Bᵀ
	for i := range n {
		for j := range n {
			a[j*n+i] = -gamma[i] * s[i*n+j]
			b[j*n+i] = s[i*n+j]
		}
		a[i*n+i]++
		b[i*n+i] -= gamma[i]
	}
	if !solve(n, a, b) {
		return false
	}
	for i := range n {
		for j := range n {
			s[i*n+j] = k[i] * b[j*n+i] / k[j]
		}
	}
	return true
}
