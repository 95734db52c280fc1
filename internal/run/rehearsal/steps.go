package rehearsal

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"provoke/internal/bench/driver"
	"provoke/internal/run/session"
	"provoke/internal/run/watcher"
	"provoke/internal/units/rf"
)

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

// trip arms, trips, and sees that nothing can be raised then. It returns false when RF may still be on.
func (r *rehearsal) trip(ctx context.Context) bool {
	g := r.guard(10*time.Second, r.watching.Guard())
	defer g.Disarm()
	began := time.Now()
	if !r.say("arming, output on at the lowest level", r.on(ctx, g), "done and read back (%v)",
		rf.Shortly(time.Since(began))) {
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
	r.say("trip", err, "%s %v after it", rep.How, rf.Shortly(time.Since(began)))
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

// deadMan lets a guard starve. It returns false when RF may still be on.
func (r *rehearsal) deadMan(ctx context.Context) bool {
	const period = 2 * time.Second
	g := r.guard(period, r.watching.Guard())
	defer g.Disarm()
	if err := r.on(ctx, g); err != nil {
		r.say("dead-man", err, "")
		return g.Silence(ctx, "rehearsal").Quiet
	}
	took, err := r.awaitOff(ctx, time.Now(), period+4*time.Second)
	r.say("dead-man", err, "output off %v after the last sign of life (period %v)", rf.Shortly(took),
		rf.Duration(period))
	return g.Silence(ctx, "rehearsal").Quiet
}

// watch lets this program seem to hang, so that the second process acts.
func (r *rehearsal) watch(ctx context.Context) {
	x := r.watching.W
	r.say("watcher", nil, "%s", session.WatcherWords(x.State()))
	if len(x.State().Alone) > 0 {
		r.say("watcher acts", nil, "not rehearsed: it would kill this program, which holds an instrument's only "+
			"connection")
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
	r.say("watcher acts", err, "output off %v after this program seemed to hang", rf.Shortly(took))
	g.Silence(ctx, "rehearsal")
}

// stalled stops the watcher's process: the guard has to find out by itself.
func (r *rehearsal) stalled(ctx context.Context) {
	const what = "watcher stopped"
	g := r.guard(time.Minute, r.watching.Guard())
	defer g.Disarm()
	if err := r.on(ctx, g); err != nil {
		r.say(what, err, "")
		g.Silence(ctx, "rehearsal")
		return
	}
	began := time.Now()
	if err := r.watching.W.Stall(); err != nil {
		r.say(what, nil, "not rehearsed: %v", err)
		g.Silence(ctx, "rehearsal")
		return
	}
	took, err := r.awaitOff(ctx, began, watcher.Unanswered+4*time.Second)
	r.say(what, err, "output off %v after the second process stood still: %s", rf.Shortly(took), g.Cause())
	g.Silence(ctx, "rehearsal")
}

// opened waits for a person to open the interlock while RF is on.
func (r *rehearsal) opened(ctx context.Context) {
	const what, most = "interlock opened", 60 * time.Second
	switch {
	case r.rig.Interlock == nil:
		return
	case !r.door:
		r.say(what, nil, "not rehearsed: --interlock asks you to open it with RF on")
		return
	}
	g := r.guard(time.Minute, r.watching.Guard())
	defer g.Disarm()
	err := r.on(ctx, g)
	if err == nil {
		fmt.Fprintf(r.w.Stdout, "Open the interlock now; it is waited for for %v.\n", rf.Duration(most))
	}
	for end := time.Now().Add(most); err == nil && time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		g.Feed()
		if g.CheckInterlock(ctx) != nil {
			break
		}
	}
	asked := time.Now()
	rep := g.Silence(ctx, "rehearsal of the interlock")
	switch {
	case err != nil:
	case g.Cause() != "the interlock is open":
		err = fmt.Errorf("it was not opened within %v", rf.Duration(most))
	case !rep.Quiet:
		err = errors.New(rep.How)
	}
	r.say(what, err, "%s %v after it read as open", rep.How, rf.Shortly(time.Since(asked)))
	for end := time.Now().Add(most); err == nil && time.Now().Before(end); time.Sleep(100 * time.Millisecond) {
		if closed, _ := r.rig.Interlock.Closed(ctx); closed {
			return
		}
	}
}
