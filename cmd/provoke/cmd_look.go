package main

import (
	"errors"
	"fmt"
	"strings"

	"provoke/internal/files/catalog"
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
	word, look, err := "quick", (*plan.Look)(nil), error(nil)
	if c.CloseLook {
		word = "close"
		if c.Number, err = book.Choose(c.Number); err == nil {
			look, err = book.CloseLook(c.Number, p)
		}
	} else {
		look, err = c.quick(book, p, b)
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

// quick makes the quick look, with what the laboratory and the model of the cable name first; the book may be nil.
func (c *planCommand) quick(book *tell.Book, p *plan.Plan, b *catalog.Bench) (*plan.Look, error) {
	var first []rf.Frequency
	if book != nil {
		lab, _, err := book.Laboratory()
		if err != nil {
			return nil, err
		}
		first = lab.Frequencies()
	}
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
