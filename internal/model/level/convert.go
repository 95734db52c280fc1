package level

import (
	"fmt"
	"strings"

	"provoke/internal/units/rf"
)

// The impedances of the 150 Ω system of IEC 61000-4-6 and of the 50 Ω injection jig.
const (
	// Loop150 is the matched loop of IEC 61000-4-6: 150 Ω source and 150 Ω load.
	Loop150 rf.Resistance = 300
	// Loop50 is the loop of a coaxial jig with 50 Ω at both ends.
	Loop50 rf.Resistance = 100
	// clampLimit is the resistance in which the e.m.f. gives the clamp's current limit.
	clampLimit rf.Resistance = 150
)

// ClosedLoopPowerFactor is how far above the calibration's forward power the closed-loop method of
// ISO 11452-4 may go unless the test plan says otherwise: four times, 6.02 dB (from memory, high).
const ClosedLoopPowerFactor = 4.0

// LoopCurrent returns the current that an e.m.f. drives through a matched loop of the given total
// impedance: U0/300 Ω in the 150 Ω system.
func LoopCurrent(emf rf.Voltage, loop rf.Resistance) rf.Current {
	return rf.CurrentOfVoltage(emf, loop)
}

// EMFOfLoopCurrent returns the e.m.f. that drives a current through a matched loop: 300 Ω·I in the
// 150 Ω system, 100 Ω·I in a 50 + 50 Ω jig.
func EMFOfLoopCurrent(i rf.Current, loop rf.Resistance) rf.Voltage {
	return rf.VoltageOfCurrent(i, loop)
}

// ClampLimit returns the largest current that a clamp may drive for an e.m.f.: U0/150 Ω, 6.02 dB
// above the matched-loop current (IEC 61000-4-6; from memory, high).
func ClampLimit(emf rf.Voltage) rf.Current { return rf.CurrentOfVoltage(emf, clampLimit) }

// JigReading returns what a 50 Ω meter shows behind the 150-to-50 Ω adaptor while an e.m.f. is
// set: Umr = U0/6 (IEC 61000-4-6: half of the e.m.f. into the match, a third of that across 50 of
// 150 Ω).
func JigReading(emf rf.Voltage) rf.Voltage { return emf.Sub(rf.GainOfAmplitudeRatio(6)) }

// FieldStrength is an electric field as a voltage per metre. The zero value is absent.
type FieldStrength struct{ perMetre rf.Voltage }

// ParseFieldStrength reads "20 V/m" and "140 dBµV/m".
func ParseFieldStrength(text string) (FieldStrength, error) {
	t, ok := strings.CutSuffix(strings.TrimSpace(text), "/m")
	if !ok {
		return FieldStrength{}, fmt.Errorf("%q is not a field strength (want for example \"20 V/m\")", text)
	}
	v, err := rf.Parse[rf.Volt](t)
	return FieldStrength{v}, err
}

// PerMetre returns the voltage over one metre.
func (e FieldStrength) PerMetre() rf.Voltage { return e.perMetre }

// String prints the field strength: "20.0 V/m".
func (e FieldStrength) String() string { return e.perMetre.Linear() + "/m" }

// Pairing is a published pair of a field strength and the injected current that stands beside it.
type Pairing struct {
	Name       string
	PerField   rf.Current // for 1 V/m
	Source     string
	Confidence string
}

// Pairings returns the published pairs of current and field strength, lowest first. They spread
// over about 7 dB: what they give for a product's cable is indicative and nothing more.
func Pairings() []Pairing {
	return []Pairing{
		{"aircraft, resonant region", rf.Amperes(1.5e-3),
			"14 CFR Part 25 App. L: 30 mA beside 20 V/m; MIL-STD-461 CS114 rationale",
			"read for the CFR pair; CS114 from memory, high"},
		{"road vehicles", rf.Amperes(2e-3),
			"EU vehicle rules: 48 mA beside 24 V/m; set by regulation, not by coupling physics", "read"},
		{"IEC 61000-4-6 beside 61000-4-3", LoopCurrent(rf.Volts(1), Loop150),
			"U0 in V equal to E in V/m, into a matched 300 Ω loop", "from memory, medium"},
	}
}

// Indicative is a range of currents that published pairings put beside a field strength.
type Indicative struct {
	Low, High rf.Current
	// Caution says what the range is worth; it is shown with it.
	Caution string
}

// IndicativeCurrent returns the currents that the published pairings, 1.5 to 3.3 mA per V/m, put
// beside a field strength.
func IndicativeCurrent(e FieldStrength) Indicative {
	p := Pairings()
	at := func(i rf.Current) rf.Current {
		g, b := e.perMetre.Minus(rf.Volts(1))
		if b != rf.Exactly {
			return rf.Current{}
		}
		return i.Add(g)
	}
	return Indicative{at(p[0].PerField), at(p[len(p)-1].PerField),
		"indicative only: published pairings of field and current spread over 7 dB, and none knows this cable"}
}
