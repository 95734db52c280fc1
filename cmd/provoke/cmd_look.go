package main

import (
	"cmp"
	"errors"
	"fmt"
	"strings"

	"provoke/internal/files/catalog"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/model/cable"
	"provoke/internal/run/session"
	"provoke/internal/tell"
	"provoke/internal/terminal"
)

// look writes the quick look or the close look of a plan beside it.
func (c *planCommand) look(w *terminal.World, p *plan.Plan, b *catalog.Bench) error {
	if c.CloseLook && c.Job == "" {
		return terminal.WithCode(terminal.ExitUsage,
			errors.New("a close look is made from what a run found: name its job with --job"))
	}
	var book *tell.Book
	var lab event.LaboratoryFailures
	if c.Job != "" {
		opened, close, err := terminal.OpenBook(w, c.Job)
		if err != nil {
			return err
		}
		defer close()
		if lab, _, err = opened.Laboratory(); err != nil {
			return err
		}
		book = opened
	}
	var err error
	if c.Laboratory != "" {
		if lab, err = reported(w, book, c.Laboratory); err != nil {
			return err
		}
	}
	word, look := "quick", (*plan.Look)(nil)
	if c.CloseLook {
		word = "close"
		if c.Number, err = book.Choose(c.Number); err == nil {
			look, err = book.CloseLook(c.Number, p, lab)
		}
	} else {
		first := lab.Frequencies()
		if c.Cable != "" {
			var data []byte
			if data, err = terminal.ReadText(c.Cable); err != nil {
				return fmt.Errorf("read the cable file: %w", err)
			}
			peaks, err := cable.PeaksOf(c.Cable, data, session.Beside(c.Cable))
			if err != nil {
				return err
			}
			first = append(first, peaks...)
		}
		look, err = plan.QuickLook(p, b, first)
	}
	if err != nil {
		return err
	}
	file, err := session.WriteBeside(w, c.Plan, word, []byte(look.Text))
	if err == nil {
		fmt.Fprintf(w.Stdout, "%s\nsee: provoke run %s --job %s\n", strings.Join(look.Says, "\n"), file,
			cmp.Or(c.Job, "JOB"))
	}
	return err
}
