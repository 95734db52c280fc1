package main

import "errors"

type demoCommand struct{}

func (c *demoCommand) Run(w *world) error { return errors.New("demo is not built yet") }
