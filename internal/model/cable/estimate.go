package cable

import (
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"slices"
	"strings"

	"provoke/internal/model/twoport"
	"provoke/internal/units/fit"
	"provoke/internal/units/rf"
)

// Reading is what a run measured at one frequency, of the unmodulated carrier.
type Reading struct {
	At      rf.Frequency
	Current rf.Current // at the monitoring probe; only exact ones are used
	Forward rf.Power   // at the clamp's connector
}

// Quantity is a figure of the cable that can be estimated from a run.
type Quantity string

// The quantities. A length, capacitance or resistance of the file is the start from which the
// estimate sets out.
const (
	LengthToAE     Quantity = "length to AE"
	DUTCapacitance Quantity = "DUT capacitance" // of the first capacitor at the DUT's end
	DUTResistance  Quantity = "DUT resistance"  // of the first resistor there
	AEResistance   Quantity = "AE resistance"
	AEInductance   Quantity = "AE inductance"
	SkinLoss       Quantity = "loss" // per metre at 50 MHz
	Velocity       Quantity = "velocity"
	// Offset is a constant error of all levels in decibel: of the coupler, the probe's factor, the
	// clamp's loss. It is no figure of the cable, but leaving it out puts it into the others.
	Offset Quantity = "offset"
)

// Quantities lists all of them.
var Quantities = []Quantity{LengthToAE, DUTCapacitance, SkinLoss, DUTResistance, AEResistance, AEInductance,
	Velocity, Offset}

// UsualQuantities are estimated when the user names none, as far as the file's ends have the parts.
var UsualQuantities = []Quantity{LengthToAE, DUTCapacitance, SkinLoss, DUTResistance, AEResistance, AEInductance,
	Offset}

// Estimated is one quantity with its limits.
type Estimated struct {
	_ struct{} `tell:"name=Quantity unit=Unit value=Value,whole low=Low,whole high=High,whole"`

	Quantity Quantity
	Unit     string // m, F, H, Ω, dB/m, dB; nothing for the velocity, of that of light
	Start    float64
	Value    float64
	// Low and High hold the truth with the confidence of the Estimate, if the model is right and the
	// errors of the readings are independent. High is +Inf and Low is 0 (an offset: −Inf) where the
	// readings say nothing.
	Low, High float64
}

// Known reports that the readings bound the quantity.
func (e Estimated) Known() bool { return !math.IsInf(e.High, 1) }

// Lost says why an estimate is no description of the run: its cable is of another bench. It is empty
// where nothing speaks against it.
func (e *Estimate) Lost() string {
	for _, q := range e.Quantities {
		switch {
		case q.Quantity == Offset && math.Abs(q.Value) > 6:
			return fmt.Sprintf("an offset of %.1f dB is needed", q.Value)
		case !q.Known() && q.Quantity == LengthToAE:
			return "no length fits"
		}
	}
	return ""
}

// Estimate is a cable estimated from a run.
type Estimate struct {
	_ struct{} `tell:"rms_db=RMS quantities=Quantities"`

	Quantities []Estimated
	Confidence float64
	RMS        rf.Gain // of measured against modelled current
	Worst      rf.Gain
	WorstAt    rf.Frequency
	Used       int // readings
	Left       int // readings that are bounds, unknown, or outside the band of the file
	Converged  bool
	// Correlated are pairs of quantities that the readings can hardly tell apart.
	Correlated []string
	Cable      *Cable // with the estimated figures
}

// Estimate fits the quantities to a run at constant drive, or any run that measured current and
// forward power without modulation. Levels are compared in decibel, all readings alike. confidence
// is a probability such as 0.95; nil quantities means UsualQuantities.
func (c *Cable) Estimate(readings []Reading, quantities []Quantity, confidence float64) (*Estimate, error) {
	if !(confidence > 0 && confidence < 1) {
		return nil, fmt.Errorf("a confidence of %v: it lies between 0 and 100 %%", confidence)
	}
	f, err := c.fitter(readings, quantities)
	if err != nil {
		return nil, fmt.Errorf("estimate the cable %s: %w", c.Name, err)
	}
	result, err := fit.Solve(fit.Problem{Count: len(f.level), Residuals: f.residuals, Starts: f.starts(), Quick: true})
	if err != nil {
		return nil, fmt.Errorf("estimate the cable %s: %w", c.Name, err)
	}
	return f.estimate(result, confidence)
}

// fitter holds the readings and how a vector of parameters becomes a cable.
type fitter struct {
	cable *Cable
	free  []free
	grid  twoport.Grid
	level []float64 // measured current over the root of forward power, dB re A/√W
	left  int
}

// free is one parameter: a figure of the cable, as a logarithm where it is above zero by nature.
type free struct {
	Quantity
	unit  string
	start float64
	log   bool
	set   func(c *Cable, x float64)
}

func (c *Cable) fitter(readings []Reading, quantities []Quantity) (*fitter, error) {
	f := &fitter{cable: c}
	if err := f.choose(quantities); err != nil {
		return nil, err
	}
	sorted := slices.Clone(readings)
	slices.SortStableFunc(sorted, func(a, b Reading) int {
		switch {
		case a.At < b.At:
			return -1
		case a.At > b.At:
			return 1
		}
		return 0
	})
	var hz []rf.Frequency
	count := 0.0
	for _, r := range sorted {
		if !r.At.Known() || !r.Current.Exact() || !r.Forward.Exact() || r.Current.IsOff() || r.Forward.IsOff() ||
			r.At < c.Low || r.At > c.High {
			f.left++
			continue
		}
		level := r.Current.DB() - r.Forward.DB() // dBA − dBW: 20·log of A/√W
		if n := len(hz); n > 0 && hz[n-1] == r.At {
			count++
			f.level[n-1] += (level - f.level[n-1]) / count // several readings at one frequency: their mean
			continue
		}
		count = 1
		hz, f.level = append(hz, r.At), append(f.level, level)
	}
	if len(hz) <= len(f.free) {
		return nil,
			fmt.Errorf("%d readings with an exact current and forward power between %v and %v are not enough for %d "+
				"quantities; measure at more frequencies, or estimate fewer", len(hz), c.Low, c.High, len(f.free))
	}
	var err error
	f.grid, err = twoport.NewGrid(hz)
	return f, err
}

// choose makes the parameters.
func (f *fitter) choose(quantities []Quantity) error {
	usual := quantities == nil
	if usual {
		quantities = UsualQuantities
	}
	var errs []error
	for i, q := range quantities {
		if slices.Contains(quantities[:i], q) {
			continue
		}
		p, err := f.cable.parameter(q)
		if err != nil {
			if !usual {
				errs = append(errs, err)
			}
			continue
		}
		f.free = append(f.free, p)
	}
	if len(errs) == 0 && len(f.free) == 0 {
		errs = append(errs, errors.New("no quantity is to be estimated"))
	}
	return errors.Join(errs...)
}

// parameter returns how a quantity is read from the cable and written back.
func (c *Cable) parameter(q Quantity) (free, error) {
	missing := func(end, part string) error {
		return fmt.Errorf("%s cannot be estimated: the %s's end of the file has no %s to set out from; write the end "+
			"as series: with a %s of about the right size", q, end, part, part)
	}
	switch q {
	case LengthToAE:
		return free{q, "m", float64(c.ClampToAE), true, func(c *Cable, x float64) {
			// Parts keep their distance from the DUT unless the cable becomes too short for them.
			c.ClampToAE = rf.Length(x)
			c.Parts = slices.Clone(c.Parts)
			for i := range c.Parts {
				c.Parts[i].At = min(c.Parts[i].At, c.Length())
			}
		}}, nil
	case DUTCapacitance:
		p, ok := firstOf[twoport.Capacitor](c.DUT)
		if !ok {
			return free{}, missing("DUT", "capacitor")
		}
		return free{q, "F", float64(p.Farad), true, func(c *Cable, x float64) {
			c.DUT = replaced(c.DUT, func(p twoport.Capacitor) twoport.OnePort { p.Farad = rf.Capacitance(x); return p })
		}}, nil
	case DUTResistance:
		p, ok := firstOf[twoport.Resistor](c.DUT)
		if !ok || p <= 0 {
			return free{}, missing("DUT", "resistor")
		}
		return free{q, "Ω", float64(p), true, func(c *Cable, x float64) {
			c.DUT = replaced(c.DUT, func(twoport.Resistor) twoport.OnePort { return twoport.Resistor(x) })
		}}, nil
	case AEResistance:
		p, ok := firstOf[twoport.Resistor](c.AE)
		if !ok || p <= 0 {
			return free{}, missing("AE", "resistor")
		}
		return free{q, "Ω", float64(p), true, func(c *Cable, x float64) {
			c.AE = replaced(c.AE, func(twoport.Resistor) twoport.OnePort { return twoport.Resistor(x) })
		}}, nil
	case AEInductance:
		p, ok := firstOf[twoport.Inductor](c.AE)
		if !ok {
			return free{}, missing("AE", "inductor")
		}
		return free{q, "H", float64(p.Henry), true, func(c *Cable, x float64) {
			c.AE = replaced(c.AE, func(p twoport.Inductor) twoport.OnePort { p.Henry = rf.Inductance(x); return p })
		}}, nil
	case SkinLoss:
		return free{q, "dB/m", max(float64(c.Line.Loss.Skin), 0.1), true,
			func(c *Cable, x float64) { c.Line.Loss.Skin = rf.Gain(x) }}, nil
	case Velocity:
		v := c.Line.Velocity
		if v == 0 {
			v = 0.95
		}
		return free{q, "", v, true, func(c *Cable, x float64) { c.Line.Velocity = math.Min(x, 1) }}, nil
	case Offset:
		return free{q, "dB", 0, false, func(*Cable, float64) {}}, nil
	}
	return free{}, fmt.Errorf("%q is no quantity of a cable; there are %v", q, quantityNames())
}

func quantityNames() string {
	var out []string
	for _, q := range Quantities {
		out = append(out, string(q))
	}
	return strings.Join(out, ", ")
}

// firstOf returns the first part of a kind in an end that is it, or is parts in series.
func firstOf[P twoport.OnePort](end twoport.OnePort) (P, bool) {
	if p, ok := end.(P); ok {
		return p, true
	}
	if s, ok := end.(twoport.SeriesOf); ok {
		for _, p := range s {
			if p, ok := p.(P); ok {
				return p, true
			}
		}
	}
	var none P
	return none, false
}

// replaced returns the end with its first part of a kind changed.
func replaced[P twoport.OnePort](end twoport.OnePort, change func(P) twoport.OnePort) twoport.OnePort {
	if p, ok := end.(P); ok {
		return change(p)
	}
	s := slices.Clone(end.(twoport.SeriesOf))
	for i, p := range s {
		if p, ok := p.(P); ok {
			s[i] = change(p)
			break
		}
	}
	return s
}

// with returns the cable with the parameters, and the offset in decibel.
func (f *fitter) with(p []float64) (*Cable, float64) {
	c := *f.cable
	offset := 0.0
	for i, x := range p {
		if f.free[i].log {
			// A parameter that runs away must not leave the range of numbers.
			x = f.free[i].start * math.Exp(math.Max(-30, math.Min(x, 30)))
		}
		if f.free[i].Quantity == Offset {
			offset = x
		}
		f.free[i].set(&c, x)
	}
	return &c, offset
}

// residuals fills r with modelled less measured level in decibel.
func (f *fitter) residuals(r, p []float64) {
	c, offset := f.with(p)
	route := c.route(nil)
	var s twoport.Solution
	if err := route.Solve(f.grid, &s); err != nil {
		for i := range r {
			r[i] = math.NaN()
		}
		return
	}
	volt := twoport.SourceEMF(rf.Watts(1), rf.Z0)
	probe := s.Taps[route.places[0].tap]
	for i := range r {
		r[i] = 20*math.Log10(volt*cmplx.Abs(probe[i])) + offset - f.level[i]
	}
}

// starts are the file's figures and, because resonances give false valleys, lengths around them.
func (f *fitter) starts() [][]float64 {
	length := slices.IndexFunc(f.free, func(p free) bool { return p.Quantity == LengthToAE })
	factors := []float64{1}
	if length >= 0 {
		factors = []float64{1, 0.5, 0.6, 0.7, 0.8, 0.9, 1.1, 1.2, 1.35, 1.5, 1.75, 2}
	}
	var out [][]float64
	for _, k := range factors {
		p := make([]float64, len(f.free))
		for i := range p {
			if !f.free[i].log {
				p[i] = f.free[i].start
			}
		}
		if length >= 0 {
			p[length] = math.Log(k)
		}
		out = append(out, p)
	}
	return out
}

// hardlyTold is the correlation beyond which two quantities are named as a pair.
const hardlyTold = 0.95

// runAway is how many times a quantity may move from where it set out before the estimate is taken to
// say nothing about it: the readings then pull at it without end.
const runAway = 100

func (f *fitter) estimate(result fit.Result, confidence float64) (*Estimate, error) {
	e := &Estimate{Confidence: confidence, Used: len(f.level), Left: f.left, Converged: result.Converged,
		RMS: rf.Gain(result.RMS)}
	e.Cable, _ = f.with(result.Parameters)
	for i, p := range f.free {
		half := result.HalfWidth(i, confidence)
		x := Estimated{Quantity: p.Quantity, Unit: p.unit, Start: p.start}
		if p.log {
			x.Value = p.start * math.Exp(result.Parameters[i])
			x.Low, x.High = x.Value*math.Exp(-half), x.Value*math.Exp(half)
			if half > math.Log(1e3) || math.Abs(result.Parameters[i]) > math.Log(runAway) {
				x.Low, x.High = 0, math.Inf(1)
			}
		} else {
			x.Value = result.Parameters[i]
			x.Low, x.High = x.Value-half, x.Value+half
		}
		e.Quantities = append(e.Quantities, x)
		for k := range i {
			if r := result.Correlation(i, k); math.Abs(r) > hardlyTold {
				e.Correlated = append(e.Correlated, fmt.Sprintf("%s and %s (correlation %.2f)", f.free[k].Quantity,
					p.Quantity, r))
			}
		}
	}
	r := make([]float64, len(f.level))
	f.residuals(r, result.Parameters)
	for i, x := range r {
		if math.IsNaN(x) {
			return nil, errors.New("the estimated cable cannot be computed")
		}
		if math.Abs(x) > math.Abs(float64(e.Worst)) {
			e.Worst, e.WorstAt = rf.Gain(x), f.grid.Frequency(i)
		}
	}
	return e, nil
}
