package engine

import (
	"context"
	"fmt"

	"provoke/internal/job/event"
	"provoke/internal/model/level"
	"provoke/internal/units/rf"
)

// goneBelow is how far a reading must fall when the output goes off, to count as gone.
const goneBelow rf.Gain = 10

// proveOff shows that off changes the output, before anything operates: "off" that was only ever read back
// from an output that was never on proves nothing. The source goes on at its lowest level, with a
// permission, the amplifier still in standby; it must read back as on, then as off; and where the analyser
// sees that level, the level must be gone. What it rests on is journalled.
func (r *run) proveOff(ctx context.Context) error {
	if r.byHand() || r.cfg.FreeRunning {
		return nil // who switches by hand was asked, and looks himself
	}
	r.tell("proving that off works")
	fail := func(err error) error {
		return fmt.Errorf("prove at the lowest level that the source's off works, before anything goes up: %w", err)
	}
	if err := r.leftDark(ctx); err != nil {
		return fail(err)
	}
	if a := r.cfg.Rig.Amplifier; a != nil {
		var err error
		if r.amplifier, err = a.State(r.patiently(ctx)); err != nil {
			return fail(r.instrument("read the amplifier back", err))
		}
		if r.amplifier.Operating {
			return fail(fmt.Errorf("the amplifier is not in standby: it reads %s", r.amplifier.Words()))
		}
	}
	f, lowest := r.cfg.Plan.Grid[0], r.atLeastMinimum(r.bench.Source.Minimum)
	if err := r.apply(ctx, f, lowest, level.Modulation{}); err != nil {
		return fail(err)
	}
	on, err := r.seeOutput(ctx, f)
	if err != nil {
		return fail(err)
	}
	if err := r.off(ctx); err != nil {
		return fail(err)
	}
	how := "off by the instrument's word only: nothing measures at the source's lowest level"
	if on.Exact() {
		off, err := r.seeOutput(ctx, f)
		if err != nil {
			return fail(err)
		}
		if off.Exact() && off.Exceeds(on.Sub(goneBelow)) {
			return fail(fmt.Errorf("the source says that its output is off, and the analyser reads %v at %v where it "+
				"read %v with the output on", off, f, on))
		}
		how = fmt.Sprintf("measured: the analyser reads %v at %v with the output on, %v with it off", on, f, off)
	} else if on.Known() {
		how = fmt.Sprintf("off by the instrument's word only: the source's lowest level of %v does not show above "+
			"the analyser's floor", lowest)
	}
	return r.journal(event.Note{Text: "the source's output was switched on and off and read back at " +
		lowest.String() + "; " + how, By: "provoke"})
}

// seeOutput reads the analyser at a frequency at the source's lowest level; absent without one.
func (r *run) seeOutput(ctx context.Context, f rf.Frequency) (rf.Power, error) {
	if r.cfg.Rig.Analyser == nil || r.bench.Analyser.ByHand {
		return rf.Power{}, nil
	}
	p, err := r.predict(f, r.bench.Source.Minimum)
	if err != nil {
		return rf.Power{}, err
	}
	if err := r.setUpAnalyser(f, p, 0); err != nil {
		return rf.Power{}, err
	}
	r.feed()
	read, err := r.cfg.Rig.Analyser.Read(ctx)
	if err != nil {
		return read, r.instrument("read the analyser", err)
	}
	return read, nil
}
