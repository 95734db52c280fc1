package twoport

import (
	"errors"
	"fmt"
	"math"

	"provoke/internal/units/rf"
)

// SpeedOfLight is that in vacuum, in metre per second.
const SpeedOfLight = 299792458.0

const vacuumPermeability = 4e-7 * math.Pi

// OverPlane is a wire, or a bundle of equal wires side by side on a circle, over a reference plane.
type OverPlane struct {
	Radius rf.Length // of the wire, or of each wire of the bundle
	Height rf.Length // of the centre above the plane
	Wires  int       // 0 and 1 are a single wire
	Circle rf.Length // radius of the circle on which the wires of a bundle stand
	// Velocity is the velocity on the line against that of light; 0 means 1, a bare wire. Insulation
	// raises the capacitance by 1/Velocity² and leaves the inductance as it is.
	Velocity float64
}

// EffectiveRadius returns the radius of a single wire of the same inductance: (n·r·Rⁿ⁻¹)^(1/n) for
// a bundle (common practice for bundled conductors, from memory).
func (o OverPlane) EffectiveRadius() rf.Length {
	if o.Wires <= 1 {
		return o.Radius
	}
	n := float64(o.Wires)
	return rf.Length(math.Pow(n*float64(o.Radius)*math.Pow(float64(o.Circle), n-1), 1/n))
}

// Impedance returns the characteristic impedance (η0/2π)·acosh(h/a), times the velocity factor. The
// model holds for heights well below a tenth of the wavelength.
func (o OverPlane) Impedance() (rf.Resistance, error) {
	err := errors.Join(positive("radius of the wire", o.Radius),
		positive("height of the cable above the plane", o.Height))
	if o.Wires > 1 {
		err = errors.Join(err, positive("radius of the circle of the bundle", o.Circle))
	}
	v := o.velocity()
	if !(v > 0 && v <= 1) {
		err = errors.Join(err, fmt.Errorf("velocity %v of that of light: it must be above 0 and at most 1", v))
	}
	if err != nil {
		return 0, err
	}
	if o.Wires > 1 {
		if apart := float64(o.Circle) * math.Sin(math.Pi/float64(o.Wires)); apart < float64(o.Radius)*(1-1e-9) {
			return 0, fmt.Errorf("%d wires of radius %v do not fit on a circle of radius %v", o.Wires, o.Radius,
				o.Circle)
		}
	}
	a, outer := float64(o.EffectiveRadius()), float64(o.Radius)
	if o.Wires > 1 {
		outer += float64(o.Circle)
	}
	h := float64(o.Height)
	if h <= outer || h <= a {
		return 0,
			fmt.Errorf("height %v of the cable's centre is not above its radius %v: the cable would stand in the plane",
				o.Height, rf.Length(outer))
	}
	return rf.Resistance(vacuumPermeability / (2 * math.Pi) * SpeedOfLight * math.Acosh(h/a) * v), nil
}

func (o OverPlane) velocity() float64 {
	if o.Velocity == 0 {
		return 1
	}
	return o.Velocity
}

// Loss of a line, each term in decibel per metre at 50 MHz.
type Loss struct {
	// Skin grows with the root of frequency, as losses in conductors and most insulation do.
	Skin rf.Gain
	// Radiation grows with the square of frequency, as the radiation of a wire that is close to the
	// plane against the wavelength does. 0.1 to 0.5 dB/m above 50 MHz is typical of a raised wire
	// (common practice, from memory).
	Radiation rf.Gain
}

// LossFrequency is where the terms of Loss are stated.
const LossFrequency = 50 * rf.Megahertz

// Line is a piece of uniform line. Its characteristic impedance counts as real.
type Line struct {
	Impedance rf.Resistance
	Length    rf.Length // 0 is Through
	Velocity  float64   // against that of light; 0 means 1
	Loss      Loss
}

func (l Line) check() error {
	err := errors.Join(positive("characteristic impedance", l.Impedance), notNegative("length of line", l.Length))
	if v := l.Velocity; !(v >= 0 && v <= 1) {
		err = errors.Join(err, fmt.Errorf("velocity %v of that of light: it must be above 0 and at most 1", v))
	}
	for _, x := range []rf.Gain{l.Loss.Skin, l.Loss.Radiation} {
		if !(x >= 0) || !x.Finite() {
			err = errors.Join(err, fmt.Errorf("a loss of %v per metre: a passive line has none below 0 dB", x.Text(2)))
		}
	}
	return err
}

// nepers per decibel of amplitude.
var neper = math.Ln10 / 20

// fill puts cosh(γl) into ch and sinh(γl) into sh.
func (l Line) fill(g Grid, ch, sh []complex128) error {
	if err := l.check(); err != nil {
		return err
	}
	v := l.Velocity
	if v == 0 {
		v = 1
	}
	turn := 2 * math.Pi * float64(l.Length) / (v * SpeedOfLight)
	f0 := LossFrequency.Hz()
	skin := float64(l.Loss.Skin) * neper * float64(l.Length) / math.Sqrt(f0)
	radiation := float64(l.Loss.Radiation) * neper * float64(l.Length) / (f0 * f0)
	for i, hz := range g.hz {
		s, c := math.Sincos(turn * hz)
		a := 0.0
		if skin != 0 {
			a = skin * math.Sqrt(hz)
		}
		a += radiation * hz * hz
		if a == 0 {
			ch[i], sh[i] = complex(c, 0), complex(0, s)
			continue
		}
		sinh, cosh := hyperbolic(a)
		ch[i], sh[i] = complex(cosh*c, sinh*s), complex(sinh*c, cosh*s)
	}
	return nil
}

// hyperbolic returns sinh and cosh of x ≥ 0.
func hyperbolic(x float64) (sinh, cosh float64) {
	if x < 0.1 {
		const c3, c5, c7, c9 = 1.0 / 6, 1.0 / 120, 1.0 / 5040, 1.0 / 362880
		const c2, c4, c6, c8 = 1.0 / 2, 1.0 / 24, 1.0 / 720, 1.0 / 40320
		q := x * x
		return x * (1 + q*(c3+q*(c5+q*(c7+q*c9)))), 1 + q*(c2+q*(c4+q*(c6+q*c8)))
	}
	e := math.Exp(x)
	return (e - 1/e) / 2, (e + 1/e) / 2
}

// Matrices fills m with [[cosh γl, Z0 sinh γl], [sinh γl/Z0, cosh γl]].
func (l Line) Matrices(g Grid, m []ABCD) error {
	var c, s scratch
	ch, sh := c.of(len(m)), s.of(len(m))
	if err := l.fill(g, ch, sh); err != nil {
		return err
	}
	z, y := complex(float64(l.Impedance), 0), complex(1/float64(l.Impedance), 0)
	for i := range m {
		m[i] = ABCD{ch[i], z * sh[i], y * sh[i], ch[i]}
	}
	return nil
}
