package result

import (
	"math"

	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/units/rf"
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
	// OfDrive is the onset as an offset against what the level wanted means: with substitution against the
	// calibrated drive, also where more than the level wanted was exposed. At least: it never upset, and this is the
	// highest offset it was shown to stand.
	OfDrive plan.Offset
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
	// NotMonotone: a level above the onset did not upset. Monotone is what the low check showed.
	NotMonotone bool
	Monotone    plan.Monotony
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
	var steps []plan.Result
	for i, p := range points {
		out[i], steps = p.threshold(r.Opened.Resolution, steps)
	}
	return out
}

// Threshold works out the threshold at one frequency. On the scale of offsets it is what package
// plan folds from the same steps, so that findings and search tell one story; here the offsets
// become currents.
func (p *Point) Threshold(resolution rf.Gain) Threshold {
	t, _ := p.threshold(resolution, nil)
	return t
}

// threshold is Threshold with room for the steps, which it gives back.
func (p *Point) threshold(resolution rf.Gain, steps []plan.Result) (Threshold, []plan.Result) {
	t := Threshold{Frequency: p.Frequency, Wanted: p.Wanted, Bracket: rf.Gain(math.NaN()),
		Monotone: plan.MonotoneAssumed}
	if !t.Wanted.Known() {
		t.Wanted = p.Target
	}
	p.survey(&t)
	steps = p.results(steps[:0])
	found := found(resolution, steps)
	t.Monotone, t.UpsetsAtOnset, t.TrialsAtOnset = found.Monotone, found.Upsets, found.Trials
	if !found.Upset {
		t.Onset, t.OnsetOrigin = p.withstood()
		t.OfDrive = p.raised(p.stoodOffset())
		return t, steps
	}
	t.Upset = true
	p.onset(&t, found.Onset, found.Resolution)
	t.OfDrive = p.raised(t.OfDrive)
	if found.Recovery.Known() {
		t.Recovery = both(p.recoveredAt(found.Recovery.Gain, found.Resolution), found.Recovery.Bound)
	}
	return t, steps
}

// raised counts an offset from the level wanted where offset 0 dB meant more than that.
func (p *Point) raised(o plan.Offset) plan.Offset {
	if over, _ := p.Target.Minus(p.Wanted); o.Known() && over.Finite() {
		o.Gain += over
	}
	return o
}

// results appends the steps as the search takes them.
func (p *Point) results(to []plan.Result) []plan.Result {
	for _, s := range p.Steps {
		to = append(to, plan.Result{Step: s.Planned(), Outcome: s.Outcome})
	}
	return to
}

// found returns what the search knows from the steps at one frequency.
func found(resolution rf.Gain, steps []plan.Result) plan.Threshold {
	if all := plan.Fold(resolution, steps); len(all) == 1 {
		return all[0]
	}
	return plan.Threshold{Monotone: plan.MonotoneAssumed}
}

// survey goes once over all steps for what does not depend on the order of levels.
func (p *Point) survey(t *Threshold) {
	for _, s := range p.Steps {
		t.Exposures += s.Outcome.Exposures
		if !s.exposed() {
			continue
		}
		if level, origin := s.Level(); level.Known() && (!t.Reached.Known() || level.DB() > t.Reached.DB()) {
			t.Reached, t.ReachedOrigin = level, origin
		}
		if len(s.Descend) > 0 && s.Outcome.Upset {
			t.RecoverySought = true
		}
		if s.Outcome.NotReached && !s.Outcome.Upset {
			t.NotReached = true
			if t.Limited == "" {
				t.Limited = s.Limited
			}
		}
		if s.Outcome.Upset {
			t.Latched = t.Latched || s.Outcome.Latched
			t.Class = Worse(t.Class, s.Class)
			t.RecoveredAfter = max(t.RecoveredAfter, s.RecoveredAfter)
		}
	}
}

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

// stoodOffset is the highest offset at which the DUT was shown to stand the setting.
func (p *Point) stoodOffset() plan.Offset {
	best := plan.Offset{Bound: rf.Unknown}
	for _, s := range p.Steps {
		if s.stood() && !s.Outcome.NotReached && (!best.Known() || s.Step.Offset > best.Gain) {
			best = plan.Offset{Gain: s.Step.Offset, Bound: rf.AtLeast}
		}
	}
	return best
}

// onset fills in the onset as the lowest current measured at its offset, and what stood below it.
func (p *Point) onset(t *Threshold, found plan.Offset, resolution rf.Gain) {
	t.OnsetOffset, t.OfDrive = found.Gain, found
	at := p.onsetPosition(found.Gain, resolution)
	var below *Step
	for _, s := range p.Steps {
		if !s.exposed() {
			continue
		}
		d := s.position() - at
		switch {
		case s.Outcome.Upset && same(s.Step.Offset, found.Gain, resolution):
			if level, origin := s.Level(); level.Known() && (!t.Onset.Known() || level.DB() < t.Onset.DB()) {
				t.Onset, t.OnsetOrigin = both(level, found.Bound), origin
				if s.Outcome.NotReached { // on the way up, or short of the level
					t.Onset = both(t.Onset, rf.AtMost)
				}
			}
		case d > resolution/2 && s.stood():
			t.NotMonotone = true
		case d < -resolution/2 && s.stood() && (below == nil || s.position() > below.position()):
			below = s
		}
	}
	if below != nil {
		t.Below, _ = below.Level()
		t.Bracket = at - below.position()
	}
	// A level that was not reached bounds nothing on the scale of offsets, but where what the product
	// saw was measured, and what it stood just below it too, the onset is known as a current.
	if t.Onset.Bound() == rf.AtMost && below != nil && t.Bracket <= resolution*3/2 && t.OnsetOrigin == Measured &&
		t.Below.Exact() {
		t.Onset = t.Onset.WithBound(rf.Exactly)
	}
}

// onsetPosition is the lowest position of the upsets at the onset's offset.
func (p *Point) onsetPosition(offset, resolution rf.Gain) rf.Gain {
	at := offset
	for _, s := range p.Steps {
		if s.exposed() && s.Outcome.Upset && same(s.Step.Offset, offset, resolution) {
			at = min(at, s.position())
		}
	}
	return at
}

// same reports that two offsets are the same number of whole resolution steps.
func same(a, b, resolution rf.Gain) bool {
	return math.Abs(float64(a-b)) < float64(resolution)/2
}

// both gives a level a further bound: two bounds that point apart leave nothing known.
func both(l rf.Current, b rf.Bound) rf.Current {
	switch l.Bound() {
	case rf.Exactly, b:
		return l.WithBound(b)
	}
	return rf.Current{}
}

// recoveredAt returns the current that the descents measured at an offset, the lowest of several.
func (p *Point) recoveredAt(offset, resolution rf.Gain) rf.Current {
	var out rf.Current
	for _, s := range p.Steps {
		if len(s.Descend) == 0 || !s.Outcome.Upset {
			continue
		}
		for i, at := range s.Descend {
			if same(at, offset, resolution) {
				out = out.Lower(s.descended(i))
			}
		}
	}
	return out
}

// descended returns the current at one offset of a descent.
func (s *Step) descended(i int) rf.Current {
	if i < len(s.Descent) && s.Descent[i].Known() {
		return s.Descent[i]
	}
	if level, _ := s.Level(); level.Known() {
		return level.Add(s.Descend[i] - s.Step.Offset)
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
