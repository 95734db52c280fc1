package touchstone

import (
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/mat"
)

// Asymmetry returns the largest |Sij − Sji| of the network and where it is, in hertz: 0 for a reciprocal
// network at equal references. A network of one port is reciprocal.
func (n *Network) Asymmetry() (worst, hz float64) {
	for p, f := range n.Frequencies {
		m := n.S(p)
		for i := 1; i <= n.Ports; i++ {
			for j := 1; j < i; j++ {
				if a, b := m.At(i, j), m.At(j, i); a != b && cmplx.Abs(a-b) > worst {
					worst, hz = cmplx.Abs(a-b), f
				}
			}
		}
	}
	return worst, hz
}

// LargestGain returns the largest singular value of the S-matrices and where it is, in hertz: the most
// that comes out for waves of total power one going in. A passive network stays at or below 1.
func (n *Network) LargestGain() (worst, hz float64) {
	for p, f := range n.Frequencies {
		if g := singular(n.S(p)); g > worst {
			worst, hz = g, f
		}
	}
	return worst, hz
}

// singular returns the largest singular value: in closed form for one and two ports, else from the real
// matrix of twice the size, which has the same ones.
func singular(m Matrix) float64 {
	switch m.N {
	case 1:
		return cmplx.Abs(m.Data[0])
	case 2:
		sum := 0.0
		for _, x := range m.Data {
			sum += real(x)*real(x) + imag(x)*imag(x)
		}
		det := m.Data[0]*m.Data[3] - m.Data[1]*m.Data[2]
		det2 := real(det)*real(det) + imag(det)*imag(det)
		return math.Sqrt((sum + math.Sqrt(math.Max(0, sum*sum-4*det2))) / 2)
	}
	n := m.N
	d := mat.NewDense(2*n, 2*n, nil)
	for i := range n {
		for j := range n {
			x := m.Data[i*n+j]
			d.Set(i, j, real(x))
			d.Set(i+n, j+n, real(x))
			d.Set(i, j+n, -imag(x))
			d.Set(i+n, j, imag(x))
		}
	}
	var svd mat.SVD
	if !svd.Factorize(d, mat.SVDNone) {
		return math.NaN()
	}
	return svd.Values(nil)[0]
}

// FastestTurn returns the largest step of phase of S(to,from) between neighbouring points, in degrees,
// and the frequency at which it starts. Beyond about 90° what At gives between the points is a guess.
func (n *Network) FastestTurn(to, from int) (degree, hz float64) {
	var a complex128     // of the point before
	sin, cos := 0.0, 1.0 // of the largest so far
	for p := range n.Points() {
		b := n.S(p).At(to, from)
		turn := b * cmplx.Conj(a)
		// An angle is worked out only where it may be larger, seen from the sine of the difference.
		if a != 0 && b != 0 && !(math.Abs(imag(turn))*cos < real(turn)*sin) {
			if d := math.Abs(cmplx.Phase(b/a)) * 180 / math.Pi; d > degree {
				degree, hz = d, n.Frequencies[p-1]
				sin, cos = math.Sincos(d * math.Pi / 180)
			}
		}
		a = b
	}
	return degree, hz
}
