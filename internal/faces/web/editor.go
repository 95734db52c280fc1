package web

import (
	"regexp"
	"slices"
	"strconv"
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

// A field of the form stands for one top-level key of the file. The file stays the truth: a field
// that was changed replaces the lines of its key and nothing else.

// keyBlock is a top-level key and its lines, counted from 0, the last included.
type keyBlock struct {
	key         string
	first, last int
}

var topKey = regexp.MustCompile(`^([A-Za-z_][A-Za-z0-9_]*):(\s|$)`)

// blocks finds the top-level keys of a file. Blank lines and comments before a key belong to none.
func blocks(lines []string) []keyBlock {
	var out []keyBlock
	for i, l := range lines {
		m := topKey.FindStringSubmatch(l)
		switch {
		case m != nil:
			out = append(out, keyBlock{m[1], i, i})
		case len(out) > 0 && strings.TrimSpace(l) != "" && !strings.HasPrefix(l, "#"):
			out[len(out)-1].last = i
		}
	}
	return out
}

var comment = regexp.MustCompile(`\s+#.*$`)

// fieldOf returns the value of a top-level key as a person edits it, and its lines from 1; ok is
// false when the file does not have the key.
func fieldOf(text, key string) (value string, first, last int, ok bool) {
	lines := strings.Split(text, "\n")
	for _, b := range blocks(lines) {
		if b.key != key {
			continue
		}
		rest := strings.TrimSpace(comment.ReplaceAllString(lines[b.first][len(key)+1:], ""))
		if strings.HasPrefix(rest, "#") {
			rest = ""
		}
		if b.last > b.first {
			rest = strings.TrimSpace(rest + "\n" + outdent(lines[b.first+1:b.last+1]))
		} else if n := len(rest); n > 1 && (rest[0] == '"' || rest[0] == '\'') && rest[n-1] == rest[0] {
			rest = rest[1 : n-1]
		}
		return rest, b.first + 1, b.last + 1, true
	}
	return "", 0, 0, false
}

// outdent takes the common indentation away.
func outdent(lines []string) string {
	least := -1
	for _, l := range lines {
		if strings.TrimSpace(l) == "" {
			continue
		}
		if n := len(l) - len(strings.TrimLeft(l, " ")); least < 0 || n < least {
			least = n
		}
	}
	out := make([]string, len(lines))
	for i, l := range lines {
		out[i] = strings.TrimRight(l[min(len(l), max(least, 0)):], " ")
	}
	return strings.Join(out, "\n")
}

// setField returns the text with a top-level key set to a value, as a person writes it. An empty
// value removes the key; a new key joins the end.
func setField(text, key, value string) string {
	value = strings.TrimSpace(normal(value))
	lines := strings.Split(text, "\n")
	written := written(key, value)
	for _, b := range blocks(lines) {
		if b.key != key {
			continue
		}
		if keep := comment.FindString(lines[b.first]); keep != "" && b.first == b.last && len(written) == 1 {
			written[0] += keep
		}
		return strings.Join(append(append(append([]string(nil), lines[:b.first]...), written...), lines[b.last+1:]...),
			"\n")
	}
	if len(written) == 0 {
		return text
	}
	return strings.TrimRight(text, "\n") + "\n" + strings.Join(written, "\n") + "\n"
}

// written are the lines of a key.
func written(key, value string) []string {
	if value == "" {
		return nil
	}
	if strings.Contains(value, "\n") || strings.HasPrefix(value, "- ") {
		out := []string{key + ":"}
		for _, l := range strings.Split(value, "\n") {
			out = append(out, strings.TrimRight("  "+l, " "))
		}
		return out
	}
	if needsQuotes.MatchString(value) {
		value = strconv.Quote(value)
	}
	return []string{key + ": " + value}
}

// needsQuotes matches scalars that YAML would take for something else. Flow mappings and lists, which
// begin with a bracket, are meant as such.
var needsQuotes = regexp.MustCompile("^[%@&*!|>,?'\"`#-]\\s*\\D|^[%@&*!|>,?'\"`#]|^[^{\\[].*: |^[^{\\[].* #")

func contains(list []string, x string) bool { return slices.Contains(list, x) }
