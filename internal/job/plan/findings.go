package plan

import (
	"fmt"
	"sort"

	"provoke/internal/model/threshold"
	"provoke/internal/units/rf"
)

// Offset is a level against the level wanted, with its bound; Bound Unknown means that nothing is
// known, and Gain is then 0 dB.
type Offset struct {
	Gain  rf.Gain
	Bound rf.Bound
}

// Known reports that the offset has a number.
func (o Offset) Known() bool { return o.Bound != rf.Unknown }

// String prints "-12.5 dB", "at least 0.0 dB" or "–".
func (o Offset) String() string {
	switch o.Bound {
	case rf.Unknown:
		return "–"
	case rf.Exactly:
		return o.Gain.String()
	}
	return o.Bound.String() + " " + o.Gain.String()
}

// Monotony says whether a stronger level was shown to upset whenever a weaker one does.
type Monotony string

// What is known of monotony.
const (
	MonotoneAssumed Monotony = "monotone assumed"
	MonotoneChecked Monotony = "low check passed"
	NotMonotone     Monotony = "not monotone" // the low check upset
)

// Threshold is what the steps at one frequency say.
type Threshold struct {
	Frequency rf.Frequency
	Point     Point
	Added     bool // at the edge of a band, not of the grid
	Tested    bool // at least one exposure says something
	Upset     bool
	// Onset is the lowest level that upsets, on whole resolution steps below the level wanted:
	// exactly when the step below it passed; at most when it did upset at the lowest level tried;
	// at least the highest level that passed when nothing upset; unknown when not tested.
	Onset Offset
	// Passed is the highest level that was reached and passed; unknown when none was.
	Passed Offset
	// Recovery is the highest level at which the DUT is well again on the way down from onset with RF
	// on; at most the lowest level tried when it was not well there. Unknown for a latched upset, or
	// when it was not looked for.
	Recovery Offset
	Latched  bool // at the onset the DUT did not recover by itself
	// Repeatable: every exposure at the onset upset. Upsets of Trials did.
	Repeatable     bool
	Upsets, Trials int
	NotReached     bool // a level asked for was not reached, so nothing is known above Passed
	Skipped        bool // given up
	Monotone       Monotony
	Resolution     rf.Gain
	Exposures      int // dwells with RF on
	// Exposed is every exposure that says something, in the order made; levels are offsets in dB.
	Exposed []threshold.Trial
}

// Result is a step with what came of it.
type Result struct {
	Step    Step
	Outcome Outcome
}

// Fold returns what the results of a run say at each frequency, by frequency. It is a function of the
// results alone, in any order of frequencies; the results of one frequency stand in the order they
// were made in. resolution is that of the search.
func Fold(resolution rf.Gain, results []Result) []Threshold {
	s := scale{Search{Resolution: resolution}.Filled().Resolution}
	at := map[rf.Frequency]*place{}
	var places []*place
	for _, r := range results {
		if r.Step.Purpose == DriftCheck {
			continue // far below the level wanted, for the current alone
		}
		p := at[r.Step.Point.Frequency]
		if p == nil {
			p = newPlace(r.Step.Point)
			p.added = r.Step.Purpose == Edge
			at[r.Step.Point.Frequency] = p
			places = append(places, p)
		}
		p.record(s, r.Step, r.Outcome)
	}
	sort.Slice(places, func(i, j int) bool { return places[i].point.Frequency < places[j].point.Frequency })
	return thresholds(s, places)
}

func thresholds(s scale, places []*place) []Threshold {
	var out []Threshold
	for _, p := range places {
		if p.closed > 0 {
			out = append(out, p.threshold(s))
		}
	}
	return out
}

func (p *place) threshold(s scale) Threshold {
	t := Threshold{
		Frequency: p.point.Frequency, Point: p.point, Added: p.added,
		Tested: p.tested(), Upset: p.failing(),
		Onset: p.onset(s), Passed: Offset{Bound: rf.Unknown}, Recovery: p.recovery(s),
		Latched: p.latched, Repeatable: p.upsets == p.trials, Upsets: p.upsets, Trials: p.trials,
		NotReached: p.short, Skipped: p.skipped,
		Monotone: MonotoneAssumed, Resolution: s.resolution, Exposures: p.exposures, Exposed: p.exposed,
	}
	if p.pass != unknown {
		t.Passed = Offset{s.offset(p.pass), rf.Exactly}
	}
	switch {
	case p.windowUpset:
		t.Monotone = NotMonotone
	case p.window != unknown && !p.windowShort:
		t.Monotone = MonotoneChecked
	}
	return t
}

func (p *place) onset(s scale) Offset {
	switch {
	case p.windowUpset:
		return Offset{s.offset(max(p.window, p.upset)), rf.AtMost}
	case p.bracketed():
		return Offset{s.offset(p.upset), rf.Exactly}
	case p.upset != unknown:
		return Offset{s.offset(p.upset), rf.AtMost}
	case p.pass != unknown:
		return Offset{s.offset(p.pass), rf.AtLeast}
	}
	return Offset{Bound: rf.Unknown}
}

func (p *place) recovery(s scale) Offset {
	switch {
	case p.upset == unknown, p.latched, p.recoveries == 0:
		return Offset{Bound: rf.Unknown}
	case p.well == unknown:
		return Offset{s.offset(p.stillUpset), rf.AtMost}
	case p.well-p.stillUpset <= 1:
		return Offset{s.offset(p.well), rf.Exactly}
	}
	return Offset{s.offset(p.well), rf.AtLeast}
}

// String prints the step in one line: "12 onset 27.12 MHz -3.5 dB".
func (s Step) String() string {
	text := fmt.Sprintf("%d %s %v %v", s.Number, s.Purpose, s.Point.Frequency, s.Offset.Text(2))
	for i, d := range s.Descend {
		if i == 0 {
			text += ", down through"
		}
		text += fmt.Sprintf(" %v", d.Text(2))
	}
	return text
}
