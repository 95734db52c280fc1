package engine

import (
	"context"
	"fmt"
	"strings"
	"time"

	"provoke/internal/bench/driver"
	"provoke/internal/bench/guard"
	"provoke/internal/files/catalog"
	"provoke/internal/job/plan"
	"provoke/internal/model/level"
	"provoke/internal/units/rf"
)

// A dwell proves its level by two things. The meters are read in it, against what was measured just before
// it; and before it counts, source and amplifier are asked whether they are as the run left them.

// fallAllowed is how far a reading in a dwell may lie below what is expected of it before the level counts
// as not held. What the amplifier compresses the crest by, as the budget says, comes on top.
const fallAllowed rf.Gain = 3

// learnBelow is how far below the first level the response to modulation is learnt where first light was
// not compared.
const learnBelow rf.Gain = 15

// response is what the detectors of the bench make of the plan's modulation: how far a reading with it lies
// above one without it, at the same carrier. Absent where it was not learnt.
type response struct {
	current, forward   rf.Gain
	ofCurrent, ofPower bool
}

// seesCurrent and seesPower report that a meter reads by itself.
func (r *run) seesCurrent() bool { return r.cfg.Rig.Analyser != nil && !r.bench.Analyser.ByHand }
func (r *run) seesPower() bool   { return r.cfg.Rig.PowerMeter != nil && !r.bench.PowerMeter.ByHand }

// learn reads the meters without and with the plan's modulation at one low level, once in a run: what a
// detector makes of a modulation does not depend on the carrier. A reading at a floor teaches nothing.
func (r *run) learn(ctx context.Context, step plan.Step) error {
	mod := r.cfg.Plan.Modulation
	if mod.IsCW() {
		r.response = response{ofCurrent: true, ofPower: true}
		return nil
	}
	if !r.wired() || !r.seesCurrent() && !r.seesPower() || r.cfg.Plan.Kind == plan.Calibration {
		return nil
	}
	f, drive := step.Point.Frequency, r.at.Level
	if !r.on {
		drive = r.atLeastMinimum(r.roundDown(step.Point.Drive.Sub(learnBelow)))
	}
	if r.bench.Source.Minimum.Above(drive.Add(mod.CarrierOverLevel())) {
		return nil
	}
	r.tell("learning what the meters make of the modulation")
	without, err := r.readAt(ctx, f, drive, drive, level.Modulation{})
	if err != nil {
		return err
	}
	with, err := r.readAt(ctx, f, drive, drive.Add(mod.CarrierOverLevel()), mod)
	if err != nil {
		return err
	}
	over := mod.CarrierOverLevel()
	if without.Current.Exact() && with.Current.Exact() {
		d, _ := with.Current.Minus(without.Current)
		r.response.current, r.response.ofCurrent = d-over, true
	}
	if without.Forward.Exact() && with.Forward.Exact() {
		d, _ := with.Forward.Minus(without.Forward)
		r.response.forward, r.response.ofPower = d-over, true
	}
	return nil
}

// readAt applies a setting and reads the meters, with room for the crest.
func (r *run) readAt(ctx context.Context, f rf.Frequency, drive, carrier rf.Power,
	mod level.Modulation) (guard.Measurement, error) {
	m := guard.Measurement{Frequency: f, Drive: drive, Crest: mod.CrestOverLevel(), Modulated: !mod.IsCW()}
	if err := r.apply(ctx, f, r.roundDown(carrier), mod); err != nil {
		return m, err
	}
	p, err := r.predict(f, drive)
	if err != nil {
		return m, err
	}
	if err := r.setUpAnalyser(f, p, r.modulation().CrestOverLevel()); err != nil {
		return m, err
	}
	r.feed()
	if err := r.readMeters(ctx, &m); err != nil {
		return m, err
	}
	return m, r.guard.Measured(m)
}

// provesDwell ends a dwell in which nothing turned bad: it says what was not held, and trips when somebody
// changed source or amplifier.
func (r *run) provesDwell(ctx context.Context, at reached, meters *dwellMeters) (notHeld string, err error) {
	if err := r.asLeft(ctx); err != nil {
		return "", err
	}
	if meters == nil || meters.proved() {
		return meters.notHeld(), nil
	}
	// What the meters make of the modulation could not be learnt: the carrier is read without it.
	carrier := r.at.Level
	m, err := r.readAt(ctx, r.at.Frequency, at.drive, carrier, level.Modulation{})
	if err != nil {
		return "", err
	}
	meters.compareWith(m, r.modulation().CarrierOverLevel(), response{ofCurrent: true, ofPower: true})
	return meters.notHeld(), nil
}

// armedWords say at arming how a dwell proves its level, what nobody can observe, and what excess trips.
func (r *run) armedWords(ctx context.Context) error {
	a := &r.cfg.Armed
	began := time.Now()
	if r.wired() {
		if _, err := r.cfg.Rig.Source.State(r.patiently(ctx)); err != nil {
			return r.instrument("read the source back before RF", err)
		}
	}
	a.Interlock = r.interlockWords(time.Since(began))
	r.status.Interlock = a.Interlock
	interval, err := r.readingInterval(ctx)
	if err != nil {
		return err
	}
	r.pace = interval
	if r.seesCurrent() || r.seesPower() || r.wired() {
		a.ReadEvery = rf.Duration(interval)
	}
	a.Dwell, a.Unproved = Proof(r.cfg.Rig, r.bench, r.cfg.Plan, r.cfg.FreeRunning)
	return nil
}

// Proof says in words how a dwell on a bench proves its level with the excess that trips, and what of it
// nothing on this bench can observe.
func Proof(rig *driver.Rig, b *catalog.Bench, p *plan.Plan, freeRunning bool) (proved, unproved []string) {
	var by []string
	if rig.Analyser != nil && !b.Analyser.ByHand {
		by = append(by, "the current probe")
	}
	if rig.PowerMeter != nil && !b.PowerMeter.ByHand {
		by = append(by, "the power meter")
	}
	wired := rig.Source != nil && !b.Source.ByHand && !freeRunning
	if len(by) > 0 && !freeRunning {
		above := p.TripAbove
		if above == 0 {
			above = guard.TripAbove
		}
		proved = append(proved,
			fmt.Sprintf("in a dwell %s is compared with what it read just before: lower by more than %v is not held, "+
				"higher by more than %v trips", strings.Join(by, " and "), fallAllowed, guard.ExcessAllowed),
			fmt.Sprintf("the first reading at a frequency trips at %v above the high end of the budget", above))
	} else {
		unproved = append(unproved,
			"no meter reads by itself in the dwell: what is on the cable is not observed, and no excess trips")
	}
	if wired {
		proved = append(proved,
			"what the source says of itself is read in a dwell and at its end: a difference from what the run left "+
				"trips")
	} else {
		unproved = append(unproved, "the source is set by hand or sweeps by itself: its settings are not read back")
	}
	if b.Amplifier != nil && rig.Amplifier == nil {
		unproved = append(unproved,
			"the amplifier says nothing of itself: standby, a fault or another gain shows in a meter only")
	}
	return proved, unproved
}

// leastPace is the least time from one reading in a dwell to the next.
const leastPace = 100 * time.Millisecond

// readingInterval measures with RF off how long one reading of everything takes that is read in a dwell.
func (r *run) readingInterval(ctx context.Context) (time.Duration, error) {
	began := time.Now()
	l := r.leaves()
	l.noAmplifier = r.cfg.Rig.Amplifier == nil
	if err := r.readLeft(ctx, &l); err != nil {
		return 0, err
	}
	m := guard.Measurement{Frequency: r.cfg.Plan.Grid[0]}
	if r.seesCurrent() {
		if err := r.setUp(m.Frequency, r.bench.Analyser.Floor.Add(30), rf.Power{}, rf.Power{}); err != nil {
			return 0, err
		}
		if err := r.readMeters(ctx, &m); err != nil {
			return 0, err
		}
	} else if r.seesPower() {
		if err := r.readPower(ctx, &m); err != nil {
			return 0, err
		}
	}
	return max(leastPace, time.Since(began).Round(10*time.Millisecond)), nil
}

// slowInterlock is how slow an interlock may answer before the person who arms is warned.
const slowInterlock = 500 * time.Millisecond

// timeInterlock reads the interlock before arming and refuses one that answers more slowly than the dead-man
// waits for the engine.
func (r *run) timeInterlock(ctx context.Context) (err error) {
	if r.interlock, err = r.guard.TimeInterlock(ctx); err != nil {
		return err
	}
	if deadMan := r.cfg.Plan.DeadMan.Std(); r.interlock > deadMan {
		return fmt.Errorf("arm: %w: the interlock took %v to answer, longer than the dead-man of %v: connect it so "+
			"that it answers sooner, or wire it into the amplifier",
			guard.ErrRefused, rf.Duration(r.interlock.Round(time.Millisecond)), rf.Duration(deadMan))
	}
	return nil
}

// interlockWords say how soon RF goes off when the interlock opens, from what was measured; empty without one.
func (r *run) interlockWords(source time.Duration) string {
	if r.cfg.Rig.Interlock == nil {
		return ""
	}
	most := guard.InterlockEvery + r.interlock + source
	if r.interlock > guard.InterlockEvery {
		most += r.interlock - guard.InterlockEvery // it opens right after it was asked
	}
	words := fmt.Sprintf("interlock asked every %v while RF is on, answers in %v, the source in %v: RF off about %v "+
		"after it opens, by these figures; a polled interlock is no safety function",
		rf.Duration(guard.InterlockEvery), told(r.interlock), told(source), told(most))
	if r.interlock > slowInterlock {
		words = "warning: slow " + words
	}
	return words
}

// told rounds a measured time for a person, upwards.
func told(d time.Duration) rf.Duration {
	return rf.Duration((d + time.Millisecond - 1).Truncate(time.Millisecond))
}
