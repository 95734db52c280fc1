package trace

import (
	"fmt"
	"slices"
	"strings"
)

// fact is something that stands before the table, or beside it: "Start;150000;Hz".
type fact struct {
	line, column int
	key          string // lower case, without its unit
	text         string // the value as written
	value        value
	unit         string // usual spelling, "" for none
	quantity     string
}

// plainKey is the key with blanks for what else stands between words.
func (f fact) plainKey() string {
	return strings.NewReplacer("-", " ", "_", " ", ".", " ").Replace(f.key)
}

// readFacts takes the lines above the table, and the columns beside it, as keys with values.
func (t *table) readFacts() {
	for i := 0; i < t.from; i++ {
		t.factOf(t.lines[i].number, t.factCells(t.lines[i].text))
		if i > 0 {
			t.factsBelow(i - 1)
		}
	}
	for _, l := range t.behind {
		t.factOf(l.number, t.factCells(l.text))
	}
	t.declaredEnds()
	for _, r := range t.rows {
		t.factOf(r.line, t.trimEmpty(r.facts))
		var beside []cell
		for i, c := range r.cells {
			if !t.numeric[i] && !t.stamps[i] && c.text != "" {
				beside = append(beside, c)
			}
		}
		if len(beside) > 1 && t.read(beside[0], t.decimal).kind == words {
			t.factOf(r.line, beside)
		}
	}
}

// factsBelow takes names whose figures stand in the line below them, above the table: "Start,Increment" over
// "-0.001,2e-6". These cells name no column of the table.
func (t *table) factsBelow(at int) {
	names, _ := split(uncomment(t.lines[at].text), t.separator)
	values, _ := split(uncomment(t.lines[at+1].text), t.separator)
	if len(names) < 3 || len(names) != len(values) {
		return
	}
	for i, v := range values {
		if i > 0 && t.read(v, t.decimal).kind == number && t.read(names[i], t.decimal).kind == words {
			t.factOf(t.lines[at+1].number, []cell{names[i], v})
			if t.besideHead == nil {
				t.besideHead = map[int]map[int]bool{}
			}
			for _, line := range []int{at, at + 1} {
				if t.besideHead[line] == nil {
					t.besideHead[line] = map[int]bool{}
				}
				t.besideHead[line][i] = true
			}
		}
	}
}

// counts are names under which files say how many rows they have.
var counts = map[string]bool{"record length": true, "points": true, "number of points": true, "no of points": true, "nr of points": true, "num points": true,
	"point count": true, "trace points": true, "sweep points": true, "data points": true, "values": true, "samples": true, "number of samples": true,
	"sample count": true, "rows": true, "memory length": true, "anzahl punkte": true, "anzahl der punkte": true, "anzahl messpunkte": true, "anzahl werte": true,
	"punkte": true, "messpunkte": true, "nombre de points": true, "nb points": true, "número de puntos": true, "puntos": true}

// checkCount compares the number of rows with what the file, or a person, says.
func (t *table) checkCount() {
	have := len(t.rows)
	hint := fmt.Sprintf("export it whole, or declare %d points to read what is there", have)
	if t.want != "" {
		hint = "export it whole, or mend the number if the rows are complete"
	}
	if want := t.declared.Points; want > 0 {
		if want != have {
			t.fail(t.rows[0].line, 1, fmt.Sprintf("%d points are declared and the table has %d rows", want, have), "")
		}
		return
	}
	f, ok := t.factFor(func(f fact) bool {
		return f.value.kind == number && counts[strings.TrimSpace(strings.NewReplacer("-", " ", "_", " ", ".", "", ":", "").Replace(f.key))]
	})
	if ok && f.value.x != float64(have) {
		t.fail(f.line, f.column, fmt.Sprintf("the file says %g here and has %d rows", f.value.x, have), hint)
	}
}

// factCells cuts a line above the table: at the table's separator, else at another one or at a colon
// or an equals sign.
func (t *table) factCells(line string) []cell {
	line = uncomment(line)
	cells, _ := split(line, t.separator)
	cells = t.trimEmpty(cells)
	if len(cells) < 2 || t.separator == ' ' {
		for _, s := range []rune{';', '\t', ',', '=', ':'} {
			if other, _ := split(line, s); len(t.trimEmpty(other)) > 1 {
				return t.trimEmpty(other)
			}
		}
	}
	// "Start: 150 kHz" inside a line that was cut elsewhere stays one cell; its key is cut here.
	if len(cells) > 0 {
		if key, rest, ok := strings.Cut(cells[0].text, ":"); ok && strings.TrimSpace(rest) != "" && !(t.stamped != nil && t.stamped(cells[0].text)) {
			head := []cell{{text: strings.TrimSpace(key), column: cells[0].column}, {text: strings.TrimSpace(rest), column: cells[0].column + len([]rune(key)) + 1}}
			return append(head, cells[1:]...)
		}
	}
	return cells
}

// uncomment replaces the sign of a comment by blanks, so that columns stay where they are.
func uncomment(line string) string {
	if !comment(line) {
		return line
	}
	i := 0
	for i < len(line) && strings.IndexByte(" \t#!%*/", line[i]) >= 0 {
		i++
	}
	return strings.Repeat(" ", i) + line[i:]
}

func (t *table) factOf(line int, cells []cell) {
	if len(cells) < 2 {
		return
	}
	name, unit, quantity := heading(strings.TrimRight(cells[0].text, ":= "))
	f := fact{line: line, column: cells[0].column, key: strings.ToLower(name), text: cells[1].text, unit: unit, quantity: quantity}
	f.value = t.read(cells[1], t.decimal)
	if f.value.kind == words { // a point in the preamble of a file with decimal commas, or the reverse
		other := byte('.')
		if t.decimal == '.' {
			other = ','
		}
		if v := t.read(cells[1], other); v.kind == number {
			f.value = v
		}
	}
	if f.value.unit != "" {
		f.unit, f.quantity = unitOf(f.value.unit)
	}
	if len(cells) > 2 {
		if u, of := unitOf(cells[2].text); u != "" {
			f.unit, f.quantity = u, of
		}
	}
	t.facts = append(t.facts, f)
	if len(cells) > 3 && strings.EqualFold(cells[0].text, cells[2].text) { // once for each channel
		t.factOf(line, cells[2:])
	}
}

// factFor returns the first fact whose key satisfies a condition.
func (t *table) factFor(is func(f fact) bool) (fact, bool) {
	for _, f := range t.facts {
		if is(f) {
			return f, true
		}
	}
	return fact{}, false
}

// statedUnits returns the units that the facts give for the x or the y axis, each once, and under what name.
func (t *table) statedUnits(x bool) (units []unitAt, names []string) {
	axis, words := "y", []string{"vertical", "amplitude", "level", "trace", "reading"}
	if x {
		axis, words = "x", []string{"horizontal", "frequency", "sweep"}
	}
	for _, f := range t.facts {
		u, of := unitOf(f.text)
		if u == "" || (of == ofFrequency || of == ofTime) != x || slices.ContainsFunc(units, func(have unitAt) bool { return have.unit == u }) {
			continue
		}
		key := f.plainKey()
		if !strings.Contains(key, "unit") && !strings.Contains(key, "axis") && !strings.Contains(key, "label") {
			continue
		}
		if slices.ContainsFunc(words, func(w string) bool { return strings.Contains(key, w) }) ||
			strings.HasPrefix(key, axis) || strings.HasSuffix(key, " "+axis) || strings.HasPrefix(key, "unit") {
			units, names = append(units, unitAt{u, of, f.line, f.column}), append(names, key)
		}
	}
	return units, names
}

// statedUnit returns the unit that the facts give for the x or the y axis, if it is one.
func (t *table) statedUnit(x bool) (unitAt, bool) {
	units, _ := t.statedUnits(x)
	if len(units) == 0 {
		return unitAt{}, false
	}
	return units[0], true
}

// unitFor returns the unit that the facts give for a column: the one that names it, else the only one. It refuses
// several of which none does.
func (t *table) unitFor(i int, x bool) (u unitAt, ok bool) {
	units, names := t.statedUnits(x)
	if len(units) > 1 && t.header != nil {
		for k, name := range names {
			if h := strings.ToLower(t.header[i].text); h != "" && strings.HasSuffix(name, " "+h) {
				return units[k], true
			}
		}
	}
	if len(units) > 1 {
		t.fail(units[1].line, units[1].column, fmt.Sprintf("%s stands here and %s in line %d, and nothing says which column counts in which", units[1].unit, units[0].unit, units[0].line),
			"write the units into the heading, or read one column at a time: name it and declare its unit")
	}
	return append(units, unitAt{})[0], len(units) > 0
}

// readHeader takes the one or two lines right above the table that name the columns or their units. It refuses rows
// right under the mark of a network analyser's block: pairs of figures, whose frequencies stand elsewhere.
func (t *table) readHeader() bool {
	t.units = make([]unitAt, t.width)
	t.headFrom = t.from
	above := t.from - 1
	if above < 0 {
		return true
	}
	if t.tellBlock(t.lines[above]) {
		return false
	}
	names, units := t.headCells(above), []cell(nil)
	if t.onlyUnits(names) {
		units = names
		names = nil
		if above > 0 {
			if upper := t.headCells(above - 1); t.isHeader(upper, true) {
				names = upper
				t.headLine = t.lines[above-1].number
				t.headFrom = above - 1
			}
		}
	} else if t.isHeader(names, false) {
		t.headLine = t.lines[above].number
		t.headFrom = above
	} else {
		t.tellNarrow(names, t.lines[above].number)
		names = nil
	}
	for i := range t.width {
		if i < len(units) && units[i].text != "" {
			u, of := unitOf(units[i].text)
			t.units[i] = unitAt{u, of, t.lines[above].number, units[i].column}
		}
	}
	t.takeNames(names)
	if units != nil && names == nil {
		t.headFrom = above
	}
	return true
}

// tellNarrow refuses rows under a heading that names fewer columns than they have.
func (t *table) tellNarrow(names []cell, line int) {
	units := 0
	for _, c := range names {
		if _, unit, _ := heading(c.text); unit != "" {
			units++
		}
		if t.read(c, t.decimal).kind != words {
			return
		}
	}
	if units < 2 || len(names) >= t.width || t.hasStamps() {
		return
	}
	hint := ""
	if t.separator == ',' {
		hint = "decimal commas with commas between the columns can be read in two ways: separate the columns by semicolon, or write decimal points"
	}
	t.fail(t.rows[0].line, 1, fmt.Sprintf("the rows have %s, the heading in line %d names %d", columnsOf(t.width), line, len(names)), hint)
}

func (t *table) takeNames(names []cell) {
	if names == nil {
		return
	}
	t.header = make([]cell, t.width)
	for i := range t.width {
		if i >= len(names) {
			continue
		}
		name, unit, of := heading(names[i].text)
		t.header[i] = cell{text: name, column: names[i].column}
		if unit != "" && t.units[i].unit == "" {
			t.units[i] = unitAt{unit, of, t.headLine, names[i].column}
		}
		if unit == "" && milliHertz(names[i].text) {
			t.fail(t.headLine, names[i].column, "the unit in \""+names[i].text+"\" could be millihertz", "write MHz, or declare the unit")
		}
	}
}

// headCells cuts a line above the table into as many cells as the table has, by its separator or, where
// that gives another number, by another one.
func (t *table) headCells(at int) []cell {
	line := uncomment(t.lines[at].text)
	cells, closed := split(line, t.separator)
	for i := range t.besideHead[at] {
		cells[i].text = ""
	}
	cells = t.trimEmpty(cells)
	if closed && len(cells) == t.width && t.separator != ' ' {
		return cells
	}
	for _, s := range []rune{';', '\t', ','} {
		if other, ok := split(line, s); ok && len(t.trimEmpty(other)) == t.width && t.width > 1 {
			return t.trimEmpty(other)
		}
	}
	if t.separator == ' ' {
		if joined := joinBrackets(cells); len(joined) == t.width {
			return joined
		}
	}
	return cells
}

// joinBrackets puts a unit in brackets, or after a slash, back to the name before it, where blanks
// separate the columns.
func joinBrackets(cells []cell) []cell {
	var out []cell
	for _, c := range cells {
		if n := len(out); n > 0 && (strings.HasPrefix(c.text, "(") || strings.HasPrefix(c.text, "[") || strings.HasPrefix(c.text, "/")) {
			out[n-1].text += " " + c.text
			continue
		}
		out = append(out, c)
	}
	return out
}

// onlyUnits reports a row in which every cell is a unit or empty, and at least one is a unit.
func (t *table) onlyUnits(cells []cell) bool {
	n := 0
	for i, c := range cells {
		if c.text == "" || i >= t.width || countsOnly(c.text) {
			continue
		}
		if u, _ := unitOf(c.text); u == "" {
			return false
		}
		n++
	}
	return n > 0 && len(cells) <= t.width && (n > 1 || t.width == 1 || len(cells) == t.width)
}

// countsOnly reports a word that stands where a unit would, over a column that counts the rows.
func countsOnly(text string) bool {
	switch strings.ToLower(text) {
	case "sequence", "index", "samples", "sample", "no.", "pts", "points":
		return true
	}
	return false
}

// isHeader reports that cells can name the columns of the table: one for each, none a figure, and at
// least one with a unit or a name of frequency or time; lightly, none of these is asked for.
func (t *table) isHeader(cells []cell, lightly bool) bool {
	if len(cells) != t.width || t.width == 1 && len(cells) == 1 && strings.ContainsAny(cells[0].text, ":=") {
		return false
	}
	known, named := 0, 0
	for i, c := range cells {
		if c.text == "" {
			continue
		}
		// "Trace 1" may be headed "1"; a fact such as "Start;150000" is no header.
		if v := t.read(c, t.decimal); v.kind == number && (i == 0 || v.x >= 100 || v.unit != "") || v.kind == stamped {
			return false
		}
		named++
		name, unit, _ := heading(c.text)
		if unit != "" || meant(name) != "" || milliHertz(c.text) {
			known++
		}
	}
	if named == 0 {
		return false
	}
	_, x := t.statedUnit(true)
	_, y := t.statedUnit(false)
	return known > 0 || lightly || !x && !y && named == t.width && t.read(cells[len(cells)-1], t.decimal).kind != number
}
