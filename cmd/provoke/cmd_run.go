package main

import (
	"fmt"
	"strings"

	"provoke/internal/job/event"
	"provoke/internal/run/engine"
	"provoke/internal/run/session"
	"provoke/internal/terminal"
	"provoke/internal/units/english"
)

// atBench is what every run at a bench is told.
type atBench struct {
	Label            string `help:"What this run is, in a few words." placeholder:"TEXT"`
	Operator         string `help:"Who stands at the bench." placeholder:"NAME"`
	Room             string `help:"Where the bench stands." placeholder:"TEXT"`
	Temperature      string `help:"Temperature of the room, with its unit." placeholder:"TEXT"`
	Humidity         string `help:"Relative humidity of the room, with its unit." placeholder:"TEXT"`
	Arm              bool   `help:"Accept the worst case at every rating without being asked."`
	AcceptSinglePath bool   `help:"Accept that nothing but this program can switch RF off while it lives, because it holds the instruments' only connections."`
	Archive          string `env:"PROVOKE_ARCHIVE" placeholder:"FOLDER|postgres://…" help:"An archive that is asked whether parts of the bench drifted, before RF; the run goes on where it does not answer."`
}

func (a atBench) order() session.Order {
	return session.Order{Label: a.Label, Operator: a.Operator, Room: a.Room, Temperature: a.Temperature,
		Humidity: a.Humidity, Armed: a.Arm, Alone: a.AcceptSinglePath,
		Asked: askArchive(a.Archive)}
}

// sayEnded says how a run ended; nothing of one that never began.
func sayEnded(w *terminal.World, res engine.Result, job string) {
	if res.Verdict == "" {
		return
	}
	fmt.Fprintf(w.Stdout, "%s: %d of %s upset", res.Verdict, res.Upsets,
		english.Count(res.Exposures, "exposure", "exposures"))
	if res.Safing.How != "" {
		fmt.Fprintf(w.Stdout, "; %s", terminal.RFWords(res.Safing.How))
	}
	fmt.Fprintf(w.Stdout, "\nsee: provoke findings %s\n", job)
}

type runCommand struct {
	Plan        string `arg:"" help:"Plan file." type:"path"`
	Job         string `required:"" help:"Job file; made when it is not there." placeholder:"JOB.provoke" type:"path"`
	Changed     string `help:"What was changed on the product since the run before." placeholder:"TEXT"`
	Again       int    `help:"Expose every frequency of that run of the job too, those found at the edges of its bands included: the very same exposure, after a change." placeholder:"RUN"`
	OverTest    string `help:"Who accepted that the product is exposed to more than the level wanted where showing a difference to the run of --again, or a guard band, needs it: \"accepted by NAME\"." placeholder:"TEXT"`
	Resume      bool   `help:"Go on with the newest run of the job, at the first point that was not closed."`
	FailOnUpset bool   `help:"Exit with code 10 when the product upset."`

	atBench `embed:""`
}

// Help says what is to know at the bench.
func (c *runCommand) Help() string {
	return `The plan is checked against every rating first; then the worst case is shown and "arm" has to be typed,
unless --arm was given. Ctrl-C once finishes safely, twice switches RF off now; both read back that it is off.
While it runs on a terminal: u and Enter says "it upset now", h holds with RF off, g goes on.

Exit codes: 0 done, 4 refused by a rating, 10 upset (with --fail-on-upset), 11 stopped by the operator,
12 not all points closed, the plan's time_limit is up or a level was not reached, 20 tripped, 21 RF not known to be off.`
}

func (c *runCommand) Run(w *terminal.World) error {
	if c.OverTest != "" && !strings.HasPrefix(c.OverTest, "accepted by ") {
		return terminal.WithCode(terminal.ExitUsage, fmt.Errorf("--over-test %q does not say who accepted it: write "+
			"\"accepted by NAME\"", c.OverTest))
	}
	o := c.order()
	o.PlanFile, o.JobFile, o.Changed, o.Resume, o.Again, o.OverTest = c.Plan, c.Job, c.Changed, c.Resume, c.Again,
		c.OverTest
	res, err := session.Perform(w, o)
	if sayEnded(w, res, c.Job); err != nil {
		return err
	}
	switch {
	case c.FailOnUpset && res.Upsets > 0:
		return terminal.WithCode(terminal.ExitUpset, fmt.Errorf("the product upset"))
	case res.Verdict == event.Incomplete, res.Verdict.Kind() == event.TimeUp:
		return terminal.WithCode(terminal.ExitIncomplete, fmt.Errorf("%s", res.Why))
	}
	return nil
}
