package jig

import (
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"strings"

	"provoke/internal/files/document"
	"provoke/internal/files/touchstone"
	"provoke/internal/model/twoport"
	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

// Method is how a transfer impedance follows from the S-parameters of probe and jig: port 1 the jig's
// input, 2 the probe, 3 the jig's output.
type Method string

// The methods (physics notes 2.3).
const (
	// Naive is 50·S21: right for a perfect jig and a probe that puts nothing into it.
	Naive Method = "naive"
	// OnePort is 50·S21/(1 − S11): the current into the jig from the reflection of the same sweep.
	OnePort Method = "one-port"
	// Lumped is 100·S21/(2 − S21/N): the insertion impedance is Zt/N.
	Lumped Method = "turns"
	// Ratio is 50·(S21/S31)/(cos βd + j·(50/Z0)·sin βd): against the current that arrives in the jig's
	// output, with the line of length d and impedance Z0 between probe and output.
	Ratio Method = "ratio"
)

// Methods lists the methods.
var Methods = []Method{Naive, OnePort, Lumped, Ratio}

// UnmarshalText reads a method.
func (m *Method) UnmarshalText(text []byte) error {
	words := make([]string, len(Methods))
	for i, x := range Methods {
		words[i] = string(x)
	}
	*m = Method(strings.TrimSpace(string(text)))
	return document.OneOf(string(*m), words...)
}

// ProbeSetup is how a probe stood in the jig.
type ProbeSetup struct {
	// In, Probe and Out are the ports of the files; Out is 0 where the jig's output was closed with
	// 50 Ω that are no port. All 0 mean 1, 2, and 3 where there are three ports.
	In, Probe, Out int
	// Turns of the probe's winding; 0 where not known.
	Turns int
	// Line is the length of jig between probe and output, of impedance LineImpedance (0 means 50 Ω).
	Line          rf.Length
	LineImpedance rf.Resistance
	// Method is the one that counts; empty takes Ratio with three ports, else OnePort.
	Method Method
	// Flat is how far from its middle value Zt may lie in the flat band; 0 means 1 dB.
	Flat rf.Gain
}

// Probe is what a monitoring probe is.
type Probe struct {
	Method Method // of the curve
	// Curve is the transfer impedance: magnitudes, over several sweeps their mean in dB.
	Curve curve.Curve[rf.Transimpedance]
	// Points holds every method side by side.
	Points  []ProbePoint
	Repeat  Repeat
	Flat    FlatBand
	Remarks []string
}

// ProbePoint is one frequency. A method that the data do not allow is absent.
type ProbePoint struct {
	Frequency                     rf.Frequency
	Zt                            rf.Transimpedance // by the method that counts, mean of the sweeps
	Naive, OnePort, Lumped, Ratio rf.Transimpedance // mean of the sweeps
	Spread                        rf.Gain           // experimental standard deviation of one sweep; NaN with one sweep
}

// FlatBand is where Zt is flat and where it falls off.
type FlatBand struct {
	Low, High rf.Frequency
	// Value is the middle of the largest and the least Zt in it, Ripple their distance.
	Value  rf.Transimpedance
	Ripple rf.Gain
	// LowCorner and HighCorner are where Zt has fallen by 3 dB below Value; absent where the sweep
	// does not reach that far.
	LowCorner, HighCorner rf.Frequency
}

// MeasureProbe works out a probe from one or more sweeps of the same setup. All sweeps are taken at
// the frequencies of the first.
func MeasureProbe(sweeps []*touchstone.Network, setup ProbeSetup) (Probe, error) {
	if len(sweeps) == 0 {
		return Probe{}, errors.New("characterise a probe: no sweep was given")
	}
	var p Probe
	fixed := make([]*touchstone.Network, len(sweeps))
	for i, n := range sweeps {
		m, remarks, err := prepared(n)
		if err != nil {
			return Probe{}, fmt.Errorf("characterise a probe from %s: %w", n.Name, err)
		}
		fixed[i], p.Remarks = m, append(p.Remarks, remarks...)
	}
	if err := setup.complete(fixed); err != nil {
		return Probe{}, fmt.Errorf("characterise a probe: %w", err)
	}
	p.Method = setup.Method
	f, err := common(fixed)
	if err != nil {
		return Probe{}, fmt.Errorf("characterise a probe: %w", err)
	}
	if len(f) < len(fixed[0].Frequencies) {
		p.Remarks = append(p.Remarks, fmt.Sprintf(
			"%d of the %d frequencies of %s are in no other sweep, or at 0 Hz, and were left out",
			len(fixed[0].Frequencies)-len(f), len(fixed[0].Frequencies), fixed[0].Name))
	}
	if err := p.measure(fixed, f, setup); err != nil {
		return Probe{}, fmt.Errorf("characterise a probe: %w", err)
	}
	p.Remarks = append(p.Remarks, p.doubts(setup)...)
	return p, nil
}

// complete fills in what was left open and refuses what does not fit.
func (s *ProbeSetup) complete(sweeps []*touchstone.Network) error {
	least := sweeps[0].Ports
	for _, n := range sweeps {
		least = min(least, n.Ports)
	}
	if s.In == 0 && s.Probe == 0 && s.Out == 0 {
		s.In, s.Probe = 1, 2
		if least >= 3 {
			s.Out = 3
		}
	}
	named := map[string]int{"jig in": s.In, "probe": s.Probe}
	if s.Out != 0 {
		named["jig out"] = s.Out
	}
	for _, n := range sweeps {
		if err := ports(n, named); err != nil {
			return err
		}
	}
	switch {
	case s.Method == "" && s.Out != 0:
		s.Method = Ratio
	case s.Method == "":
		s.Method = OnePort
	}
	switch {
	case s.Method == Ratio && s.Out == 0:
		return errors.New("the ratio needs the jig's output as a third port of the file; with two ports take " +
			"one-port, or turns with the probe's turns")
	case s.Method == Lumped && s.Turns == 0:
		return errors.New("the correction by turns needs the number of turns of the probe's winding; say it, or take " +
			"one-port")
	case s.Turns < 0 || s.Line < 0 || s.LineImpedance < 0 || s.Flat < 0:
		return errors.New("turns, length and impedance of the jig's line, and flatness cannot be negative")
	}
	if s.LineImpedance == 0 {
		s.LineImpedance = rf.Z0
	}
	if s.Flat == 0 {
		s.Flat = 1
	}
	return nil
}

// figures are the transfer impedances of one sweep at one frequency; NaN where the data do not allow
// a method.
func (s ProbeSetup) figures(m touchstone.Matrix, hz float64) map[Method]complex128 {
	const z = complex(float64(rf.Z0), 0)
	s21, s11 := m.At(s.Probe, s.In), m.At(s.In, s.In)
	out := map[Method]complex128{Naive: z * s21}
	if s11 != 1 {
		out[OnePort] = z * s21 / (1 - s11)
	}
	if s.Turns > 0 {
		out[Lumped] = 2 * z * s21 / (2 - s21/complex(float64(s.Turns), 0))
	}
	if s.Out != 0 && m.At(s.Out, s.In) != 0 {
		sin, cos := math.Sincos(2 * math.Pi * hz * float64(s.Line) / twoport.SpeedOfLight)
		out[Ratio] = z * s21 / m.At(s.Out, s.In) / complex(cos, float64(rf.Z0/s.LineImpedance)*sin)
	}
	return out
}

func (p *Probe) measure(sweeps []*touchstone.Network, f []rf.Frequency, setup ProbeSetup) error {
	p.Repeat = Repeat{Sweeps: len(sweeps), Freedom: len(sweeps) - 1}
	var points []curve.Point[rf.Transimpedance]
	for _, at := range f {
		db := map[Method][]float64{}
		for _, n := range sweeps {
			m, err := n.At(at)
			if err != nil {
				return err
			}
			for method, z := range setup.figures(m, at.Hz()) {
				db[method] = append(db[method], 20*math.Log10(cmplx.Abs(z)))
			}
		}
		one := ProbePoint{Frequency: at}
		mean := func(method Method) rf.Transimpedance {
			if len(db[method]) < len(sweeps) {
				return rf.Transimpedance{}
			}
			x, _ := spread(db[method])
			return rf.DBOhm(x)
		}
		one.Naive, one.OnePort, one.Lumped, one.Ratio = mean(Naive), mean(OnePort), mean(Lumped), mean(Ratio)
		one.Zt = mean(setup.Method)
		if !one.Zt.Exact() || one.Zt.IsOff() {
			return fmt.Errorf("the %s method gives no transfer impedance at %v: the jig's current or the probe's "+
				"voltage is zero there", setup.Method, at)
		}
		_, deviation := spread(db[setup.Method])
		one.Spread = rf.Gain(deviation)
		p.Repeat.add(at, deviation, len(f))
		p.Points = append(p.Points, one)
		points = append(points, point(at, one.Zt))
	}
	var names []string
	for _, n := range sweeps {
		names = append(names, n.Name)
	}
	c, err := curve.New(points, fmt.Sprintf("probe in the jig, %s, of %s", setup.Method, strings.Join(names, ", ")))
	if err != nil {
		return err
	}
	p.Curve = c
	p.Flat = flatBand(p.Points, setup.Flat)
	return nil
}

// doubts says what would mislead.
func (p *Probe) doubts(s ProbeSetup) []string {
	var out []string
	worst, at := rf.Gain(0), rf.Frequency(0)
	for _, x := range p.Points {
		if g, b := x.Naive.Minus(x.Zt); b == rf.Exactly && math.Abs(g.DB()) > math.Abs(worst.DB()) {
			worst, at = g, x.Frequency
		}
	}
	if math.Abs(worst.DB()) > 0.01 {
		out = append(out, fmt.Sprintf("50·S21 alone is wrong by %s at worst, at %v", worst.Text(2), at))
	}
	if top := p.Points[len(p.Points)-1].Frequency; s.Method == OnePort && s.Line == 0 && top > 30*rf.Megahertz {
		out = append(out,
			fmt.Sprintf("the one-port correction takes the current at the jig's input for that in the probe: at %v "+
				"every 10 mm between them turn the phase by %.1f°; a third port and the ratio do not need that",
				top, 360*top.Hz()*0.01/twoport.SpeedOfLight))
	}
	if s.Method == Ratio && s.Line == 0 {
		out = append(out,
			"the jig's line between probe and output counts as having no length; give it above about 100 MHz")
	}
	if !p.Repeat.Known() {
		out = append(out,
			"one sweep says nothing about repeatability: take the probe out, put it back and sweep again, three "+
				"times or more")
	}
	return out
}

// flatBand finds the widest band, in the logarithm of frequency, in which no two values lie more than
// twice the tolerance apart, and the corners beyond it.
func flatBand(p []ProbePoint, tolerance rf.Gain) FlatBand {
	var best FlatBand
	bestWidth, from, to := -1.0, 0, 0
	for a := range p {
		lo, hi := p[a].Zt.DB(), p[a].Zt.DB()
		for b := a; b < len(p); b++ {
			lo, hi = math.Min(lo, p[b].Zt.DB()), math.Max(hi, p[b].Zt.DB())
			if hi-lo > 2*tolerance.DB() {
				break
			}
			if w := math.Log(p[b].Frequency.Hz() / p[a].Frequency.Hz()); w > bestWidth {
				bestWidth, from, to = w, a, b
				best = FlatBand{Low: p[a].Frequency, High: p[b].Frequency, Value: rf.DBOhm((lo + hi) / 2),
					Ripple: rf.Gain(hi - lo)}
			}
		}
	}
	level := plateau(p[from:to+1]) - 10*math.Log10(2)
	best.LowCorner = crossing(p, from, -1, level)
	best.HighCorner = crossing(p, to, 1, level)
	return best
}

// plateau is the median over the logarithm of frequency: the value that half of the band lies above.
func plateau(p []ProbePoint) float64 {
	db := make([]float64, 0, 201)
	for i := range 201 {
		f := p[0].Frequency.Hz() * math.Pow(p[len(p)-1].Frequency.Hz()/p[0].Frequency.Hz(), float64(i)/200)
		db = append(db, between(p, f))
	}
	return median(db)
}

// between interpolates Zt in dB over the logarithm of frequency.
func between(p []ProbePoint, hz float64) float64 {
	for i := 1; i < len(p); i++ {
		if hz <= p[i].Frequency.Hz() {
			u := math.Log(hz/p[i-1].Frequency.Hz()) / math.Log(p[i].Frequency.Hz()/p[i-1].Frequency.Hz())
			return p[i-1].Zt.DB() + u*(p[i].Zt.DB()-p[i-1].Zt.DB())
		}
	}
	return p[len(p)-1].Zt.DB()
}

// crossing goes from a point outward until Zt falls below a level.
func crossing(p []ProbePoint, from, direction int, level float64) rf.Frequency {
	for i := from; i+direction >= 0 && i+direction < len(p); i += direction {
		a, b := p[i].Zt.DB(), p[i+direction].Zt.DB()
		if a >= level && b < level {
			u := (a - level) / (a - b)
			fa, fb := p[i].Frequency.Hz(), p[i+direction].Frequency.Hz()
			return rf.Frequency(fa * math.Pow(fb/fa, u))
		}
	}
	return 0
}
