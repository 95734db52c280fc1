package main

import "errors"

type runCommand struct{}

func (c *runCommand) Run(w *world) error { return errors.New("run is not built yet") }
