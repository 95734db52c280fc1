package analysis

import (
	"fmt"
	"math"

	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/units/rf"
)

// Judgement is what two runs show about a change of the product.
type Judgement string

// The judgements. There is no "fixed": a run can only show that the product stood what it was given.
const (
	Shown    Judgement = "shown"
	NotShown Judgement = "not shown"
	// NoDifference: the product stood the level, but not so far above what upset it before that putting the same
	// bench up anew could not have made the difference.
	NoDifference Judgement = "no difference shown"
	Worse        Judgement = "worse"
	// Unchanged is for a single frequency that upset in neither run.
	Unchanged Judgement = "no upset in either"
	// NotCompared is for a frequency that did not upset in one run and was not exposed in the other.
	NotCompared Judgement = "not compared"
)

// SameLevel is how far the currents of two upsets may differ and count as the same level: both were
// levelled and read once each (common practice; the levelling window is 0.3 dB, a reading repeats
// within 0.2 dB). What was stood has to reach what is required, whatever this is.
const SameLevel rf.Gain = 0.5

// Comparison is two runs of one job, before and after a change.
type Comparison struct {
	Before, After Findings
	Basis
	// Decision is that of the frequency with the greatest risk among those that upset before and no longer do; nil
	// where there is none, or Basis.Known is nil.
	Decision *Decision
	// Differences between the runs other than the change, those that forbid the verdict "shown"
	// first.
	Differences []Difference
	Points      []ComparedPoint
	// Shifts are frequencies that both runs stood, and at which a reading moved by another amount.
	Shifts  []ShiftChange
	Bands   []ComparedBand
	Verdict Judgement
	Reasons []string
	// Reservations weaken the verdict without changing it.
	Reservations []string
}

// ComparedPoint is one frequency in both runs.
type ComparedPoint struct {
	_ struct{} `tell:"hz=Frequency before=Before.Onset after=After.Onset wanted=Wanted required=Required"`
	_ struct{} `tell:"gain_db=Gain gain_bound=GainBound verdict=Verdict why=Why,null"`

	Frequency rf.Frequency
	// Before and After are nil where the run was not there.
	Before, After *Point
	// Gain is the onset after over the onset before, with GainBound; NaN where the two say nothing.
	Gain      rf.Gain
	GainBound rf.Bound
	// Required is the current that the after-run has to stand: the level wanted, or, where a margin is asked for,
	// the onset before plus that where it is higher. The onset before where nothing is wanted.
	Required rf.Current
	// Needed is what the after-run has to stand to show a difference: the level that upset before, and what two
	// set-ups of the same bench differ by. Absent where nothing upset before or it cannot be told.
	Needed rf.Current
	// Decision is by which rule what was stood is accepted; nil where nothing was.
	Decision *Decision
	// EdgeOnly: before, the frequency was exposed only to find the edge of a band.
	EdgeOnly bool
	// Replayed: the after-run replayed a calibration, so that its level is the calibrated drive,
	// whatever current that makes on the cable: an upset is an upset at the level.
	Replayed bool
	// InDrive: both runs replayed a calibration, so that onsets compare as drives, against the calibrated
	// one, and so does Gain. Required is then what that drive is calibrated for.
	InDrive bool
	Verdict Judgement
	Why     string
}

// BandFate is what became of a failing band.
type BandFate string

// The fates.
const (
	Gone     BandFate = "no upset up to the level required"
	Unproven BandFate = "not shown to be gone"
	Remains  BandFate = "still upsets"
	Moved    BandFate = "moved"
	New      BandFate = "new"
)

// ComparedBand is a failing band before, after, or both.
type ComparedBand struct {
	_ struct{} `tell:"before=Before after=After fate=Fate least_gain_db=LeastGain least_gain_bound=LeastGainBound"`

	Before, After *Band
	Fate          BandFate
	// LeastGain and MostGain are the ends of the gain over the band's frequencies, with their bounds; NaN where
	// not known.
	LeastGain, MostGain           rf.Gain
	LeastGainBound, MostGainBound rf.Bound
}

// Compare compares two runs.
func Compare(before, after result.Run, basis Basis) Comparison {
	c := Comparison{Before: Of(before, nil), After: Of(after, nil), Basis: basis,
		Differences: differences(before, after)}
	if before.Opened.RunKind == plan.Baseline || after.Opened.RunKind == plan.Baseline {
		c.conclude(before, after) // without RF there is no current to compare
		return c
	}
	edge := edgeOnly(before)
	for _, pair := range pairs(c.Before.Points, c.After.Points) {
		pair.EdgeOnly = edge[pair.Frequency]
		pair.Replayed = Replays(after.Opened)
		pair.InDrive = pair.Replayed && Replays(before.Opened)
		if d, ok := decide(pair.After, pair.Replayed, after.Opened.DecisionRule, basis.Known); ok {
			pair.Decision = &d
		}
		pair.judge(basis, before.Opened.Bench.SHA256 != after.Opened.Bench.SHA256)
		failed := pair.Before != nil && pair.Before.Upset
		if d := pair.Decision; d != nil && failed && (c.Decision == nil || d.Risk() > c.Decision.Risk()) {
			among := *d
			among.Among = "where it upset before"
			c.Decision = &among
		}
		c.Points = append(c.Points, pair)
	}
	if uncomparable(before, after) == "" {
		c.Shifts = shiftChanges(&before, &after, basis.SetUp.Needed())
	}
	c.compareBands()
	c.conclude(before, after)
	return c
}

// edgeOnly returns the frequencies that a run visited only for the edge of a band.
func edgeOnly(r result.Run) map[rf.Frequency]bool {
	out := map[rf.Frequency]bool{}
	for _, p := range r.Points() {
		out[p.Frequency] = p.AtEdgeOnly()
	}
	return out
}

// pairs merges two profiles, both ascending.
func pairs(before, after []Point) []ComparedPoint {
	var out []ComparedPoint
	i, j := 0, 0
	for i < len(before) || j < len(after) {
		switch {
		case j == len(after) || (i < len(before) && before[i].Frequency < after[j].Frequency):
			out = append(out, ComparedPoint{Frequency: before[i].Frequency, Before: &before[i]})
			i++
		case i == len(before) || after[j].Frequency < before[i].Frequency:
			out = append(out, ComparedPoint{Frequency: after[j].Frequency, After: &after[j]})
			j++
		default:
			out = append(out, ComparedPoint{Frequency: before[i].Frequency, Before: &before[i], After: &after[j]})
			i, j = i+1, j+1
		}
	}
	return out
}

// Wanted returns the higher of the levels that the two runs want.
func (p ComparedPoint) Wanted() rf.Current {
	var w rf.Current
	for _, x := range []*Point{p.Before, p.After} {
		if x != nil && x.Wanted.Known() && (!w.Known() || x.Wanted.DB() > w.DB()) {
			w = x.Wanted
		}
	}
	return w
}

// judge fills in the gain, what is required and the verdict. changed: the runs had different bench files.
func (p *ComparedPoint) judge(basis Basis, changed bool) {
	p.Gain, p.GainBound = rf.Gain(math.NaN()), rf.Unknown
	p.Required = p.Wanted()
	before, after := p.levels()
	if p.Before != nil && p.Before.Upset && (basis.Margin > 0 || !p.Required.Known()) {
		if o := before.Add(basis.Margin).WithBound(rf.Exactly); o.Known() &&
			(!p.Required.Known() || o.DB() > p.Required.DB()) {
			p.Required = o
		}
	}
	if p.Before != nil && p.After != nil {
		p.Gain, p.GainBound = after.Minus(before)
	}
	switch {
	case p.After == nil || !p.After.Tested():
		p.Verdict, p.Why = NotShown, "not exposed in the after-run"
		if p.Before == nil || !p.Before.Upset {
			p.Verdict = NotCompared
		}
		if p.After != nil && p.After.NotReached {
			p.Why = "the level was not reached in the after-run and nothing was measured"
		}
	case p.Before == nil || !p.Before.Tested():
		p.judgeNew()
	case p.Before.Upset:
		p.judgeFailing(basis, changed)
	default:
		p.judgeSound()
	}
}

// judgeNew judges a frequency that only the after-run knows.
func (p *ComparedPoint) judgeNew() {
	if p.After.Upset {
		p.Verdict, p.Why = NotShown, fmt.Sprintf("upsets %s; not exposed before", p.at(p.After))
		return
	}
	p.Verdict, p.Why = NotCompared, "not exposed before"
}

// levels returns the onsets as they are compared: as currents, or, where both runs replayed a
// calibration, as what their drives are calibrated for. Absent where a run was not there.
func (p *ComparedPoint) levels() (before, after rf.Current) {
	level := func(x *Point) rf.Current {
		switch {
		case x == nil:
			return rf.Current{}
		case !p.InDrive:
			return x.Onset
		case !x.OfDrive.Known():
			return rf.Current{}
		}
		return x.Wanted.Add(x.OfDrive.Gain).WithBound(x.OfDrive.Bound)
	}
	return level(p.Before), level(p.After)
}

// at says where a run upset: "at 70.2 dBµA or less", "3.0 dB below the calibrated drive (70.2 dBµA)".
func (p *ComparedPoint) at(x *Point) string {
	if !p.InDrive || !x.OfDrive.Known() {
		return "at " + onsetAt(x.Onset)
	}
	return DriveWords(x.OfDrive) + " (" + x.Onset.String() + ")"
}

// stood says what a run stood.
func (p *ComparedPoint) stood(x *Point) string {
	l := stoodLevel(x, p.InDrive)
	if !l.Known() {
		l = x.Onset.WithBound(rf.Exactly)
	}
	if !p.InDrive || !x.OfDrive.Known() {
		return l.String()
	}
	over, _ := l.Minus(x.Wanted)
	if over.Finite() && math.Abs(over.DB()) < 1e-6 {
		return CalibratedDrive
	}
	return DriveWords(plan.Offset{Gain: over, Bound: rf.Exactly})
}

// DriveWords says where an offset lies against the calibrated drive.
func DriveWords(o plan.Offset) string {
	where := "at " + CalibratedDrive
	if o.Gain != 0 {
		side, off := "below", -o.Gain
		if o.Gain > 0 {
			side, off = "above", o.Gain
		}
		where = fmt.Sprintf("%v %s %s", off, side, CalibratedDrive)
	}
	switch o.Bound {
	case rf.AtMost:
		return where + " or lower"
	case rf.AtLeast:
		return where + " or higher"
	}
	return where
}

// required says what the after-run has to stand.
func (p *ComparedPoint) required() string {
	if !p.InDrive {
		return p.Required.String()
	}
	over, _ := p.Required.Minus(p.Wanted())
	if !over.Finite() || over < 0.05 && over > -0.05 {
		return CalibratedDrive
	}
	return DriveWords(plan.Offset{Gain: over, Bound: rf.Exactly})
}

// judgeFailing judges a frequency that upset before.
func (p *ComparedPoint) judgeFailing(basis Basis, changed bool) {
	b, a := p.Before, p.After
	before, after := p.levels()
	stood := stoodLevel(a, p.InDrive)
	switch {
	case !before.Known() || before.Bound() == rf.AtLeast:
		p.Verdict, p.Why = NotShown, "the current at the onset before is not known"
	case a.Upset && surelyLower(after, before):
		p.Verdict, p.Why = Worse, fmt.Sprintf("upsets %s, before %s", p.at(a), p.at(b))
	case a.Upset && p.InDrive && !clears(after, p.Required):
		p.Verdict, p.Why = NotShown, fmt.Sprintf("still upsets, %s; %s is required", p.at(a), p.required())
	case a.Upset && p.Replayed && !p.InDrive:
		p.Verdict, p.Why = NotShown, fmt.Sprintf("still upsets at the calibrated drive or below it, at %s",
			onsetAt(a.Onset))
	case a.Upset && !clears(after, p.Required):
		p.Verdict, p.Why = NotShown, fmt.Sprintf("still upsets, at %s; %v is required", onsetAt(a.Onset), p.Required)
	case a.OnsetOrigin == result.Predicted && !p.InDrive:
		p.Verdict, p.Why = NotShown, "the current of the after-run is only predicted"
	case !stands(stood, p.Required):
		p.Verdict, p.Why = NotShown, fmt.Sprintf("the after-run reached only %s; %s is required", p.stood(a),
			p.required())
	case p.Decision != nil && !p.Decision.Holds():
		p.Verdict, p.Why = NotShown, p.Decision.Says()
	default:
		p.judgeDifference(basis, changed, before.WithBound(rf.Exactly), stood)
	}
}

// judgeDifference judges a frequency at which the after-run stood what is required: is it so far above the level
// that upset before that it is not the bench which was put up otherwise? What is wrong with the bench itself is wrong
// in both runs, but for what a changed bench file does.
func (p *ComparedPoint) judgeDifference(basis Basis, changed bool, upset, stood rf.Current) {
	need, why := basis.SetUp.Needed(), ""
	if changed {
		moved, err := rf.Gain(0), errNoBenches
		if basis.Moved != nil {
			moved, err = basis.Moved(p.Frequency)
		}
		if err != nil {
			p.Verdict, p.Why = NotShown, err.Error()
			return
		}
		if moved = rf.Gain(math.Abs(moved.DB())); moved > 0 {
			need += moved
			why = fmt.Sprintf("; the changed bench file moves the current by %s", moved.Text(2))
		}
	}
	p.Needed = upset.Add(need)
	over, _ := stood.Minus(upset)
	switch {
	case over < need-sameFloat:
		p.Verdict = NoDifference
		p.Why = fmt.Sprintf("stood %s, %s above what upset before; %s%s: %v would show it", p.stood(p.After),
			over.Text(1), basis.SetUp.Says(), why, p.Needed)
	case p.After.Upset:
		p.Verdict, p.Why = Shown, fmt.Sprintf("stood %s and upsets only %s; %s is required", p.stood(p.After),
			p.at(p.After), p.required())
	default:
		p.Verdict, p.Why = Shown, fmt.Sprintf("stood %s", p.stood(p.After))
	}
}

// judgeSound judges a frequency that did not upset before.
func (p *ComparedPoint) judgeSound() {
	b, a := p.Before, p.After
	before, after := p.levels()
	switch {
	case a.Upset && surelyLower(after, before):
		p.Verdict, p.Why = Worse, fmt.Sprintf("upsets %s, before it stood %s", p.at(a), p.stood(b))
	case a.Upset && lower(before, after):
		p.Verdict, p.Why = NotShown, fmt.Sprintf("upsets %s, above what was tried before", p.at(a))
	case a.Upset:
		p.Verdict, p.Why = NotShown, fmt.Sprintf("upsets %s, before it stood %s", p.at(a), p.stood(b))
	case lower(after, before):
		p.Verdict, p.Why = Unchanged, fmt.Sprintf("exposed to %s only, before to %s", p.stood(a), p.stood(b))
	default:
		p.Verdict = Unchanged
	}
}

// lower reports that a current lies below another by more than two levels that count as the same.
func lower(a, b rf.Current) bool {
	return a.Known() && b.Known() && a.DB() < b.DB()-float64(SameLevel)
}

// surelyLower reports that a is lower than b whatever their bounds leave open.
func surelyLower(a, b rf.Current) bool {
	return lower(a, b) && a.Bound() != rf.AtLeast && b.Bound() != rf.AtMost
}

// stands reports that a level that was stood is the required one or above it.
func stands(stood, required rf.Current) bool {
	over, _ := stood.Minus(required)
	return stood.Known() && stood.Bound() != rf.AtMost && required.Known() && over >= -sameFloat
}

// clears reports that an onset is above the required current by more than two levels that count as
// the same. An upset nearer than that is an upset at the required level.
func clears(onset, required rf.Current) bool {
	return onset.Bound() != rf.AtMost && lower(required, onset)
}

// onsetAt says an onset behind the word "at": a bound as "70.2 dBµA or less".
func onsetAt(onset rf.Current) string {
	switch exact := onset.WithBound(rf.Exactly).String(); onset.Bound() {
	case rf.AtMost:
		return exact + " or less"
	case rf.AtLeast:
		return exact + " or more"
	default:
		return exact
	}
}

// Upset reports that the frequency upset in one of the runs.
func (p ComparedPoint) Upset() bool {
	return p.Before != nil && p.Before.Upset || p.After != nil && p.After.Upset
}

// Onsets returns the onset before and after, absent where the run was not there.
func (p ComparedPoint) Onsets() (before, after rf.Current) {
	if p.Before != nil {
		before = p.Before.Onset
	}
	if p.After != nil {
		after = p.After.Onset
	}
	return before, after
}

// Telling reports that a table of what changed should show the frequency: it upset in one of the
// runs, or both runs were there and something is to be said.
func (p ComparedPoint) Telling() bool {
	return p.Upset() || p.Why != "" && p.Before != nil && p.After != nil
}
