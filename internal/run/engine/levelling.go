package engine

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"provoke/internal/bench/driver"
	"provoke/internal/bench/guard"
	"provoke/internal/job/plan"
	"provoke/internal/model/level"
	"provoke/internal/units/rf"
)

// reached is the level that a step came to, unmodulated.
type reached struct {
	drive            rf.Power
	current          rf.Current // measured; absent without a probe
	highest          rf.Current
	forward          rf.Power
	forwardPredicted bool
	reverse          rf.Power
	predicted        rf.Current
	on               time.Time   // when RF came up
	limited          string      // why the level was not reached
	skip             bool        // nothing useful could be done
	power            powerBeside // what is being read of forward and reverse power at this level; nil for nothing
	upset            *judged     // the DUT upset on the way up, at what was read last
}

// lowBelow is how far below its level a step settles first. approachBelow is how far below the
// budget's need the first reading at a frequency is made, at least.
const lowBelow, approachBelow rf.Gain = 20, 10

// restBelow is how far below its level a step leaves RF behind when its dwell has ended: mostly
// below where the next one begins.
const restBelow rf.Gain = 30

// bring settles at a low level, brings the unmodulated carrier to the step's level from below, and
// measures it. mod is what will go on afterwards: every limit is held for its crest.
func (r *run) bring(ctx context.Context, step plan.Step, mod level.Modulation) (reached, error) {
	p := step.Point
	var at reached
	var err error
	if r.cfg.Plan.Mode == plan.ClosedLoop {
		at, err = r.bringCurrent(ctx, step, mod)
	} else {
		at, err = r.bringDrive(ctx, step, mod)
	}
	if err != nil || at.skip || at.upset != nil {
		return at, err
	}
	if carrier := at.drive.Add(mod.CarrierOverLevel()); r.bench.Source.Minimum.Above(carrier) {
		at.skip = true
		at.limited = fmt.Sprintf("with the peak held the carrier would be %v, below the source's minimum of %v",
			carrier, r.bench.Source.Minimum)
		return at, r.leaveLow(ctx, at)
	}
	if r.cfg.Rig.PowerMeter != nil {
		err = r.measurePower(ctx, p.Frequency, &at, mod)
	}
	return at, err
}

// bringDrive goes to a drive: constant drive and substitution.
func (r *run) bringDrive(ctx context.Context, step plan.Step, mod level.Modulation) (reached, error) {
	f, want, ceiling := step.Point.Frequency, step.Point.Drive.Add(step.Offset), step.Point.Ceiling
	at := reached{drive: r.roundDown(want)}
	if at.drive.Exceeds(ceiling) {
		at.drive, at.limited = r.roundDown(ceiling), fmt.Sprintf("the drive of %v would be above the ceiling of %v",
			want, ceiling)
	}
	if r.bench.Source.Minimum.Above(at.drive) {
		at.limited, at.skip = fmt.Sprintf("the drive of %v is below the source's minimum of %v",
			at.drive, r.bench.Source.Minimum), true
		return at, nil
	}
	if err := r.settleLow(ctx, f, at.drive); err != nil {
		return at, err
	}
	at.on = time.Now()
	low := reached{drive: r.at.Level}
	if len(r.seen[f]) == 0 && !r.byHand() && r.cfg.Rig.Analyser != nil && !r.bench.Analyser.ByHand {
		// Nothing was read at this frequency yet: look before going up.
		if err := r.measureAndPower(ctx, f, &low, mod); err != nil {
			return at, err
		}
		low.on = at.on
		if r.upsetOnTheWay(step, &low, at.drive) {
			return low, nil
		}
	}
	if err := r.lookForward(ctx, f, &low); err != nil {
		return at, err
	}
	if err := r.apply(ctx, f, at.drive, level.Modulation{}); err != nil {
		return at, err
	}
	err := r.measureAndPower(ctx, f, &at, mod)
	return at, err
}

// settleLow brings the source to the frequency at a low level. It goes down before it changes
// frequency, to a level that is allowed at both.
func (r *run) settleLow(ctx context.Context, f rf.Frequency, target rf.Power) error {
	low := r.atLeastMinimum(r.roundDown(target.Sub(lowBelow)))
	if r.byHand() { // a person sets one level rather than two, and goes down first within that
		if r.at.Frequency == f {
			return nil
		}
		return r.comeDown(ctx, f, low)
	}
	if err := r.comeDown(ctx, f, low); err != nil {
		return err
	}
	return r.apply(ctx, f, low, level.Modulation{})
}

// comeDown lowers the carrier to a level before the frequency changes or modulation goes off, so that
// nothing rises in between.
func (r *run) comeDown(ctx context.Context, f rf.Frequency, to rf.Power) error {
	if r.on && r.at.Level.Above(to) && (r.at.Frequency != f || !r.at.Modulation.IsCW()) {
		return r.lower(ctx, to)
	}
	return nil
}

// lower takes the carrier down, whatever else is set.
func (r *run) lower(ctx context.Context, to rf.Power) error {
	if err := r.cfg.Rig.Source.Lower(r.patiently(ctx), to); err != nil {
		return r.instrument("lower the level", err)
	}
	r.guard.Lowered(to)
	r.at.Level = to
	return nil
}

// leave takes the carrier down at the end of a dwell, and amplitude modulation off with it.
func (r *run) leave(ctx context.Context, to rf.Power) error {
	if err := r.cfg.Rig.Source.Rest(r.patiently(ctx), to); err != nil {
		return r.instrument("lower the level", err)
	}
	r.guard.Lowered(to)
	r.at.Level = to
	if r.at.Modulation.Kind == level.AM {
		r.at.Modulation = level.Modulation{}
	}
	return nil
}

func (r *run) atLeastMinimum(p rf.Power) rf.Power {
	if r.bench.Source.Minimum.Above(p) {
		return r.bench.Source.Minimum
	}
	return p
}

// roundDown rounds a drive down to what the source can set. A drive outside the source's range stays
// as it is: guard and driver refuse it.
func (r *run) roundDown(p rf.Power) rf.Power {
	if settable, err := driver.Settable(r.bench.Source, p); err == nil {
		return settable
	}
	return p
}

// apply has the guard clear a setting and the source take it.
func (r *run) apply(ctx context.Context, f rf.Frequency, carrier rf.Power, mod level.Modulation) error {
	r.feed()
	if err := r.stopAsked(); err != nil { // whoever asked for RF to go off does not want it to rise first
		return err
	}
	if r.hold.Load() && r.stepping { // while the run arms, at the lowest level, a hold waits for the first step
		return errHeld
	}
	if err := r.operateAgain(ctx); err != nil {
		return err
	}
	if !r.on { // nobody else may have set what is about to come on
		if err := r.asLeft(ctx); err != nil {
			return err
		}
	}
	s := guard.Setting{Frequency: f, Level: carrier, Modulation: mod, Output: true}
	c, err := r.guard.Clear(ctx, s)
	if err != nil {
		return err
	}
	// Believed on from before the command is sent: an exchange that fails may have acted.
	r.switched(true)
	r.places.Store(&[]rf.Frequency{r.at.Frequency, f})
	r.at = s
	if err := r.cfg.Rig.Source.Apply(r.patiently(ctx), c); err != nil {
		return r.instrument(fmt.Sprintf("set the source to %v at %v", carrier, f), err)
	}
	r.guard.Confirmed()
	r.places.Store(&[]rf.Frequency{f})
	if f != r.status.Frequency {
		r.status.clearReadings()
	}
	r.status.Drive, r.status.Frequency, r.status.Modulation = carrier, f, mod
	if d := r.cfg.Plan.Settle.Std(); d > 0 {
		return r.settle(ctx, d)
	}
	return context.Cause(ctx)
}

func (r *run) settle(ctx context.Context, d time.Duration) error {
	for end := time.Now().Add(d); time.Now().Before(end); {
		if err := r.sleep(ctx, time.Until(end)); err != nil {
			return err
		}
	}
	return nil
}

// off switches the output off and reads that back.
func (r *run) off(ctx context.Context) error {
	if !r.on {
		return nil
	}
	defer r.guard.GoingOff()()
	if err := r.standbyAtOnce(ctx); err != nil {
		return err
	}
	if err := r.cfg.Rig.Source.OutputOff(r.patiently(ctx)); err != nil {
		return r.instrument("switch the source off", err)
	}
	state, err := r.cfg.Rig.Source.State(r.patiently(ctx))
	if err != nil {
		return r.instrument("read back that the source is off", err)
	}
	if state.Output {
		return r.instrument("switch the source off", errors.New("it says that its output is still on"))
	}
	was := r.leaves()
	r.dark = state.Setting
	r.switched(false)
	r.guard.WentOff()
	// What was set meanwhile is still to be seen.
	was.source.Output, was.sourceReads, was.noAmplifier = false, state, true
	return r.judgeLeft(was)
}

// switching is a moment at which RF came on or went off.
type switching struct {
	at time.Time
	on bool
}

// switched remembers when RF came on and went off.
func (r *run) switched(on bool) {
	if on == r.on && len(r.switches) > 0 {
		return
	}
	if l, ok := plan.OnTimeOf(r.bench); ok {
		r.duty.note(on, time.Now(), l)
	}
	r.on = on
	if !on {
		r.status.clearReadings()
	}
	r.lit.Store(on)
	r.tell(r.status.Phase)
	if len(r.switches) > 256 {
		r.switches = append(r.switches[:0], r.switches[128:]...)
	}
	r.switches = append(r.switches, switching{time.Now(), on})
}

// rfWasOn says whether RF was on at a time.
func (r *run) rfWasOn(t time.Time) bool {
	for i := len(r.switches) - 1; i >= 0; i-- {
		if !r.switches[i].at.After(t) {
			return r.switches[i].on
		}
	}
	return false
}

// gentle is the gap up to which the loop rises in one go; a greater one is closed to gentleShort below the level
// first, since what the chain does over many decibels was read at their lower end only.
const gentle, gentleShort rf.Gain = 1, 0.1

// underUpset is how far below the lowest level that was measured to upset a search stays.
const underUpset rf.Gain = 0.1

// bringCurrent is the closed loop: from below, on exact unmodulated readings only, within the
// ceiling, to a level that is not below the one asked for and above it by the window at most.
func (r *run) bringCurrent(ctx context.Context, step plan.Step, mod level.Modulation) (reached, error) {
	p := step.Point
	w := r.window(step)
	ceiling := r.roundDown(r.ceiling(step))
	at, err := r.approach(ctx, step, w, ceiling, mod)
	if err != nil || at.skip {
		return at, err
	}
	var tooMuch rf.Power // the lowest drive that gave more than the window
	for try := 0; try < 10; try++ {
		if r.upsetOnTheWay(step, &at, rf.Power{}) {
			return at, nil
		}
		if !at.current.Exact() {
			if at, err = r.outOfTheFloor(ctx, step, at, w.low, ceiling, mod); err != nil || at.limited != "" ||
				at.upset != nil {
				return at, err
			}
		}
		short, _ := w.low.Minus(at.current)
		over, _ := at.current.Minus(w.high)
		if short <= 0 && over <= 0 {
			at.limited = w.limited(at)
			return at, nil
		}
		next := r.roundDown(at.drive.Add(short + r.aim(w, short)))
		if over > 0 { // the chain gave more than it did before: down into the window before anything dwells there
			if tooMuch.Absent() || tooMuch.Above(at.drive) {
				tooMuch = at.drive
			}
			next = next.Lower(r.below(at.drive))
		} else if tooMuch.Known() && !tooMuch.Above(next) {
			next = r.below(tooMuch)
		}
		next = next.Lower(ceiling)
		if rise, _ := next.Minus(at.drive); rise <= 0 && short > 0 || r.bench.Source.Minimum.Above(next) {
			break
		}
		at.drive = next
		if err := r.apply(ctx, p.Frequency, at.drive, level.Modulation{}); err != nil {
			return at, err
		}
		measure := r.measure
		if short <= gentle { // the level is reached, as far as can be told
			measure = r.measureAndPower
		}
		if err := measure(ctx, p.Frequency, &at, mod); err != nil {
			return at, err
		}
	}
	if short, _ := w.low.Minus(at.current); short > 0 {
		at.limited = w.whyShort(at, ceiling, r.heldBy(step, ceiling))
		return at, nil
	}
	return r.notHeld(ctx, at, w.asked) // above the level, or the last reading is only a bound
}

// levels is where a step's current has to lie. low is what was asked for, unless an upset left no room for that.
type levels struct{ asked, low, high, upset rf.Current }

// window returns the levels of a step: from what is asked for up by the plan's window; in a search for the
// lowest level that upsets never so high as what was measured to upset here.
func (r *run) window(step plan.Step) levels {
	w := levels{asked: step.Point.Target.Add(step.Offset)}
	width := r.cfg.Plan.Levelling.Window
	w.low, w.high = w.asked, w.asked.Add(width)
	switch step.Purpose {
	case plan.Sweep, plan.Onset, plan.Edge, plan.Window:
		if u := r.upsetAt[step.Point.Frequency]; u.Exact() && w.high.Above(u.Sub(underUpset)) {
			w.upset, w.high = u, u.Sub(underUpset)
		}
	}
	if w.low.Above(w.high) {
		w.low = w.high.Sub(width)
	}
	return w
}

// aim is how far above the low end of the window the next drive is meant to bring the current, before the
// source rounds it down.
func (r *run) aim(w levels, short rf.Gain) rf.Gain {
	if short > gentle && !r.byHand() {
		return -gentleShort
	}
	width, _ := w.high.Minus(w.low)
	return min(width, (width+r.bench.Source.Resolution)/2)
}

// below is the next drive below one that the source can set.
func (r *run) below(p rf.Power) rf.Power {
	return r.roundDown(p.Sub(max(r.bench.Source.Resolution, 0.01)))
}

// limited says why a level within the window is below what was asked for; empty where it is not.
func (w levels) limited(at reached) string {
	if short, _ := w.asked.Minus(at.current); short > 0 {
		return fmt.Sprintf("not reached by %s: %v upset here, and the search stays %s below it", short.Text(2), w.upset,
			underUpset.Text(1))
	}
	return ""
}

// whyShort says why the loop ended below the window.
func (w levels) whyShort(at reached, ceiling rf.Power, why string) string {
	short, _ := w.asked.Minus(at.current)
	switch {
	case ceiling.Above(at.drive) && w.upset.Known():
		why = fmt.Sprintf("%v upset here, and the next step of the source would come nearer to it than %s", w.upset,
			underUpset.Text(1))
	case ceiling.Above(at.drive):
		why = fmt.Sprintf("the next drive of the source gives more than %s above the level",
			rf.Gain(w.high.DB()-w.asked.DB()).Text(2))
	}
	return fmt.Sprintf("not reached by %s: %v of %v; %s", short.Text(2), at.current, w.asked, why)
}

// upsetOnTheWay reports that the DUT upset while the level rises to a step's: it is not taken further up. What
// was read last is then the most that the onset can be. to is the drive of a step without a loop.
func (r *run) upsetOnTheWay(step plan.Step, at *reached, to rf.Power) bool {
	if r.cfg.Plan.Kind == plan.Calibration || step.Purpose == plan.Recover {
		return false // nobody watches; or it has to come down from the level that is known to upset
	}
	bad, ok := r.watch.firstBad(at.on)
	if !ok {
		return false
	}
	at.upset = &bad
	switch asked := step.Point.Target.Add(step.Offset); {
	case to.Known():
		at.limited = fmt.Sprintf("upset on the way up, at %v, at a drive of %v, below the %v of the step", at.current,
			at.drive, to)
	case asked.Above(at.current.WithBound(rf.Exactly)):
		at.limited = fmt.Sprintf("upset on the way up, at %v, below the %v asked for", at.current, asked)
	}
	return true
}

// notHeld gives a step up whose current cannot be brought down to its level, and leaves a low level behind.
func (r *run) notHeld(ctx context.Context, at reached, target rf.Current) (reached, error) {
	at.skip = true
	at.limited = fmt.Sprintf("the current cannot be held at %v: it reads %v at a drive of %v", target, at.current,
		at.drive)
	return at, r.leaveLow(ctx, at)
}

// leaveLow leaves a low level behind after a step that is given up.
func (r *run) leaveLow(ctx context.Context, at reached) error {
	if r.byHand() {
		return r.off(ctx)
	}
	if low := r.atLeastMinimum(r.roundDown(at.drive.Sub(restBelow))); at.drive.Above(low) {
		return r.lower(ctx, low)
	}
	return nil
}

// heldBy says what holds a step's ceiling, and by how much the ratings would allow more.
func (r *run) heldBy(step plan.Step, ceiling rf.Power) string {
	p := step.Point
	if p.HeldBy != "" && p.Ceiling.Above(ceiling) { // a step below the level wanted has a ceiling of its own
		p.Ceiling, p.HeldBy = ceiling, fmt.Sprintf("levelling.above_budget, %s", r.cfg.Plan.Levelling.AboveBudget)
	}
	return p.More(ceiling)
}

// ceiling is the largest drive that the loop may use for a step: the point's, and what the budget
// needs for the step's own current plus the allowed excess.
func (r *run) ceiling(step plan.Step) rf.Power {
	return step.Point.Ceiling.Lower(step.Point.Drive.Add(step.Offset + r.cfg.Plan.Levelling.AboveBudget))
}

// approach makes the first exact reading of a step: from what was seen at this frequency where
// there is anything, else from so far below that the high end of the budget's range stays below
// the target.
func (r *run) approach(ctx context.Context, step plan.Step, w levels, ceiling rf.Power, mod level.Modulation) (reached,
	error) {
	p := step.Point
	drive, gap, known := r.nearest(p.Frequency, w.low)
	drive = drive.Add(gap + r.aim(w, rf.Gain(math.Abs(gap.DB()))))
	if !known {
		pred, err := r.predict(p.Frequency, p.Drive)
		if err != nil {
			return reached{}, err
		}
		high, _ := pred.High.Minus(pred.Current)
		drive = p.Drive.Add(step.Offset - max(high+1, approachBelow))
	}
	at := reached{drive: r.roundDown(drive.Lower(ceiling))}
	if r.bench.Source.Minimum.Above(at.drive) {
		at.limited, at.skip = fmt.Sprintf("%v needs a drive of %v, below the source's minimum of %v", w.asked, at.drive,
			r.bench.Source.Minimum), true
		return at, nil
	}
	settle := r.settleLow
	if !known {
		settle = r.comeDown // the approach is a low level by itself
	}
	if err := settle(ctx, p.Frequency, at.drive); err != nil {
		return at, err
	}
	at.on = time.Now()
	if err := r.apply(ctx, p.Frequency, at.drive, level.Modulation{}); err != nil {
		return at, err
	}
	measure := r.measure
	if known && math.Abs(gap.DB()) <= gentle.DB() || !known && r.looked[p.Frequency].drive.Absent() {
		measure = r.measureAndPower // it is the last level, or lookForward comes next
	}
	err := measure(ctx, p.Frequency, &at, mod)
	if err == nil && !known {
		err = r.lookForward(ctx, p.Frequency, &at)
	}
	return at, err
}

// outOfTheFloor goes up in steps of 3 dB while the reading is at the floor, and gives up at the ceiling: a
// bound is never levelled on.
func (r *run) outOfTheFloor(ctx context.Context, step plan.Step, at reached, target rf.Current, ceiling rf.Power,
	mod level.Modulation) (reached, error) {
	f := step.Point.Frequency
	for at.current.Bound() == rf.AtMost && target.Above(at.current.WithBound(rf.Exactly)) {
		next := r.roundDown(at.drive.Add(3)).Lower(ceiling)
		if step, _ := next.Minus(at.drive); step <= 0 {
			break
		}
		at.drive = next
		if err := r.apply(ctx, f, at.drive, level.Modulation{}); err != nil {
			return at, err
		}
		if err := r.measure(ctx, f, &at, mod); err != nil {
			return at, err
		}
		if r.upsetOnTheWay(step, &at, rf.Power{}) {
			return at, nil
		}
	}
	if !at.current.Exact() {
		at.limited = fmt.Sprintf("the reading is only a bound (%v), which cannot be levelled on", at.current)
	}
	return at, nil
}

// driveFor returns the drive that gave a current at this frequency before, shifted by the small
// difference to the nearest reading.
func (r *run) driveFor(f rf.Frequency, target rf.Current) (rf.Power, bool) {
	drive, gap, ok := r.nearest(f, target)
	return drive.Add(gap), ok
}

// nearest returns the drive of the reading at this frequency that lies nearest to a current, and how far below
// the current that reading lies.
func (r *run) nearest(f rf.Frequency, target rf.Current) (rf.Power, rf.Gain, bool) {
	best, gap := pair{}, rf.Gain(math.Inf(1))
	for _, s := range r.seen[f] {
		d, _ := target.Minus(s.current)
		if math.Abs(d.DB()) < math.Abs(gap.DB()) {
			best, gap = s, d
		}
	}
	return best.drive, gap, best.drive.Known()
}

// expectedAt returns the most that a drive may be expected to give at this frequency: the nearest reading at
// a lower drive, or the same, with the whole difference added. Absent where nothing was read below.
func (r *run) expectedAt(f rf.Frequency, drive rf.Power) rf.Current {
	best, gap := pair{}, rf.Gain(math.Inf(1))
	for _, s := range r.seen[f] {
		if d, _ := drive.Minus(s.drive); d >= 0 && d <= gap {
			best, gap = s, d
		}
	}
	if best.drive.Absent() {
		return rf.Current{}
	}
	return best.current.Add(gap)
}

// currentAt returns the unmodulated current that a drive gives at this frequency, from what was
// measured nearest to it.
func (r *run) currentAt(f rf.Frequency, drive rf.Power) rf.Current {
	best, gap := pair{}, rf.Gain(math.Inf(1))
	for _, s := range r.seen[f] {
		d, _ := drive.Minus(s.drive)
		if math.Abs(d.DB()) < math.Abs(gap.DB()) {
			best, gap = s, d
		}
	}
	if best.drive.Absent() {
		return rf.Current{}
	}
	return best.current.Add(gap)
}
