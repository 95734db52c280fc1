package simbench

import (
	"fmt"
	"math"
	"strings"
	"time"

	"provoke/internal/units/rf"
)

// LeastDwell returns the wall time after which every state of the product has settled to within
// 0.03 dB of its threshold: six of its longest time constants.
func (b *Bench) LeastDwell() time.Duration {
	longest := 0.0
	for _, x := range b.plant.bands {
		longest = math.Max(longest, x.constant)
	}
	return b.wall(6 * longest)
}

// BenchFile returns the bench as a bench file, with its sockets and with curves as datasheets and
// calibrations would give them: sampled at ten points per decade, a tenth of a decibel off here and
// there.
func (b *Bench) BenchFile() []byte {
	w := &benchWriter{b: b, g: &b.plant.gear}
	w.head()
	w.source()
	w.amplifier()
	w.clamp()
	w.cable()
	w.reading()
	w.monitors()
	return []byte(w.String())
}

type benchWriter struct {
	strings.Builder
	b *Bench
	g *gear
}

// line writes one line, indented as in the format string.
func (w *benchWriter) line(format string, args ...any) { fmt.Fprintf(&w.Builder, format+"\n", args...) }

// identity writes what a report needs; the serial numbers say that they are invented.
func (w *benchWriter) identity(id, description string, serial int) {
	w.line("  id: %s", id)
	w.line("  description: %s", description)
	w.line("  serial: SIM-%04d", serial)
	w.line("  calibrated: 2026-03-02")
	w.line("  due: 2036-03-02")
	w.line("  certificate: SIM-CAL-26-%03d", serial)
}

func (w *benchWriter) address(face, table string) {
	w.line("  address: %s", w.b.Address(face))
	w.line("  table: %s", table)
}

// table writes a curve at ten points per decade from 100 kHz to 100 MHz.
func (w *benchWriter) table(key, unit string, decimals int, value func(hz float64) float64) {
	w.line("  %s:", key)
	w.line("    points:")
	for k := 0; k <= 30; k++ {
		hz := math.Pow(10, 5+float64(k)/10)
		w.line("      %s: %.*f %s", frequencyText(hz), decimals, value(hz), unit)
	}
}

// frequencyText writes a frequency so that it reads back within one part in a million.
func frequencyText(hz float64) string { return rf.Frequency(math.Round(hz)).String() }

// sheet is how far a datasheet is off, in dB.
func sheet(hz, phase float64) float64 { return 0.08 * math.Sin(1.7*math.Log(hz)+phase) }

func (w *benchWriter) head() {
	w.line("provoke: bench 1")
	w.line("# The simulated bench, seed %d, %g times faster than the clock. The device under test is invented:",
		w.b.config.Seed, w.b.config.Speed)
	w.line("# a conveyor belt weigher. A dwell should last at least %v here.", rf.Duration(w.b.LeastDwell()))
	w.line("")
	w.line("name: %s", w.b.Name())
	w.line("")
}

func (w *benchWriter) source() {
	w.line("source:")
	if w.b.config.Generator == SignalGenerator {
		w.line("  kind: signal generator")
		w.identity("GEN1", "simulated signal generator", 1)
		w.address("source", "signal generator with limits")
		w.line("  minimum: %g dBm", signalMinimum)
		w.line("  maximum: %.2f dBm", math.Floor(generatorMaximum*100)/100)
		w.line("  counts_in: dBm")
	} else {
		w.line("  kind: function generator")
		w.identity("GEN1", "simulated function generator", 1)
		w.address("source", "function generator with limits")
		w.line("  minimum: %g mVpp", functionMinimum*1e3)
		w.line("  maximum: %g Vpp", volts50MaximumVpp)
		w.line("  counts_in: Vpp")
		w.line("  load: 50 Ω")
	}
	w.line("  band: 1 kHz to 120 MHz")
	w.line("  resolution: 0.01 dB")
	w.line("  maximum_reverse: 250 mW")
	w.line("")
	w.line("to_amplifier:")
	w.line("  - id: PAD1")
	w.line("    kind: pad")
	w.line("    description: 10 dB pad")
	w.line("    serial: SIM-0002")
	w.line("    loss: 10 dB")
	w.line("    maximum_power: 2 W")
	w.line("")
}

func (w *benchWriter) amplifier() {
	w.line("amplifier:")
	w.identity("AMP1", "simulated power amplifier, 5 W", 3)
	w.address("amplifier", "amplifier")
	w.line("  band: 100 kHz to 100 MHz")
	w.table("gain", "dB", 2, func(hz float64) float64 { return w.g.gain(hz) + sheet(hz, 0) })
	w.table("compression", "dBm", 2, func(hz float64) float64 {
		return dBmOf(w.g.saturation(hz)) + decibel(amplifierAtCompression) - 1
	})
	w.line("  saturation: %.1f dBm", dBmOf(w.g.saturation(1e6))+0.1)
	w.line("  maximum_input: %g dBm   # at the crest of the modulation's envelope", amplifierInputRating)
	w.line("  maximum_duty: 100 %%")
	w.line("  reflected_limit: %.1f dBm", reverseRating)
	w.line("")
	w.line("to_clamp:")
	w.line("  - id: COAX1")
	w.line("    kind: coax")
	w.line("    serial: SIM-0004")
	w.coax(w.g.driveCoax)
	w.line("    maximum_power: 50 W")
	w.line("")
	w.line("coupler:")
	w.identity("CPL1", "simulated directional coupler, 30 dB", 5)
	for _, port := range []string{"forward", "reverse"} {
		w.line("  %s: {flat: %g dB, band: 100 kHz to 100 MHz}", port, coupling)
	}
	w.line("  loss: %g dB", couplerLoss)
	w.line("  maximum_power: %g dBm", couplerRating)
	w.line("power_meter:")
	w.identity("PM1", "simulated two-channel power meter", 6)
	w.address("powermeter", "power meter")
	w.line("  maximum_input: %g dBm", meterRating)
	w.line("  floor: %g dBm", meterFloor)
	w.line("")
}

// coax writes the loss of a coaxial cable in a list of passive pieces.
func (w *benchWriter) coax(at100MHz float64) {
	w.line("    loss:")
	w.line("      points:")
	for k := 0; k <= 6; k++ {
		hz := math.Pow(10, 5+float64(k)/2)
		w.line("        %s: %.3f dB", frequencyText(hz), at100MHz*math.Sqrt(hz/100e6))
	}
}

func (w *benchWriter) clamp() {
	w.line("clamp:")
	w.identity("CLAMP1", "simulated injection clamp, two turns on five cores", 7)
	w.table("insertion_loss", "dB", 2, func(hz float64) float64 { return w.g.clamp.insertionLoss(hz) + sheet(hz, 2) })
	w.table("return_loss", "dB", 2, func(hz float64) float64 {
		return math.Max(-decibel(magnitude(w.g.clamp.input(hz, 100))), 0)
	})
	w.table("series_impedance", "Ω", 2, func(hz float64) float64 {
		_, series := w.g.clamp.inject(hz, 1)
		return magnitude(series)
	})
	w.line("  maximum_forward: %g dBm", clampRating)
	w.line("  maximum_time: 60 min")
	w.line("  maximum_duty: 100 %%")
	w.line("")
}

func (w *benchWriter) cable() {
	c := w.g.cable
	w.line("cable:")
	w.line("  id: W1")
	w.line("  description: simulated cable of the invented weigher")
	w.line("  kind: RS-485")
	w.line("  length: %.2f m", c.clampToDUT+c.clampToAE)
	w.line("  height: %g mm", w.g.height*1e3)
	w.line("  clamp_to_dut: %.2f m", c.clampToDUT)
	w.line("  probe_to_dut: %g mm", c.probeToDUT*1e3)
	w.line("  decoupling: network of about %.0f Ω to the plane", math.Round(w.g.aeResistance/10)*10)
	w.line("  maximum_current: 300 mA   # r.m.s. at the envelope's crest")
	w.line("  expected_low: -20 dB")
	w.line("  expected_high: 10 dB")
	w.line("dut:")
	w.line("  id: DUT1")
	w.line("  description: conveyor belt weigher, invented")
	w.line("  serial: SIM-0008")
	w.line("  version: firmware 1.4, invented")
	w.line("  port: X2, text output")
	w.line("")
}

func (w *benchWriter) reading() {
	w.line("probe:")
	w.identity("PROBE1", "simulated monitoring probe, ten turns", 9)
	w.table("transfer_impedance", "dBΩ", 2, func(hz float64) float64 {
		return decibel(magnitude(w.g.probe.transfer(hz))) + sheet(hz, 4)
	})
	w.line("  maximum_current: %g A   # r.m.s. at the envelope's crest", probeRating)
	w.line("to_analyser:")
	w.line("  - id: PAD2")
	w.line("    kind: pad")
	w.line("    description: 20 dB pad")
	w.line("    serial: SIM-0010")
	w.line("    loss: 20 dB")
	w.line("    maximum_power: %g dBm", padRating)
	w.line("  - id: COAX2")
	w.line("    kind: coax")
	w.line("    serial: SIM-0011")
	w.coax(w.g.readCoax)
	w.line("    maximum_power: 50 W")
	w.line("analyser:")
	w.identity("SA1", "simulated spectrum analyser", 12)
	w.address("analyser", "analyser")
	w.line("  band: 9 kHz to 1 GHz")
	w.line("  maximum_input: %g dBm   # at the crest of the modulation's envelope", analyserRating)
	w.line("  mixer_limit: %g dBm   # at the connector, with the 0 dB of attenuation that provoke sets", mixerLimit)
	w.line("  bandwidths: [1 kHz, 3 kHz, 10 kHz, 30 kHz, 100 kHz]")
	w.line("  floor: %g dBm   # at 1 kHz, with 0 dB of attenuation", displayedNoise+30)
	w.line("")
}

// silenceAtLeast is the shortest silence of a monitor that says something about the product, and not
// about the machine that all of this shares.
const silenceAtLeast = 800 * time.Millisecond

// scaled is a time of the bench as wall time, not below least.
func (w *benchWriter) scaled(seconds float64, least time.Duration) rf.Duration {
	d := max(w.b.wall(seconds), least)
	return rf.Duration(d.Round(100 * time.Microsecond))
}

func (w *benchWriter) monitors() {
	w.line("monitors:")
	w.line("  - id: SHOWN")
	w.line("    kind: text")
	w.line("    description: the weigher's own text output")
	w.line("    address: %s", w.b.Address("dut"))
	w.line("    pattern: '([-+]?[0-9]+[.][0-9]+) kg'")
	w.line("    tolerance: %g kg", tolerance)
	w.line("    error_pattern: 'ERR [0-9]+'")
	w.line("    silence: %v", w.scaled(1, silenceAtLeast))
	w.line("    latency: %v", w.scaled(linePeriod, time.Millisecond))
	w.line("    reset: RESET")
	w.line("  - id: DMM1")
	w.line("    kind: meter")
	w.line("    description: voltage of the weigher's analogue output")
	w.line("    serial: SIM-0013")
	w.line("    address: %s", w.b.Address("meter"))
	w.line("    table: meter")
	w.line("    query: READ?")
	w.line("    tolerance: 10 mV")
	w.line("    silence: %v", w.scaled(2, silenceAtLeast))
	w.line("    latency: %v", w.scaled(0.02, time.Millisecond))
	w.line("    every: %v", w.scaled(0.2, 10*time.Millisecond))
	if w.b.config.Camera != nil {
		w.camera()
	}
	if w.b.config.Sound != nil {
		w.sound()
	}
	w.line("")
	w.line("interlock:")
	w.line("  id: LOCK1")
	w.line("  description: simulated door contact")
	w.line("  address: %s", w.b.Address("interlock"))
	w.line("  table: interlock")
}
