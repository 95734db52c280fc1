package rehearsal

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

	"provoke/internal/model/chain"
	"provoke/internal/run/session"
	"provoke/internal/run/watcher"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

// holdsFor is how long it does so at the most.
const holdsFor = 10 * time.Second

// Hold keeps RF on at the lowest level until it is killed, and says so: the part of a rehearsal that dies. The
// watcher writes beside the job file report.
func Hold(w *terminal.World, bench string, at rf.Frequency, report string) error {
	b, _, err := session.LoadBench(bench)
	if err != nil {
		return err
	}
	r := &rehearsal{w: w, b: b, chain: chain.New(b), at: at, alone: true, job: report}
	if err := r.open(); err != nil {
		return err
	}
	defer r.close()
	ctx, stop := w.Interruptible()
	defer stop()
	g := r.guard(2*time.Second, r.watching.Guard())
	defer g.Disarm()
	err = r.on(ctx, g)
	if err == nil {
		fmt.Fprintln(w.Stdout, "on")
	}
	end := time.Now().Add(holdsFor)
	for err == nil && ctx.Err() == nil && g.Cause() == "" && time.Now().Before(end) {
		g.Feed()
		time.Sleep(100 * time.Millisecond)
	}
	rep := g.Silence(context.Background(), "rehearsal")
	r.off = rep.Quiet
	return err
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
		r.say(what, nil, "a process that held RF was killed: its watcher switched RF off, and had seen it off for "+
			"long enough %v after it noticed", rf.Shortly(left.Took.Std()))
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
		return nil, fmt.Errorf("the process that was to hold RF did not come to it: %s",
			strings.TrimSpace(errs.String()))
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
