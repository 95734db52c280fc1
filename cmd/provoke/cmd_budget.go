package main

import (
	"errors"
	"io"

	"provoke/internal/faces/calculator/budget"
	"provoke/internal/files/catalog"
	"provoke/internal/files/problem"
	"provoke/internal/job/plan"
	"provoke/internal/run/session"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

type budgetCommand struct {
	Bench      string         `arg:"" name:"bench.yaml" help:"Bench file."`
	Plan       string         `arg:"" optional:"" name:"plan.yaml" help:"Plan file: its frequencies, level, modulation and fixture."`
	At         []rf.Frequency `placeholder:"FREQUENCY" help:"Look at this frequency closely, at every node. May be repeated."`
	Drive      string         `placeholder:"LEVEL" help:"Generator setting for --at, as the generator counts it (default: the safe setting)."`
	AM         rf.Fraction    `name:"am" placeholder:"DEPTH" help:"Amplitude modulation of this depth, e.g. 80%."`
	Modulation string         `placeholder:"TEXT" help:"Modulation in words, e.g. \"pulse 1 kHz 50 %\"."`
	Fixture    string         `enum:"cable,jig50,jig150," default:"" help:"What the clamp is closed around: cable, jig50, jig150 (default: the plan's, else cable)."`
	All        bool           `help:"Print every frequency."`
	JSON       bool           `name:"json" help:"Print the documented JSON shape."`
}

// Help is the long help.
func (budgetCommand) Help() string {
	return `Computes only; touches no instrument. For each frequency: the largest generator setting at which every rating is kept
(at the crest of the modulation's envelope: of a current its r.m.s. value there; at the high end of the cable's range), what stands in the way of more, the current
that it gives, and with a plan the level wanted and how far the current is above it. A closed loop reads the current before
each raise and may go further where the reading allows: how far, at the expected current, stands beside the safe setting, and
the margin is that of the closed loop. The level means the unmodulated carrier. With --at every node of the chain is shown with its headroom.

Ends with exit code 4 when --drive exceeds a rating, or when no setting is shown to be safe at any frequency.

--json prints {"bench","hash","fixture","modulation","points":[{"frequency","drive","setting","limited_by":{"id","place",
"note"},"current","low","high","looped":{"drive","setting","limited_by","current"},"wanted","margin_db","compression_db","u_db","u_assumed","drive_wanted","setting_wanted","error","estimate"}],"at":[{"frequency",
"drive","setting","forward","current","low","high","reading","compression_db","within","nodes":[{"id","place","carrier",
"peak","mean","rated_as","rating","headroom_db","within","note"}]}],"warnings":[...]}. looped is null without a closed loop. Quantities are null where they are
not known; headroom_db is null where a rating is not given.`
}

// Run computes and prints the budget.
func (c *budgetCommand) Run(w *terminal.World) error {
	if c.Drive != "" && len(c.At) == 0 {
		return terminal.WithCode(terminal.ExitUsage, errors.New("--drive says nothing without --at FREQUENCY"))
	}
	bench, p, warnings, err := loadBenchAndPlan(c.Bench, c.Plan)
	if err != nil {
		return err
	}
	b := budget.Of(bench, p)
	if c.Fixture != "" {
		b.Fixture = catalog.Fixture(c.Fixture)
	}
	if err := b.Modulate(c.AM, c.Modulation); err != nil {
		return terminal.WithCode(terminal.ExitUsage, err)
	}
	sheet, refused, err := b.Sheet(c.At, c.Drive, warnings)
	if err != nil {
		return err
	}
	if c.JSON {
		err = terminal.PrintJSON(w.Stdout, sheet)
	} else {
		err = terminal.OnPage(w.Stdout, func(out io.Writer) error { return sheet.Print(out, c.All) })
	}
	return errors.Join(err, refused)
}

// loadBenchAndPlan reads a bench file and, where one is named, a plan file without the bench that that one names.
func loadBenchAndPlan(benchFile, planFile string) (*catalog.Bench, *plan.Plan, problem.List, error) {
	bench, list, err := session.LoadBench(benchFile)
	if err != nil || planFile == "" {
		return bench, nil, list.Warnings(), err
	}
	p, more, err := session.LoadPlanAlone(planFile)
	return bench, p, append(list.Warnings(), more.Warnings()...), err
}
