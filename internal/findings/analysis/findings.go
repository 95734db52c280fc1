// Package analysis says what runs mean: the immunity profile with its margins, the failing bands,
// false alarms, drift, and what a change of the product gained. It works on runs folded by package
// result and on nothing else, so the same journal gives the same findings on any machine. Nothing
// here is stronger than what was measured: a bound stays a bound, and what was not shown is called
// not shown. Package report and the commands print it.
package analysis

import (
	"fmt"
	"math"
	"slices"

	"provoke/internal/job/event"
	"provoke/internal/job/fixing"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/units/rf"
)

// Point is the immunity at one frequency.
type Point struct {
	_ struct{} `tell:"hz=Frequency onset=Onset recovery=Recovery wanted=Wanted margin_db=Margin"`
	_ struct{} `tell:"margin_bound=MarginBound class=Class,null exposures=Exposures upset=Upset"`
	_ struct{} `tell:"onset_origin=OnsetOrigin,null below=Below reached=Reached upsets_at_onset=UpsetsAtOnset"`
	_ struct{} `tell:"trials_at_onset=TrialsAtOnset latched=Latched not_reached=NotReached limited=Limited,null"`
	_ struct{} `tell:"monotone=Monotone monitor_or_ae=InControl"`

	result.Threshold
	// Margin is the onset over what Findings.Level names, with MarginBound; NaN where it is not known:
	// over the level wanted, or, where a calibration is replayed, against the calibrated drive.
	Margin      rf.Gain
	MarginBound rf.Bound
	// InControl: the control run upset here too, with the DUT replaced or its output held.
	InControl bool
}

// MonitorOrAE is the mark of an upset that the control run shows too: what is upset is the monitor
// or the auxiliary equipment, not the DUT.
const MonitorOrAE = "monitor or AE"

// Tested reports that an exposure here says something.
func (p Point) Tested() bool { return p.Upset || p.Onset.Known() }

// Findings is what one run shows.
type Findings struct {
	_      struct{} `tell:"run=Run label=Opened.Label changed=Opened.Changed"` // as a comparison names the run
	Run    int
	Opened event.Opened
	// Points is the immunity profile, ascending in frequency.
	Points []Point
	Bands  []Band
	// FalseAlarms is filled in for a baseline: upsets without RF.
	FalseAlarms *FalseAlarms
	// Control is the number of the control run that upsets were compared with; 0 for none.
	Control int
	Drift   []Drift
	// NotDeterministic are the frequencies at which the DUT gave both outcomes, or an upset below a
	// pass: their onsets are not to be taken as one level.
	NotDeterministic []NotDeterministic
	// Stability is how the check point moved; nil where the plan has none.
	Stability *Stability
	Exposures int
	Upsets    int // frequencies that upset
	OfGrid    int // frequencies of the plan at which an exposure says something
	// Loop is the fixing loop; nil for other runs. It has no points and no bands: its product was changed on the way.
	Loop *fixing.Loop
	// Swept is what a source that swept by itself found; nil for a run that stepped.
	Swept *Swept
	// Elsewhere is how many steps upset that give no onset: checks of drift.
	Elsewhere int
	// Marks is how often the operator said that the product upset.
	Marks int
	// RFNotKnownOff: the run ended without knowing that RF was off.
	RFNotKnownOff bool
	Highest       rf.Current
	// Covered is how far the run looked; empty for journals that do not say what was stepped through.
	Covered Covered
	// Graded is what readings show beyond what was exposed: GradedOf, by whoever tells it; nil where there is nothing.
	Graded *Graded
	// Decision is that of the level stood with the greatest risk; nil until Decide.
	Decision *Decision
	Verdict  event.Verdict
	Ended    bool
}

// Replays reports that the run replayed a calibration: its level is the drive, whatever current that
// makes on the cable.
func Replays(o event.Opened) bool {
	return o.Mode == plan.Substitution && o.RunKind != plan.Baseline && o.RunKind != plan.Calibration
}

// What a margin is counted from.
const (
	LevelWanted     = "the level wanted"
	CalibratedDrive = "the calibrated drive"
)

// Level says what margins are counted from: the level wanted as a current, or the calibrated drive.
func (f Findings) Level() string {
	if Replays(f.Opened) {
		return CalibratedDrive
	}
	return LevelWanted
}

// Exposed reports that an exposure or control run exposed anything: "no upset" is no word for one
// that did not. Runs of other kinds are not asked.
func (f Findings) Exposed() bool {
	return f.Exposures > 0 || f.Opened.RunKind != plan.Exposure && f.Opened.RunKind != plan.Control
}

// Swept is what the passes of a source that sweeps by itself showed.
type Swept struct{ Passes, Upsets, Bands int }

// Unfinished is how a run ended that did not get through all its frequencies, or that it has no
// end; "" for a run that did.
func (f Findings) Unfinished() string {
	switch f.Verdict {
	case event.Done, event.DoneUpset, event.Incomplete:
		return ""
	case "":
		return "not closed"
	}
	return string(f.Verdict)
}

// Unexposed says how much of what it was to expose a run left out that did not get through; "" for nothing.
func (f Findings) Unexposed() string {
	n := f.OfGrid
	if f.Unfinished() == "" || n >= f.Opened.Points {
		return ""
	}
	share := 1 - f.Covered.Own // a range of which a little is left is not told as none
	if len(f.Opened.Stretches) == 0 {
		share = 1 - rf.Fraction(float64(n)/float64(f.Opened.Points))
	}
	return fmt.Sprintf("%.0f %% of the range was not exposed (%d of %d frequencies were)",
		math.Ceil(max(0.5, 100*float64(share)-0.5)), n, f.Opened.Points)
}

// Of returns the findings of a run. Upsets that the control run (nil for none) shows too are
// marked.
func Of(r result.Run, control *Outline) Findings {
	f := Findings{
		Run: r.Number, Opened: r.Opened, Exposures: r.Exposures, Highest: r.HighestCurrent,
		Verdict: r.Verdict, Ended: r.Ended(), Drift: drift(r),
	}
	f.Marks, f.RFNotKnownOff = len(r.Marks), r.RFNotKnownOff()
	if r.Opened.RunKind == plan.Fixing {
		f.Loop = fixing.Of(&r)
		for _, p := range f.Loop.Places {
			if slices.ContainsFunc(p.Dots, func(d fixing.Dot) bool { return d.Upset }) {
				f.Upsets++
			}
		}
		return f
	}
	f.NotDeterministic = NotDeterministicAt(r)
	if len(r.Passes) > 0 {
		f.Swept = &Swept{Passes: len(r.Passes)}
		for _, p := range r.Passes {
			f.Swept.Upsets += len(p.Upsets)
		}
		if r.Bands != nil {
			f.Swept.Bands = len(r.Bands.Bands)
		}
	}
	if s, ok := StabilityOf(r); ok {
		f.Stability = &s
	}
	atEdge := edgeOnly(r)
	for _, t := range r.Thresholds() {
		p := Point{Threshold: t}
		p.Margin, p.MarginBound = t.Margin()
		if Replays(r.Opened) {
			p.Margin, p.MarginBound = t.OfDrive.Gain, t.OfDrive.Bound
			if !t.OfDrive.Known() {
				p.Margin = rf.Gain(math.NaN())
			}
		}
		if t.Upset {
			f.Upsets++
		}
		if p.Tested() && !atEdge[p.Frequency] {
			f.OfGrid++
		}
		f.Points = append(f.Points, p)
	}
	for _, s := range r.Steps {
		if s.Outcome.Upset && f.Upsets == 0 {
			f.Elsewhere++
		}
	}
	if control != nil {
		f.Control = control.Head.Number
		f.markControl(control.Bands)
	}
	timed, stretches := r.Opened.TimeLimit > 0, r.Opened.Stretches
	if timed { // as in a quick look: neighbours that upset are one band, as long as nothing was exposed between
		stretches = plan.Loosely(stretches, plan.WidestStep)
	}
	f.Bands = bands(f.Points, stretches, Replays(r.Opened))
	switch r.Opened.RunKind {
	case plan.Baseline:
		f.FalseAlarms = falseAlarms(r)
	case plan.Exposure, plan.Control:
		f.Covered = coveredBy(f.Points, r.Opened.Stretches, timed)
	}
	return f
}

// markControl marks the frequencies that lie in a failing band of the control run.
func (f *Findings) markControl(suspect []Band) {
	for i := range f.Points {
		for _, b := range suspect {
			if f.Points[i].Upset && b.Contains(f.Points[i].Frequency) {
				f.Points[i].InControl = true
			}
		}
	}
}

// Worst returns the point with the smallest margin among those that upset, and whether there is
// one. Where no level is wanted it is the one with the lowest onset.
func (f Findings) Worst() (Point, bool) {
	var worst Point
	found := false
	for _, p := range f.Points {
		if p.Upset && (!found || lessImmune(p, worst)) {
			worst, found = p, true
		}
	}
	return worst, found
}

func lessImmune(p, q Point) bool {
	switch {
	case p.Margin.Finite() && q.Margin.Finite():
		return p.Margin < q.Margin
	case p.Onset.Known() && q.Onset.Known():
		return p.Onset.DB() < q.Onset.DB()
	}
	return p.Onset.Known()
}

// FalseAlarms counts upsets of a run without RF.
type FalseAlarms struct {
	_ struct{} `tell:"alarms=Alarms dwells=Dwells"`

	Alarms, Dwells int
	At             []rf.Frequency // the frequencies whose dwell had one; they only name the time
}

func falseAlarms(r result.Run) *FalseAlarms {
	out := &FalseAlarms{}
	for _, s := range r.Steps {
		if s.Outcome.Skipped {
			continue
		}
		out.Dwells += max(1, s.Outcome.Exposures)
		if s.Outcome.Upset {
			out.Alarms++
			out.At = append(out.At, s.Step.Point.Frequency)
		}
	}
	return out
}

// Drift is how far a monitor's reading without RF moved from what it was at the first point.
type Drift struct {
	_ struct{} `tell:"monitor=Monitor unit=Unit first=First,whole last=Last,whole largest=Largest,whole"`
	_ struct{} `tell:"exceeds_half_tolerance=Exceeds"`

	Monitor, Unit string
	First, Last   float64
	// Largest is the largest distance from First, at the step numbered Step.
	Largest   float64
	Step      int
	At        rf.Frequency
	Tolerance float64 // of the monitor; 0 when it has none
}

// Exceeds reports a drift beyond half the tolerance: upsets may then be drift.
func (d Drift) Exceeds() bool { return d.Tolerance > 0 && math.Abs(d.Largest) > d.Tolerance/2 }

func drift(r result.Run) []Drift {
	var out []Drift
	index := map[string]int{}
	for _, s := range r.Steps {
		for _, q := range s.Quiet {
			i, seen := index[q.Monitor]
			if !seen {
				i = len(out)
				index[q.Monitor] = i
				out = append(out, newDrift(r, q))
			}
			d := &out[i]
			d.Last = q.Value
			if away := q.Value - d.First; math.Abs(away) > math.Abs(d.Largest) {
				d.Largest, d.Step, d.At = away, s.Step.Number, s.Step.Point.Frequency
			}
		}
	}
	return out
}

func newDrift(r result.Run, q result.Quiet) Drift {
	d := Drift{Monitor: q.Monitor, First: q.Value}
	for _, m := range r.Monitors {
		if m.ID == q.Monitor {
			d.Unit, d.Tolerance = m.Unit, m.Tolerance
		}
	}
	return d
}

// NoLoop refuses a run of the fixing loop where an exposure is needed, and says what to do instead.
func NoLoop(r result.Run) error {
	if r.Opened.RunKind != plan.Fixing {
		return nil
	}
	again := ""
	if f := r.Opened.Fixing; f != nil && f.Of > 0 {
		again = fmt.Sprintf(" --again %d", f.Of)
	}
	return fmt.Errorf("run %d is a fixing loop, in which the product was changed on the way, and no exposure of one "+
		"product: expose again in full with what is in place (provoke run PLAN --job JOB%s --changed \"…\") and "+
		"name that run; provoke findings JOB --run %d tells what each try did", r.Number, again, r.Number)
}

// ControlFor returns the number of the newest control run that an exposure is compared with: same fixture, same
// modulation. It is 0 when there is none, and for runs that are no exposure.
func ControlFor(runs []result.Run, r result.Run) int {
	if r.Opened.RunKind != plan.Exposure {
		return 0
	}
	for i := len(runs) - 1; i >= 0; i-- {
		c := &runs[i]
		if c.Opened.RunKind == plan.Control && c.Opened.Fixture == r.Opened.Fixture &&
			c.Opened.Modulation == r.Opened.Modulation {
			return c.Number
		}
	}
	return 0
}
