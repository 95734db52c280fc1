// Package plan says what a run does: the plan file, its check against a chain, and Program, a pure
// state machine that is asked for the next step and told what came of it. The same outcomes give
// the same steps, so a dry run, a replay and a resume after a crash are one thing. Every level a
// program can ask for is bounded before RF is on: offsets are never above 0 dB.
package plan

import (
	"cmp"
	"math"
	"provoke/internal/files/catalog"
	"provoke/internal/model/level"
	"provoke/internal/units/rf"
)

// RunKind is what a run is for.
type RunKind string

// The kinds of run.
const (
	Exposure    RunKind = "exposure"
	Baseline    RunKind = "baseline"    // no RF, same duration: counts false alarms
	Control     RunKind = "control"     // DUT replaced or its output held: finds upsets of monitor or AE
	Calibration RunKind = "calibration" // clamp in a jig: records drive against current
	Fixing      RunKind = "fixing"      // the onset at a few frequencies, followed while the product is changed
)

// Mode is how the level is set.
type Mode string

const (
	ConstantDrive Mode = "constant drive" // same generator setting at every frequency
	ClosedLoop    Mode = "closed loop"    // measured current brought to the level
	Substitution  Mode = "substitution"   // drive of a calibration run replayed
)

// Search is how the threshold of an upset is found.
type Search struct {
	Onset      bool    // find the onset; false records the upset only
	Recovery   bool    // find the recovery level
	Resolution rf.Gain // default 0.5 dB
	Range      rf.Gain // how far below the level wanted to look; default 40 dB
	Approach   rf.Gain // largest step up toward a neighbour's onset; default 3 dB
	Confirm    int     // further exposures at the onset that must upset too, that of Recovery counted; default 1
	Window     rf.Gain // the low check exposure of each band lies this far below onset; default 6 dB
	// EdgeUpsetOnly records at the frequencies added at the edges of a band only whether they fail,
	// with the onset as a bound. Default false: the onset is found there too (about three exposures
	// more at each); confirmed and followed down to recovery it is at frequencies of the grid only.
	EdgeUpsetOnly bool
	// Ungraded places exposures without what graded readings say.
	Ungraded bool
	// Method is how the threshold is found; the zero value is Bracket. IfRandom is what a Bracket
	// search goes on with where a confirmation does not upset; empty for nothing.
	Method, IfRandom Method
	Trials           int         // exposures of Staircase, Adaptive and Repeated at each frequency; default 30
	Probability      rf.Fraction // upset probability that Staircase and Adaptive look for; default 50 %
	Step             rf.Gain     // of Staircase and Adaptive, in whole resolution steps; default 1 dB
	Below            rf.Gain     // where Repeated exposes, below the level wanted
}

// DefaultSearch is the search of a plan that does not say otherwise.
func DefaultSearch() Search {
	return Search{Onset: true, Recovery: true, Confirm: 1}.Filled()
}

// Filled returns the search with everything that it leaves open filled in; counts of zero and switches stay as they
// are. A plan that was read has such a search.
func (s Search) Filled() Search {
	fill := func(g *rf.Gain, with rf.Gain) {
		if !(*g > 0) || !g.Finite() {
			*g = with
		}
	}
	fill(&s.Resolution, 0.5)
	fill(&s.Range, 40)
	fill(&s.Approach, 3)
	fill(&s.Window, 6)
	fill(&s.Step, DefaultStep)
	fill(&s.Below, 0)
	s.Confirm = max(0, s.Confirm)
	s.Method = cmp.Or(s.Method, Bracket)
	if s.Trials <= 0 {
		s.Trials = DefaultTrials
	}
	if !(s.Probability > 0 && s.Probability < 1) {
		s.Probability = DefaultProbability
	}
	// A staircase stands on whole resolution steps, so that the results fold as all others do.
	s.Step = rf.Gain(math.Max(1, math.Round(float64(s.Step/s.Resolution)))) * s.Resolution
	return s
}

// Levelling is how the closed loop approaches its target.
type Levelling struct {
	Window      rf.Gain // the current counts as reached from the target to so far above it; default 0.3 dB
	AboveBudget rf.Gain // drive never above the budget's need by more than this; default 6 dB
	Ceiling     rf.Gain // forward power never above the calibration's (or budget's) by more; default 6.02 dB (factor 4)
}

// Plan is a plan file.
type Plan struct {
	Name, File string
	Bytes      []byte
	Hash       string
	BenchFile  string // as written
	Kind       RunKind
	Mode       Mode
	Fixture    catalog.Fixture
	Profile    level.Profile
	Grid       []rf.Frequency // ascending, without repeats
	GridText   string         // how the grid was asked for, for people
	Stretches  []Stretch      // of the grid, by segment
	Descending bool           // the sweep goes from the highest frequency to the lowest
	First      []rf.Frequency // of the grid: visited before the others, in this order
	Modulation level.Modulation
	Drive      rf.Power            // constant drive, available into 50 Ω
	SetAs      catalog.SourceLevel // the same as the file says it: what volts are depends on the bench
	Dwell      rf.Duration
	Settle     rf.Duration // after every change of level, before a reading counts
	// Edges is the width to which the edges of a failing band are found, relative to frequency;
	// absent leaves the grid as it is.
	Edges     rf.Fraction
	Search    Search
	Levelling Levelling
	// Decision is by which rule a level that was stood counts as the one asked for.
	Decision DecisionRule
	// OverTest says who accepted that the DUT is exposed to more than the level wanted, "accepted by …"; empty where
	// nobody did. Raised are the currents, above the level wanted, that offset 0 dB then means at single frequencies.
	OverTest string
	Raised   map[rf.Frequency]rf.Current
	// FirstLightBelow is how far below the first level the measured current is first compared with
	// the budget (default 20 dB); FirstLightAllowed how far they may differ in a jig (default 4 dB).
	FirstLightBelow, FirstLightAllowed rf.Gain
	// TripAbove is how far a measured current may lie above the prediction's high end (default 6 dB).
	TripAbove rf.Gain
	// RecoverWithin is how long the DUT gets to recover by itself before it is reset (default 10 s).
	RecoverWithin rf.Duration
	// DeadMan is the longest time between two signs of life of the engine while RF is on (default 2 s).
	DeadMan rf.Duration
	// CalibrationRun is the run of the same job whose drives substitution replays; 0 means the
	// newest calibration run that fits.
	CalibrationRun int
	// ConvertCalibration lets substitution replay a calibration made in a jig of another loop
	// impedance than the level's, converted with the clamp's series impedance: an estimate.
	ConvertCalibration bool
	// AcceptFalseAlarms lets an exposure run although its baseline had this many false alarms.
	AcceptFalseAlarms int
	// TimeLimit is the time that the run may take; 0 for no limit. With one, what is worth most comes first.
	TimeLimit rf.Duration
	// Drift is the check point for drift of the bench; absent for none.
	Drift Drift
	// Monitors changes how single monitors of the bench watch in this run, by their id.
	Monitors map[string]MonitorChange
	// Files holds the bytes of every file that the plan names, by the name as written.
	Files map[string][]byte
}

// timed reports that the plan's frequencies are visited by what they are worth, since time may end before them.
func (p *Plan) timed() bool { return p.TimeLimit > 0 && (p.Kind == Exposure || p.Kind == Control) }

// Replays reports that a run of the plan replays the drives of a calibration run.
func (p *Plan) Replays() bool {
	return p.Mode == Substitution && p.Kind != Baseline && p.Kind != Calibration
}

// MonitorChange changes a monitor of the bench for one run. What is zero stays as the bench says.
type MonitorChange struct {
	Tolerance     float64 // half-width round the baseline
	ToleranceUnit string  // as written; must be the monitor's
	Silence       rf.Duration
	Latency       rf.Duration
}

// Point is a frequency with the top level of the program there.
type Point struct {
	Frequency rf.Frequency `json:"frequency"`
	// Target is the current that offset 0 dB means: what is wanted, or more where an over-test was accepted; absent
	// in constant drive.
	Target rf.Current `json:"target,omitzero"`
	// Drive is the generator setting that offset 0 dB means: the whole truth in constant drive and
	// substitution, the budget's open-loop need in closed loop.
	Drive rf.Power `json:"drive"`
	// Ceiling is the largest drive that the engine may use at this point, whatever the loop says.
	Ceiling rf.Power `json:"ceiling"`
	// Wanted is what the profile asks for here; journalled, so that a margin can be told years later.
	Wanted level.Ask `json:"wanted,omitzero"`
	// Safe is the largest drive within every rating, and HeldBy what holds the ceiling: a rating, or a key of the
	// plan. Closed loop only; not journalled, since they follow from bench and plan.
	Safe   rf.Power `json:"-"`
	HeldBy string   `json:"-"`
}

// Purpose of a step.
type Purpose string

const (
	Sweep   Purpose = "sweep"    // at the level wanted, or on the way up to it beside a failing neighbour
	Onset   Purpose = "onset"    // threshold search
	Confirm Purpose = "confirm"  // repeat at the onset
	Recover Purpose = "recovery" // from an upset downwards with RF on
	Window  Purpose = "window"   // low check: is the upset monotone in level
	Edge    Purpose = "edge"     // at a frequency added to find the edge of a band

	StaircaseStep Purpose = "staircase"   // one exposure of a search for a random threshold
	Repeat        Purpose = "repeat"      // one of several exposures at the same level
	Lower         Purpose = "lower"       // below what was stood, to see how readings follow the level
	DriftCheck    Purpose = "drift check" // the check point, far below the level wanted

	Tracking  Purpose = "tracking" // up and down around the onset while the product is changed
	HeldPoint Purpose = "by hand"  // at one point, level and frequency by a person's keys
)

// Step is one thing to do: one exposure, or for Recover one descent of several.
type Step struct {
	Number  int     `json:"step"` // from 1, in the order asked
	Point   Point   `json:"point"`
	Purpose Purpose `json:"purpose"`
	Offset  rf.Gain `json:"offset"` // 0 dB or below, against Point
	// Descend are the offsets, falling, that a Recover step goes down through after it has upset
	// the DUT at Offset, one dwell each, until the DUT is well.
	Descend []rf.Gain `json:"descend,omitempty"`
}

// Outcome is what came of a step.
type Outcome struct {
	Number int  `json:"step"`
	Upset  bool `json:"upset"`
	// Latched: the DUT did not recover by itself and had to be reset.
	Latched bool `json:"latched,omitempty"`
	// NotReached: the level could not be reached (ceiling, rating, amplifier); the DUT saw less.
	NotReached bool `json:"notReached,omitempty"`
	// Skipped: the step was given up without an exposure.
	Skipped bool `json:"skipped,omitempty"`
	// RecoveredAt is the first offset of Descend at which the DUT was well; nil when at none.
	RecoveredAt *rf.Gain `json:"recoveredAt,omitempty"`
	// Exposures is the number of dwells with RF on that the step took.
	Exposures int `json:"exposures"`
	// Graded is where graded readings put the onset at the step's frequency, after all steps so far; nil where they
	// say nothing. It is journalled with the outcome, so that a replay asks for the same steps whatever becomes of the
	// estimate.
	Graded *Graded `json:"graded,omitempty"`
	// Lower is the offset at which one exposure more would show how the readings follow the level here; nil for none.
	Lower *rf.Gain `json:"lower,omitempty"`
}

// Graded is an estimate of an onset from a reading of the product that shifts before it leaves its tolerance. It places
// exposures; it is never an onset. Gains are against what offset 0 dB means, above 0 dB where the product stands that.
type Graded struct {
	Onset rf.Gain `json:"onset"`
	Low   rf.Gain `json:"low"`
	High  rf.Gain `json:"high"`
}
