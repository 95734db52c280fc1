// Package trace reads what other instruments and programs leave behind: tables of figures exported by
// analysers, receivers, scopes and meters as text, and logs of a device under test with time
// stamps. It takes bytes and returns numbers with units; what it does not understand it tells with
// line and column, and it never guesses a unit. What a level means on the bench (pads, coax, probe)
// is package chain's business. Curve reads a curve of a bench file from the same tables and is stricter.
package trace

import (
	"fmt"
	"math"
	"strings"
	"time"

	"provoke/internal/files/problem"
	"provoke/internal/files/tabular"
	"provoke/internal/units/rf"
)

// Column is one column of figures.
type Column struct {
	Name string
	// Unit is how the values count, in the usual spelling: "Hz", "MHz", "dBm", "dBµV", "V", "s".
	Unit string
	// Values are in the order of the file; NaN where the file has no number. None is infinite.
	Values []float64
}

// Trace is a table of figures over one of its columns.
type Trace struct {
	Name string // of the file
	X    Column // frequency or time
	Y    []Column
	// Began is the time of the first row where X comes from time stamps; X then counts from it in s.
	// A stamp without a zone counts as UTC.
	Began time.Time
}

// Declared is what the user says about a file because the file does not say it.
type Declared = tabular.Declared

// table is a table of figures of which a trace or a curve is made.
type table struct{ *tabular.Table }

// Parse reads a table of figures. The list holds every problem and warning with line and column,
// counted in characters from 1. The trace is nil when one of them is more than a warning.
//
// Read are: columns separated by semicolon, tab, comma, bar or blanks; decimal point or comma; numbers
// with an exponent and with signs between thousands where they cannot be mistaken; units in the
// heading, in a row under it, behind each number, in a column of their own, among the facts above the
// table, or declared; columns in either order; a table of one column whose x follows from start and
// stop, or from origin and increment; facts in columns beside the table; byte order marks, UTF-16,
// Windows-1252, NULs, and any mixture of line ends.
func Parse(name string, data []byte, d Declared) (*Trace, problem.List) {
	r := &tabular.Reader{Name: name, Declared: d, Stamped: looksStamped}
	var out *Trace
	if t := (table{r.Table(data)}); t.Table != nil {
		t.DecimalSign()
		t.CheckCount()
		out = t.assemble()
	}
	if r.Problems.Err() != nil {
		out = nil
	}
	return out, r.Sorted()
}

// Points returns the number of rows.
func (t *Trace) Points() int { return len(t.X.Values) }

// Reading is one level of a trace at a frequency.
type Reading struct {
	Frequency rf.Frequency
	Power     rf.Power // into 50 Ω
}

// Readings returns a column as powers into 50 Ω over frequency, in the order of the file; rows without
// a number are left out. It fails where x is no frequency or the column is neither a power nor a
// voltage.
func (t *Trace) Readings(column int) ([]Reading, error) {
	if column < 0 || column >= len(t.Y) {
		return nil, fmt.Errorf("%s: it has no column %d", t.Name, column+1)
	}
	scale := tabular.FrequencyScale[t.X.Unit]
	if scale == 0 {
		return nil, fmt.Errorf("%s: its x column %q is in %s, which is no frequency", t.Name, t.X.Name, t.X.Unit)
	}
	y := t.Y[column]
	var out []Reading
	for i, x := range t.X.Values {
		if math.IsNaN(x) || math.IsNaN(y.Values[i]) {
			continue
		}
		p, err := powerOf(y.Values[i], y.Unit)
		if err != nil {
			return nil, fmt.Errorf("%s: column %q: %w", t.Name, y.Name, err)
		}
		out = append(out, Reading{rf.Frequency(x * scale), p})
	}
	return out, nil
}

// powerOf turns a figure into the power into 50 Ω. A voltage is r.m.s. unless its unit says
// peak-to-peak.
func powerOf(x float64, unit string) (rf.Power, error) {
	if p, err := rf.InUnit[rf.Watt](x, unit); err == nil {
		return p, nil
	}
	if v, err := rf.InUnit[rf.Volt](x, unit); err == nil {
		return rf.PowerInto(v, rf.Z0), nil
	}
	return rf.Power{}, fmt.Errorf("%s is the unit of neither a power nor a voltage", strings.TrimSpace(unit))
}
