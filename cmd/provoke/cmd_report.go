package main

import "errors"

type reportCommand struct{}

func (c *reportCommand) Run(w *world) error { return errors.New("report is not built yet") }
