package main

import (
	"provoke/internal/run/watcher"
	"provoke/internal/terminal"
)

// watchCommand is the second process: see package watcher. It is started by a run, never by a person.
type watchCommand struct{}

// Run watches until the run is over or until the bench is silent.
func (c *watchCommand) Run(w *terminal.World) error {
	return watcher.Serve(watcher.Deaf(w.Ctx), w.Stdin, w.Stdout, w.Now)
}
