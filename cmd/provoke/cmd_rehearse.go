package main

import (
	"provoke/internal/run/rehearsal"
	"provoke/internal/terminal"
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

// Run rehearses.
func (c *rehearseCommand) Run(w *terminal.World) error {
	return rehearsal.Do(w, rehearsal.Order{Bench: c.Bench, At: c.At, Armed: c.Arm, Interlock: c.Interlock,
		Alone: c.AcceptSinglePath})
}
