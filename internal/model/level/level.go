package level

import (
	"fmt"

	"provoke/internal/units/rf"
)

// Ask is what a profile asks for at one frequency.
type Ask struct {
	// Current is the level as a current on the cable or in the calibration loop.
	Current rf.Current `json:"current,omitzero"`
	// EMF is the open-circuit voltage behind LoopImpedance/2, for profiles that ask for one.
	EMF rf.Voltage `json:"emf,omitzero"`
	// LoopImpedance is the loop in which Current is defined: 300 Ω for an e.m.f. behind 150 Ω into
	// 150 Ω, 100 Ω for a 50 + 50 Ω jig; absent for a current on the cable itself.
	LoopImpedance rf.Resistance `json:"loop,omitzero"`
	// Interpolated: the frequency is not one of those that a list names; the level lies on the
	// straight line between its neighbours, in decibel over the logarithm of frequency.
	Interpolated bool `json:"interpolated,omitzero"`
	// Limit is the largest current the standard lets the clamp put on the cable; absent for none.
	Limit rf.Current `json:"limit,omitzero"`
}

// Profile is a level over frequency, with what the level means. The zero Profile asks for nothing:
// every At is an error.
type Profile struct {
	ID         string // as written in a plan, e.g. "iec-61000-4-6/level-3"
	VariantOf  string // id of the profile that this one is a variant of; empty for most
	Title      string
	Source     string  // standard, clause, or where the figures come from
	Confidence string  // "read", "from memory, high", …
	Verified   bool    // false: shown with the mark Unverified wherever it is used
	Checked    Checked // by the user, whose words then stand in place of that mark
	Means      string  // what the level is, in words
	// Notes are what else the user of the profile should know, one sentence each.
	Notes []string
	// Hold is which part of a modulated signal the level describes.
	Hold Convention
	// Modulations are the usual ones, each with its convention.
	Modulations []Modulation
	// Low and High are the ends of the band; both absent for a level that holds everywhere.
	Low, High rf.Frequency
	// Corners are the frequencies at which the level bends, jumps or is listed. A grid that leaves
	// them out can miss a narrow band.
	Corners []rf.Frequency
	// Steps are the ids of the step rules that the standard goes with, the usual one first.
	Steps []string
	at    func(rf.Frequency) (Ask, error)
}

// Unverified is the mark shown with a profile whose figures were not read in the standard.
const Unverified = "not verified against the standard's text"

// Mark returns what is said of a profile that is not verified: who checked it, else Unverified; "" for one that is.
func (p Profile) Mark() string {
	switch {
	case p.Verified:
		return ""
	case p.Checked.By != "":
		return p.Checked.String()
	}
	return Unverified
}

// Checked says who compared a profile's figures with their own copy of the standard.
type Checked struct{ By, On, Edition, Figures string }

// String is what stands in place of Unverified: "checked by A. Example on 2026-11-02 against edition 5.0 of the
// standard: 150 kHz to 80 MHz, level 3".
func (c Checked) String() string {
	if c.By == "" {
		return ""
	}
	return fmt.Sprintf("checked by %s on %s against edition %s of the standard: %s", c.By, c.On, c.Edition, c.Figures)
}

// endSlack is the relative difference by which two frequencies count as the same.
const endSlack = 1e-9

// OutsideError says that a profile was asked for a level beyond its band.
type OutsideError struct {
	ID            string
	At, Low, High rf.Frequency
}

func (e *OutsideError) Error() string {
	return fmt.Sprintf("%v is outside the profile %s, which asks for levels from %v to %v", e.At, e.ID, e.Low, e.High)
}

// At returns what is asked at a frequency; outside Low to High it is an *OutsideError.
func (p Profile) At(f rf.Frequency) (Ask, error) {
	if p.at == nil {
		return Ask{}, fmt.Errorf("no level profile was given")
	}
	if !f.Known() {
		return Ask{}, fmt.Errorf("the profile %s was asked for a level at no frequency", p.ID)
	}
	if p.Low.Known() && f < p.Low*(1-endSlack) || p.High.Known() && f > p.High*(1+endSlack) {
		return Ask{}, &OutsideError{p.ID, f, p.Low, p.High}
	}
	return p.at(f)
}

// Convention returns the modulation with the profile's convention where it states none itself.
func (p Profile) Convention(m Modulation) Modulation {
	if m.Hold == "" && !m.IsCW() {
		m.Hold = p.Hold
	}
	return m
}
