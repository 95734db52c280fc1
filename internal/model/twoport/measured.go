package twoport

import (
	"fmt"
	"math"

	"provoke/internal/files/touchstone"
	"provoke/internal/units/rf"
)

// Limits of |S| (the largest singular value) of a part that is passive by nature. Up to
// NoiseLimit it is the noise of a calibrated analyser; up to GainLimit (0.1 dB) the calibration is in
// doubt and provoke goes on with a remark; above that it refuses.
const (
	NoiseLimit = 1.0005
	GainLimit  = 1.0116
)

// CheckPassive looks at a measured part that cannot make energy. The remark says what is doubtful
// and that provoke goes on; the error, what is impossible and where.
func CheckPassive(n *touchstone.Network) (remark string, err error) {
	worst, hz := n.LargestGain()
	at := rf.Frequency(hz)
	where := fmt.Sprintf("%s: |S| reaches %.4f (%s) at %v", n.Name, worst, rf.GainOfAmplitudeRatio(worst).Text(3), at)
	switch {
	case !(worst <= GainLimit):
		return "",
			fmt.Errorf("%s, which is more than the noise of a measurement: a passive part would make energy; measure "+
				"it again or check the calibration", where)
	case worst > NoiseLimit:
		return where + ": a passive part has 1 at most; provoke goes on, the calibration of the analyser is in doubt",
			nil
	}
	return "", nil
}

// MeasuredOnePort is a one-port from a Touchstone file. Use MeasureOnePort to make it of a file that
// must be passive.
type MeasuredOnePort struct {
	Network *touchstone.Network
	Port    int // from 1; the other ports are closed with the references of the file
}

// MeasureOnePort checks a file as the impedance at one of its ports. The remark is CheckPassive's.
func MeasureOnePort(n *touchstone.Network, port int) (p MeasuredOnePort, remark string, err error) {
	if port < 1 || port > n.Ports {
		return p, "", fmt.Errorf("%s has no port %d, only %d", n.Name, port, n.Ports)
	}
	remark, err = CheckPassive(n)
	return MeasuredOnePort{n, port}, remark, err
}

// Impedance fills z with R(1 + S)/(1 − S), S interpolated as touchstone.Network.At does. Beyond the
// ends of the file the error is a *curve.OutsideError.
func (p MeasuredOnePort) Impedance(g Grid, z []complex128) error {
	r := complex(p.Network.Reference[p.Port-1], 0)
	for i := range z {
		m, err := p.Network.At(g.Frequency(i))
		if err != nil {
			return err
		}
		z[i] = ImpedanceOf(m.At(p.Port, p.Port), r)
		// A reflection that is beyond 1 by noise would give a negative resistance.
		if !math.IsInf(real(z[i]), 0) && real(z[i]) < 0 {
			z[i] = complex(0, imag(z[i]))
		}
	}
	return nil
}

// MeasuredTwoPort is a two-port from a Touchstone file, from port In to port Out; its other ports
// are closed with their references.
type MeasuredTwoPort struct {
	Network *touchstone.Network
	In, Out int
}

// MeasureTwoPort checks a file as a passive two-port. The remark is CheckPassive's.
func MeasureTwoPort(n *touchstone.Network, in, out int) (p MeasuredTwoPort, remark string, err error) {
	if in < 1 || out < 1 || in > n.Ports || out > n.Ports || in == out {
		return p, "", fmt.Errorf("%s: ports %d and %d are no two of its %d ports", n.Name, in, out, n.Ports)
	}
	remark, err = CheckPassive(n)
	return MeasuredTwoPort{n, in, out}, remark, err
}

func (p MeasuredTwoPort) matrix(m touchstone.Matrix) (Matrix, References) {
	a, b := p.In, p.Out
	r := p.Network.Reference
	return Matrix{{m.At(a, a), m.At(a, b)}, {m.At(b, a), m.At(b, b)}}, References{complex(r[a-1], 0),
		complex(r[b-1], 0)}
}

// Matrices fills m with the chain matrices. Beyond the ends of the file the error is a
// *curve.OutsideError; where nothing is transmitted it wraps ErrUndefined.
func (p MeasuredTwoPort) Matrices(g Grid, m []ABCD) error {
	for i := range m {
		at, err := p.Network.At(g.Frequency(i))
		if err != nil {
			return err
		}
		s, ref := p.matrix(at)
		if m[i], err = ABCDOfS(s, ref); err != nil {
			return fmt.Errorf("%s at %v: %w", p.Network.Name, g.Frequency(i), err)
		}
	}
	return nil
}
