package cable

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"provoke/internal/model/twoport"
	"provoke/internal/units/rf"
)

// Cable is a cable that was read and checked. Parse makes it.
type Cable struct {
	Name string
	File string
	Hash string // SHA-256 of the file and of the files it names
	// Low, High and Points are the frequencies that are computed.
	Low, High rf.Frequency
	Points    int
	Forward   rf.Power // at the clamp's connector

	Line       twoport.Line // per piece; its Length is not used
	Height     rf.Length    // absent where the impedance was given
	ClampToDUT rf.Length
	ClampToAE  rf.Length
	ProbeToDUT rf.Length
	Tolerance  rf.Length // of clamp and probe positions; 0 when not known

	Clamp     twoport.Injector
	ClampWhat string              // for people
	Body      twoport.Capacitor   // from the clamp's body to the cable; Farad 0 for none
	Probe     twoport.OnePort     // insertion impedance; nil for none
	DUT, AE   twoport.OnePort     // ends
	Parts     []Part              // on the cable, by place
	Materials map[string]Material // by their key in the file
	// Remarks are what the user should know about the figures.
	Remarks []string
}

// Part is one thing on the cable.
type Part struct {
	Name string
	At   rf.Length // from the DUT's connector
	Two  twoport.TwoPort
}

// Length returns the whole length, from the DUT's connector to the AE's end.
func (c *Cable) Length() rf.Length { return c.ClampToDUT + c.ClampToAE }

// Above returns the frequency at which the height is a tenth of the wavelength, above which the line
// model is not to be trusted; absent where the height is not known.
func (c *Cable) Above() rf.Frequency {
	if c.Height <= 0 {
		return 0
	}
	return rf.Frequency(twoport.SpeedOfLight / 10 / float64(c.Height))
}

// Grid returns the frequencies of the file.
func (c *Cable) Grid() (twoport.Grid, error) {
	return twoport.Logarithmic(c.Low, c.High, c.Points)
}

// piece returns a piece of the line.
func (c *Cable) piece(length rf.Length) twoport.Line {
	l := c.Line
	l.Length = length
	return l
}

// stop is a place on one side of the clamp: a part, the probe, or a place where the current is
// wanted.
type stop struct {
	at    rf.Length // from the end of the side
	part  twoport.TwoPort
	want  int // index of the wanted current, −1 for none
	name  string
	order int
}

// side makes the chain from an end outward to the clamp, and the taps where currents are wanted.
func (c *Cable) side(stops []stop, length rf.Length, wanted int) (parts []twoport.TwoPort, taps []int, names []string) {
	slices.SortStableFunc(stops, func(a, b stop) int {
		switch {
		case a.at < b.at:
			return -1
		case a.at > b.at:
			return 1
		}
		return a.order - b.order
	})
	taps = make([]int, wanted)
	at := rf.Length(0)
	to := func(x rf.Length) {
		if x > at {
			parts, names = append(parts, c.piece(x-at)), append(names, "line")
			at = x
		}
	}
	for _, s := range stops {
		to(s.at)
		if s.want >= 0 {
			taps[s.want] = len(parts)
		}
		if s.part != nil {
			parts, names = append(parts, s.part), append(names, s.name)
		}
	}
	to(length)
	return parts, taps, names
}

// route is the cable for twoport with the currents that are wanted at places.
type route struct {
	twoport.Path
	places []place
}

// place tells where the current of a place is found.
type place struct {
	ae  bool
	tap int
}

// route builds the chain. The probe's current is wanted first, then those of the places, in their
// order. A current at the clamp is that through it.
func (c *Cable) route(at []rf.Length) route {
	var dut, ae []stop
	all := append([]rf.Length{c.ProbeToDUT}, at...)
	p := route{Path: twoport.Path{DUT: c.DUT, AE: c.AE, Clamp: c.Clamp}}
	if c.Probe != nil {
		dut = append(dut, stop{at: c.ProbeToDUT, part: twoport.Series{Z: c.Probe}, want: -1, name: "probe", order: 1})
	}
	nDUT, nAE := 0, 0
	for i, x := range all {
		// The probe itself is read at its DUT's side; in series both sides carry the same.
		if x <= c.ClampToDUT {
			dut = append(dut, stop{at: x, want: nDUT, order: min(i, 1) * 3})
			p.places = append(p.places, place{false, nDUT})
			nDUT++
		} else {
			ae = append(ae, stop{at: c.Length() - x, want: nAE, order: 3})
			p.places = append(p.places, place{true, nAE})
			nAE++
		}
	}
	for _, part := range c.Parts {
		if part.At <= c.ClampToDUT {
			dut = append(dut, stop{at: part.At, part: part.Two, want: -1, name: part.Name, order: 2})
		} else {
			// Parts are written with their input toward the clamp on both sides.
			ae = append(ae, stop{at: c.Length() - part.At, part: part.Two, want: -1, name: part.Name, order: 2})
		}
	}
	if c.Body.Farad > 0 {
		half := c.Body
		half.Farad /= 2
		dut = append(dut, stop{at: c.ClampToDUT, part: twoport.Shunt{Z: half}, want: -1, name: "clamp body", order: 9})
		ae = append(ae, stop{at: c.ClampToAE, part: twoport.Shunt{Z: half}, want: -1, name: "clamp body", order: 9})
	}
	p.ToDUT, p.Taps, _ = c.side(dut, c.ClampToDUT, nDUT)
	p.ToAE, p.TapsAE, _ = c.side(ae, c.ClampToAE, nAE)
	return p
}

// Response is the cable over frequency. Currents are phasors in ampere r.m.s. at the forward power,
// with the phase of the source's e.m.f.; ratios are those of magnitudes.
type Response struct {
	Grid    twoport.Grid
	DUT     []complex128 // at the DUT's connector
	Probe   []complex128 // at the monitoring probe
	Clamp   []complex128 // through the clamp
	AE      []complex128 // at the AE's end
	Places  [][]complex128
	Jig     []float64    // in the 50 Ω jig at the same forward power
	ToDUT   []complex128 // impedance from the clamp toward the DUT, ohm; twoport.Open where open
	ToAE    []complex128
	Series  []complex128 // of the clamp in the cable, ohm
	Forward rf.Power
}

// Compute returns the response over a grid, with the currents at further places.
func (c *Cable) Compute(g twoport.Grid, places ...rf.Length) (*Response, error) {
	for _, x := range places {
		if !(x >= 0 && x <= c.Length()) {
			return nil, fmt.Errorf("a place %v from the DUT is not on the cable of %v", x, c.Length())
		}
	}
	p := c.route(places)
	var s twoport.Solution
	if err := p.Solve(g, &s); err != nil {
		return nil, fmt.Errorf("compute the cable %s: %w", c.Name, err)
	}
	volt := complex(twoport.SourceEMF(c.Forward, rf.Z0), 0)
	r := &Response{Grid: g, DUT: s.DUT, Clamp: s.Clamp, AE: s.AE, ToDUT: s.NearZ, ToAE: s.FarZ, Series: s.Series,
		Forward: c.Forward, Jig: make([]float64, g.Len())}
	for _, at := range p.places {
		if at.ae {
			r.Places = append(r.Places, s.TapsAE[at.tap])
		} else {
			r.Places = append(r.Places, s.Taps[at.tap])
		}
	}
	for _, list := range append([][]complex128{r.DUT, r.Clamp, r.AE}, r.Places...) {
		for i := range list {
			list[i] *= volt
		}
	}
	r.Probe, r.Places = r.Places[0], r.Places[1:]
	for i := range r.Jig {
		r.Jig[i] = cmplx.Abs(volt * s.EMF[i] / (s.Series[i] + twoport.JigLoop))
		if !(r.Jig[i] > 0) {
			return nil, fmt.Errorf("the clamp injects nothing at %v", g.Frequency(i))
		}
	}
	return r, nil
}

// decibel returns 20·log10(|a|/b); off, a current of nothing, gives −Inf.
func decibel(a complex128, b float64) rf.Gain {
	return rf.GainOfAmplitudeRatio(cmplx.Abs(a) / b)
}

// OverJig returns the current at the DUT's connector over that in the jig at the same forward power:
// the error of calibrating in the jig and replaying the power. It is −Inf at an open connector.
func (r *Response) OverJig(i int) rf.Gain { return decibel(r.DUT[i], r.Jig[i]) }

// OverMatchedLoop returns how far the current that the 150 Ω source of IEC 61000-4-6 drives into the DUT's side of
// the clamp lies above that in its matched loop of 300 Ω: 20·log10(300 Ω/|150 Ω + Z|), at most 6.02 dB. The
// laboratory's other side is taken for the 150 Ω that the standard asks for (from memory).
func (r *Response) OverMatchedLoop(i int) rf.Gain {
	if cmplx.IsInf(r.ToDUT[i]) {
		return rf.Gain(math.Inf(-1))
	}
	return min(decibel(300, cmplx.Abs(150+r.ToDUT[i])), rf.GainOfAmplitudeRatio(2))
}

// Correction returns what is added to the probe's reading to give the current at the DUT's
// connector. ok is false where the probe sees nothing.
func (r *Response) Correction(i int) (g rf.Gain, ok bool) {
	probe := cmplx.Abs(r.Probe[i])
	if probe == 0 || r.DUT[i] == 0 {
		return 0, false
	}
	return decibel(r.DUT[i], probe), true
}

// Sensitivity is how the correction changes with the probe's place.
type Sensitivity struct {
	Low, High rf.Gain // least and most correction with the probe up to Give to either side
	// PerCentimetre is the slope at the probe's place, for a probe that moves away from the DUT.
	PerCentimetre rf.Gain
}

// Give returns how far the probe may lie from its place: the file's tolerance, or 10 mm where it
// gives none.
func (c *Cable) Give() rf.Length {
	if c.Tolerance <= 0 {
		return 10e-3
	}
	return c.Tolerance
}

// Sensitivity returns, at each frequency, how the correction depends on where the probe really is.
func (c *Cable) Sensitivity(g twoport.Grid) ([]Sensitivity, error) {
	tolerance := c.Give()
	at := func(x rf.Length) rf.Length { return min(max(x, 0), c.ClampToDUT) }
	moved := func(x rf.Length) (*Response, error) {
		m := *c
		m.ProbeToDUT = at(x)
		return m.Compute(g)
	}
	here, err := c.Compute(g)
	if err != nil {
		return nil, err
	}
	near, err := moved(c.ProbeToDUT - tolerance)
	if err != nil {
		return nil, err
	}
	far, err := moved(c.ProbeToDUT + tolerance)
	if err != nil {
		return nil, err
	}
	span := float64(at(c.ProbeToDUT+tolerance)-at(c.ProbeToDUT-tolerance)) * 100
	out := make([]Sensitivity, g.Len())
	for i := range out {
		a, ok1 := near.Correction(i)
		b, ok2 := here.Correction(i)
		d, ok3 := far.Correction(i)
		if !ok1 || !ok2 || !ok3 {
			out[i] = Sensitivity{Low: rf.Gain(math.Inf(-1)), High: rf.Gain(math.Inf(1))}
			continue
		}
		out[i] = Sensitivity{Low: min(a, b, d), High: max(a, b, d)}
		if span > 0 {
			out[i].PerCentimetre = (d - a) / rf.Gain(span)
		}
	}
	return out, nil
}

// Along is the current at one place.
type Along struct {
	At      rf.Length
	Current complex128 // A r.m.s.
}

// Profile returns the current along the cable at one frequency, at n places from the connector to
// the AE's end, both with the clamp's own place among them. n is 2 or more.
func (c *Cable) Profile(f rf.Frequency, n int) ([]Along, error) {
	if n < 2 || n > 10000 {
		return nil, fmt.Errorf("a profile of %d places: give 2 to 10000", n)
	}
	g, err := twoport.NewGrid([]rf.Frequency{f})
	if err != nil {
		return nil, err
	}
	places := make([]rf.Length, 0, n+1)
	for i := range n {
		places = append(places, min(c.Length()*rf.Length(i)/rf.Length(n-1), c.Length()))
	}
	places = append(places, c.ClampToDUT)
	slices.Sort(places)
	places = slices.Compact(places)
	r, err := c.Compute(g, places...)
	if err != nil {
		return nil, err
	}
	out := make([]Along, len(places))
	for i, x := range places {
		out[i] = Along{x, r.Places[i][0]}
	}
	return out, nil
}
