package cable

import (
	"cmp"
	"fmt"
	"math"
	"math/cmplx"
	"slices"
	"strings"

	"provoke/internal/model/twoport"
	"provoke/internal/units/rf"
)

// Resonance is a frequency at which the current at the DUT's connector is highest or lowest among
// its neighbours, at the same forward power.
type Resonance struct {
	At      rf.Frequency
	Peak    bool    // a maximum; else a minimum
	OverJig rf.Gain // current at the connector over the jig's
	// Prominence is how far the extreme stands out from the higher (or, for a minimum, lower) of the
	// valleys beside it.
	Prominence rf.Gain
	Cause      string // for people
	// Wavelengths are the electrical lengths at this frequency.
	ToDUT, ToAE float64
}

// LeastProminence is below which an extreme is not told.
const LeastProminence = rf.Gain(1)

// Resonances returns the extremes of the current at the connector over a grid, ascending, each with
// its cause. An extreme at the end of the grid is none.
func (c *Cable) Resonances(r *Response) []Resonance {
	level := make([]float64, r.Grid.Len())
	for i := range level {
		level[i] = math.Max(r.OverJig(i).DB(), -400)
	}
	var out []Resonance
	for i := 1; i < len(level)-1; i++ {
		peak := level[i] > level[i-1] && level[i] >= level[i+1]
		dip := level[i] < level[i-1] && level[i] <= level[i+1]
		if !peak && !dip {
			continue
		}
		p := prominence(level, i, peak)
		if rf.Gain(p) < LeastProminence {
			continue
		}
		x := Resonance{At: r.Grid.Frequency(i), Peak: peak, OverJig: rf.Gain(level[i]), Prominence: rf.Gain(p)}
		x.ToDUT, x.ToAE = c.wavelengths(c.ClampToDUT, x.At), c.wavelengths(c.ClampToAE, x.At)
		x.Cause = c.cause(r, i, peak)
		out = append(out, x)
	}
	return out
}

// PeaksOf returns of a cable file the frequencies over its band at which the current at the connector is highest among
// its neighbours, the most above the jig's first, to four digits.
func PeaksOf(file string, data []byte, read func(string) ([]byte, error)) (out []rf.Frequency, err error) {
	c, list := Parse(file, data, read)
	if err := list.Err(); err != nil {
		return nil, err
	}
	g, err := c.Grid()
	if err != nil {
		return nil, fmt.Errorf("the resonances of %s: %w", file, err)
	}
	r, err := c.Compute(g)
	if err != nil {
		return nil, fmt.Errorf("the resonances of %s: %w", file, err)
	}
	all := slices.DeleteFunc(c.Resonances(r), func(x Resonance) bool { return !x.Peak })
	slices.SortStableFunc(all, func(a, b Resonance) int { return cmp.Compare(b.OverJig, a.OverJig) })
	for _, x := range all {
		out = append(out, x.At.Rounded())
	}
	return out, nil
}

// prominence returns how far an extreme stands above the higher of the two lowest points on its
// sides before something higher, or the end.
func prominence(y []float64, i int, peak bool) float64 {
	sign := 1.0
	if !peak {
		sign = -1
	}
	top := sign * y[i]
	side := func(step int) float64 {
		low := top
		for k := i + step; k >= 0 && k < len(y); k += step {
			v := sign * y[k]
			if v > top {
				break
			}
			low = math.Min(low, v)
		}
		return low
	}
	return top - math.Max(side(-1), side(1))
}

func (c *Cable) wavelengths(l rf.Length, f rf.Frequency) float64 {
	v := c.Line.Velocity
	if v == 0 {
		v = 1
	}
	return float64(l) * f.Hz() / (v * twoport.SpeedOfLight)
}

// kind says what an impedance is against the line: "low" or "high".
func (c *Cable) kind(z complex128) string {
	if cmplx.IsInf(z) || cmplx.Abs(z) > float64(c.Line.Impedance) {
		return "high"
	}
	return "low"
}

// cause tells why the current is extreme at frequency i.
func (c *Cable) cause(r *Response, i int, peak bool) string {
	f := r.Grid.Frequency(i)
	dut, err1 := twoport.ImpedanceAt(c.DUT, f)
	ae, err2 := twoport.ImpedanceAt(c.AE, f)
	if err1 != nil || err2 != nil {
		return "not known"
	}
	whole := c.wavelengths(c.Length(), f)
	if peak {
		return c.peakCause(r, i, dut, ae, whole)
	}
	return c.dipCause(r, i, dut, ae)
}

// short is the electrical length below which a cable is lumped.
const short = 0.1

func (c *Cable) peakCause(r *Response, i int, dut, ae complex128, whole float64) string {
	if whole < short {
		return fmt.Sprintf("the cable is short here (%.2f wavelengths): the reactance of the ends (%s at the DUT, %s "+
			"at the AE) cancels that of clamp and cable", whole, ohms(dut), ohms(ae))
	}
	ends := fmt.Sprintf("DUT's end %s (%s Ω), AE's end %s (%s Ω)", c.kind(dut), ohms(dut), c.kind(ae), ohms(ae))
	what := "the whole cable resonates"
	switch a, b := c.kind(dut), c.kind(ae); {
	case a == b && near(2*whole, math.Round(2*whole)) && math.Round(2*whole) > 0:
		what = fmt.Sprintf("%s of the whole cable, as between two ends of the same kind",
			multiple(int(math.Round(2*whole)), "half wave", "half waves"))
	case a != b && near(2*whole, math.Floor(2*whole)+0.5):
		what = fmt.Sprintf("%s of the whole cable, as between ends of opposite kinds",
			multiple(2*int(math.Floor(2*whole))+1, "quarter wave", "quarter waves"))
	}
	loop := r.ToDUT[i] + r.ToAE[i] + r.Series[i]
	if cmplx.IsInf(loop) || cmplx.IsNaN(loop) {
		return fmt.Sprintf("%s (%.2f wavelengths; %s)", what, whole, ends)
	}
	return fmt.Sprintf("%s (%.2f wavelengths; %s); the loop at the clamp is %s Ω", what, whole, ends, ohms(loop))
}

// near reports that an electrical length is close to a multiple of its own kind; ends that are
// neither short nor open shift a resonance.
func near(x, multiple float64) bool { return math.Abs(x-multiple) <= 0.2 }

func multiple(n int, one, many string) string {
	if n == 1 {
		return "one " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

func (c *Cable) dipCause(r *Response, i int, dut, ae complex128) string {
	f := r.Grid.Frequency(i)
	toDUT, toAE, series := cmplx.Abs(r.ToDUT[i]), cmplx.Abs(r.ToAE[i]), cmplx.Abs(r.Series[i])
	// Where the connector carries much less than the clamp, the wave on the DUT's side does it.
	if cmplx.Abs(r.DUT[i]) < 0.5*cmplx.Abs(r.Clamp[i]) {
		return fmt.Sprintf("the connector lies at a minimum of the standing wave: %.2f wavelengths from the clamp, "+
			"DUT's end %s (%s Ω)", c.wavelengths(c.ClampToDUT, f), c.kind(dut), ohms(dut))
	}
	switch {
	case toAE >= toDUT && toAE >= series:
		return fmt.Sprintf("%.2f wavelengths from the clamp to the AE with an end that is %s (%s Ω) look like %s Ω "+
			"at the clamp: %s", c.wavelengths(c.ClampToAE, f), c.kind(ae), ohms(ae), ohms(r.ToAE[i]),
			c.blocked(c.wavelengths(c.ClampToAE, f), ae, r.ToAE[i], true))
	case toDUT >= series:
		return fmt.Sprintf("%.2f wavelengths from the clamp to the DUT with an end that is %s (%s Ω) look like %s Ω "+
			"at the clamp: %s", c.wavelengths(c.ClampToDUT, f), c.kind(dut), ohms(dut), ohms(r.ToDUT[i]),
			c.blocked(c.wavelengths(c.ClampToDUT, f), dut, r.ToDUT[i], false))
	default:
		return fmt.Sprintf("the clamp's own series impedance of %s Ω is the largest in the loop", ohms(r.Series[i]))
	}
}

// blocked tells why a side of the cable looks high from the clamp.
func (c *Cable) blocked(wavelengths float64, end, seen complex128, ae bool) string {
	quarters := math.Round(4 * wavelengths)
	var names []string
	for _, p := range c.Parts {
		if p.At > c.ClampToDUT == ae {
			names = append(names, p.Name)
		}
	}
	switch {
	case c.kind(end) == "low" && math.Mod(quarters, 2) == 1 && math.Abs(4*wavelengths-quarters) < 0.35:
		return fmt.Sprintf("%s turn a low end into a high one",
			multiple(int(quarters), "quarter wave", "quarter waves"))
	case c.kind(end) == "high" && quarters > 0 && math.Mod(quarters, 2) == 0 && math.Abs(4*wavelengths-quarters) < 0.35:
		return fmt.Sprintf("%s repeat the high end", multiple(int(quarters/2), "half wave", "half waves"))
	case cmplx.Abs(end) > 0.7*cmplx.Abs(seen):
		return "the end itself is high"
	case len(names) > 0:
		return "the line and what is on it on that side (" + strings.Join(names, ", ") + ") raise it"
	}
	return "the line raises it"
}

// ohms prints an impedance without its unit: "12 + j34".
func ohms(z complex128) string {
	if cmplx.IsInf(z) {
		return "open"
	}
	sign := '+'
	x := imag(z)
	if x < 0 {
		sign, x = '−', -x
	}
	return fmt.Sprintf("%.3g %c j%.3g", real(z), sign, x)
}
