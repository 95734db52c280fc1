package trace

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
	stamped  func(string) bool // a time stamp, or one part of it; nil where none is looked for
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
