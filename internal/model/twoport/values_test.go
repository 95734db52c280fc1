package twoport_test

import (
	"math"
	"math/cmplx"
	"testing"

	. "provoke/internal/model/twoport"
	"provoke/internal/units/rf"
)

func impedance(t testing.TB, p OnePort, f rf.Frequency) complex128 {
	t.Helper()
	z, err := ImpedanceAt(p, f)
	if err != nil {
		t.Fatal(err)
	}
	return z
}

// Rows C01 to C04.
func TestTheWorkedCoreHasItsGeometry(t *testing.T) {
	near(t, "L0 in nH", coreA.AirInductance()*1e9, 2.527742833, 1e-4)
	near(t, "le in mm", coreA.PathLength()*1e3, 152.088681, 1e-4)
	near(t, "Ae in mm²", coreA.Area()*1e6, 305.9284858, 1e-4)
	near(t, "µ0·Ae/le over L0", 4e-7*math.Pi*coreA.Area()/coreA.PathLength()/coreA.AirInductance(), 1, 1e-7)
	five := coreA
	five.Count = 5
	near(t, "L0 of five", five.AirInductance(), 5*coreA.AirInductance(), 1e-12)
	near(t, "le of five", five.PathLength(), coreA.PathLength(), 1e-12)
}

// Rows C11_*_Rz and _Xz.
func TestOneTurnThroughTheWorkedCore(t *testing.T) {
	for _, c := range []struct {
		f    rf.Frequency
		r, x float64
	}{{1e6, 0.4923505756, 13.1187605}, {10e6, 53.36444948, 42.56450137}, {31.6228e6, 90.4035103, 51.73089756},
		{100e6, 138.1758067, 39.70569158}} {
		z := impedance(t, Ferrite{Core: coreA, Material: niZn800()}, c.f)
		near(t, "R at "+c.f.String(), real(z), c.r, 1e-4)
		near(t, "X at "+c.f.String(), imag(z), c.x, 1e-4)
	}
}

// Physics notes 1.1: a gap of 20 µm on le = 150 mm limits µ to 7500 and takes 800 to about 723.
func TestAGapLimitsThePermeability(t *testing.T) {
	// le = 2π·ln(r2/r1)/(1/r1 − 1/r2) of 150 mm: scale the worked core, whose le is 152.088681 mm.
	k := rf.Length(150 / 152.088681)
	core := Toroid{Outer: 63e-3 * k, Inner: 38e-3 * k, Height: 25e-3, Gap: 20e-6}
	near(t, "µ behind the gap", real(core.Gapped(800)), 723, 1e-3)
	near(t, "the limit", real(core.Gapped(1e12)), 7500, 1e-4)
}

// Rows C20 to C22: 20·log10((100 + 50/N²)·N/100).
func TestAnIdealClampHasTheInsertionLossOfItsTurns(t *testing.T) {
	huge := Fixed(1e15)
	for n, want := range map[int]float64{1: 3.521825181, 2: 7.043650362, 5: 14.15140352} {
		var loss [1]rf.Gain
		if err := (Clamp{Core: coreA, Material: huge, Turns: n}).JigInsertionLoss(grid(t, 1e6), loss[:]); err != nil {
			t.Fatal(err)
		}
		within(t, "insertion loss", loss[0].DB(), want, 1e-4)
	}
}

// Rows P01 to P07.
func TestAProbeOfTenTurns(t *testing.T) {
	transfer := func(p Probe, f rf.Frequency) float64 {
		var z [1]complex128
		if err := p.Transfer(grid(t, f), z[:]); err != nil {
			t.Fatal(err)
		}
		return cmplx.Abs(z[0])
	}
	flat := Probe{Core: coreA, Material: Fixed(1e12), Turns: 10}
	within(t, "Zt flat in dBΩ", 20*math.Log10(transfer(flat, 1e6)), 13.97940009, 1e-4)
	within(t, "insertion impedance", real(impedance(t, flat, 1e6)), 0.5, 1e-6)
	flat.Load = 25 // 50 Ω inside in parallel with the receiver
	within(t, "Zt with 50 Ω inside", 20*math.Log10(transfer(flat, 1e6)), 7.958800173, 1e-4)
	low := Probe{Core: coreA, Material: Fixed(792), Turns: 10}
	near(t, "Zt at the low corner", transfer(low, 39749.53629), 3.535533906, 1e-4)
	near(t, "Zt at 2 kHz", transfer(low, 2e3), 0.2512574207, 1e-4)
	within(t, "reading of a 10 Ω loop", 20*math.Log10(10/(10+0.5)), -0.4237859814, 1e-4)
}

// Rows P12 to P22: a probe of 5 Ω with 0.5 Ω inserted between two lines of 30 mm and 60 Ω.
func TestTheJigOfSixtyOhmMisleadsTheNaiveFigure(t *testing.T) {
	line := Line{Impedance: 60, Length: 30e-3}
	for _, c := range []struct {
		f            rf.Frequency
		naive, ratio float64
		s11          float64
	}{{1e6, 13.9360781, 13.97939956, 0.0050}, {100e6, 13.92861587, 13.97415775, 0.0234},
		{400e6, 13.82046537, 13.8964301, 0.0877}} {
		half, err := MatrixAt(line, c.f)
		if err != nil {
			t.Fatal(err)
		}
		jig := half.Times(SeriesElement(0.5)).Times(half)
		s, err := jig.S(Coaxial)
		if err != nil {
			t.Fatal(err)
		}
		// The current at the probe, between the insertion impedance and the far line, into 50 Ω, for a
		// wave of one: V+ = 1 V is an e.m.f. of 2 V behind 50 Ω.
		i3 := 2 / (jig.A*50 + jig.B + jig.C*50*50 + jig.D*50)
		ip := half.C*50*i3 + half.D*i3
		s21 := 5 * ip
		within(t, "naive", 20*math.Log10(50*cmplx.Abs(s21)), c.naive, 1e-4)
		within(t, "ratio", 20*math.Log10(50*cmplx.Abs(s21/s[1][0])), c.ratio, 1e-4)
		within(t, "|S11|", cmplx.Abs(s[0][0]), c.s11, 5e-5)
		bd := 2 * math.Pi * c.f.Hz() * 30e-3 / SpeedOfLight
		exact := 50 * s21 / s[1][0] / complex(math.Cos(bd), 50.0/60*math.Sin(bd))
		within(t, "exact", cmplx.Abs(exact), 5, 1e-6)
	}
}

// Rows L01 to L05.
func TestTheWireOverThePlane(t *testing.T) {
	o := OverPlane{Radius: 2e-3, Height: 50e-3}
	z, err := o.Impedance()
	if err != nil {
		t.Fatal(err)
	}
	near(t, "Z0", float64(z), 234.5350007, 1e-4)
	near(t, "Z0, log form", float64(z), 234.7213803, 1e-3)
	near(t, "c/4L", SpeedOfLight/4/1e6, 74.9481145, 1e-8)
	o.Velocity = 0.9
	slow, err := o.Impedance()
	if err != nil {
		t.Fatal(err)
	}
	near(t, "Z0 of an insulated wire, of the same inductance", float64(slow), 0.9*float64(z), 1e-12)
}

// Two wires of radius r side by side at a distance 2R: the textbook's √(r·2R).
func TestTheEffectiveRadiusOfTwoWiresIsTheTextbooks(t *testing.T) {
	o := OverPlane{Radius: 1e-3, Circle: 5e-3, Wires: 2, Height: 50e-3}
	near(t, "effective radius", float64(o.EffectiveRadius()), math.Sqrt(1e-3*10e-3), 1e-12)
}

// Rows L30 to L33.
func TestTheProbeAwayFromTheConnector(t *testing.T) {
	ratio := func(d rf.Length, end OnePort, f rf.Frequency) float64 {
		line := z0B(t)
		line.Length = d
		p := Path{DUT: end, ToDUT: []TwoPort{line}, AE: Resistor(150), Clamp: Generator{Resistor(1)}, Taps: []int{1}}
		var s Solution
		if err := p.Solve(grid(t, f), &s); err != nil {
			t.Fatal(err)
		}
		return 20 * math.Log10(cmplx.Abs(s.Taps[0][0]/s.DUT[0]))
	}
	within(t, "shorted, 0.0749 wavelengths", ratio(rf.Length(0.07491427076*SpeedOfLight/100e6), Resistor(0), 100e6), -1,
		1e-4)
	within(t, "shorted, 97.6 mm at 230 MHz", ratio(97.64666682e-3, Resistor(0), 230e6), -1, 1e-4)
	within(t, "20 pF, 171.6 mm at low frequency", ratio(171.5868181e-3, Capacitor{Farad: 20e-12}, 100e3), 1, 1e-4)
	within(t, "20 pF, 100 mm at 30 MHz", ratio(0.1, Capacitor{Farad: 20e-12}, 30e6), 0.580276778, 1e-3)
}

// Rows F01 to F04.
func TestAFerriteInALoopThatIsComplex(t *testing.T) {
	for _, c := range []struct{ ferrite, loop, want complex128 }{
		{231.17, 50, 14.99997953}, {231.17, 300, 4.962245675}, {100 + 200i, 100, 9.03089987}, {200i, 100 - 200i,
			-6.989700043},
	} {
		il, err := SeriesElement(c.ferrite).InsertionLoss(c.loop/2, c.loop/2)
		if err != nil {
			t.Fatal(err)
		}
		within(t, "insertion loss", il.DB(), real(c.want), 0.001)
	}
}

// Rows F13, F18 (constant µ′ = 800) and F21, F23, F28 (the table at 10 MHz).
func TestTheWoundChokeAndItsSelfResonance(t *testing.T) {
	for _, c := range []struct {
		turns int
		farad rf.Capacitance
		mhz   float64
	}{{3, 2e-12, 26.37985729}, {8, 4e-12, 6.99501599}} {
		f := Ferrite{Core: coreA, Material: Fixed(800), Turns: c.turns, Farad: c.farad}
		z := impedance(t, f, rf.Frequency(c.mhz*1e6))
		below, above := impedance(t, f, rf.Frequency(c.mhz*0.999e6)), impedance(t, f, rf.Frequency(c.mhz*1.001e6))
		if !(imag(below) > 0 && imag(above) < 0) || cmplx.Abs(z) < 10*cmplx.Abs(below) {
			t.Errorf("%d turns do not resonate at %v MHz: %v, %v, %v", c.turns, c.mhz, below, z, above)
		}
	}
	for _, c := range []struct {
		turns int
		farad rf.Capacitance
		ohm   float64
	}{{1, 0, 68.26053944}, {3, 2e-12, 644.1211846}, {8, 4e-12, 4777.327734}} {
		z := impedance(t, Ferrite{Core: coreA, Material: niZn800(), Turns: c.turns, Farad: c.farad}, 10e6)
		near(t, "|Z|", cmplx.Abs(z), c.ohm, 1e-4)
	}
}

// Table of physics notes 4: one turn through a sleeve 26 × 13 × 28.5 mm. The MnZn 750 above 18 MHz
// is a lower bound from µ″ alone there.
func TestOneTurnThroughASleeve(t *testing.T) {
	sleeve := Toroid{Outer: 26e-3, Inner: 13e-3, Height: 28.5e-3}
	near(t, "L0 in nH", sleeve.AirInductance()*1e9, 3.951, 2e-4)
	nickel := Ferrite{Core: sleeve, Material: niZn800()}
	for f, want := range map[rf.Frequency]float64{1e6: 20.52, 10e6: 106.7, 100e6: 224.7} {
		got, exact, err := nickel.LeastImpedance(f)
		if err != nil || !exact {
			t.Fatal(exact, err)
		}
		near(t, "|Z| at "+f.String(), got, want, 5e-4)
	}
	manganese := Ferrite{Core: sleeve, Material: mnZn750()}
	for f, want := range map[rf.Frequency]float64{1e6: 17.05, 10e6: 177.7, 100e6: 84.4} {
		got, exact, err := manganese.LeastImpedance(f)
		if err != nil || exact != (f < 20e6) {
			t.Fatal(exact, err)
		}
		near(t, "|Z| at "+f.String(), got, want, 5e-4)
	}
}

// mnZn750 is the published table of a MnZn ferrite (physics notes 10), whose µ′ is not tabulated
// above 15.85 MHz because it is not positive there.
func mnZn750() *Table {
	loss := func(at rf.Frequency, x float64) Row { return Row{At: at, Loss: &x} }
	t, err := NewTable("MnZn 750", []Row{
		RowOf(0.1e6, 676, 1), RowOf(0.5012e6, 678, 2), RowOf(1e6, 687, 3), RowOf(1.995e6, 736, 17), RowOf(5.012e6,
			737, 305), RowOf(10e6, 479, 532), RowOf(15.85e6, 120, 547),
		loss(31.62e6, 189), loss(50.45e6, 89), loss(100e6, 34), loss(199.5e6, 13),
	})
	if err != nil {
		panic(err)
	}
	return t
}

// Rows X*.
func TestFiltersHaveTheirInsertionLoss(t *testing.T) {
	y := Chain{Shunt{Capacitor{Farad: 4.7e-9, ESL: 5e-9, ESR: 0.05}}}
	nF := Capacitor{Farad: 2.2e-9}
	lc := Chain{Series{Inductor{Henry: 100e-6}}, Shunt{nF}}
	pi := append(Chain{Shunt{nF}}, lc...)
	rc := Chain{Series{Resistor(100)}, Shunt{Capacitor{Farad: 1e-9}}}
	for _, c := range []struct {
		what   string
		net    Chain
		zs, zl complex128
		f      rf.Frequency
		want   float64
	}{
		{"Y capacitor", y, 50, 50, 1e6, 1.898395997}, {"Y capacitor", y, 50, 50, 10e6, 18.29108516}, {"Y capacitor",
			y, 50, 50, 100e6, 19.07645706},
		{"pi", pi, 150, 50, 0.1e6, 0.02027658792}, {"pi", pi, 150, 50, 1e6, 17.72086437}, {"pi", pi, 150, 50,
			10e6, 73.1485964},
		{"L then C", lc, 150, 50, 0.1e6, 0.3782393015}, {"L then C", lc, 150, 50, 1e6, 11.69299566}, {"L then C",
			lc, 150, 50, 10e6, 46.81713862},
		{"RC", rc, 150, 1e6, 0.1e6, 0.1066733584}, {"RC", rc, 150, 1e6, 1e6, 5.399364328}, {"RC", rc, 150, 1e6,
			10e6, 23.93866924},
		{"L then C, undamped, rings", lc, 1, 1000, 339.319e3, -13.24379897}, {"L then C, damped", lc, 150, 50,
			339.319e3, 3.232110695},
	} {
		m, err := MatrixAt(c.net, c.f)
		if err != nil {
			t.Fatal(err)
		}
		il, err := m.InsertionLoss(c.zs, c.zl)
		if err != nil {
			t.Fatal(err)
		}
		within(t, c.what+" at "+c.f.String(), il.DB(), c.want, 0.001)
	}
}

// Rows N*.
func TestLISNsHaveTheImpedanceOfTheirFormula(t *testing.T) {
	for _, c := range []struct {
		l          LISN
		f          rf.Frequency
		ohm, angle float64
	}{
		{LISN50uH5Ohm, 9e3, 5.214998462, 26.54471703}, {LISN50uH5Ohm, 20e3, 7.252686514, 44.97091158}, {LISN50uH5Ohm,
			80e3, 21.1883214, 54.18982014}, {LISN50uH5Ohm, 150e3, 32.71462841, 43.35348722},
		{LISN50uH, 150e3, 34.2933356, 46.69619269}, {LISN50uH, 170e3, 36.50042646, 43.11289091}, {LISN50uH, 200e3,
			39.12394929, 38.51188725}, {LISN50uH, 250e3, 42.1781804, 32.48163659},
		{LISN50uH, 300e3, 44.1692023, 27.94668725}, {LISN50uH, 500e3, 47.6445257, 17.65678715}, {LISN50uH, 1e6,
			49.37852461, 9.043061079}, {LISN50uH, 5e6, 49.97468894, 1.823165721}, {LISN50uH, 30e6, 49.9992964,
			0.3039606993},
		{LISN5uH, 100e3, 3.135409699, 86.40}, {LISN5uH, 150e3, 4.69159815, 84.62}, {LISN5uH, 1e6, 26.60090223,
			57.86}, {LISN5uH, 10e6, 49.37852461, 9.04}, {LISN5uH, 108e6, 49.99457172, 0.84},
		{LISN5uH1Ohm, 100e3, 3.226147967, 68.82}, {LISN5uH1Ohm, 150e3, 4.702833534, 72.74}, {LISN5uH1Ohm, 1e6,
			26.23710775, 56.54}, {LISN5uH1Ohm, 10e6, 49.35415163, 9.04}, {LISN5uH1Ohm, 108e6, 49.99435463, 0.84},
	} {
		z := impedance(t, c.l, c.f)
		within(t, "|Z| at "+c.f.String(), cmplx.Abs(z), c.ohm, 0.005)
		within(t, "phase at "+c.f.String(), cmplx.Phase(z)*180/math.Pi, c.angle, 0.01)
	}
}

// Rows M_*: models of physics notes 10; the first two have their parameters in rad/s.
func TestDispersionModelsGiveTheirPermeability(t *testing.T) {
	rad := func(w float64) rf.Frequency { return rf.Frequency(w / (2 * math.Pi)) }
	manganese := Dispersion{Debye: []Debye{{108, rad(5.7e7)}}, Lorentz: []Lorentz{{4892, rad(7.1e6), rad(1.83e7)}}}
	nickel := Dispersion{Debye: []Debye{{113, rad(1.5e8)}}, Lorentz: []Lorentz{{527, rad(2.38e8), rad(8.03e8)}}}
	fit800 := Dispersion{Debye: []Debye{{303.6, 31.3e6}}, Lorentz: []Lorentz{{551.2, 9.622e6, 19.32e6}}}
	fit750 := Dispersion{Debye: []Debye{{165.2, 20.2e6}}, Lorentz: []Lorentz{{573.2, 16.52e6, 20.86e6}}}
	for _, c := range []struct {
		d          Dispersion
		f          float64
		real, loss float64
	}{
		{manganese, 1e6, 309.780252, 2137.278074}, {manganese, 10e6, -8.451284212, 70.91727504},
		{nickel, 1e6, 637.0127722, 51.36100032}, {nickel, 10e6, 392.6810756, 323.2410447},
		{fit800, 1e6, 837.767868, 122.2302975}, {fit800, 10e6, 266.3552093, 351.7634696},
		{fit750, 1e6, 737.7380602, 52.03557754}, {fit750, 10e6, 502.1345424, 510.1865867},
	} {
		mu := c.d.At(c.f)
		near(t, "µ′", real(mu), c.real, 1e-4)
		near(t, "µ″", -imag(mu), c.loss, 1e-4)
	}
}

// The fits of physics notes 10 to the whole published tables have 5.6 % (NiZn 800) and 5.7 % rms;
// these are excerpts of the same tables, and the fit must be as good or better.
func TestAFittedDispersionSaysHowWrongItIs(t *testing.T) {
	d, e, err := niZn800().Fit(Shape{Debye: 1, Lorentz: 1})
	if err != nil {
		t.Fatal(err)
	}
	t.Log(d, e)
	if e.RMS > 0.08 || e.Worst > 0.2 || e.Points != 11 {
		t.Errorf("fit of NiZn 800: %v", e)
	}
	// The notes warn that a fit weighted by |µ| is poor for µ″ below the onset of loss: µ″ 122 for 31.
	if e.WorstLoss < 1 {
		t.Errorf("the fit claims to know the loss within %.0f %%", 100*e.WorstLoss)
	}
	three, better, err := niZn800().Fit(Shape{Lorentz: 3})
	if err != nil || better.RMS > e.RMS {
		t.Errorf("three Lorentz terms fit worse than two terms: %v, %v, %v", three, better, err)
	}
}

// Rows Y07, Y08.
func TestScatteringToChainMatrix(t *testing.T) {
	m, err := ABCDOfS(Matrix{{0.1, 0.8}, {0.9, 0.2}}, Coaxial)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "A", real(m.A), 0.8888888889, 1e-7)
	near(t, "B", real(m.B), 16.66666667, 1e-7)
	near(t, "S11 = 0.5 in ohm", real(ImpedanceOf(0.5, 50)), 150, 1e-12) // row Y06
	// Physics notes 12: S21 of a series Z at unequal references is 2√(R1·R2)/(Z + R1 + R2).
	s, err := SeriesElement(30).S(References{50, 75})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "S21", real(s[1][0]), 2*math.Sqrt(50*75)/(30+50+75), 1e-12)
}
