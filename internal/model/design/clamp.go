package design

import (
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"provoke/internal/model/ferrite"
	"provoke/internal/model/twoport"
	"provoke/internal/units/rf"
)

// Clamp is a clamp that is to be designed, with what is asked of it.
type Clamp struct {
	Name     string
	File     string
	Core     twoport.Toroid
	Material ferrite.Material
	Windings []Winding // at least one; the first is the one shown over frequency
	Stacks   []int     // cores in the stack that the table tries; at least one
	Source   rf.Resistance
	Loop     rf.Resistance // of the cable or jig, without the clamp
	Low      rf.Frequency
	High     rf.Frequency
	Points   int
	Current  rf.Current // wanted in the loop, of the unmodulated carrier
	Crest    rf.Gain    // of the modulation that follows, over the carrier
	// Mean is what the modulation adds to the carrier's mean power.
	Mean rf.Gain
	// Forward is the largest forward power there is, at the crest; absent: no limit.
	Forward rf.Power
	// Rise is the largest rise of temperature allowed, in kelvin; 0: no limit.
	Rise float64
	// Probe is a monitoring probe to compare with; nil for none.
	Probe *ProbeCore
}

// Winding is one way to wind it.
type Winding struct {
	Turns              int
	Capacitance        rf.Capacitance
	Primary, Secondary rf.Inductance
}

// ProbeCore is the core of a monitoring probe, and its winding.
type ProbeCore struct {
	Core  twoport.Toroid
	Turns int
	Load  rf.Resistance
	Limit ferrite.FluxDensity // saturation; absent when not known
}

// twoport returns the clamp with a winding and a stack.
func (c *Clamp) with(w Winding, stack int) twoport.Clamp {
	core := c.Core
	core.Count = stack
	return twoport.Clamp{Core: core, Material: c.Material.Permeability, Turns: w.Turns, Farad: w.Capacitance,
		Primary: w.Primary, Secondary: w.Secondary, Source: c.source()}
}

func (c *Clamp) source() rf.Resistance {
	if c.Source == 0 {
		return rf.Z0
	}
	return c.Source
}

// Point is the clamp at one frequency. Everything is at 1 W of forward power but what is said to be
// at the current wanted.
type Point struct {
	Frequency     rf.Frequency
	InsertionLoss rf.Gain    // in the 50 + 50 Ω jig, whatever the loop
	Series        complex128 // put into the cable, ohm
	Turn          complex128 // impedance of one turn, ohm
	Current       rf.Current // in the loop, for 1 W
	PerTurn       float64    // V r.m.s. per turn, for 1 W
	Flux          ferrite.FluxDensity
	Heat          rf.Power // in the core, for 1 W
	Reflection    float64  // |Γ| at the connector, in the source's resistance
	// Needed is the forward power for the current wanted; FluxWanted the peak flux then at the crest of
	// the modulation, HeatWanted the mean heat in the core with the modulation.
	Needed     rf.Power
	FluxWanted ferrite.FluxDensity
	HeatWanted rf.Power
}

// Result is a winding and stack over the band.
type Result struct {
	Winding Winding
	Stack   int
	Points  []Point
	// The worst over the band, with where.
	Needed       rf.Power
	NeededAt     rf.Frequency
	Flux         ferrite.FluxDensity
	FluxAt       rf.Frequency
	Heat         rf.Power
	HeatAt       rf.Frequency
	Rise         float64 // K of a bare core in still air after hours at the worst frequency; an estimate
	Reflection   float64
	ReflectionAt rf.Frequency
	Series       float64 // largest |series impedance|, ohm
	SeriesAt     rf.Frequency
	// Flattest is how far the forward power needed varies over the band.
	Flattest rf.Gain
	// Against says what speaks against it; empty: nothing.
	Against []string
}

// Usable reports that nothing speaks against it.
func (r Result) Usable() bool { return len(r.Against) == 0 }

// stillAir is how much heat a surface gives to still air, in W/(m²·K); from memory.
const stillAir = 10.0

// surface of a stack of toroids, in square metre, as one body.
func surface(t twoport.Toroid) float64 {
	h := float64(t.Height) * float64(max(t.Count, 1))
	r1, r2 := float64(t.Inner)/2, float64(t.Outer)/2
	return 2*math.Pi*(r1+r2)*h + 2*math.Pi*(r2*r2-r1*r1)
}

// Compute returns a winding and stack over the band.
func (c *Clamp) Compute(w Winding, stack int) (Result, error) {
	r := Result{Winding: w, Stack: stack}
	if !(c.Current.Exact() && !c.Current.IsOff()) {
		return r, errors.New("design a clamp: the current wanted is not known")
	}
	g, err := twoport.Logarithmic(c.Low, c.High, max(c.Points, 2))
	if err != nil {
		return r, fmt.Errorf("design a clamp: %w", err)
	}
	clamp := c.with(w, stack)
	n := g.Len()
	loss, emf, series := make([]rf.Gain, n), make([]complex128, n), make([]complex128, n)
	one, err := twoport.ImpedancesOf(twoport.Ferrite{Core: clamp.Core, Material: clamp.Material}, g)
	err = errors.Join(err, clamp.JigInsertionLoss(g, loss), clamp.Inject(g, emf, series))
	if err != nil {
		return r, fmt.Errorf("design a clamp: %w", err)
	}
	for i := range n {
		p := c.point(clamp, g.Frequency(i), one[i], emf[i], series[i])
		p.InsertionLoss = loss[i]
		r.Points = append(r.Points, p)
	}
	c.worst(&r, clamp.Core)
	return r, nil
}

// point computes one frequency from the impedance of one turn, and the clamp's e.m.f. (per volt of the
// source's) and series impedance in the cable.
func (c *Clamp) point(clamp twoport.Clamp, f rf.Frequency, z1, emf, series complex128) Point {
	rs, n := float64(c.source()), float64(max(clamp.Turns, 1))
	w := 2 * math.Pi * f.Hz()
	vs := twoport.SourceEMF(rf.Watts(1), c.source())
	current := complex(vs, 0) * emf / (series + complex(float64(c.Loop), 0))
	// The voltage of one turn drives the loop and what is lost in the secondary leakage.
	turn := current * (complex(float64(c.Loop), 0) + complex(0, w*float64(clamp.Secondary)))
	zm := complex(n*n, 0) * z1
	load := complex(n*n, 0) * (complex(float64(c.Loop), 0) + complex(0, w*float64(clamp.Secondary)))
	in := 1/(1/zm+1/load) + complex(0, w*float64(clamp.Primary))
	y := 1/in + complex(0, w*float64(clamp.Farad))
	p := Point{Frequency: f, Series: series, Turn: z1, Current: rf.Amperes(cmplx.Abs(current)),
		PerTurn:    cmplx.Abs(turn),
		Reflection: cmplx.Abs((1 - complex(rs, 0)*y) / (1 + complex(rs, 0)*y))}
	p.Flux = PeakFlux(p.PerTurn, f, clamp.Core.Area())
	heat := p.PerTurn * p.PerTurn * real(1/z1)
	p.Heat = rf.Watts(heat)
	up, _ := c.Current.Minus(p.Current)
	p.Needed = rf.Watts(1).Add(up)
	p.FluxWanted = ferrite.FluxDensity(float64(p.Flux) * (up + c.Crest).AmplitudeRatio())
	p.HeatWanted = p.Heat.Add(up + c.Mean)
	return p
}

func (c *Clamp) worst(r *Result, core twoport.Toroid) {
	least := r.Points[0].Needed
	for _, p := range r.Points {
		if r.Needed.Absent() || p.Needed.DB() > r.Needed.DB() {
			r.Needed, r.NeededAt = p.Needed, p.Frequency
		}
		if p.Needed.DB() < least.DB() {
			least = p.Needed
		}
		if p.FluxWanted > r.Flux {
			r.Flux, r.FluxAt = p.FluxWanted, p.Frequency
		}
		if r.Heat.Absent() || p.HeatWanted.DB() > r.Heat.DB() {
			r.Heat, r.HeatAt = p.HeatWanted, p.Frequency
		}
		if p.Reflection > r.Reflection {
			r.Reflection, r.ReflectionAt = p.Reflection, p.Frequency
		}
		if z := cmplx.Abs(p.Series); z > r.Series {
			r.Series, r.SeriesAt = z, p.Frequency
		}
	}
	r.Flattest, _ = r.Needed.Minus(least)
	r.Rise = r.Heat.SI() / (stillAir * surface(core))
	if crest := r.Needed.Add(c.Crest); c.Forward.Known() && crest.Exceeds(c.Forward) {
		g, _ := crest.Minus(c.Forward)
		r.Against = append(r.Against, fmt.Sprintf("needs %s at the crest at %v, %v more than there is", crest.Linear(),
			r.NeededAt, g))
	}
	if limit := c.Material.Saturation; limit > 0 && r.Flux > limit {
		r.Against = append(r.Against, fmt.Sprintf("saturates: %v at %v, and the material stands %v", r.Flux,
			r.FluxAt, limit))
	}
	if c.Rise > 0 && r.Rise > c.Rise {
		r.Against = append(r.Against, fmt.Sprintf("gets %.0f K hotter at %v, allowed are %.0f K", r.Rise, r.HeatAt,
			c.Rise))
	}
}

// Table returns every winding with every stack, those that nothing speaks against first, and among
// those the one that needs the least forward power at its worst frequency first.
func (c *Clamp) Table() ([]Result, error) {
	var out []Result
	for _, w := range c.Windings {
		for _, s := range c.Stacks {
			r, err := c.Compute(w, s)
			if err != nil {
				return nil, err
			}
			out = append(out, r)
		}
	}
	slices.SortStableFunc(out, func(a, b Result) int {
		if a.Usable() != b.Usable() {
			if a.Usable() {
				return -1
			}
			return 1
		}
		switch {
		case a.Needed.DB() < b.Needed.DB():
			return -1
		case a.Needed.DB() > b.Needed.DB():
			return 1
		}
		return 0
	})
	return out, nil
}

// WhyNotTheProbe compares the monitoring probe as injector at the lowest frequency of the band, where
// flux is largest; nil where none was given.
func (c *Clamp) WhyNotTheProbe() *Transfer {
	if c.Probe == nil {
		return nil
	}
	t := ProbeAsInjector(c.Current, c.Loop, c.Probe.Turns, c.Probe.Load, c.Probe.Core.Area(), c.Low)
	return &t
}
