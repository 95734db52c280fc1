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
	Plan       string `arg:"" type:"existingfile" help:"Plan file."`
	Job        string `type:"existingfile" help:"Job whose calibration run a substitution replays, and from which a look is made."`
	Points     bool   `xor:"what" help:"Print every frequency with its level, drive and ceiling."`
	JSON       bool   `name:"json" help:"Print the dry run as JSON."`
	QuickLook  bool   `xor:"what" help:"Write the quick look of this plan beside it instead: its whole range in about five minutes."`
	CloseLook  bool   `xor:"what" help:"Write the plan that looks closely at what a run of the job found instead."`
	Laboratory string `type:"existingfile" placeholder:"FILE" help:"With a look: what the laboratory reported, YAML or CSV, in place of what the job holds of it."`
	Cable      string `type:"existingfile" placeholder:"CABLE.yaml" help:"With --quick-look: model of the cable, whose resonances come first."`
	Number     int    `name:"run" placeholder:"N" help:"With --close-look: the run; the newest exposure when not given."`
}

// Help is printed by provoke plan --help.
func (c *planCommand) Help() string {
	return `Nothing is switched on. The worst case is computed at the ceiling of every frequency, at the crest of the
modulation and at the high end of the current's stated range. Exit code 4 means that a rating refuses the plan.

--quick-look writes PLAN-quick.yaml for the first five minutes at the bench: the finest of the steps 1, 1.5, 2, 3, 4, 5, 6, 8, 10, 12, 15,
20 and 25 % with which the estimate stays within five minutes, onsets to 3 dB, no edges, no recovery level, no confirmation. The
frequencies of the laboratory's failures (of the job, or --laboratory) and the cable's resonances (--cable) are visited first. --close-look then writes
PLAN-close.yaml: PLAN's own steps and search around each band that failed, and around each failure of the laboratory that was not
reproduced, with one coarse step to either side. Both say in their first lines what they leave out; no file is replaced.

--json prints {"name","file","hash","kind","mode","fixture","profile":{...},"modulation":{"text","crest","mean"},
"grid":{"text","frequencies","low","high","order","first":[hz]},"dwell","settle","edges","search":{...},"worst":[...],
"refusals":[...],"unreachable":[...],"duration":{"shortest","likely","longest","assumes"},
"calibration":{"run","label","at","fixture","loop_ohm","points"},"notes":[...],"problems":[...]}, and with --points "points":[{"hz","wanted","drive","ceiling","safe","limited_by","forward","current","low","high"}].`
}

// Run computes the plan on its bench and prints what it would do.
func (c *planCommand) Run(w *terminal.World) error {
	p, b, list, err := session.LoadPlan(c.Plan)
	if err != nil {
		return err
	}
	switch look := c.QuickLook || c.CloseLook; {
	case c.Cable != "" && !c.QuickLook, c.Number != 0 && !c.CloseLook, c.Laboratory != "" && !look, c.JSON && look:
		return terminal.WithCode(terminal.ExitUsage, errors.New("--cable goes with --quick-look, --run with "+
			"--close-look, --laboratory with one of the two, --json with neither"))
	case look:
		return c.look(w, p, b)
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
