package main

import "errors"

type touchstoneCommand struct{}

func (c *touchstoneCommand) Run(w *world) error { return errors.New("touchstone is not built yet") }
