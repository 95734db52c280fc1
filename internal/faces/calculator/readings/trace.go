// Package readings is what the commands print that read the files of other instruments and of the product: a trace, a
// log that is joined to a run, an S-parameter file.
package readings

import (
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"provoke/internal/faces/calculator"
	"provoke/internal/files/catalog"
	"provoke/internal/files/problem"
	"provoke/internal/files/trace"
	"provoke/internal/findings/joined"
	"provoke/internal/job/event"
	"provoke/internal/model/chain"
	"provoke/internal/terminal"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// SeveralColumns refuses several columns of levels, such as least and greatest: which of them is meant, only a person
// knows.
func SeveralColumns(file string, t *trace.Trace) error {
	var names []string
	for _, y := range t.Y {
		names = append(names, strconv.Quote(y.Name))
	}
	return fmt.Errorf("%s: it has several columns of levels, %s: say with --y-column which one becomes the current on "+
		"the cable", file, strings.Join(names, ", "))
}

// CableCurrent turns the first column of levels into the current on the cable of a bench, which becomes the last
// column of the trace.
func CableCurrent(file string, t *trace.Trace, b *catalog.Bench, caption string) (event.TraceRead, error) {
	readings, err := t.Readings(0)
	if err != nil {
		return event.TraceRead{}, err
	}
	out := event.TraceRead{Column: t.Y[0].Name, Through: joined.PiecesToAnalyser(b), Caption: caption}
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
			return out, fmt.Errorf("%s: %w", file, err)
		}
		if current.Known() {
			column.Values[i] = math.Round((current.DB()+120)*1000) / 1000
		}
		out.Points = append(out.Points, event.TracePoint{Frequency: r.Frequency, Reading: r.Power, Current: current})
	}
	t.Y = append(t.Y, column)
	return out, nil
}

type traceColumnJSON struct {
	Name   string     `json:"name"`
	Unit   string     `json:"unit"`
	Values []*float64 `json:"values"` // null where the file has no figure
}

// TraceJSON prints the shape that Help documents.
func TraceJSON(w io.Writer, t *trace.Trace, warnings problem.List) error {
	out := struct {
		Points   int               `json:"points"`
		X        traceColumnJSON   `json:"x"`
		Y        []traceColumnJSON `json:"y"`
		Warnings []string          `json:"warnings"`
	}{t.Points(), columnShape(t.X), nil, inLines(warnings)}
	for _, y := range t.Y {
		out.Y = append(out.Y, columnShape(y))
	}
	return compactJSON(w, out)
}

func columnShape(c trace.Column) traceColumnJSON {
	out := traceColumnJSON{c.Name, c.Unit, make([]*float64, len(c.Values))}
	for i, x := range c.Values {
		out.Values[i] = rf.OrNull(x)
	}
	return out
}

// PrintTrace prints what a person wants to know: how much there is, the extremes, some rows.
func PrintTrace(w io.Writer, t *trace.Trace) error {
	fmt.Fprintf(w, "%s: %s\n", t.Name, english.Count(t.Points(), "point", "points"))
	if !t.Began.IsZero() {
		fmt.Fprintf(w, "begins %s\n", t.Began.Format("2006-01-02 15:04:05.999 MST"))
	}
	tab := terminal.ExactTable(w)
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
		fmt.Fprintf(tab, "%s\t%s\t%s\t%s\t\n", event.Printable(c.Name), traceFigure(c.Values[low], c.Unit),
			traceFigure(c.Values[high], c.Unit), at)
	}
	tab.Flush()
	fmt.Fprintln(w)
	shown := calculator.Spread(t.Points(), calculator.Rows)
	if len(shown) < t.Points() {
		fmt.Fprintf(w, "%d of %d points; --json prints all\n", len(shown), t.Points())
	}
	rows := terminal.ExactTable(w)
	for _, i := range shown {
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
