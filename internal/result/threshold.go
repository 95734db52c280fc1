package result

import (
	"math"

	"provoke/internal/event"
	"provoke/internal/plan"
	"provoke/internal/rf"
)

// Origin says how a current came about.
type Origin string

// The origins, best first.
const (
	Measured  Origin = "measured"  // with the monitoring probe, CW
	Asked     Origin = "asked for" // the level of the step; not measured
	Predicted Origin = "predicted" // by the budget at the drive in use; an estimate
)

// Level returns the current of a step with its origin: the measured one where there is a number,
// else the level asked for, else the budget's. A level that was not reached and not measured is
// only what the budget predicts at the drive in use.
func (s *Step) Level() (rf.Current, Origin) {
	switch {
	case s.Current.Known():
		return s.Current, Measured
	case s.Step.Point.Target.Known() && !s.Outcome.NotReached:
		return s.Step.Point.Target.Add(s.Step.Offset), Asked
	case s.Predicted.Known():
		return s.Predicted, Predicted
	}
	return rf.Current{}, ""
}

// position is where a step stands on the scale of offsets: its offset, or lower when it was not
// reached and the measured current tells how much lower.
func (s *Step) position() rf.Gain {
	if s.Outcome.NotReached {
		if g, _ := s.Current.Minus(s.Step.Point.Target); g.Finite() && g < s.Step.Offset {
			return g
		}
	}
	return s.Step.Offset
}

// exposed reports that the DUT saw the step.
func (s *Step) exposed() bool { return !s.Outcome.Skipped }

// stood reports that the step shows the DUT to stand the level at its position. A descent is not
// asked for that, and a level that was not reached shows only what was measured.
func (s *Step) stood() bool {
	if s.Outcome.Skipped || s.Outcome.Upset || s.Step.Purpose == plan.Recover {
		return false
	}
	if s.Outcome.NotReached {
		g, _ := s.Current.Minus(s.Step.Point.Target)
		return s.Current.Bound() != rf.AtMost && g.Finite()
	}
	return true
}

// Threshold is what is known of the DUT's immunity at one frequency, as currents.
type Threshold struct {
	Frequency rf.Frequency
	// Wanted is the level the profile asks for; absent when none was journalled.
	Wanted rf.Current
	Upset  bool
	// Onset is the lowest current that upset the DUT. Exact: the next lower level tried, within the
	// resolution, did not upset it. At most: it upset at the lowest level tried near it. At least:
	// it never upset, and this is the highest current it was shown to stand. Absent: nothing was
	// shown.
	Onset       rf.Current
	OnsetOrigin Origin
	OnsetOffset rf.Gain // of the step at the onset; meaningful only when Upset
	// Below is the highest current under the onset that did not upset; absent when none was tried.
	Below rf.Current
	// Bracket is the distance on the plan's scale between the onset and the highest level under it
	// that did not upset; NaN when there is none.
	Bracket rf.Gain
	// Reached is the highest current the DUT saw here.
	Reached       rf.Current
	ReachedOrigin Origin
	// Recovery is the highest current, coming down with RF on, at which the DUT was well again.
	// At most: it was not well at the lowest level visited. Absent: not looked for, or the DUT does
	// not recover while RF is on or needs a reset.
	Recovery       rf.Current
	RecoverySought bool
	Latched        bool
	Class          event.Class // the worst seen at this frequency
	RecoveredAfter rf.Duration // the longest time from RF off to well
	// UpsetsAtOnset of TrialsAtOnset exposures at the onset's level upset.
	UpsetsAtOnset, TrialsAtOnset int
	// NotMonotone: a level above the onset did not upset.
	NotMonotone bool
	// WindowTried and WindowUpset tell of the low check exposure.
	WindowTried, WindowUpset bool
	// NotReached: the level wanted was not reached and the DUT did not upset; Limited says why.
	NotReached bool
	Limited    string
	Exposures  int
}

// Margin returns how far the onset lies above the level wanted, with the bound that follows.
func (t Threshold) Margin() (rf.Gain, rf.Bound) { return t.Onset.Minus(t.Wanted) }

// Thresholds returns the threshold at every frequency, ascending.
func (r Run) Thresholds() []Threshold {
	points := r.Points()
	out := make([]Threshold, len(points))
	for i, p := range points {
		out[i] = p.Threshold(r.Opened.Resolution)
	}
	return out
}

// Threshold works out the threshold at one frequency. A bracket no wider than the resolution makes
// the onset exact.
func (p *Point) Threshold(resolution rf.Gain) Threshold {
	t := Threshold{Frequency: p.Frequency, Wanted: p.Wanted, Bracket: rf.Gain(math.NaN())}
	if !t.Wanted.Known() {
		t.Wanted = p.Target
	}
	onset := p.survey(&t)
	if onset == nil {
		t.Onset, t.OnsetOrigin = p.withstood()
		return t
	}
	t.Upset = true
	p.bracket(&t, onset, resolution)
	p.recovery(&t, resolution)
	return t
}

// survey goes once over all steps and returns the lowest that upset.
func (p *Point) survey(t *Threshold) (onset *Step) {
	for _, s := range p.Steps {
		t.Exposures += s.Outcome.Exposures
		if !s.exposed() {
			continue
		}
		if level, origin := s.Level(); level.Known() && (!t.Reached.Known() || level.DB() > t.Reached.DB()) {
			t.Reached, t.ReachedOrigin = level, origin
		}
		if s.Step.Purpose == plan.Window {
			t.WindowTried = true
			t.WindowUpset = t.WindowUpset || s.Outcome.Upset
		}
		if s.Outcome.NotReached && !s.Outcome.Upset {
			t.NotReached = true
			if t.Limited == "" {
				t.Limited = s.Limited
			}
		}
		if !s.Outcome.Upset {
			continue
		}
		t.Latched = t.Latched || s.Outcome.Latched
		t.Class = Worse(t.Class, s.Class)
		t.RecoveredAfter = max(t.RecoveredAfter, s.RecoveredAfter)
		if onset == nil || s.position() < onset.position()-nearlyNothing {
			onset = s
		}
	}
	return onset
}

// nearlyNothing is the rounding allowed between two offsets that are meant to be the same.
const nearlyNothing rf.Gain = 1e-6

// withstood returns the highest current at which the DUT was exposed without an upset, as a lower
// bound of the onset. A reading that is itself only an upper bound shows nothing.
func (p *Point) withstood() (rf.Current, Origin) {
	var best rf.Current
	var from Origin
	for _, s := range p.Steps {
		if !s.exposed() || s.Outcome.Upset || s.Step.Purpose == plan.Recover {
			continue
		}
		level, origin := s.Level()
		if !level.Known() || level.Bound() == rf.AtMost {
			continue
		}
		if !best.Known() || level.DB() > best.DB() {
			best, from = level, origin
		}
	}
	return best.WithBound(rf.AtLeast), from
}

// bracket fills in the onset with its bound, from the steps around it.
func (p *Point) bracket(t *Threshold, onset *Step, resolution rf.Gain) {
	at := onset.position()
	t.OnsetOffset = at
	var below *Step
	for _, s := range p.Steps {
		if !s.exposed() {
			continue
		}
		d := s.position() - at
		switch {
		case math.Abs(float64(d)) <= float64(nearlyNothing):
			if s.Step.Purpose != plan.Recover {
				t.TrialsAtOnset++
				if s.Outcome.Upset {
					t.UpsetsAtOnset++
				}
			}
		case d > 0 && s.stood():
			t.NotMonotone = true
		case d < 0 && s.stood() && (below == nil || s.position() > below.position()):
			below = s
		}
	}
	level, origin := onset.Level()
	t.OnsetOrigin = origin
	if below == nil {
		t.Onset = both(level, rf.AtMost)
		return
	}
	t.Below, _ = below.Level()
	t.Bracket = at - below.position()
	if t.Bracket > resolution+0.001 {
		t.Onset = both(level, rf.AtMost)
		return
	}
	t.Onset = level
}

// both gives a level a further bound: two bounds that point apart leave nothing known.
func both(l rf.Current, b rf.Bound) rf.Current {
	switch l.Bound() {
	case rf.Exactly, b:
		return l.WithBound(b)
	}
	return rf.Current{}
}

// recovery fills in the recovery level from the descents.
func (p *Point) recovery(t *Threshold, resolution rf.Gain) {
	for _, s := range p.Steps {
		if s.Step.Purpose != plan.Recover || !s.Outcome.Upset {
			continue
		}
		t.RecoverySought = true
		if level := s.recovered(resolution); level.Known() && (!t.Recovery.Known() || level.DB() < t.Recovery.DB()) {
			t.Recovery = level
		}
	}
}

// recovered returns the recovery level that one descent shows.
func (s *Step) recovered(resolution rf.Gain) rf.Current {
	if s.Outcome.RecoveredAt == nil {
		if n := min(len(s.Descent), len(s.Step.Descend)); n > 0 && !s.Outcome.Latched {
			return both(s.descended(n-1), rf.AtMost)
		}
		return rf.Current{}
	}
	above := s.Step.Offset
	for i, offset := range s.Step.Descend {
		if offset > *s.Outcome.RecoveredAt+nearlyNothing {
			above = offset
			continue
		}
		level := s.descended(i)
		if above-offset > resolution+0.001 {
			// Well somewhere between two levels that lie further apart than the resolution.
			return both(level, rf.AtLeast)
		}
		return level
	}
	return rf.Current{}
}

// descended returns the current at one offset of a descent.
func (s *Step) descended(i int) rf.Current {
	if i < len(s.Descent) && s.Descent[i].Known() {
		return s.Descent[i]
	}
	if level, _ := s.Level(); level.Known() {
		return level.Add(s.Step.Descend[i] - s.Step.Offset)
	}
	return rf.Current{}
}

var severity = map[event.Class]int{
	event.NoUpset: 0, event.DuringOnly: 1, event.RecoversLater: 2, event.NeedsReset: 3, event.NotRecovered: 4,
}

// Worse returns the more severe of two classes.
func Worse(a, b event.Class) event.Class {
	if severity[b] > severity[a] {
		return b
	}
	return a
}
