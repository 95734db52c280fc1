package main

import "errors"

type benchCommand struct{}

func (c *benchCommand) Run(w *world) error { return errors.New("bench is not built yet") }
