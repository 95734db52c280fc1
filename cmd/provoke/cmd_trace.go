package main

import (
	"errors"
	"fmt"
	"path/filepath"

	"provoke/internal/faces/calculator/readings"
	"provoke/internal/files/trace"
	"provoke/internal/findings/joined"
	"provoke/internal/job/event"
	"provoke/internal/job/store"
	"provoke/internal/run/session"
	"provoke/internal/terminal"
)

// traceCommand reads what another instrument exported.
type traceCommand struct {
	File    string   `arg:"" help:"Exported trace: text or CSV of an analyser, receiver, scope or meter."`
	X       string   `placeholder:"UNIT" aliases:"x-unit" help:"Unit of x where the file does not say it, e.g. MHz or s."`
	Y       string   `placeholder:"UNIT" aliases:"y-unit" help:"Unit of the levels where the file does not say it, e.g. dBm."`
	XColumn string   `placeholder:"NAME" help:"Column of x, by its heading or its number from 1."`
	YColumn []string `placeholder:"NAME" help:"Column to read, by its heading or its number from 1; may be repeated. All that have a unit otherwise."`
	Decimal string   `enum:",comma,point" default:"" placeholder:"comma|point" help:"Decimal sign, where the file can be read in two ways: comma or point."`
	Table   int      `placeholder:"N" help:"Which table of the file to read, from 1, where it has several."`
	Points  int      `placeholder:"N" help:"How many rows there are, where the file says another number."`
	Start   string   `placeholder:"FREQUENCY" help:"First frequency (or time) of figures that have none beside them, e.g. \"150 kHz\"; with --stop."`
	Stop    string   `placeholder:"FREQUENCY" help:"Last frequency (or time) of figures that have none beside them."`
	Bench   string   `placeholder:"BENCH.yaml" type:"path" help:"Turn levels into cable current through this bench's probe, pads and coax."`
	Job     string   `placeholder:"JOB.provoke" type:"path" help:"Join the cable current to a run of this job; needs --bench."`
	Number  int      `name:"run" placeholder:"N" help:"The run to join; the newest without it."`
	Caption string   `placeholder:"TEXT" help:"What the trace shows, e.g. \"max hold over the sweep\"."`
	JSON    bool     `name:"json" help:"Print the documented JSON shape."`
}

// Help is the long help.
func (traceCommand) Help() string {
	return `Reads separators of every usual kind, decimal point or comma, headings of many shapes, facts above or beside the table, units in
headings, behind figures or declared, byte order marks, UTF-16, NULs and mixed line ends. Every row is read, or the file is refused
with line and column and exit code 3; so is one whose units are not known, that says another number of points than it has, or that
can be read in two ways. --x none or --y none declares a plain number.

With --bench a level at the analyser becomes the current on the cable (of several columns, the one that --y-column names); with --job
the trace joins a run: the file is kept in the job and the current is journalled, also after the run was closed.

--json prints {"points","x":{"name","unit","values":[...]},"y":[{"name","unit","values":[...]}],"warnings":["file:line:column: ..."]}.
points is the number of rows; values count in the unit beside them, null where the file has no figure. With --bench the last y is the
cable current in dBµA.`
}

// Run reads, converts, joins and prints.
func (c *traceCommand) Run(w *terminal.World) error {
	data, err := terminal.ReadTable(c.File)
	if err != nil {
		return fmt.Errorf("read the trace: %w", err)
	}
	declared := trace.Declared{XUnit: c.X, YUnit: c.Y, XColumn: c.XColumn, YColumns: c.YColumn,
		Decimal: c.Decimal, Table: c.Table, Points: c.Points, Start: c.Start, Stop: c.Stop}
	t, list := trace.Parse(c.File, data, declared)
	if err := list.Err(); err != nil {
		return err
	}
	if c.Job != "" && c.Bench == "" {
		return terminal.WithCode(terminal.ExitUsage, errors.New("--job needs --bench: a level becomes a current "+
			"through the bench's probe, pads and coax"))
	}
	warnings := list.Warnings()
	if c.Bench != "" {
		read, err := c.current(w, t)
		if err != nil {
			return err
		}
		warnings = append(warnings, joined.BoundsOf(c.File, read)...)
		if c.Job != "" {
			if err := c.join(w, read, data); err != nil {
				return err
			}
		}
	}
	if c.JSON {
		return readings.TraceJSON(w.Stdout, t, warnings)
	}
	for _, p := range warnings {
		fmt.Fprintln(w.Stderr, p)
	}
	return readings.PrintTrace(w.Stdout, t)
}

// current turns the levels into cable current, which becomes the last column of the trace.
func (c *traceCommand) current(w *terminal.World, t *trace.Trace) (event.TraceRead, error) {
	b, list, err := session.LoadBench(c.Bench)
	if err != nil {
		return event.TraceRead{}, err
	}
	for _, p := range list.Warnings() {
		fmt.Fprintln(w.Stderr, p)
	}
	if len(t.Y) > 1 && len(c.YColumn) != 1 {
		return event.TraceRead{}, terminal.WithCode(terminal.ExitUsage, readings.SeveralColumns(c.File, t))
	}
	return readings.CableCurrent(c.File, t, b, c.Caption)
}

func (c *traceCommand) join(w *terminal.World, read event.TraceRead, data []byte) error {
	quiet := *w
	if c.JSON {
		quiet.Stdout = w.Stderr
	}
	return annotate(&quiet, c.Job, c.Number, func(job *store.Job) ([]event.Event, error) {
		a, err := job.Attach(filepath.Base(c.File), data)
		if err != nil {
			return nil, err
		}
		read.Attachment = a
		return []event.Event{read}, nil
	})
}
