package simbench

import (
	"fmt"
	"math"
	"math/cmplx"
	"testing"
)

// Expected values in this file are rows of the project's check_values.csv (ids beside them), which
// were computed independently and confirmed by a nodal solve, an LC ladder or ngspice.

// exampleCore is the core of worked example A: 63/38/25 mm.
var exampleCore = toroid{outer: 63e-3, inner: 38e-3, height: 25e-3, stack: 1}

// exampleMu is the permeability that example A states at its frequencies.
var exampleMu = map[float64]complex128{1: 826 - 31i, 10: 268 - 336i, 31.6228: 103 - 180i, 100: 25 - 87i}

func exampleClamp(mhz float64) clamp {
	return clamp{turns: 1, capacitance: 6e-12, primary: 40e-9, leakage: 25e-9,
		core: func(hz float64) complex128 { return turn(hz, exampleCore.inductance(), exampleMu[mhz]) }}
}

func relative(t *testing.T, what string, got, want float64) {
	t.Helper()
	near(t, what, got, want, math.Abs(want)*1e-4)
}

func TestToroidHasTheInductanceOfItsShape(t *testing.T) {
	relative(t, "L0 in nH (C01)", exampleCore.inductance()*1e9, 2.527742833)
	stacked := exampleCore
	stacked.stack = 3
	relative(t, "three stacked cores in nH", stacked.inductance()*1e9, 3*2.527742833)
}

func TestClampPutsTheWorkedExampleIntoTheJig(t *testing.T) {
	for _, row := range []struct { // C11_*_{Rz,Xz,IL,I1W,Zc}
		mhz, rz, xz, il, i1w, zc float64
	}{
		{1, 0.4923505756, 13.1187605, 12.35891878, 34.08545212, 12.72325932},
		{10, 53.36444948, 42.56450137, 6.573172535, 66.35235951, 30.87785364},
		{31.6228, 90.4035103, 51.73089756, 5.808599791, 72.45777742, 35.96184306},
		{100, 138.1758067, 39.70569158, 5.609893278, 74.13449507, 44.93785145},
	} {
		c, hz := exampleClamp(row.mhz), row.mhz*1e6
		at := fmt.Sprintf(" at %g MHz", row.mhz)
		relative(t, "R of one turn"+at, real(c.core(hz)), row.rz)
		relative(t, "X of one turn"+at, imag(c.core(hz)), row.xz)
		near(t, "insertion loss"+at, c.insertionLoss(hz), row.il, 1e-3)
		emf, series := c.inject(hz, 2*math.Sqrt(50))
		relative(t, "jig current of 1 W in mA"+at, cmplx.Abs(emf/(series+100))*1e3, row.i1w)
		relative(t, "|Zc|"+at, cmplx.Abs(series), row.zc)
	}
}

func TestClampReflectsWhatTheWorkedExampleSays(t *testing.T) {
	// C40: 0.0553859 W of 1 W is reflected at 10 MHz in the jig; the table of example A gives |Γ| for
	// all frequencies with three decimals.
	for mhz, want := range map[float64]float64{1: 0.922, 10: math.Sqrt(0.05538590105), 31.6228: 0.191, 100: 0.272} {
		near(t, fmt.Sprintf("|Γ| at %g MHz", mhz), cmplx.Abs(exampleClamp(mhz).input(mhz*1e6, 100)), want, 6e-4)
	}
}

// exampleCable is the cable of worked example B.
func exampleCable() cablePath {
	return cablePath{
		line:       line{impedance: wireOverPlane(50e-3, 2e-3), velocity: speedOfLight},
		clampToDUT: 0.3, probeToDUT: 0.05, clampToAE: 0.7,
		dut:   func(hz float64) complex128 { return complex(10, -1/(2*math.Pi*hz*150e-12)) },
		ae:    func(float64) complex128 { return 150 },
		probe: func(float64) complex128 { return 0.5 },
	}
}

func TestWireOverPlaneHasItsCharacteristicImpedance(t *testing.T) {
	relative(t, "Z0 of a 2 mm wire 50 mm high (physics notes, 3.1)", wireOverPlane(50e-3, 2e-3), 234.535)
}

func TestCableCarriesTheCurrentsOfTheWorkedExample(t *testing.T) {
	for _, row := range []struct { // L1_*_{Ic,ID,Im,d,IA}, mA for 1 V
		mhz, clamp, dut, probe, difference, ae float64
	}{
		{1, 0.9528910645, 0.9265539525, 0.9309460382, 0.04107590046, 0.9529516676},
		{10, 4.490409482, 4.374682842, 4.395182134, 0.04060607966, 4.519034565},
		{100, 2.145569864, 2.567169152, 2.565260159, -0.00646138637, 3.32906999},
	} {
		c := exampleCable().currents(row.mhz*1e6, 1, 50)
		at := fmt.Sprintf(" at %g MHz", row.mhz)
		relative(t, "clamp current"+at, cmplx.Abs(c.clamp)*1e3, row.clamp)
		relative(t, "DUT current"+at, cmplx.Abs(c.dut)*1e3, row.dut)
		relative(t, "probe current"+at, cmplx.Abs(c.probe)*1e3, row.probe)
		relative(t, "AE current"+at, cmplx.Abs(c.ae)*1e3, row.ae)
		near(t, "probe over DUT in dB"+at, decibel(cmplx.Abs(c.probe)/cmplx.Abs(c.dut)), row.difference, 1e-3)
	}
}

func TestOneWattInTheClampPutsTheWorkedCurrentOnTheCable(t *testing.T) {
	for mhz, want := range map[float64]float64{1: 3.360015353, 10: 41.94172622, 100: 26.41139708} { // L2_*
		emf, series := exampleClamp(mhz).inject(mhz*1e6, 2*math.Sqrt(50))
		c := exampleCable().currents(mhz*1e6, emf, series)
		relative(t, fmt.Sprintf("DUT current in mA at %g MHz", mhz), cmplx.Abs(c.dut)*1e3, want)
	}
}

func TestProbeHasTheTransferImpedanceOfItsTurns(t *testing.T) {
	// P01, P02, P03, P04, P05: ten turns, 50 Ω, real permeability 792.
	p := probe{turns: 10, load: 50, core: func(hz float64) complex128 {
		return turn(hz, exampleCore.inductance(),
			792)
	}}
	near(t, "Zt in dBΩ far above the corner", decibel(cmplx.Abs(p.transfer(1e9))), 13.97940009, 1e-4)
	relative(t, "|Zt| at the corner", cmplx.Abs(p.transfer(39749.53629)), 3.535533906)
	relative(t, "|Zt| at 2 kHz", cmplx.Abs(p.transfer(2e3)), 0.2512574207)
	near(t, "insertion impedance", cmplx.Abs(p.inserted(1e9)), 0.5, 1e-4)
}

func TestAmplifierCompressesAsRapp(t *testing.T) {
	for _, row := range []struct{ p, output, drive float64 }{ // G21–G23, G31–G33, dB relative to saturation
		{1, -6.868253244, -5.868253244}, {2, -2.164617167, -1.164617167}, {3, -1.0068748, -0.006874799761},
	} {
		x := rappCompression(row.p)
		near(t, fmt.Sprintf("drive at 1 dB compression, p=%g", row.p), decibel(x), row.drive, 1e-3)
		near(t, fmt.Sprintf("output at 1 dB compression, p=%g", row.p), decibel(rapp(x, 1, row.p)), row.output, 1e-3)
	}
	near(t, "compression of the crest of 80 % AM (G40)", decibel(rapp(0.9, 1, 2)/0.9), -1.095432786, 1e-3)
	top, bottom := rapp(0.9, 1, 2), rapp(0.1, 1, 2)
	near(t, "depth behind the amplifier (G41)", (top-bottom)/(top+bottom), 0.7761313167, 1e-5)
	near(t, "inverse", rappInverse(rapp(0.7, 1, 3), 1, 3), 0.7, 1e-12)
}

func TestAMRaisesCrestAndMeanAsItsDepthSays(t *testing.T) {
	amplitude, share := CarrierHeldAM.envelope()
	crest, mean := 0.0, 0.0
	for k, a := range amplitude {
		crest, mean = math.Max(crest, a), mean+share[k]*a*a
	}
	near(t, "crest in dB (G10)", decibel(crest), 5.105450102, 1e-4)
	near(t, "mean power in dB (G12)", 10*math.Log10(mean), 1.205739312, 1e-4)
}

func TestPulseKeepsTheCrestAndHalvesTheMean(t *testing.T) {
	amplitude, share := Modulation{PulseDuty: 0.5, PulseRate: 1e3}.envelope()
	crest, mean := 0.0, 0.0
	for k, a := range amplitude {
		crest, mean = math.Max(crest, a), mean+share[k]*a*a
	}
	near(t, "crest", crest, 1, 0) // physics notes, 6: 100 % on/off keying, PEP = carrier power
	near(t, "mean power in dB", 10*math.Log10(mean), -3.0103, 1e-4)
}

// rappInverse returns the linear amplitude behind an output amplitude; +Inf at saturation.
func rappInverse(y, vsat, p float64) float64 {
	if y >= vsat {
		return math.Inf(1)
	}
	return y / math.Pow(1-math.Pow(y/vsat, 2*p), 1/(2*p))
}
