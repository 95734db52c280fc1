package main

import "errors"

type budgetCommand struct{}

func (c *budgetCommand) Run(w *world) error { return errors.New("budget is not built yet") }
