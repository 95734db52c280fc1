package main

import (
	"provoke/internal/faces/calculator/budget"
	"provoke/internal/findings/analysis"
	"provoke/internal/job/result"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

type uncertaintyCommand struct {
	Bench      string         `arg:"" name:"bench.yaml" help:"Bench file."`
	At         []rf.Frequency `placeholder:"FREQUENCY" help:"Print the whole budget at this frequency. May be repeated."`
	Plan       string         `placeholder:"PLAN.yaml" help:"Plan file: how the level is set, the levelling window, the frequencies."`
	Cable      string         `placeholder:"CABLE.yaml" help:"Model of the cable: what the places of clamp and probe do, in place of an estimate."`
	Job        string         `placeholder:"JOB" help:"Job file: the spread of its repeated runs replaces the assumed repeatability."`
	Confidence rf.Fraction    `default:"95 %" help:"Confidence of the expanded uncertainty."`
	Draws      int            `default:"200000" help:"Draws of the Monte Carlo run with --at; 0 for none."`
	Seed       uint64         `default:"1" help:"Seed of the Monte Carlo run."`
	JSON       bool           `name:"json" help:"Print the documented JSON shape."`
}

// Help is the long help.
func (uncertaintyCommand) Help() string {
	return `Works out how well the injected current is known, from what the bench file says of each piece ("uncertainty", "vswr",
"position_tolerance", "harmonics"). Where it says nothing a figure of common practice stands and is marked ASSUMED.
Without --at: U over frequency. With --at: every contribution, ranked, with the U that would be left without it, and a
Monte Carlo run after JCGM 101. U is half the interval of the sum of the contributions, each spread as it says: what the
Monte Carlo run finds but for its scatter, and what findings and report state; the law of propagation (GUM) stands beside it.

--json prints {"bench","hash","means","confidence","seed","points":[{"frequency","u_db","k","freedom","standard_db",
"assumed","largest","simulated":{"draws","symmetric_db":[low,high],"shortest_db":[low,high],"differs"},"components":
[{"name","item","distribution","half_db","divisor","freedom","sensitivity","standard_db","share","left_db","source",
"assumed"}],"notes":[...]}],"warnings":[...]}. Freedom is null where it is infinite; simulated is null without --at.`
}

// Run works out and prints the uncertainty.
func (c *uncertaintyCommand) Run(w *terminal.World) error {
	bench, p, warnings, err := loadBenchAndPlan(c.Bench, c.Plan)
	if err != nil {
		return err
	}
	var repeated []analysis.Outline
	if c.Job != "" {
		if repeated, err = outlinesOf(w, c.Job); err != nil {
			return err
		}
	}
	o := budget.Asked{At: c.At, Conditions: budget.ConditionsOf(p, repeated), Confidence: c.Confidence, Draws: c.Draws,
		Seed: c.Seed}
	if c.Cable != "" {
		model, _, err := loadCable(c.Cable)
		if err != nil {
			return err
		}
		o.Conditions.Position = budget.PositionOn(model, c.Cable)
	}
	s, err := budget.OfUncertainty(bench, p, o, append(warnings, budget.Overdue(bench, w.Now())...))
	if err != nil {
		return err
	}
	if c.JSON {
		return terminal.PrintJSON(w.Stdout, s.Shape())
	}
	return terminal.OnPage(w.Stdout, s.Print)
}

// outlinesOf reads what the runs of a job say of repeatability.
func outlinesOf(w *terminal.World, jobFile string) ([]analysis.Outline, error) {
	book, close, err := terminal.OpenBook(w, jobFile)
	if err != nil {
		return nil, err
	}
	defer close()
	return book.Outlines(func(result.Run) bool { return true })
}
