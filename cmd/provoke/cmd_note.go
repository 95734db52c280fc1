package main

import "errors"

type noteCommand struct{}

func (c *noteCommand) Run(w *world) error { return errors.New("note is not built yet") }
