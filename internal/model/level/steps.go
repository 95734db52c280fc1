package level

import (
	"fmt"

	"provoke/internal/units/rf"
)

// StepBand is the largest step of a standard in one band. One of Relative, Linear and PerDecade
// is set.
type StepBand struct {
	Low, High rf.Frequency
	Relative  rf.Fraction  // of the frequency before
	Linear    rf.Frequency // in hertz
	PerDecade int          // equal ratios, this many steps to a decade
	// ScanRate is the fastest continuous scan as a share of the tuned frequency per second; 0 where
	// the standard has none.
	ScanRate float64
}

// Grid returns the coarsest grid between two frequencies that the band's step allows.
func (b StepBand) Grid(low, high rf.Frequency) Grid {
	switch {
	case b.Relative > 0:
		return GridPercent(low, high, b.Relative)
	case b.Linear > 0:
		return GridLinear(low, high, b.Linear)
	}
	return GridPerDecade(low, high, b.PerDecade)
}

// StepRule is what a standard says about steps and dwell.
type StepRule struct {
	ID         string // e.g. "mil-std-461"
	Title      string
	Source     string
	Confidence string
	Verified   bool // false: shown with the mark Unverified wherever it is used
	Bands      []StepBand
	Dwell      rf.Duration // shortest; the DUT's reaction time where that is longer
	DwellNote  string
}

// Mark returns Unverified for a rule that is not verified, else "".
func (r StepRule) Mark() string {
	if r.Verified {
		return ""
	}
	return Unverified
}

// Grid returns the coarsest grid from low to high that the rule allows: each band's steps, the
// shared corners once. A stretch that the rule says nothing about is an error.
func (r StepRule) Grid(low, high rf.Frequency) (Grid, error) {
	if err := checkEnds(low, high); err != nil {
		return Grid{}, err
	}
	var parts []Grid
	reached := low
	for _, b := range r.Bands {
		from, to := max(low, b.Low), min(high, b.High)
		if from > to || from == to && from != low {
			continue
		}
		if from > reached*(1+endSlack) {
			break
		}
		parts = append(parts, b.Grid(from, to))
		reached = to
	}
	if len(parts) == 0 || reached < high*(1-endSlack) {
		first, last := r.Bands[0].Low, r.Bands[len(r.Bands)-1].High
		return Grid{}, fmt.Errorf("the step rule %s covers %v to %v and not all of %v to %v", r.ID, first, last,
			low, high)
	}
	return GridUnion(parts...), nil
}

const milReaction = "3 s or the DUT's reaction time, whichever is longer (461F and G; 461D and E: 1 s)"

// StepRules returns the step and dwell rules of the standards.
func StepRules() []StepRule {
	k, m, g := rf.Kilohertz, rf.Megahertz, rf.Gigahertz
	second := rf.Duration(1e9)
	return []StepRule{
		{
			ID: "iec-61000-4-6", Title: "IEC 61000-4-6, steps of 1 % at most",
			Source: "IEC 61000-4-6, test procedure", Confidence: "from memory, high",
			Bands: []StepBand{{Low: 150 * k, High: 230 * m, Relative: 0.01}},
			Dwell: second / 2, DwellNote: "time to exercise the DUT and see it react, and at least 0.5 s",
		},
		{
			ID: "iso-11452-1/linear", Title: "ISO 11452-1, largest linear steps",
			Source: "ISO 11452-1, table of largest frequency steps", Confidence: "from memory, medium",
			Bands: []StepBand{
				{Low: 10 * k, High: 100 * k, Linear: 10 * k},
				{Low: 100 * k, High: m, Linear: 100 * k},
				{Low: m, High: 10 * m, Linear: m},
				{Low: 10 * m, High: 200 * m, Linear: 5 * m},
				{Low: 200 * m, High: 400 * m, Linear: 10 * m},
				{Low: 400 * m, High: g, Linear: 20 * m},
				{Low: g, High: 18 * g, Linear: 40 * m},
			},
			Dwell: second, DwellNote: "at least 1 s, or the DUT's reaction time where that is longer",
		},
		{
			ID: "iso-11452-1/log", Title: "ISO 11452-1, largest logarithmic steps",
			Source: "ISO 11452-1, table of largest frequency steps", Confidence: "from memory, medium",
			Bands: isoLogSteps(),
			Dwell: second, DwellNote: "at least 1 s, or the DUT's reaction time where that is longer",
		},
		{
			ID: "un-r10", Title: "UN R10, steps of ISO 11452-1, dwell 2 s",
			Source: "UN Regulation No. 10, immunity of electronic sub-assemblies", Confidence: "from memory, medium",
			Bands: isoLogSteps(),
			Dwell: 2 * second, DwellNote: "2 s, or the DUT's reaction time where that is longer",
		},
		{
			ID: "mil-std-461", Title: "MIL-STD-461F and G, susceptibility scanning",
			Source:     "MIL-STD-461F/G, general requirements, table of susceptibility scanning",
			Confidence: "from memory, high",
			Bands: []StepBand{
				{Low: 30, High: m, Relative: 0.05, ScanRate: 0.0333},
				{Low: m, High: 30 * m, Relative: 0.01, ScanRate: 0.00667},
				{Low: 30 * m, High: g, Relative: 0.005, ScanRate: 0.00333},
				{Low: g, High: 40 * g, Relative: 0.0025, ScanRate: 0.00167},
			},
			Dwell: 3 * second, DwellNote: milReaction,
		},
		{
			ID: "do-160", Title: "RTCA DO-160 section 20, 100 frequencies per decade",
			Source: "RTCA DO-160 section 20: f(n+1) = f(n)·10^(1/99)", Confidence: "from memory, medium",
			Bands: []StepBand{{Low: 10 * k, High: 400 * m, PerDecade: 99}},
			Dwell: second, DwellNote: "at least 1 s after settling, or one cycle of the DUT's work",
		},
	}
}

func isoLogSteps() []StepBand {
	k, m, g := rf.Kilohertz, rf.Megahertz, rf.Gigahertz
	return []StepBand{
		{Low: 10 * k, High: 10 * m, Relative: 0.10},
		{Low: 10 * m, High: 400 * m, Relative: 0.05},
		{Low: 400 * m, High: 18 * g, Relative: 0.02},
	}
}

// LookupSteps returns the step rule with an id; for an id that is not known the error names the
// nearest.
func LookupSteps(id string) (StepRule, error) {
	var ids []string
	for _, r := range StepRules() {
		if r.ID == normalID(id) {
			return r, nil
		}
		ids = append(ids, r.ID)
	}
	return StepRule{}, unknownID("step rule", id, ids)
}
