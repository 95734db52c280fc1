package web

import (
	"fmt"
	"net/http"
	"regexp"
	"strconv"
	"strings"

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

	first, last int // lines of the segment in the file, from 0
	block       bool
	indent      string
}

// Blank reports that nothing is in a row.
func (g gridRow) Blank() bool { return g.From+g.To+g.Step+g.Text == "" }

// Number counts from 1, for people.
func (g gridRow) Number() int { return g.N + 1 }

var segmentLine = regexp.MustCompile(`^(\s*)- +(\S.*)$`)

// rowsOf takes the grid of a file apart; ok is false where it is not written one segment after the other.
func rowsOf(text string) (rows []gridRow, ok bool) {
	_, first, last, has := fieldOf(text, gridKey)
	if !has {
		return nil, true
	}
	lines := strings.Split(text, "\n")
	rest := strings.TrimSpace(comment.ReplaceAllString(lines[first-1][len(gridKey)+1:], ""))
	if rest != "" && !strings.HasPrefix(rest, "#") {
		return nil, false
	}
	for i := first; i < last; i++ {
		m := segmentLine.FindStringSubmatch(lines[i])
		switch {
		case m != nil && (len(rows) == 0 || m[1] == rows[0].indent):
			rows = append(rows, gridRow{N: len(rows), first: i, last: i, indent: m[1]})
		case strings.TrimSpace(lines[i]) == "" || strings.HasPrefix(strings.TrimSpace(lines[i]), "#"):
		case len(rows) == 0:
			return nil, false
		default:
			rows[len(rows)-1].last = i
		}
	}
	for i := range rows {
		rows[i].read(lines)
	}
	return rows, len(rows) > 0 || last == first
}

// body is the text of a segment without the dash, and the comment behind a segment of one line.
func (g gridRow) body(lines []string) (body, remark string) {
	own := append([]string(nil), lines[g.first:g.last+1]...)
	own[0] = strings.Replace(own[0], "-", " ", 1)
	if g.first == g.last {
		remark = comment.FindString(own[0])
		own[0] = strings.TrimSuffix(own[0], remark)
	}
	return outdent(own), remark
}

// read fills in a row from its lines.
func (g *gridRow) read(lines []string) {
	body, _ := g.body(lines)
	g.Kind, g.Text = "text", body
	pairs, ok := flowPairs(body)
	if !ok {
		for _, b := range blocks(strings.Split(body, "\n")) {
			value, _, _, _ := fieldOf(body, b.key)
			pairs = append(pairs, [2]string{b.key, value})
		}
		g.block = true
	}
	var ends gridRow
	for _, p := range pairs {
		switch p[0] {
		case "from":
			ends.From = p[1]
		case "to":
			ends.To = p[1]
		case "step", "steps_of":
			if ends.Step != "" {
				return // both: the check says so
			}
			ends.Step = p[1]
		case "list":
			if list, ok := flowList(p[1]); ok && len(pairs) == 1 {
				g.Kind, g.Text = "list", strings.Join(list, "; ")
			}
			return
		default:
			return
		}
	}
	if len(pairs) > 0 {
		g.Kind, g.Text, g.From, g.To, g.Step = "ends", "", ends.From, ends.To, ends.Step
	}
}

// flowPairs reads "{a: b, c: d}".
func flowPairs(text string) ([][2]string, bool) {
	inner, ok := enclosed(text, "{", "}")
	if !ok {
		return nil, false
	}
	var out [][2]string
	for _, item := range splitFlow(inner) {
		key, value, ok := strings.Cut(item, ":")
		if !ok {
			return nil, false
		}
		out = append(out, [2]string{strings.TrimSpace(key), unquoted(strings.TrimSpace(value))})
	}
	return out, true
}

// flowList reads "[a, b]".
func flowList(text string) ([]string, bool) {
	inner, ok := enclosed(text, "[", "]")
	var out []string
	for _, item := range splitFlow(inner) {
		out = append(out, unquoted(item))
	}
	return out, ok
}

func enclosed(text, open, shut string) (string, bool) {
	text = strings.TrimSpace(text)
	if strings.Contains(text, "\n") || !strings.HasPrefix(text, open) || !strings.HasSuffix(text, shut) {
		return "", false
	}
	return text[1 : len(text)-1], true
}

// splitFlow splits at commas outside quotes and brackets.
func splitFlow(text string) []string {
	var out []string
	depth, from, quote := 0, 0, rune(0)
	add := func(item string) {
		if item = strings.TrimSpace(item); item != "" {
			out = append(out, item)
		}
	}
	for i, c := range text {
		switch {
		case quote != 0:
			if c == quote {
				quote = 0
			}
		case c == '"' || c == '\'':
			quote = c
		case strings.ContainsRune("[{", c):
			depth++
		case strings.ContainsRune("]}", c):
			depth--
		case c == ',' && depth == 0:
			add(text[from:i])
			from = i + 1
		}
	}
	add(text[from:])
	return out
}

func unquoted(text string) string {
	if n := len(text); n > 1 && (text[0] == '"' || text[0] == '\'') && text[n-1] == text[0] {
		return text[1 : n-1]
	}
	return text
}

// inFlow writes a value inside brackets.
func inFlow(value string) string {
	if strings.ContainsAny(value, ",[]{}:#\"'") || needsQuotes.MatchString(value) {
		return strconv.Quote(value)
	}
	return value
}

// stepKey is the key of a step: a rule of a standard has its own.
func stepKey(step string) string {
	if _, err := level.LookupSteps(step); err == nil {
		return "steps_of"
	}
	return "step"
}

var listEnds = regexp.MustCompile(`;|,\s+|\n`)

// written are the lines of a row in the file.
func (g gridRow) written(lines []string) []string {
	remark, body := "", ""
	if g.last >= g.first && g.first >= 0 && g.last < len(lines) {
		body, remark = g.body(lines)
	}
	switch {
	case g.Kind == "ends" && g.block && body != "":
		for key, value := range map[string]string{"from": g.From, "to": g.To} {
			body = setField(body, key, value)
		}
		for _, key := range []string{"step", "steps_of"} {
			value := g.Step
			if key != stepKey(g.Step) {
				value = ""
			}
			body = setField(body, key, value)
		}
		body, remark = strings.TrimRight(body, "\n"), ""
	case g.Kind == "ends":
		var parts []string
		for _, p := range [][2]string{{"from", g.From}, {"to", g.To}, {stepKey(g.Step), g.Step}} {
			if p[1] != "" {
				parts = append(parts, p[0]+": "+inFlow(p[1]))
			}
		}
		body = "{" + strings.Join(parts, ", ") + "}"
	case g.Kind == "list":
		var parts []string
		for _, item := range listEnds.Split(g.Text, -1) {
			if item = strings.TrimSpace(item); item != "" {
				parts = append(parts, inFlow(item))
			}
		}
		body = "{list: [" + strings.Join(parts, ", ") + "]}"
	default:
		body = g.Text
	}
	out := strings.Split(body, "\n")
	for i := range out {
		out[i] = g.indent + map[bool]string{true: "- ", false: "  "}[i == 0] + out[i]
	}
	out[len(out)-1] += remark
	return out
}

// withRow returns the text with a row in place of its segment; a blank one takes it out, a new one joins the grid.
func withRow(text string, g gridRow) string {
	lines := strings.Split(text, "\n")
	put := func(from, to int, with []string) string {
		return strings.Join(append(append(append([]string(nil), lines[:from]...), with...), lines[to:]...), "\n")
	}
	if g.first > 0 {
		if g.Blank() {
			return put(g.first, g.last+1, nil)
		}
		return put(g.first, g.last+1, g.written(lines))
	}
	if g.Blank() {
		return text
	}
	rows, _ := rowsOf(text)
	g.indent, g.last = "  ", -1
	if len(rows) > 0 {
		g.indent = rows[0].indent
		end := rows[len(rows)-1].last + 1
		return put(end, end, g.written(nil))
	}
	if _, first, _, ok := fieldOf(text, gridKey); ok {
		return put(first, first, g.written(nil))
	}
	return strings.TrimRight(text, "\n") + "\n" + gridKey + ":\n" + strings.Join(g.written(nil), "\n") + "\n"
}

// mostSegments is how many segments a form may have: more belong into the text.
const mostSegments = 200

// editedRows works the rows of a form that were changed into the text.
func editedRows(r *http.Request, text string) string {
	rows, ok := rowsOf(text)
	if !ok {
		return text
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
			text = withRow(text, g)
		}
	}
	return text
}

// shownRows are the rows of a form, with blank ones of some kinds at the end; the problems of each stand beside it and
// are taken out of those of the grid as a whole.
func shownRows(text string, of []problem.Problem, blank []string) (rows []gridRow, left []problem.Problem, ok bool) {
	rows, ok = rowsOf(text)
	if !ok || len(rows) > mostSegments {
		return nil, of, false
	}
	for _, p := range of {
		mine := false
		for i := range rows {
			if p.Line > rows[i].first && p.Line <= rows[i].last+1 {
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
