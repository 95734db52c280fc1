package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"

	"provoke/internal/bench/claim"
	"provoke/internal/bench/driver"
	"provoke/internal/model/chain"
	"provoke/internal/run/watcher"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

// holdCommand keeps RF on at the lowest level until it is killed: the part of a rehearsal that dies.
type holdCommand struct {
	Bench  string       `arg:"" type:"path"`
	At     rf.Frequency `required:""`
	Report string       `required:"" type:"path" help:"Job file beside which the watcher writes."`
}

// holdsFor is how long it does so at the most.
const holdsFor = 10 * time.Second

// Run holds RF and says so.
func (c *holdCommand) Run(w *terminal.World) error {
	b, _, err := loadBench(c.Bench)
	if err != nil {
		return err
	}
	r := &rehearsal{w: w, b: b, chain: chain.New(b), at: c.At, o: performance{alone: true, jobFile: c.Report}}
	if err := r.open(); err != nil {
		return err
	}
	defer r.close()
	ctx, stop := interruptible(w)
	defer stop()
	g := r.guard(2*time.Second, r.watching.guard())
	defer g.Disarm()
	err = r.on(ctx, g)
	if err == nil {
		fmt.Fprintln(w.Stdout, "on")
	}
	for began := time.Now(); err == nil && ctx.Err() == nil && g.Cause() == "" && time.Since(began) < holdsFor; time.Sleep(100 * time.Millisecond) {
		g.Feed()
	}
	rep := g.Silence(context.Background(), "rehearsal")
	r.off = rep.Quiet
	return err
}

// open claims the bench, opens it and starts the watcher.
func (r *rehearsal) open() (err error) {
	if r.claim, err = claimBench(r.w, r.b, claim.Checks, r.o.jobFile); err != nil {
		return err
	}
	r.off = true
	if r.rig, err = driver.OpenBench(r.w.Ctx, r.b, driver.Options{}); err != nil {
		err = fmt.Errorf("open the bench: %w", err)
	} else if err = r.claim.Add(claim.Keys(r.b, r.rig.Identified)); err == nil {
		r.watching, err = startWatching(r.w, r.o, r.b, r.rig, r.claim)
	}
	if err != nil {
		r.close()
	}
	return err
}

// close lets everything go; a watcher goes on where RF is not known to be off.
func (r *rehearsal) close() {
	r.watching.end(r.w, r.off)
	if r.rig != nil {
		r.rig.Close()
	}
	r.claim.Release()
	r.rig, r.watching = nil, watching{}
}

// stalled stops the watcher's process: the guard has to find out by itself.
func (r *rehearsal) stalled(ctx context.Context) {
	const what = "watcher stopped"
	g := r.guard(time.Minute, r.watching.guard())
	defer g.Disarm()
	if err := r.on(ctx, g); err != nil {
		r.say(what, err, "")
		g.Silence(ctx, "rehearsal")
		return
	}
	began := time.Now()
	if err := r.watching.w.Stall(); err != nil {
		r.say(what, nil, "not rehearsed: %v", err)
		g.Silence(ctx, "rehearsal")
		return
	}
	took, err := r.awaitOff(ctx, began, watcher.Unanswered+4*time.Second)
	r.say(what, err, "output off %v after the second process stood still: %s", shortly(took), g.Cause())
	g.Silence(ctx, "rehearsal")
}

// killed lets a process that holds RF be killed. The bench is given to that process meanwhile.
func (r *rehearsal) killed(ctx context.Context) {
	const what = "killed with RF on"
	dir, err := os.MkdirTemp("", "provoke-rehearsal")
	if err != nil {
		r.say(what, err, "")
		return
	}
	defer os.RemoveAll(dir)
	r.off = true // it was read back before this
	job := filepath.Join(dir, "rehearsal")
	r.close()
	left, err := r.kill(ctx, job)
	if again := r.open(); again != nil {
		r.say(what, errors.Join(err, again), "")
		r.off = false
		return
	}
	if err == nil {
		_, err = r.awaitOff(ctx, time.Now(), time.Second)
	}
	if err == nil {
		r.say(what, nil, "a process that held RF was killed: its watcher switched RF off, and had seen it off for long enough %v after it noticed", shortly(left.Took.Std()))
		return
	}
	r.say(what, err, "")
}

// kill starts the process, waits until RF is on, kills it and waits for what its watcher says.
func (r *rehearsal) kill(ctx context.Context, job string) (*watcher.Report, error) {
	program, err := os.Executable()
	if err != nil {
		return nil, err
	}
	c := exec.CommandContext(ctx, program)
	c.Args = []string{"provoke", "hold", r.file, "--at", r.at.String(), "--report", job}
	var errs strings.Builder
	c.Stderr = &errs
	said, err := c.StdoutPipe()
	if err != nil {
		return nil, err
	}
	if err := c.Start(); err != nil {
		return nil, err
	}
	line, _ := bufio.NewReader(said).ReadString('\n')
	c.Process.Kill()
	c.Wait()
	if strings.TrimSpace(line) != "on" {
		return nil, fmt.Errorf("the process that was to hold RF did not come to it: %s", strings.TrimSpace(errs.String()))
	}
	left, err := watcher.Await(job, 15*time.Second)
	switch {
	case err != nil:
		return nil, err
	case left == nil:
		return nil, errors.New("its watcher left no word")
	case !left.Done || !left.Quiet:
		return left, errors.New(left.String())
	}
	return left, nil
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
	g := r.guard(time.Minute, r.watching.guard())
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
	r.say(what, err, "%s %v after it read as open", rep.How, shortly(time.Since(asked)))
	for end := time.Now().Add(most); err == nil && time.Now().Before(end); time.Sleep(100 * time.Millisecond) {
		if closed, _ := r.rig.Interlock.Closed(ctx); closed {
			return
		}
	}
}
