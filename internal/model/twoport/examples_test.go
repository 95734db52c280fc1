package twoport_test

import (
	"math"
	"math/cmplx"
	"testing"

	. "provoke/internal/model/twoport"
	"provoke/internal/units/rf"
)

// coreA is the core of worked example A (physics notes 1.4): 63 × 38 × 25 mm.
var coreA = Toroid{Outer: 63e-3, Inner: 38e-3, Height: 25e-3}

// niZn800 is the published datasheet table of a NiZn ferrite of initial permeability 800 as the
// physics notes, section 10, excerpt it; 31.62 MHz stands at 31.6228 MHz there for the worked example.
func niZn800() *Table {
	t, err := NewTable("NiZn 800", []Row{
		RowOf(0.1e6, 792, 2), RowOf(0.5012e6, 797, 14), RowOf(1e6, 826, 31), RowOf(1.995e6, 918, 210), RowOf(5.012e6,
			500, 439),
		RowOf(10e6, 268, 336), RowOf(15.85e6, 182, 261), RowOf(31.6228e6, 103, 180), RowOf(50.45e6, 63, 138),
		RowOf(100e6, 25, 87), RowOf(199.5e6, 6, 50),
	})
	if err != nil {
		panic(err)
	}
	return t
}

func clampA(turns int) Clamp {
	return Clamp{Core: coreA, Material: niZn800(), Turns: turns, Farad: 6e-12, Primary: 40e-9, Secondary: 25e-9}
}

func near(t *testing.T, what string, got, want, relative float64) {
	t.Helper()
	if !(math.Abs(got-want) <= relative*math.Abs(want)) {
		t.Errorf("%s is %.10g, want %.10g", what, got, want)
	}
}

func within(t *testing.T, what string, got, want, absolute float64) {
	t.Helper()
	if !(math.Abs(got-want) <= absolute) {
		t.Errorf("%s is %.10g, want %.10g ± %g", what, got, want, absolute)
	}
}

func grid(t testing.TB, f ...rf.Frequency) Grid {
	t.Helper()
	g, err := NewGrid(f)
	if err != nil {
		t.Fatal(err)
	}
	return g
}

// Rows C11_*, C12_* of the check values: worked example A.
func TestTheWorkedClampHasTheInsertionLossOfTheNodalSolve(t *testing.T) {
	cases := []struct {
		turns            int
		f                rf.Frequency
		loss, mA, series float64
	}{
		{1, 1e6, 12.35891878, 34.08545212, 12.72325932},
		{1, 10e6, 6.573172535, 66.35235951, 30.87785364},
		{1, 31.6228e6, 5.808599791, 72.45777742, 35.96184306},
		{1, 100e6, 5.609893278, 74.13449507, 44.93785145},
		{2, 1e6, 9.559676161, 47.04691923, 8.981583019},
		{2, 10e6, 8.141827674, 55.38901144, 11.16075767},
		{2, 31.6228e6, 7.882407518, 57.06825878, 12.94992683},
		{2, 100e6, 7.952338718, 56.61063964, 22.31213241},
	}
	for _, c := range cases {
		g := grid(t, c.f)
		var loss [1]rf.Gain
		if err := clampA(c.turns).JigInsertionLoss(g, loss[:]); err != nil {
			t.Fatal(err)
		}
		within(t, "insertion loss", loss[0].DB(), c.loss, 0.001)
		var emf, z [1]complex128
		if err := clampA(c.turns).Inject(g, emf[:], z[:]); err != nil {
			t.Fatal(err)
		}
		near(t, "|Zc|", cmplx.Abs(z[0]), c.series, 1e-4)
		near(t, "jig current at 1 W", 1e3*SourceEMF(rf.Watts(1), 50)*cmplx.Abs(emf[0]/(z[0]+100)), c.mA, 1e-4)
	}
}

func z0B(t testing.TB) Line {
	z, err := OverPlane{Radius: 2e-3, Height: 50e-3}.Impedance()
	if err != nil {
		t.Fatal(err)
	}
	return Line{Impedance: z}
}

// cableB is the cable of worked example B with a clamp on it.
func cableB(t testing.TB, clamp Injector) *Path {
	line := func(l rf.Length) Line { x := z0B(t); x.Length = l; return x }
	return &Path{
		DUT:   SeriesOf{Resistor(10), Capacitor{Farad: 150e-12}},
		ToDUT: []TwoPort{line(0.05), Series{Resistor(0.5)}, line(0.25)},
		AE:    Resistor(150), ToAE: []TwoPort{line(0.70)},
		Clamp: clamp, Taps: []int{2},
	}
}

// Rows L1_*: confirmed by a march through 2000 sections of L and C.
func TestCurrentsOfTheWorkedCable(t *testing.T) {
	g := grid(t, 1e6, 10e6, 100e6)
	var s Solution
	if err := cableB(t, Generator{Resistor(50)}).Solve(g, &s); err != nil {
		t.Fatal(err)
	}
	want := [][4]float64{
		{0.9528910645, 0.9265539525, 0.9309460382, 0.9529516676},
		{4.490409482, 4.374682842, 4.395182134, 4.519034565},
		{2.145569864, 2.567169152, 2.565260159, 3.32906999},
	}
	for i, w := range want {
		for k, got := range []complex128{s.Clamp[i], s.DUT[i], s.Taps[0][i], s.AE[i]} {
			near(t, []string{"clamp", "DUT", "monitor", "AE"}[k]+" current in mA at "+g.Frequency(i).String(),
				1e3*cmplx.Abs(got), w[k], 1e-4)
		}
	}
}

// Rows L2_*: clamp A on cable B with 1 W forward, confirmed with ngspice; L4_*: against the jig.
func TestOneWattIntoTheWorkedClampOnTheWorkedCable(t *testing.T) {
	g := grid(t, 1e6, 10e6, 100e6)
	var s Solution
	if err := cableB(t, clampA(1)).Solve(g, &s); err != nil {
		t.Fatal(err)
	}
	var loss [3]rf.Gain
	if err := clampA(1).JigInsertionLoss(g, loss[:]); err != nil {
		t.Fatal(err)
	}
	for i, want := range []float64{3.360015353, 41.94172622, 26.41139708} {
		got := SourceEMF(rf.Watts(1), 50) * cmplx.Abs(s.DUT[i])
		near(t, "DUT current in mA", 1e3*got, want, 1e-4)
		jig := math.Sqrt(1.0/50) / loss[i].AmplitudeRatio()
		within(t, "DUT over jig current", 20*math.Log10(got/jig),
			[]float64{-20.12455594, -3.984201403, -8.964579185}[i], 1e-3)
	}
}

func benchmarkCable(b testing.TB) (*Path, Grid) {
	line := func(l rf.Length) Line { x := z0B(b); x.Length, x.Loss.Skin = l, 0.3; return x }
	p := &Path{
		DUT: SeriesOf{Resistor(10), Capacitor{Farad: 150e-12}}, AE: Resistor(150),
		Clamp: clampA(1),
	}
	for range 5 {
		p.ToDUT = append(p.ToDUT, line(0.05), Series{Inductor{Henry: 20e-9, Ohm: 0.1}},
			Shunt{Capacitor{Farad: 10e-12, ESL: 5e-9, ESR: 0.05}})
	}
	p.ToDUT = append(p.ToDUT, Series{Probe{Core: coreA, Material: niZn800(), Turns: 10, Farad: 8e-12}}, line(0.05))
	p.ToAE = []TwoPort{line(0.5), Series{Ferrite{Core: coreA, Material: niZn800(), Turns: 3, Farad: 2e-12}},
		line(0.2), Shunt{Capacitor{Farad: 100e-12, ESL: 5e-9, ESR: 1}}, line(0.1)}
	p.Taps = []int{15}
	g, err := Logarithmic(150e3, 150e6, 10000)
	if err != nil {
		b.Fatal(err)
	}
	return p, g
}

func BenchmarkCableWithTwentyParts(b *testing.B) {
	p, g := benchmarkCable(b)
	var s Solution
	b.ReportAllocs()
	for b.Loop() {
		if err := p.Solve(g, &s); err != nil {
			b.Fatal(err)
		}
	}
}
