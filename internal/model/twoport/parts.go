package twoport

import (
	"errors"
	"fmt"
	"math/cmplx"

	"provoke/internal/units/rf"
)

// Series is a one-port in the wire.
type Series struct{ Z OnePort }

// Matrices fills m with [[1, Z], [0, 1]].
func (s Series) Matrices(g Grid, m []ABCD) error {
	room := borrow()
	defer room.release()
	z := room.of(len(m))
	if err := s.fill(g, z); err != nil {
		return err
	}
	for i, x := range z {
		m[i] = ABCD{1, x, 0, 1}
	}
	return nil
}

// fill puts the impedances into z; an open wire is refused.
func (s Series) fill(g Grid, z []complex128) error {
	if err := s.Z.Impedance(g, z); err != nil {
		return err
	}
	for i, x := range z {
		if !finite(x) {
			return fmt.Errorf("a part in series is open at %v: no current passes, make it the end of the cable",
				g.Frequency(i))
		}
	}
	return nil
}

// Shunt is a one-port from the wire to the plane.
type Shunt struct{ Z OnePort }

// Matrices fills m with [[1, 0], [1/Z, 1]].
func (s Shunt) Matrices(g Grid, m []ABCD) error {
	room := borrow()
	defer room.release()
	y := room.of(len(m))
	if err := s.fill(g, y); err != nil {
		return err
	}
	for i, x := range y {
		m[i] = ABCD{1, 0, x, 1}
	}
	return nil
}

// fill puts the admittances into y; a part of 0 Ω is refused.
func (s Shunt) fill(g Grid, y []complex128) error {
	if err := s.Z.Impedance(g, y); err != nil {
		return err
	}
	for i, x := range y {
		if x != 0 && finite(x) {
			y[i] = reciprocal(x)
			continue
		}
		switch {
		case x == 0 || cmplx.IsNaN(x):
			return fmt.Errorf("a part from the wire to the plane has 0 Ω at %v: nothing passes it, give it its "+
				"series resistance or make it the end of the cable", g.Frequency(i))
		case cmplx.IsInf(x):
			y[i] = 0
		}
	}
	return nil
}

// Chain is two-ports one after the other, input first; none are Through.
type Chain []TwoPort

// Matrices fills m with the product.
func (c Chain) Matrices(g Grid, m []ABCD) error {
	for i := range m {
		m[i] = Through
	}
	var room [blockSize]ABCD
	part := room[:]
	if len(m) > blockSize {
		part = make([]ABCD, len(m))
	}
	part = part[:len(m)]
	for k, t := range c {
		if err := t.Matrices(g, part); err != nil {
			return fmt.Errorf("part %d of the chain: %w", k+1, err)
		}
		for i := range m {
			m[i] = m[i].Times(part[i])
		}
	}
	return nil
}

// Choke is a common mode choke in a cable of two conductors: each winding has the inductance Henry,
// the coupling Coupling, and across them lie the winding capacitance and the resistance of the core.
// As a one-port it is what the common mode current of both conductors sees.
type Choke struct {
	Henry    rf.Inductance
	Coupling float64        // 0 to 1
	Farad    rf.Capacitance // across the windings; 0 for none
	Core     rf.Resistance  // core loss across the windings; 0 for none
	Ohm      rf.Resistance  // of the windings, in common mode
}

// Impedance fills z with R + (jωL(1+k)/2 ∥ Rcore ∥ C): both windings in parallel.
func (c Choke) Impedance(g Grid, z []complex128) error {
	err := errors.Join(positive("inductance of the choke", c.Henry), notNegative("winding capacitance", c.Farad),
		notNegative("core resistance", c.Core), notNegative("winding resistance", c.Ohm))
	if !(c.Coupling >= 0 && c.Coupling <= 1) {
		err = errors.Join(err, fmt.Errorf("coupling %v of the choke: it must be between 0 and 1", c.Coupling))
	}
	if err != nil {
		return err
	}
	l := float64(c.Henry) * (1 + c.Coupling) / 2
	loss := 0.0
	if c.Core > 0 {
		loss = 1 / float64(c.Core)
	}
	for i := range z {
		w := g.omega(i)
		y := complex(loss, w*float64(c.Farad)-1/(w*l))
		if y == 0 {
			z[i] = Open
			continue
		}
		z[i] = complex(float64(c.Ohm), 0) + reciprocal(y)
	}
	return nil
}
