package simbench

import (
	"math"
	"math/rand/v2"
)

// Fixture is what the clamp is closed around.
type Fixture string

// The fixtures: the product's cable, a jig with 50 Ω at both ends, a jig with 150 Ω at both ends.
const (
	Cable  Fixture = "cable"
	Jig50  Fixture = "jig50"
	Jig150 Fixture = "jig150"
)

// Generator is the kind of generator on the bench.
type Generator string

// A function generator counts in volts against a load setting; a signal generator counts in dBm.
const (
	FunctionGenerator Generator = "function"
	SignalGenerator   Generator = "signal"
)

// Ratings and sizes of the gear that do not depend on the seed.
const (
	generatorMaximum = 23.979 // dBm: 10 Vpp into 50 Ω
	functionMinimum  = 1e-3   // Vpp into 50 Ω
	signalMinimum    = -100.0 // dBm
	generatorLow     = 1e3
	generatorHigh    = 120e6

	amplifierInputRating = 0.0  // dBm, as peak envelope
	amplifierGain        = 40.0 // dB, about
	amplifierP1dB        = 36.0 // dBm, about
	amplifierSharpness   = 3.0  // p of the Rapp model
	standbyIsolation     = 60.0 // dB below the gain
	secondHarmonic       = -40.0
	thirdHarmonic        = -36.0 // dBc at 1 dB compression

	clampRating    = 40.0   // dBm forward, mean
	reverseRating  = 37.8   // dBm that the amplifier's output stands, mean (6 W)
	couplerRating  = 47.0   // dBm
	padRating      = 33.0   // dBm, analyser pad, mean
	probeRating    = 1.0    // A r.m.s. at the crest
	analyserRating = 20.0   // dBm at the connector, as peak envelope
	displayedNoise = -160.0 // dBm in 1 Hz, without attenuation
	mixerLimit     = -10.0
	meterRating    = 20.0 // dBm, power meter
	meterFloor     = -60.0

	coupling    = 30.0 // dB
	directivity = 28.0 // dB
	couplerLoss = 0.25 // dB
)

// gear is the bench as built: what is really true of it, whatever the datasheets say.
type gear struct {
	clamp         clamp
	probe         probe
	cable         cablePath
	height        float64
	ripplePhase   float64
	generatorPad  float64 // dB
	analyserPad   float64 // dB
	driveCoax     float64 // dB at 100 MHz, amplifier to clamp
	readCoax      float64 // dB at 100 MHz, pad to analyser
	dutResistance float64
	dutCapacity   float64
	aeResistance  float64
	aeInductance  float64
	detuned       bool // the fix raised the impedance at the product's end
	bands         []band
	parts         []Part
	wandered      float64 // dB that the product's onsets lie higher at this moment
}

func uniform(r *rand.Rand, low, high float64) float64 { return low + (high-low)*r.Float64() }

func logUniform(r *rand.Rand, low, high float64) float64 {
	return low * math.Pow(high/low, r.Float64())
}

// fixedGear builds the parts that do not depend on the seed: a two-turn clamp on five stacked
// NiZn cores and a ten-turn probe.
func fixedGear() gear {
	clampCore := toroid{outer: 63e-3, inner: 38e-3, height: 25e-3, stack: 5}.inductance()
	probeCore := toroid{outer: 63e-3, inner: 38e-3, height: 25e-3, stack: 2}.inductance()
	return gear{
		clamp: clamp{turns: 2, capacitance: 6e-12, primary: 40e-9, leakage: 25e-9,
			core: func(hz float64) complex128 {
				return turn(hz, clampCore, nickelZinc800.permeability(hz))
			}},
		probe: probe{turns: 10, load: 50, capacitance: 8e-12,
			core: func(hz float64) complex128 {
				return turn(hz, probeCore, nickelZinc800.permeability(hz))
			}},
		generatorPad: 10, analyserPad: 20, driveCoax: 0.4, readCoax: 0.6,
	}
}

// drawGear draws cable, ends and the product's bands from a seed. A draw in which a band could not
// be reached, in which two bands touch, or in which a harmonic would upset the product is drawn
// again.
func drawGear(seed uint64) gear {
	r := rand.New(rand.NewPCG(seed, 0x62656c74))
	for range 400 {
		g := fixedGear()
		g.ripplePhase = uniform(r, 0, 2*math.Pi)
		g.generatorPad += uniform(r, -0.05, 0.05)
		g.analyserPad += uniform(r, -0.05, 0.05)
		g.drawCable(r)
		g.bands = drawBands(r)
		if g.usable() {
			g.parts = drawParts(seed, g.bands)
			return g
		}
	}
	panic("simbench: no usable bench in 400 draws")
}

func (g *gear) drawCable(r *rand.Rand) {
	g.height = 0.05
	g.dutResistance = uniform(r, 25, 70)
	g.dutCapacity = logUniform(r, 8e-9, 30e-9)
	g.aeResistance = uniform(r, 90, 180)
	g.aeInductance = uniform(r, 0.05e-6, 0.3e-6)
	g.cable = cablePath{
		line: line{
			impedance: wireOverPlane(g.height, uniform(r, 1.5e-3, 4e-3)),
			velocity:  speedOfLight * uniform(r, 0.88, 0.97),
			loss:      uniform(r, 0.15, 0.4),
		},
		clampToDUT: math.Round(uniform(r, 0.25, 0.4)*100) / 100,
		probeToDUT: 0.05,
		clampToAE:  math.Round(uniform(r, 0.6, 2.2)*100) / 100,
	}
	g.connect()
}

// connect gives the cable its ends and the probe's insertion impedance.
func (g *gear) connect() {
	rd, cd, ra, la := g.dutResistance, g.dutCapacity, g.aeResistance, g.aeInductance
	g.cable.dut = func(hz float64) complex128 { return complex(rd, -1/(2*math.Pi*hz*cd)) }
	g.cable.ae = func(hz float64) complex128 { return complex(ra, 2*math.Pi*hz*la) }
	g.cable.probe = g.probe.inserted
}

// gain is the amplifier's small-signal gain in dB.
func (g *gear) gain(hz float64) float64 {
	x := math.Log10(hz)
	low, high := 40e3/hz, hz/260e6
	return amplifierGain + 0.6*math.Sin(2.2*x+g.ripplePhase) -
		10*math.Log10(1+low*low) - 10*math.Log10(1+high*high*high*high)
}

// saturation is the largest output amplitude of the amplifier in volts r.m.s. into 50 Ω.
func (g *gear) saturation(hz float64) float64 {
	p1 := amplifierP1dB - 0.4*math.Pow(hz/100e6, 2)
	compressed := decibel(amplifierAtCompression) - 1
	return voltsOf(p1 - compressed)
}

// driveLoss is the loss in dB from amplifier to clamp: coax and coupler.
func (g *gear) driveLoss(hz float64) float64 {
	return g.driveCoax*math.Sqrt(hz/100e6) + couplerLoss
}

// readLoss is the loss of the coax in front of the analyser in dB.
func (g *gear) readLoss(hz float64) float64 { return g.readCoax * math.Sqrt(hz/100e6) }

// transfer holds the currents for one volt r.m.s. at the amplifier's output and the reflection at
// the clamp.
type transfer struct {
	probe, dut float64
	reflection complex128
}

// transferAt solves a fixture at a frequency.
func (g *gear) transferAt(f Fixture, build Build, hz float64) transfer {
	vs := 2 / ratio(g.driveLoss(hz))
	emf, series := g.clamp.inject(hz, vs)
	if f == Cable {
		path := g.cable
		if g.detuned && build == Fixed {
			path.dut = func(hz float64) complex128 { return 2000 + g.cable.dut(hz) }
		}
		c := path.currents(hz, emf, series)
		return transfer{magnitude(c.probe), magnitude(c.dut), g.clamp.input(hz, c.loop)}
	}
	loop := complex(100, 0)
	if f == Jig150 {
		loop = 300
	}
	loop += g.probe.inserted(hz)
	return transfer{probe: magnitude(emf / (series + loop)), reflection: g.clamp.input(hz, loop)}
}

func magnitude(z complex128) float64 { return math.Hypot(real(z), imag(z)) }
