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
	Within     string `xor:"what" placeholder:"TIME" help:"Write the plan for so much time instead, \"20 min\": what is worth most first, from coarse to fine, until the time is up."`
	Retest     bool   `help:"With --within: test a fix, first at every frequency that upset in a run of the job, and next to its bands."`
	Output     string `short:"o" placeholder:"FILE" type:"path" help:"With a look or --within: the file to write, in place of one beside the plan."`
	Laboratory string `type:"existingfile" placeholder:"FILE" help:"With a look or --within: what the laboratory reported, YAML or CSV, in place of what the job holds of it."`
	Cable      string `type:"existingfile" placeholder:"CABLE.yaml" help:"With --quick-look or --within: model of the cable, whose resonances come first."`
	Number     int    `name:"run" placeholder:"N" help:"With --close-look or --retest: the run; the newest exposure when not given."`
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

--within "20 min" writes PLAN-within.yaml: the same frequencies and searches with a time_limit. First comes what is named (the laboratory's
failures, the worst of each band that failed in the exposures of --job, the resonances of --cable, harmonics of the plan's clocks), then
the range in ever smaller gaps, smaller where upsets and graded readings ask for it, with the onset of each new band to 3 dB; the worst
of each band is then narrowed and confirmed; edges and recovery levels come last. With --retest it begins with everything that upset in
a run. What a run with it did not come to is told by provoke findings, and no fix is "shown" before everything was exposed.

--json prints {"name","file","hash","kind","mode","fixture","profile":{...},"modulation":{"text","crest","mean"},
"grid":{"text","frequencies","low","high","order","first":[hz]},"dwell","settle","edges","search":{...},"worst":[...],
"refusals":[...],"unreachable":[...],"duration":{"shortest","likely","longest","assumes"},
"time_limit":{"text","limit","frequencies","step"},
"calibration":{"run","label","at","fixture","loop_ohm","points"},"notes":[...],"problems":[...]}, and with --points "points":[{"hz","wanted","drive","ceiling","safe","limited_by","forward","current","low","high"}].`
}

// Run computes the plan on its bench and prints what it would do.
func (c *planCommand) Run(w *terminal.World) error {
	p, b, list, err := session.LoadPlan(c.Plan)
	if err != nil {
		return err
	}
	timed := c.Within != ""
	switch look := c.QuickLook || c.CloseLook || timed; {
	case c.Cable != "" && !c.QuickLook && !timed, c.Number != 0 && !c.CloseLook && !c.Retest,
		c.Laboratory != "" && !look, c.JSON && look, c.Retest && (!timed || c.Job == ""), c.Output != "" && !look:
		return terminal.WithCode(terminal.ExitUsage, errors.New("--cable goes with --quick-look or --within, --run "+
			"with --close-look or --retest, --retest with --within and --job, --laboratory and -o with one of the "+
			"looks or --within, --json with none of them"))
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
