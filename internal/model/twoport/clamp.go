package twoport

import (
	"errors"
	"fmt"
	"math"

	"provoke/internal/units/rf"
)

// Clamp is an injection clamp: across its connector the winding capacitance, then the primary
// leakage, then the magnetising branch, an ideal transformer of Turns to one, and the secondary
// leakage in the cable. It is fed by a source of resistance Source.
type Clamp struct {
	Core      Toroid
	Material  Permeability
	Turns     int            // 0 means 1
	Farad     rf.Capacitance // of the winding, across the connector
	Primary   rf.Inductance  // leakage at the connector's side
	Secondary rf.Inductance  // leakage at the cable's side
	Source    rf.Resistance  // of the source; 0 means 50 Ω
}

func (c Clamp) check() error {
	return errors.Join(Ferrite{Core: c.Core, Material: c.Material, Turns: c.Turns, Farad: c.Farad}.winding(),
		c.Core.check(),
		notNegative("primary leakage", c.Primary), notNegative("secondary leakage", c.Secondary),
		notNegative("source resistance", c.Source))
}

func (c Clamp) source() float64 {
	if c.Source == 0 {
		return float64(rf.Z0)
	}
	return float64(c.Source)
}

// magnetising fills z with N²·z1, the magnetising branch seen from the winding.
func (c Clamp) magnetising(g Grid, z []complex128) error {
	if err := c.check(); err != nil {
		return err
	}
	return Ferrite{Core: c.Core, Material: c.Material, Turns: c.Turns}.Impedance(g, z)
}

// Inject fills the e.m.f. in the cable per volt of the source's e.m.f. and the series impedance in
// the cable:
//
//	E1 = Vs/(1 + jωC·Rs),  Z1 = Rs/(1 + jωC·Rs) + jωLp
//	E = (E1/N)·Zm/(Zm + Z1),  Zc = Zm·Z1/(Zm + Z1)/N² + jωLs
func (c Clamp) Inject(g Grid, emf, series []complex128) error {
	if err := c.magnetising(g, series); err != nil {
		return err
	}
	rs, n := c.source(), float64(max(c.Turns, 1))
	for i, zm := range series {
		w := g.omega(i)
		e := reciprocal(complex(1, w*float64(c.Farad)*rs))
		z1 := scale(rs, e) + complex(0, w*float64(c.Primary))
		share := zm * reciprocal(zm+z1)
		emf[i] = scale(1/n, e*share)
		series[i] = scale(1/(n*n), share*z1) + complex(0, w*float64(c.Secondary))
	}
	return nil
}

// Matrices fills m with the clamp as a two-port from its connector to the cable loop.
func (c Clamp) Matrices(g Grid, m []ABCD) error {
	room := borrow()
	defer room.release()
	z := room.of(len(m))
	if err := c.magnetising(g, z); err != nil {
		return err
	}
	n := complex(float64(max(c.Turns, 1)), 0)
	for i, zm := range z {
		w := g.omega(i)
		if zm == 0 {
			return fmt.Errorf("the clamp's core has no impedance at %v: nothing is injected", g.Frequency(i))
		}
		m[i] = ShuntElement(complex(0, w*float64(c.Farad))).
			Times(SeriesElement(complex(0, w*float64(c.Primary)))).
			Times(ShuntElement(reciprocal(zm))).
			Times(ABCD{n, 0, 0, 1 / n}).
			Times(SeriesElement(complex(0, w*float64(c.Secondary))))
	}
	return nil
}

// JigLoop is the loop of the 50 Ω calibration jig.
const JigLoop = 100.0

// JigInsertionLoss fills loss with the insertion loss in the 50 Ω jig, from forward power at the
// connector to the power in one jig port: 20·log10(|(Vs/2)/(50·I)|). It cannot be below 3.01 dB.
func (c Clamp) JigInsertionLoss(g Grid, loss []rf.Gain) error {
	emf, err := c.jig(g)
	if err != nil {
		return err
	}
	for i, x := range emf {
		loss[i] = rf.GainOfAmplitudeRatio(1 / (100 * math.Sqrt(square(x))))
	}
	return nil
}

// jig returns the jig current per volt of e.m.f.
func (c Clamp) jig(g Grid) ([]complex128, error) {
	emf, series := make([]complex128, g.Len()), make([]complex128, g.Len())
	if err := c.Inject(g, emf, series); err != nil {
		return nil, err
	}
	for i := range emf {
		if emf[i] == 0 {
			return nil, fmt.Errorf("the clamp injects nothing at %v", g.Frequency(i))
		}
		emf[i] /= series[i] + JigLoop
	}
	return emf, nil
}

// SourceEMF returns the e.m.f. (V r.m.s.) of a source of resistance rs whose available power, the
// forward power at a matched line, is given: 2·√(rs·P). Forward power fixes the e.m.f., not the power
// that is absorbed.
func SourceEMF(forward rf.Power, rs rf.Resistance) float64 {
	return 2 * math.Sqrt(float64(rs)*forward.SI())
}

// Probe is a current monitoring probe: Turns turns on a core, loaded by Load (the receiver in
// parallel with what is inside).
type Probe struct {
	Core     Toroid
	Material Permeability
	Turns    int
	Load     rf.Resistance  // 0 means 50 Ω
	Farad    rf.Capacitance // across the winding
	Leakage  rf.Inductance  // in series with the cable
}

// Transfer fills zt with the transfer impedance (1/N)/(1/R + 1/(N²·z1) + jωC), in ohm.
func (p Probe) Transfer(g Grid, zt []complex128) error {
	winding := Ferrite{Core: p.Core, Material: p.Material, Turns: p.Turns}
	if err := errors.Join(notNegative("load of the probe", p.Load), notNegative("winding capacitance", p.Farad),
		notNegative("leakage of the probe", p.Leakage)); err != nil {
		return err
	}
	if err := winding.Impedance(g, zt); err != nil {
		return err
	}
	r, n := float64(p.Load), float64(max(p.Turns, 1))
	if r == 0 {
		r = float64(rf.Z0)
	}
	for i, zm := range zt {
		zt[i] = scale(1/n, reciprocal(reciprocal(zm)+complex(1/r, g.omega(i)*float64(p.Farad))))
	}
	return nil
}

// Impedance fills z with the insertion impedance Zt/N + jωL that the probe puts in series with the
// cable.
func (p Probe) Impedance(g Grid, z []complex128) error {
	if err := p.Transfer(g, z); err != nil {
		return err
	}
	n := float64(max(p.Turns, 1))
	for i := range z {
		z[i] = scale(1/n, z[i]) + complex(0, g.omega(i)*float64(p.Leakage))
	}
	return nil
}
