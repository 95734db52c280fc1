package main

import "io"

// ofColumns is an output of a given width.
type ofColumns struct {
	io.Writer
	n int
}

func (o ofColumns) Columns() int { return o.n }

// wide is an output on which nothing has to be folded.
type wide struct{ io.Writer }

func (wide) Columns() int { return 1000 }
