package main

import (
	"cmp"
	"errors"
	"fmt"
	"path/filepath"
	"strings"

	"provoke/internal/files/catalog"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/model/cable"
	"provoke/internal/run/session"
	"provoke/internal/tell"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

// look writes the quick look, the close look of a plan, or the one for a time, beside it.
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
	switch {
	case c.CloseLook:
		word = "close"
		if c.Number, err = book.Choose(c.Number); err == nil {
			look, err = book.CloseLook(c.Number, p, lab)
		}
	case c.Within != "":
		word = "within"
		look, err = c.within(p, b, book, lab)
	default:
		var peaks []rf.Frequency
		if peaks, err = c.resonances(); err == nil {
			look, err = plan.QuickLook(p, b, append(lab.Frequencies(), peaks...))
		}
	}
	if err != nil {
		return err
	}
	file := c.Output
	if file != "" {
		if filepath.Dir(file) != filepath.Dir(c.Plan) {
			return fmt.Errorf("write %s: a plan names its bench file relative to itself; write it into the folder of "+
				"%s", file, c.Plan)
		}
		err = terminal.WriteNew(file, look.Text)
	} else {
		file, err = session.WriteBeside(w, c.Plan, word, []byte(look.Text))
	}
	if err == nil {
		fmt.Fprintf(w.Stdout, "%s\nsee: provoke run %s --job %s\n", strings.Join(look.Says, "\n"), file,
			cmp.Or(c.Job, "JOB"))
	}
	return err
}

// within makes the plan for a time.
func (c *planCommand) within(p *plan.Plan, b *catalog.Bench, book *tell.Book, lab event.LaboratoryFailures) (*plan.Look,
	error) {
	limit, err := rf.ParseDuration(c.Within)
	if err != nil {
		return nil, terminal.WithCode(terminal.ExitUsage, fmt.Errorf("--within %q: %w", c.Within, err))
	}
	named, err := book.Named(lab, c.Retest, c.Number)
	if err != nil {
		return nil, err
	}
	peaks, err := c.resonances()
	if err != nil {
		return nil, err
	}
	return plan.Within(p, b, limit, append(named, plan.NamedAt(peaks, plan.FromCable)...))
}

// resonances are those of the model of the cable; none without one.
func (c *planCommand) resonances() ([]rf.Frequency, error) {
	if c.Cable == "" {
		return nil, nil
	}
	data, err := terminal.ReadText(c.Cable)
	if err != nil {
		return nil, fmt.Errorf("read the cable file: %w", err)
	}
	return cable.PeaksOf(c.Cable, data, session.Beside(c.Cable))
}
