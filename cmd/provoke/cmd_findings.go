package main

import (
	"errors"
	"fmt"

	"provoke/internal/findings/analysis"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/job/store"
	"provoke/internal/tell"
	"provoke/internal/terminal"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

type findingsCommand struct {
	Job         string `arg:"" help:"Job file."`
	Number      int    `name:"run" help:"Run number; the newest exposure when not given." placeholder:"N"`
	JSON        bool   `name:"json" help:"Print the findings as JSON."`
	All         bool   `help:"Print every upset; without it each failing band with its lowest onset."`
	FailOnUpset bool   `help:"End with exit code 10 when the DUT upset."`
}

func (c *findingsCommand) Help() string {
	return "Prints failing bands, then every upset with its threshold, then what was never upset. A value marked \"at least\" or \"at most\" was not bracketed."
}

// Run prints the findings of one run.
func (c *findingsCommand) Run(w *terminal.World) error {
	book, close, err := terminal.OpenBook(w, c.Job)
	if err != nil {
		return err
	}
	defer close()
	number, err := book.Choose(c.Number)
	var told tell.RunTold
	if err == nil {
		told, err = book.Tell(number)
	}
	if err != nil {
		return fmt.Errorf("findings of %s: %w", c.Job, err)
	}
	if c.JSON {
		err = terminal.PrintShape(w.Stdout, told)
	} else {
		err = terminal.Sections(w.Stdout, told.Sections(), c.All)
	}
	if f := told.Findings; err == nil && c.FailOnUpset && f.Upsets > 0 {
		return terminal.WithCode(terminal.ExitUpset, fmt.Errorf("the DUT upset at %s in run %d", english.Count(f.Upsets, "frequency", "frequencies"), f.Run))
	}
	return err
}

// readChosen folds the run with a number, or the newest exposure, and the control run it is compared
// with; the other runs of the job are not read.
func readChosen(w *terminal.World, job *store.Job, number int) (r result.Run, control *result.Run, err error) {
	infos, err := job.Runs()
	if err != nil {
		return r, nil, terminal.Damage(err)
	}
	var known []result.Run
	for _, i := range infos {
		known = append(known, result.Run{Number: i.Run, Opened: i.Opened})
	}
	if r, err = pickRun(known, number); err != nil {
		return r, nil, err
	}
	control = analysis.ControlFor(known, r)
	if r, err = terminal.ReadRun(w, job, r.Number); err != nil || control == nil {
		return r, nil, err
	}
	whole, err := terminal.ReadRun(w, job, control.Number)
	return r, &whole, err
}

// readRuns folds every run of a job, in order of number.
func readRuns(w *terminal.World, job *store.Job) ([]result.Run, error) {
	infos, err := job.Runs()
	if err != nil {
		return nil, terminal.Damage(err)
	}
	var out []result.Run
	for _, i := range infos {
		r, err := terminal.ReadRun(w, job, i.Run)
		if err != nil {
			return nil, err
		}
		out = append(out, r)
	}
	return out, nil
}

// pickRun returns the run with a number, or the newest exposure, or the newest run of any kind.
func pickRun(runs []result.Run, number int) (result.Run, error) {
	if len(runs) == 0 {
		return result.Run{}, errors.New("the job holds no run yet; make one with provoke run")
	}
	newest := runs[len(runs)-1]
	for _, r := range runs {
		if number != 0 && r.Number == number {
			return r, nil
		}
		if r.Opened.RunKind == plan.Exposure {
			newest = r
		}
	}
	if number != 0 {
		return result.Run{}, fmt.Errorf("there is no run %d; the job holds %s", number, runNumbers(runs))
	}
	return newest, nil
}

func runNumbers(runs []result.Run) string {
	var out []int
	for _, r := range runs {
		out = append(out, r.Number)
	}
	return numbersOf(out)
}

func orDash(s string) string {
	if s == "" {
		return "–"
	}
	return event.Printable(s)
}

func gainWords(g rf.Gain, b rf.Bound) string { return tell.GainWords(g, b) }
