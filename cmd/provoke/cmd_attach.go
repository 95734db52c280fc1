package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"provoke/internal/job/event"
	"provoke/internal/job/store"
	"provoke/internal/terminal"
)

// attachCommand adds photos or files to a run. They are kept in the job by their hash.
type attachCommand struct {
	Job     string   `arg:"" help:"The job file, NAME.provoke."`
	Files   []string `arg:"" name:"file" help:"The files to keep in the job."`
	Number  int      `name:"run" placeholder:"N" help:"The run to add to; the newest without it."`
	Caption string   `placeholder:"TEXT" help:"What they show."`
}

// Run adds the files; when one of them cannot be taken, none is.
func (c *attachCommand) Run(w *terminal.World) error {
	for _, name := range c.Files {
		if err := attachable(name); err != nil {
			return fmt.Errorf("attach %s: %w; nothing was attached", event.Printable(name), err)
		}
	}
	return annotate(w, c.Job, c.Number, func(job *store.Job) ([]event.Event, error) {
		var events []event.Event
		for _, name := range c.Files {
			bytes, err := terminal.ReadFile(name, store.MaxAttachment)
			if err != nil {
				return nil, fmt.Errorf("attach %s: %w", event.Printable(name), err)
			}
			a, err := job.Attach(filepath.Base(name), bytes)
			if err != nil {
				return nil, err
			}
			events = append(events, event.Attached{Attachment: a, Caption: c.Caption})
		}
		return events, nil
	})
}

// attachable looks at a file before the job is touched.
func attachable(name string) error {
	info, err := os.Stat(name)
	switch {
	case os.IsNotExist(err):
		return fmt.Errorf("there is no such file")
	case err != nil:
		return errors.Unwrap(err) // its name is told already
	case !info.Mode().IsRegular():
		return fmt.Errorf("it is not a file")
	}
	return store.CheckAttachment(filepath.Base(name), info.Size())
}
