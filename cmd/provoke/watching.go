package main

import (
	"errors"
	"fmt"
	"os"
	"strings"
	"time"

	"provoke/internal/bench/claim"
	"provoke/internal/bench/driver"
	"provoke/internal/bench/guard"
	"provoke/internal/files/catalog"
	"provoke/internal/job/event"
	"provoke/internal/job/store"
	"provoke/internal/run/watcher"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

// watchCommand is the second process: see package watcher. It is started by a run, never by a person.
type watchCommand struct{}

// Run watches until the run is over or until the bench is silent.
func (c *watchCommand) Run(w *terminal.World) error {
	return watcher.Serve(watcher.Deaf(w.Ctx), w.Stdin, w.Stdout, w.Now)
}

// watching is the second process as a run sees it; the zero value is none, as in a baseline run.
type watching struct {
	w     *watcher.Watcher
	bench *claim.Claim
	// more is what is left when the program's whole group is ended, in words; "" for nothing.
	more string
}

// startWatching starts the second process and says, before anything is armed, what it can do. Where it can do
// nothing while the run lives, that has to be accepted.
func startWatching(w *terminal.World, o performance, b *catalog.Bench, rig *driver.Rig, c *claim.Claim) (watching, error) {
	before := rig.Connections(w.Ctx)
	x, err := watcher.Start(w.Ctx, watcher.Config{Bench: b, Job: o.jobFile, Identified: rig.Identified, Claim: c})
	if err != nil {
		return watching{}, err
	}
	for id, n := range rig.Connections(w.Ctx) {
		if n != before[id] { // the watcher's connection threw the run's out, and that has come back
			x.Alone(id)
		}
	}
	switch {
	case x.State().Independent():
	case o.alone || b.SinglePath || !b.Source.Present() && rig.Amplifier == nil: // nothing that is wired can end RF, by nature
		fmt.Fprintln(w.Stderr, "provoke: warning:", watcherWords(x.State()))
	default:
		x.Release()
		return watching{}, terminal.WithCode(terminal.ExitRefused, fmt.Errorf("not armed: %s\nto accept that: --accept-single-path, accept_single_path: true in the bench file, or the mark above the button on the arming page", watcherWords(x.State())))
	}
	out := watching{w: x, bench: c}
	if x.Outside() {
		out.more = "; it is outside this program's control group"
	}
	if h := rig.Hardware(); h != nil {
		out.more += "; " + guard.HardwareWords(h)
	}
	return out, nil
}

// guard returns what the guard asks; nil for none.
func (x watching) guard() guard.Watcher {
	if x.w == nil {
		return nil
	}
	return x.w
}

func (x watching) words() string {
	if x.w == nil {
		return ""
	}
	return watcherWords(x.w.State()) + x.more
}

// of tells the watcher the number of the run.
func (x watching) of(run int) {
	if x.w != nil {
		x.w.Run(run)
	}
}

// end lets the watcher go once the run has silenced the bench. When RF is not known to be off the watcher
// is left to try on connections of its own.
func (x watching) end(w *terminal.World, off bool) {
	switch {
	case x.w == nil:
	case off:
		x.w.Release()
	default:
		x.w.Abandon()
		x.bench.Leave()
		fmt.Fprintln(w.Stderr, "provoke: note: the watcher stays at this bench and goes on trying to switch RF off, for ten minutes at most; `provoke off BENCH` relieves it once RF is read back as off")
	}
}

// watcherWords says what a watcher can do.
func watcherWords(s watcher.State) string {
	missing := ""
	for _, m := range s.Missing {
		if what, ok := strings.CutPrefix(m, "open "); ok {
			m = "not reached on a connection of its own: " + what
		}
		missing += "; " + m
	}
	alone := ""
	if len(s.Alone) > 0 {
		alone = fmt.Sprintf("; this program holds the only connection of %s: the second process dials there once this program is dead, and kills it first when it gives no sign of life for %v",
			strings.Join(s.Alone, ", "), rf.Duration(watcher.Limit))
	}
	missing = alone + missing
	if !s.Independent() {
		return "no independent path: while this program lives, nothing else can switch RF off; keep a hardware switch in reach" + missing
	}
	return fmt.Sprintf("a second process watches on connections of its own to %s: RF off %v after this program's last sign of life, "+
		"and %v after the dead-man's time when the run in it hangs%s", strings.Join(s.Paths, ", "), rf.Duration(watcher.Limit), rf.Duration(watcher.Hung), missing)
}

// leftByWatcher tells what a watcher did to the bench since the last run of a job, and waits for one that
// is still at it. nil when there was none.
func leftByWatcher(w *terminal.World, file string) (*watcher.Report, error) {
	left, err := watcher.Await(file, 15*time.Second)
	if left != nil {
		fmt.Fprintln(w.Stderr, "provoke: note:", left)
	}
	return left, err
}

// journalLeft puts what a watcher did into the journal of the run that it was about, and takes its
// report away. resuming is that run's own writer when it is being resumed.
func journalLeft(w *terminal.World, job *store.Job, left *watcher.Report, resuming *store.Writer) error {
	if left == nil {
		return nil
	}
	safed := left.Safed()
	safed.Cause += " (at " + left.At.UTC().Format(time.RFC3339) + ")"
	var err error
	switch {
	case left.Run == 0:
	case resuming != nil && resuming.Run() == left.Run:
		_, err = resuming.Append(w.Now(), safed)
	default:
		err = journalDead(w, job, left, safed)
	}
	if err != nil {
		return fmt.Errorf("journal what the watcher did: %w", err)
	}
	if err := watcher.Remove(job.Path()); err != nil && !errors.Is(err, os.ErrNotExist) {
		return fmt.Errorf("remove the watcher's report: %w", err)
	}
	return nil
}

// journalDead adds to a run that nobody goes on with.
func journalDead(w *terminal.World, job *store.Job, left *watcher.Report, safed event.Safed) error {
	dead, err := job.ResumeRun(left.Run)
	switch {
	case errors.Is(err, store.ErrClosedRun):
		_, err = job.Annotate(left.Run, w.Now(), event.Note{Text: left.String()})
	case errors.Is(err, store.ErrNoRun):
		err = nil // the report of another job under the same name
	case err == nil:
		_, err = dead.Append(w.Now(), safed)
		dead.Leave()
	}
	return err
}
