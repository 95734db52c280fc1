package main

import "errors"

type compareCommand struct{}

func (c *compareCommand) Run(w *world) error { return errors.New("compare is not built yet") }
