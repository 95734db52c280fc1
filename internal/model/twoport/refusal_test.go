package twoport_test

import (
	"errors"
	"math"
	"math/cmplx"
	"strings"
	"testing"

	"provoke/internal/files/touchstone"
	. "provoke/internal/model/twoport"
	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

func TestPartsThatCannotBeAreRefusedWithWhatIsWrong(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		part any
		says string
	}{
		{Resistor(-1), "-1 Ω"},
		{Resistor(nan), "NaN"},
		{Inductor{Henry: -1e-6}, "inductance -1.00 µH"},
		{Capacitor{}, "capacitance"},
		{Capacitor{Farad: 1e-9, ESR: -1}, "series resistance (ESR)"},
		{Choke{Henry: 1e-3, Coupling: 1.2}, "coupling 1.2"},
		{Line{Impedance: 0, Length: 1}, "characteristic impedance"},
		{Line{Impedance: 50, Length: -1}, "length of line"},
		{Line{Impedance: 50, Length: 1, Velocity: 1.2}, "velocity 1.2"},
		{Line{Impedance: 50, Length: 1, Loss: Loss{Skin: -0.1}}, "below 0 dB"},
		{Ferrite{Core: Toroid{Outer: 20e-3, Inner: 30e-3, Height: 10e-3}, Material: Fixed(100)},
			"not below its outer diameter"},
		{Ferrite{Core: Toroid{Outer: 20e-3, Inner: 10e-3}, Material: Fixed(100)}, "height of the core"},
		{Ferrite{Core: Toroid{Outer: 20e-3, Inner: 10e-3, Height: 10e-3, Gap: 1}, Material: Fixed(100)}, "gap"},
		{Ferrite{Core: coreA}, "without a material"},
		{Ferrite{Core: coreA, Material: Dispersion{Debye: []Debye{{-1, 1e6}}}}, "Debye term"},
		{Ferrite{Core: coreA, Material: mnZn750()}, "µ′ is not tabulated at 50 MHz"},
		{Clamp{Core: coreA, Material: niZn800(), Primary: -1}, "primary leakage"},
		{Probe{Core: coreA, Material: niZn800(), Load: -50}, "load of the probe"},
		{LISN{}, "inductance of the network"},
		{Series{OpenEnd{}}, "open at 50 MHz"},
		{Shunt{Resistor(0)}, "0 Ω at 50 MHz"},
		{Chain{Series{Resistor(1)}, Series{Resistor(-1)}}, "part 2 of the chain"},
		{SeriesOf{Resistor(1), Resistor(-1)}, "part 2 in series"},
	} {
		var err error
		switch p := c.part.(type) {
		case OnePort:
			_, err = ImpedanceAt(p, 50e6)
		case TwoPort:
			_, err = MatrixAt(p, 50e6)
		}
		if err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%T%+v: %v, want it to say %q", c.part, c.part, err, c.says)
		}
	}
}

func TestAWireInThePlaneIsRefused(t *testing.T) {
	for _, c := range []struct {
		o    OverPlane
		says string
	}{
		{OverPlane{Radius: 2e-3, Height: 1e-3}, "would stand in the plane"},
		{OverPlane{Radius: 2e-3, Height: -50e-3}, "height of the cable"},
		{OverPlane{Height: 50e-3}, "radius of the wire"},
		{OverPlane{Radius: 1e-3, Wires: 4, Height: 50e-3}, "radius of the circle"},
		{OverPlane{Radius: 1e-3, Wires: 4, Circle: 1e-3, Height: 50e-3}, "do not fit"},
		{OverPlane{Radius: 1e-3, Wires: 4, Circle: 10e-3, Height: 5e-3}, "would stand in the plane"},
		{OverPlane{Radius: 1e-3, Height: 5e-3, Velocity: 1.5}, "velocity 1.5"},
	} {
		if _, err := c.o.Impedance(); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%+v: %v, want it to say %q", c.o, err, c.says)
		}
	}
}

func TestWhatIsNotTabulatedIsNotZero(t *testing.T) {
	table := mnZn750()
	_, err := ImpedanceAt(Ferrite{Core: coreA, Material: table}, 31.62e6)
	if !errors.Is(err, ErrMissing) {
		t.Errorf("µ′ beyond its last row: %v", err)
	}
	if low, high := table.Band(); low != 0.1e6 || high != 15.85e6 || table.Incomplete() != 4 {
		t.Errorf("the whole permeability is said to be known from %v to %v, %d rows incomplete",
			low, high, table.Incomplete())
	}
	one := 1.0
	for _, c := range []struct {
		rows []Row
		says string
	}{
		{[]Row{RowOf(1e6, 100, 1)}, "at least two rows"},
		{[]Row{RowOf(1e6, 100, 1), {At: 2e6, Real: &one}}, "two with µ″"},
		{[]Row{RowOf(1e6, 100, 1), RowOf(1e6, 90, 2)}, "row 2"},
		{[]Row{RowOf(1e6, 100, 1), RowOf(2e6, 90, -2)}, "only loses"},
		{[]Row{RowOf(1e6, math.NaN(), 1), RowOf(2e6, 90, 2)}, "NaN"},
	} {
		if _, err := NewTable("x", c.rows); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%v, want it to say %q", err, c.says)
		}
	}
}

// A row that lacks one component between rows that have it is passed over, and log–log means that
// the geometric mean stands at the geometric mean of the frequencies.
func TestATableInterpolatesInTheLogarithms(t *testing.T) {
	fifty := 50.0
	table, err := NewTable("x", []Row{RowOf(1e6, 100, 1), {At: 2e6, Real: &fifty}, RowOf(4e6, 25, 16)})
	if err != nil {
		t.Fatal(err)
	}
	mu := make([]complex128, 2)
	if err := table.Fill(grid(t, 2e6, rf.Frequency(math.Sqrt(8)*1e6)), mu); err != nil {
		t.Fatal(err)
	}
	near(t, "µ″ at the mean", -imag(mu[0]), 4, 1e-12)
	near(t, "µ′ there", real(mu[1]), math.Sqrt(50*25), 1e-12)
}

func TestMeasuredPartsAreLookedAt(t *testing.T) {
	network := func(s11, s21 complex128) *touchstone.Network {
		n, err := touchstone.New("part.s2p", []float64{50, 50}, []float64{1e6, 10e6},
			[]complex128{s11, s21, s21, s11, s11, s21, s21, s11})
		if err != nil {
			t.Fatal(err)
		}
		return n
	}
	if _, _, err := MeasureTwoPort(network(0.9, 0.9), 1, 2); err == nil ||
		!strings.Contains(err.Error(), "make energy") {
		t.Errorf("an active filter is taken: %v", err)
	}
	p, remark, err := MeasureTwoPort(network(0, 1.005), 1, 2)
	if err != nil || !strings.Contains(remark, "provoke goes on") {
		t.Errorf("noise of 0.04 dB: %q, %v", remark, err)
	}
	if _, remark, err = MeasureTwoPort(network(0.3, 0.6), 1, 2); remark != "" || err != nil {
		t.Errorf("a filter: %q, %v", remark, err)
	}
	var out *curve.OutsideError
	if _, err := MatrixAt(p, 20e6); !errors.As(err, &out) {
		t.Errorf("beyond the file's last frequency: %v", err)
	}
	one, _, err := MeasureOnePort(network(0.5, 0.1), 1)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "impedance of S11 = 0.5", cmplx.Abs(impedance(t, one, 5e6)), 150, 1e-12) // row Y06
	if _, err := ImpedanceAt(one, 0.5e6); !errors.As(err, &out) {
		t.Errorf("below the file's first frequency: %v", err)
	}
	if _, _, err := MeasureTwoPort(network(0.5, 0.1), 1, 3); err == nil {
		t.Error("a third port of a two-port is taken")
	}
}

// A measured part gives what the part it was measured of gives.
func TestAMeasuredFilterIsTheFilter(t *testing.T) {
	filter := Chain{Series{Inductor{Henry: 10e-6, Ohm: 1}}, Shunt{Capacitor{Farad: 1e-9, ESR: 0.1}}}
	g := grid(t, 1e6, 2e6, 5e6)
	m, err := MatricesOf(filter, g)
	if err != nil {
		t.Fatal(err)
	}
	var s []complex128
	for _, x := range m {
		a, err := x.S(References{50, 75})
		if err != nil {
			t.Fatal(err)
		}
		s = append(s, a[0][0], a[0][1], a[1][0], a[1][1])
	}
	n, err := touchstone.New("filter.s2p", []float64{50, 75}, []float64{1e6, 2e6, 5e6}, s)
	if err != nil {
		t.Fatal(err)
	}
	p, _, err := MeasureTwoPort(n, 1, 2)
	if err != nil {
		t.Fatal(err)
	}
	again, err := MatricesOf(p, g)
	if err != nil {
		t.Fatal(err)
	}
	for i := range m {
		near(t, "B", cmplx.Abs(again[i].B), cmplx.Abs(m[i].B), 1e-9)
		near(t, "C", cmplx.Abs(again[i].C), cmplx.Abs(m[i].C), 1e-9)
	}
	turned, err := MatricesOf(MeasuredTwoPort{n, 2, 1}, g)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "A of the filter turned round", cmplx.Abs(turned[0].A), cmplx.Abs(m[0].D), 1e-9)
}

func TestALoopWithoutLossThatResonatesHasNoFiniteCurrent(t *testing.T) {
	// 1 H and 1 F scaled to resonate at 1/2π Hz exactly do so in floating point: X = ωL − 1/ωC = 0.
	f := rf.Frequency(1 / (2 * math.Pi))
	p := Path{DUT: Capacitor{Farad: 1, ESL: 1}, AE: Resistor(0), Clamp: Generator{Resistor(0)}}
	var s Solution
	if err := p.Solve(grid(t, f), &s); err == nil || !strings.Contains(err.Error(), "no finite current") {
		t.Errorf("%v, %v", err, s.DUT)
	}
}

func TestAnOpenEndCarriesNoCurrentAndTheCableStillDoes(t *testing.T) {
	line := z0B(t)
	line.Length = 0.5
	p := Path{DUT: OpenEnd{}, ToDUT: []TwoPort{line}, AE: Resistor(150), Clamp: Generator{Resistor(50)}}
	var s Solution
	if err := p.Solve(grid(t, 30e6), &s); err != nil {
		t.Fatal(err)
	}
	// An open line has the impedance −jZ0·cot(βl).
	bl := 2 * math.Pi * 30e6 * 0.5 / SpeedOfLight
	want := 1 / (200 + complex(0, -float64(line.Impedance)/math.Tan(bl)))
	if s.DUT[0] != 0 || cmplx.Abs(s.Clamp[0]-want) > 1e-12 {
		t.Errorf("DUT %v, clamp %v, want %v", s.DUT[0], s.Clamp[0], want)
	}
}

func TestGridsRefuseWhatIsNoGrid(t *testing.T) {
	for _, f := range [][]rf.Frequency{nil, {0}, {-1}, {2e6, 1e6}, {1e6, 1e6}, {rf.Frequency(math.NaN())},
		{rf.Frequency(math.Inf(1))}} {
		if _, err := NewGrid(f); err == nil {
			t.Errorf("%v is taken as a grid", f)
		}
	}
	g, err := Logarithmic(1e6, 100e6, 3)
	if err != nil || math.Abs(g.Hz(1)-10e6) > 1e-6 {
		t.Error(g.Frequencies(), err)
	}
	sampled, err := OnGrid(g, Resistor(50))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := ImpedanceAt(sampled, 10e6); err == nil {
		t.Error("a part that was computed for one grid answers for another")
	}
}

// Solving in blocks, at odd sizes, gives what each frequency gives alone.
func TestAGridIsSolvedAsItsFrequenciesAre(t *testing.T) {
	g, err := Logarithmic(150e3, 150e6, 777)
	if err != nil {
		t.Fatal(err)
	}
	p := cableB(t, clampA(2))
	z, err := OnGrid(g, SeriesOf{Resistor(0.3), Inductor{Henry: 10e-9}})
	if err != nil {
		t.Fatal(err)
	}
	var s, one Solution
	p.ToDUT[1] = Series{z}
	if err := p.Solve(g, &s); err != nil {
		t.Fatal(err)
	}
	p.ToDUT[1] = Series{SeriesOf{Resistor(0.3), Inductor{Henry: 10e-9}}}
	for _, i := range []int{0, 255, 256, 511, 600, 776} {
		if err := p.Solve(grid(t, g.Frequency(i)), &one); err != nil {
			t.Fatal(err)
		}
		if one.DUT[0] != s.DUT[i] || one.Taps[0][0] != s.Taps[0][i] || one.NearZ[0] != s.NearZ[i] {
			t.Errorf("frequency %d: %v alone, %v in the grid", i, one.DUT[0], s.DUT[i])
		}
	}
}
