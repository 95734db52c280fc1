package main

import (
	"errors"
	"fmt"
	"strings"

	"provoke/internal/files/catalog"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/run/session"
	"provoke/internal/tell"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

// look writes the quick look or the close look of a plan beside it.
func (c *planCommand) look(w *terminal.World, p *plan.Plan, b *catalog.Bench) error {
	if c.CloseLook && c.Job == "" {
		return terminal.WithCode(terminal.ExitUsage,
			errors.New("a close look is made from what a run found: name its job with --job"))
	}
	var book *tell.Book
	job := "JOB"
	if c.Job != "" {
		opened, close, err := terminal.OpenBook(w, c.Job)
		if err != nil {
			return err
		}
		defer close()
		book, job = opened, c.Job
	}
	var lab event.LaboratoryFailures
	var err error
	switch {
	case c.Laboratory != "":
		lab, err = reported(w, book, c.Laboratory)
	case book != nil:
		lab, _, err = book.Laboratory()
	}
	if err != nil {
		return err
	}
	word, look := "quick", (*plan.Look)(nil)
	if c.CloseLook {
		word = "close"
		if c.Number, err = book.Choose(c.Number); err == nil {
			look, err = book.CloseLook(c.Number, p, lab)
		}
	} else {
		look, err = c.quick(p, b, lab.Frequencies())
	}
	if err != nil {
		return err
	}
	file, err := session.WriteBeside(w, c.Plan, word, []byte(look.Text))
	if err == nil {
		fmt.Fprintf(w.Stdout, "%s\nsee: provoke run %s --job %s\n", strings.Join(look.Says, "\n"), file, job)
	}
	return err
}

// quick makes the quick look; what is given comes first, then what the model of the cable names.
func (c *planCommand) quick(p *plan.Plan, b *catalog.Bench, first []rf.Frequency) (*plan.Look, error) {
	if c.Cable != "" {
		model, _, err := loadCable(c.Cable)
		if err != nil {
			return nil, err
		}
		peaks, err := model.Peaks()
		if err != nil {
			return nil, fmt.Errorf("the resonances of %s: %w", c.Cable, err)
		}
		first = append(first, peaks...)
	}
	return plan.QuickLook(p, b, first)
}
