package main

import (
	"fmt"
	"path/filepath"

	"provoke/internal/faces/calculator/readings"
	"provoke/internal/findings/joined"
	"provoke/internal/job/event"
	"provoke/internal/job/store"
	"provoke/internal/terminal"
)

// logCommand joins a log that the product wrote by itself to a run, by its time stamps.
type logCommand struct {
	Job        string `arg:"" help:"The job file, NAME.provoke."`
	File       string `arg:"" help:"Log of the product: lines that begin with a time stamp."`
	Number     int    `name:"run" placeholder:"N" help:"The run to join; the newest without it."`
	Offset     string `default:"0 s" placeholder:"DURATION" help:"Added to the log's clock: how far it is behind the computer's, e.g. \"1.5 s\"; \"-2 s\" when it is ahead."`
	Zone       string `placeholder:"+01:00" help:"Zone of stamps that name none, or name it by an abbreviation such as CET: an offset, utc, local, or a name such as Europe/Zurich. Asked for where the log would fit the run at another hour too."`
	Date       string `placeholder:"YYYY-MM-DD" help:"Day of stamps that name none; the day of the run without it."`
	DatesBegin string `enum:",day,month" default:"" placeholder:"day|month" help:"What dates with slashes begin with, where no date of the file tells."`
	Pattern    string `placeholder:"REGEXP" help:"Finds the number in a line: its first group. Without it the number in front of the tolerance's unit is meant, or the only number of the line."`
	ErrorLine  string `placeholder:"REGEXP" help:"Finds lines that are an upset by themselves."`
	Decimal    string `enum:",comma,point" default:"" placeholder:"comma|point" help:"Decimal sign, where the log can be read in two ways: comma or point."`
	Tolerance  string `placeholder:"VALUE" help:"Half-width round the mean before RF, with its unit, e.g. \"0.05 kg\". Without it lines are counted and not judged."`
}

// Run reads the log, sorts its entries into the steps of the run and journals what they say.
func (c *logCommand) Run(w *terminal.World) error {
	l, err := readings.ReadLog(readings.LogAsked{Offset: c.Offset, Zone: c.Zone, Date: c.Date, DatesBegin: c.DatesBegin,
		Pattern:   c.Pattern,
		ErrorLine: c.ErrorLine, Decimal: c.Decimal, Tolerance: c.Tolerance})
	if err != nil {
		return terminal.WithCode(terminal.ExitUsage, err)
	}
	data, err := terminal.ReadTable(c.File)
	if err != nil {
		return fmt.Errorf("read the log: %w", err)
	}
	err = annotate(w, c.Job, c.Number, func(job *store.Job) ([]event.Event, error) {
		windows, err := joined.Windows(job, c.Number)
		if err != nil {
			return nil, err
		}
		warnings, err := l.Join(windows, c.File, data)
		for _, p := range warnings {
			fmt.Fprintln(w.Stderr, p)
		}
		if err != nil {
			return nil, err
		}
		l.Read.Attachment, err = job.Attach(filepath.Base(c.File), data)
		return []event.Event{l.Read}, err
	})
	if err != nil {
		return err
	}
	return l.Print(w.Stdout)
}
