package main

import "errors"

type planCommand struct{}

func (c *planCommand) Run(w *world) error { return errors.New("plan is not built yet") }
