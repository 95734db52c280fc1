package main

import (
	"context"
	"errors"

	"provoke/internal/bench/scpi/discovery"
	"provoke/internal/faces/web"
	"provoke/internal/job/event"
	"provoke/internal/run/engine"
	"provoke/internal/run/session"
)

// page is the desk as the web page knows it: pages reach a bench only through a Runner.
type page struct{ *session.Desk }

// Prepare reads and checks a plan and what it names.
func (p page) Prepare(r web.Request) (web.Prepared, error) {
	pr, err := p.Desk.Prepare(session.Request(r))
	return web.Prepared{Request: web.Request(pr.Asked), Sweep: pr.Sweep, Plan: pr.Plan, Bench: pr.Bench,
		Chain:   pr.Chain,
		Checked: pr.Checked, Warnings: pr.Warnings, Fixing: pr.Fixing, Own: pr}, err
}

// Start begins a run and returns once it has its number, or what kept it from that.
func (p page) Start(what web.Prepared, says web.Wishes) (int, error) {
	pr, ok := what.Own.(*session.Prepared)
	if !ok {
		return 0, errors.New("this was not prepared here")
	}
	run, err := p.Desk.Start(pr, session.Wishes(says))
	return run, worded(err)
}

// Tell passes on what the person at the bench wants.
func (p page) Tell(c engine.Command) error { return worded(p.Desk.Tell(c)) }

// Answer answers what a person at the bench is asked.
func (p page) Answer(number int, text string) error { return worded(p.Desk.Answer(number, text)) }

// worded is an error of the desk as pages know it.
func worded(err error) error {
	switch {
	case errors.Is(err, session.ErrUnderway):
		return web.ErrUnderway
	case errors.Is(err, session.ErrIdle):
		return web.ErrIdle
	}
	return err
}

// Left is what a watcher left beside the job.
func (p page) Left() *web.Left {
	l := p.Desk.Left()
	if l == nil {
		return nil
	}
	return &web.Left{Run: l.Run, At: l.At, Begun: !l.Watching, Done: l.Done, Safed: l.Safed()}
}

// Find looks for instruments, as provoke find does.
func (p page) Find(ctx context.Context) ([]web.Found, error) {
	var out []web.Found
	var told error
	err := p.Desk.Idle(func() error {
		found, err := discovery.Look(ctx, discovery.Options{})
		for _, f := range found {
			x := web.Found{Address: f.Address, Identity: event.Printable(f.Identity), Note: event.Printable(f.InUse)}
			if x.Note == "" && f.Err != nil {
				x.Note = event.Printable(f.Err.Error())
			}
			out = append(out, x)
		}
		told = err
		return nil
	})
	return out, worded(errors.Join(err, told))
}

// Open turns to another job file.
func (p page) Open(job string) error { return worded(p.Desk.Open(job)) }

// State says what is going on.
func (p page) State() web.State { return web.State(p.Desk.State()) }

var _ web.Runner = page{}
