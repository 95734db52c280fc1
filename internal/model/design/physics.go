package design

import (
	"math"

	"provoke/internal/model/ferrite"
	"provoke/internal/units/rf"
)

const vacuumPermeability = 4e-7 * math.Pi

// PeakFlux returns the peak flux density of a sine of v V r.m.s. per turn: v/(√2·π·f·A). The voltage
// is that across the magnetising branch, not the generator's e.m.f.
func PeakFlux(perTurn float64, f rf.Frequency, area float64) ferrite.FluxDensity {
	return ferrite.FluxDensity(perTurn / (math.Sqrt2 * math.Pi * f.Hz() * area))
}

// Transfer is what a small core of a monitoring probe sees when it monitors a current, and when it is
// made to inject the same current.
type Transfer struct {
	Monitoring, Injecting ferrite.FluxDensity
	// Ratio is Zloop·N²/R: how many times more flux injecting takes.
	Ratio float64
	// PerTurnMonitoring and PerTurnInjecting are the voltages per turn, V r.m.s.
	PerTurnMonitoring, PerTurnInjecting float64
	// Drive is the voltage that the winding needs for that, V r.m.s., leakage and magnetising current
	// left out; Load is what the probe's own load takes of it, in watt.
	Drive float64
	Load  float64
}

// ProbeAsInjector compares a probe of n turns and load r that monitors a current with the same probe
// injecting it into a loop. While it monitors, the ampere-turns of its winding cancel those of the
// cable, and the voltage per turn is I·R/N²; to inject, it has to put I·Zloop into the cable.
func ProbeAsInjector(i rf.Current, loop rf.Resistance, n int, load rf.Resistance, area float64,
	f rf.Frequency) Transfer {
	turns := float64(n)
	monitoring, injecting := i.SI()*float64(load)/(turns*turns), i.SI()*float64(loop)
	return Transfer{
		Monitoring: PeakFlux(monitoring, f, area), Injecting: PeakFlux(injecting, f,
			area), Ratio: injecting / monitoring,
		PerTurnMonitoring: monitoring, PerTurnInjecting: injecting,
		Drive: turns * injecting, Load: turns * injecting * turns * injecting / float64(load),
	}
}
