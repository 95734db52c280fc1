package engine

import (
	"context"
	"fmt"
	"time"

	"provoke/internal/bench/driver"
	"provoke/internal/bench/guard"
)

// lookBesides is how long the run goes without asking source and amplifier whether they are as it left
// them, RF on or off.
const lookBesides = 500 * time.Millisecond

// left is how the run left source and amplifier, and what they said when they were asked.
type left struct {
	source    guard.Setting
	amplifier driver.AmplifierState
	// noSource and noAmplifier: it cannot be asked, or is not operating on purpose.
	noSource, noAmplifier bool

	sourceReads    guard.SourceState
	amplifierReads driver.AmplifierState
}

// wired reports that provoke reads the source back by itself, so that it can tell whether somebody else set it.
func (r *run) wired() bool {
	return r.guard != nil && r.cfg.Rig.Source != nil && !r.byHand() && !r.cfg.FreeRunning
}

// leftDark reads back how the source is left while its output is off.
func (r *run) leftDark(ctx context.Context) error {
	if !r.wired() {
		return nil
	}
	state, err := r.cfg.Rig.Source.State(r.patiently(ctx))
	if err != nil {
		return r.instrument("read the source back before RF", err)
	}
	r.dark = state.Setting
	return nil
}

// leaves says how source and amplifier are left now. Only the engine's own goroutine knows.
func (r *run) leaves() left {
	l := left{source: r.dark, amplifier: r.amplifier, noSource: !r.wired(), noAmplifier: r.cfg.Rig.Amplifier == nil ||
		r.guard == nil || r.inStandby}
	if r.on {
		l.source = r.at
		l.source.Level = r.roundDown(l.source.Level)
	}
	return l
}

// readLeft asks source and amplifier at the same time.
func (r *run) readLeft(ctx context.Context, l *left) error {
	amplifier := make(chan error, 1)
	go func() { amplifier <- r.survive(func() error { return r.readAmplifier(ctx, l) }) }()
	var err error
	if !l.noSource {
		if l.sourceReads, err = r.cfg.Rig.Source.State(r.patiently(ctx)); err != nil {
			err = r.instrument("read back whether the source is as it was left", err)
		}
	}
	if other := <-amplifier; err == nil {
		err = other
	}
	return err
}

func (r *run) readAmplifier(ctx context.Context, l *left) (err error) {
	if l.noAmplifier {
		return nil
	}
	if l.amplifierReads, err = r.cfg.Rig.Amplifier.State(r.patiently(ctx)); err != nil {
		return r.instrument("read back whether the amplifier is as it was left", err)
	}
	return nil
}

// judgeLeft trips when source or amplifier is not as the run left it. One difference is enough, whichever
// way it goes: a hand at a front panel, or another program, does not stop at what is harmless.
func (r *run) judgeLeft(l left) error {
	how := ""
	if !l.noSource {
		if d := driver.Differs(r.bench.Source, l.source, l.sourceReads.Setting); d.What != "" {
			how = fmt.Sprintf("source %s: %s reads %s and was left at %s", r.bench.Source.ID, d.What, d.Read, d.Want)
		}
	}
	if how == "" && !l.noAmplifier && l.amplifierReads != l.amplifier {
		how = fmt.Sprintf("amplifier %s: it reads %s and was left at %s", r.bench.Amplifier.ID,
			l.amplifierReads.Words(), l.amplifier.Words())
	}
	if how == "" {
		return nil
	}
	if err := r.attended(); err != nil {
		return err // the watcher took over: what differs is its doing, and nobody's at a front panel
	}
	cause := how +
		": somebody at its front panel, another program or another computer changed it, or it protected itself; find " +
		"out which before you arm again"
	r.guard.Trip(cause, "guard")
	return fmt.Errorf("%w: %s", guard.ErrTripped, cause)
}

// asLeft asks and judges.
func (r *run) asLeft(ctx context.Context) error {
	l := r.leaves()
	r.asked = time.Now()
	if err := r.readLeft(ctx, &l); err != nil {
		return err
	}
	return r.judgeLeft(l)
}

// lookBeside is asLeft where nobody has asked for a while, for the run's waits.
func (r *run) lookBeside(ctx context.Context) error {
	if r.asked.IsZero() || time.Since(r.asked) < lookBesides {
		return nil
	}
	return r.asLeft(ctx)
}
