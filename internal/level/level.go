// Package level says what is asked for: the level profiles of the standards as data with their
// source and confidence, what a level means (modulation and its convention), and the frequencies
// at which it is asked (grids). It does not know any bench.
package level

import (
	"math"

	"provoke/internal/rf"
)

// Kind of modulation.
type Kind string

const (
	CW    Kind = "CW"
	AM    Kind = "AM"
	Pulse Kind = "pulse"
)

// Convention says which part of the modulated signal a level describes.
type Convention string

const (
	// CarrierHeld: the level is the r.m.s. of the unmodulated carrier, and the peak rises when
	// modulation goes on (IEC 61000-4-6).
	CarrierHeld Convention = "carrier held"
	// PeakHeld: the level is the r.m.s. at the crest of the envelope, and the carrier is lowered
	// when modulation goes on (ISO 11452-1).
	PeakHeld Convention = "peak held"
)

// Modulation of the carrier. The zero value is CW.
type Modulation struct {
	Kind  Kind         `json:"kind"`
	Depth rf.Fraction  `json:"depth,omitempty"` // AM
	Rate  rf.Frequency `json:"rate,omitempty"`  // AM and pulse
	Duty  rf.Fraction  `json:"duty,omitempty"`  // pulse
	Hold  Convention   `json:"hold,omitempty"`
}

// IsCW reports that the carrier is not modulated.
func (m Modulation) IsCW() bool { return m.Kind == CW || m.Kind == "" }

// CrestOverCarrier returns the crest of the envelope above the unmodulated carrier:
// 20·log10(1+m) for AM, 0 dB for CW and for pulse.
func (m Modulation) CrestOverCarrier() rf.Gain {
	if m.Kind == AM {
		return rf.GainOfAmplitudeRatio(1 + float64(m.Depth))
	}
	return 0
}

// CarrierOverLevel returns where the carrier is set against the level: 0 dB when the carrier is
// held, minus the crest when the peak is held.
func (m Modulation) CarrierOverLevel() rf.Gain {
	if m.Hold == PeakHeld {
		return -m.CrestOverCarrier()
	}
	return 0
}

// CrestOverLevel returns the crest of the envelope against the level.
func (m Modulation) CrestOverLevel() rf.Gain { return m.CarrierOverLevel() + m.CrestOverCarrier() }

// MeanOverCarrier returns the mean power against the unmodulated carrier: 10·log10(1+m²/2) for
// AM, 10·log10(duty) for pulse.
func (m Modulation) MeanOverCarrier() rf.Gain {
	switch m.Kind {
	case AM:
		return rf.GainOfPowerRatio(1 + math.Pow(float64(m.Depth), 2)/2)
	case Pulse:
		return rf.GainOfPowerRatio(float64(m.Duty))
	}
	return 0
}

// Ask is what a profile asks for at one frequency.
type Ask struct {
	// Current is the level as a current on the cable or in the calibration loop.
	Current rf.Current `json:"current,omitzero"`
	// EMF is the open-circuit voltage behind LoopImpedance/2, for profiles that ask for one.
	EMF rf.Voltage `json:"emf,omitzero"`
	// LoopImpedance is the loop in which Current is defined: 300 Ω for an e.m.f. behind 150 Ω into
	// 150 Ω, 100 Ω for a 50 + 50 Ω jig; absent for a current on the cable itself.
	LoopImpedance rf.Resistance `json:"loop,omitzero"`
	// Limit is the largest current the standard lets the clamp put on the cable; absent for none.
	Limit rf.Current `json:"limit,omitzero"`
}

// Profile is a level over frequency, with what the level means.
type Profile struct {
	ID          string // as written in a plan, e.g. "iec-61000-4-6/level-3"
	Title       string
	Source      string // standard, clause, or where the figures come from
	Confidence  string // "read", "from memory, high", …
	Verified    bool   // false: shown with the mark Unverified wherever it is used
	Means       string // what the level is, in words
	Modulations []Modulation
	Low, High   rf.Frequency
	at          func(rf.Frequency) (Ask, error)
}

// Unverified is the mark shown with a profile whose figures were not read in the standard.
const Unverified = "not verified against the standard's text"

// At returns what is asked at a frequency; outside Low to High it is an error.
func (p Profile) At(f rf.Frequency) (Ask, error) { return p.at(f) }
