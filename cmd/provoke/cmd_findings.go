package main

import "errors"

type findingsCommand struct{}

func (c *findingsCommand) Run(w *world) error { return errors.New("findings is not built yet") }
