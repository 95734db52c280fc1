package main

import "errors"

type simulateCommand struct{}

func (c *simulateCommand) Run(w *world) error { return errors.New("simulate is not built yet") }
