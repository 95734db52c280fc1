package main

import (
	"provoke/internal/faces/calculator/budget"
	"provoke/internal/run/session"
	"provoke/internal/terminal"
)

type benchCommand struct {
	File string `arg:"" name:"bench.yaml" help:"Bench file."`
	JSON bool   `name:"json" help:"Print the documented JSON shape."`
}

// Help is the long help.
func (benchCommand) Help() string {
	return `Every problem of the file is told at once, with line, column and what to do; then nothing else is done. Without problems
the chain is printed in order: what each piece does to a level, and what it stands. A rating that is not given forbids
what it would have limited.

--json prints {"name","file","hash","band":{"low","high","lowest","highest"},"pieces":[{"place","id","what","serial",
"calibrated","due","certificate","address","table","does":[{"what","text","source","hash","low","high"}],
"stands":[{"what","rating","as"}]}],"overdue":[id...],"warnings":[{"file","line","column","what","hint"}]}. A rating is a
quantity, or null where it is not given; "as" is "peak", at the crest of the modulation's envelope (a current as its r.m.s.
value there), or "average".`
}

// Run checks the file and prints the bench.
func (c *benchCommand) Run(w *terminal.World) error {
	b, list, err := session.LoadBench(c.File)
	if err != nil {
		return err
	}
	sheet := budget.OfBench(b, list, w.Now())
	if c.JSON {
		return terminal.PrintJSON(w.Stdout, sheet)
	}
	return terminal.OnPage(w.Stdout, sheet.Print)
}
