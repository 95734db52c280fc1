package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"strconv"
	"strings"

	"provoke/internal/files/catalog"
	"provoke/internal/files/problem"
	"provoke/internal/files/trace"
	"provoke/internal/job/event"
	"provoke/internal/job/store"
	"provoke/internal/model/chain"
	"provoke/internal/terminal"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
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
		return terminal.WithCode(terminal.ExitUsage, errors.New("--job needs --bench: a level becomes a current through the bench's probe, pads and coax"))
	}
	warnings := list.Warnings()
	if c.Bench != "" {
		read, err := c.current(w, t)
		if err != nil {
			return err
		}
		warnings = append(warnings, boundsOf(c.File, read)...)
		if c.Job != "" {
			if err := c.join(w, read, data); err != nil {
				return err
			}
		}
	}
	if c.JSON {
		return printTraceJSON(w, t, warnings)
	}
	for _, p := range warnings {
		fmt.Fprintln(w.Stderr, p)
	}
	return printTrace(w, t)
}

// current turns the levels into cable current, which becomes the last column of the trace. Several columns of
// levels, such as least and greatest, are refused: which of them is meant, only a person knows.
func (c *traceCommand) current(w *terminal.World, t *trace.Trace) (event.TraceRead, error) {
	b, list, err := loadBench(c.Bench)
	if err != nil {
		return event.TraceRead{}, err
	}
	for _, p := range list.Warnings() {
		fmt.Fprintln(w.Stderr, p)
	}
	if len(t.Y) > 1 && len(c.YColumn) != 1 {
		var names []string
		for _, y := range t.Y {
			names = append(names, strconv.Quote(y.Name))
		}
		return event.TraceRead{}, terminal.WithCode(terminal.ExitUsage, fmt.Errorf("%s: it has several columns of levels, %s: say with --y-column which one becomes the current on the cable", c.File, strings.Join(names, ", ")))
	}
	readings, err := t.Readings(0)
	if err != nil {
		return event.TraceRead{}, err
	}
	out := event.TraceRead{Column: t.Y[0].Name, Through: piecesToAnalyser(b), Caption: c.Caption}
	ch := chain.New(b)
	column := trace.Column{Name: "cable current", Unit: "dBµA", Values: make([]float64, t.Points())}
	next := 0
	for i := range column.Values {
		column.Values[i] = math.NaN()
		if math.IsNaN(t.X.Values[i]) || math.IsNaN(t.Y[0].Values[i]) {
			continue
		}
		r := readings[next]
		next++
		current, err := ch.CableCurrent(r.Frequency, r.Power)
		if err != nil {
			return out, fmt.Errorf("%s: %w", c.File, err)
		}
		if current.Known() {
			column.Values[i] = math.Round((current.DB()+120)*1000) / 1000
		}
		out.Points = append(out.Points, event.TracePoint{Frequency: r.Frequency, Reading: r.Power, Current: current})
	}
	t.Y = append(t.Y, column)
	return out, nil
}

// piecesToAnalyser lists the pieces through which the current is read.
func piecesToAnalyser(b *catalog.Bench) []string {
	var out []string
	if b.Probe != nil {
		out = append(out, b.Probe.ID)
	}
	for _, p := range b.ToAnalyser {
		out = append(out, p.ID)
	}
	if b.Analyser != nil {
		out = append(out, b.Analyser.ID)
	}
	return out
}

// boundsOf warns of points that are only bounds.
func boundsOf(file string, read event.TraceRead) problem.List {
	low, high := 0, 0
	for _, p := range read.Points {
		switch p.Current.Bound() {
		case rf.AtMost:
			low++
		case rf.AtLeast:
			high++
		}
	}
	var out problem.List
	add := func(n int, what string) {
		if n > 0 {
			out = append(out, problem.Problem{File: file, Warning: true, What: fmt.Sprintf("%d of %d currents are %s", n, len(read.Points), what)})
		}
	}
	add(low, "at most what is shown: the reading is within 10 dB of the analyser's floor")
	add(high, "at least what is shown: the analyser was overloaded")
	return out
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

// traceValues prints as a JSON list in which an absent figure is null.
type traceValues []float64

// MarshalJSON writes the shortest form of each figure.
func (f traceValues) MarshalJSON() ([]byte, error) {
	b := []byte{'['}
	for i, x := range f {
		if i > 0 {
			b = append(b, ',')
		}
		if math.IsNaN(x) || math.IsInf(x, 0) {
			b = append(b, "null"...)
			continue
		}
		text, err := json.Marshal(x)
		if err != nil {
			return nil, err
		}
		b = append(b, text...)
	}
	return append(b, ']'), nil
}

type traceColumnJSON struct {
	Name   string      `json:"name"`
	Unit   string      `json:"unit"`
	Values traceValues `json:"values"`
}

// printTraceJSON prints the shape that Help documents.
func printTraceJSON(w *terminal.World, t *trace.Trace, warnings problem.List) error {
	out := struct {
		Points   int               `json:"points"`
		X        traceColumnJSON   `json:"x"`
		Y        []traceColumnJSON `json:"y"`
		Warnings []string          `json:"warnings"`
	}{t.Points(), traceColumnJSON{t.X.Name, t.X.Unit, t.X.Values}, nil, []string{}}
	for _, y := range t.Y {
		out.Y = append(out.Y, traceColumnJSON{y.Name, y.Unit, y.Values})
	}
	for _, p := range warnings {
		out.Warnings = append(out.Warnings, strings.ReplaceAll(p.String(), "\n\thint: ", "; "))
	}
	enc := json.NewEncoder(w.Stdout)
	enc.SetEscapeHTML(false)
	return enc.Encode(out)
}

// shownRows is how many rows of a long trace are printed.
const shownRows = 11

// printTrace prints what a person wants to know: how much there is, the extremes, some rows.
func printTrace(w *terminal.World, t *trace.Trace) error {
	fmt.Fprintf(w.Stdout, "%s: %s\n", t.Name, english.Count(t.Points(), "point", "points"))
	if !t.Began.IsZero() {
		fmt.Fprintf(w.Stdout, "begins %s\n", t.Began.Format("2006-01-02 15:04:05.999 MST"))
	}
	tab := terminal.ExactTable(w.Stdout)
	fmt.Fprint(tab, "column\tfrom\tto\tat\t\n")
	for i, c := range append([]trace.Column{t.X}, t.Y...) {
		low, high := extremes(c.Values)
		if low < 0 {
			fmt.Fprintf(tab, "%s\tno figure\t\t\t\n", event.Printable(c.Name))
			continue
		}
		at := ""
		if i > 0 {
			at = "highest at " + traceFigure(t.X.Values[high], t.X.Unit)
		}
		fmt.Fprintf(tab, "%s\t%s\t%s\t%s\t\n", event.Printable(c.Name), traceFigure(c.Values[low], c.Unit), traceFigure(c.Values[high], c.Unit), at)
	}
	tab.Flush()
	shown := min(t.Points(), shownRows)
	fmt.Fprintln(w.Stdout)
	if shown < t.Points() {
		fmt.Fprintf(w.Stdout, "%d of %d points; --json prints all\n", shown, t.Points())
	}
	rows := terminal.ExactTable(w.Stdout)
	for k := range shown {
		i := k
		if shown > 1 {
			i = k * (t.Points() - 1) / (shown - 1)
		}
		fmt.Fprint(rows, traceFigure(t.X.Values[i], t.X.Unit))
		for _, y := range t.Y {
			fmt.Fprint(rows, "\t"+traceFigure(y.Values[i], y.Unit))
		}
		fmt.Fprintln(rows)
	}
	return rows.Flush()
}

func traceFigure(x float64, unit string) string {
	if math.IsNaN(x) {
		return "–"
	}
	return strconv.FormatFloat(x, 'g', 8, 64) + " " + unit
}

// extremes returns where the lowest and the highest figure are, or -1 where there is none.
func extremes(v []float64) (low, high int) {
	low, high = -1, -1
	for i, x := range v {
		if math.IsNaN(x) {
			continue
		}
		if low < 0 || x < v[low] {
			low = i
		}
		if high < 0 || x > v[high] {
			high = i
		}
	}
	return low, high
}
