package simbench

import (
	"math"
	"math/cmplx"
	"sort"
)

const (
	vacuumPermeability = 4e-7 * math.Pi
	speedOfLight       = 299792458.0
	portResistance     = 50.0
)

// toroid is a stack of equal cores of rectangular section; lengths in metre.
type toroid struct {
	outer, inner, height float64
	stack                int
}

// inductance returns the inductance of one turn on the core shape in air, in henry:
// L0 = µ0·h·ln(OD/ID)/2π.
func (t toroid) inductance() float64 {
	return vacuumPermeability * t.height * float64(t.stack) * math.Log(t.outer/t.inner) / (2 * math.Pi)
}

// turn returns the impedance of one turn through a core of air inductance l0 and relative
// permeability mu = µ′ − jµ″: z1 = jωL0·µ.
func turn(hz, l0 float64, mu complex128) complex128 {
	return complex(0, 2*math.Pi*hz*l0) * mu
}

// material is a table of relative permeability over frequency.
type material []struct{ hz, real, loss float64 }

// nickelZinc800 is the datasheet table of a NiZn ferrite of initial permeability 800 as excerpted
// in the project's physics notes, section 10.
var nickelZinc800 = material{
	{0.1e6, 792, 2}, {0.5012e6, 797, 14}, {1e6, 826, 31}, {1.995e6, 918, 210}, {5.012e6, 500, 439},
	{10e6, 268, 336}, {15.85e6, 182, 261}, {31.62e6, 103, 180}, {50.45e6, 63, 138}, {100e6, 25, 87},
	{199.5e6, 6, 50},
}

// permeability interpolates straight in log–log; beyond the table it holds the end values.
func (m material) permeability(hz float64) complex128 {
	i := sort.Search(len(m), func(i int) bool { return m[i].hz >= hz })
	switch i {
	case 0:
		return complex(m[0].real, -m[0].loss)
	case len(m):
		return complex(m[i-1].real, -m[i-1].loss)
	}
	a, b := m[i-1], m[i]
	t := math.Log(hz/a.hz) / math.Log(b.hz/a.hz)
	return complex(a.real*math.Pow(b.real/a.real, t), -a.loss*math.Pow(b.loss/a.loss, t))
}

// clamp is an injection clamp: source, winding capacitance across the connector, primary leakage,
// magnetising branch, ideal transformer of turns to one, secondary leakage.
type clamp struct {
	turns            float64
	core             func(hz float64) complex128 // impedance of one turn
	capacitance      float64
	primary, leakage float64 // leakage inductances
}

// inject returns the e.m.f. and the series impedance that the clamp places in the cable when its
// connector is fed from vs behind 50 Ω.
func (c clamp) inject(hz, vs float64) (emf, series complex128) {
	jw := complex(0, 2*math.Pi*hz)
	shunted := 1 + jw*complex(c.capacitance*portResistance, 0)
	source := complex(vs, 0) / shunted
	inner := complex(portResistance, 0)/shunted + jw*complex(c.primary, 0)
	n := complex(c.turns, 0)
	magnetising := n * n * c.core(hz)
	emf = source / n * magnetising / (magnetising + inner)
	series = magnetising*inner/(magnetising+inner)/(n*n) + jw*complex(c.leakage, 0)
	return emf, series
}

// input returns the reflection coefficient at the connector (in 50 Ω) when the cable loop, without
// the clamp, has the impedance loop.
func (c clamp) input(hz float64, loop complex128) complex128 {
	jw := complex(0, 2*math.Pi*hz)
	n := complex(c.turns, 0)
	magnetising := n * n * c.core(hz)
	load := n * n * (loop + jw*complex(c.leakage, 0))
	z := jw*complex(c.primary, 0) + parallel(magnetising, load)
	z = 1 / (1/z + jw*complex(c.capacitance, 0))
	return (z - portResistance) / (z + portResistance)
}

// insertionLoss returns the drop in dB from a direct connection to one port of a 50 + 50 Ω jig.
func (c clamp) insertionLoss(hz float64) float64 {
	emf, series := c.inject(hz, 2)
	current := cmplx.Abs(emf / (series + 2*portResistance))
	return 20 * math.Log10(1/(portResistance*current))
}

func parallel(a, b complex128) complex128 { return a * b / (a + b) }

// probe is a current monitoring probe: turns, load (receiver in parallel with what is inside),
// impedance of one turn, shunt capacitance.
type probe struct {
	turns, load, capacitance float64
	core                     func(hz float64) complex128
}

// transfer returns the transfer impedance in ohm.
func (p probe) transfer(hz float64) complex128 {
	n := complex(p.turns, 0)
	y := complex(1/p.load, 2*math.Pi*hz*p.capacitance) + 1/(n*n*p.core(hz))
	return 1 / n / y
}

// inserted returns the impedance that the probe puts in series with the cable.
func (p probe) inserted(hz float64) complex128 {
	return p.transfer(hz) / complex(p.turns, 0)
}

// wireOverPlane returns the characteristic impedance of a wire of radius a at height h:
// (η0/2π)·acosh(h/a), with η0/2π = 59.958 Ω.
func wireOverPlane(height, radius float64) float64 {
	return 59.958 * math.Acosh(height/radius)
}

// line is a uniform line. Loss is in dB/m at 50 MHz and grows with the root of frequency.
type line struct{ impedance, velocity, loss float64 }

// propagation returns γ in 1/m.
func (l line) propagation(hz float64) complex128 {
	alpha := l.loss / 8.685889638 * math.Sqrt(hz/50e6)
	return complex(alpha, 2*math.Pi*hz/l.velocity)
}

// port is a voltage and a current at one place of the cable, current toward the end.
type port struct{ v, i complex128 }

// along moves a port away from its end by a length of line.
func (l line) along(p port, hz, length float64) port {
	g := l.propagation(hz) * complex(length, 0)
	z := complex(l.impedance, 0)
	ch, sh := cmplx.Cosh(g), cmplx.Sinh(g)
	return port{ch*p.v + z*sh*p.i, sh/z*p.v + ch*p.i}
}

// cablePath is the cable with its ends, clamp and probe.
type cablePath struct {
	line
	clampToDUT, probeToDUT, clampToAE float64
	dut, ae, probe                    func(hz float64) complex128
}

// currents on a fixture; loop is what the clamp sees.
type currents struct{ clamp, probe, dut, ae, loop complex128 }

// currents returns the currents that an e.m.f. with a series impedance drives.
func (c cablePath) currents(hz float64, emf, series complex128) currents {
	end := port{c.dut(hz), 1}
	atProbe := c.along(end, hz, c.probeToDUT)
	beyond := port{atProbe.v + c.probe(hz)*atProbe.i, atProbe.i}
	near := c.along(beyond, hz, c.clampToDUT-c.probeToDUT)
	far := c.along(port{c.ae(hz), 1}, hz, c.clampToAE)
	loop := near.v/near.i + far.v/far.i
	i := emf / (loop + series)
	dut := i / near.i
	return currents{clamp: i, probe: dut * atProbe.i, dut: dut, ae: i / far.i, loop: loop}
}

// rapp returns the output amplitude of a linear output amplitude x limited at vsat with the
// smoothness p: x/(1+(x/vsat)^2p)^(1/2p).
func rapp(x, vsat, p float64) float64 {
	return x / math.Pow(1+math.Pow(x/vsat, 2*p), 1/(2*p))
}

// rappCompression returns the linear amplitude relative to vsat at which the gain has dropped by
// 1 dB.
func rappCompression(p float64) float64 {
	return math.Pow(math.Pow(10, 2*p/20)-1, 1/(2*p))
}

// voltsOf returns the r.m.s. voltage of a power in dBm into 50 Ω, dBmOf the reverse.
func voltsOf(dbm float64) float64 { return math.Sqrt(portResistance * 1e-3 * math.Pow(10, dbm/10)) }

func dBmOf(volts float64) float64 {
	if volts <= 0 {
		return math.Inf(-1)
	}
	return 10 * math.Log10(volts*volts/portResistance/1e-3)
}

func ratio(db float64) float64 { return math.Pow(10, db/20) }

func decibel(ratio float64) float64 { return 20 * math.Log10(ratio) }

// microamperes in dB.
func dBuA(amperes float64) float64 { return 20 * math.Log10(amperes/1e-6) }

func amperes(dbua float64) float64 { return 1e-6 * math.Pow(10, dbua/20) }

// amplifierAtCompression is the simulated amplifier's linear drive over saturation at 1 dB compression.
var amplifierAtCompression = rappCompression(amplifierSharpness)
