package tabular

import (
	"fmt"
	"math"
	"strings"
	"unicode"

	"provoke/internal/units/english"
)

// Table is the rows of a file and what stands above them.
type Table struct {
	*Reader
	Lines      []Line
	separator  rune
	decimal    byte
	Width      int    // cells of a row
	Numeric    []bool // by column: figures stand there
	Stamps     []bool // by column: time stamps, or one part of them
	From       int    // index into lines of the first row
	Rows       []Row
	facts      []Fact
	Header     []Cell // one for each column; nil without a header
	HeadLine   int
	Units      []UnitAt             // one for each column
	next       int                  // index into lines where a second table begins; 0 for none
	Behind     []Line               // words behind the last row
	besideHead map[int]map[int]bool // by line above the table: columns that hold facts
	HeadFrom   int                  // index into lines of the first header line; from where there is none
}

// UnitAt is a unit and where in the file it stands.
type UnitAt struct {
	Unit, Quantity string
	Line, Column   int
}

// Row is one row of a table: its cells, and what was read in them.
type Row struct {
	Line  int
	Cells []Cell
	Data  []Value
	facts []Cell // that stand before it
}

// shape is one way of cutting the file into cells.
type shape struct {
	separator rune
	decimal   byte
}

// sampled is how many lines are looked at to find the shape of the table.
const sampled = 4000

var separators = []rune{';', '\t', '|', ',', ' '}

// findTable finds separator, decimal sign and first row; nil after telling why there is none.
func (r *Reader) findTable(lines []Line) *Table {
	lines, forced := separatorLine(lines)
	var best *Table
	bestScore, bestTotal := 0, 0
	for _, s := range separators {
		if forced != 0 && s != forced {
			continue
		}
		for _, d := range []byte{'.', ','} {
			if r.Declared.Decimal != "" && r.Declared.Decimal[0] != d {
				continue
			}
			t := &Table{Reader: r, Lines: lines, separator: s, decimal: d}
			score, total := t.locate(lines[:min(len(lines), sampled)])
			if score > bestScore || score == bestScore && score > 0 && s == best.separator && total > bestTotal {
				best, bestScore, bestTotal = t, score, total
			}
		}
	}
	if best == nil {
		r.tellNoTable(lines)
		return nil
	}
	best.gather()
	return best
}

// tellNoTable says where the first line is that holds figures, if any.
func (r *Reader) tellNoTable(lines []Line) {
	for _, l := range lines {
		if _, closed := split(l.Text, ';'); !closed {
			r.Fail(l.Number, strings.LastIndexByte(l.Text, '"')+1, "a quoted field is not closed", MendRow)
			return
		}
		if !comment(l.Text) && strings.ContainsAny(l.Text, "0123456789") && !r.tellBlock(l) {
			r.Fail(l.Number, 1, "no table of figures begins here or later that can be cut into columns",
				"separate the columns by semicolon, tab or comma")
			return
		}
	}
	r.Fail(lines[0].Number, 1, "the file holds no figures", "export the trace as text or CSV")
}

// separatorLine takes the line "sep=;" that a spreadsheet writes first.
func separatorLine(lines []Line) ([]Line, rune) {
	if len(lines) > 1 {
		l := strings.TrimSpace(lines[0].Text)
		if len(l) == 5 && strings.EqualFold(l[:4], "sep=") && strings.ContainsRune(string(separators), rune(l[4])) {
			return lines[1:], rune(l[4])
		}
	}
	return lines, 0
}

// locate finds the longest run of rows of one width under the table's shape, and returns how much
// speaks for the shape: rows before anything else, then columns. Total is how many figures the rows have.
func (t *Table) locate(lines []Line) (score, bestTotal int) {
	bestFrom, bestLength, bestWidth, bestFigures, bestRank := 0, 0, 0, 0, 0
	from, length, width, figures, total := 0, 0, 0, 0, 0
	for i, l := range lines {
		if comment(l.Text) {
			continue
		}
		w, n := t.strictRow(l.Text)
		if w == 0 || w != width {
			from, length, width, figures, total = i, 0, w, 0, 0
		}
		if w == 0 {
			continue
		}
		length++
		figures = max(figures, n)
		total += n
		rank := length
		if t.Width = width; from > 0 && t.headsColumns(lines[from-1].Text) {
			rank += 2 // a line above names just as many columns
		}
		if rank > bestRank || rank == bestRank && figures > bestFigures {
			bestFrom, bestLength, bestWidth, bestFigures, bestRank, bestTotal = from, length, width, figures,
				rank, total
		}
	}
	if bestLength == 0 {
		return 0, 0
	}
	t.From, t.Width = bestFrom, bestWidth
	t.findNumeric(lines[bestFrom:])
	score = bestLength * 1000
	if bestFigures > 1 {
		// A shape that sees columns goes before one that sees a single number in the same lines.
		score += bestLength*500 + min(bestFigures, 20)
	}
	return score, bestTotal
}

// strictRow returns the number of cells of a row that holds figures and the number of its figures; 0
// cells for a line that is no row. Words beside figures are allowed where at least two cells are
// figures or stamps and the line does not begin with words.
func (t *Table) strictRow(line string) (width, figures int) {
	cells, closed := split(line, t.separator)
	if !closed {
		return 0, 0
	}
	cells = t.trimEmpty(cells)
	text := 0
	for i, c := range cells {
		switch v := t.read(c, t.decimal); v.Kind {
		case Number, stamped:
			figures++
		case missing:
			// A mark alone says nothing, beside figures it is a figure that is missing.
		case Words:
			if i == 0 || !c.quoted && strings.ContainsAny(c.Text, ";\t|") { // cut in the wrong place
				return 0, 0
			}
			text++
		}
	}
	if figures == 0 || text > 0 && figures < 2 {
		return 0, 0
	}
	return len(cells), figures
}

// trimEmpty drops one empty cell at the end: a separator that ends the line.
func (t *Table) trimEmpty(cells []Cell) []Cell {
	for len(cells) > 1 && cells[len(cells)-1].Text == "" && !cells[len(cells)-1].quoted {
		cells = cells[:len(cells)-1]
	}
	return cells
}

// findNumeric notes which columns hold figures and which hold stamps, from the first rows.
func (t *Table) findNumeric(lines []Line) {
	t.Numeric, t.Stamps = make([]bool, t.Width), make([]bool, t.Width)
	numbers, stamps, n := make([]int, t.Width), make([]int, t.Width), 0
	for _, l := range lines {
		w, _ := t.strictRow(l.Text)
		if w != t.Width {
			continue
		}
		if n++; n > 50 {
			break
		}
		cells, _ := split(l.Text, t.separator)
		for i := range t.Width {
			switch t.read(cells[i], t.decimal).Kind {
			case Number, missing:
				numbers[i]++
			case stamped:
				stamps[i]++
			}
		}
	}
	for i := range t.Width {
		t.Numeric[i] = numbers[i] > n/2
		t.Stamps[i] = stamps[i] > n/2
	}
}

// comment reports a line that begins with a sign of comments and is no row.
func comment(line string) bool {
	l := strings.TrimSpace(line)
	return l[0] == '#' || l[0] == '!' || l[0] == '%' || strings.HasPrefix(l, "//") || l[0] == '*' && len(l) > 1 &&
		l[1] != '.'
}

// gather reads every row from the first on, and goes up from there over rows whose other columns
// hold facts, as some scopes write them beside the table.
func (t *Table) gather() {
	t.From = t.earliest()
	first := t.From
	for first > 0 && t.rowBeside(first-1) {
		first--
	}
	for i := first; i < t.From; i++ {
		t.take(t.Lines[i], true)
	}
	if first > 0 && (t.damagedRow(t.Lines[first-1]) || t.tornRow(t.Lines[first-1]) || first > 1 &&
		t.headsWithUnits(t.Lines[first-2].Text) && !t.headsColumns(t.Lines[first-1].Text)) {
		t.notUnderstood(t.Lines[first-1])
	}
	if first > 0 && t.commentedRow(t.Lines[first-1]) {
		t.warnComment(t.Lines[first-1])
	}
	var odd []Line // since the last row
	for i := t.From; i < len(t.Lines); i++ {
		l := t.Lines[i]
		if comment(l.Text) {
			if t.commentedRow(l) {
				t.warnComment(l)
			}
			continue
		}
		if t.take(l, false) {
			for _, o := range odd {
				t.notUnderstood(o)
			}
			odd = nil
			continue
		}
		if (len(t.Rows)+1)*t.Width > mostCells { // told
			return
		}
		if t.secondTable(i) {
			t.next = i
			break
		}
		odd = append(odd, l)
	}
	for _, o := range odd { // behind the last row words may say what they like, figures are rows
		if !BeginsLikeFigure(o.Text) && !t.damagedRow(o) {
			t.Behind = append(t.Behind, o)
			continue
		}
		t.notUnderstood(o)
	}
	t.From = first
}

func (t *Table) commentedRow(l Line) bool {
	return comment(l.Text) && BeginsLikeFigure(Uncomment(l.Text))
}

func (t *Table) warnComment(l Line) {
	t.Warn(l.Number, 1, "a line that could be a row is marked as a comment; it is left out", "")
}

// damagedRow reports a line that has as many cells as the table and a figure where one belongs, and is no row.
func (t *Table) damagedRow(l Line) bool {
	if w, _ := t.strictRow(l.Text); w == t.Width || comment(l.Text) {
		return false
	}
	cells, closed := split(l.Text, t.separator)
	if cells = t.trimEmpty(cells); !closed || len(cells) != t.Width || t.Width < 2 {
		return false
	}
	for i, c := range cells {
		if t.Numeric[i] && t.read(c, t.decimal).Kind == Number || t.Stamps[i] && t.read(c, t.decimal).Kind == stamped {
			return i == 0 || t.read(cells[0], t.decimal).Kind != Words || BeginsLikeFigure(cells[0].Text)
		}
	}
	return false
}

// tornRow reports a line right above the first row that begins with a figure as that does, and has another number
// of cells.
func (t *Table) tornRow(l Line) bool {
	cells, _ := split(l.Text, t.separator)
	alone := len(cells) == 1 && t.read(cells[0], t.decimal).Kind != Words // how many rows follow, or a date
	return !comment(l.Text) && t.Numeric[0] && t.Width > 1 && BeginsLikeFigure(l.Text) && !alone
}

// BeginsLikeFigure reports a text whose first field is rather a figure than a word, perhaps a damaged one.
func BeginsLikeFigure(s string) bool {
	digits, letters := 0, 0
	for _, c := range s {
		switch {
		case c >= '0' && c <= '9':
			digits++
		case unicode.IsLetter(c):
			letters++
		case strings.ContainsRune(";\t|", c) && digits+letters > 0:
			return digits >= letters
		}
	}
	return digits > 0 && digits >= letters
}

// mostDamaged is how many lines in a row may be damaged inside a table.
const mostDamaged = 3

// earliest goes up from the longest run of rows over damaged lines to the first row of the table: a
// table that is damaged near its beginning begins before the damage.
func (t *Table) earliest() int {
	first, damaged := t.From, 0
	for i := 1; i < first; i++ { // rows further up are a table of their own, and the first one
		if w, _ := t.strictRow(t.Lines[i].Text); w == t.Width && !comment(t.Lines[i].Text) && t.fits(t.Lines[i].Text) {
			if w, _ := t.strictRow(t.Lines[i-1].Text); w == t.Width && !comment(t.Lines[i-1].Text) &&
				t.fits(t.Lines[i-1].Text) {
				first = i - 1
			}
		}
	}
	for i := first - 1; i >= 0 && damaged <= mostDamaged; i-- {
		l := t.Lines[i]
		switch w, _ := t.strictRow(l.Text); {
		case comment(l.Text):
		case w == t.Width && t.fits(l.Text):
			first, damaged = i, 0
		case t.headsColumns(l.Text):
			return first
		default:
			damaged++
		}
	}
	return first
}

// fits reports that a row has figures or stamps where the table has them.
func (t *Table) fits(line string) bool {
	cells, _ := split(line, t.separator)
	for i := range t.Width {
		k := t.read(cells[i], t.decimal).Kind
		if t.Numeric[i] && k != Number && k != missing || t.Stamps[i] && k != stamped {
			return false
		}
	}
	return true
}

// headsColumns reports a line of as many words as the table has columns: names or units.
func (t *Table) headsColumns(line string) bool {
	cells, closed := split(line, t.separator)
	cells = t.trimEmpty(cells)
	if !closed || len(cells) != t.Width {
		return false
	}
	for _, c := range cells {
		if k := t.read(c, t.decimal).Kind; k != Words && k != empty {
			return false
		}
	}
	return true
}

// headsWithUnits reports a heading in which every column has its unit: what stands below is a row.
func (t *Table) headsWithUnits(line string) bool {
	cells, _ := split(Uncomment(line), t.separator)
	for _, c := range t.trimEmpty(cells) {
		if name, unit, _ := SplitHeading(c.Text); unit == "" || name == "" {
			return false
		}
	}
	return t.headsColumns(Uncomment(line))
}

// rowBeside reports that a line has figures in every column where the rows have them, whatever its
// other columns hold, which are at least one; or that a row of the table stands behind facts.
func (t *Table) rowBeside(at int) bool {
	cells, closed := split(t.Lines[at].Text, t.separator)
	if len(cells) < t.Width || !closed {
		return false
	}
	if _, ok := t.behindFacts(cells); ok {
		return t.goesOn(at)
	}
	facts, figures := 0, 0
	for i := range t.Width {
		k := t.read(cells[i], t.decimal).Kind
		if !t.Numeric[i] && !t.Stamps[i] {
			if k != empty {
				facts++
			}
			continue
		}
		if k != Number && k != stamped && k != missing {
			return false
		}
		figures++
	}
	return facts > 0 && figures >= 2
}

// behindFacts returns how many cells of words and their values stand before a row of the table.
func (t *Table) behindFacts(cells []Cell) (int, bool) {
	cells = t.trimEmpty(cells)
	facts := len(cells) - t.Width
	if facts <= 0 || t.read(cells[0], t.decimal).Kind != Words {
		return 0, false
	}
	for i := range t.Width {
		if k := t.read(cells[facts+i], t.decimal).Kind; t.Numeric[i] && k != Number && k != missing || t.Stamps[i] &&
			k != stamped {
			return 0, false
		}
	}
	return facts, true
}

// goesOn reports that the first figure of the row at a line is as far from the next row's as that is from the
// one after it.
func (t *Table) goesOn(at int) bool {
	var x [3]float64
	for k := range x {
		if at+k >= len(t.Lines) {
			return false
		}
		cells, _ := split(t.Lines[at+k].Text, t.separator)
		if facts, ok := t.behindFacts(cells); ok {
			cells = cells[facts:]
		}
		for i := range t.Width {
			if i < len(cells) && t.Numeric[i] {
				x[k] = t.read(cells[i], t.decimal).X
				break
			}
		}
	}
	return x[1] != x[0] && math.Abs((x[1]-x[0])-(x[2]-x[1])) < 0.5*math.Abs(x[2]-x[1])
}

// take adds a line to the rows, if it is one.
func (t *Table) take(l Line, beside bool) bool {
	if w, _ := t.strictRow(l.Text); !beside && w != t.Width {
		if w == 0 || w > t.Width || !t.shortRow(l.Text) {
			return false
		}
	}
	if (len(t.Rows)+1)*t.Width > mostCells {
		t.Fail(l.Number, 1, fmt.Sprintf("the table has more than %d fields; no more are read", mostCells),
			"export fewer points or columns")
		return false
	}
	cells, _ := split(l.Text, t.separator)
	r := Row{Line: l.Number, Data: make([]Value, t.Width)}
	if facts, ok := t.behindFacts(cells); beside && ok {
		r.facts, cells = cells[:facts], cells[facts:]
	}
	r.Cells = append(r.Cells, cells[:min(len(cells), t.Width)]...)
	for len(r.Cells) < t.Width {
		r.Cells = append(r.Cells, Cell{})
	}
	for i, c := range r.Cells {
		r.Data[i] = t.read(c, t.decimal)
		if (t.Numeric[i] || t.Stamps[i]) && r.Data[i].Kind == Words {
			return false
		}
	}
	t.Rows = append(t.Rows, r)
	return true
}

// shortRow reports a row whose last cells are empty and were dropped with their separators still
// there.
func (t *Table) shortRow(line string) bool {
	cells, _ := split(line, t.separator)
	return len(cells) >= t.Width
}

// notUnderstood tells where a line inside or behind the table stops to make sense.
func (t *Table) notUnderstood(l Line) {
	cells, closed := split(l.Text, t.separator)
	if !closed {
		t.Fail(l.Number, cells[len(cells)-1].Column, "a quoted field is not closed", MendRow)
		return
	}
	if t.tellBlock(l) {
		return
	}
	cells = t.trimEmpty(cells)
	for i, c := range cells {
		if t.read(c, t.decimal).Kind == Words && (i >= t.Width || t.Numeric[i] || t.Stamps[i]) {
			t.tellNoFigure(l.Number, c)
			return
		}
	}
	t.Fail(l.Number, 1, fmt.Sprintf("the line has %s where the table has %s",
		english.Count(len(cells), "column", "columns"), english.Count(t.Width, "column", "columns")), MendRow)
}

// tellNoFigure tells a cell that should be a figure and is none, or none with the table's decimal sign.
func (t *Table) tellNoFigure(line int, c Cell) {
	other, sign := byte('.'), "point"
	if t.decimal == '.' {
		other, sign = ',', "comma"
	}
	if t.read(c, t.decimal).Kind == Words && t.read(c, other).Kind == Number {
		t.Fail(line, c.Column, fmt.Sprintf("%q has a decimal %s, and other figures of the table have not", c.Text,
			sign),
			"write every number with a decimal point and no sign before thousands")
		return
	}
	t.Fail(line, c.Column, fmt.Sprintf("%q is no figure", Shorten(c.Text)), MendRow)
}

// No row is left out in silence.
const MendRow = "mend the line, or take it out if it belongs to no row"

// secondTable reports that another table begins at a line behind the first: words, and rows of figures below
// them that have other columns, or whose first figure goes back to the beginning.
func (t *Table) secondTable(at int) bool {
	if len(t.Rows) == 0 {
		return false
	}
	if cells, _ := split(t.Lines[at].Text, t.separator); t.read(cells[0], t.decimal).Kind == Number ||
		t.read(cells[0], t.decimal).Kind == stamped {
		return false
	}
	last := 0
	for i := at + 1; i < min(at+200, len(t.Lines)); i++ {
		if comment(t.Lines[i].Text) {
			continue
		}
		w, figures := t.strictRow(t.Lines[i].Text)
		if w == last && w != t.Width && figures > 1 {
			return true
		}
		if last = w; w != t.Width {
			continue
		}
		cells, _ := split(t.Lines[i].Text, t.separator)
		for k := range t.Width {
			if t.Numeric[k] {
				first, now := t.Rows[0].Data[k], t.read(cells[k], t.decimal)
				return now.Kind == Number && first.Kind == Number && now.X == first.X && len(t.Rows) > 1 &&
					t.Rows[1].Data[k].X != first.X
			}
		}
	}
	return false
}

// Shorten cuts a text that is told in a message.
func Shorten(s string) string {
	if r := []rune(s); len(r) > 40 {
		return string(r[:40]) + "…"
	}
	return s
}

// DecimalSign settles numbers that can be read in two ways: a point or comma that could as well stand before
// thousands as before decimals, in every number of a column that has one. Where such a column counts in decibel
// it was no thousands, for no level is a thousand decibel high; the same sign then stands before decimals in the
// other columns. Where nothing tells, the number is refused.
func (t *Table) DecimalSign() bool {
	if t.Declared.Decimal != "" {
		return true
	}
	sign := byte(',')
	if t.decimal == ',' {
		sign = '.'
	}
	var open []int
	told, decibel, hertz, points := Row{}, false, false, false
	for i := range t.Width {
		if !t.Numeric[i] {
			continue
		}
		n, like := 0, 0
		var first Row
		for _, r := range t.Rows {
			text := r.Cells[i].Text
			points = points || strings.IndexByte(text, '.') >= 0
			if r.Data[i].Kind == Number && strings.IndexByte(text, sign) >= 0 {
				if n++; grouped(text, sign) {
					if like++; like == 1 {
						first = r
					}
				}
			}
		}
		hertz = hertz || t.Units[i].Unit == "Hz"
		if n == 0 || n != like {
			continue
		}
		if len(open) == 0 {
			told = first
		}
		open = append(open, i)
		decibel = decibel || strings.HasPrefix(t.Units[i].Unit, "dB")
	}
	if len(open) == 0 {
		return true
	}
	decibel = decibel || t.Want != "" && t.separator == ';' && sign == ',' && !hertz && !points
	if !decibel {
		at := told.Cells[open[0]]
		t.Fail(told.Line, at.Column, fmt.Sprintf("%q can be read in two ways, as every number of its column", at.Text),
			t.mend("write every number with a decimal point and no sign before thousands",
				", or declare the decimal sign, comma or point"))
		return false
	}
	for _, i := range open {
		for k := range t.Rows {
			if r := &t.Rows[k]; strings.IndexByte(r.Cells[i].Text, sign) >= 0 {
				r.Data[i] = t.read(r.Cells[i], sign)
			}
		}
	}
	return true
}

// tables goes on to the table that was asked for, and refuses a file that has more than one where none was.
func (t *Table) tables() *Table {
	want := t.Declared.Table
	for n := 1; ; n++ {
		switch {
		case want == n:
			t.next = 0
			return t
		case t.next == 0 && want > n:
			t.Fail(t.Lines[t.From].Number, 1,
				fmt.Sprintf("the file has %d table(s), and the one numbered %d is asked for", n, want), "")
			return nil
		case t.next == 0:
			return t
		case want == 0:
			l := t.Lines[t.next]
			for i := t.next; strings.EqualFold(strings.TrimSpace(l.Text), "END"); i++ {
				l = t.Lines[i]
			}
			if hint := "say which one is to be read, from 1, or split the file"; t.Want == "" {
				t.Fail(l.Number, 1, "a second table begins here", hint)
			} else if !t.tellBlock(l) {
				t.Fail(l.Number, 1, "a second table begins here", "leave one table in the file")
			}
			return nil
		}
		if t = t.findTable(t.Lines[t.next:]); t == nil {
			return nil
		}
	}
}
