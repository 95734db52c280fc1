package twoport_test

import (
	"math"
	"math/cmplx"
	"testing"

	"pgregory.net/rapid"

	. "provoke/internal/model/twoport"
	"provoke/internal/units/rf"
)

func between(t *rapid.T, low, high float64, what string) float64 {
	return math.Exp(rapid.Float64Range(math.Log(low), math.Log(high)).Draw(t, what))
}

// onePort draws a passive lumped part.
func onePort(t *rapid.T) OnePort {
	switch rapid.IntRange(0, 6).Draw(t, "one-port") {
	case 0:
		return Resistor(between(t, 0.01, 1e4, "ohm"))
	case 1:
		return Inductor{rf.Inductance(between(t, 1e-9, 1e-3, "henry")), rf.Resistance(between(t, 0.01, 10, "ohm"))}
	case 2:
		return Capacitor{rf.Capacitance(between(t, 1e-12, 1e-7, "farad")), rf.Inductance(between(t, 1e-9, 1e-8, "esl")),
			rf.Resistance(between(t, 0.01, 2, "esr"))}
	case 3:
		return Ferrite{Core: coreA, Material: ferriteModel, Turns: rapid.IntRange(1, 8).Draw(t, "turns"), Farad: 2e-12}
	case 4:
		return Choke{Henry: 1e-3, Coupling: rapid.Float64Range(0, 1).Draw(t, "k"), Farad: 8e-12, Core: 4700}
	case 5:
		return LISN50uH5Ohm
	default:
		return ParallelOf{Resistor(between(t, 1, 1e4, "ohm")), SeriesOf{Resistor(1), Capacitor{Farad: 1e-9}}}
	}
}

func twoPort(t *rapid.T) TwoPort {
	switch rapid.IntRange(0, 3).Draw(t, "two-port") {
	case 0:
		return Series{onePort(t)}
	case 1:
		return Shunt{onePort(t)}
	case 2:
		return Clamp{Core: coreA, Material: ferriteModel, Turns: 2, Farad: 6e-12, Primary: 40e-9, Secondary: 25e-9}
	default:
		return Line{Impedance: rf.Resistance(between(t, 20, 400, "Z0")),
			Length: rf.Length(between(t, 0.01, 3, "length")), Velocity: rapid.Float64Range(0.5, 1).Draw(t, "velocity"),
			Loss: Loss{Skin: rf.Gain(rapid.Float64Range(0, 1).Draw(t, "skin")),
				Radiation: rf.Gain(rapid.Float64Range(0, 1).Draw(t, "radiation"))}}
	}
}

func chain(t *rapid.T) Chain {
	var c Chain
	for range rapid.IntRange(1, 6).Draw(t, "parts") {
		c = append(c, twoPort(t))
	}
	return c
}

func frequency(t *rapid.T) rf.Frequency { return rf.Frequency(between(t, 10e3, 400e6, "hertz")) }

func passive(t *rapid.T, what string) complex128 {
	return complex(between(t, 1, 500, what), rapid.Float64Range(-300, 300).Draw(t, what+" reactance"))
}

func matrix(t *rapid.T, n TwoPort, f rf.Frequency) ABCD {
	m, err := MatrixAt(n, f)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func close2(t *rapid.T, what string, got, want complex128, relative float64) {
	if !(cmplx.Abs(got-want) <= relative*math.Max(cmplx.Abs(want), 1e-30)) {
		t.Fatalf("%s: %v and %v", what, got, want)
	}
}

// scale of a chain matrix between 100 Ω, for tolerances of differences of large numbers.
func scaleOf(m ABCD) float64 {
	return cmplx.Abs(m.A) + cmplx.Abs(m.B)/100 + cmplx.Abs(m.C)*100 + cmplx.Abs(m.D)
}

func TestEveryChainOfPassivePartsIsReciprocal(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := matrix(t, chain(t), frequency(t))
		s := scaleOf(m)
		if d := cmplx.Abs(m.Determinant() - 1); !(d <= 1e-12*(1+s*s)) {
			t.Fatalf("determinant %v", m.Determinant())
		}
		if s < 1e3 {
			a, err := m.S(Coaxial)
			if err != nil {
				t.Fatal(err)
			}
			close2(t, "S12 and S21", a[0][1], a[1][0], 1e-6)
		}
	})
}

func TestNoChainOfPassivePartsMakesEnergy(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := matrix(t, chain(t), frequency(t))
		zs, zl := passive(t, "source"), passive(t, "load")
		b, err := m.PowerBalance(1, zs, zl)
		if err != nil {
			t.Fatal(err)
		}
		small := 1e-9 * b.Available
		if b.Dissipated < -small || b.Load < -small || b.Reflected < -small {
			t.Fatalf("balance %+v", b)
		}
	})
}

func TestALosslessChainDissipatesNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := Chain{
			Line{Impedance: 234, Length: rf.Length(between(t, 0.01, 3, "length"))},
			Shunt{Capacitor{Farad: rf.Capacitance(between(t, 1e-12, 1e-9, "farad"))}},
			Series{Inductor{Henry: rf.Inductance(between(t, 1e-9, 1e-5, "henry"))}},
		}
		b, err := matrix(t, c, frequency(t)).PowerBalance(1, passive(t, "source"), passive(t, "load"))
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(b.Dissipated) > 1e-8*b.Available {
			t.Fatalf("balance %+v", b)
		}
	})
}

// A generator at the DUT's end drives the AE's end as the AE's drives the DUT's.
func TestInsertionLossIsTheSameBackwards(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := matrix(t, chain(t), frequency(t))
		zs, zl := passive(t, "source"), passive(t, "load")
		back, err := m.Reversed()
		if err != nil {
			t.Skip()
		}
		a, err1 := m.InsertionLoss(zs, zl)
		b, err2 := back.InsertionLoss(zl, zs)
		if err1 != nil || err2 != nil {
			t.Fatal(err1, err2)
		}
		if s := scaleOf(m); math.Abs(float64(a-b)) > 1e-9*(1+s*s) {
			t.Fatalf("%v and %v", a, b)
		}
	})
}

// A node that is cut in two stays one: cable currents do not depend on where a line is divided.
func TestALineMayBeDividedAnywhere(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		whole := Line{Impedance: 234, Length: 1, Velocity: 0.9, Loss: Loss{Skin: 0.3, Radiation: 0.1}}
		a, b := whole, whole
		a.Length = rf.Length(rapid.Float64Range(0, 1).Draw(t, "cut"))
		b.Length = 1 - a.Length
		f := frequency(t)
		x, y := matrix(t, whole, f), matrix(t, Chain{a, b}, f)
		for k, p := range [][2]complex128{{x.A, y.A}, {x.B / 234, y.B / 234}, {x.C * 234, y.C * 234}, {x.D, y.D}} {
			if cmplx.Abs(p[0]-p[1]) > 1e-12*scaleOf(x) {
				t.Fatalf("element %d: %v and %v", k, p[0], p[1])
			}
		}
	})
}

func TestConversionsComeBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := matrix(t, chain(t), frequency(t))
		s := scaleOf(m)
		if s > 1e3 {
			t.Skip("a chain of more than 60 dB loses digits in S")
		}
		ref := References{passive(t, "ref1"), passive(t, "ref2")}
		a, err := m.S(ref)
		if err != nil {
			t.Fatal(err)
		}
		back, err := ABCDOfS(a, ref)
		if err != nil {
			t.Fatal(err)
		}
		tolerance := 1e-9 * s * s * s
		for k, p := range [][2]complex128{{m.A, back.A}, {m.B / 100, back.B / 100}, {m.C * 100, back.C * 100},
			{m.D, back.D}} {
			if cmplx.Abs(p[0]-p[1]) > tolerance {
				t.Fatalf("figure %d: %v and %v", k, p[0], p[1])
			}
		}
	})
}

// The clamp as a two-port and the clamp's closed form are two ways to the same cable current.
func TestTheClampAsATwoPortDrivesTheSameCurrent(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := Clamp{Core: coreA, Material: ferriteModel, Turns: rapid.IntRange(1, 10).Draw(t, "turns"),
			Farad:     rf.Capacitance(between(t, 1e-12, 1e-10, "farad")),
			Primary:   rf.Inductance(between(t, 1e-9, 1e-6, "primary")),
			Secondary: rf.Inductance(between(t, 1e-9, 1e-7, "secondary"))}
		f, loop := frequency(t), passive(t, "loop")
		g, err := NewGrid([]rf.Frequency{f})
		if err != nil {
			t.Fatal(err)
		}
		var emf, z [1]complex128
		if err := c.Inject(g, emf[:], z[:]); err != nil {
			t.Fatal(err)
		}
		m := matrix(t, c, f)
		close2(t, "cable current", emf[0]/(z[0]+loop), 1/(m.A*loop+m.B+m.C*50*loop+m.D*50), 1e-9)
	})
}

// Energy at N = 1, 10 MHz, 1 W (physics notes 1.4, rows C40 to C42, from a nodal solve).
func TestHalfOfTheDriveHeatsTheCore(t *testing.T) {
	m, err := MatrixAt(clampA(1), 10e6)
	if err != nil {
		t.Fatal(err)
	}
	b, err := m.PowerBalance(complex(SourceEMF(rf.Watts(1), 50), 0), 50, 100)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "available", b.Available, 1, 1e-9)
	near(t, "reflected", b.Reflected, 0.05538590105, 1e-4)
	near(t, "jig", b.Load, 0.4402635612, 1e-4)
	near(t, "core heat", b.Dissipated, 0.5043505377, 1e-4)
}

func TestLosslessLineIsTheTextbooks(t *testing.T) {
	// A quarter wave turns a load into Z0²/Z; a half wave repeats it.
	line := Line{Impedance: 75, Length: SpeedOfLight / 4 / 100e6}
	m, err := MatrixAt(line, 100e6)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "quarter wave before 50 Ω", real(m.Input(50)), 75*75/50.0, 1e-9)
	m, err = MatrixAt(line, 200e6)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "half wave before 50 Ω", real(m.Input(50)), 50, 1e-9)
	// 1 dB/m at 50 MHz over 2 m: 2 dB there by skin effect, 4 dB at 200 MHz; by radiation 8 dB at
	// 100 MHz. Between its own impedance a line only attenuates.
	for _, c := range []struct {
		loss Loss
		f    rf.Frequency
		want float64
	}{{Loss{Skin: 1}, 50e6, 2}, {Loss{Skin: 1}, 200e6, 4}, {Loss{Radiation: 1}, 100e6, 8}} {
		m, err := MatrixAt(Line{Impedance: 75, Length: 2, Loss: c.loss}, c.f)
		if err != nil {
			t.Fatal(err)
		}
		il, err := m.InsertionLoss(75, 75)
		if err != nil {
			t.Fatal(err)
		}
		within(t, "loss of a matched line", il.DB(), c.want, 1e-9)
	}
}
