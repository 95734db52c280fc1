package session

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

// Watching is the second process as a run sees it; the zero value is none, as in a baseline run.
type Watching struct {
	W     *watcher.Watcher
	bench *claim.Claim
	// more is what is left when the program's whole group is ended, in words; "" for nothing.
	more string
}

// StartWatching starts the second process and says, before anything is armed, what it can do. Where it can do
// nothing while the run lives, that has to be accepted: alone.
func StartWatching(w *terminal.World, b *catalog.Bench, rig *driver.Rig, c *claim.Claim, job string,
	alone bool) (Watching, error) {
	before := rig.Connections(w.Ctx)
	x, err := watcher.Start(w.Ctx, watcher.Config{Bench: b, Job: job, Identified: rig.Identified, Claim: c})
	if err != nil {
		return Watching{}, err
	}
	for id, n := range rig.Connections(w.Ctx) {
		if n != before[id] { // the watcher's connection threw the run's out, and that has come back
			x.Alone(id)
		}
	}
	switch {
	case x.State().Independent():
	case alone || b.SinglePath || !b.Source.Present() &&
		rig.Amplifier == nil: // nothing that is wired can end RF, by nature
		fmt.Fprintln(w.Stderr, "provoke: warning:", WatcherWords(x.State()))
	default:
		x.Release()
		return Watching{}, terminal.WithCode(terminal.ExitRefused, fmt.Errorf("not armed: %s\nto accept that: "+
			"--accept-single-path, accept_single_path: true in the bench file, or the mark above the button on the "+
			"arming page", WatcherWords(x.State())))
	}
	out := Watching{W: x, bench: c}
	if x.Outside() {
		out.more = "; it is outside this program's control group"
	}
	if h := rig.Hardware(); h != nil {
		out.more += "; " + guard.HardwareWords(h)
	}
	return out, nil
}

// Guard returns what the guard asks; nil for none.
func (x Watching) Guard() guard.Watcher {
	if x.W == nil {
		return nil
	}
	return x.W
}

func (x Watching) words() string {
	if x.W == nil {
		return ""
	}
	return WatcherWords(x.W.State()) + x.more
}

// of tells the watcher the number of the run.
func (x Watching) of(run int) {
	if x.W != nil {
		x.W.Run(run)
	}
}

// End lets the watcher go once the run has silenced the bench. When RF is not known to be off the watcher
// is left to try on connections of its own.
func (x Watching) End(w *terminal.World, off bool) {
	switch {
	case x.W == nil:
	case off:
		x.W.Release()
	default:
		x.W.Abandon()
		x.bench.Leave()
		fmt.Fprintln(w.Stderr, "provoke: note: the watcher stays at this bench and goes on trying to switch RF off, "+
			"for ten minutes at most; `provoke off BENCH` relieves it once RF is read back as off")
	}
}

// WatcherWords says what a watcher can do.
func WatcherWords(s watcher.State) string {
	missing := ""
	for _, m := range s.Missing {
		if what, ok := strings.CutPrefix(m, "open "); ok {
			m = "not reached on a connection of its own: " + what
		}
		missing += "; " + m
	}
	alone := ""
	if len(s.Alone) > 0 {
		alone = fmt.Sprintf("; this program holds the only connection of %s: the second process dials there once "+
			"this program is dead, and kills it first when it gives no sign of life for %v",
			strings.Join(s.Alone, ", "), rf.Duration(watcher.Limit))
	}
	missing = alone + missing
	if !s.Independent() {
		return "no independent path: while this program lives, nothing else can switch RF off; keep a hardware " +
			"switch in reach" + missing
	}
	return fmt.Sprintf("a second process watches on connections of its own to %s: RF off %v after this program's "+
		"last sign of life, "+
		"and %v after the dead-man's time when the run in it hangs%s", strings.Join(s.Paths, ", "),
		rf.Duration(watcher.Limit), rf.Duration(watcher.Hung), missing)
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
	if stale, err := ofAnotherJob(job, left); err != nil || stale {
		left.Run = 0
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

// ofAnotherJob reports that a run began only after the watcher had acted: the report is about a job that had this name
// before, as when it was renamed under a watcher that was still at it.
func ofAnotherJob(job *store.Job, left *watcher.Report) (bool, error) {
	if left.Run == 0 {
		return false, nil
	}
	runs, err := job.Runs()
	for _, r := range runs {
		if r.Run == left.Run {
			return left.At.Before(r.At), err
		}
	}
	return false, err
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
