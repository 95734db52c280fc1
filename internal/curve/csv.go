package curve

import (
	"bytes"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"unicode/utf8"

	"provoke/internal/problem"
	"provoke/internal/rf"
)

// CSVUnits is what the user declares about a CSV file because the file does not say it. Every field
// may be empty. What the file says itself must not contradict it.
type CSVUnits struct {
	Frequency string // unit of the frequency column: "MHz"
	Value     string // unit of the value column: "dBΩ"
	Column    string // header of the value column, needed where several would fit
	Decimal   string // "," or ".", needed only where the file can be read in two ways
}

// Bounds of a CSV file that is read.
const (
	MaximumCSV  = 16 << 20  // bytes
	longestLine = 64 << 10  // bytes
	mostCells   = 2_000_000 // of all rows
)

// maximumProblems ends the list of a file that is wrong all over.
const maximumProblems = 100

// ParseCSV reads a curve from a table of text: one row per frequency, columns separated by
// semicolon, tab or comma, in the order that the header gives. Units stand in the header ("f/MHz",
// "frequency (MHz)", "Zt [dBohm]", "Zt dBΩ"), in a second header row, behind each number, or are
// declared. Accepted: decimal comma, quoted fields, byte order mark, any line ends, blank lines, and
// comment lines that start with # or !. What can be read in two ways is refused. All problems come
// back at once with line and column (counted in characters from 1), warnings among them; the curve is
// absent when one of them is more than a warning. The name is the curve's source.
func ParseCSV[V Value](name string, data []byte, declared CSVUnits) (Curve[V], problem.List) {
	t := &table{name: name, declared: declared, want: quantityOf[V]()}
	t.read(data)
	points := readPoints[V](t)
	var c Curve[V]
	if t.problems.Err() == nil {
		var err error
		if c, err = New(points, name); err != nil {
			t.fail(0, 0, err.Error(), "")
		}
	}
	if t.problems.Err() != nil {
		c = Curve[V]{}
	}
	t.problems.Sort()
	return c, t.problems
}

// table is a CSV file while it is being read.
type table struct {
	name     string
	declared CSVUnits
	want     string // the quantity of the value column
	problems problem.List

	separator byte
	header    []heading // nil when the file has none
	headLine  int
	rows      []row
	frequency int // column of the frequency
	value     int // column of the value
	decimal   byte
	missing   map[string]bool // quantities whose missing unit was told
	warned    bool            // of bytes that are not UTF-8
}

type row struct {
	line  int
	cells []cell
}

type cell struct {
	text   string
	column int
	quoted bool
}

type heading struct {
	cell
	name string
	unit string // canonical, empty when none was recognised
	of   string // the quantity that the unit belongs to
}

func (t *table) fail(line, column int, what, hint string) {
	switch n := len(t.problems); {
	case n < maximumProblems:
		t.problems = append(t.problems, problem.Problem{File: t.name, Line: line, Column: column, What: what, Hint: hint})
	case n == maximumProblems:
		t.problems = append(t.problems, problem.Problem{File: t.name, Line: line, What: "more problems follow; they are not listed"})
	}
}

func (t *table) warn(line, column int, what, hint string) {
	t.problems = append(t.problems, problem.Problem{File: t.name, Line: line, Column: column, What: what, Hint: hint, Warning: true})
}

// read splits the file into header and rows and settles separator, columns and decimal sign.
func (t *table) read(data []byte) {
	t.missing = map[string]bool{}
	lines, ok := t.lines(data)
	if !ok {
		return
	}
	if len(lines) == 0 {
		t.fail(0, 0, "the file has no rows", "write a header such as \"f/MHz;Zt/dBΩ\" and one row per frequency")
		return
	}
	t.chooseSeparator(lines)
	cells := 0
	for _, l := range lines {
		r := row{l.number, t.split(l)}
		if cells += len(r.cells); cells > mostCells {
			t.fail(l.number, 1, fmt.Sprintf("more than %d fields; no more are read", mostCells), "leave out points, or the columns that are not read")
			return
		}
		t.rows = append(t.rows, r)
	}
	t.takeHeader()
	if len(t.rows) == 0 {
		t.fail(0, 0, "the file has a header but no rows", "")
		return
	}
	if t.chooseColumns() {
		t.checkWidths()
		t.chooseDecimal()
	}
}

type textLine struct {
	number int
	text   string
}

// lines returns the lines that are neither blank nor comment, and takes a "sep=" line.
func (t *table) lines(data []byte) ([]textLine, bool) {
	switch {
	case len(data) > MaximumCSV:
		t.fail(0, 0, fmt.Sprintf("the file has %d bytes; the largest that is read has %d", len(data), MaximumCSV), "")
		return nil, false
	case bytes.HasPrefix(data, []byte{0xff, 0xfe}), bytes.HasPrefix(data, []byte{0xfe, 0xff}):
		t.fail(1, 1, "the file is UTF-16", "save it as CSV UTF-8")
		return nil, false
	case bytes.IndexByte(data, 0) >= 0:
		t.fail(0, 0, "the file is not text", "save the table as CSV")
		return nil, false
	}
	text := strings.TrimPrefix(string(data), "\ufeff")
	text = strings.ReplaceAll(strings.ReplaceAll(text, "\r\n", "\n"), "\r", "\n")
	var out []textLine
	i := -1
	for l := range strings.SplitSeq(text, "\n") {
		i++
		trimmed := strings.TrimSpace(l)
		switch {
		case len(l) > longestLine:
			t.fail(i+1, 1, fmt.Sprintf("the line has %d bytes; at most %d are read", len(l), longestLine), "write one point to a line")
			return nil, false
		case trimmed == "" || trimmed[0] == '#' || trimmed[0] == '!':
		case i == 0 && len(l) == 5 && strings.EqualFold(l[:4], "sep="):
			t.separator = l[4]
		default:
			out = append(out, textLine{i + 1, t.decode(i+1, l)})
		}
	}
	return out, true
}

// decode mends the micro sign of Windows-1252 and Latin-1, which agree on it, and refuses other bytes
// that are not UTF-8.
func (t *table) decode(line int, text string) string {
	if utf8.ValidString(text) {
		return text
	}
	var b strings.Builder
	strange := false
	for i := 0; i < len(text); {
		r, n := utf8.DecodeRuneInString(text[i:])
		switch {
		case r == utf8.RuneError && n == 1 && text[i] == 0xb5:
			r = 'µ'
		case r == utf8.RuneError && n == 1:
			strange = true
		}
		b.WriteRune(r)
		i += n
	}
	if strange {
		t.fail(line, 1, "the line holds bytes that are not UTF-8", "save the file as CSV UTF-8")
	} else if !t.warned {
		t.warned = true
		t.warn(line, 1, "the line is not UTF-8; its byte B5 is read as µ", "save the file as CSV UTF-8")
	}
	return b.String()
}

// chooseSeparator takes the first of semicolon, tab and comma that stands outside quotes in the first
// row that has any.
func (t *table) chooseSeparator(lines []textLine) {
	if t.separator == ';' || t.separator == '\t' || t.separator == ',' {
		return
	}
	for _, l := range lines {
		for _, s := range []byte{';', '\t', ','} {
			quoted := false
			for i := 0; i < len(l.text); i++ {
				if l.text[i] == '"' {
					quoted = !quoted
				} else if l.text[i] == s && !quoted {
					t.separator = s
					return
				}
			}
		}
	}
	t.separator = ';'
}

// split cuts a line at the separators outside quotes; a doubled quote inside quotes is one quote.
func (t *table) split(l textLine) []cell {
	var cells []cell
	var b strings.Builder
	quoted, wasQuoted, column, start := false, false, 0, 1
	finish := func(next int) {
		text := strings.Trim(b.String(), " \t\u00a0\u202f")
		cells = append(cells, cell{text, start, wasQuoted})
		b.Reset()
		wasQuoted, start = false, next
	}
	runes := []rune(l.text)
	for i := 0; i < len(runes); i++ {
		r := runes[i]
		column = i + 1
		switch {
		case r == '"' && quoted && i+1 < len(runes) && runes[i+1] == '"':
			b.WriteRune('"')
			i++
		case r == '"':
			quoted, wasQuoted = !quoted, true
		case r == rune(t.separator) && !quoted:
			finish(column + 1)
		default:
			b.WriteRune(r)
		}
	}
	if quoted {
		t.fail(l.number, start, "a quoted field is not closed", "")
	}
	finish(0)
	return cells
}

// trimmed drops empty cells beyond the given number: separators that a spreadsheet leaves behind.
func trimmed(cells []cell, keep int) []cell {
	for len(cells) > keep && cells[len(cells)-1].text == "" {
		cells = cells[:len(cells)-1]
	}
	return cells
}

// startsLikeANumber reports that a cell begins with a digit, a sign or a decimal sign.
func startsLikeANumber(s string) bool {
	s = strings.TrimLeft(s, "+-−.,")
	return s != "" && s[0] >= '0' && s[0] <= '9'
}

func isHeading(r row) bool {
	for _, c := range r.cells {
		if c.text != "" && !startsLikeANumber(c.text) {
			return true
		}
	}
	return false
}

// takeHeader moves the header, and a row of units under it, out of the rows.
func (t *table) takeHeader() {
	if !isHeading(t.rows[0]) {
		return
	}
	t.headLine = t.rows[0].line
	units := 0
	for _, c := range trimmed(t.rows[0].cells, 2) {
		h := heading{cell: c}
		h.name, h.unit, h.of = splitHeading(c.text)
		if h.unit != "" {
			units++
		}
		t.header = append(t.header, h)
	}
	t.rows = t.rows[1:]
	if units > 0 || len(t.rows) == 0 || !isHeading(t.rows[0]) {
		return
	}
	for i, c := range t.rows[0].cells {
		if i < len(t.header) {
			t.header[i].unit, t.header[i].of = recogniseUnit(strings.Trim(c.text, "[](){} "))
		}
	}
	t.rows = t.rows[1:]
}

// chooseColumns finds the columns of frequency and value and checks their units.
func (t *table) chooseColumns() bool {
	if t.header == nil {
		t.frequency, t.value = 0, 1
		return true
	}
	return t.chooseFrequency() && t.chooseValue() && t.settleUnit(t.frequency, &t.declared.Frequency) && t.settleUnit(t.value, &t.declared.Value)
}

func (t *table) chooseFrequency() bool {
	found := -1
	for i, h := range t.header {
		if h.of != frequencyQuantity && !(h.of == "" && namesFrequency(h.name)) {
			continue
		}
		if found >= 0 {
			t.fail(t.headLine, h.column, fmt.Sprintf("%q and %q are both frequencies", t.header[found].text, h.text), "leave one of them")
			return false
		}
		found = i
	}
	for i, h := range t.header {
		unsettled := found == i && h.unit == "" && t.declared.Frequency == "" || found < 0
		if unsettled && strings.Contains(strings.ToLower(h.text), "mhz") {
			t.fail(t.headLine, h.column, fmt.Sprintf("the unit in %q could be millihertz", h.text), "write MHz")
			return false
		}
	}
	if found < 0 {
		t.fail(t.headLine, 0, "no column of the header is a frequency", wantUnits[frequencyQuantity])
		return false
	}
	t.frequency = found
	return true
}

func (t *table) chooseValue() bool {
	var fits, others []string
	found := -1
	for i, h := range t.header {
		if i == t.frequency {
			continue
		}
		others = append(others, strconv.Quote(h.text))
		asked := t.declared.Column != "" && (strings.EqualFold(t.declared.Column, h.text) || strings.EqualFold(t.declared.Column, h.name))
		if asked || t.declared.Column == "" && (h.of == t.want || h.of == "") {
			found = i
			fits = append(fits, strconv.Quote(h.text))
		}
	}
	// A heading whose unit is right goes before one without a unit.
	if len(fits) > 1 && t.declared.Column == "" {
		right, n := -1, 0
		for i, h := range t.header {
			if i != t.frequency && h.of == t.want {
				right, n = i, n+1
			}
		}
		if n == 1 {
			found, fits = right, fits[:1]
		}
	}
	switch {
	case len(fits) > 1:
		t.fail(t.headLine, 0, fmt.Sprintf("several columns could be the %s: %s", t.want, strings.Join(fits, ", ")), "declare which column is meant")
	case found < 0 && t.declared.Column != "":
		t.fail(t.headLine, 0, fmt.Sprintf("no column is called %q; there are %s", t.declared.Column, strings.Join(others, ", ")), "")
	case found < 0 && len(others) == 1 && t.header[1-t.frequency].of != "":
		h := t.header[1-t.frequency]
		t.fail(t.headLine, h.column, fmt.Sprintf("the unit in %q is that of a %s, not of a %s", h.text, h.of, t.want), wantUnits[t.want])
	case found < 0:
		t.fail(t.headLine, 0, fmt.Sprintf("no column of the header is a %s", t.want), wantUnits[t.want])
	default:
		t.value = found
		return true
	}
	return false
}

// settleUnit lets the header and the declaration agree on the unit of a column.
func (t *table) settleUnit(column int, declared *string) bool {
	h := t.header[column]
	want := t.want
	if column == t.frequency {
		want = frequencyQuantity
	}
	if h.unit != "" && h.of != want {
		t.fail(t.headLine, h.column, fmt.Sprintf("the unit in %q is that of a %s, not of a %s", h.text, h.of, want), wantUnits[want])
		return false
	}
	if *declared == "" {
		*declared = h.unit
		return true
	}
	unit, _ := recogniseUnit(*declared)
	if h.unit != "" && unit != h.unit {
		t.fail(t.headLine, h.column, fmt.Sprintf("the header says %q but %q is declared", h.text, *declared), "leave the declaration out, or mend the one that is wrong")
		return false
	}
	return true
}

// checkWidths refuses rows that have not the columns of the header.
func (t *table) checkWidths() {
	wide := 2
	if t.header != nil {
		wide = len(t.header)
	}
	least := max(t.frequency, t.value) + 1
	var good []row
	for _, r := range t.rows {
		r.cells = trimmed(r.cells, wide)
		n := len(r.cells)
		if n >= least && n <= wide {
			good = append(good, r)
			continue
		}
		hint := "separate the columns by semicolon, tab or comma"
		if n > wide && t.separator == ',' {
			hint = "a decimal comma together with a comma between columns can be read in two ways: separate the columns by semicolon, or write decimal points"
		} else if n > wide && t.header == nil {
			hint = "write a header that names the columns"
		}
		t.fail(r.line, 1, fmt.Sprintf("the row has %s where %d are expected", columns(n), wide), hint)
	}
	t.rows = good
}

func columns(n int) string {
	if n == 1 {
		return "1 column"
	}
	return strconv.Itoa(n) + " columns"
}

// chooseDecimal finds out whether the numbers of the file have a decimal comma. A file in which every
// comma could as well stand before thousands is refused, but for a table separated by semicolons,
// which exists because the comma is taken, unless it counts in hertz.
func (t *table) chooseDecimal() {
	var comma, point, thousands cell
	var commaLine, pointLine, n, like int
	for _, r := range t.rows {
		for _, i := range []int{t.frequency, t.value} {
			if i >= len(r.cells) {
				continue
			}
			c := r.cells[i]
			if strings.Contains(c.text, ".") && point.text == "" {
				point, pointLine = c, r.line
			}
			if before, after, ok := strings.Cut(c.text, ","); ok {
				if comma.text == "" {
					comma, commaLine = c, r.line
				}
				n++
				before = strings.TrimLeft(before, "+-−")
				if len(after) == 3 && len(before) >= 1 && len(before) <= 3 && before[0] != '0' {
					like++
					thousands = c
				}
			}
		}
	}
	t.decimal = '.'
	switch {
	case t.declared.Decimal == "," || t.declared.Decimal == ".":
		t.decimal = t.declared.Decimal[0]
	case t.declared.Decimal != "":
		t.fail(0, 0, fmt.Sprintf("the decimal sign %q is declared", t.declared.Decimal), "declare \",\" or \".\"")
	case comma.text != "" && point.text != "":
		t.decimal = 0
		t.fail(max(commaLine, pointLine), 0, fmt.Sprintf("%q on line %d and %q on line %d have different decimal signs", comma.text, commaLine, point.text, pointLine), "write every number with a decimal point and no sign before thousands")
	case n > 0 && n == like && (t.separator != ';' || t.declared.Frequency == "Hz"):
		t.decimal = 0
		t.fail(commaLine, comma.column, fmt.Sprintf("%q can be read in two ways", thousands.text), "write decimal points, or declare the decimal sign \",\"")
	case n > 0:
		t.decimal = ','
	}
}

// number reads a plain number with the file's decimal sign; ok is false when the text is no number.
func (t *table) number(text string) (float64, bool) {
	s := strings.NewReplacer("−", "-", "–", "-").Replace(text)
	if t.decimal == ',' {
		if strings.Contains(s, ".") {
			return 0, false
		}
		s = strings.ReplaceAll(s, ",", ".")
	}
	if strings.Trim(s, "+-.0123456789eE") != "" || !startsLikeANumber(s) {
		return 0, false
	}
	x, err := strconv.ParseFloat(s, 64)
	return x, err == nil
}

// readPoints turns the rows into points and tells every cell that is wrong.
func readPoints[V Value](t *table) []Point[V] {
	if t.decimal == 0 { // columns or decimal sign are not settled, which has been told
		return nil
	}
	points := make([]Point[V], 0, len(t.rows))
	seen := make(map[rf.Frequency]int, len(t.rows))
	for _, r := range t.rows {
		if max(t.frequency, t.value) >= len(r.cells) {
			continue
		}
		fc, vc := r.cells[t.frequency], r.cells[t.value]
		f, err := t.readFrequency(fc.text)
		if err != nil {
			t.cellProblem(r.line, fc, err)
		} else if first, ok := seen[f]; ok {
			t.fail(r.line, fc.column, fmt.Sprintf("%v stands on line %d already", f, first), "leave one of the two")
		} else {
			seen[f] = r.line
		}
		v, err := readValue[V](t, vc.text)
		if err != nil {
			t.cellProblem(r.line, vc, err)
		}
		points = append(points, Point[V]{f, v})
	}
	return points
}

// errUnitMissing says that a number has no unit anywhere; it is told once per column.
type errUnitMissing struct{ quantity string }

func (e errUnitMissing) Error() string { return fmt.Sprintf("the %s has no unit", e.quantity) }

func (t *table) cellProblem(line int, c cell, err error) {
	var m errUnitMissing
	if !errors.As(err, &m) {
		t.fail(line, c.column, err.Error(), "")
		return
	}
	if !t.missing[m.quantity] {
		t.missing[m.quantity] = true
		t.fail(line, c.column, err.Error(), "give it in the header ("+wantUnits[m.quantity]+") or declare it")
	}
}

func (t *table) readFrequency(text string) (rf.Frequency, error) {
	if text == "" {
		return 0, errors.New("the frequency is missing")
	}
	x, plain := t.number(text)
	switch {
	case plain && t.declared.Frequency == "":
		return 0, errUnitMissing{frequencyQuantity}
	case plain:
		unit, of := recogniseUnit(t.declared.Frequency)
		if of != frequencyQuantity {
			unit = t.declared.Frequency // for the error's sake
		}
		return rf.ParseFrequency(strconv.FormatFloat(x, 'g', -1, 64) + " " + unit)
	}
	return rf.ParseFrequency(t.withPoint(text))
}

// withPoint writes the number at the start of a cell with a decimal point.
func (t *table) withPoint(text string) string {
	if t.decimal == ',' {
		return strings.Replace(text, ",", ".", 1)
	}
	return text
}

func readValue[V Value](t *table, text string) (V, error) {
	var v V
	if text == "" {
		return v, fmt.Errorf("the %s is missing", t.want)
	}
	var err error
	if x, plain := t.number(text); plain {
		if t.declared.Value == "" {
			return v, errUnitMissing{t.want}
		}
		unit, _ := recogniseUnit(t.declared.Value)
		if unit == "" {
			unit = t.declared.Value
		}
		v, err = valueInUnit[V](x, unit)
	} else {
		v, err = parseValue[V](t.withPoint(text))
	}
	if err == nil && !finite(v) {
		return v, fmt.Errorf("%q has no finite number of decibel", text)
	}
	if err == nil && bounded(v) {
		return v, fmt.Errorf("%q is only a bound", text)
	}
	return v, err
}
