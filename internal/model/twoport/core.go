package twoport

import (
	"errors"
	"fmt"
	"math"

	"provoke/internal/units/rf"
)

// Toroid is a stack of equal cores of rectangular section, or a sleeve; a split core has a gap.
type Toroid struct {
	Outer, Inner rf.Length // diameters
	Height       rf.Length // of one core along the cable
	Count        int       // cores in the stack; 0 means 1
	Gap          rf.Length // both joints together; 0 for a closed core
}

func (t Toroid) check() error {
	err := errors.Join(positive("outer diameter of the core", t.Outer), positive("inner diameter of the core", t.Inner),
		positive("height of the core", t.Height), notNegative("gap of the core", t.Gap))
	if err == nil && t.Inner >= t.Outer {
		err = fmt.Errorf("inner diameter %v of the core is not below its outer diameter %v", t.Inner, t.Outer)
	}
	if t.Count < 0 {
		err = errors.Join(err, fmt.Errorf("a stack of %d cores", t.Count))
	}
	if err == nil && t.Gap > 0 && float64(t.Gap) >= t.PathLength() {
		err = fmt.Errorf("gap %v of the core is not below its magnetic path of %v", t.Gap, rf.Length(t.PathLength()))
	}
	return err
}

func (t Toroid) stack() float64 { return float64(t.Height) * float64(max(t.Count, 1)) }

// AirInductance returns the inductance of one turn on the shape in air, in henry:
// L0 = µ0·h·ln(OD/ID)/2π.
func (t Toroid) AirInductance() float64 {
	return vacuumPermeability * t.stack() * math.Log(float64(t.Outer/t.Inner)) / (2 * math.Pi)
}

// PathLength returns the magnetic path in metre: le = 2π·ln(r2/r1)/(1/r1 − 1/r2).
func (t Toroid) PathLength() float64 {
	r1, r2 := float64(t.Inner)/2, float64(t.Outer)/2
	return 2 * math.Pi * math.Log(r2/r1) / (1/r1 - 1/r2)
}

// Area returns the magnetic area in square metre: Ae = h·ln²(r2/r1)/(1/r1 − 1/r2), so that µ0·Ae/le
// is AirInductance.
func (t Toroid) Area() float64 {
	r1, r2 := float64(t.Inner)/2, float64(t.Outer)/2
	l := math.Log(r2 / r1)
	return t.stack() * l * l / (1/r1 - 1/r2)
}

// Gapped returns the permeability that the gap leaves: µ/(1 + µ·g/le).
func (t Toroid) Gapped(mu complex128) complex128 {
	if t.Gap == 0 {
		return mu
	}
	return mu / (1 + mu*complex(float64(t.Gap)/t.PathLength(), 0))
}

// Ferrite is a winding of Turns turns on a core, or a core on the cable (one turn is one passage
// through the hole). As a one-port it is the impedance of the winding: what a ferrite puts in series
// with the common mode of a cable.
type Ferrite struct {
	Core     Toroid
	Material Permeability
	Turns    int            // 0 means 1
	Farad    rf.Capacitance // of the winding, across it
}

// Impedance fills z with 1/(1/(N²·z1) + jωC), z1 = jωL0·µ. It refuses frequencies at which the
// material is not known whole, wrapping ErrMissing.
func (f Ferrite) Impedance(g Grid, z []complex128) error {
	if err := errors.Join(f.Core.check(), f.winding()); err != nil {
		return err
	}
	if err := f.Material.Fill(g, z); err != nil {
		return err
	}
	n := float64(max(f.Turns, 1))
	l := n * n * f.Core.AirInductance()
	for i, mu := range z {
		w := g.omega(i)
		x := complex(0, w*l) * f.Core.Gapped(mu)
		if f.Farad > 0 {
			y := reciprocal(x) + complex(0, w*float64(f.Farad))
			if x == 0 {
				continue
			}
			x = quotient(1, y)
		}
		z[i] = x
	}
	return nil
}

func (f Ferrite) winding() error {
	err := notNegative("winding capacitance", f.Farad)
	if f.Turns < 0 {
		err = errors.Join(err, fmt.Errorf("%d turns", f.Turns))
	}
	if f.Material == nil {
		err = errors.Join(err, errors.New("a core without a material"))
	}
	return err
}

// LeastImpedance returns, at one frequency, how large the impedance is at the very least where only
// µ″ is tabulated: the resistance ω·N²·L0·µ″ of a closed core, winding capacitance left out. exact
// tells that the permeability is known whole and the figure is |Z|.
func (f Ferrite) LeastImpedance(at rf.Frequency) (ohm float64, exact bool, err error) {
	if z, err := ImpedanceAt(f, at); err == nil {
		return math.Sqrt(square(z)), true, nil
	} else if !errors.Is(err, ErrMissing) {
		return 0, false, err
	}
	t, ok := f.Material.(*Table)
	if !ok || f.Core.Gap > 0 || f.Farad > 0 {
		return 0, false,
			fmt.Errorf("a bound of a ferrite's impedance from µ″ alone needs a table, no gap and no winding "+
				"capacitance: %w", ErrMissing)
	}
	loss, err := t.loss.at(at.Hz(), math.Log(at.Hz()))
	if err != nil {
		return 0, false, t.missing("µ″", at, t.loss, err)
	}
	n := float64(max(f.Turns, 1))
	return 2 * math.Pi * at.Hz() * n * n * f.Core.AirInductance() * loss, false, nil
}
