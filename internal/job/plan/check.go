package plan

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"

	"provoke/internal/files/catalog"
	"provoke/internal/files/problem"
	"provoke/internal/model/chain"
	"provoke/internal/units/rf"
)

// Checked is what a plan would do on a bench, computed before RF is on.
type Checked struct {
	// Reach is how far a plan with a time limit gets; nil for one without.
	Reach  *Reach
	Points []CheckedPoint // of the grid, ascending
	// Worst is the worst case of the whole run at every rating, tightest first: at the ceiling of
	// every point, with the crest of the modulation, at the high end of the stated range.
	Worst []Worst
	// Refusals are the ratings that the plan would exceed, worst first. A plan with one is not run.
	Refusals []Refusal
	// Unreachable are the frequencies at which the level wanted is not reached by the budget.
	Unreachable []Unreachable
	Duration    Duration
	// Notes are labels that belong beside every figure: estimates.
	Notes []string
}

// CheckedPoint is one frequency of the grid.
type CheckedPoint struct {
	Point
	Predicted chain.Prediction // at Drive, with the crest of the modulation
	Safe      rf.Power         // largest drive within every rating
	LimitedBy string           // what stands in the way of more
}

// Worst is the highest level that a run can bring to one rating.
type Worst struct {
	Frequency rf.Frequency
	Drive     rf.Power
	Node      chain.Node
}

// Refusal is a rating that the plan would exceed.
type Refusal struct {
	ID, Place string
	Frequency rf.Frequency // the worst
	Level     chain.Value  // what the rating is compared with there
	Rating    chain.Value  // absent: it is not given, which forbids
	RatedAs   string
	Unsure    rf.Gain // added to Level for what is not measured
	Regain    string  // what measuring would take off that; empty for nothing
	Over      rf.Gain // above the rating; NaN where that is not a matter of decibel
	Count     int     // frequencies of the grid at which it is exceeded
	Note      string
}

// String names rating, frequency, level and by how many dB.
func (r Refusal) String() string {
	text := fmt.Sprintf("%s, %s: at %v ", r.ID, r.Place, r.Frequency)
	if r.Over.Finite() {
		text += fmt.Sprintf("%v %s%s is %v above the rating of %v", r.Level, chain.Counted(r.RatedAs, r.Level),
			chain.Allowing(r.Unsure), r.Over, r.Rating)
	} else {
		text += fmt.Sprintf("%v %s is not shown to be allowed: %s", r.Level, chain.Counted(r.RatedAs, r.Level), r.Note)
	}
	if r.Count > 1 {
		text += fmt.Sprintf("; exceeded at %d frequencies", r.Count)
	}
	return text
}

// Unreachable is a frequency at which the level wanted is not reached by the budget.
type Unreachable struct {
	Frequency rf.Frequency
	Wanted    rf.Current
	Reach     rf.Current // a bound: at most
	Short     rf.Gain
	Why       string
}

// Check computes a plan on a bench without touching an instrument. The list holds everything that
// speaks against the plan: refusals and what makes it impossible as problems, the rest as warnings.
// For substitution a nil cal lets the budget of the jig stand for the calibration, which is said.
func Check(p *Plan, budget Budget, cal *Calibrated) (Checked, problem.List) {
	c := checker{plan: p, budget: budget, bench: budget.Bench(), worst: map[string]int{}, refused: map[string]int{}}
	c.anotherBench(cal)
	at, err := c.pointer(cal)
	if err != nil {
		c.problem("mode", "%v", err)
		return c.out, c.list
	}
	c.at = at
	for _, f := range p.Grid {
		c.frequency(f)
	}
	c.sayRefusals()
	c.sayUnreachable()
	c.sayErrors()
	c.level()
	c.extrapolated()
	c.modulation()
	c.dwell()
	c.window()
	c.steps()
	c.lowest()
	_, monitors := p.MonitorsOf(c.bench)
	c.list = append(c.list, monitors...)
	c.out.Duration = durationOf(p, c.bench)
	c.timeLimit()
	c.onTime()
	c.unmeasured()
	c.deadMan()
	return c.out, c.list
}

type checker struct {
	plan    *Plan
	budget  Budget
	bench   *catalog.Bench
	at      *pointer
	out     Checked
	list    problem.List
	worst   map[string]int // index into out.Worst
	refused map[string]int
	errors  []string
}

// problem tells what is wrong; field is the key of the plan file that it is about.
func (c *checker) problem(field, format string, args ...any) {
	c.list = append(c.list, problem.Problem{File: c.plan.File, What: fmt.Sprintf(format, args...), Field: field})
}

// warn tells what the user should know.
func (c *checker) warn(field, hint, format string, args ...any) {
	c.list = append(c.list, problem.Problem{File: c.plan.File, What: fmt.Sprintf(format, args...), Hint: hint,
		Field: field, Warning: true})
}

func (c *checker) pointer(cal *Calibrated) (*pointer, error) {
	if c.plan.Mode == Substitution && cal == nil && c.plan.Kind != Baseline {
		note := "no calibration run is known here: drives are the budget's estimate for the jig, and the run replays " +
			"the calibration's"
		c.out.Notes = append(c.out.Notes, note)
		c.warn("mode", "make a run of kind calibration in the same job", "%s", note)
		return &pointer{plan: c.plan, budget: c.budget, crest: chain.CrestOfLevel(c.plan.Modulation), estimated: true},
			nil
	}
	return newPointer(c.plan, c.budget, cal)
}

// anotherBench warns where the calibration that is replayed was made with another bench file.
func (c *checker) anotherBench(cal *Calibrated) {
	if !c.plan.Replays() || cal == nil || cal.Bench == "" {
		return
	}
	if sum := sha256.Sum256(c.bench.Bytes); cal.Bench != hex.EncodeToString(sum[:]) {
		c.warn("mode", "calibrate again where one of them was changed",
			"calibration run %d was made with another bench file: its drives give its currents only with the same "+
				"generator, pads, amplifier and clamp", cal.Run)
	}
}

// frequency computes one frequency of the grid.
func (c *checker) frequency(f rf.Frequency) {
	p, err := c.at.point(f)
	if c.plan.Kind == Baseline && err == nil {
		c.out.Points = append(c.out.Points, CheckedPoint{Point: p})
		return
	}
	estimatedShort := c.at.estimated && errors.Is(err, chain.ErrUnreachable)
	if err != nil && !estimatedShort && !errors.Is(err, chain.ErrForbidden) {
		c.errors = append(c.errors, fmt.Sprintf("%v: %v", f, err))
		return
	}
	safe, limit, err := c.at.safe(f)
	switch {
	case errors.Is(err, chain.ErrForbidden):
		c.forbidden(f)
		return
	case err != nil:
		c.errors = append(c.errors, fmt.Sprintf("%v: %v", f, err))
		return
	}
	if estimatedShort {
		p.Drive, p.Ceiling = safe, safe
	}
	predicted, err := c.budget.Predict(f, p.Drive, c.at.crest, c.plan.Fixture)
	if err != nil {
		c.errors = append(c.errors, fmt.Sprintf("%v: %v", f, err))
		return
	}
	c.out.Points = append(c.out.Points, CheckedPoint{Point: p, Predicted: predicted, Safe: safe, LimitedBy: limit.ID +
		", " + limit.Place})
	c.refuse(predicted)
	c.worstAt(f, p)
	c.reach(p, predicted, safe, limit)
}
