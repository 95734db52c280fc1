package trace

import (
	"fmt"
	"math"
	"strings"
	"unicode"
)

// table is the rows of a file and what stands above them.
type table struct {
	*reader
	lines      []textLine
	separator  rune
	decimal    byte
	width      int    // cells of a row
	numeric    []bool // by column: figures stand there
	stamps     []bool // by column: time stamps, or one part of them
	from       int    // index into lines of the first row
	rows       []row
	facts      []fact
	header     []cell // one for each column; nil without a header
	headLine   int
	units      []unitAt             // one for each column
	next       int                  // index into lines where a second table begins; 0 for none
	behind     []textLine           // words behind the last row
	besideHead map[int]map[int]bool // by line above the table: columns that hold facts
	headFrom   int                  // index into lines of the first header line; from where there is none
}

type unitAt struct {
	unit, quantity string
	line, column   int
}

type row struct {
	line  int
	cells []cell
	data  []value
	facts []cell // that stand before it
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
func (r *reader) findTable(lines []textLine) *table {
	lines, forced := separatorLine(lines)
	var best *table
	bestScore, bestTotal := 0, 0
	for _, s := range separators {
		if forced != 0 && s != forced {
			continue
		}
		for _, d := range []byte{'.', ','} {
			if r.declared.Decimal != "" && r.declared.Decimal[0] != d {
				continue
			}
			t := &table{reader: r, lines: lines, separator: s, decimal: d}
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
func (r *reader) tellNoTable(lines []textLine) {
	for _, l := range lines {
		if _, closed := split(l.text, ';'); !closed {
			r.fail(l.number, strings.LastIndexByte(l.text, '"')+1, "a quoted field is not closed", mendRow)
			return
		}
		if !comment(l.text) && strings.ContainsAny(l.text, "0123456789") && !r.tellBlock(l) {
			r.fail(l.number, 1, "no table of figures begins here or later that can be cut into columns", "separate the columns by semicolon, tab or comma")
			return
		}
	}
	r.fail(lines[0].number, 1, "the file holds no figures", "export the trace as text or CSV")
}

// separatorLine takes the line "sep=;" that a spreadsheet writes first.
func separatorLine(lines []textLine) ([]textLine, rune) {
	if len(lines) > 1 {
		l := strings.TrimSpace(lines[0].text)
		if len(l) == 5 && strings.EqualFold(l[:4], "sep=") && strings.ContainsRune(string(separators), rune(l[4])) {
			return lines[1:], rune(l[4])
		}
	}
	return lines, 0
}

// locate finds the longest run of rows of one width under the table's shape, and returns how much
// speaks for the shape: rows before anything else, then columns. Total is how many figures the rows have.
func (t *table) locate(lines []textLine) (score, bestTotal int) {
	bestFrom, bestLength, bestWidth, bestFigures, bestRank := 0, 0, 0, 0, 0
	from, length, width, figures, total := 0, 0, 0, 0, 0
	for i, l := range lines {
		if comment(l.text) {
			continue
		}
		w, n := t.strictRow(l.text)
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
		if t.width = width; from > 0 && t.headsColumns(lines[from-1].text) {
			rank += 2 // a line above names just as many columns
		}
		if rank > bestRank || rank == bestRank && figures > bestFigures {
			bestFrom, bestLength, bestWidth, bestFigures, bestRank, bestTotal = from, length, width, figures, rank, total
		}
	}
	if bestLength == 0 {
		return 0, 0
	}
	t.from, t.width = bestFrom, bestWidth
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
func (t *table) strictRow(line string) (width, figures int) {
	cells, closed := split(line, t.separator)
	if !closed {
		return 0, 0
	}
	cells = t.trimEmpty(cells)
	text := 0
	for i, c := range cells {
		switch v := t.read(c, t.decimal); v.kind {
		case number, stamped:
			figures++
		case missing:
			// A mark alone says nothing, beside figures it is a figure that is missing.
		case words:
			if i == 0 || !c.quoted && strings.ContainsAny(c.text, ";\t|") { // cut in the wrong place
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
func (t *table) trimEmpty(cells []cell) []cell {
	for len(cells) > 1 && cells[len(cells)-1].text == "" && !cells[len(cells)-1].quoted {
		cells = cells[:len(cells)-1]
	}
	return cells
}

// findNumeric notes which columns hold figures and which hold stamps, from the first rows.
func (t *table) findNumeric(lines []textLine) {
	t.numeric, t.stamps = make([]bool, t.width), make([]bool, t.width)
	numbers, stamps, n := make([]int, t.width), make([]int, t.width), 0
	for _, l := range lines {
		w, _ := t.strictRow(l.text)
		if w != t.width {
			continue
		}
		if n++; n > 50 {
			break
		}
		cells, _ := split(l.text, t.separator)
		for i := range t.width {
			switch t.read(cells[i], t.decimal).kind {
			case number, missing:
				numbers[i]++
			case stamped:
				stamps[i]++
			}
		}
	}
	for i := range t.width {
		t.numeric[i] = numbers[i] > n/2
		t.stamps[i] = stamps[i] > n/2
	}
}

// comment reports a line that begins with a sign of comments and is no row.
func comment(line string) bool {
	l := strings.TrimSpace(line)
	return l[0] == '#' || l[0] == '!' || l[0] == '%' || strings.HasPrefix(l, "//") || l[0] == '*' && len(l) > 1 && l[1] != '.'
}

// gather reads every row from the first on, and goes up from there over rows whose other columns
// hold facts, as some scopes write them beside the table.
func (t *table) gather() {
	t.from = t.earliest()
	first := t.from
	for first > 0 && t.rowBeside(first-1) {
		first--
	}
	for i := first; i < t.from; i++ {
		t.take(t.lines[i], true)
	}
	if first > 0 && (t.damagedRow(t.lines[first-1]) || t.tornRow(t.lines[first-1]) || first > 1 && t.headsWithUnits(t.lines[first-2].text) && !t.headsColumns(t.lines[first-1].text)) {
		t.notUnderstood(t.lines[first-1])
	}
	if first > 0 && t.commentedRow(t.lines[first-1]) {
		t.warnComment(t.lines[first-1])
	}
	var odd []textLine // since the last row
	for i := t.from; i < len(t.lines); i++ {
		l := t.lines[i]
		if comment(l.text) {
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
		if (len(t.rows)+1)*t.width > mostCells { // told
			return
		}
		if t.secondTable(i) {
			t.next = i
			break
		}
		odd = append(odd, l)
	}
	for _, o := range odd { // behind the last row words may say what they like, figures are rows
		if !beginsLikeFigure(o.text) && !t.damagedRow(o) {
			t.behind = append(t.behind, o)
			continue
		}
		t.notUnderstood(o)
	}
	t.from = first
}

func (t *table) commentedRow(l textLine) bool {
	return comment(l.text) && beginsLikeFigure(uncomment(l.text))
}

func (t *table) warnComment(l textLine) {
	t.warn(l.number, 1, "a line that could be a row is marked as a comment; it is left out", "")
}

// damagedRow reports a line that has as many cells as the table and a figure where one belongs, and is no row.
func (t *table) damagedRow(l textLine) bool {
	if w, _ := t.strictRow(l.text); w == t.width || comment(l.text) {
		return false
	}
	cells, closed := split(l.text, t.separator)
	if cells = t.trimEmpty(cells); !closed || len(cells) != t.width || t.width < 2 {
		return false
	}
	for i, c := range cells {
		if t.numeric[i] && t.read(c, t.decimal).kind == number || t.stamps[i] && t.read(c, t.decimal).kind == stamped {
			return i == 0 || t.read(cells[0], t.decimal).kind != words || beginsLikeFigure(cells[0].text)
		}
	}
	return false
}

// tornRow reports a line right above the first row that begins with a figure as that does, and has another number
// of cells.
func (t *table) tornRow(l textLine) bool {
	cells, _ := split(l.text, t.separator)
	alone := len(cells) == 1 && t.read(cells[0], t.decimal).kind != words // how many rows follow, or a date
	return !comment(l.text) && t.numeric[0] && t.width > 1 && beginsLikeFigure(l.text) && !alone
}

// beginsLikeFigure reports a text whose first field is rather a figure than a word, perhaps a damaged one.
func beginsLikeFigure(s string) bool {
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
func (t *table) earliest() int {
	first, damaged := t.from, 0
	for i := 1; i < first; i++ { // rows further up are a table of their own, and the first one
		if w, _ := t.strictRow(t.lines[i].text); w == t.width && !comment(t.lines[i].text) && t.fits(t.lines[i].text) {
			if w, _ := t.strictRow(t.lines[i-1].text); w == t.width && !comment(t.lines[i-1].text) && t.fits(t.lines[i-1].text) {
				first = i - 1
			}
		}
	}
	for i := first - 1; i >= 0 && damaged <= mostDamaged; i-- {
		l := t.lines[i]
		switch w, _ := t.strictRow(l.text); {
		case comment(l.text):
		case w == t.width && t.fits(l.text):
			first, damaged = i, 0
		case t.headsColumns(l.text):
			return first
		default:
			damaged++
		}
	}
	return first
}

// fits reports that a row has figures or stamps where the table has them.
func (t *table) fits(line string) bool {
	cells, _ := split(line, t.separator)
	for i := range t.width {
		k := t.read(cells[i], t.decimal).kind
		if t.numeric[i] && k != number && k != missing || t.stamps[i] && k != stamped {
			return false
		}
	}
	return true
}

// headsColumns reports a line of as many words as the table has columns: names or units.
func (t *table) headsColumns(line string) bool {
	cells, closed := split(line, t.separator)
	cells = t.trimEmpty(cells)
	if !closed || len(cells) != t.width {
		return false
	}
	for _, c := range cells {
		if k := t.read(c, t.decimal).kind; k != words && k != empty {
			return false
		}
	}
	return true
}

// headsWithUnits reports a heading in which every column has its unit: what stands below is a row.
func (t *table) headsWithUnits(line string) bool {
	cells, _ := split(uncomment(line), t.separator)
	for _, c := range t.trimEmpty(cells) {
		if name, unit, _ := heading(c.text); unit == "" || name == "" {
			return false
		}
	}
	return t.headsColumns(uncomment(line))
}

// rowBeside reports that a line has figures in every column where the rows have them, whatever its
// other columns hold, which are at least one; or that a row of the table stands behind facts.
func (t *table) rowBeside(at int) bool {
	cells, closed := split(t.lines[at].text, t.separator)
	if len(cells) < t.width || !closed {
		return false
	}
	if _, ok := t.behindFacts(cells); ok {
		return t.goesOn(at)
	}
	facts, figures := 0, 0
	for i := range t.width {
		k := t.read(cells[i], t.decimal).kind
		if !t.numeric[i] && !t.stamps[i] {
			if k != empty {
				facts++
			}
			continue
		}
		if k != number && k != stamped && k != missing {
			return false
		}
		figures++
	}
	return facts > 0 && figures >= 2
}

// behindFacts returns how many cells of words and their values stand before a row of the table.
func (t *table) behindFacts(cells []cell) (int, bool) {
	cells = t.trimEmpty(cells)
	facts := len(cells) - t.width
	if facts <= 0 || t.read(cells[0], t.decimal).kind != words {
		return 0, false
	}
	for i := range t.width {
		if k := t.read(cells[facts+i], t.decimal).kind; t.numeric[i] && k != number && k != missing || t.stamps[i] && k != stamped {
			return 0, false
		}
	}
	return facts, true
}

// goesOn reports that the first figure of the row at a line is as far from the next row's as that is from the
// one after it.
func (t *table) goesOn(at int) bool {
	var x [3]float64
	for k := range x {
		if at+k >= len(t.lines) {
			return false
		}
		cells, _ := split(t.lines[at+k].text, t.separator)
		if facts, ok := t.behindFacts(cells); ok {
			cells = cells[facts:]
		}
		for i := range t.width {
			if i < len(cells) && t.numeric[i] {
				x[k] = t.read(cells[i], t.decimal).x
				break
			}
		}
	}
	return x[1] != x[0] && math.Abs((x[1]-x[0])-(x[2]-x[1])) < 0.5*math.Abs(x[2]-x[1])
}

// take adds a line to the rows, if it is one.
func (t *table) take(l textLine, beside bool) bool {
	if w, _ := t.strictRow(l.text); !beside && w != t.width {
		if w == 0 || w > t.width || !t.shortRow(l.text) {
			return false
		}
	}
	if (len(t.rows)+1)*t.width > mostCells {
		t.fail(l.number, 1, fmt.Sprintf("the table has more than %d fields; no more are read", mostCells), "export fewer points or columns")
		return false
	}
	cells, _ := split(l.text, t.separator)
	r := row{line: l.number, data: make([]value, t.width)}
	if facts, ok := t.behindFacts(cells); beside && ok {
		r.facts, cells = cells[:facts], cells[facts:]
	}
	r.cells = append(r.cells, cells[:min(len(cells), t.width)]...)
	for len(r.cells) < t.width {
		r.cells = append(r.cells, cell{})
	}
	for i, c := range r.cells {
		r.data[i] = t.read(c, t.decimal)
		if (t.numeric[i] || t.stamps[i]) && r.data[i].kind == words {
			return false
		}
	}
	t.rows = append(t.rows, r)
	return true
}

// shortRow reports a row whose last cells are empty and were dropped with their separators still
// there.
func (t *table) shortRow(line string) bool {
	cells, _ := split(line, t.separator)
	return len(cells) >= t.width
}

// notUnderstood tells where a line inside or behind the table stops to make sense.
func (t *table) notUnderstood(l textLine) {
	cells, closed := split(l.text, t.separator)
	if !closed {
		t.fail(l.number, cells[len(cells)-1].column, "a quoted field is not closed", mendRow)
		return
	}
	if t.tellBlock(l) {
		return
	}
	cells = t.trimEmpty(cells)
	for i, c := range cells {
		if other := map[byte]byte{'.': ',', ',': '.'}[t.decimal]; i < t.width && t.numeric[i] && t.read(c, t.decimal).kind == words && t.read(c, other).kind == number {
			t.fail(l.number, c.column, fmt.Sprintf("%q has a decimal %s, and other figures of the table have not", c.text, map[byte]string{'.': "point", ',': "comma"}[other]), "write every number with a decimal point and no sign before thousands")
			return
		}
		if t.read(c, t.decimal).kind == words && (i >= t.width || t.numeric[i] || t.stamps[i]) {
			t.fail(l.number, c.column, fmt.Sprintf("%q is no figure", shorten(c.text)), mendRow)
			return
		}
	}
	t.fail(l.number, 1, fmt.Sprintf("the line has %s where the table has %s", columnsOf(len(cells)), columnsOf(t.width)), mendRow)
}

// No row is left out in silence.
const mendRow = "mend the line, or take it out if it belongs to no row"

// secondTable reports that another table begins at a line behind the first: words, and rows of figures below
// them that have other columns, or whose first figure goes back to the beginning.
func (t *table) secondTable(at int) bool {
	if len(t.rows) == 0 {
		return false
	}
	if cells, _ := split(t.lines[at].text, t.separator); t.read(cells[0], t.decimal).kind == number || t.read(cells[0], t.decimal).kind == stamped {
		return false
	}
	last := 0
	for i := at + 1; i < min(at+200, len(t.lines)); i++ {
		if comment(t.lines[i].text) {
			continue
		}
		w, figures := t.strictRow(t.lines[i].text)
		if w == last && w != t.width && figures > 1 {
			return true
		}
		if last = w; w != t.width {
			continue
		}
		cells, _ := split(t.lines[i].text, t.separator)
		for k := range t.width {
			if t.numeric[k] {
				first, now := t.rows[0].data[k], t.read(cells[k], t.decimal)
				return now.kind == number && first.kind == number && now.x == first.x && len(t.rows) > 1 && t.rows[1].data[k].x != first.x
			}
		}
	}
	return false
}

func columnsOf(n int) string {
	if n == 1 {
		return "1 column"
	}
	return fmt.Sprintf("%d columns", n)
}

func shorten(s string) string {
	if r := []rune(s); len(r) > 40 {
		return string(r[:40]) + "…"
	}
	return s
}

// decimalSign settles numbers that can be read in two ways: a point or comma that could as well stand before
// thousands as before decimals, in every number of a column that has one. Where such a column counts in decibel
// it was no thousands, for no level is a thousand decibel high; the same sign then stands before decimals in the
// other columns. Where nothing tells, the number is refused.
func (t *table) decimalSign() bool {
	if t.declared.Decimal != "" {
		return true
	}
	sign := byte(',')
	if t.decimal == ',' {
		sign = '.'
	}
	var open []int
	told, decibel, hertz, points := row{}, false, false, false
	for i := range t.width {
		if !t.numeric[i] {
			continue
		}
		n, like := 0, 0
		var first row
		for _, r := range t.rows {
			text := r.cells[i].text
			points = points || strings.IndexByte(text, '.') >= 0
			if r.data[i].kind == number && strings.IndexByte(text, sign) >= 0 {
				if n++; grouped(text, sign) {
					if like++; like == 1 {
						first = r
					}
				}
			}
		}
		hertz = hertz || t.units[i].unit == "Hz"
		if n == 0 || n != like {
			continue
		}
		if len(open) == 0 {
			told = first
		}
		open = append(open, i)
		decibel = decibel || strings.HasPrefix(t.units[i].unit, "dB")
	}
	if len(open) == 0 {
		return true
	}
	decibel = decibel || t.want != "" && t.separator == ';' && sign == ',' && !hertz && !points
	if !decibel {
		at := told.cells[open[0]]
		t.fail(told.line, at.column, fmt.Sprintf("%q can be read in two ways, as every number of its column", at.text), "declare the decimal sign, comma or point")
		return false
	}
	for _, i := range open {
		for k := range t.rows {
			if r := &t.rows[k]; strings.IndexByte(r.cells[i].text, sign) >= 0 {
				r.data[i] = t.read(r.cells[i], sign)
			}
		}
	}
	return true
}

// tables goes on to the table that was asked for, and refuses a file that has more than one where none was.
func (t *table) tables() *table {
	want := t.declared.Table
	for n := 1; ; n++ {
		switch {
		case want == n:
			t.next = 0
			return t
		case t.next == 0 && want > n:
			t.fail(t.lines[t.from].number, 1, fmt.Sprintf("the file has %d table(s), and the one numbered %d is asked for", n, want), "")
			return nil
		case t.next == 0:
			return t
		case want == 0:
			l := t.lines[t.next]
			for i := t.next; strings.EqualFold(strings.TrimSpace(l.text), "END"); i++ {
				l = t.lines[i]
			}
			if hint := "say which one is to be read, from 1, or split the file"; t.want == "" {
				t.fail(l.number, 1, "a second table begins here", hint)
			} else if !t.tellBlock(l) {
				t.fail(l.number, 1, "a second table begins here", "leave one table in the file")
			}
			return nil
		}
		if t = t.findTable(t.lines[t.next:]); t == nil {
			return nil
		}
	}
}
