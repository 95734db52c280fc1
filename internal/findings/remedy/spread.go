package remedy

import (
	"fmt"
	"math"

	"provoke/internal/model/cable"
	"provoke/internal/model/twoport"
	"provoke/internal/units/rf"
)

// Spread is how far the true cable may lie from the model: half-widths, all values between them alike
// likely. Zero figures are taken for exact.
type Spread struct {
	Length    rf.Length   // of the whole cable, at the AE's end
	Position  rf.Length   // of clamp, probe and parts
	Impedance rf.Fraction // of the line
	Loss      rf.Fraction
	Circuit   rf.Fraction // magnitude of the circuit's impedance
	Chassis   rf.Fraction // of the chassis' impedance to the plane
	AE        rf.Fraction
	Parts     rf.Fraction // of the parts' impedances: 20 to 30 % for ferrites (common practice)
}

// Known reports that something may vary.
func (s Spread) Known() bool { return s != Spread{} }

// Cables is how many cables a band is computed from.
const Cables = 32

// OfEstimate turns the limits of an estimate into a spread; figures that the estimate did not move
// stay as they were given. A figure without an upper limit counts as ± 100 %.
func (s Spread) OfEstimate(e *cable.Estimate) Spread {
	for _, q := range e.Quantities {
		half, relative := (q.High-q.Low)/2, 1.0
		if q.Known() && q.Value != 0 {
			relative = math.Min(half/math.Abs(q.Value), 1)
		}
		switch q.Quantity {
		case cable.LengthToAE:
			if q.Known() {
				s.Length = rf.Length(half)
			}
		case cable.DUTCapacitance:
			s.Chassis = rf.Fraction(relative)
		case cable.DUTResistance:
			s.Circuit = rf.Fraction(relative)
		case cable.AEResistance, cable.AEInductance:
			s.AE = max(s.AE, rf.Fraction(relative))
		case cable.SkinLoss:
			s.Loss = rf.Fraction(relative)
		}
	}
	return s
}

// halton is the radical inverse of n in a base: numbers that fill 0 to 1 evenly, the same every time.
func halton(n, base int) float64 {
	x, f := 0.0, 1.0
	for ; n > 0; n /= base {
		f /= float64(base)
		x += f * float64(n%base)
	}
	return x
}

// scaled is an impedance times a factor.
type scaled struct {
	of     twoport.OnePort
	factor float64
}

// Impedance fills z.
func (s scaled) Impedance(g twoport.Grid, z []complex128) error {
	if err := s.of.Impedance(g, z); err != nil {
		return err
	}
	for i := range z {
		if !math.IsInf(real(z[i]), 0) && !math.IsInf(imag(z[i]), 0) {
			z[i] *= complex(s.factor, 0)
		}
	}
	return nil
}

// drawn is one cable within the spread.
type drawn struct {
	model *Model
	parts float64
	moved rf.Length
}

// draw makes the k-th cable of a spread, from 1.
func (m *Model) draw(s Spread, k int) (drawn, error) {
	bases := []int{2, 3, 5, 7, 11, 13, 17, 19, 23, 29}
	next := 0
	pick := func(half float64) float64 { // in ±half
		x := half * (2*halton(k, bases[next]) - 1)
		next++
		return x
	}
	factor := func(f rf.Fraction) float64 { return math.Max(1+pick(math.Min(float64(f), 0.95)), 0.05) }
	c := *m.Cable
	c.ClampToAE = max(c.ClampToAE+rf.Length(pick(float64(s.Length))), 0)
	c.Line.Impedance *= rf.Resistance(factor(s.Impedance))
	loss := rf.Gain(factor(s.Loss))
	c.Line.Loss = twoport.Loss{Skin: c.Line.Loss.Skin * loss, Radiation: c.Line.Loss.Radiation * loss}
	whole := c.Length()
	c.ProbeToDUT = max(c.ProbeToDUT+rf.Length(pick(float64(s.Position))), 0)
	c.ClampToDUT = max(c.ClampToDUT+rf.Length(pick(float64(s.Position))), c.ProbeToDUT)
	c.ClampToAE = max(whole-c.ClampToDUT, 0)
	p := m.Port
	p.Circuit = scaled{p.Circuit, factor(s.Circuit)}
	if p.Chassis != nil {
		p.Chassis = scaled{p.Chassis, factor(s.Chassis)}
	} else {
		next++
	}
	c.AE = scaled{c.AE, factor(s.AE)}
	d := drawn{parts: factor(s.Parts), moved: rf.Length(pick(float64(s.Position)))}
	c.Clamp = m.clamp
	var err error
	d.model, err = newModel(&c, p, m.grid)
	return d, err
}

// changed returns choices as they are on a drawn cable.
func (d drawn) changed(choices []Choice) []Choice {
	out := make([]Choice, len(choices))
	for i, c := range choices {
		if c.OnCable != nil {
			c.OnCable = scaled{c.OnCable, d.parts}
			c.At = min(max(c.At+d.moved, 0), d.model.Cable.Length())
		}
		var port Elements
		for _, e := range c.AtPort {
			f := d.parts
			if e.Shunt {
				f = 1 / d.parts // more capacitance, less impedance
			}
			port = append(port, Element{e.Shunt, scaled{e.Z, f}})
		}
		c.AtPort = port
		out[i] = c
	}
	return out
}

// Range is the least and the most of an effect over the cables of a spread.
type Range struct{ Low, High Effect }

// Bander computes the bands of effects over the cables of a spread. It holds the cables, so that
// several combinations cost little more than one.
type Bander struct{ cables []drawn }

// Bands makes the cables of a spread.
func (m *Model) Bands(s Spread) (*Bander, error) {
	b := &Bander{}
	if !s.Known() {
		return b, nil
	}
	for k := 1; k <= Cables; k++ {
		d, err := m.draw(s, k)
		if err != nil {
			return nil, fmt.Errorf("remedy: a cable within the spread: %w", err)
		}
		b.cables = append(b.cables, d)
	}
	return b, nil
}

// Of returns the band of choices whose effects on the model itself are known; the model is one of the
// cables. With no spread the band is the effect itself.
func (b *Bander) Of(choices []Choice, middle []Effect) ([]Range, error) {
	out := make([]Range, len(middle))
	for i, e := range middle {
		out[i] = Range{e, e}
	}
	for _, d := range b.cables {
		effects, err := d.model.Effects(d.changed(choices))
		if err != nil {
			return nil, err
		}
		for i, e := range effects {
			out[i].Low = Effect{min(out[i].Low.SameDrive, e.SameDrive), min(out[i].Low.SameProbe, e.SameProbe)}
			out[i].High = Effect{max(out[i].High.SameDrive, e.SameDrive), max(out[i].High.SameProbe, e.SameProbe)}
		}
	}
	return out, nil
}
