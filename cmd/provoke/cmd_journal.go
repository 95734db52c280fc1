package main

import "errors"

type journalCommand struct{}

func (c *journalCommand) Run(w *world) error { return errors.New("journal is not built yet") }
