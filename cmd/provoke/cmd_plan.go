package main

import (
	"errors"
	"io"

	"provoke/internal/faces/calculator/budget"
	"provoke/internal/job/plan"
	"provoke/internal/job/store"
	"provoke/internal/run/session"
	"provoke/internal/terminal"
)

type planCommand struct {
	Plan   string `arg:"" type:"existingfile" help:"Plan file."`
	Job    string `type:"existingfile" help:"Job whose calibration run a substitution replays."`
	Points bool   `help:"Print every frequency with its level, drive and ceiling."`
	JSON   bool   `name:"json" help:"Print the dry run as JSON."`
}

// Help is printed by provoke plan --help.
func (c *planCommand) Help() string {
	return `Nothing is switched on. The worst case is computed at the ceiling of every frequency, at the crest of the
modulation and at the high end of the current's stated range. Exit code 4 means that a rating refuses the plan.

--json prints {"name","file","hash","kind","mode","fixture","profile":{...},"modulation":{"text","crest","mean"},
"grid":{"text","frequencies","low","high","order"},"dwell","settle","edges","search":{...},"worst":[...],
"refusals":[...],"unreachable":[...],"duration":{"shortest","likely","longest","assumes"},
"calibration":{"run","label","at","fixture","loop_ohm","points"},"notes":[...],"problems":[...]}, and with --points "points":[{"hz","wanted","drive","ceiling","safe","limited_by","forward","current","low","high"}].`
}

// Run computes the plan on its bench and prints what it would do.
func (c *planCommand) Run(w *terminal.World) error {
	p, b, list, err := session.LoadPlan(c.Plan)
	if err != nil {
		return err
	}
	var cal *plan.Calibrated
	if c.Job != "" && p.Replays() {
		if cal, err = c.calibration(p); err != nil {
			return err
		}
	}
	d := budget.DryRunOf(p, b, cal, list)
	if c.JSON {
		err = terminal.PrintJSON(w.Stdout, d.Shape(c.Points))
	} else {
		err = terminal.OnPage(w.Stdout, func(out io.Writer) error { return d.Print(out, c.Points) })
	}
	if err != nil {
		return err
	}
	return d.Refusal()
}

func (c *planCommand) calibration(p *plan.Plan) (*plan.Calibrated, error) {
	job, err := store.OpenReadOnly(c.Job)
	if err != nil {
		return nil, err
	}
	cal, err := session.CalibrationOf(job, p)
	return cal, errors.Join(err, job.Close())
}
