package main

import "errors"

type newCommand struct{}

func (c *newCommand) Run(w *world) error { return errors.New("new is not built yet") }
