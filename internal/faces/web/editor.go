package web

import (
	"strings"

	"provoke/internal/files/problem"
	"provoke/internal/units/english"
)

// editor is a bench or plan file that is edited in place: the text, and beside each line what is
// wrong there.
type editor struct {
	File, Text, Stamp string
	Saved             bool // the text is what is on the disk
	Lines             []editorLine
	// General are the problems that belong to no line.
	General  []problem.Problem
	Problems problem.List // every one, in the order of the lines
	Faults   int
	Warnings int
}

// editorLine is one line of the text with its problems.
type editorLine struct {
	Number   int
	Problems []problem.Problem
}

// newEditor puts problems beside the lines of a text. Problems of other files (a curve that the
// bench names) are general.
func newEditor(file, text, stamp string, saved bool, list problem.List) editor {
	e := editor{File: file, Text: text, Stamp: stamp, Saved: saved}
	list = append(problem.List(nil), list...)
	for i := range list {
		list[i].File = baseOf(list[i].File)
	}
	list.Sort()
	e.Problems = list
	count := strings.Count(text, "\n") + 1
	for n := 1; n <= count; n++ {
		e.Lines = append(e.Lines, editorLine{Number: n})
	}
	for _, p := range list {
		if p.Warning {
			e.Warnings++
		} else {
			e.Faults++
		}
		if p.Line > 0 && p.Line <= count && (p.File == "" || p.File == file) {
			l := &e.Lines[p.Line-1]
			l.Problems = append(l.Problems, p)
		} else {
			e.General = append(e.General, p)
		}
	}
	return e
}

func baseOf(file string) string { return file[strings.LastIndexAny(file, `/\`)+1:] }

// Rows is the height of the text in lines, with one to spare.
func (e editor) Rows() int { return len(e.Lines) + 1 }

// Summary says how many problems there are, in words.
func (e editor) Summary() string {
	switch {
	case e.Faults == 0 && e.Warnings == 0:
		return "no problem"
	case e.Faults == 0:
		return english.Count(e.Warnings, "warning", "warnings")
	case e.Warnings == 0:
		return english.Count(e.Faults, "problem", "problems")
	}
	return english.Count(e.Faults, "problem", "problems") + ", " + english.Count(e.Warnings, "warning", "warnings")
}

// normal brings the line ends of a form to those of a file.
func normal(text string) string {
	return strings.ReplaceAll(strings.ReplaceAll(text, "\r\n", "\n"), "\r", "\n")
}
