// Package tabular reads tables as instruments, spreadsheets and people write them: bytes to text, text to cells,
// separators, decimal signs, signs between thousands, headings, units, comments, and the facts above a table. What can
// be read in two ways is refused in the same words whatever the table is for. Reader.Table finds a table by its
// figures; Named one whose columns have names.
//
// A file is read in this order: bytes to text (marks of byte order, UTF-16, NULs, line ends), text to lines, the shape
// of the table (separator and decimal sign, by trying them), the rows, the header above them, and the facts written
// before them ("Start;150000;Hz").
package tabular

import (
	"fmt"
	"provoke/internal/files/problem"
	"regexp"
	"slices"
)

// Bounds of a file that is read: what it makes of memory lies between them, about 1 GB at most.
const (
	MaximumFile = 32 << 20  // bytes
	longestLine = 64 << 10  // bytes
	mostLines   = 1_000_000 // that are not blank
	mostCells   = 4_000_000 // of a table
)

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

// Table reads the rows and the heading; nil after telling why there are none to go on with.
func (r *Reader) Table(data []byte) *Table {
	r.checkDeclared()
	lines := r.Lines(data)
	if r.Problems.Err() != nil {
		return nil
	}
	if lines = r.block(lines); r.Problems.Err() != nil {
		return nil
	}
	if i := slices.IndexFunc(lines, func(l Line) bool { return touchstone.MatchString(l.Text) }); i >= 0 &&
		r.Want == "" {
		r.Fail(lines[i].Number, 1, "these are scattering parameters", "read them with provoke touchstone")
		return nil
	}
	t := r.findTable(lines)
	if t != nil {
		t = t.tables()
	}
	if t == nil || r.Problems.Err() != nil && r.Want == "" {
		return nil
	}
	t.readFacts()
	if told := len(r.Problems); !t.readHeader() || len(r.Problems) > told || t.Header == nil &&
		r.Problems.Err() != nil {
		return nil
	}
	t.numbers()
	return t
}

// touchstone is the option line of a file of network parameters (Touchstone 1.1).
var touchstone = regexp.MustCompile(`(?i)^\s*#\s*[kmg]?hz\s+[syzgh]\s+(?:ma|db|ri)\b`)

// Reader gathers the problems of one file.
type Reader struct {
	Name     string
	Declared Declared
	Want     string // quantity of the values of a curve; "" where a trace is read
	Problems problem.List
	Stamped  func(string) bool // a time stamp, or one part of it; nil where none is looked for
	fixed    bool              // nothing can be declared of the file
	warnings int
	suffixes map[string]bool // what stood behind figures, and whether it is a unit
}

const (
	mostProblems = 100
	mostWarnings = 100
)

// Fail tells a problem; after a hundred it tells that there are more.
func (r *Reader) Fail(line, column int, what, hint string) {
	switch n := len(r.Problems) - min(r.warnings, mostWarnings); {
	case n > mostProblems:
		return
	case n == mostProblems:
		column, what, hint = 0, "more problems follow; they are not listed", ""
	}
	r.Problems = append(r.Problems, problem.Problem{File: r.Name, Line: line, Column: column, What: what, Hint: hint})
}

// Warn tells a warning; after a hundred it tells that there are more.
func (r *Reader) Warn(line, column int, what, hint string) {
	if r.warnings++; r.warnings > mostWarnings {
		return
	}
	if r.warnings == mostWarnings {
		what, hint = "more is not understood; the rest is not listed", ""
	}
	r.Problems = append(r.Problems, problem.Problem{File: r.Name, Line: line, Column: column, What: what, Hint: hint,
		Warning: true})
}

// Sorted returns the problems and warnings by their places.
func (r *Reader) Sorted() problem.List {
	r.Problems.Sort()
	return r.Problems
}

// called is what the x or the y is called in a message.
func (r *Reader) called(x bool) string {
	switch {
	case x && r.Want == "":
		return "x"
	case x:
		return "the frequency"
	case r.Want == "":
		return "y"
	}
	return "the " + r.Want
}

// mend returns a hint that ends in what can be declared, where something can be.
func (r *Reader) mend(hint, declare string) string {
	if r.fixed {
		return hint
	}
	return hint + declare
}

// checkDeclared refuses declared units that are none.
func (r *Reader) checkDeclared() {
	for what, u := range map[string]*string{r.called(true): &r.Declared.XUnit, r.called(false): &r.Declared.YUnit} {
		if *u == "" {
			continue
		}
		unit, _ := DeclaredUnit(*u)
		if unit == "" {
			r.Fail(0, 0, fmt.Sprintf("the unit %q declared for %s is not known", *u, what),
				"for example Hz, MHz, s, dBm, dBµV or V; \"none\" for a plain number")
			continue
		}
		*u = unit
	}
	r.checkEnds()
	switch d := &r.Declared.Decimal; *d {
	case "", ",", ".":
	case "comma":
		*d = ","
	case "point":
		*d = "."
	default:
		r.Fail(0, 0, fmt.Sprintf("the decimal sign %q is declared", *d), "declare comma or point")
	}
}
