package jig

import (
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"slices"
	"strings"

	"provoke/internal/files/catalog"
	"provoke/internal/files/touchstone"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/model/twoport"
	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

// ClampSetup is how a clamp stood in the jig.
type ClampSetup struct {
	// Clamp, End and Far are the ports of the files: the clamp's connector, the jig's end that counts,
	// and its other end, which is 0 where it was closed with 50 Ω that are no port. All 0 mean 1, 2,
	// and 3 where there are three ports.
	Clamp, End, Far int
	// Line is the length of jig between the clamp's middle and either end, of impedance LineImpedance
	// (0 means 50 Ω); it is taken out of the series impedance.
	Line          rf.Length
	LineImpedance rf.Resistance
}

// Clamp is what an injection clamp is.
type Clamp struct {
	// InsertionLoss is from forward power at the connector to the power in the jig's end, the mean of
	// the sweeps in dB. ReturnLoss is the match of the connector with the jig closed; Series the
	// magnitude of what the clamp, with 50 Ω at its connector, puts in series with the cable. Curves
	// that the data do not give are absent.
	InsertionLoss curve.Curve[rf.Gain]
	ReturnLoss    curve.Curve[rf.Gain]
	Series        curve.Curve[rf.Transimpedance]
	// Directivity is the current in End over that in Far; absent unless both were measured.
	Directivity curve.Curve[rf.Gain]
	Points      []ClampPoint
	Repeat      Repeat
	Remarks     []string
}

// ClampPoint is one frequency. Gains that are not known are NaN.
type ClampPoint struct {
	Frequency     rf.Frequency
	InsertionLoss rf.Gain
	ReturnLoss    rf.Gain
	Directivity   rf.Gain
	// Series is the impedance put in series with the cable; HasSeries tells that it is known.
	Series    complex128
	HasSeries bool
	// Watts is the forward power for a current of 100 mA in the jig.
	Forward100mA rf.Power
	Spread       rf.Gain
}

// LeastInsertionLoss is what the far end of the jig takes: 10·log10(2).
var LeastInsertionLoss = rf.GainOfPowerRatio(2)

// MeasureClamp works out a clamp from one or more sweeps of the same setup.
func MeasureClamp(sweeps []*touchstone.Network, setup ClampSetup) (Clamp, error) {
	if len(sweeps) == 0 {
		return Clamp{}, errors.New("characterise a clamp: no sweep was given")
	}
	var c Clamp
	fixed := make([]*touchstone.Network, len(sweeps))
	for i, n := range sweeps {
		m, remarks, err := prepared(n)
		if err != nil {
			return Clamp{}, fmt.Errorf("characterise a clamp from %s: %w", n.Name, err)
		}
		fixed[i], c.Remarks = m, append(c.Remarks, remarks...)
	}
	if err := setup.complete(fixed); err != nil {
		return Clamp{}, fmt.Errorf("characterise a clamp: %w", err)
	}
	f, err := common(fixed)
	if err == nil {
		err = c.measure(fixed, f, setup)
	}
	if err != nil {
		return Clamp{}, fmt.Errorf("characterise a clamp: %w", err)
	}
	c.doubts(setup)
	return c, nil
}

func (s *ClampSetup) complete(sweeps []*touchstone.Network) error {
	least := sweeps[0].Ports
	for _, n := range sweeps {
		least = min(least, n.Ports)
	}
	if s.Clamp == 0 && s.End == 0 && s.Far == 0 {
		s.Clamp, s.End = 1, 2
		if least >= 3 {
			s.Far = 3
		}
	}
	named := map[string]int{"clamp": s.Clamp, "jig end": s.End}
	if s.Far != 0 {
		named["jig out"] = s.Far
	}
	for _, n := range sweeps {
		if err := ports(n, named); err != nil {
			return err
		}
	}
	if s.Line < 0 || s.LineImpedance < 0 {
		return errors.New("length and impedance of the jig's line cannot be negative")
	}
	if s.LineImpedance == 0 {
		s.LineImpedance = rf.Z0
	}
	return nil
}

// series returns the impedance in series with the jig's wire. With both ends it follows from the
// transmission between them, S = 2·50/(2·50 + Z) for a lumped clamp, else from the reflection at the
// measured end, behind which lie Z and the 50 Ω of the far one.
func (s ClampSetup) series(m touchstone.Matrix, at rf.Frequency) (complex128, error) {
	const z = complex(float64(rf.Z0), 0)
	line := twoport.Line{Impedance: s.LineImpedance, Length: s.Line}
	l, err := twoport.MatrixAt(line, at)
	if err != nil {
		return 0, err
	}
	inverse := twoport.ABCD{A: l.D, B: -l.B, C: -l.C, D: l.A} // the determinant of a line is 1
	if s.Far == 0 {
		zin := twoport.ImpedanceOf(m.At(s.End, s.End), z)
		if cmplx.IsInf(zin) {
			return 0, fmt.Errorf("the jig is open at %v", at)
		}
		// Take the line at the near end off; beyond the clamp lie the line and 50 Ω.
		near := (inverse.A*zin + inverse.B) / (inverse.C*zin + inverse.D)
		return near - l.Input(z), nil
	}
	two, err := twoport.ABCDOfS(twoport.Matrix{{m.At(s.End, s.End), m.At(s.End, s.Far)},
		{m.At(s.Far, s.End), m.At(s.Far, s.Far)}}, twoport.Coaxial)
	if err != nil {
		return 0, fmt.Errorf("nothing passes along the jig at %v: %w", at, err)
	}
	return inverse.Times(two).Times(inverse).B, nil
}

func (c *Clamp) measure(sweeps []*touchstone.Network, f []rf.Frequency, setup ClampSetup) error {
	c.Repeat = Repeat{Sweeps: len(sweeps), Freedom: len(sweeps) - 1}
	for _, at := range f {
		p, err := setup.point(sweeps, at)
		if err != nil {
			return err
		}
		c.Repeat.add(at, p.Spread.DB(), len(f))
		c.Points = append(c.Points, p)
	}
	var names []string
	for _, n := range sweeps {
		names = append(names, n.Name)
	}
	return c.curves("clamp in the jig, of " + strings.Join(names, ", "))
}

func (s ClampSetup) point(sweeps []*touchstone.Network, at rf.Frequency) (ClampPoint, error) {
	p := ClampPoint{Frequency: at, HasSeries: true, Directivity: rf.Gain(math.NaN())}
	var loss, match, directivity []float64
	for _, n := range sweeps {
		m, err := n.At(at)
		if err != nil {
			return p, err
		}
		loss = append(loss, -20*math.Log10(cmplx.Abs(m.At(s.End, s.Clamp))))
		match = append(match, -20*math.Log10(cmplx.Abs(m.At(s.Clamp, s.Clamp))))
		if s.Far != 0 {
			directivity = append(directivity, 20*math.Log10(cmplx.Abs(m.At(s.End, s.Clamp)/m.At(s.Far, s.Clamp))))
		}
		z, err := s.series(m, at)
		if err != nil {
			return p, err
		}
		p.Series += z / complex(float64(len(sweeps)), 0)
	}
	mean, deviation := spread(loss)
	p.InsertionLoss, p.Spread = rf.Gain(mean), rf.Gain(deviation)
	if !p.InsertionLoss.Finite() {
		return p, fmt.Errorf("nothing arrives in the jig's end at %v: the insertion loss is not finite", at)
	}
	mean, _ = spread(match)
	p.ReturnLoss = rf.Gain(math.Min(mean, 100)) // a perfect match has no logarithm
	if len(directivity) > 0 {
		mean, _ = spread(directivity)
		p.Directivity = rf.Gain(mean)
	}
	p.Forward100mA = rf.PowerOfCurrent(rf.Amperes(0.1), rf.Z0).Add(p.InsertionLoss)
	return p, nil
}

// curves makes the curves of the points.
func (c *Clamp) curves(source string) error {
	var loss, match, directivity []curve.Point[rf.Gain]
	var series []curve.Point[rf.Transimpedance]
	for _, p := range c.Points {
		loss = append(loss, point(p.Frequency, p.InsertionLoss))
		if p.ReturnLoss.Finite() {
			match = append(match, point(p.Frequency, p.ReturnLoss))
		}
		if p.Directivity.Finite() {
			directivity = append(directivity, point(p.Frequency, p.Directivity))
		}
		if z := rf.Ohms(cmplx.Abs(p.Series)); p.HasSeries && z.Exact() && !z.IsOff() {
			series = append(series, point(p.Frequency, z))
		}
	}
	var err error
	make := func(p []curve.Point[rf.Gain], what string) curve.Curve[rf.Gain] {
		if len(p) == 0 {
			return curve.Curve[rf.Gain]{}
		}
		out, e := curve.New(p, what+", "+source)
		err = errors.Join(err, e)
		return out
	}
	c.InsertionLoss, c.ReturnLoss, c.Directivity = make(loss, "insertion loss"), make(match, "return loss"),
		make(directivity, "directivity")
	if len(series) > 0 {
		var e error
		c.Series, e = curve.New(series, "series impedance, "+source)
		err = errors.Join(err, e)
	}
	return err
}

// doubts says what would mislead.
func (c *Clamp) doubts(s ClampSetup) {
	least := slices.MinFunc(c.Points, func(a, b ClampPoint) int { return compare(a.InsertionLoss, b.InsertionLoss) })
	if s.Far == 0 && least.InsertionLoss < LeastInsertionLoss-0.05 {
		c.Remarks = append(c.Remarks, fmt.Sprintf(
			"the insertion loss is %s at %v, below the %s that the far end of a 50 Ω jig takes: was that end closed "+
				"with 50 Ω?", least.InsertionLoss.Text(2), least.Frequency, LeastInsertionLoss.Text(2)))
	}
	negative := slices.MinFunc(c.Points, func(a, b ClampPoint) int { return compare(real(a.Series), real(b.Series)) })
	if negative.HasSeries && real(negative.Series) < -1 {
		c.Remarks = append(c.Remarks, fmt.Sprintf(
			"the series impedance has a resistance of %.1f Ω at %v: no passive clamp has that; give the length of "+
				"the jig's line, or do not use the series impedance there", real(negative.Series), negative.Frequency))
	}
	if s.Far == 0 {
		c.Remarks = append(c.Remarks,
			"one end of the jig was measured: the series impedance follows from its reflection and takes the far end "+
				"for 50 Ω; the directivity is not known")
	}
	if !c.Repeat.Known() {
		c.Remarks = append(c.Remarks,
			"one sweep says nothing about repeatability: open the clamp, close it and sweep again, three times or more")
	}
}

func compare[T ~float64](a, b T) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

// ClampFromRun works out the insertion loss from a calibration run in the 50 + 50 Ω jig: forward
// power measured at the clamp over the power that the measured current leaves in one end. Several
// steps at a frequency are averaged in dB.
func ClampFromRun(runs ...result.Run) (Clamp, error) {
	var c Clamp
	at := map[rf.Frequency][]float64{}
	predicted, bounded := 0, 0
	for _, r := range runs {
		o := r.Opened
		if o.RunKind != plan.Calibration || catalog.Fixture(o.Fixture) != catalog.Jig50 {
			return c,
				fmt.Errorf("run %d is a %s on the fixture %s: the insertion loss follows from a calibration in the "+
					"50 + 50 Ω jig (%s)", r.Number, o.RunKind, o.Fixture, catalog.Jig50)
		}
		for _, s := range r.Steps {
			switch {
			case s.ForwardPredicted || s.Forward.Absent():
				predicted++
			case !s.Current.Exact() || s.Current.IsOff() || !s.Forward.Exact() || s.Forward.IsOff():
				bounded++
			default:
				out := rf.PowerOfCurrent(s.Current, rf.Z0)
				g, _ := s.Forward.Minus(out)
				at[s.Step.Point.Frequency] = append(at[s.Step.Point.Frequency], g.DB())
			}
		}
	}
	if len(at) == 0 {
		return c,
			fmt.Errorf("no step has both a measured current and a measured forward power (%d have the budget's "+
				"forward power, %d a bound only): the budget's forward power already contains the insertion loss "+
				"asked for; put a coupler and a power meter before the clamp, or sweep the jig with a network analyser",
				predicted, bounded)
	}
	most := 0
	for _, f := range sorted(at) {
		mean, deviation := spread(at[f])
		most = max(most, len(at[f]))
		c.Repeat.add(f, deviation, len(at))
		c.Points = append(c.Points, ClampPoint{Frequency: f, InsertionLoss: rf.Gain(mean), Spread: rf.Gain(deviation),
			ReturnLoss: rf.Gain(math.NaN()), Directivity: rf.Gain(math.NaN()),
			Forward100mA: rf.PowerOfCurrent(rf.Amperes(0.1), rf.Z0).Add(rf.Gain(mean))})
	}
	c.Repeat.Sweeps, c.Repeat.Freedom = most, most-1
	if predicted+bounded > 0 {
		c.Remarks = append(c.Remarks, fmt.Sprintf(
			"%d steps were left out: %d without a measured forward power, %d with a bound instead of a reading",
			predicted+bounded, predicted, bounded))
	}
	c.Remarks = append(c.Remarks,
		"the current is the monitoring probe's: an error of its transfer impedance is an error of this insertion "+
			"loss; the series impedance is not known from a run")
	var names []string
	for _, r := range runs {
		names = append(names, fmt.Sprint(r.Number))
	}
	return c, c.curves("of calibration run " + strings.Join(names, ", "))
}

func sorted[V any](m map[rf.Frequency]V) []rf.Frequency {
	var out []rf.Frequency
	for f := range m {
		out = append(out, f)
	}
	slices.Sort(out)
	return out
}
