package main

import (
	"errors"

	"provoke/internal/faces/web"
	"provoke/internal/run/engine"
)

// page is the desk as the web page knows it: pages reach a bench only through a Runner.
type page struct{ *desk }

// Prepare reads and checks a plan and what it names.
func (p page) Prepare(r web.Request) (web.Prepared, error) {
	pr, err := p.desk.Prepare(request(r))
	return web.Prepared{Request: web.Request(pr.asked), Sweep: pr.sweep, Plan: pr.plan, Bench: pr.bench, Chain: pr.chain,
		Checked: pr.checked, Warnings: pr.warnings, Own: pr}, err
}

// Start begins a run and returns once it has its number, or what kept it from that.
func (p page) Start(what web.Prepared, says web.Wishes) (int, error) {
	pr, ok := what.Own.(*prepared)
	if !ok {
		return 0, errors.New("this was not prepared here")
	}
	run, err := p.desk.Start(pr, wishes(says))
	return run, worded(err)
}

// Tell passes on what the person at the bench wants.
func (p page) Tell(c engine.Command) error { return worded(p.desk.Tell(c)) }

// Answer answers what a person at the bench is asked.
func (p page) Answer(number int, text string) error { return worded(p.desk.Answer(number, text)) }

// worded is an error of the desk as pages know it.
func worded(err error) error {
	switch {
	case errors.Is(err, errUnderway):
		return web.ErrUnderway
	case errors.Is(err, errIdle):
		return web.ErrIdle
	}
	return err
}

// State says what is going on.
func (p page) State() web.State { return web.State(p.desk.State()) }

var _ web.Runner = page{}
