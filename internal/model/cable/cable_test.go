package cable_test

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	. "provoke/internal/model/cable"
	"provoke/internal/model/twoport"
	"provoke/internal/units/rf"
)

func within(t testing.TB, what string, got, want, absolute float64) {
	t.Helper()
	if !(math.Abs(got-want) <= absolute) {
		t.Errorf("%s is %.8g, want %.8g ± %g", what, got, want, absolute)
	}
}

func frequencies(t testing.TB, f ...rf.Frequency) twoport.Grid {
	t.Helper()
	g, err := twoport.NewGrid(f)
	if err != nil {
		t.Fatal(err)
	}
	return g
}

// plain writes a cable file of a bare wire of 235 Ω with a clamp of 50 Ω in the wire whose e.m.f. is
// that of the jig, and any ends.
func plain(dut, ae, rest string) string {
	return fmt.Sprintf(`provoke: cable 1
name: plain
band: 1 MHz to 400 MHz
points: 4001
line: {wire_radius: 2 mm, height: 50 mm}
layout: {clamp_to_dut: 0.3 m, probe_to_dut: 50 mm, clamp_to_ae: 0.7 m}
clamp:
  insertion_loss: {points: {1 MHz: 6 dB, 400 MHz: 6 dB}}
  series_impedance: {resistor: 50 Ω}
probe: {insertion_impedance: {resistor: 0.5 Ω}}
dut: %s
ae: %s
%s`, dut, ae, rest)
}

func parse(t testing.TB, text string) *Cable {
	t.Helper()
	c, list := Parse("cable.yaml", []byte(text), beside)
	if c == nil {
		t.Fatalf("%v\n%s", list.Err(), text)
	}
	return c
}

// Rows L1_*: worked example B of the physics notes; its currents are per volt of e.m.f. in the cable.
func TestTheFileOfTheWorkedCableGivesItsCurrents(t *testing.T) {
	c := parse(t, plain("{series: [{resistor: 10 Ω}, {capacitor: 150 pF}]}", "{resistor: 150 Ω}", ""))
	r, err := c.Compute(frequencies(t, 1e6, 10e6, 100e6))
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range [][3]float64{{0.9528910645, 0.9265539525, 0.9309460382},
		{4.490409482, 4.374682842, 4.395182134}, {2.145569864, 2.567169152, 2.565260159}} {
		// In the jig of 100 Ω and with 50 Ω of the clamp's own, an e.m.f. of 1 V drives 1/150 A.
		emf := r.Jig[i] * 150
		for k, got := range []complex128{r.Clamp[i], r.DUT[i], r.Probe[i]} {
			within(t, fmt.Sprintf("%s current at %v in mA/V", []string{"clamp", "DUT", "probe"}[k],
				r.Grid.Frequency(i)), 1e3*cmplx.Abs(got)/emf, want[k], 1e-4*want[k])
		}
		within(t, "jig current in A at 1 W and 6 dB", r.Jig[i], math.Sqrt(1.0/50)*math.Pow(10, -6.0/20), 1e-9)
	}
	d, _ := r.Correction(0)
	within(t, "correction at 1 MHz", d.DB(), -0.04107590046, 1e-3) // row L1_1_d
	d, _ = r.Correction(2)
	within(t, "correction at 100 MHz", d.DB(), 0.00646138637, 1e-3) // row L1_100_d
}

// A bare wire with both ends shorted resonates at half waves of its whole length, with one end open
// at odd quarter waves (c/2L and c/4L; row L05 for 1 m). The clamp's 50 Ω are small against 235 Ω and
// lie off a current node for these multiples.
func TestResonancesAreNamedWithTheirCause(t *testing.T) {
	for _, c := range []struct {
		dut, ae string
		mhz     float64
		says    string
	}{
		{"{resistor: 1 Ω}", "{resistor: 1 Ω}", 149.896229, "one half wave of the whole cable"},
		{"{resistor: 1 Ω}", "{resistor: 100 kΩ}", 74.9481145, "one quarter wave of the whole cable"},
		{"{resistor: 1 Ω}", "{resistor: 100 kΩ}", 3 * 74.9481145, "3 quarter waves of the whole cable"},
		{"{resistor: 1 Ω}", "{resistor: 1 Ω}", 299.792458, "2 half waves of the whole cable"},
	} {
		x := parse(t, plain(c.dut, c.ae, ""))
		g, err := x.Grid()
		if err != nil {
			t.Fatal(err)
		}
		r, err := x.Compute(g)
		if err != nil {
			t.Fatal(err)
		}
		found := false
		for _, z := range x.Resonances(r) {
			if z.Peak && math.Abs(z.At.Hz()/1e6/c.mhz-1) < 0.01 {
				found = true
				if !strings.Contains(z.Cause, c.says) {
					t.Errorf("at %v: %q, want it to say %q", z.At, z.Cause, c.says)
				}
			}
		}
		if !found {
			t.Errorf("no maximum near %v MHz with ends %s and %s: %+v", c.mhz, c.dut, c.ae, x.Resonances(r))
		}
	}
}

// The whole waves of the metre with both ends low, the strongest first; the minima between them are none.
func TestPeaksAreTheMaximaTheStrongestFirst(t *testing.T) {
	text := plain("{resistor: 1 Ω}", "{resistor: 1 Ω}", "")
	x := parse(t, text)
	peaks, err := PeaksOf("cable.yaml", []byte(text), beside)
	if err != nil || len(peaks) < 2 {
		t.Fatalf("%v, %v", peaks, err)
	}
	g := frequencies(t, slices.Sorted(slices.Values(peaks))...)
	r, err := x.Compute(g)
	if err != nil {
		t.Fatal(err)
	}
	over := map[rf.Frequency]rf.Gain{}
	for i := range g.Len() {
		over[g.Frequency(i)] = r.OverJig(i)
	}
	for i, f := range peaks {
		if waves := f.Hz() / 149.896229e6; math.Abs(waves-math.Round(waves)) > 0.02 {
			t.Errorf("%v is no half wave of the cable", f)
		}
		if i > 0 && over[f] > over[peaks[i-1]]+0.01 {
			t.Errorf("%v at %v comes after %v at %v", over[f], f, over[peaks[i-1]], peaks[i-1])
		}
	}
}

func TestPeaksOfAFileThatIsNoneAreRefused(t *testing.T) {
	if _, err := PeaksOf("cable.yaml", []byte("provoke: cable 1\nname: x\n"), beside); err == nil {
		t.Error("peaks of nothing")
	}
}

func TestALowCurrentIsNamedWithItsCause(t *testing.T) {
	// From the clamp 0.7 m of line to a short are a quarter wave at c/(4·0.7 m) = 107.07 MHz: open.
	x := parse(t, plain("{resistor: 150 Ω}", "{resistor: 1 Ω}", ""))
	g, _ := x.Grid()
	r, err := x.Compute(g)
	if err != nil {
		t.Fatal(err)
	}
	for _, z := range x.Resonances(r) {
		if !z.Peak && math.Abs(z.At.Hz()/107.07e6-1) < 0.02 {
			if !strings.Contains(z.Cause, "one quarter wave turn a low end into a high one") {
				t.Errorf("%q", z.Cause)
			}
			return
		}
	}
	t.Errorf("no minimum near 107 MHz: %+v", x.Resonances(r))
}

// Along a line with a short the current is |cos βx| of that at the short.
func TestTheCurrentAlongTheCableIsAStandingWave(t *testing.T) {
	x := parse(t, strings.Replace(plain("{resistor: 0 Ω}", "{resistor: 150 Ω}", ""),
		"probe: {insertion_impedance: {resistor: 0.5 Ω}}\n", "", 1))
	const f = 150e6
	p, err := x.Profile(f, 41)
	if err != nil {
		t.Fatal(err)
	}
	at := cmplx.Abs(p[0].Current)
	for _, a := range p {
		if a.At > 0.3 {
			break
		}
		within(t, fmt.Sprintf("current %v from the short", a.At), cmplx.Abs(a.Current)/at,
			math.Abs(math.Cos(2*math.Pi*f*float64(a.At)/twoport.SpeedOfLight)), 1e-9)
	}
	last := p[len(p)-1]
	r, err := x.Compute(frequencies(t, f))
	if err != nil {
		t.Fatal(err)
	}
	if last.At != x.Length() || cmplx.Abs(last.Current-r.AE[0]) > 1e-12 {
		t.Errorf("at the end %v flows %v, into the AE %v", last.At, last.Current, r.AE[0])
	}
	if _, err := x.Profile(f, 1); err == nil {
		t.Error("a profile of one place")
	}
}

// Row L33: 20 pF at the DUT, the probe 100 mm away, 30 MHz: the probe reads 0.580 dB high; further
// away it reads higher.
func TestTheCorrectionDependsOnWhereTheProbeIs(t *testing.T) {
	text := plain("{capacitor: 20 pF}", "{resistor: 150 Ω}", "")
	text = strings.Replace(text, "probe_to_dut: 50 mm", "probe_to_dut: 100 mm, position_tolerance: 10 mm", 1)
	x := parse(t, text)
	g := frequencies(t, 30e6)
	s, err := x.Sensitivity(g)
	if err != nil {
		t.Fatal(err)
	}
	r, err := x.Compute(g)
	if err != nil {
		t.Fatal(err)
	}
	d, ok := r.Correction(0)
	if !ok {
		t.Fatal("no correction")
	}
	within(t, "correction", d.DB(), -0.580276778, 1e-3)
	// |cos βd + sin βd/(ωCZ0)| at 90 and 110 mm, with Z0 of row L01.
	ratio := func(m float64) float64 {
		bd := 2 * math.Pi * 30e6 * m / twoport.SpeedOfLight
		return -20 * math.Log10(math.Cos(bd)+math.Sin(bd)/(2*math.Pi*30e6*20e-12*234.5350007))
	}
	within(t, "correction with the probe 10 mm nearer", s[0].High.DB(), ratio(0.09), 1e-3)
	within(t, "correction with the probe 10 mm further away", s[0].Low.DB(), ratio(0.11), 1e-3)
	within(t, "slope per centimetre", s[0].PerCentimetre.DB(), (ratio(0.11)-ratio(0.09))/2, 1e-3)
}

func TestNoCurrentReachesAnOpenConnector(t *testing.T) {
	x := parse(t, plain("{open: true}", "{resistor: 150 Ω}", ""))
	r, err := x.Compute(frequencies(t, 30e6))
	if err != nil {
		t.Fatal(err)
	}
	if _, ok := r.Correction(0); ok || r.DUT[0] != 0 || r.OverJig(0).Finite() {
		t.Errorf("%v at an open connector, %v over the jig", r.DUT[0], r.OverJig(0))
	}
	s, err := x.Sensitivity(frequencies(t, 30e6))
	if err != nil || !math.IsInf(s[0].High.DB(), 1) {
		t.Error(s, err)
	}
}

// What a part does must not depend on the side of the clamp from which the file looks at it: a cable
// described from its other end carries the same current through the clamp.
func TestACableSeenFromItsOtherEndIsTheSame(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := rapid.Float64Range(0.1, 2).Draw(t, "to DUT")
		b := rapid.Float64Range(0.1, 2).Draw(t, "to AE")
		at := rapid.Float64Range(0, a+b).Draw(t, "part")
		f := rf.Frequency(rapid.Float64Range(1e6, 400e6).Draw(t, "hertz"))
		if math.Abs(at-a) < 1e-9 {
			t.Skip("a part at the clamp itself stands on the side of the file's DUT, whichever end that is")
		}
		make := func(a, b, at float64, dut, ae twoport.OnePort) *Cable {
			return &Cable{Name: "x", Forward: rf.Watts(1),
				Line: twoport.Line{Impedance: 235, Loss: twoport.Loss{Skin: 0.3}}, ClampToDUT: rf.Length(a),
				ClampToAE: rf.Length(b),
				Clamp:     generator{twoport.Resistor(20)}, DUT: dut, AE: ae,
				Parts: []Part{{"capacitor", rf.Length(at), twoport.Shunt{Z: twoport.Capacitor{Farad: 10e-12, ESR: 1}}}}}
		}
		end := twoport.SeriesOf{twoport.Resistor(10), twoport.Capacitor{Farad: 150e-12}}
		g, err := twoport.NewGrid([]rf.Frequency{f})
		if err != nil {
			t.Fatal(err)
		}
		x, err := make(a, b, at, end, twoport.Resistor(150)).Compute(g)
		if err != nil {
			t.Fatal(err)
		}
		y, err := make(b, a, a+b-at, twoport.Resistor(150), end).Compute(g)
		if err != nil {
			t.Fatal(err)
		}
		if cmplx.Abs(x.Clamp[0]-y.Clamp[0]) > 1e-9*cmplx.Abs(x.Clamp[0]) ||
			math.Abs(cmplx.Abs(x.DUT[0])-cmplx.Abs(y.AE[0])) > 1e-9*cmplx.Abs(x.DUT[0]) {
			t.Fatalf("clamp %v and %v, end %v and %v", x.Clamp[0], y.Clamp[0], x.DUT[0], y.AE[0])
		}
	})
}

func TestAnEstimateNeedsReadingsAndAStart(t *testing.T) {
	x := parse(t, plain("{resistor: 40 Ω}", "{resistor: 150 Ω}", ""))
	reading := func(f rf.Frequency) Reading { return Reading{f, rf.Amperes(0.01), rf.Watts(1)} }
	if _, err := x.Estimate([]Reading{reading(2e6), reading(3e6)}, nil, 0.95); err == nil ||
		!strings.Contains(err.Error(), "not enough") {
		t.Errorf("two readings: %v", err)
	}
	if _, err := x.Estimate(nil, []Quantity{DUTCapacitance}, 0.95); err == nil || !strings.Contains(err.Error(),
		"has no capacitor to set out from") {
		t.Errorf("no capacitor in the file: %v", err)
	}
	if _, err := x.Estimate(nil, []Quantity{"lenght"}, 0.95); err == nil ||
		!strings.Contains(err.Error(), "no quantity") {
		t.Errorf("an unknown quantity: %v", err)
	}
	if _, err := x.Estimate(nil, nil, 1.2); err == nil {
		t.Error("a confidence of 120 %")
	}
}

func TestBoundsAndForeignFrequenciesAreLeftOut(t *testing.T) {
	x := parse(t, plain("{resistor: 40 Ω}", "{resistor: 150 Ω}", ""))
	g, err := twoport.Logarithmic(2e6, 300e6, 40)
	if err != nil {
		t.Fatal(err)
	}
	r, err := x.Compute(g)
	if err != nil {
		t.Fatal(err)
	}
	readings := []Reading{
		{5e6, rf.Amperes(1).WithBound(rf.AtMost), rf.Watts(1)}, {6e6, rf.Current{}, rf.Watts(1)}, {7e6, rf.Amperes(1),
			rf.Power{}}, {500e6, rf.Amperes(1), rf.Watts(1)},
	}
	for i := range g.Len() {
		// Half the power twice at each frequency: the ratio is what counts.
		half := rf.Amperes(cmplx.Abs(r.Probe[i]) / math.Sqrt2)
		readings = append(readings, Reading{g.Frequency(i), half, rf.Watts(0.5)},
			Reading{g.Frequency(i), half, rf.Watts(0.5)})
	}
	e, err := x.Estimate(readings, []Quantity{LengthToAE, AEResistance}, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	if e.Used != 40 || e.Left != 4 || e.RMS > 1e-6 {
		t.Errorf("%+v", e)
	}
	within(t, "length", e.Quantities[0].Value, 0.7, 1e-6)
	within(t, "AE resistance", e.Quantities[1].Value, 150, 1e-3)
}

func BenchmarkSample(b *testing.B) {
	c, list := sample(b)
	if c == nil {
		b.Fatal(list.Err())
	}
	g, err := twoport.Logarithmic(c.Low, c.High, 10000)
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if _, err := c.Compute(g); err != nil {
			b.Fatal(err)
		}
	}
}

// generator is an e.m.f. of 1 V per volt and an impedance in series with the cable.
type generator struct{ z twoport.OnePort }

func (s generator) Inject(g twoport.Grid, emf, series []complex128) error {
	for i := range emf {
		emf[i] = 1
	}
	return s.z.Impedance(g, series)
}
