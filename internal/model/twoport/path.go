package twoport

import (
	"errors"
	"fmt"
	"sync"
)

// Injector puts an e.m.f. and an impedance in series with a cable: an injection clamp.
type Injector interface {
	// Inject fills emf with the e.m.f. placed in the cable per volt of the source's e.m.f., and series
	// with the impedance placed in it, in ohm; both as long as the grid.
	Inject(g Grid, emf, series []complex128) error
}

// Path is a cable with one injection clamp: from the clamp a chain leads to the DUT's end and
// another to the AE's. Chains are written from the end outward to the clamp.
type Path struct {
	DUT   OnePort   // impedance at the DUT's connector, Open allowed
	ToDUT []TwoPort // from the DUT to the clamp, each with its input toward the clamp
	AE    OnePort
	ToAE  []TwoPort
	// Clamp drives the cable. Currents are per volt of its source's e.m.f.
	Clamp Injector
	// Taps are places in ToDUT where the current is wanted: k is the current at the clamp's side of
	// the first k parts, 0 that at the connector.
	Taps []int
	// TapsAE are the same places in ToAE.
	TapsAE []int
}

// Solution is what an e.m.f. of one volt at the clamp's source drives, each over the grid, in
// ampere per volt; positive currents flow from the AE toward the DUT everywhere. Solve reuses the
// slices.
type Solution struct {
	Clamp  []complex128   // through the clamp
	DUT    []complex128   // at the DUT's connector
	AE     []complex128   // at the AE's end
	Taps   [][]complex128 // at Path.Taps
	TapsAE [][]complex128
	EMF    []complex128 // in the cable per volt of the source
	Series []complex128 // impedance of the clamp in the cable, ohm
	NearZ  []complex128 // from the clamp toward the DUT, ohm; Open where no current flows
	FarZ   []complex128 // from the clamp toward the AE
}

// resize makes room for n frequencies.
func (s *Solution) resize(n, taps, tapsAE int) {
	for _, p := range []*[]complex128{&s.Clamp, &s.DUT, &s.AE, &s.EMF, &s.Series, &s.NearZ, &s.FarZ} {
		*p = room(*p, n)
	}
	s.Taps, s.TapsAE = rooms(s.Taps, taps, n), rooms(s.TapsAE, tapsAE, n)
}

func room(z []complex128, n int) []complex128 {
	if cap(z) < n {
		return make([]complex128, n)
	}
	return z[:n]
}

func rooms(z [][]complex128, k, n int) [][]complex128 {
	for len(z) < k {
		z = append(z, nil)
	}
	z = z[:k]
	for i := range z {
		z[i] = room(z[i], n)
	}
	return z
}

// Solve computes the currents at every frequency. It allocates only when the solution has no room
// for the grid yet. An error names the side and the part; a loop without any loss that resonates
// exactly at a frequency of the grid is an error, because no finite current flows there.
func (p *Path) Solve(g Grid, s *Solution) error {
	if err := p.check(g); err != nil {
		return err
	}
	s.resize(g.Len(), len(p.Taps), len(p.TapsAE))
	w := walkers.Get().(*walker)
	defer walkers.Put(w)
	for a := 0; a < g.Len(); a += blockSize {
		b := min(a+blockSize, g.Len())
		if err := p.solveBlock(g.part(a, b), s, a, b, w); err != nil {
			return err
		}
	}
	return nil
}

func (p *Path) check(g Grid) error {
	if g.Len() == 0 {
		return errors.New("a cable is solved on a grid of at least one frequency")
	}
	if p.DUT == nil || p.AE == nil || p.Clamp == nil {
		return errors.New("a cable needs an impedance at the DUT's end and at the AE's end, and a clamp")
	}
	for _, t := range p.Taps {
		if t < 0 || t > len(p.ToDUT) {
			return fmt.Errorf("no part %d on the way to the DUT", t)
		}
	}
	for _, t := range p.TapsAE {
		if t < 0 || t > len(p.ToAE) {
			return fmt.Errorf("no part %d on the way to the AE", t)
		}
	}
	return nil
}

func (p *Path) solveBlock(g Grid, s *Solution, a, b int, w *walker) error {
	n := g.Len()
	if err := p.Clamp.Inject(g, s.EMF[a:b], s.Series[a:b]); err != nil {
		return fmt.Errorf("clamp: %w", err)
	}
	if err := w.walk(g, p.DUT, p.ToDUT, p.Taps, s.Taps, a); err != nil {
		return fmt.Errorf("toward the DUT: %w", err)
	}
	var nearV, nearI scratch
	copy(nearV[:], w.v[:n])
	copy(nearI[:], w.i[:n])
	dutEnd := w.end
	if err := w.walk(g, p.AE, p.ToAE, p.TapsAE, s.TapsAE, a); err != nil {
		return fmt.Errorf("toward the AE: %w", err)
	}
	for k := range n {
		// With I = E/(Z1 + Z2 + Zc) and Zn = Vn/In, multiplied through so that an open side is no
		// division by zero.
		v1, i1, v2, i2 := nearV[k], nearI[k], w.v[k], w.i[k]
		loop := v1*i2 + v2*i1 + s.Series[a+k]*i1*i2
		drive := s.EMF[a+k] * reciprocal(loop)
		perDUT, perAE := drive*i2, drive*i1
		s.Clamp[a+k] = perDUT * i1
		s.DUT[a+k], s.AE[a+k] = perDUT*dutEnd[k], perAE*w.end[k]
		s.NearZ[a+k], s.FarZ[a+k] = ratio(v1, i1), ratio(v2, i2)
		for _, t := range s.Taps {
			t[a+k] *= perDUT
		}
		for _, t := range s.TapsAE {
			t[a+k] *= perAE
		}
		if x := s.Clamp[a+k] + s.DUT[a+k] + s.AE[a+k]; !finite(x) {
			return fmt.Errorf("no finite current at %v: the loop has no impedance there (parts without any loss "+
				"resonate); give the parts their loss", g.Frequency(k))
		}
	}
	return nil
}

func ratio(v, i complex128) complex128 {
	if i == 0 {
		return Open
	}
	return v * reciprocal(i)
}

// walker carries voltage and current from an end outward, one block of frequencies at a time.
type walker struct {
	v, i, end [blockSize]complex128
	z, y      scratch
	m         [blockSize]ABCD
}

var walkers = sync.Pool{New: func() any { return new(walker) }}

// walk starts with the end's impedance (voltage Z for a current of 1, or voltage 1 at an open end)
// and moves through the parts. It leaves voltage and current at the clamp in v and i, the current at
// the end in end, and the currents at the taps in out[..][a:].
func (w *walker) walk(g Grid, end OnePort, parts []TwoPort, taps []int, out [][]complex128, a int) error {
	n := g.Len()
	if err := end.Impedance(g, w.v[:n]); err != nil {
		return fmt.Errorf("at the end: %w", err)
	}
	for k := range n {
		w.i[k] = 1
		if !finite(w.v[k]) {
			w.v[k], w.i[k] = 1, 0
		}
		w.end[k] = w.i[k]
	}
	w.tap(0, n, taps, out, a)
	for k, t := range parts {
		if err := w.through(g, t); err != nil {
			return fmt.Errorf("part %d from the end: %w", k+1, err)
		}
		w.tap(k+1, n, taps, out, a)
	}
	return nil
}

func (w *walker) tap(after, n int, taps []int, out [][]complex128, a int) {
	for k, t := range taps {
		if t == after {
			copy(out[k][a:a+n], w.i[:n])
		}
	}
}

// through moves voltage and current from a part's output to its input.
func (w *walker) through(g Grid, t TwoPort) error {
	n := g.Len()
	v, c := w.v[:n], w.i[:n]
	switch t := t.(type) {
	case Series:
		z := w.z[:n]
		if err := t.fill(g, z); err != nil {
			return err
		}
		for k := range v {
			v[k] += z[k] * c[k]
		}
	case Shunt:
		y := w.y[:n]
		if err := t.fill(g, y); err != nil {
			return err
		}
		for k := range v {
			c[k] += y[k] * v[k]
		}
	case Line:
		ch, sh := w.z[:n], w.y[:n]
		if err := t.fill(g, ch, sh); err != nil {
			return err
		}
		z := float64(t.Impedance)
		for k := range v {
			v[k], c[k] = ch[k]*v[k]+scale(z, sh[k]*c[k]), scale(1/z, sh[k]*v[k])+ch[k]*c[k]
		}
	default:
		m := w.m[:n]
		if err := t.Matrices(g, m); err != nil {
			return err
		}
		for k := range v {
			v[k], c[k] = m[k].A*v[k]+m[k].B*c[k], m[k].C*v[k]+m[k].D*c[k]
		}
	}
	return nil
}

func scale(x float64, z complex128) complex128 { return complex(x*real(z), x*imag(z)) }
