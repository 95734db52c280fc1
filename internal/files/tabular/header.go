package tabular

import (
	"fmt"
	"slices"
	"strings"

	"provoke/internal/units/english"
)

// Fact is something that stands before the table, or beside it: "Start;150000;Hz".
type Fact struct {
	Line, Column int
	Key          string // lower case, without its unit
	text         string // the value as written
	Value        Value
	Unit         string // usual spelling, "" for none
	Quantity     string
}

// Counted is the unit that the fact gives, or that stands with it.
func (f Fact) Counted() UnitAt { return UnitAt{f.Unit, f.Quantity, f.Line, f.Column} }

// PlainKey is the key with blanks for what else stands between words.
func (f Fact) PlainKey() string {
	return strings.NewReplacer("-", " ", "_", " ", ".", " ").Replace(f.Key)
}

// factsAbove takes the lines above the table as keys with values.
func (t *Table) factsAbove() {
	for i := 0; i < t.From; i++ {
		t.factOf(t.Lines[i].Number, t.factCells(t.Lines[i].Text))
		if i > 0 {
			t.factsBelow(i - 1)
		}
	}
}

// readFacts takes these, and the lines behind the table and the columns beside it.
func (t *Table) readFacts() {
	t.factsAbove()
	for _, l := range t.Behind {
		t.factOf(l.Number, t.factCells(l.Text))
	}
	t.declaredEnds()
	for _, r := range t.Rows {
		t.factOf(r.Line, t.trimEmpty(r.facts))
		var beside []Cell
		for i, c := range r.Cells {
			if !t.Numeric[i] && !t.Stamps[i] && c.Text != "" {
				beside = append(beside, c)
			}
		}
		if len(beside) > 1 && t.read(beside[0], t.decimal).Kind == Words {
			t.factOf(r.Line, beside)
		}
	}
}

// factsBelow takes names whose figures stand in the line below them, above the table: "Start,Increment" over
// "-0.001,2e-6". These cells name no column of the table.
func (t *Table) factsBelow(at int) {
	names, _ := split(Uncomment(t.Lines[at].Text), t.separator)
	values, _ := split(Uncomment(t.Lines[at+1].Text), t.separator)
	if len(names) < 3 || len(names) != len(values) {
		return
	}
	for i, v := range values {
		if i > 0 && t.read(v, t.decimal).Kind == Number && t.read(names[i], t.decimal).Kind == Words {
			t.factOf(t.Lines[at+1].Number, []Cell{names[i], v})
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
var counts = map[string]bool{"record length": true, "points": true, "number of points": true, "no of points": true,
	"nr of points": true, "num points": true,
	"point count": true, "trace points": true, "sweep points": true, "data points": true, "values": true,
	"samples": true, "number of samples": true,
	"sample count": true, "rows": true, "memory length": true, "anzahl punkte": true, "anzahl der punkte": true,
	"anzahl messpunkte": true, "anzahl werte": true,
	"punkte": true, "messpunkte": true, "nombre de points": true, "nb points": true, "número de puntos": true,
	"puntos": true}

// CheckCount compares the number of rows with what the file, or a person, says.
func (t *Table) CheckCount() {
	have := len(t.Rows)
	hint := fmt.Sprintf("export it whole, or declare %d points to read what is there", have)
	if t.Want != "" {
		hint = "export it whole, or mend the number if the rows are complete"
	}
	if want := t.Declared.Points; want > 0 {
		if want != have {
			t.Fail(t.Rows[0].Line, 1, fmt.Sprintf("%d points are declared and the table has %d rows", want, have), "")
		}
		return
	}
	f, ok := t.FactFor(func(f Fact) bool {
		return f.Value.Kind == Number && counts[strings.TrimSpace(strings.NewReplacer("-", " ", "_", " ", ".",
			"", ":", "").Replace(f.Key))]
	})
	if ok && f.Value.X != float64(have) {
		t.Fail(f.Line, f.Column, fmt.Sprintf("the file says %g here and has %d rows", f.Value.X, have), hint)
	}
}

// factCells cuts a line above the table: at the table's separator, else at another one or at a colon
// or an equals sign.
func (t *Table) factCells(line string) []Cell {
	line = Uncomment(line)
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
		if key, rest, ok := strings.Cut(cells[0].Text, ":"); ok && strings.TrimSpace(rest) != "" &&
			!(t.Stamped != nil && t.Stamped(cells[0].Text)) {
			head := []Cell{{Text: strings.TrimSpace(key), Column: cells[0].Column},
				{Text: strings.TrimSpace(rest), Column: cells[0].Column + len([]rune(key)) + 1}}
			return append(head, cells[1:]...)
		}
	}
	return cells
}

// Uncomment replaces the sign of a comment by blanks, so that columns stay where they are.
func Uncomment(line string) string {
	if !comment(line) {
		return line
	}
	i := 0
	for i < len(line) && strings.IndexByte(" \t#!%*/", line[i]) >= 0 {
		i++
	}
	return strings.Repeat(" ", i) + line[i:]
}

func (t *Table) factOf(line int, cells []Cell) {
	if len(cells) < 2 {
		return
	}
	name, unit, quantity := SplitHeading(strings.TrimRight(cells[0].Text, ":= "))
	f := Fact{Line: line, Column: cells[0].Column, Key: strings.ToLower(name), text: cells[1].Text, Unit: unit,
		Quantity: quantity}
	f.Value = t.read(cells[1], t.decimal)
	if f.Value.Kind == Words { // a point in the preamble of a file with decimal commas, or the reverse
		other := byte('.')
		if t.decimal == '.' {
			other = ','
		}
		if v := t.read(cells[1], other); v.Kind == Number {
			f.Value = v
		}
	}
	if f.Value.Unit != "" {
		f.Unit, f.Quantity = UnitOf(f.Value.Unit)
	}
	if len(cells) > 2 {
		if u, of := UnitOf(cells[2].Text); u != "" {
			f.Unit, f.Quantity = u, of
		}
	}
	t.facts = append(t.facts, f)
	if len(cells) > 3 && strings.EqualFold(cells[0].Text, cells[2].Text) { // once for each channel
		t.factOf(line, cells[2:])
	}
}

// FactFor returns the first fact whose key satisfies a condition.
func (t *Table) FactFor(is func(f Fact) bool) (Fact, bool) {
	for _, f := range t.facts {
		if is(f) {
			return f, true
		}
	}
	return Fact{}, false
}

// statedUnits returns the units that the facts give for the x or the y axis, each once, and under what name.
func (t *Table) statedUnits(x bool) (units []UnitAt, names []string) {
	axis, words := "y", []string{"vertical", "amplitude", "level", "trace", "reading"}
	if x {
		axis, words = "x", []string{"horizontal", "frequency", "sweep"}
	}
	for _, f := range t.facts {
		u, of := UnitOf(f.text)
		if u == "" || (of == OfFrequency || of == OfTime) != x ||
			slices.ContainsFunc(units, func(have UnitAt) bool { return have.Unit == u }) {
			continue
		}
		key := f.PlainKey()
		if !strings.Contains(key, "unit") && !strings.Contains(key, "axis") && !strings.Contains(key, "label") {
			continue
		}
		if slices.ContainsFunc(words, func(w string) bool { return strings.Contains(key, w) }) ||
			strings.HasPrefix(key, axis) || strings.HasSuffix(key, " "+axis) || strings.HasPrefix(key, "unit") {
			units, names = append(units, UnitAt{u, of, f.Line, f.Column}), append(names, key)
		}
	}
	return units, names
}

// StatedUnit returns the unit that the facts give for the x or the y axis, if it is one.
func (t *Table) StatedUnit(x bool) (UnitAt, bool) {
	units, _ := t.statedUnits(x)
	if len(units) == 0 {
		return UnitAt{}, false
	}
	return units[0], true
}

// unitFor returns the unit that the facts give for a column: the one that names it, else the only one. It refuses
// several of which none does.
func (t *Table) unitFor(i int, x bool) (u UnitAt, ok bool) {
	units, names := t.statedUnits(x)
	if len(units) > 1 && t.Header != nil {
		for k, name := range names {
			if h := strings.ToLower(t.Header[i].Text); h != "" && strings.HasSuffix(name, " "+h) {
				return units[k], true
			}
		}
	}
	if len(units) > 1 {
		t.Fail(units[1].Line, units[1].Column,
			fmt.Sprintf("%s stands here and %s in line %d, and nothing says which column counts in which",
				units[1].Unit, units[0].Unit, units[0].Line),
			"write the units into the heading, or read one column at a time: name it and declare its unit")
	}
	return append(units, UnitAt{})[0], len(units) > 0
}

// readHeader takes the one or two lines right above the table that name the columns or their units. It refuses rows
// right under the mark of a network analyser's block: pairs of figures, whose frequencies stand elsewhere.
func (t *Table) readHeader() bool {
	t.Units = make([]UnitAt, t.Width)
	t.HeadFrom = t.From
	above := t.From - 1
	if above < 0 {
		return true
	}
	if t.tellBlock(t.Lines[above]) {
		return false
	}
	names, units := t.headCells(above), []Cell(nil)
	if t.onlyUnits(names) {
		units = names
		names = nil
		if above > 0 {
			if upper := t.headCells(above - 1); t.isHeader(upper, true) {
				names = upper
				t.HeadLine = t.Lines[above-1].Number
				t.HeadFrom = above - 1
			}
		}
	} else if t.isHeader(names, false) {
		t.HeadLine = t.Lines[above].Number
		t.HeadFrom = above
	} else {
		t.tellNarrowUnder(names, t.Lines[above].Number)
		names = nil
	}
	t.takeUnits(units, t.Lines[above].Number)
	t.takeNames(names)
	if units != nil && names == nil {
		t.HeadFrom = above
	}
	return true
}

// takeUnits takes a row of units.
func (t *Table) takeUnits(units []Cell, line int) {
	for i := range t.Width {
		if i < len(units) && units[i].Text != "" {
			u, of := UnitOf(units[i].Text)
			t.Units[i] = UnitAt{u, of, line, units[i].Column}
		}
	}
}

// tellNarrowUnder refuses rows under a heading that names fewer columns than they have.
func (t *Table) tellNarrowUnder(names []Cell, line int) {
	units := 0
	for _, c := range names {
		if _, unit, _ := SplitHeading(c.Text); unit != "" {
			units++
		}
		if t.read(c, t.decimal).Kind != Words {
			return
		}
	}
	if units < 2 || len(names) >= t.Width || t.HasStamps() {
		return
	}
	t.tellNarrow(t.Rows[0].Line, t.Width, line, len(names))
}

func (t *Table) tellNarrow(row, width, heading, names int) {
	hint := ""
	if t.separator == ',' {
		hint = "decimal commas with commas between the columns can be read in two ways: separate the columns by " +
			"semicolon, or write decimal points"
	}
	t.Fail(row, 1, fmt.Sprintf("the rows have %s, the heading in line %d names %d",
		english.Count(width, "column", "columns"), heading, names), hint)
}

func (t *Table) takeNames(names []Cell) {
	if names == nil {
		return
	}
	t.Header = make([]Cell, t.Width)
	for i := range t.Width {
		if i >= len(names) {
			continue
		}
		name, unit, of := SplitHeading(names[i].Text)
		t.Header[i] = Cell{Text: name, Column: names[i].Column}
		if unit != "" && t.Units[i].Unit == "" {
			t.Units[i] = UnitAt{unit, of, t.HeadLine, names[i].Column}
		}
		if unit == "" && milliHertz(names[i].Text) {
			t.Fail(t.HeadLine, names[i].Column, "the unit in \""+names[i].Text+"\" could be millihertz",
				t.mend("write MHz", ", or declare the unit"))
		}
	}
}

// headCells cuts a line above the table into as many cells as the table has, by its separator or, where
// that gives another number, by another one.
func (t *Table) headCells(at int) []Cell {
	line := Uncomment(t.Lines[at].Text)
	cells, closed := split(line, t.separator)
	for i := range t.besideHead[at] {
		cells[i].Text = ""
	}
	cells = t.trimEmpty(cells)
	if closed && len(cells) == t.Width && t.separator != ' ' {
		return cells
	}
	for _, s := range []rune{';', '\t', ','} {
		if other, ok := split(line, s); ok && len(t.trimEmpty(other)) == t.Width && t.Width > 1 {
			return t.trimEmpty(other)
		}
	}
	if t.separator == ' ' {
		if joined := joinBrackets(cells); len(joined) == t.Width {
			return joined
		}
	}
	return cells
}

// joinBrackets puts a unit in brackets, or after a slash, back to the name before it, where blanks
// separate the columns.
func joinBrackets(cells []Cell) []Cell {
	var out []Cell
	for _, c := range cells {
		if n := len(out); n > 0 && (strings.HasPrefix(c.Text, "(") || strings.HasPrefix(c.Text, "[") ||
			strings.HasPrefix(c.Text, "/")) {
			out[n-1].Text += " " + c.Text
			continue
		}
		out = append(out, c)
	}
	return out
}

// onlyUnits reports a row in which every cell is a unit or empty, and at least one is a unit.
func (t *Table) onlyUnits(cells []Cell) bool {
	n := 0
	for i, c := range cells {
		if c.Text == "" || i >= t.Width || countsOnly(c.Text) {
			continue
		}
		if u, _ := UnitOf(c.Text); u == "" {
			return false
		}
		n++
	}
	return n > 0 && len(cells) <= t.Width && (n > 1 || t.Width == 1 || len(cells) == t.Width)
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
func (t *Table) isHeader(cells []Cell, lightly bool) bool {
	if len(cells) != t.Width || t.Width == 1 && len(cells) == 1 && strings.ContainsAny(cells[0].Text, ":=") {
		return false
	}
	known, named := 0, 0
	for i, c := range cells {
		if c.Text == "" {
			continue
		}
		// "Trace 1" may be headed "1"; a fact such as "Start;150000" is no header.
		if v := t.read(c, t.decimal); v.Kind == Number && (i == 0 || v.X >= 100 || v.Unit != "") || v.Kind == stamped {
			return false
		}
		named++
		name, unit, _ := SplitHeading(c.Text)
		if unit != "" || Meant(name) != "" || milliHertz(c.Text) {
			known++
		}
	}
	if named == 0 {
		return false
	}
	_, x := t.StatedUnit(true)
	_, y := t.StatedUnit(false)
	return known > 0 || lightly || !x && !y && named == t.Width && t.read(cells[len(cells)-1], t.decimal).Kind != Number
}
