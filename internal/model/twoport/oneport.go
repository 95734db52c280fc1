package twoport

import (
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"sync"

	"provoke/internal/units/rf"
)

// Resistor is a resistance, or a short for 0 Ω.
type Resistor rf.Resistance

// Impedance fills z with the resistance.
func (r Resistor) Impedance(g Grid, z []complex128) error {
	if !(r >= 0) || math.IsInf(float64(r), 0) {
		return fmt.Errorf("a resistance of %v Ω is not that of a passive part: write a finite one, 0 Ω or more",
			float64(r))
	}
	for i := range z {
		z[i] = complex(float64(r), 0)
	}
	return nil
}

// OpenEnd is nothing connected.
type OpenEnd struct{}

// Impedance fills z with Open.
func (OpenEnd) Impedance(g Grid, z []complex128) error {
	for i := range z {
		z[i] = Open
	}
	return nil
}

// Inductor is an inductance with its series resistance.
type Inductor struct {
	Henry rf.Inductance
	Ohm   rf.Resistance
}

// Impedance fills z with R + jωL.
func (l Inductor) Impedance(g Grid, z []complex128) error {
	if err := errors.Join(positive("inductance", l.Henry), notNegative("series resistance", l.Ohm)); err != nil {
		return err
	}
	for i := range z {
		z[i] = complex(float64(l.Ohm), g.omega(i)*float64(l.Henry))
	}
	return nil
}

// Capacitor is a capacitance with the inductance (ESL) and resistance (ESR) that its leads, vias and
// plates put in series.
type Capacitor struct {
	Farad rf.Capacitance
	ESL   rf.Inductance
	ESR   rf.Resistance
}

// Impedance fills z with R + j(ωL − 1/ωC).
func (c Capacitor) Impedance(g Grid, z []complex128) error {
	if err := errors.Join(positive("capacitance", c.Farad),
		notNegative("series inductance (ESL)", c.ESL), notNegative("series resistance (ESR)", c.ESR)); err != nil {
		return err
	}
	for i := range z {
		w := g.omega(i)
		z[i] = complex(float64(c.ESR), w*float64(c.ESL)-1/(w*float64(c.Farad)))
	}
	return nil
}

// SeriesOf is one-ports one after the other; none are a short.
type SeriesOf []OnePort

// Impedance fills z with the sum.
func (s SeriesOf) Impedance(g Grid, z []complex128) error {
	clear(z)
	room := borrow()
	defer room.release()
	part := room.of(len(z))
	for k, p := range s {
		if err := p.Impedance(g, part); err != nil {
			return fmt.Errorf("part %d in series: %w", k+1, err)
		}
		for i, x := range part {
			if cmplx.IsInf(x) || cmplx.IsInf(z[i]) {
				z[i] = Open
			} else {
				z[i] += x
			}
		}
	}
	return nil
}

// ParallelOf is one-ports side by side; none are open.
type ParallelOf []OnePort

// Impedance fills z with the reciprocal of the sum of admittances. A part of 0 Ω shorts all; parts
// that resonate without loss are Open.
func (s ParallelOf) Impedance(g Grid, z []complex128) error {
	clear(z)
	room := borrow()
	defer room.release()
	part := room.of(len(z))
	for k, p := range s {
		if err := p.Impedance(g, part); err != nil {
			return fmt.Errorf("part %d in parallel: %w", k+1, err)
		}
		for i, x := range part {
			switch {
			case x == 0:
				z[i] = Open // an infinite admittance
			case cmplx.IsInf(x) || cmplx.IsInf(z[i]):
			default:
				z[i] += reciprocal(x)
			}
		}
	}
	for i, y := range z {
		switch {
		case cmplx.IsInf(y):
			z[i] = 0
		case y == 0:
			z[i] = Open
		default:
			z[i] = reciprocal(y)
		}
	}
	return nil
}

// scratch is room for the figures of one block.
type scratch [blockSize]complex128

// spare keeps scratches from being allocated for each block anew.
var spare = sync.Pool{New: func() any { return new(scratch) }}

func borrow() *scratch      { return spare.Get().(*scratch) }
func (s *scratch) release() { spare.Put(s) }

// of returns room for n figures: the block's own where it is large enough.
func (s *scratch) of(n int) []complex128 {
	if n <= blockSize {
		return s[:n]
	}
	return make([]complex128, n)
}

// LISN is the impedance of a line impedance stabilisation network at its port toward the DUT,
// against the reference plane: 50 Ω in parallel with an inductance that has a resistance in series.
// Real networks have more elements; CISPR 16-1-2 allows 20 % in magnitude and 11.5° (from memory).
type LISN struct {
	Henry rf.Inductance
	Ohm   rf.Resistance // in series with the inductance
	Port  rf.Resistance // receiver or termination, 50 Ω when absent
}

// The networks of CISPR 16-1-2: for 9 to 150 kHz with 5 Ω, for 150 kHz to 30 MHz, and the 5 µH
// network for vehicles and high currents with and without 1 Ω (from memory; the 50 µH + 5 Ω network
// is confirmed as its clause 4.2).
var (
	LISN50uH     = LISN{Henry: 50e-6}
	LISN50uH5Ohm = LISN{Henry: 50e-6, Ohm: 5}
	LISN5uH      = LISN{Henry: 5e-6}
	LISN5uH1Ohm  = LISN{Henry: 5e-6, Ohm: 1}
)

// Impedance fills z with 50·(r + jωL)/(50 + r + jωL).
func (l LISN) Impedance(g Grid, z []complex128) error {
	port := float64(l.Port)
	if port == 0 {
		port = float64(rf.Z0)
	}
	if err := errors.Join(positive("inductance of the network", l.Henry),
		notNegative("resistance of the network", l.Ohm),
		positive("port resistance of the network", rf.Resistance(port))); err != nil {
		return err
	}
	for i := range z {
		x := complex(float64(l.Ohm), g.omega(i)*float64(l.Henry))
		z[i] = complex(port, 0) * x * reciprocal(complex(port, 0)+x)
	}
	return nil
}

// Sampled is a one-port whose impedances were computed on a grid before: it answers on that grid and
// its parts only. Make it with OnGrid.
type Sampled struct {
	z    []complex128
	root *float64
}

// OnGrid computes a one-port once for a grid, so that many networks can use it there.
func OnGrid(g Grid, p OnePort) (Sampled, error) {
	if g.first != 0 {
		return Sampled{}, errors.New("compute a part on a grid: the grid is a piece of another")
	}
	z, err := ImpedancesOf(p, g)
	return Sampled{z, g.root}, err
}

// Impedance fills z with what was computed.
func (s Sampled) Impedance(g Grid, z []complex128) error {
	if s.root != g.root || g.first+len(z) > len(s.z) {
		return errors.New("a part that was computed on one frequency grid was asked for another")
	}
	copy(z, s.z[g.first:])
	return nil
}

// quantity is a part's figure with its unit.
type quantity interface {
	~float64
	fmt.Stringer
}

func positive[Q quantity](what string, x Q) error {
	if !(x > 0) || math.IsInf(float64(x), 1) {
		return fmt.Errorf("%s %v: it must be above zero", what, x)
	}
	return nil
}

func notNegative[Q quantity](what string, x Q) error {
	if !(x >= 0) || math.IsInf(float64(x), 1) {
		return fmt.Errorf("%s %v: it must not be negative", what, x)
	}
	return nil
}
