package main

import (
	"provoke/internal/run/session"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

type offCommand struct {
	Bench string       `arg:"" help:"Bench file." type:"path"`
	At    rf.Frequency `help:"Frequency at which the probe looks for RF; the middle of the source's band otherwise." placeholder:"FREQ"`
}

// Help says what it does and what it cannot do.
func (c *offCommand) Help() string {
	return `Switches the source's output off, takes the amplifier to standby, sets the source to its minimum, reads that
back and, where the bench has an analyser, measures. Every step is tried whatever came of the one before. A run
that has the bench, on this computer and whoever started it, is tripped first; a watcher that an earlier run left
at it ends once RF is read back as off. A run on another computer is not seen from here.
Exit code 21 when it could not be confirmed that RF is off.`
}

// Run silences the bench.
func (c *offCommand) Run(w *terminal.World) error { return session.Off(w, c.Bench, c.At) }
