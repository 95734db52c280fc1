package main

import "errors"

type offCommand struct{}

func (c *offCommand) Run(w *world) error { return errors.New("off is not built yet") }
