package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"provoke/internal/bench/claim"
	"provoke/internal/bench/driver"
	"provoke/internal/bench/guard"
	"provoke/internal/files/catalog"
	"provoke/internal/model/chain"
	"provoke/internal/run/watcher"
	"provoke/internal/terminal"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

type rehearseCommand struct {
	Bench string       `arg:"" help:"Bench file." type:"path"`
	At    rf.Frequency `help:"Frequency; the middle of the bench's band otherwise." placeholder:"FREQ"`
	Arm   bool         `help:"The dummy load is in place: do not ask."`
	// Interlock: a person is at it.
	Interlock        bool `help:"Ask for the interlock to be opened with RF on."`
	AcceptSinglePath bool `help:"Accept that nothing but this program can switch RF off while it lives, because it holds the instruments' only connections."`
}

// Help says what is done and what a person has to do.
func (c *rehearseCommand) Help() string {
	return `Goes through arming, trip, dead-man, interlock, watcher and off on your own bench with the source at its lowest level,
and says what came of each and how long it took. RF is on under the watcher only; it is stopped once, and once a
process that holds RF is killed. Put a dummy load in place of the clamp first, and watch the load with
a meter of your own: what an instrument says of itself is not what it does. Exit code 1 when anything did not
work, 21 when RF is not known to be off at the end.`
}

// Run rehearses, and leaves the bench silent whatever happened.
func (c *rehearseCommand) Run(w *terminal.World) error {
	b, _, err := loadBench(c.Bench)
	if err != nil {
		return err
	}
	if b.Source.ByHand || !b.Source.Present() {
		return errors.New("rehearse: this source is set by hand: provoke cannot switch it off, and there is nothing of it to rehearse; try its hardware switch yourself")
	}
	r := &rehearsal{w: w, b: b, file: c.Bench, chain: chain.New(b), at: c.At, door: c.Interlock, o: performance{alone: c.AcceptSinglePath}}
	if !r.at.Known() {
		r.at = middle(b)
	}
	if err := r.ask(c.Arm); err != nil {
		return err
	}
	if err := r.open(); err != nil {
		return err
	}
	defer func() { r.close() }()
	ctx, stop := interruptible(w)
	defer stop()
	rep := r.all(ctx)
	if !rep.Quiet {
		return terminal.WithCode(terminal.ExitRFUnknown, errors.Join(errors.New(switchOffByHand), errors.New(rep.How)))
	}
	if r.failed > 0 {
		return fmt.Errorf("rehearse: %s did not do what it should; see above", english.Count(r.failed, "step", "steps"))
	}
	fmt.Fprintln(w.Stdout, "\nEverything did what it should, by the instruments' word. Did your own meter at the load agree each time?")
	return nil
}

// interruptible returns a context that an interrupt ends.
func interruptible(w *terminal.World) (context.Context, func()) {
	ctx, cancel := context.WithCancelCause(w.Ctx)
	go func() {
		select {
		case <-w.Signals:
			cancel(errors.New("stopped by the operator"))
		case <-ctx.Done():
		}
	}()
	return ctx, func() { cancel(nil) }
}

// middle of the band in which source, amplifier and clamp work.
func middle(b *catalog.Bench) rf.Frequency {
	low, high := b.Source.Band.Low, b.Source.Band.High
	if a := b.Amplifier; a != nil {
		low, high = max(low, a.Band.Low), min(high, a.Band.High)
	}
	return (low + high) / 2
}

// rehearsal is one going through.
type rehearsal struct {
	w      *terminal.World
	b      *catalog.Bench
	file   string // of the bench
	o      performance
	rig    *driver.Rig
	claim  *claim.Claim
	chain  *chain.Chain
	at     rf.Frequency
	door   bool // somebody is there to open the interlock
	failed int
	off    bool // RF is known to be off
	// watching is the second process: RF is on under it only.
	watching watching
}

func (r *rehearsal) ask(armed bool) error {
	s := r.b.Source
	fmt.Fprintf(r.w.Stdout, "%s: the output goes on at %v and %s, the lowest level of %s, several times for up to some seconds.\n", r.b.Name, r.at, s.Minimum.Text(1), s.ID)
	if armed {
		return nil
	}
	fmt.Fprint(r.w.Stdout, "Put a dummy load in place of the clamp. Type rehearse and press Enter to go on, anything else to stop: ")
	if text, _ := r.w.Line(r.w.Ctx); strings.TrimSpace(text) != "rehearse" {
		return terminal.WithCode(terminal.ExitStopped, errors.New("not rehearsed: nothing was switched on"))
	}
	return nil
}

// say tells what came of a step.
func (r *rehearsal) say(what string, err error, format string, args ...any) bool {
	result := "ok    "
	lines := []string{fmt.Sprintf(format, args...)}
	if err != nil {
		result = "FAILED"
		lines = distinct(err.Error())
		r.failed++
	}
	fmt.Fprintf(r.w.Stdout, "%s  %-38s %s\n", result, what, strings.Join(lines, "\n"+strings.Repeat(" ", 47)))
	return err == nil
}

// distinct returns the lines of a text, each once: two instruments, or two tries, may say the same.
func distinct(text string) (lines []string) {
	for line := range strings.Lines(text) {
		if line = strings.TrimSpace(line); !slices.Contains(lines, line) {
			lines = append(lines, line)
		}
	}
	return lines
}

// all goes through every step; the last report is of the bench as it is left.
func (r *rehearsal) all(ctx context.Context) guard.Report {
	rep := r.quiet(ctx, "off and read back")
	if !rep.Quiet {
		return rep
	}
	r.interlock(ctx)
	r.limits(ctx)
	r.off = false
	if r.trip(ctx) && r.deadMan(ctx) { // what was not switched off is not switched on again
		r.opened(ctx)
		r.watch(ctx)
		if r.again() {
			r.stalled(ctx)
		}
		if r.again() {
			r.killed(ctx)
		}
	}
	if r.rig == nil {
		return guard.Report{How: "RF not known to be off: the bench cannot be opened again"}
	}
	rep = r.quiet(ctx, "off at the end")
	r.off = rep.Quiet
	return rep
}

// again opens the bench anew, with a new watcher, once RF is off.
func (r *rehearsal) again() bool {
	r.off = r.guard(time.Minute, nil).Silence(r.w.Ctx, "rehearsal").Quiet
	if !r.off {
		return false
	}
	r.close()
	if err := r.open(); err != nil {
		r.say("opened again", err, "")
		return false
	}
	r.off = false
	return true
}

// guard makes a guard as a run has it.
func (r *rehearsal) guard(deadMan time.Duration, x guard.Watcher) *guard.Guard {
	c := guard.Config{Chain: r.chain, Fixture: catalog.OnCable, DeadMan: deadMan, Source: r.rig.Source, Watcher: x, Hardware: r.rig.Hardware()}
	if r.rig.Amplifier != nil {
		c.Amplifier = r.rig.Amplifier
	}
	if r.rig.Interlock != nil {
		c.Interlock = r.rig.Interlock.Closed
	}
	if r.rig.Analyser != nil {
		c.Witness = driver.FloorWitness(r.rig.Analyser, func() driver.AnalyserSetup { return driver.AnalyserSetup{Frequency: r.at} })
	}
	return guard.New(c)
}

func (r *rehearsal) quiet(ctx context.Context, what string) guard.Report {
	rep := r.guard(time.Minute, nil).Silence(ctx, "rehearsal")
	var err error
	if !rep.Quiet {
		err = errors.New(rep.How)
	}
	r.say(what, err, "%s (%v)", rep.How, shortly(rep.Took))
	return rep
}

func (r *rehearsal) interlock(ctx context.Context) {
	if r.rig.Interlock == nil {
		r.say("interlock", nil, "this bench has none that provoke reads: what ends RF when a door opens?")
		return
	}
	closed, err := r.rig.Interlock.Closed(ctx)
	if err == nil && !closed {
		err = errors.New("it is open: close it and rehearse again")
	}
	r.say("interlock", err, "closed")
}

func (r *rehearsal) limits(ctx context.Context) {
	l, ok := r.rig.Source.(driver.Limiter)
	var words []string
	var err error
	if ok {
		words, err = l.Limit(ctx, r.b.Source.Maximum)
	}
	if len(words) == 0 {
		words = []string{"the source's command table knows none"}
	}
	r.say("limits of the source's own", err, "%s", strings.Join(words, "; "))
}

// on arms a guard and brings the output on at the lowest level.
func (r *rehearsal) on(ctx context.Context, g *guard.Guard) error {
	if err := g.Arm(); err != nil {
		return err
	}
	if r.rig.Amplifier != nil {
		state, err := r.rig.Source.State(ctx)
		if err != nil {
			return fmt.Errorf("read the source back: %w", err)
		}
		c, err := g.ClearOperate(ctx, state)
		if err != nil {
			return err
		}
		if err := r.rig.Amplifier.Operate(ctx, c); err != nil {
			return fmt.Errorf("take the amplifier to operate: %w", err)
		}
		g.Confirmed()
	}
	g.Feed()
	c, err := g.Clear(ctx, r.lowest())
	if err != nil {
		return err
	}
	if err := r.rig.Source.Apply(ctx, c); err != nil {
		return fmt.Errorf("output on at the lowest level: %w", err)
	}
	g.Confirmed()
	return nil
}

func (r *rehearsal) lowest() guard.Setting {
	return guard.Setting{Frequency: r.at, Level: r.b.Source.Minimum, Output: true}
}

// trip arms, trips, and sees that nothing can be raised then. It returns false when RF may still be on.
func (r *rehearsal) trip(ctx context.Context) bool {
	g := r.guard(10*time.Second, r.watching.guard())
	defer g.Disarm()
	began := time.Now()
	if !r.say("arming, output on at the lowest level", r.on(ctx, g), "done and read back (%v)", shortly(time.Since(began))) {
		g.Silence(ctx, "rehearsal")
		return false
	}
	r.read(ctx)
	early, err := g.Clear(ctx, r.lowest())
	if err != nil {
		r.say("permission", err, "")
	}
	began = time.Now()
	g.Trip("rehearsal of a trip", "rehearsal")
	rep := g.Silence(ctx, "rehearsal of a trip")
	if !rep.Quiet {
		err = errors.New(rep.How)
	}
	r.say("trip", err, "%s %v after it", rep.How, shortly(time.Since(began)))
	_, again := g.Clear(ctx, r.lowest())
	taken := r.rig.Source.Apply(ctx, early)
	err = nil
	if again == nil || taken == nil {
		err = errors.New("a permission worked after the trip")
	}
	r.say("no permission after the trip", err, "refused, a new one and one made before")
	return rep.Quiet
}

// read reads the probe at the lowest level.
func (r *rehearsal) read(ctx context.Context) {
	if r.rig.Analyser == nil {
		return
	}
	err := r.rig.Analyser.Setup(ctx, driver.AnalyserSetup{Frequency: r.at})
	var p rf.Power
	if err == nil {
		p, err = r.rig.Analyser.Read(ctx)
	}
	r.say("analyser", err, "reads %v at %v", p, r.at)
}

// awaitOff waits until the source says that its output is off.
func (r *rehearsal) awaitOff(ctx context.Context, since time.Time, most time.Duration) (time.Duration, error) {
	for time.Since(since) < most && ctx.Err() == nil {
		state, err := r.rig.Source.State(ctx)
		if err == nil && !state.Output {
			return time.Since(since), nil
		}
		time.Sleep(10 * time.Millisecond)
	}
	return 0, fmt.Errorf("the output is on %v later", rf.Duration(most))
}

// deadMan lets a guard starve. It returns false when RF may still be on.
func (r *rehearsal) deadMan(ctx context.Context) bool {
	const period = 2 * time.Second
	g := r.guard(period, r.watching.guard())
	defer g.Disarm()
	if err := r.on(ctx, g); err != nil {
		r.say("dead-man", err, "")
		return g.Silence(ctx, "rehearsal").Quiet
	}
	took, err := r.awaitOff(ctx, time.Now(), period+4*time.Second)
	r.say("dead-man", err, "output off %v after the last sign of life (period %v)", shortly(took), rf.Duration(period))
	return g.Silence(ctx, "rehearsal").Quiet
}

// watch lets this program seem to hang, so that the second process acts.
func (r *rehearsal) watch(ctx context.Context) {
	x := r.watching.w
	r.say("watcher", nil, "%s", watcherWords(x.State()))
	if len(x.State().Alone) > 0 {
		r.say("watcher acts", nil, "not rehearsed: it would kill this program, which holds an instrument's only connection")
		return
	}
	g := r.guard(time.Minute, nil) // neither dead-man nor guard shall be quicker
	defer g.Disarm()
	if err := r.on(ctx, g); err != nil {
		r.say("watcher acts", err, "")
		g.Silence(ctx, "rehearsal")
		return
	}
	began := time.Now()
	x.Hang()
	took, err := r.awaitOff(ctx, began, watcher.Limit+4*time.Second)
	r.say("watcher acts", err, "output off %v after this program seemed to hang", shortly(took))
	g.Silence(ctx, "rehearsal")
}
