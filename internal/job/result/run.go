// Package result says what a run is, from its journalled events alone: Fold takes a run and the
// next record and returns the run after it. The live page, the tables, the findings and the report
// of a run years later are all this one fold, so they cannot tell different stories. It computes no
// thresholds of its own across runs (package analysis does) and touches no file, clock or
// instrument. It stands between event and analysis.
package result

import (
	"slices"
	"sort"
	"time"

	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/units/rf"
)

// State is what a run is doing.
type State string

// The states, in the order a run goes through them. The empty state is that of a run without any
// event.
const (
	Opening  State = "opening"  // opened, not armed
	Armed    State = "armed"    // armed, first light, no exposure yet
	Exposing State = "exposing" // steps are done one after the other
	Holding  State = "holding"  // paused; may go on by itself
	Tripped  State = "tripped"  // latched; a person has to arm again
	Safing   State = "safing"   // the bench is being silenced
	Closed   State = "closed"   // its last event is written
)

// Run is the state of a run after some of its events. The zero value is a run without events.
type Run struct {
	Number   int
	State    State
	Opened   event.Opened
	OpenedAt time.Time
	LastAt   time.Time // of the last record
	Records  int64     // number of records folded
	// Unreadable counts records that this program cannot read; they are passed over.
	Unreadable int
	Head       string // chain hash of the last record

	Armed      *event.Armed
	FirstLight []event.FirstLight
	// Monitors is how the DUT was watched, with the baselines once they were taken.
	Monitors  []event.Monitor
	Now       Now
	Last      *Step           // newest closed step; nil before the first
	Readings  []event.Reading // of the newest closed step
	Steps     []*Step         // closed steps in the order they were closed; not to be changed
	Abandoned []event.Intent  // intents whose step never closed: a crash, a trip or a stop came between

	// Laboratory is what a laboratory reported, in a run of event.LaboratoryKind; nil otherwise.
	Laboratory *event.LaboratoryFailures

	// By hand: sources that provoke could not switch off, what a person was asked for, passes of a source
	// that swept by itself and what they say together, and what was joined to the run from files.
	HardwareOff []event.HardwareOff
	ByHand      []event.ByHand
	Passes      []event.SweepPass
	Bands       *event.SweepBands
	Traces      []event.TraceRead
	Logs        []event.LogRead

	// Fixing are the hands that went in and out, and the references, of a run of the fixing loop, in order.
	Fixing []event.Record

	// ClockSets are the steps of the wall clock during the run, by which times of its records are apart.
	ClockSets   []event.ClockSet
	Notes       []Noted
	Attachments []Attached
	Marks       []Marked
	Holds       []Hold
	Resumptions []Resumption
	Trips       []Trip

	// StopCause is the first cause of a stop before the plan's end; later ones do not replace it.
	StopCause      string
	StopBy         string // "guard", "operator", "engine", …
	StoppedByHuman bool
	Safed          *event.Safed // the last safing, with what was read back
	Verdict        event.Verdict
	Why            string

	// Exposures counts dwells with RF on (in a baseline, dwells without RF); Upsets counts steps in
	// which the DUT upset (in a baseline, false alarms).
	Exposures, Upsets, NotReached, Skipped int
	// HighestCurrent is the highest current that any step measured or asked for.
	HighestCurrent rf.Current

	points map[rf.Frequency]*Point
	order  []rf.Frequency // as first seen
}

// Now is what the run is at: the step whose intent was journalled and which is not closed yet.
type Now struct {
	Active    bool
	Step      plan.Step
	Attempt   int
	Since     time.Time
	Frequency rf.Frequency
	// Drive is the generator setting the step starts from, Target the current it asks for; both
	// with the step's offset. In closed loop the drive in use may differ.
	Drive  rf.Power
	Target rf.Current
	// Current is the current measured last, which belongs to the newest closed step.
	Current rf.Current
}

// Point is everything that was done at one frequency.
type Point struct {
	Frequency rf.Frequency
	Target    rf.Current // what offset 0 dB asks for; absent in constant drive
	Wanted    rf.Current // what the profile asks for; absent when it was not journalled
	Steps     []*Step    // in the order closed, every attempt
}

// Noted is a remark with its time.
type Noted struct {
	At time.Time
	event.Note
}

// Attached is a file that joined the run, with its time.
type Attached struct {
	At time.Time
	event.Attached
}

// Marked is the operator's mark with its time.
type Marked struct {
	At   time.Time
	Text string
}

// Hold is a pause; To is zero while it lasts.
type Hold struct {
	From, To time.Time
	Why      string
}

// Resumption is a run taken up again after it had stopped.
type Resumption struct {
	At  time.Time
	Why string
}

// Trip is one latched stop.
type Trip struct {
	At time.Time
	event.Tripped
}

// Ended reports that the run's last event is written.
func (r Run) Ended() bool { return r.State == Closed }

// Points returns what was done at each frequency, ascending.
func (r Run) Points() []*Point {
	out := make([]*Point, 0, len(r.order))
	for _, f := range r.order {
		out = append(out, r.points[f])
	}
	sort.Slice(out, func(i, j int) bool { return out[i].Frequency < out[j].Frequency })
	return out
}

// Frequencies counts where something was done.
func (r Run) Frequencies() int { return len(r.order) }

// Point returns what was done at a frequency, nil when nothing was.
func (r Run) Point(f rf.Frequency) *Point { return r.points[f] }

// UpsetAt returns the lowest current that was measured to upset, by frequency.
func (r Run) UpsetAt() map[rf.Frequency]rf.Current {
	out := map[rf.Frequency]rf.Current{}
	for _, s := range r.Steps {
		if f := s.Step.Point.Frequency; s.Outcome.Upset && s.Current.Exact() {
			out[f] = out[f].Lower(s.Current)
		}
	}
	return out
}

// Outcomes returns the outcome of each closed step in the order of closing, as plan.Program wants
// them to resume. A step number that was closed twice counts once, with its last outcome.
func (r Run) Outcomes() []plan.Outcome {
	out := make([]plan.Outcome, 0, len(r.Steps))
	at := make(map[int]int, len(r.Steps))
	for _, s := range r.Steps {
		o := s.Outcome
		if o.Number == 0 {
			o.Number = s.Step.Number
		}
		if i, ok := at[o.Number]; ok {
			out[i] = o
			continue
		}
		at[o.Number] = len(out)
		out = append(out, o)
	}
	return out
}

// Attempts returns how often a step was tried: closed attempts and abandoned ones. The next
// attempt of that step is one more.
func (r Run) Attempts(step int) int {
	n := 0
	for _, s := range r.Steps {
		if s.Step.Number == step {
			n = max(n, s.Attempt)
		}
	}
	for _, i := range r.Abandoned {
		if i.Step.Number == step {
			n = max(n, i.Attempt)
		}
	}
	if r.Now.Active && r.Now.Step.Number == step {
		n = max(n, r.Now.Attempt)
	}
	return n
}

// RFNotKnownOff reports that the last safing could not confirm silence.
func (r Run) RFNotKnownOff() bool {
	return r.Verdict == event.RFNotKnownOff || (r.Safed != nil && !r.Safed.Quiet)
}

// Clone returns a copy that further folding of r does not touch: what a page draws from while the
// run goes on.
func (r Run) Clone() Run {
	c := r
	c.FirstLight = slices.Clone(r.FirstLight)
	c.Steps = slices.Clip(r.Steps)
	c.Abandoned = slices.Clip(r.Abandoned)
	c.Notes = slices.Clip(r.Notes)
	c.ClockSets = slices.Clip(r.ClockSets)
	c.HardwareOff, c.ByHand, c.Passes = slices.Clip(r.HardwareOff), slices.Clip(r.ByHand), slices.Clip(r.Passes)
	c.Traces, c.Logs = slices.Clip(r.Traces), slices.Clip(r.Logs)
	c.Attachments = slices.Clip(r.Attachments)
	c.Marks, c.Fixing = slices.Clip(r.Marks), slices.Clip(r.Fixing)
	c.Holds = slices.Clone(r.Holds)
	c.Resumptions = slices.Clip(r.Resumptions)
	c.Trips = slices.Clip(r.Trips)
	c.order = slices.Clip(r.order)
	c.points = make(map[rf.Frequency]*Point, len(r.points))
	for f, p := range r.points {
		q := *p
		q.Steps = slices.Clip(p.Steps)
		c.points[f] = &q
	}
	return c
}

// AtEdgeOnly reports that the frequency was visited only to find the edge of a failing band: it is
// not of the plan's grid.
func (p *Point) AtEdgeOnly() bool {
	return len(p.Steps) > 0 && p.Steps[0].Step.Purpose == plan.Edge
}
