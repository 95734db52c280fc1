package result

import (
	"math"
	"slices"
	"strings"
	"time"
	"unique"

	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/units/rf"
)

// Step is a closed step at its place in the journal, with what event.StepClosed says of it. A run of half
// a million steps has to fit into memory: what the steps at one frequency share is held once, what few
// steps have stands aside, and no text of a record is kept alive by a part of it.
type Step struct {
	Seq              int64
	At               time.Time
	Step             Planned
	Attempt          int
	Outcome          plan.Outcome
	Drive            rf.Power
	Current          rf.Current
	Highest          rf.Current
	Forward, Reverse rf.Power
	ForwardPredicted bool
	Predicted        rf.Current
	OnFor            rf.Duration
	// Quiet is the DUT's reading before RF, one per monitor that gives numbers.
	Quiet []Quiet
	// Dwelt is what the monitors that give numbers read in the dwell.
	Dwelt []Dwelt
	*Particulars
}

// Planned is the plan.Step of a closed step.
type Planned struct {
	Number  int
	Point   *Place
	Purpose plan.Purpose
	Offset  rf.Gain
}

// Place is what the steps at one frequency share; not to be changed.
type Place struct {
	plan.Point
	Means string // what the level means
}

// Particulars are what few steps have; not to be changed.
type Particulars struct {
	Class          event.Class
	RecoveredAfter rf.Duration
	Readings       []event.Reading // kept only where the DUT upset, for the plots
	Limited        string
	Note           string
	Descend        []rf.Gain    // of a recovery step: the offsets it was to go down through
	Descent        []rf.Current // and the current measured at each that it visited
}

// Quiet is a DUT reading taken while RF was off, before the exposure.
type Quiet struct {
	Monitor string
	Value   float64
}

// Dwelt is what one monitor read in a dwell: the mean of its looks and their standard deviation.
type Dwelt struct {
	Monitor      string
	Mean, Spread float64
	Looks        int
}

// usual is what a step without anything particular shares with all the others.
var usual = &Particulars{}

// StepOf returns the step of a closed one as it was journalled.
func StepOf(seq int64, at time.Time, e event.StepClosed) *Step {
	return stepOf(seq, at, &e, &Place{e.Step.Point, once(e.Means)})
}

// stepOf is StepOf at a place that it shares.
func stepOf(seq int64, at time.Time, e *event.StepClosed, place *Place) *Step {
	return &Step{
		Seq: seq, At: at, Attempt: e.Attempt, Outcome: e.Outcome, Drive: e.Drive, Current: e.Current,
		Highest: e.Highest,
		Forward: e.Forward, Reverse: e.Reverse, ForwardPredicted: e.ForwardPredicted, Predicted: e.Predicted,
		OnFor: e.OnFor,
		Step: Planned{Number: e.Step.Number, Point: place, Purpose: plan.Purpose(once(string(e.Step.Purpose))),
			Offset: e.Step.Offset},
		Quiet: quiet(e.Readings), Dwelt: dwelt(e.Readings, e.OnFor), Particulars: particulars(e),
	}
}

// Planned returns the step as it was planned.
func (s *Step) Planned() plan.Step {
	return plan.Step{Number: s.Step.Number, Point: s.Step.Point.Point, Purpose: s.Step.Purpose, Offset: s.Step.Offset,
		Descend: s.Descend}
}

func particulars(e *event.StepClosed) *Particulars {
	if !e.Outcome.Upset && e.Class == "" && e.RecoveredAfter == 0 && e.Limited == "" && e.Note == "" &&
		e.Step.Descend == nil && e.Descent == nil {
		return usual
	}
	p := &Particulars{Class: event.Class(once(string(e.Class))), RecoveredAfter: e.RecoveredAfter,
		Limited: once(e.Limited),
		Note:    strings.Clone(e.Note), Descend: e.Step.Descend, Descent: e.Descent}
	if e.Outcome.Upset {
		p.Readings = slices.Clip(slices.Clone(e.Readings))
		for i := range p.Readings {
			r := &p.Readings[i]
			r.Monitor, r.Text, r.Why = once(r.Monitor), strings.Clone(r.Text), strings.Clone(r.Why)
		}
	}
	return p
}

// once returns the one copy of a text that many steps have.
func once(text string) string {
	if text == "" {
		return ""
	}
	return unique.Make(text).Value()
}

// quiet returns each monitor's last number before RF came on.
func quiet(readings []event.Reading) []Quiet {
	var out []Quiet
next:
	for _, x := range readings {
		if x.RFOn || x.After >= 0 || !x.HasValue {
			continue
		}
		for i := range out {
			if out[i].Monitor == x.Monitor {
				out[i].Value = x.Value
				continue next
			}
		}
		out = append(out, Quiet{once(x.Monitor), x.Value})
	}
	return out
}

// dwelt takes the readings of a dwell that lasted onFor. The journal calls RF on at the rest level too, so the time
// decides.
func dwelt(readings []event.Reading, onFor rf.Duration) []Dwelt {
	var out []Dwelt
	for _, x := range readings {
		if !x.HasValue || x.After <= 0 || x.After > onFor {
			continue
		}
		i := slices.IndexFunc(out, func(d Dwelt) bool { return d.Monitor == x.Monitor })
		if i < 0 {
			i, out = len(out), append(out, Dwelt{Monitor: once(x.Monitor)})
		}
		d := &out[i] // Welford's running mean
		d.Looks++
		off := x.Value - d.Mean
		d.Mean += off / float64(d.Looks)
		d.Spread += off * (x.Value - d.Mean)
	}
	for i := range out {
		out[i].Spread = math.Sqrt(out[i].Spread / float64(max(1, out[i].Looks-1)))
	}
	return out
}
