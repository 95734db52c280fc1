package main

import (
	"errors"
	"fmt"
	"strings"

	"provoke/internal/job/event"
	"provoke/internal/job/store"
	"provoke/internal/terminal"
)

// noteCommand adds a remark to a run, also to one that is closed: the remark is chained behind the
// closing record, which goes on to verify.
type noteCommand struct {
	Job    string   `arg:"" help:"The job file, NAME.provoke."`
	Text   []string `arg:"" help:"The remark; quotes are not needed."`
	Number int      `name:"run" placeholder:"N" help:"The run to add to; the newest without it."`
	By     string   `placeholder:"NAME" help:"Who says so."`
}

// longestNote keeps a pasted log file out of the journal: that is what attach is for.
const longestNote = 10000

// Run adds the note.
func (c *noteCommand) Run(w *terminal.World) error {
	text := strings.TrimSpace(strings.Join(c.Text, " "))
	if text == "" {
		return terminal.WithCode(terminal.ExitUsage, errors.New("a note needs words"))
	}
	if len(text) > longestNote {
		return terminal.WithCode(terminal.ExitUsage,
			fmt.Errorf("the note has %d bytes, %d are allowed: put it into a file and use provoke attach", len(text),
				longestNote))
	}
	return annotate(w, c.Job, c.Number, func(*store.Job) ([]event.Event, error) {
		return []event.Event{event.Note{By: c.By, Text: text}}, nil
	})
}

// annotate adds what make returns to a run of a job (0: the newest) and tells where it went.
func annotate(w *terminal.World, path string, run int, make func(*store.Job) ([]event.Event, error)) (err error) {
	job, err := store.Open(path)
	if err != nil {
		return terminal.Damage(err)
	}
	defer func() {
		if e := job.Close(); err == nil {
			err = e
		}
	}()
	terminal.TellLeftBehind(w, job)
	if run == 0 {
		if run, err = job.Newest(); err != nil {
			return err
		}
	}
	events, err := make(job)
	if err != nil {
		return err
	}
	records, err := job.Annotate(run, w.Now(), events...)
	if err != nil {
		return terminal.Damage(err)
	}
	for _, r := range records {
		fmt.Fprintf(w.Stdout, "run %d, record %d: %s\n", run, r.Seq, event.Line(r.Event))
	}
	return nil
}
