// Package rehearsal goes through arming, trip, dead-man, interlock, watcher and off on a bench that is there, with the
// source at its lowest level, and says what came of each.
package rehearsal

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
	"provoke/internal/run/session"
	"provoke/internal/terminal"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// Order says what is rehearsed.
type Order struct {
	Bench string // its file
	// At is the frequency; the middle of the bench's band where it is not known.
	At rf.Frequency
	// Armed: the dummy load is in place, nobody is asked. Interlock: somebody is there to open it.
	Armed, Interlock bool
	// Alone: it is accepted that nothing but this program can end RF while it lives.
	Alone bool
}

// Do goes through all of it, and leaves the bench silent whatever happened.
func Do(w *terminal.World, o Order) error {
	b, _, err := session.LoadBench(o.Bench)
	if err != nil {
		return err
	}
	if b.Source.ByHand || !b.Source.Present() {
		return errors.New("rehearse: this source is set by hand: provoke cannot switch it off, and there is nothing " +
			"of it to rehearse; try its hardware switch yourself")
	}
	r := &rehearsal{w: w, b: b, file: o.Bench, chain: chain.New(b), at: o.At, door: o.Interlock, alone: o.Alone}
	if !r.at.Known() {
		r.at = middle(b)
	}
	if err := r.ask(o.Armed); err != nil {
		return err
	}
	if err := r.open(); err != nil {
		return err
	}
	defer func() { r.close() }()
	ctx, stop := w.Interruptible()
	defer stop()
	rep := r.all(ctx)
	if !rep.Quiet {
		return terminal.WithCode(terminal.ExitRFUnknown, errors.New(rep.How))
	}
	if r.failed > 0 {
		return fmt.Errorf("rehearse: %s did not do what it should; see above", english.Count(r.failed, "step", "steps"))
	}
	fmt.Fprintln(w.Stdout, "\nEverything did what it should, by the instruments' word. Did your own meter at the "+
		"load agree each time?")
	return nil
}

// rehearsal is one going through.
type rehearsal struct {
	w      *terminal.World
	b      *catalog.Bench
	file   string // of the bench
	job    string // beside which the watcher writes; "" for none
	alone  bool   // that nothing but this program can end RF is accepted
	rig    *driver.Rig
	claim  *claim.Claim
	chain  *chain.Chain
	at     rf.Frequency
	door   bool // somebody is there to open the interlock
	failed int
	off    bool // RF is known to be off
	// watching is the second process: RF is on under it only.
	watching session.Watching
}

// middle of the band in which source, amplifier and clamp work.
func middle(b *catalog.Bench) rf.Frequency {
	low, high := b.Source.Band.Low, b.Source.Band.High
	if a := b.Amplifier; a != nil {
		low, high = max(low, a.Band.Low), min(high, a.Band.High)
	}
	return (low + high) / 2
}

func (r *rehearsal) ask(armed bool) error {
	s := r.b.Source
	fmt.Fprintf(r.w.Stdout, "%s: the output goes on at %v and %s, the lowest level of %s, several times for up to "+
		"some seconds.\n", r.b.Name, r.at, s.Minimum.Text(1), s.ID)
	if armed {
		return nil
	}
	fmt.Fprint(r.w.Stdout, "Put a dummy load in place of the clamp. Type rehearse and press Enter to go on, "+
		"anything else to stop: ")
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
	c := guard.Config{Chain: r.chain, Fixture: catalog.OnCable, DeadMan: deadMan, Source: r.rig.Source, Watcher: x,
		Hardware: r.rig.Hardware()}
	if r.rig.Amplifier != nil {
		c.Amplifier = r.rig.Amplifier
	}
	if r.rig.Interlock != nil {
		c.Interlock = r.rig.Interlock.Closed
	}
	if r.rig.Analyser != nil {
		c.Witness = driver.FloorWitness(r.rig.Analyser,
			func() driver.AnalyserSetup { return driver.AnalyserSetup{Frequency: r.at} })
	}
	return guard.New(c)
}

func (r *rehearsal) quiet(ctx context.Context, what string) guard.Report {
	rep := r.guard(time.Minute, nil).Silence(ctx, "rehearsal")
	var err error
	if !rep.Quiet {
		err = errors.New(rep.How)
	}
	r.say(what, err, "%s (%v)", rep.How, rf.Shortly(rep.Took))
	return rep
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

func (r *rehearsal) lowest() guard.Setting {
	return guard.Setting{Frequency: r.at, Level: r.b.Source.Minimum, Output: true}
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

// open claims the bench, opens it and starts the watcher.
func (r *rehearsal) open() (err error) {
	if r.claim, err = session.ClaimBench(r.w, r.b, claim.Checks, r.job); err != nil {
		return err
	}
	r.off = true
	if r.rig, err = driver.OpenBench(r.w.Ctx, r.b, driver.Options{}); err != nil {
		err = fmt.Errorf("open the bench: %w", err)
	} else if err = r.claim.Add(claim.Keys(r.b, r.rig.Identified)); err == nil {
		r.watching, err = session.StartWatching(r.w, r.b, r.rig, r.claim, r.job, r.alone)
	}
	if err != nil {
		r.close()
	}
	return err
}

// close lets everything go; a watcher goes on where RF is not known to be off.
func (r *rehearsal) close() {
	r.watching.End(r.w, r.off)
	if r.rig != nil {
		r.rig.Close()
	}
	r.claim.Release()
	r.rig, r.watching = nil, session.Watching{}
}
