package main

import (
	"provoke/internal/faces/journal"
	"provoke/internal/terminal"
)

// journalCommand prints a job's journal record by record, verifies it, or copies the job.
type journalCommand struct {
	Job    string `arg:"" help:"The job file, NAME.provoke."`
	Number int    `name:"run" placeholder:"N" help:"Only this run; without it all runs."`
	Verify bool   `help:"Check that nothing was changed, removed or reordered; exit code 22 when it was, or when a run has no closing record."`
	Head   string `placeholder:"HASH" help:"With --verify: a chain hash noted elsewhere, as in a report; the run (the newest, or --run) must hold it."`
	Copy   string `placeholder:"FILE" help:"Copy the whole job into a new file, also while a run writes it."`
	Export string `placeholder:"FILE.zip" help:"Write one run (the newest, or --run) as a bundle that another machine verifies and imports."`
	Import string `placeholder:"FILE.zip" help:"Verify a bundle and take its run into the job, which is made when it is not there."`
	JSON   bool   `name:"json" help:"Print one JSON object per record, or the result of the check as one object."`
}

// Run prints, verifies or copies.
func (c *journalCommand) Run(w *terminal.World) error { return journal.Asked(*c).Do(w) }
