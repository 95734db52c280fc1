package main

import "errors"

type attachCommand struct{}

func (c *attachCommand) Run(w *world) error { return errors.New("attach is not built yet") }
