package web

import (
	"fmt"
	"net/http"
	"regexp"
	"strconv"
	"strings"

	"provoke/internal/files/document"
	"provoke/internal/files/problem"
	"provoke/internal/model/level"
)

// The segments of a plan's grid are rows of a form: from, to and step, or a list of frequencies, or what the file has
// in that place otherwise. As with every field the file stays the truth: a row that was changed replaces the lines of
// its segment, comments and other segments stay.

const gridKey = "grid"

// gridRow is one segment of the grid.
type gridRow struct {
	N int
	// Kind is "ends", "list" or "text": a segment that the form does not take apart.
	Kind                 string
	From, To, Step, Text string
	Problems             []problem.Problem

	first, last int  // lines of the segment in the file, from 1
	block       bool // a key a line
}

// Blank reports that nothing is in a row.
func (g gridRow) Blank() bool { return g.From+g.To+g.Step+g.Text == "" }

// Number counts from 1, for people.
func (g gridRow) Number() int { return g.N + 1 }

// rowPath is where the file has a segment.
func rowPath(n int) string { return fmt.Sprintf("%s[%d]", gridKey, n) }

// rowsOf takes the grid of a file apart; ok is false where it is not written one segment after the other.
func rowsOf(at document.Layout) (rows []gridRow, ok bool) {
	for n := range at.Size(gridKey) {
		rows = append(rows, rowOfGrid(at, n))
	}
	w, has := at.Find(gridKey)
	return rows, len(rows) > 0 || !has || w.Text == "" || w.Text == "[]"
}

// rowOfGrid reads one segment.
func rowOfGrid(at document.Layout, n int) gridRow {
	w, _ := at.Find(rowPath(n))
	g := gridRow{N: n, Kind: "text", Text: w.Text, first: w.First, last: w.Last, block: !strings.HasPrefix(w.Text, "{")}
	keys, ends := at.Keys(rowPath(n)), gridRow{}
	for _, key := range keys {
		value, _ := at.Find(rowPath(n) + "." + key)
		cell := map[string]*string{"from": &ends.From, "to": &ends.To, "step": &ends.Step, "steps_of": &ends.Step}[key]
		if list, ok := document.Listed(value.Text); ok && key == "list" && len(keys) == 1 {
			g.Kind, g.Text = "list", strings.Join(list, "; ")
			return g
		}
		if cell == nil || *cell != "" || strings.Contains(value.Text, "\n") { // the check says what is wrong
			return g
		}
		*cell = value.Text
	}
	if len(keys) > 0 {
		g.Kind, g.Text, g.From, g.To, g.Step = "ends", "", ends.From, ends.To, ends.Step
	}
	return g
}

// stepKey is the key of a step: a rule of a standard has its own.
func stepKey(step string) string {
	if _, err := level.LookupSteps(step); err == nil {
		return "steps_of"
	}
	return "step"
}

var listEnds = regexp.MustCompile(`;|,\s+|\n`)

// ends are the keys of a row with what they hold.
func (g gridRow) ends() [][2]string {
	out := [][2]string{{"from", g.From}, {"to", g.To}, {"step", g.Step}, {"steps_of", ""}}
	if stepKey(g.Step) == "steps_of" {
		out[2][1], out[3][1] = "", g.Step
	}
	return out
}

// written is a row in one line, or as it was typed.
func (g gridRow) written() string {
	var parts []string
	switch g.Kind {
	case "ends":
		for _, p := range g.ends() {
			if p[1] != "" {
				parts = append(parts, p[0]+": "+document.Inline(p[1]))
			}
		}
		return "{" + strings.Join(parts, ", ") + "}"
	case "list":
		for _, item := range listEnds.Split(g.Text, -1) {
			if item = strings.TrimSpace(item); item != "" {
				parts = append(parts, document.Inline(item))
			}
		}
		return "{list: [" + strings.Join(parts, ", ") + "]}"
	}
	return g.Text
}

// withRow returns the text with a row in place of its segment; a blank one takes it out, a new one joins the grid.
func withRow(text string, g gridRow) (string, error) {
	switch {
	case g.Blank() && g.first == 0:
		return text, nil
	case g.first == 0:
		return document.Add(text, gridKey, []string{g.written()}, true)
	case g.Blank():
		return document.Remove(text, rowPath(g.N))
	case g.Kind != "ends" || !g.block:
		return document.Set(text, rowPath(g.N), g.written(), false)
	}
	var err error
	ends := g.ends()
	for i, p := range append(ends, ends...) { // first what is there, then what is taken out: a segment never lacks keys
		path := rowPath(g.N) + "." + p[0]
		if w, _ := document.Find(text, path); w.Text != p[1] && (p[1] == "") == (i >= len(ends)) && err == nil {
			text, err = document.Set(text, path, p[1], false)
		}
	}
	return text, err
}

// mostSegments is how many segments a form may have: more belong into the text.
const mostSegments = 200

// editedRows works the rows of a form that were changed into the text.
func editedRows(r *http.Request, text string) (string, error) {
	rows, ok := rowsOf(document.LayoutOf(text))
	if !ok {
		return text, nil
	}
	drop := r.PostFormValue("drop")
	for n := min(len(rows)+8, mostSegments); n >= 0; n-- { // from the last, so that the lines of the others stay
		g := gridRow{N: n, Kind: "ends"}
		if n < len(rows) {
			g = rows[n]
		} else if r.PostForm.Has(fmt.Sprintf("g.%d.list", n)) {
			g.Kind = "list"
		}
		changed := false
		for key, cell := range map[string]*string{"from": &g.From, "to": &g.To, "step": &g.Step, g.Kind: &g.Text} {
			now, was := r.PostForm[fmt.Sprintf("g.%d.%s", n, key)], r.PostForm[fmt.Sprintf("og.%d.%s", n, key)]
			if len(now) != 1 || len(was) != 1 {
				continue
			}
			if value := strings.TrimSpace(normal(now[0])); value != strings.TrimSpace(normal(was[0])) {
				*cell, changed = value, true
			}
		}
		if n < len(rows) && drop == strconv.Itoa(n) {
			g.From, g.To, g.Step, g.Text, changed = "", "", "", "", true
		}
		if changed {
			var err error
			if text, err = withRow(text, g); err != nil {
				return "", err
			}
		}
	}
	return text, nil
}

// shownRows are the rows of a form, with blank ones of some kinds at the end; the problems of each stand beside it and
// are taken out of those of the grid as a whole.
func shownRows(at document.Layout, of []problem.Problem, blank []string) (rows []gridRow,
	left []problem.Problem, ok bool) {
	rows, ok = rowsOf(at)
	if !ok || len(rows) > mostSegments {
		return nil, of, false
	}
	for _, p := range of {
		mine := false
		for i := range rows {
			if p.Line >= rows[i].first && p.Line <= rows[i].last {
				rows[i].Problems, mine = append(rows[i].Problems, p), true
			}
		}
		if !mine {
			left = append(left, p)
		}
	}
	for _, kind := range blank {
		rows = append(rows, gridRow{N: len(rows), Kind: kind})
	}
	return rows, left, true
}
