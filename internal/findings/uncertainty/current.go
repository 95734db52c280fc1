package uncertainty

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"

	"provoke/internal/files/catalog"
	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

// Means is how the injected current is known.
type Means string

// The ways in which a current is known.
const (
	Measured Means = "measured with probe and analyser"
	Levelled Means = "levelled on the measured current"
	Replayed Means = "drive of a calibration replayed"
)

// Conditions is what a budget needs to know beside the bench.
type Conditions struct {
	Means Means
	// Window is how far above the level the closed loop may stop.
	Window rf.Gain
	// Position returns by how much the current at the DUT may change, to either side, when clamp and
	// probe lie anywhere within the tolerance, and where that is known from; nil where there is no
	// model of the cable, and an estimate stands for it.
	Position func(f rf.Frequency, tolerance rf.Length) (half rf.Gain, source string, err error)
	// Repeated returns the experimental standard deviation of repeated set-ups at a frequency and
	// their number; nil or n below 2 where there are none.
	Repeated func(f rf.Frequency) (deviation rf.Gain, n int)
	// Convention of the mismatch; FixedMagnitudes where empty.
	Convention MismatchConvention
}

// Component is one line of a budget of the current.
type Component struct {
	Input
	Item string // catalog id of the piece, or empty
	// Source says where the figure is from.
	Source string
	// Assumed: the bench file says nothing, and a figure of common practice stands for it.
	Assumed bool
}

// Current is the uncertainty of the injected current at one frequency, in dB.
type Current struct {
	Frequency  rf.Frequency
	Means      Means
	Components []Component // in the order of the chain
	Combined   Combined    // its Contributions are ranked
	// Expanded is after the law of propagation, for comparison; Stated the interval round what is read
	// that U and K are of (see Budget.Interval).
	Expanded Expanded
	Stated   Interval
	// Simulated is the Monte Carlo run of the same components; nil where none was asked for.
	Simulated  *Simulated
	Comparison Comparison // of the law with it; meaningful only with Simulated
	// Notes are what the figures leave open.
	Notes []string
}

// Assumed returns the components whose figure is an assumption.
func (c Current) Assumed() []Component {
	var out []Component
	for _, x := range c.Components {
		if x.Assumed && x.Contribution() != 0 {
			out = append(out, x)
		}
	}
	return out
}

// Budget returns the components as a budget.
func (c Current) Budget() Budget {
	b := Budget{Unit: "dB"}
	for _, x := range c.Components {
		b.Inputs = append(b.Inputs, x.Input)
	}
	return b
}

// Without returns the U that would be left without one of the components, by its index: what improving it
// can give at most.
func (c Current) Without(i int) (rf.Gain, error) {
	b := c.Budget()
	b.Inputs[i].Sensitivity = 0
	left, err := b.Interval(c.Expanded.Confidence)
	return rf.Gain(left.HalfWidth()), err
}

// Simulate adds a Monte Carlo run.
func (c *Current) Simulate(r *rand.Rand, draws int) error {
	s, err := c.Budget().Simulate(r, draws, c.Expanded.Confidence)
	if err != nil {
		return fmt.Errorf("simulate the uncertainty at %v: %w", c.Frequency, err)
	}
	c.Simulated, c.Comparison = &s, Compare(0, c.Combined, c.Expanded, s)
	return nil
}

// U returns what is to be stated: the current lies within ± U of what is read, with the confidence.
func (c Current) U() rf.Gain { return rf.Gain(c.Stated.HalfWidth()) }

// K returns the coverage factor that U is: U over the standard uncertainty; 0 where that is 0.
func (c Current) K() float64 {
	if c.Combined.Standard <= 0 {
		return 0
	}
	return c.U().DB() / c.Combined.Standard
}

// What stands where the bench file says nothing: common practice, no single source. Every use of one
// is marked Assumed.
const (
	assumedProbe     = 2.0  // dB, expanded, k = 2
	assumedPad       = 0.3  // dB, limits
	assumedCoax      = 0.2  // dB, limits
	assumedAnalyser  = 1.5  // dB, limits
	assumedRepeat    = 0.5  // dB, limits: clamp and cable put up anew
	assumedInsertion = 0.5  // dB, limits: clamp put into the jig anew
	assumedGain      = 0.5  // dB, limits: drift of amplifier and source between calibration and test
	assumedHarmonics = -15  // dB against the carrier
	assumedPosition  = 0.01 // m
	probeVSWR        = 3.0
	passiveVSWR      = 1.2
	analyserVSWR     = 1.5
)

// OfCurrent returns the uncertainty of the current that a bench injects at a frequency.
func OfCurrent(b *catalog.Bench, f rf.Frequency, c Conditions, confidence rf.Fraction) (Current, error) {
	fail := func(err error) (Current, error) {
		return Current{}, fmt.Errorf("work out the uncertainty of the current at %v: %w", f, err)
	}
	if b.Probe == nil || b.Analyser == nil {
		return fail(errors.New("the bench has no probe with an analyser, so the current is not measured"))
	}
	if c.Means == "" {
		c.Means = Measured
	}
	w := &worker{bench: b, f: f, conditions: c}
	w.out = Current{Frequency: f, Means: c.Means}
	for _, part := range []func() error{w.probe, w.passives, w.analyser, w.mismatch, w.window, w.replay, w.position,
		w.repeatability, w.harmonics} {
		if err := part(); err != nil {
			return fail(err)
		}
	}
	var err error
	if w.out.Combined, err = w.out.Budget().Combine(); err != nil {
		return fail(err)
	}
	if w.out.Expanded, err = w.out.Combined.Expand(confidence); err != nil {
		return fail(err)
	}
	if w.out.Stated, err = w.out.Budget().Interval(confidence); err != nil {
		return fail(err)
	}
	return w.out, nil
}

// worker gathers the components.
type worker struct {
	bench      *catalog.Bench
	f          rf.Frequency
	conditions Conditions
	out        Current
}

func (w *worker) add(c Component) { w.out.Components = append(w.out.Components, c) }

func (w *worker) note(format string, args ...any) {
	w.out.Notes = append(w.out.Notes, fmt.Sprintf(format, args...))
}

// stated turns what a piece's entry in the bench file says into an input; the second result is false
// where it says nothing.
func stated(name string, u catalog.Uncertainty, f rf.Frequency) (Input, string, bool, error) {
	if !u.Given() {
		return Input{}, "", false, nil
	}
	v, err := u.At(f)
	if err != nil {
		return Input{}, "", false, fmt.Errorf("%s: %w", name, err)
	}
	var in Input
	source := "bench file"
	switch u.Spread {
	case catalog.SpreadNormal:
		in = Certificate(name, v.DB(), u.K)
		source = fmt.Sprintf("bench file, U = %s (k = %g)", v.Text(2), u.K)
	case catalog.SpreadTriangular:
		in = Limits(name, v.DB(), Triangular)
	case catalog.SpreadUShaped:
		in = Limits(name, v.DB(), UShaped)
	case catalog.SpreadReadings:
		// The curve in use is one of the sweeps, so the spread of one reading counts.
		in = Repeated(name, v.DB(), u.Readings, 1)
		source = fmt.Sprintf("spread of %d own sweeps", u.Readings)
	default:
		in = Limits(name, v.DB(), Rectangular)
	}
	if u.Freedom > 0 {
		in = in.WithFreedom(u.Freedom)
	}
	return in, source, true, nil
}

// piece adds what is stated of a piece, or the assumption.
func (w *worker) piece(name, id string, u catalog.Uncertainty, otherwise Input) error {
	in, source, ok, err := stated(name, u, w.f)
	if err != nil {
		return err
	}
	if !ok {
		in, source = otherwise, "assumed: the bench file gives none (common practice)"
		in.Name = name
	}
	w.add(Component{Input: in, Item: id, Source: source, Assumed: !ok})
	return nil
}

func (w *worker) probe() error {
	p := w.bench.Probe
	return w.piece("transfer impedance", p.ID, p.Uncertainty, Certificate("", assumedProbe, 2))
}

func (w *worker) passives() error {
	for _, p := range w.bench.ToAnalyser {
		limit := assumedPad
		if p.Kind == "coax" {
			limit = assumedCoax
		}
		if err := w.piece("loss of "+p.Kind, p.ID, p.Uncertainty, Limits("", limit, Rectangular)); err != nil {
			return err
		}
	}
	return nil
}

func (w *worker) analyser() error {
	a := w.bench.Analyser
	return w.piece("amplitude reading", a.ID, a.Uncertainty, Limits("", assumedAnalyser, Rectangular))
}

// reflection returns |Γ| of a port, or that of an assumed standing-wave ratio.
func (w *worker) reflection(match curve.Curve[rf.Gain], id string, otherwise float64, assumed *[]string) (float64,
	error) {
	if match.Absent() {
		*assumed = append(*assumed, fmt.Sprintf("%s %g:1", id, otherwise))
		return ReflectionOfVSWR(otherwise), nil
	}
	loss, err := match.At(w.f)
	if err != nil {
		return 0, fmt.Errorf("%s, match: %w", id, err)
	}
	return (-loss).AmplitudeRatio(), nil
}

// mismatch adds what the reflections between probe and analyser may do to the reading.
func (w *worker) mismatch() error {
	b := w.bench
	var assumed []string
	source, err := w.reflection(b.Probe.Match, b.Probe.ID, probeVSWR, &assumed)
	if err != nil {
		return err
	}
	load, err := w.reflection(b.Analyser.Match, b.Analyser.ID, analyserVSWR, &assumed)
	if err != nil {
		return err
	}
	product := source * load
	if n := len(b.ToAnalyser); n > 0 {
		loss := rf.Gain(0)
		for _, p := range b.ToAnalyser {
			v, err := p.Loss.At(w.f)
			if err != nil {
				return fmt.Errorf("%s, loss: %w", p.ID, err)
			}
			loss += v
		}
		first, last := b.ToAnalyser[0], b.ToAnalyser[n-1]
		s11, err := w.reflection(first.Match, first.ID, passiveVSWR, &assumed)
		if err != nil {
			return err
		}
		s22, err := s11, error(nil)
		if n > 1 {
			s22, err = w.reflection(last.Match, last.ID, passiveVSWR, &assumed)
		}
		if err != nil {
			return err
		}
		through := (-loss).AmplitudeRatio()
		product = ThroughTwoPort(source, load, s11, s22, through, through)
	}
	convention := w.conditions.Convention
	if convention == "" {
		convention = FixedMagnitudes
	}
	in, err := Mismatch("mismatch from probe to analyser", product, convention)
	if err != nil {
		return err
	}
	c := Component{Input: in, Source: string(convention), Assumed: len(assumed) > 0}
	if c.Assumed {
		c.Source = fmt.Sprintf("%s; assumed VSWR: %s", convention, strings.Join(assumed, ", "))
	}
	w.add(c)
	return nil
}

// window adds the levelling window: the loop stops anywhere in it.
func (w *worker) window() error {
	half := w.conditions.Window.DB() / 2
	if w.conditions.Means == Measured || half <= 0 {
		return nil
	}
	w.add(Component{Input: Limits("levelling window", half, Rectangular),
		Source: fmt.Sprintf("plan: the loop stops within %v above the level", w.conditions.Window)})
	w.note("the levelling window lies above the level: the current is on average %s above what was asked for, never "+
		"on purpose below it; that is no uncertainty and is not corrected", rf.Gain(half).Text(2))
	return nil
}

// replay adds what may change between a calibration and its replay.
func (w *worker) replay() error {
	if w.conditions.Means != Replayed {
		return nil
	}
	b := w.bench
	if err := w.piece("clamp put up anew", b.Clamp.ID, b.Clamp.Uncertainty,
		Limits("", assumedInsertion, Rectangular)); err != nil {
		return err
	}
	w.add(Component{Input: Limits("drift of source and amplifier", assumedGain, Rectangular), Item: b.Source.ID,
		Source: "assumed (common practice); a check point repeated through the run measures it", Assumed: true})
	w.note("the current is the one of the calibration jig: on the cable the same drive gives another current, by " +
		"what the cable's impedance makes of it")
	return nil
}

// position adds where clamp and probe lie on the cable.
func (w *worker) position() error {
	tolerance := w.bench.Cable.PositionTolerance
	assumed := tolerance <= 0
	if assumed {
		tolerance = assumedPosition
	}
	c := Component{Item: w.bench.Cable.ID}
	if w.conditions.Position != nil {
		half, source, err := w.conditions.Position(w.f, tolerance)
		if err != nil {
			return fmt.Errorf("position of clamp and probe: %w", err)
		}
		c.Source, c.Assumed = fmt.Sprintf("%s, ± %v", source, tolerance), assumed
		c.Input = Limits("position of clamp and probe", half.DB(), Rectangular)
		w.add(c)
		return nil
	}
	half, distance := positionEstimate(w.f, w.bench.Cable.ProbeToDUT, tolerance)
	c.Input = Limits("position of clamp and probe", half, Rectangular)
	c.Source = fmt.Sprintf("assumed: a line that ends in a short, probe at %v ± %v; no model of the cable", distance,
		tolerance)
	c.Assumed = true
	w.add(c)
	return nil
}

// positionEstimate is how much the current of a wave that stands on a line with a shorted end changes
// over the tolerance at the probe: I(d) = I(0)·cos βd, so 8.686·β·tan(βd) per metre (physics.md 3.2).
// Beyond a sixth of a wavelength the slope has no bound; that of there is taken.
func positionEstimate(f rf.Frequency, distance, tolerance rf.Length) (half float64, used rf.Length) {
	if distance <= 0 {
		distance = 0.05
	}
	beta := 2 * math.Pi * f.Hz() / 299_792_458
	phase := min(beta*float64(distance), math.Pi/3)
	return 20 / math.Ln10 * beta * math.Tan(phase) * float64(tolerance), distance
}

// repeatability adds the spread of set-ups.
func (w *worker) repeatability() error {
	if w.conditions.Repeated != nil {
		if s, n := w.conditions.Repeated(w.f); n >= 2 && s.Finite() && s >= 0 {
			w.add(Component{Input: Repeated("repeatability of the set-up", s.DB(), n, 1),
				Source: fmt.Sprintf("%d repeated runs, one of them in use", n)})
			return nil
		}
	}
	w.add(Component{Input: Limits("repeatability of the set-up", assumedRepeat, Rectangular), Assumed: true,
		Source: "assumed: no repeated runs are given (common practice); \"provoke study repeat\" measures it"})
	return nil
}

// harmonics adds what a broadband meter reads of them. An analyser reads the carrier alone.
func (w *worker) harmonics() error {
	b := w.bench
	if w.conditions.Means != Replayed || b.PowerMeter == nil {
		w.add(Component{Input: Limits("harmonics in the reading", 0, Rectangular),
			Source: "none: the analyser reads the carrier alone"})
		return nil
	}
	level, assumed := rf.Gain(assumedHarmonics), true
	if b.Amplifier != nil && b.Amplifier.Harmonics < 0 {
		level, assumed = b.Amplifier.Harmonics, false
	}
	source := fmt.Sprintf("strongest harmonic %v, read by a broadband meter in the worst phase", level)
	if assumed {
		source = "assumed: " + source
	}
	w.add(Component{Input: Limits("harmonics in the reading", rf.GainOfAmplitudeRatio(1+level.AmplitudeRatio()).DB(),
		Rectangular),
		Item: b.PowerMeter.ID, Source: source, Assumed: assumed})
	return nil
}
