package analysis

import (
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/units/rf"
)

// Confirmation is what a stepped run says of a band that a free sweep found.
type Confirmation string

// The confirmations.
const (
	Confirmed  Confirmation = "confirmed"
	Rejected   Confirmation = "rejected: stepped through without an upset"
	NotStepped Confirmation = "not stepped through yet"
)

// SweptBand is a band that a source which sweeps by itself found, with what a stepped run afterwards
// says of it.
type SweptBand struct {
	event.SweepBand
	Confirmation Confirmation
	By           int // the run that says so; 0 for none
	// Exposed is the number of its frequencies within the band's limits, Upset how many of them upset.
	Exposed, Upset int
	At             rf.Frequency // of the lowest onset, where one upset
	Onset          rf.Current
}

// SweptBands returns the bands of a free sweep with what the newest stepped run of the same bench,
// state of the product, modulation and drive says of each. A band is confirmed by an upset within its
// limits, and rejected where steps from one end to the other stood.
func SweptBands(r result.Run, runs []result.Run) []SweptBand {
	if r.Bands == nil {
		return nil
	}
	var out []SweptBand
	for _, b := range r.Bands.Bands {
		x := SweptBand{SweepBand: b, Confirmation: NotStepped}
		for _, later := range runs {
			if steps(r, later) {
				x.hold(later)
			}
		}
		out = append(out, x)
	}
	return out
}

// Stepping reports that a later run, by how it was opened, may confirm the bands of a free sweep.
func Stepping(swept, later event.Opened) bool {
	return later.RunKind == plan.Exposure && later.Mode == plan.ConstantDrive &&
		later.Bench.SHA256 == swept.Bench.SHA256 &&
		later.Changed == swept.Changed && later.Modulation == swept.Modulation
}

// steps reports that a run stepped with no more than the drive of the sweep.
func steps(swept, later result.Run) bool {
	const same rf.Gain = 0.2
	if later.Number <= swept.Number || !Stepping(swept.Opened, later.Opened) || len(swept.Passes) == 0 {
		return false
	}
	// A pass is journalled with the source's setting, a step with the drive of the unmodulated carrier.
	drive := swept.Passes[0].Drive.Sub(swept.Opened.Modulation.CarrierOverLevel())
	for _, s := range later.Steps {
		if over, _ := s.Drive.Minus(drive); over > same {
			return false
		}
	}
	return true
}

// hold takes what a run says of the band; a run that exposed nothing in it says nothing.
func (x *SweptBand) hold(r result.Run) {
	low, high := x.Low-x.Within, x.High+x.Within
	y := SweptBand{SweepBand: x.SweepBand, By: r.Number, Confirmation: NotStepped}
	below, above := false, false
	for _, t := range r.Thresholds() {
		below = below || t.Frequency <= x.Low && t.Exposures > 0
		above = above || t.Frequency >= x.High && t.Exposures > 0
		if t.Exposures == 0 || t.Frequency < low || t.Frequency > high {
			continue
		}
		y.Exposed++
		if t.Upset {
			y.Upset++
			if !y.At.Known() || t.Onset.Known() && (!y.Onset.Known() || t.Onset.DB() < y.Onset.DB()) {
				y.At, y.Onset = t.Frequency, t.Onset
			}
		}
	}
	switch {
	case y.Upset > 0:
		y.Confirmation = Confirmed
	case y.Exposed > 0 && below && above:
		y.Confirmation = Rejected
	default:
		return
	}
	*x = y
}
