package main

import (
	"errors"
	"fmt"
	"strings"

	"provoke/internal/run/session"
	"provoke/internal/terminal"
)

// sweepCommand lets a generator sweep by itself and works out at which frequencies the product upset.
type sweepCommand struct {
	Sweep   string `arg:"" type:"path" help:"Sweep file"`
	Job     string `placeholder:"JOB.provoke" type:"path" help:"Job file; made when it is not there."`
	Plan    string `placeholder:"PLAN.yaml" type:"path" help:"Write the stepped plan around the bands here; NAME-stepped.yaml beside the sweep file without it."`
	Confirm bool   `help:"Run the stepped plan at once."`
	Check   bool   `help:"Only check the file and its worst case over the whole span; touch nothing."`

	atBench `embed:""`
}

// Help is the long help.
func (sweepCommand) Help() string {
	return `The generator sweeps by itself; provoke watches the product and the clock and turns the time of every upset into a frequency. Up and
down cancel the latency of the product; two sweep times tell latency from the width of a band. Every answer has limits of error:
the sum of what the product's readings, the mark of the beginning and the generator's timing leave open.

The level is cleared at the worst frequency of the whole span. provoke cannot switch such a source off: the bench file names a
hardware_off, which the operator confirms before anything is armed; the run ends as "RF not known to be off" until the operator
confirms that it is off. A plan is written that steps around each band, to confirm or to reject it; --confirm runs it.

The beginning of a pass is marked by a key, by a sync line over a serial port or a socket, or by the analyser in zero span.
The exit codes are those of provoke run.`
}

// Run does the sweep.
func (c *sweepCommand) Run(w *terminal.World) error {
	pr, err := c.prepare(w)
	if err != nil {
		return err
	}
	if c.Check {
		return nil
	}
	if c.Job == "" {
		return terminal.WithCode(terminal.ExitUsage, errors.New("a sweep is journalled: name the job with --job"))
	}
	o := c.order()
	o.PlanFile, o.JobFile, o.Ready = c.Sweep, c.Job, pr
	out, file, err := session.PerformSweep(w, o, c.Plan)
	if out.Verdict == "" {
		return err
	}
	session.PrintSwept(w, out)
	if err != nil || file == "" {
		return err
	}
	fmt.Fprintf(w.Stdout, "stepped plan around the bands: %s\n", file)
	if !c.Confirm {
		fmt.Fprintf(w.Stdout, "see: provoke run %s --job %s\n", file, c.Job)
		return nil
	}
	stepped := &runCommand{atBench: c.atBench, Plan: file, Job: c.Job}
	stepped.Label = strings.TrimSpace(c.Label + " stepped around the bands of the sweep")
	return stepped.Run(w)
}

// prepare reads and checks both files, and says what the sweep is.
func (c *sweepCommand) prepare(w *terminal.World) (*session.Prepared, error) {
	pr, err := session.ReadAndCheckSweep(c.Sweep)
	if pr != nil {
		for _, p := range pr.Warnings.Folded() {
			fmt.Fprintln(w.Stderr, p)
		}
	}
	if err != nil {
		return nil, err
	}
	s, b := pr.Sweep, pr.Bench
	fmt.Fprintf(w.Stdout, "%s: %s at %s (%s at %s), %d passes, %v; within every rating over the whole span\n",
		s.Plan.Name, s.Plan.GridText, s.Plan.Drive, b.Source.Setting(s.Plan.Drive), b.Source.ID, len(s.Passes),
		session.TotalOf(s.Passes))
	return pr, nil
}
