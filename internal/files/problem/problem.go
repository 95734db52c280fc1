// Package problem is how a fault in a user's file is told: as a value with its place, what is
// wrong and what to do. Whoever reads a file gathers all its problems and returns them together;
// nothing is applied from a file that has one. It imports nothing of this program.
package problem

import (
	"errors"
	"fmt"
	"slices"
	"sort"
	"strings"
)

// Problem is one fault in a file. Line and Column count from 1; 0 means that the fault belongs to
// the file as a whole.
type Problem struct {
	File   string `json:"file"`
	Line   int    `json:"line,omitempty"`
	Column int    `json:"column,omitempty"`
	What   string `json:"what"`
	Hint   string `json:"hint,omitempty"`
	// Field is the top-level key of the file that the problem is about, where whoever tells it knows
	// that: a form shows it beside that field, also where the file does not have the key.
	Field string `json:"-"`
	// Warning marks what the user should know but what does not stop the work.
	Warning bool `json:"warning,omitempty"`
	// Aside marks a warning of data that no rating and no watching rests on: a command that is not about the file may
	// fold several into one line.
	Aside bool `json:"-"`
}

// String prints "file:line:column: what (hint)".
func (p Problem) String() string {
	var b strings.Builder
	b.WriteString(p.File)
	if p.Line > 0 {
		fmt.Fprintf(&b, ":%d", p.Line)
		if p.Column > 0 {
			fmt.Fprintf(&b, ":%d", p.Column)
		}
	}
	b.WriteString(": ")
	if p.Warning {
		b.WriteString("warning: ")
	}
	b.WriteString(p.What)
	if p.Hint != "" {
		b.WriteString("\n\thint: " + p.Hint)
	}
	return b.String()
}

// List is all problems of one reading. It is an error only through Err.
type List []Problem

// Err returns the list as an error, or nil when it holds warnings at most.
func (l List) Err() error {
	for _, p := range l {
		if !p.Warning {
			return listError{l}
		}
	}
	return nil
}

// Warnings returns only the warnings.
func (l List) Warnings() List {
	var out List
	for _, p := range l {
		if p.Warning {
			out = append(out, p)
		}
	}
	return out
}

// Folded puts several warnings of the bench file that no rating and no watching rests on into one line.
func (l List) Folded() List {
	first, n := 0, 0
	for i, p := range l {
		if p.Aside {
			first, n = i, n+1
		}
	}
	if n < 2 {
		return l
	}
	one := Problem{File: l[first].File, Warning: true,
		What: fmt.Sprintf("%d warnings that no rating and no watching rests on", n),
		Hint: "provoke bench " + l[first].File + " shows them"}
	return append(slices.DeleteFunc(slices.Clone(l), func(p Problem) bool { return p.Aside }), one)
}

// Sort orders the list by file and place.
func (l List) Sort() {
	sort.SliceStable(l, func(i, j int) bool {
		a, b := l[i], l[j]
		if a.File != b.File {
			return a.File < b.File
		}
		if a.Line != b.Line {
			return a.Line < b.Line
		}
		return a.Column < b.Column
	})
}

type listError struct{ List }

func (e listError) Error() string {
	lines := make([]string, len(e.List))
	for i, p := range e.List {
		if i+1 < len(e.List) && e.List[i+1].Hint == p.Hint {
			p.Hint = "" // it stands below the last that it is about
		}
		lines[i] = p.String()
	}
	return strings.Join(lines, "\n")
}

// ListOf returns the problems inside an error made by Err.
func ListOf(err error) (List, bool) {
	var e listError
	if errors.As(err, &e) {
		return e.List, true
	}
	return nil, false
}
