// Package trace reads what other instruments and programs leave behind: tables of figures exported by
// analysers, receivers, scopes and meters as text, and logs of a device under test with time
// stamps. It takes bytes and returns numbers with units; what it does not understand it tells with
// line and column, and it never guesses a unit. What a level means on the bench (pads, coax, probe)
// is package chain's business. Curve reads a curve of a bench file from the same tables and is stricter.
//
// A file is read in this order: bytes to text (marks of byte order, UTF-16, NULs, line ends), text to
// lines, the shape of the table (separator and decimal sign, by trying them), the rows, the header
// above them, the facts written before them ("Start;150000;Hz"), and at last which column is the x.
package trace

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strings"
	"time"

	"provoke/internal/files/problem"
	"provoke/internal/units/rf"
)

// Bounds of a file that is read: what it makes of memory lies between them, about 1 GB at most.
const (
	MaximumFile = 32 << 20  // bytes
	longestLine = 64 << 10  // bytes
	mostLines   = 1_000_000 // that are not blank
	mostCells   = 4_000_000 // of a table
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

// Declared is what the user says about a file because the file does not say it. Every field may be
// empty. What the file says itself must not contradict it.
type Declared struct {
	XUnit, YUnit string
	// XColumn names the column of x by its heading or its number from 1; YColumns those to be read.
	XColumn  string
	YColumns []string
	Decimal  string // "," or ".", or "comma" or "point"
	// Table is which table of the file is read, from 1; 0 where it has only one.
	Table int
	// Points is how many rows are there, where the file itself says another number.
	Points int
	// Start and Stop are the first and the last x of figures that have none of their own.
	Start, Stop string
}

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
	r := &reader{name: name, declared: d}
	var out *Trace
	if t := r.table(data); t != nil {
		t.decimalSign()
		t.checkCount()
		out = t.assemble()
	}
	if r.problems.Err() != nil {
		out = nil
	}
	return out, r.sorted()
}

// table reads the rows and the heading; nil after telling why there are none to go on with.
func (r *reader) table(data []byte) *table {
	r.checkDeclared()
	lines := r.lines(data)
	if r.problems.Err() != nil {
		return nil
	}
	if lines = r.block(lines); r.problems.Err() != nil {
		return nil
	}
	if i := slices.IndexFunc(lines, func(l textLine) bool { return touchstone.MatchString(l.text) }); i >= 0 && r.want == "" {
		r.fail(lines[i].number, 1, "these are scattering parameters", "read them with provoke touchstone")
		return nil
	}
	t := r.findTable(lines)
	if t != nil {
		t = t.tables()
	}
	if t == nil || r.problems.Err() != nil && r.want == "" {
		return nil
	}
	t.readFacts()
	if told := len(r.problems); !t.readHeader() || len(r.problems) > told || t.header == nil && r.problems.Err() != nil {
		return nil
	}
	t.numbers()
	return t
}

// touchstone is the option line of a file of network parameters (Touchstone 1.1).
var touchstone = regexp.MustCompile(`(?i)^\s*#\s*[kmg]?hz\s+[syzgh]\s+(?:ma|db|ri)\b`)

// reader gathers the problems of one file.
type reader struct {
	name     string
	declared Declared
	want     string // quantity of the values of a curve; "" where a trace is read
	problems problem.List
	warnings int
	suffixes map[string]bool // what stood behind figures, and whether it is a unit
}

const (
	mostProblems = 100
	mostWarnings = 100
)

func (r *reader) fail(line, column int, what, hint string) {
	switch n := len(r.problems) - min(r.warnings, mostWarnings); {
	case n > mostProblems:
		return
	case n == mostProblems:
		column, what, hint = 0, "more problems follow; they are not listed", ""
	}
	r.problems = append(r.problems, problem.Problem{File: r.name, Line: line, Column: column, What: what, Hint: hint})
}

func (r *reader) warn(line, column int, what, hint string) {
	if r.warnings++; r.warnings > mostWarnings {
		return
	}
	if r.warnings == mostWarnings {
		what, hint = "more is not understood; the rest is not listed", ""
	}
	r.problems = append(r.problems, problem.Problem{File: r.name, Line: line, Column: column, What: what, Hint: hint, Warning: true})
}

func (r *reader) sorted() problem.List {
	r.problems.Sort()
	return r.problems
}

// called is what the x or the y is called in a message.
func (r *reader) called(x bool) string {
	switch {
	case x && r.want == "":
		return "x"
	case x:
		return "the frequency"
	case r.want == "":
		return "y"
	}
	return "the " + r.want
}

// checkDeclared refuses declared units that are none.
func (r *reader) checkDeclared() {
	for what, u := range map[string]*string{r.called(true): &r.declared.XUnit, r.called(false): &r.declared.YUnit} {
		if *u == "" {
			continue
		}
		unit, _ := declaredUnit(*u)
		if unit == "" {
			r.fail(0, 0, fmt.Sprintf("the unit %q declared for %s is not known", *u, what), "for example Hz, MHz, s, dBm, dBµV or V; \"none\" for a plain number")
			continue
		}
		*u = unit
	}
	r.checkEnds()
	switch d := &r.declared.Decimal; *d {
	case "", ",", ".":
	case "comma":
		*d = ","
	case "point":
		*d = "."
	default:
		r.fail(0, 0, fmt.Sprintf("the decimal sign %q is declared", *d), "declare comma or point")
	}
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
	scale := frequencyScale[t.X.Unit]
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
