package remedy

import (
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"sort"

	"provoke/internal/model/cable"
	"provoke/internal/model/twoport"
	"provoke/internal/units/rf"
)

// Port is the product behind its connector.
type Port struct {
	Circuit twoport.OnePort // from the wires through the circuit to the chassis
	// Chassis is from the chassis to the reference plane; nil is bonded to it without impedance.
	Chassis twoport.OnePort
	// Bond joins the cable's shield to the chassis as the product is now; empty for a cable without.
	Bond Elements
}

// Choice is one use of a part: where and how often.
type Choice struct {
	Name string // for people: "split ferrite, 2 turns, at 50 mm"
	// OnCable stands in the wire at At from the connector; nil where the part is at the connector.
	OnCable twoport.OnePort
	At      rf.Length
	// AtPort stands between connector and circuit.
	AtPort Elements
	// ReplacesBond takes the place of the bond as it is.
	ReplacesBond bool
}

// Model is a cable with the product's port, on the frequencies that count.
type Model struct {
	Cable *cable.Cable
	Port  Port
	grid  twoport.Grid
	clamp injector
	base  currents
}

// currents per volt of the source.
type currents struct{ circuit, probe []complex128 }

// NewModel makes a model. The cable's own DUT gives way to the port.
func NewModel(c *cable.Cable, p Port, frequencies []rf.Frequency) (*Model, error) {
	if c == nil || p.Circuit == nil {
		return nil,
			errors.New("a remedy is computed on a cable and a circuit behind its connector: one of them is missing")
	}
	g, err := twoport.NewGrid(frequencies)
	if err != nil {
		return nil, fmt.Errorf("remedy: %w", err)
	}
	return newModel(c, p, g)
}

func newModel(c *cable.Cable, p Port, g twoport.Grid) (*Model, error) {
	var err error
	m := &Model{grid: g}
	if m.Cable, m.Port, err = sampleAll(g, c, p); err != nil {
		return nil, fmt.Errorf("remedy: %w", err)
	}
	if m.clamp, err = sampleInjector(g, c.Clamp); err != nil {
		return nil, fmt.Errorf("remedy: the clamp: %w", err)
	}
	if m.base, err = m.solve(nil); err != nil {
		return nil, fmt.Errorf("remedy: the product as it is: %w", err)
	}
	return m, nil
}

// sampleAll computes every impedance of a cable and a port once.
func sampleAll(g twoport.Grid, c *cable.Cable, p Port) (*cable.Cable, Port, error) {
	out := *c
	var errs []error
	sample := func(what string, z twoport.OnePort) twoport.OnePort {
		if z == nil {
			return nil
		}
		s, err := twoport.OnGrid(g, z)
		if err != nil {
			errs = append(errs, fmt.Errorf("%s: %w", what, err))
			return z
		}
		return s
	}
	out.AE, out.Probe = sample("the AE's end", c.AE), sample("the probe", c.Probe)
	p.Circuit, p.Chassis = sample("the circuit", p.Circuit), sample("the chassis", p.Chassis)
	p.Bond = sampleElements(sample, p.Bond)
	out.Parts = nil
	for _, x := range c.Parts {
		switch t := x.Two.(type) {
		case twoport.Series:
			x.Two = twoport.Series{Z: sample(x.Name, t.Z)}
		case twoport.Shunt:
			x.Two = twoport.Shunt{Z: sample(x.Name, t.Z)}
		}
		out.Parts = append(out.Parts, x)
	}
	return &out, p, errors.Join(errs...)
}

func sampleElements(sample func(string, twoport.OnePort) twoport.OnePort, e Elements) Elements {
	var out Elements
	for _, x := range e {
		out = append(out, Element{x.Shunt, sample("a part at the connector", x.Z)})
	}
	return out
}

// sampled returns a choice whose impedances are computed once.
func (m *Model) sampled(c Choice) (Choice, error) {
	var err error
	sample := func(_ string, z twoport.OnePort) twoport.OnePort {
		if z == nil {
			return nil
		}
		s, e := twoport.OnGrid(m.grid, z)
		err = errors.Join(err, e)
		return s
	}
	if c.OnCable = sample("", c.OnCable); c.OnCable == nil && len(c.AtPort) == 0 && !c.ReplacesBond {
		return c, fmt.Errorf("remedy: %s does nothing", c.Name)
	}
	c.AtPort = sampleElements(sample, c.AtPort)
	if err != nil {
		return c, fmt.Errorf("remedy: %s: %w", c.Name, err)
	}
	return c, nil
}

// Frequencies returns the frequencies of the model.
func (m *Model) Frequencies() []rf.Frequency { return m.grid.Frequencies() }

// Effect is what choices do at one frequency, in dB; positive is better.
type Effect struct{ SameDrive, SameProbe rf.Gain }

// Effects computes what choices do together at every frequency.
func (m *Model) Effects(choices []Choice) ([]Effect, error) {
	c, err := m.solve(choices)
	if err != nil {
		return nil, fmt.Errorf("remedy: %w", err)
	}
	out := make([]Effect, m.grid.Len())
	for i := range out {
		out[i] = effect(m.base.circuit[i], m.base.probe[i], c.circuit[i], c.probe[i])
		if !out[i].SameDrive.Finite() || !out[i].SameProbe.Finite() {
			return nil,
				fmt.Errorf("remedy: no current reaches the circuit at %v, with or without it: nothing can be "+
					"compared there", m.grid.Frequency(i))
		}
	}
	return out, nil
}

func effect(circuit0, probe0, circuit1, probe1 complex128) Effect {
	drive := 10 * math.Log10(square(circuit0)/square(circuit1))
	return Effect{rf.Gain(drive), rf.Gain(drive - 10*math.Log10(square(probe0)/square(probe1)))}
}

func square(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }

// solve computes circuit and probe currents with choices.
func (m *Model) solve(choices []Choice) (currents, error) {
	c := *m.Cable
	c.Clamp = m.clamp
	parts := c.Parts[:len(c.Parts):len(c.Parts)]
	for _, x := range choices {
		if x.OnCable != nil {
			parts = append(parts, cable.Part{Name: x.Name, At: x.At, Two: twoport.Series{Z: x.OnCable}})
		}
	}
	end := m.portWith(choices)
	c.DUT, c.Parts = end, parts
	r, err := c.Compute(m.grid)
	if err != nil {
		return currents{}, err
	}
	for i := range r.DUT {
		r.DUT[i] *= end.share[i]
	}
	return currents{r.DUT, r.Probe}, nil
}

// portWith returns the product with the choices that stand at its connector.
func (m *Model) portWith(choices []Choice) *portEnd {
	bond := m.Port.Bond
	var port Elements
	for _, x := range choices {
		if x.ReplacesBond {
			bond = nil
		}
		port = append(port, x.AtPort...)
	}
	port = append(append(Elements{}, bond...), port...)
	return &portEnd{grid: m.grid, port: m.Port, elements: port, share: make([]complex128, m.grid.Len())}
}

// portEnd is the product as the cable sees it. Filling its impedance also fills what share of the
// connector's current goes through the circuit.
type portEnd struct {
	grid     twoport.Grid
	port     Port
	elements Elements
	share    []complex128
}

// Impedance fills z with that of port and chassis.
func (p *portEnd) Impedance(g twoport.Grid, z []complex128) error {
	first := sort.Search(p.grid.Len(), func(i int) bool { return p.grid.Hz(i) >= g.Hz(0) })
	share := p.share[first : first+g.Len()]
	if err := p.port.Circuit.Impedance(g, z); err != nil {
		return fmt.Errorf("circuit: %w", err)
	}
	for i := range share {
		share[i] = 1
		if cmplx.IsInf(z[i]) {
			return fmt.Errorf("circuit: it is open at %v, and no current goes through it", g.Frequency(i))
		}
	}
	// From the circuit toward the cable: z is the impedance so far, share the circuit's part of the
	// current that enters here.
	var room [512]complex128
	b := room[:]
	if g.Len() > len(room) {
		b = make([]complex128, g.Len())
	}
	b = b[:g.Len()]
	for k := len(p.elements) - 1; k >= 0; k-- {
		e := p.elements[k]
		if err := e.Z.Impedance(g, b); err != nil {
			return fmt.Errorf("at the connector: %w", err)
		}
		for i, x := range b {
			switch {
			case !e.Shunt:
				z[i] += x
			case cmplx.IsInf(x):
			default:
				part := x / (x + z[i])
				share[i] *= part
				z[i] *= part
			}
			if cmplx.IsNaN(z[i]) || cmplx.IsInf(z[i]) || share[i] == 0 {
				return fmt.Errorf("at the connector: no finite current at %v; give the parts their losses",
					g.Frequency(i))
			}
		}
	}
	if p.port.Chassis == nil {
		return nil
	}
	if err := p.port.Chassis.Impedance(g, b); err != nil {
		return fmt.Errorf("chassis: %w", err)
	}
	for i, x := range b {
		if cmplx.IsInf(x) || cmplx.IsNaN(x) {
			return fmt.Errorf("chassis: it is open at %v; a chassis has a capacitance to the plane", g.Frequency(i))
		}
		z[i] += x
	}
	return nil
}

// injector is a clamp whose figures were computed once on a grid.
type injector struct {
	grid        twoport.Grid
	emf, series []complex128
}

func sampleInjector(g twoport.Grid, of twoport.Injector) (injector, error) {
	s := injector{g, make([]complex128, g.Len()), make([]complex128, g.Len())}
	return s, of.Inject(g, s.emf, s.series)
}

// Inject copies what was computed.
func (s injector) Inject(g twoport.Grid, emf, series []complex128) error {
	first := sort.Search(s.grid.Len(), func(i int) bool { return s.grid.Hz(i) >= g.Hz(0) })
	if first+g.Len() > s.grid.Len() || s.grid.Hz(first) != g.Hz(0) {
		return errors.New("a clamp that was computed on another grid")
	}
	copy(emf, s.emf[first:])
	copy(series, s.series[first:])
	return nil
}
