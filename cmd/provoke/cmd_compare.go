package main

import (
	"errors"
	"fmt"

	"provoke/internal/findings/analysis"
	"provoke/internal/job/result"
	"provoke/internal/tell"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

type compareCommand struct {
	Job    string  `arg:"" help:"Job file."`
	Before int     `arg:"" optional:"" help:"Run before the change."`
	After  int     `arg:"" optional:"" help:"Run after the change; when neither is given, the newest run before which something was changed and the one that it exposes again."`
	Margin rf.Gain `help:"What the after-run has to stand above the onset before, beside the level wanted." default:"0 dB" placeholder:"'N dB'"`

	Laboratory string      `placeholder:"FILE" help:"Hold the after-run to a laboratory's report too (YAML or CSV; \"job\" for what the job holds): the margin that lets the laboratory pass."`
	Confidence rf.Fraction `default:"95 %" help:"Confidence that the laboratory passes, with --laboratory."`
	Cable      string      `placeholder:"CABLE.yaml" help:"Model of the cable: how the laboratory's e.m.f. drives this product, with --laboratory."`

	All  bool `help:"Print every frequency that upset in one of the runs; without it neighbours that say the same are folded."`
	JSON bool `name:"json" help:"Print the comparison as JSON."`
}

func (c *compareCommand) Help() string {
	return "The verdict is \"shown\" only where the after-run stood the level wanted, and the onset before plus the " +
		"margin, at every frequency that upset before; it is never \"fixed\"."
}

// Run compares two runs of a job.
func (c *compareCommand) Run(w *terminal.World) error {
	if c.Before == c.After && c.Before != 0 {
		return terminal.WithCode(terminal.ExitUsage,
			fmt.Errorf("compare run %d with itself: name the run before the change and the run after it", c.Before))
	}
	if c.Margin < 0 {
		return terminal.WithCode(terminal.ExitUsage,
			fmt.Errorf("margin %v is below 0 dB: it asks for less than the product stood", c.Margin))
	}
	book, close, err := terminal.OpenBook(w, c.Job)
	if err != nil {
		return err
	}
	defer close()
	if err := c.choose(book); err != nil {
		return err
	}
	var lab analysis.BesideLaboratory
	if c.Laboratory != "" {
		file := c.Laboratory
		if file == "job" {
			file = ""
		}
		if lab, err = besideLaboratory(w, book, c.Before, file, c.Cable, c.Confidence); err != nil {
			return err
		}
	}
	told, err := book.Compared(c.Before, c.After, c.Margin, func(cmp *analysis.Comparison, runs [2]result.Run) {
		if c.Laboratory != "" {
			cmp.HoldToLaboratory(lab, runs[1])
		}
	})
	if err != nil {
		return fmt.Errorf("compare the runs of %s: %w", c.Job, err)
	}
	if c.JSON {
		return terminal.PrintShape(w.Stdout, told)
	}
	return terminal.Sections(w.Stdout, []tell.Section{told.Section()}, c.All)
}

// choose fills in the runs where none are named.
func (c *compareCommand) choose(book *tell.Book) error {
	switch {
	case c.After != 0:
		return nil
	case c.Before != 0:
		return terminal.WithCode(terminal.ExitUsage,
			errors.New("name the run before the change and the run after it, or neither"))
	}
	heads, err := book.Heads()
	if err != nil {
		return err
	}
	if c.Before, c.After = analysis.Pair(heads); c.After == 0 {
		return fmt.Errorf("compare the runs of %s: it holds no exposure before which something was changed, with one "+
			"before it: expose with --again N --changed \"what was changed\"", c.Job)
	}
	return nil
}
