package remedy

import (
	"cmp"
	"fmt"
	"math/cmplx"
	"slices"
	"sync"

	"provoke/internal/model/twoport"
	"provoke/internal/units/rf"
)

// A search computes the same cable thousands of times with parts at a few places. What lies between
// two places does not change, so its chain matrices are computed once; each combination then costs a
// product with a vector per stretch and frequency. Model.solve is the plain way to the same currents,
// and a test compares them.

// place is a place on one side of the clamp, with its order among things at the same distance.
type place struct {
	at    rf.Length // from the end of the side
	order int       // probe 1, parts of the cable 2, choices 3, body of the clamp 9
}

func comparePlaces(a, b place) int {
	if c := cmp.Compare(a.at, b.at); c != 0 {
		return c
	}
	return a.order - b.order
}

// fixed is a part of the cable as it is.
type fixed struct {
	place
	part twoport.TwoPort
}

// side is one side of the clamp.
type side struct {
	parts  []fixed // ascending
	length rf.Length
}

// between returns what lies between two places, its input toward the clamp.
func (s side) between(m *Model, from, to place) twoport.Chain {
	var outward twoport.Chain // from the end toward the clamp
	at := from.at
	line := func(x rf.Length) {
		if x > at {
			l := m.Cable.Line
			l.Length = x - at
			outward, at = append(outward, l), x
		}
	}
	for _, p := range s.parts {
		if comparePlaces(p.place, from) > 0 && comparePlaces(p.place, to) < 0 {
			line(p.at)
			outward = append(outward, p.part)
		}
	}
	line(to.at)
	slices.Reverse(outward)
	return outward
}

// stretchKey names a stretch of one side.
type stretchKey struct {
	ae       bool
	from, to place
}

// fast computes combinations of one search.
type fast struct {
	m        *Model
	dut, ae  side
	probe    []complex128 // insertion impedance; nil for none
	probeAt  place
	clampDUT place
	clampAE  place
	aeEnd    []complex128
	volt     complex128       // the source's e.m.f.
	inserted [][][]complex128 // by part and alternative; nil where nothing is on the cable
	parts    []Part

	lock      sync.RWMutex
	stretches map[stretchKey][]twoport.ABCD
	ports     map[string]*portFigures
}

// portFigures are the product with certain parts at its connector.
type portFigures struct{ z, share []complex128 }

func newFast(m *Model, parts []Part) (*fast, error) {
	c := m.Cable
	f := &fast{m: m, parts: parts, stretches: map[stretchKey][]twoport.ABCD{}, ports: map[string]*portFigures{},
		probeAt: place{c.ProbeToDUT, 1}, clampDUT: place{c.ClampToDUT, 10}, clampAE: place{c.ClampToAE, 10}}
	for _, p := range c.Parts {
		if p.At <= c.ClampToDUT {
			f.dut.parts = append(f.dut.parts, fixed{place{p.At, 2}, p.Two})
		} else {
			f.ae.parts = append(f.ae.parts, fixed{place{c.Length() - p.At, 2}, p.Two})
		}
	}
	if c.Body.Farad > 0 {
		half := c.Body
		half.Farad /= 2
		f.dut.parts = append(f.dut.parts, fixed{place{c.ClampToDUT, 9}, twoport.Shunt{Z: half}})
		f.ae.parts = append(f.ae.parts, fixed{place{c.ClampToAE, 9}, twoport.Shunt{Z: half}})
	}
	for _, s := range []*side{&f.dut, &f.ae} {
		slices.SortStableFunc(s.parts, func(a, b fixed) int { return comparePlaces(a.place, b.place) })
	}
	f.volt = complex(twoport.SourceEMF(c.Forward, rf.Z0), 0)
	var err error
	if f.aeEnd, err = twoport.ImpedancesOf(c.AE, m.grid); err != nil {
		return nil, err
	}
	if c.Probe != nil {
		if f.probe, err = twoport.ImpedancesOf(c.Probe, m.grid); err != nil {
			return nil, err
		}
	}
	for _, p := range parts {
		var z [][]complex128
		for _, a := range p.Alternatives {
			if a.OnCable == nil {
				z = append(z, nil)
				continue
			}
			x, err := twoport.ImpedancesOf(a.OnCable, m.grid)
			if err != nil {
				return nil, fmt.Errorf("%s: %w", a.Name, err)
			}
			z = append(z, x)
		}
		f.inserted = append(f.inserted, z)
	}
	return f, nil
}

// stretch returns the chain matrices of a stretch.
func (f *fast) stretch(k stretchKey) ([]twoport.ABCD, error) {
	f.lock.RLock()
	m, ok := f.stretches[k]
	f.lock.RUnlock()
	if ok {
		return m, nil
	}
	s := f.dut
	if k.ae {
		s = f.ae
	}
	m, err := twoport.MatricesOf(s.between(f.m, k.from, k.to), f.m.grid)
	if err != nil {
		return nil, err
	}
	f.lock.Lock()
	f.stretches[k] = m
	f.lock.Unlock()
	return m, nil
}

// port returns the product with the parts of a combination that stand at its connector.
func (f *fast) port(p picks) (*portFigures, error) {
	var key [32]byte
	name := key[:0]
	var choices []Choice
	for _, x := range p {
		if c := f.parts[x[0]].Alternatives[x[1]]; len(c.AtPort) > 0 || c.ReplacesBond {
			name = append(name, byte(x[0]), byte(x[0]>>8), byte(x[1]), byte(x[1]>>8))
			choices = append(choices, c)
		}
	}
	f.lock.RLock()
	figures, ok := f.ports[string(name)]
	f.lock.RUnlock()
	if ok {
		return figures, nil
	}
	end := f.m.portWith(choices)
	z := make([]complex128, f.m.grid.Len())
	if err := end.Impedance(f.m.grid, z); err != nil {
		return nil, err
	}
	figures = &portFigures{z, end.share}
	f.lock.Lock()
	f.ports[string(name)] = figures
	f.lock.Unlock()
	return figures, nil
}

// walker carries voltage and current of one worker.
type walker struct {
	v, i, v2, i2, probe []complex128
	onDUT, onAE         []inserted
	out                 currents
}

type inserted struct {
	place
	z []complex128
}

func (f *fast) walker() *walker {
	n := f.m.grid.Len()
	room := func() []complex128 { return make([]complex128, n) }
	return &walker{v: room(), i: room(), v2: room(), i2: room(), probe: room(), out: currents{room(), room()}}
}

// solve computes circuit and probe currents of a combination; they are valid until the next call.
func (f *fast) solve(w *walker, p picks) (currents, error) {
	port, err := f.port(p)
	if err != nil {
		return currents{}, err
	}
	c := f.m.Cable
	w.onDUT, w.onAE = w.onDUT[:0], w.onAE[:0]
	for _, x := range p {
		z := f.inserted[x[0]][x[1]]
		if z == nil {
			continue
		}
		if at := f.parts[x[0]].Alternatives[x[1]].At; at <= c.ClampToDUT {
			w.onDUT = append(w.onDUT, inserted{place{at, 3}, z})
		} else {
			w.onAE = append(w.onAE, inserted{place{c.Length() - at, 3}, z})
		}
	}
	w.onDUT = append(w.onDUT, inserted{f.probeAt, f.probe})
	copy(w.v, port.z)
	for k := range w.i {
		w.i[k] = 1
	}
	if err := f.along(w, false, w.v, w.i, w.onDUT, f.clampDUT); err != nil {
		return currents{}, fmt.Errorf("toward the DUT: %w", err)
	}
	for k, z := range f.aeEnd {
		w.v2[k], w.i2[k] = z, 1
		if cmplx.IsInf(z) {
			w.v2[k], w.i2[k] = 1, 0
		}
	}
	if err := f.along(w, true, w.v2, w.i2, w.onAE, f.clampAE); err != nil {
		return currents{}, fmt.Errorf("toward the AE: %w", err)
	}
	for k := range w.v {
		loop := w.v[k]*w.i2[k] + w.v2[k]*w.i[k] + f.m.clamp.series[k]*w.i[k]*w.i2[k]
		drive := f.volt * f.m.clamp.emf[k] * w.i2[k] / loop
		w.out.circuit[k], w.out.probe[k] = drive*port.share[k], drive*w.probe[k]
	}
	return w.out, nil
}

// along moves voltage and current from the end of a side to the clamp, through what is inserted. It
// keeps the current at the probe.
func (f *fast) along(w *walker, ae bool, v, i []complex128, parts []inserted, clamp place) error {
	slices.SortStableFunc(parts, func(a, b inserted) int { return comparePlaces(a.place, b.place) })
	from := place{0, -1}
	for n := 0; n <= len(parts); n++ {
		to := clamp
		if n < len(parts) {
			to = parts[n].place
		}
		m, err := f.stretch(stretchKey{ae, from, to})
		if err != nil {
			return err
		}
		for k := range v {
			v[k], i[k] = m[k].A*v[k]+m[k].B*i[k], m[k].C*v[k]+m[k].D*i[k]
		}
		if n == len(parts) {
			break
		}
		if !ae && parts[n].order == 1 {
			copy(w.probe, i)
		}
		if z := parts[n].z; z != nil {
			for k := range v {
				v[k] += z[k] * i[k]
			}
		}
		from = to
	}
	return nil
}
