package engine

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"provoke/internal/bench/driver"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/model/level"
	"provoke/internal/units/rf"
)

// ErrFirstLight is wrapped when the first measured current does not agree with the budget.
var ErrFirstLight = errors.New("first light does not agree with the budget")

// firstLight compares measured and predicted current far below the first level, before anything
// goes up. Without an analyser there is nothing to compare, and that is journalled.
func (r *run) firstLight(ctx context.Context, step plan.Step) error {
	r.tell("first light")
	p := step.Point
	if r.cfg.Rig.Analyser == nil {
		return r.journal(event.FirstLight{Frequency: p.Frequency, Passed: true,
			Causes: []string{"not compared: this bench has no analyser"}})
	}
	below, err := r.firstLightBelow(p)
	if err != nil {
		return err
	}
	at := reached{drive: r.atLeastMinimum(r.roundDown(p.Drive.Sub(below)))}
	if !r.byHand() {
		if err := r.apply(ctx, p.Frequency, r.atLeastMinimum(r.roundDown(at.drive.Sub(lowBelow))),
			level.Modulation{}); err != nil {
			return err
		}
	}
	if err := r.apply(ctx, p.Frequency, at.drive, level.Modulation{}); err != nil {
		return err
	}
	pred, err := r.predict(p.Frequency, at.drive)
	if err != nil {
		return fmt.Errorf("first light: %w", err)
	}
	// The first point needs more time than the others: everything was off until now.
	if err := r.settle(ctx, 3*r.cfg.Plan.Settle.Std()+5*time.Millisecond); err != nil {
		return err
	}
	low, _ := pred.Current.Minus(pred.Low)
	high, _ := pred.High.Minus(pred.Current)
	if err := r.setUp(p.Frequency, pred.Reading.Add(15), pred.Reading.Sub(low), pred.Reading.Add(high)); err != nil {
		return err
	}
	r.feed()
	measured, err := r.readCurrent(ctx, p.Frequency)
	if err != nil {
		return fmt.Errorf("first light: %w", err)
	}
	e := event.FirstLight{Frequency: p.Frequency, Drive: at.drive, Predicted: pred.Current, Measured: measured}
	e.Low, e.High = pred.Low, pred.High
	if !r.onCable() {
		e.Low, e.High = pred.Current.Sub(r.cfg.Plan.FirstLightAllowed), pred.Current.Add(r.cfg.Plan.FirstLightAllowed)
	}
	e.Passed = measured.Exact() && !measured.Exceeds(e.High) && !e.Low.Exceeds(measured)
	if !e.Passed {
		e.Causes = r.causes(measured, pred.Current)
	}
	if err := r.journal(e); err != nil {
		return err
	}
	if e.Passed {
		return nil
	}
	err = fmt.Errorf("%w: at %v the probe reads %v where the budget says %v (%v to %v)", ErrFirstLight, p.Frequency,
		measured, pred.Current, e.Low, e.High)
	for _, c := range e.Causes {
		err = fmt.Errorf("%w\n\tlikely: %s", err, c)
	}
	return err
}

// firstLightBelow is how far below the first level the comparison is made: the plan's, but not so
// far that the reading drowns in the analyser's noise.
func (r *run) firstLightBelow(p plan.Point) (rf.Gain, error) {
	below := r.cfg.Plan.FirstLightBelow
	pred, err := r.predict(p.Frequency, p.Drive)
	if err != nil {
		return 0, fmt.Errorf("first light: %w", err)
	}
	low, _ := pred.Current.Minus(pred.Low)
	room, _ := pred.Reading.Sub(low).Minus(r.bench.Analyser.Floor.Add(12))
	if room < below {
		below = room
	}
	if below < 6 {
		return 0,
			fmt.Errorf("%w: at the first level the analyser would read %v, too near its floor of %v to be compared "+
				"before going up", ErrFirstLight, pred.Reading, r.bench.Analyser.Floor)
	}
	return below, nil
}

// causes words what usually makes such a difference.
func (r *run) causes(measured, predicted rf.Current) []string {
	if measured.Bound() == rf.AtMost || measured.IsOff() {
		return []string{"the probe is open or not on the cable: nothing but the analyser's floor is read",
			"the amplifier is not operating, or the clamp is not connected"}
	}
	if measured.Bound() == rf.AtLeast {
		return []string{"the analyser is overloaded: a pad in front of it may be missing"}
	}
	d, _ := measured.Minus(predicted)
	var out []string
	near := func(db float64) bool { return math.Abs(math.Abs(d.DB())-db) <= 2 }
	if near(6) {
		out = append(out,
			"about 6 dB: the generator's load setting is 50 Ω where it should be high-Z, or the other way round")
	}
	for _, pad := range r.pads() {
		switch {
		case !near(pad.loss.DB()):
		case d > 0:
			out = append(out, fmt.Sprintf("about the %v of %s: it may be missing", pad.loss, pad.id))
		default:
			out = append(out, fmt.Sprintf("about the %v of %s: a pad of that value may be extra", pad.loss, pad.id))
		}
	}
	if len(out) == 0 {
		out = append(out,
			fmt.Sprintf("the measured current is %v from the budget: check the wiring, the clamp's and probe's "+
				"curves and the fixture", d))
	}
	return out
}

type pad struct {
	id   string
	loss rf.Gain
}

// pads returns every passive piece of the bench with a loss that would show.
func (r *run) pads() []pad {
	var out []pad
	for _, p := range slices.Concat(r.bench.ToAmplifier, r.bench.ToClamp, r.bench.ToAnalyser) {
		if loss, err := p.Loss.At(r.at.Frequency); err == nil && loss >= 1.5 {
			out = append(out, pad{p.ID, loss})
		}
	}
	return out
}

// witness looks for RF where it was last, at both frequencies when a change between them may have been
// carried out or not.
type witness struct{ run *run }

// Quiet measures once at each.
func (w witness) Quiet(ctx context.Context) (text string, quiet bool, err error) {
	for i, setup := range w.run.whereRFWas() {
		one, quiet, err := driver.FloorWitness(w.run.cfg.Rig.Analyser,
			func() driver.AnalyserSetup { return setup }).Quiet(ctx)
		if i > 0 {
			text += ", "
		}
		text += one
		if err != nil || !quiet {
			return text, false, err
		}
	}
	return text, true, nil
}

// whereRFWas is where silencing looks for RF: where the source was set last, with the analyser as it was
// set up last.
func (r *run) whereRFWas() []driver.AnalyserSetup {
	var setup driver.AnalyserSetup
	if last := r.analyser.Load(); last != nil {
		setup = *last
	}
	var out []driver.AnalyserSetup
	if places := r.places.Load(); places != nil {
		for _, f := range slices.Compact(slices.Clone(*places)) {
			if f.Known() {
				setup.Frequency = f
				out = append(out, setup)
			}
		}
	}
	if len(out) == 0 {
		out = []driver.AnalyserSetup{{Frequency: r.cfg.Plan.Grid[0]}}
	}
	return out
}
