package touchstone

import (
	"fmt"
	"math"
	"math/cmplx"

	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

// GainCurve returns |S(to,from)| in decibel as a gain between 50 Ω gear: S21 is GainCurve(2, 1). A network
// at other references is renormalised first, and the source of the curve says so. A point at 0 Hz has no
// place on a logarithmic scale and is left out; a magnitude of zero is refused.
func (n *Network) GainCurve(to, from int) (curve.Curve[rf.Gain], error) {
	return n.decibels(to, from, +1)
}

// LossCurve returns the same as a loss, positive decibels: S21 of a pad or a clamp is LossCurve(2, 1),
// the return loss of port 1 is LossCurve(1, 1).
func (n *Network) LossCurve(to, from int) (curve.Curve[rf.Gain], error) {
	return n.decibels(to, from, -1)
}

func (n *Network) decibels(to, from int, sign float64) (curve.Curve[rf.Gain], error) {
	none := curve.Curve[rf.Gain]{}
	if to < 1 || from < 1 || to > n.Ports || from > n.Ports {
		return none, fmt.Errorf("%s has %s, not S%d%d", n.Name, ports(n.Ports), to, from)
	}
	if len(n.Modes) > 0 {
		return none, fmt.Errorf("%s is a mixed-mode network; its S%d%d is no gain between ports", n.Name, to, from)
	}
	source := fmt.Sprintf("%s S%d%d", n.Name, to, from)
	at50 := n
	for _, r := range n.Reference {
		if r != float64(rf.Z0) {
			var err error
			if at50, err = n.Renormalised(float64(rf.Z0)); err != nil {
				return none, err
			}
			source += " renormalised from " + describeReference(n.Reference) + " to 50 Ω"
			break
		}
	}
	var points []curve.Point[rf.Gain]
	for i, hz := range n.Frequencies {
		if hz == 0 {
			continue
		}
		db := 20 * math.Log10(cmplx.Abs(at50.S(i).At(to, from)))
		points = append(points, curve.Point[rf.Gain]{At: rf.Frequency(hz), Value: rf.Gain(sign * db)})
	}
	return curve.New(points, source)
}
