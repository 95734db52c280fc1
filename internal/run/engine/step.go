package engine

import (
	"context"
	"errors"
	"fmt"
	"time"

	"provoke/internal/bench/dut"
	"provoke/internal/files/catalog"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/model/level"
	"provoke/internal/units/rf"
)

// keptReadings is how many readings of a step that upset are journalled at most; of one in which
// nothing happened, quietReadings.
const keptReadings, quietReadings = 120, 16

// do does one step of any kind.
func (r *run) do(ctx context.Context, step plan.Step) (event.StepClosed, error) {
	if err := r.namePictures(); err != nil {
		return event.StepClosed{}, err
	}
	switch {
	case r.cfg.Plan.Kind == plan.Baseline:
		return r.lookWithoutRF(ctx)
	case r.cfg.Plan.Kind == plan.Calibration:
		return r.calibrate(ctx, step)
	}
	return r.expose(ctx, step)
}

// lookWithoutRF watches the DUT for a dwell with no RF: what is bad then is a false alarm.
func (r *run) lookWithoutRF(ctx context.Context) (event.StepClosed, error) {
	r.tell("watching without RF")
	began := time.Now()
	bad, upset, err := r.dwell(ctx, began, nil, nil)
	if err == nil && !upset {
		bad, upset, err = r.lookAfter(ctx, began)
	}
	if err != nil {
		return event.StepClosed{}, err
	}
	c := event.StepClosed{Means: "no RF: a false alarm if anything is bad"}
	c.Readings = r.readings(began, began, quietReadings)
	c.Outcome.Upset = upset
	if upset {
		c.Note = bad.why
		_, err = r.awaitWell(ctx, time.Now(), r.cfg.Plan.RecoverWithin.Std())
	}
	return c, err
}

// calibrate brings the current in the jig to the level and records the drive that did it.
func (r *run) calibrate(ctx context.Context, step plan.Step) (event.StepClosed, error) {
	r.tell("calibrating")
	at, err := r.bring(ctx, step, level.Modulation{})
	if err != nil {
		return event.StepClosed{}, err
	}
	c := r.closed(at)
	c.Outcome.Exposures = 0
	return c, r.inJig(step, at)
}

// ErrNotInJig is wrapped when a calibration's current is not what the budget says of the jig.
var ErrNotInJig = errors.New("the current is not that of the jig")

// inJig compares a calibrated current with the budget: a jig is known, so a current that lies further
// off than first light allows is that of something else, such as the clamp still on the cable.
func (r *run) inJig(step plan.Step, at reached) error {
	if r.onCable() || !at.current.Exact() || !at.predicted.Exact() {
		return nil
	}
	off, _ := at.current.Minus(at.predicted)
	if off <= r.cfg.Plan.FirstLightAllowed && off >= -r.cfg.Plan.FirstLightAllowed {
		return nil
	}
	return fmt.Errorf("%w: at %v the probe reads %v at a drive of %v, %v from the budget's %v (allowed %v): is the "+
		"clamp closed in the %s, and the probe with it?",
		ErrNotInJig, step.Point.Frequency, at.current, at.drive, off, at.predicted, r.cfg.Plan.FirstLightAllowed,
		r.cfg.Plan.Fixture)
}

// closed starts the record of a step from what was reached.
func (r *run) closed(at reached) event.StepClosed {
	c := event.StepClosed{Drive: at.drive, Current: at.current, Highest: at.highest, Forward: at.forward,
		Reverse:          at.reverse,
		ForwardPredicted: at.forwardPredicted, Predicted: at.predicted, Limited: at.limited, Means: r.means()}
	c.Outcome.NotReached = at.limited != "" && !at.skip
	c.Outcome.Skipped = at.skip
	return c
}

// means words what the level of a point means.
func (r *run) means() string {
	m := r.modulation()
	switch {
	case m.IsCW():
		return "r.m.s. of the unmodulated carrier, no modulation"
	case m.Hold == level.PeakHeld:
		return fmt.Sprintf("r.m.s. at the crest of the envelope (%s, peak held: carrier %s lower in the dwell)", m.Kind,
			m.CrestOverCarrier())
	}
	return fmt.Sprintf("r.m.s. of the carrier before modulation (%s, carrier held: crest %s higher in the dwell)",
		m.Kind, m.CrestOverCarrier())
}

// expose does one exposure, or for a recovery step the descent after it.
func (r *run) expose(ctx context.Context, step plan.Step) (event.StepClosed, error) {
	r.tell("levelling")
	mod := r.modulation()
	at, err := r.bring(ctx, step, mod)
	if err != nil {
		return event.StepClosed{}, err
	}
	c := r.closed(at)
	if at.skip {
		return c, nil
	}
	if at.upset != nil {
		c.OnFor = rf.Duration(time.Since(at.on))
		c.Outcome.Exposures, c.Outcome.Upset = 1, true
		return c, r.afterUpset(ctx, at.on, at, *at.upset, &c)
	}
	carrier := at.drive.Add(mod.CarrierOverLevel())
	if !mod.IsCW() {
		r.tell("modulating")
		if err := r.apply(ctx, step.Point.Frequency, carrier, mod); err != nil {
			return c, err
		}
	}
	r.tell("exposing")
	meters, err := r.watchMeters(ctx, at)
	if err != nil {
		return c, err
	}
	on := time.Now()
	bad, upset, err := r.dwell(ctx, at.on, meters, r.heldUntil(step))
	c.OnFor = rf.Duration(time.Since(on))
	if err == nil && !upset {
		notHeld := ""
		if notHeld, err = r.provesDwell(ctx, at, meters); notHeld != "" {
			c.Limited, c.Outcome.NotReached = notHeld, true
		}
	}
	left := false
	if err == nil && !upset {
		// A step that goes on downwards keeps the level up: it has to go down from an upset, not from nothing.
		// So does a source that a person would have to turn down.
		if len(step.Descend) > 0 || r.byHand() {
			bad, upset, err = r.lookAfter(ctx, at.on)
		}
		if err == nil && !upset && !r.byHand() {
			left = true
			if err = r.leave(ctx, r.atLeastMinimum(r.roundDown(carrier.Sub(restBelow)))); err == nil {
				bad, upset, err = r.lookAfter(ctx, at.on)
			}
		}
	}
	if err != nil {
		return c, err
	}
	c.Outcome.Exposures, c.Outcome.Upset = 1, upset
	if upset && len(step.Descend) > 0 && !left { // from an upset that shows later there is no way down any more
		if err := r.descend(ctx, step, at, &c); err != nil {
			return c, err
		}
		c.OnFor = rf.Duration(time.Since(on))
	}
	if !c.Outcome.Upset {
		c.Readings = r.readings(on.Add(-r.shown()), on, quietReadings)
		return c, nil
	}
	return c, r.afterUpset(ctx, on, at, bad, &c)
}

// afterUpset switches RF off, waits for the DUT to recover and records that with the step's readings, timed
// from the moment on.
func (r *run) afterUpset(ctx context.Context, on time.Time, at reached, bad judged, c *event.StepClosed) error {
	off := time.Now()
	if err := r.off(ctx); err != nil {
		return err
	}
	if f := r.at.Frequency; at.current.Exact() {
		r.upsetAt[f] = r.upsetAt[f].Lower(at.current)
	}
	r.tell("upset: waiting for the product to recover")
	c.Note = bad.Monitor + " " + bad.why
	r.picture(at.on, bad, fmt.Sprintf("at %v, %v: %s", r.at.Frequency, at.current, c.Note))
	err := r.recover(ctx, off, c)
	r.watch.countedMarks()
	c.Readings = r.readings(on.Add(-r.shown()), on, keptReadings)
	return err
}

// readings returns the readings since a time as they are journalled, timed from the moment on.
func (r *run) readings(from, on time.Time, limit int) []event.Reading {
	return r.watch.readings(from, on, r.rfWasOn, limit)
}

// shown is how much time before RF a step's readings show.
func (r *run) shown() time.Duration { return max(2*r.watch.period(), r.cfg.Plan.Dwell.Std()/2) }

// dwell lets the plan's dwell pass, and at least the time between two readings of the slowest
// monitor. It ends at once when anything turned bad since the given time, which is when RF came up.
// Meanwhile the meters are watched. held, where there is one, says when the dwell ends instead.
func (r *run) dwell(ctx context.Context, since time.Time, meters *dwellMeters, held func() bool) (judged, bool, error) {
	if held != nil {
		r.tell(r.status.Phase)
		return r.watchUntil(ctx, since, meters, time.Now().Add(longestHold),
			func() bool { return held() && !meters.reading() })
	}
	began := time.Now()
	end := began.Add(max(r.cfg.Plan.Dwell.Std(), r.watch.period()))
	r.status.DwellFrom, r.status.DwellUntil = began, end
	defer func() { r.status.DwellFrom, r.status.DwellUntil = time.Time{}, time.Time{} }()
	r.tell(r.status.Phase)
	return r.watchUntil(ctx, since, meters, end, func() bool {
		// What a monitor could not see has shown nothing: the dwell begins anew when it sees.
		unseen := r.watch.blindUntil().Add(end.Sub(began))
		return !time.Now().Before(later(end, unseen)) && !meters.reading()
	})
}

// lookAfter ends an exposure in which nothing turned bad so far: it waits for the readings that were
// on their way, until every monitor has given one of a time after the dwell. What is bad in
// them belongs to this step, so that the next one starts from a product known to be well.
func (r *run) lookAfter(ctx context.Context, since time.Time) (judged, bool, error) {
	end := time.Now()
	defer r.watch.lookFrom(end)()
	return r.watchUntil(ctx, since, nil, time.Time{}, func() bool { return r.watch.looked(end) })
}

// watchUntil watches until done or until anything turned bad since a time. At end it looks whether it
// is done, besides when something happens and every few milliseconds.
func (r *run) watchUntil(ctx context.Context, since time.Time, meters *dwellMeters, end time.Time,
	done func() bool) (judged, bool, error) {
	feed := time.NewTicker(max(r.cfg.Plan.DeadMan.Std()/4, time.Millisecond))
	defer feed.Stop()
	look := time.NewTicker(max(min(r.cfg.Plan.Dwell.Std()/8, 10*time.Millisecond), 100*time.Microsecond))
	defer look.Stop()
	var ending <-chan time.Time
	if !end.IsZero() {
		timer := time.NewTimer(time.Until(end))
		defer timer.Stop()
		ending = timer.C
	}
	meters.begin(end)
	for {
		if !meters.reading() { // one that never comes back is for the dead-man, as in every other call
			r.feed()
		}
		if bad, ok := r.watch.firstBad(since); ok {
			return bad, true, nil
		}
		if why, ok := r.watch.blind(); ok {
			return judged{}, false, r.awaitSight(ctx, why)
		}
		if done() {
			return judged{}, false, nil
		}
		if err := r.stopAsked(); err != nil {
			return judged{}, false, err
		}
		if r.hold.Load() {
			return judged{}, false, r.holdInDwell(ctx)
		}
		select {
		case <-ctx.Done():
			return judged{}, false, context.Cause(ctx)
		case <-r.watch.changed:
		case <-look.C:
			meters.begin(end)
		case <-ending:
		case <-r.wake:
		case x := <-meters.answer():
			if err := meters.heard(x); err != nil {
				return judged{}, false, err
			}
		case <-feed.C:
		}
	}
}

// errHeld ends a step that a hold interrupted: it is asked again.
var errHeld = errors.New("held")

func (r *run) holdInDwell(ctx context.Context) error {
	if err := r.off(ctx); err != nil {
		return err
	}
	return errHeld
}

// awaitSight holds the run, RF off, while a monitor cannot see for a reason of its own, such as a hand before a
// camera. What was exposed meanwhile shows nothing: the step is asked again.
func (r *run) awaitSight(ctx context.Context, why string) error {
	if err := r.off(ctx); err != nil {
		return err
	}
	if err := r.journal(event.Hold{Why: why}); err != nil {
		return err
	}
	r.tell("RF off: " + why)
	for end := time.Now().Add(r.personWithin()); !r.watch.sees(); {
		if time.Now().After(end) {
			return fmt.Errorf("%s: clear its view, then go on with --resume", why)
		}
		if err := r.stopAsked(); err != nil {
			return err
		}
		if err := r.sleep(ctx, 20*time.Millisecond); err != nil {
			return err
		}
	}
	if err := r.journal(event.Resumed{Why: "the monitor sees the product again"}); err != nil {
		return err
	}
	return errHeld
}

// descend lowers the level in steps, RF on, until the DUT is well.
func (r *run) descend(ctx context.Context, step plan.Step, at reached, c *event.StepClosed) error {
	mod := r.modulation()
	for _, offset := range step.Descend {
		drive := r.roundDown(r.driveBelow(step, at, offset))
		if drive.Exceeds(at.drive) || r.bench.Source.Minimum.Above(drive.Add(mod.CarrierOverLevel())) {
			break // below what the source can do: the bound stands
		}
		r.tell("lowering")
		if err := r.lower(ctx, drive.Add(mod.CarrierOverLevel())); err != nil {
			return err
		}
		began := time.Now()
		if err := r.rest(ctx, began); err != nil {
			return err
		}
		if err := r.asLeft(ctx); err != nil {
			return err
		}
		c.Outcome.Exposures++
		c.Descent = append(c.Descent, r.currentAt(step.Point.Frequency, drive))
		if _, ok := r.watch.well(began, 2); ok {
			o := offset
			c.Outcome.RecoveredAt = &o
			return nil
		}
	}
	return nil
}

// rest lets a dwell pass without ending it on a bad sample: the DUT is upset, and the question is
// whether it becomes well. It lasts until every monitor looked twice.
func (r *run) rest(ctx context.Context, began time.Time) error {
	end := began.Add(r.cfg.Plan.Dwell.Std() + r.watch.latency() + 2*r.watch.period())
	for time.Now().Before(end) {
		if err := r.stopAsked(); err != nil {
			return err
		}
		if r.hold.Load() {
			return r.holdInDwell(ctx)
		}
		if why, ok := r.watch.blind(); ok {
			return r.awaitSight(ctx, why)
		}
		if err := r.sleep(ctx, time.Until(end)); err != nil {
			return err
		}
	}
	return nil
}

// driveBelow returns the drive for an offset of a descent, from the drive that reached step.Offset.
func (r *run) driveBelow(step plan.Step, at reached, offset rf.Gain) rf.Power {
	drive := at.drive.Add(offset - step.Offset)
	if r.cfg.Plan.Mode != plan.ClosedLoop || !at.current.Exact() {
		return drive
	}
	// The chain compresses: what was measured near the lower level says better how much to drop.
	target := step.Point.Target.Add(offset)
	if known, ok := r.driveFor(step.Point.Frequency, target); ok {
		return known.Lower(at.drive)
	}
	return drive
}

// recover waits for the DUT after an upset, resets it when it does not come back by itself, and
// classifies.
func (r *run) recover(ctx context.Context, off time.Time, c *event.StepClosed) error {
	within, why := r.patience()
	first, err := r.awaitWell(ctx, off, within)
	switch {
	case err == nil:
		r.latches = -1
		c.RecoveredAfter = rf.Duration(max(first.Sub(off), 0))
		c.Class = event.DuringOnly
		if first.Sub(off) > r.watch.latency()+3*r.watch.period() {
			c.Class = event.RecoversLater
		}
		return nil
	case r.handsFirst(err, c):
		return nil
	case !errors.Is(err, errNotWell):
		return err
	}
	c.Outcome.Latched = true
	c.Note += why
	if r.latches >= 0 {
		r.latches++
	}
	for try := 1; try <= 3; try++ {
		err = r.resetDUT(ctx)
		if errors.Is(err, dut.ErrNoReset) {
			c.Class = event.NotRecovered
			return r.awaitPerson(ctx, off, c)
		}
		if err != nil {
			// The product's line is down: a person has to see to it.
			c.Class = event.NotRecovered
			c.Note += fmt.Sprintf("; it cannot be reset: %v", err)
			return r.awaitPerson(ctx, off, c)
		}
		first, err = r.awaitWell(ctx, time.Now(), r.cfg.Plan.RecoverWithin.Std())
		if err == nil {
			c.Class = event.NeedsReset
			c.RecoveredAfter = rf.Duration(first.Sub(off))
			return nil
		}
		if r.handsFirst(err, c) {
			return nil
		}
		if !errors.Is(err, errNotWell) {
			return err
		}
	}
	c.Class = event.NotRecovered
	return r.awaitPerson(ctx, off, c)
}

// handsFirst closes an upset whose recovery was not waited for, because hands go to the product.
func (r *run) handsFirst(err error, c *event.StepClosed) bool {
	if !errors.Is(err, errHandsFirst) {
		return false
	}
	c.Class = event.NotRecovered
	c.Note += "; " + errHandsFirst.Error()
	return true
}

// latchesBefore is after how many upsets in a row that only a reset ended the next reset comes early.
const latchesBefore = 2

// patience is how long the DUT may take to come back by itself: the plan's time, or as long as monitors need to
// see it, once it was seen to latch and never to come back. why is then told with the step.
func (r *run) patience() (within time.Duration, why string) {
	within = r.cfg.Plan.RecoverWithin.Std()
	short := r.watch.latency() + 4*r.watch.period() + 500*time.Millisecond
	if r.latches < latchesBefore || short >= within {
		return within, ""
	}
	return short, fmt.Sprintf("; reset after %v, since %d upsets before ended with a reset only", rf.Duration(short),
		r.latches)
}

// resetDUT resets the DUT, which may take longer than the dead-man waits: a relay leaves the power off for a
// while, and the product starts. Once the run is to end nothing is fed any more.
func (r *run) resetDUT(ctx context.Context) error {
	done := make(chan error, 1)
	go func() { done <- r.survive(func() error { return r.watch.reset(ctx) }) }()
	feed := time.NewTicker(max(r.cfg.Plan.DeadMan.Std()/4, time.Millisecond))
	defer feed.Stop()
	for {
		if ctx.Err() == nil {
			r.feed()
		}
		select {
		case err := <-done:
			return err
		case <-feed.C:
		}
	}
}

// awaitPerson holds the run, RF off, until somebody brought the DUT back.
func (r *run) awaitPerson(ctx context.Context, off time.Time, c *event.StepClosed) error {
	if err := r.journal(event.Hold{Why: "the product did not recover (" +
		c.Note + "): reset or power-cycle it; the run goes on when it is well"}); err != nil {
		return err
	}
	r.tell("RF off: the product did not recover; reset or power-cycle it")
	for end := time.Now().Add(r.personWithin()); time.Now().Before(end); {
		first, err := r.awaitWell(ctx, time.Now(), r.cfg.Plan.RecoverWithin.Std())
		if err == nil {
			c.Class = event.NeedsReset
			c.RecoveredAfter = rf.Duration(first.Sub(off))
			return r.journal(event.Resumed{Why: "the product is well again"})
		}
		if r.handsFirst(err, c) {
			return nil
		}
		if !errors.Is(err, errNotWell) {
			return err
		}
	}
	return fmt.Errorf("the product upset at %v (%s) and did not recover: bring it back, then go on with --resume",
		r.status.Step.Point.Frequency, c.Note)
}

// personWithin bounds the wait for a person.
func (r *run) personWithin() time.Duration { return 30 * r.cfg.Plan.RecoverWithin.Std() }

var errNotWell = errors.New("the product is not well")

// awaitWell waits until the DUT has been well for two samples of every monitor since a time; it
// returns errNotWell after so long.
func (r *run) awaitWell(ctx context.Context, since time.Time, within time.Duration) (time.Time, error) {
	end, blindUntil := time.Now().Add(within), time.Now().Add(r.personWithin())
	for {
		if first, ok := r.watch.well(since, 2); ok {
			return first, nil
		}
		if !r.watch.sees() { // nobody knows: RF is off, and it is waited for as long as for a person
			end = later(end, time.Now().Add(min(within, time.Until(blindUntil))))
		}
		if !time.Now().Before(end) {
			return time.Time{}, errNotWell
		}
		if err := r.stopAsked(); err != nil {
			return time.Time{}, err
		}
		if r.cfg.Fixing != nil && r.hold.Load() {
			return time.Time{}, errHandsFirst
		}
		if err := r.lookBeside(ctx); err != nil {
			return time.Time{}, err
		}
		timer := time.NewTimer(min(time.Until(end), 20*time.Millisecond))
		r.feed()
		select {
		case <-ctx.Done():
			timer.Stop()
			return time.Time{}, context.Cause(ctx)
		case <-r.watch.changed:
		case <-timer.C:
		}
		timer.Stop()
	}
}

func later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

// onCable reports that the clamp is on the cable.
func (r *run) onCable() bool { return r.cfg.Plan.Fixture == catalog.OnCable }
