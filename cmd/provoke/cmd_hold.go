package main

import (
	"provoke/internal/run/rehearsal"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

// holdCommand keeps RF on at the lowest level until it is killed: the part of a rehearsal that dies.
type holdCommand struct {
	Bench  string       `arg:"" type:"path"`
	At     rf.Frequency `required:""`
	Report string       `required:"" type:"path" help:"Job file beside which the watcher writes."`
}

// Run holds RF and says so.
func (c *holdCommand) Run(w *terminal.World) error { return rehearsal.Hold(w, c.Bench, c.At, c.Report) }
