package plan

import (
	"errors"
	"fmt"
	"time"

	"provoke/internal/files/catalog"
	"provoke/internal/model/chain"
	"provoke/internal/model/level"
	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

// Budget is what a plan asks of a chain; *chain.Chain is one.
type Budget interface {
	Bench() *catalog.Bench
	// Predict computes every node at a drive.
	Predict(f rf.Frequency, drive rf.Power, crest chain.Crest, fixture catalog.Fixture) (chain.Prediction, error)
	// SafeDrive returns the largest drive that keeps every rating, and the node that limits it.
	SafeDrive(f rf.Frequency, crest chain.Crest, fixture catalog.Fixture) (rf.Power, chain.Node, error)
	// SafeDriveLooped is the same where a closed loop reads the current on its way up.
	SafeDriveLooped(f rf.Frequency, crest chain.Crest, fixture catalog.Fixture) (rf.Power, chain.Node, error)
	// DriveFor returns the drive for an expected current; it wraps chain.ErrUnreachable.
	DriveFor(f rf.Frequency, current rf.Current, fixture catalog.Fixture) (rf.Power, error)
}

// Calibrated is a calibration run as substitution replays it.
type Calibrated struct {
	Run     int             // of the job
	Loop    rf.Resistance   // sum of the two terminations of its jig
	Points  []CalibratedAt  // in any order; those without an exact current are left out
	Bench   string          // SHA-256 of the bench file it was made with; empty where that is not known
	Label   string          // as the run was labelled
	At      time.Time       // when it was made
	Fixture catalog.Fixture // its jig
}

// String names the calibration: "run 1 "in the jig" of 2026-11-25 14:03, 50 + 50 Ω jig (loop 100 Ω), 42 frequencies".
func (c *Calibrated) String() string {
	label := ""
	if c.Label != "" {
		label = fmt.Sprintf(" %q", c.Label)
	}
	return fmt.Sprintf("calibration run %d%s of %s, in the jig %s (loop impedance %v), %d frequencies", c.Run,
		label, c.At.Format("2006-01-02 15:04"), c.Fixture, c.Loop, len(c.Points))
}

// CalibratedAt is one frequency of a calibration.
type CalibratedAt struct {
	Frequency rf.Frequency
	Drive     rf.Power   // unmodulated
	Current   rf.Current // measured in the jig; only an exact one can be replayed
	Forward   rf.Power   // measured or predicted at the clamp
}

// pointer computes the points of one plan.
type pointer struct {
	plan   *Plan
	budget Budget
	crest  chain.Crest
	// Of the calibration: drive over current in dB re 1 W/A², current, and loop.
	gain    curve.Curve[rf.Gain]
	current curve.Curve[rf.Current]
	loop    rf.Resistance
	// estimated: there is no calibration yet, the budget of the jig stands for it (dry run only).
	estimated bool
}

// Points returns the function that gives the point of a frequency: what offset 0 dB means there, and
// the largest drive that may be used.
//
// Target and Drive are of the unmodulated carrier, in which the level is set. For carrier held that
// is the carrier itself; for peak held the level is the crest of the envelope, so the unmodulated
// carrier has the same r.m.s. as the crest later, and the carrier is lowered when modulation goes on.
//
// Where Plan.Raised has a frequency its current is the target, and drive and ceiling are computed for that.
//
// Constant drive: the plan's drive; it is its own ceiling. Closed loop: the profile's current; the
// drive is the budget's need, the ceiling the lowest of the safe drive, the need with
// Levelling.AboveBudget, and the need with Levelling.Ceiling (forward power follows the drive at
// most, so it cannot rise further than that); where the chain cannot reach the current, drive and
// ceiling are the safe drive. Substitution: the calibration's drive moved by the distance from its
// current to the level; it is its own ceiling. cal is used by substitution only, which refuses a nil
// one, a frequency outside the calibration, and with chain.ErrLoop a calibration made in
// another loop impedance than the level's, unless the plan says convert_calibration and the clamp's
// series impedance is known.
func Points(p *Plan, budget Budget, cal *Calibrated) (func(rf.Frequency) (Point, error), error) {
	at, err := newPointer(p, budget, cal)
	if err != nil {
		return nil, err
	}
	return at.point, nil
}

// settleDrive turns the drive as the file says it into a power under the generator's load setting.
func (p *Plan) settleDrive(b *catalog.Bench) {
	if d := p.SetAs.Available(b.Source.Load); !d.Absent() {
		p.Drive = d
	}
}

func newPointer(p *Plan, budget Budget, cal *Calibrated) (*pointer, error) {
	p.settleDrive(budget.Bench())
	at := &pointer{plan: p, budget: budget, crest: chain.CrestOfLevel(p.Modulation)}
	if p.Mode != Substitution || p.Kind == Baseline {
		return at, nil
	}
	if cal == nil {
		return nil,
			errors.New("substitution replays a calibration run, and there is none: make a run of kind calibration in " +
				"the same job first")
	}
	return at, at.calibrate(cal)
}

// calibrate makes curves of a calibration's points, so that a frequency between two of them, added at
// the edge of a band, has a drive too.
func (at *pointer) calibrate(cal *Calibrated) error {
	var gains []curve.Point[rf.Gain]
	var currents []curve.Point[rf.Current]
	last := map[rf.Frequency]int{} // a frequency that was calibrated twice counts with its last drive
	for i, c := range cal.Points {
		last[c.Frequency] = i
	}
	for i, c := range cal.Points {
		if !c.Current.Exact() || !c.Drive.Exact() || last[c.Frequency] != i {
			continue
		}
		gains = append(gains, curve.Point[rf.Gain]{At: c.Frequency, Value: rf.Gain(c.Drive.DB() - c.Current.DB())})
		currents = append(currents, curve.Point[rf.Current]{At: c.Frequency, Value: c.Current})
	}
	name := fmt.Sprintf("calibration run %d", cal.Run)
	var err error
	if at.gain, err = curve.New(gains, name); err != nil {
		return fmt.Errorf("replay the calibration: %w", err)
	}
	if at.current, err = curve.New(currents, name); err != nil {
		return fmt.Errorf("replay the calibration: %w", err)
	}
	if at.loop = cal.Loop; at.loop <= 0 {
		return fmt.Errorf("replay the calibration: %s does not say in which jig it was made", name)
	}
	return nil
}

func (at *pointer) point(f rf.Frequency) (Point, error) {
	p := Point{Frequency: f}
	ask, err := at.plan.Profile.At(f)
	switch {
	case err == nil:
		p.Wanted = ask
	case at.plan.Mode != ConstantDrive:
		return p, err
	}
	asked := ask
	if to := at.plan.Raised[f]; to.Above(ask.Current) {
		asked.Current = to
	}
	switch at.plan.Mode {
	case ConstantDrive:
		p.Drive = at.plan.Drive
		p.Ceiling = p.Drive
		return p, nil
	case Substitution:
		if at.plan.Kind == Baseline {
			p.Target, p.Drive, p.Ceiling = ask.Current, rf.Off[rf.Watt](), rf.Off[rf.Watt]()
			return p, nil
		}
		p.Target = asked.Current
		p.Drive, err = at.replay(f, asked)
		p.Ceiling = p.Drive
		return p, err
	}
	p.Target = asked.Current
	err = at.closedLoop(&p)
	return p, err
}

// safe returns the largest drive within every rating, as far as the mode's drive goes up by readings or not.
func (at *pointer) safe(f rf.Frequency) (rf.Power, chain.Node, error) {
	if at.plan.Mode == ClosedLoop {
		return at.budget.SafeDriveLooped(f, at.crest, at.plan.Fixture)
	}
	return at.budget.SafeDrive(f, at.crest, at.plan.Fixture)
}

// closedLoop finds the budget's need, and the ceiling with what holds it.
func (at *pointer) closedLoop(p *Point) error {
	safe, limit, err := at.safe(p.Frequency)
	if err != nil {
		return err
	}
	p.Safe, p.HeldBy = safe, fmt.Sprintf("the rating of %s, %s", limit.ID, limit.Place)
	need, err := at.budget.DriveFor(p.Frequency, p.Target, at.plan.Fixture)
	if errors.Is(err, chain.ErrUnreachable) {
		p.Drive, p.Ceiling = safe, safe
		return nil
	}
	if err != nil {
		return err
	}
	l := at.plan.Levelling
	p.Drive, p.Ceiling = need, safe
	for _, k := range []struct {
		key string
		by  rf.Gain
	}{{"above_budget", l.AboveBudget}, {"forward_ceiling", l.Ceiling}} {
		if top := need.Add(k.by); p.Ceiling.Above(top) {
			p.Ceiling, p.HeldBy = top, fmt.Sprintf("levelling.%s, %s", k.key, k.by)
		}
	}
	return nil
}

// More says, of a drive at the point's ceiling, what holds it and by how much the ratings would allow more.
func (p Point) More(drive rf.Power) string {
	if p.HeldBy == "" {
		return fmt.Sprintf("%v is the drive's ceiling", p.Ceiling)
	}
	more, _ := p.Safe.Minus(drive)
	if more <= 0 || !more.Finite() {
		return fmt.Sprintf("the drive is held at %v by %s", drive, p.HeldBy)
	}
	return fmt.Sprintf("the drive is held at %v by %s; the ratings would allow %s more", drive, p.HeldBy, more.Text(1))
}

// replay returns the drive that gives the level in the calibration's jig.
func (at *pointer) replay(f rf.Frequency, ask level.Ask) (rf.Power, error) {
	if !ask.Current.Exact() {
		return rf.Power{}, fmt.Errorf("the level asks for no current at %v", f)
	}
	if at.estimated {
		return at.budget.DriveFor(f, ask.Current, jigOf(ask))
	}
	gain, err := at.gain.At(f)
	if err != nil {
		return rf.Power{}, err
	}
	shift, err := at.loopShift(f, ask)
	if err != nil {
		return rf.Power{}, err
	}
	return rf.FromDB[rf.Watt](ask.Current.Sub(shift).DB() + float64(gain)), nil
}

// loopShift returns the current in the level's loop over that in the calibration's at the same drive.
func (at *pointer) loopShift(f rf.Frequency, ask level.Ask) (rf.Gain, error) {
	replay, err := chain.CheckLoop(at.loop, ask.LoopImpedance, at.budget.Bench())
	if err != nil {
		return 0, err
	}
	if replay.Estimate != "" && !at.plan.ConvertCalibration {
		return 0,
			fmt.Errorf("%w: %v in the jig, %v in the level; calibrate in the level's jig, or write "+
				"convert_calibration: true for an estimate with the clamp's series impedance",
				chain.ErrLoop, at.loop, ask.LoopImpedance)
	}
	shift, _, err := replay.Shift(f)
	return shift, err
}

// jigOf returns the jig in which a level is calibrated.
func jigOf(ask level.Ask) catalog.Fixture {
	if ask.LoopImpedance == level.Loop150 {
		return catalog.Jig150
	}
	return catalog.Jig50
}
