package tabular

import (
	"fmt"
	"slices"
	"strings"
)

// Wanted is a column of a table whose columns a reader knows by their names or by what they count in.
type Wanted struct {
	Names    []string // headings in lower case, without their units; the first one stands in messages
	Quantity string   // of the figures: "frequency", "power"; "number" (OfNumber) where they have no unit; "" for words
	Optional bool
}

// MaximumNamed is the size of the largest file that Named reads, in bytes.
const MaximumNamed = 1 << 20

// The heading is looked for in the first lines, and has not more columns than that.
const (
	mostAbove    = 400
	mostHeadings = 1000
)

// Named reads a table whose heading names the wanted columns, in any order and among others. Above the heading may
// stand what likes to, each row may end early, and a quoted cell may go on in the next line. It returns the column
// of each wanted one, -1 for an optional one that is not there; no columns after telling what is wrong.
func Named(name string, data []byte, example string, wanted ...Wanted) (*Table, []int) {
	r := &Reader{Name: name, Want: wanted[0].Quantity, fixed: true}
	t := &Table{Reader: r}
	if len(data) > MaximumNamed {
		r.Fail(0, 0, fmt.Sprintf("the table has %d bytes; at most %d are read", len(data), MaximumNamed), "")
		return t, nil
	}
	lines := r.Lines(data)
	if r.Problems.Err() != nil {
		return t, nil
	}
	columns := t.head(lines, example, wanted)
	if columns == nil || !t.namedRows(example) {
		return t, nil
	}
	t.factsAbove()
	out := t.settle(columns, wanted)
	if r.Problems.Err() != nil {
		return t, nil
	}
	return t, out
}

// head finds the heading: the first line, cut at one of the separators, that names every wanted column. It returns
// the columns that could be each.
func (t *Table) head(lines []Line, example string, wanted []Wanted) [][]int {
	lines, forced := separatorLine(lines)
	t.Lines, t.decimal = lines, '.'
	best, bestMissing := -1, []string(nil)
	var names []Cell
	var columns [][]int
	for at := 0; at < min(len(lines), mostAbove) && (best < 0 || len(bestMissing) > 0); at++ {
		for _, s := range separators {
			if forced != 0 && s != forced {
				continue
			}
			cells := t.headingCells(lines[at].Text, s)
			found, missing := t.match(cells, wanted)
			fewer := best < 0 || len(missing) < len(bestMissing)
			as := best == at && len(missing) == len(bestMissing) && matched(found) > matched(columns)
			if len(missing) < len(wanted) && (fewer || as) {
				best, bestMissing, t.separator, names, columns = at, missing, s, cells, found
			}
		}
	}
	if best < 0 {
		t.Fail(lines[0].Number, 1, "the file has no rows under a heading that names its columns", example)
		return nil
	}
	for _, name := range bestMissing {
		t.Fail(lines[best].Number, 1, fmt.Sprintf("there is no column %q", name), example)
	}
	t.Width, t.HeadLine, t.HeadFrom, t.From = len(names), lines[best].Number, best, best+1
	t.Units, t.Numeric, t.Stamps = make([]UnitAt, t.Width), make([]bool, t.Width), make([]bool, t.Width)
	for k, w := range wanted {
		for _, i := range columns[k] {
			t.Numeric[i] = w.Quantity != ""
		}
	}
	if t.From < len(lines) {
		units := t.headingCells(lines[t.From].Text, t.separator)
		if units = append(units, make([]Cell, max(0, t.Width-len(units)))...); t.onlyUnits(units) {
			t.takeUnits(units, lines[t.From].Number)
			t.From++
		}
	}
	t.takeNames(names)
	if t.Problems.Err() != nil {
		return nil
	}
	return columns
}

func matched(columns [][]int) (n int) {
	for _, c := range columns {
		n += min(len(c), 1)
	}
	return n
}

// headingCells cuts a heading. A quote that is not closed is a double prime.
func (t *Table) headingCells(line string, separator rune) []Cell {
	line = Uncomment(line)
	cells, closed := split(line, separator)
	if !closed {
		cells, _ = split(strings.ReplaceAll(line, `"`, "″"), separator)
	}
	if cells = t.trimEmpty(cells); separator == ' ' {
		return joinBrackets(cells)
	}
	return cells
}

// match finds the cells of a heading that could be each wanted column: by name, else by what they count in. Missing
// are the names of those that have none. A line with a figure in one of them is no heading.
func (t *Table) match(cells []Cell, wanted []Wanted) (columns [][]int, missing []string) {
	columns = make([][]int, len(wanted))
	if len(cells) > mostHeadings {
		return columns, make([]string, len(wanted))
	}
	type heading struct {
		name, of string
		taken    bool
	}
	headings := make([]heading, len(cells))
	for i, c := range cells {
		name, _, of := SplitHeading(c.Text)
		headings[i] = heading{strings.ReplaceAll(strings.ToLower(name), "μ", "µ"), of, false}
	}
	for _, byName := range []bool{true, false} {
		for k, w := range wanted {
			if !byName && (len(columns[k]) > 0 || w.Quantity == "" || w.Optional) {
				continue
			}
			for i := range headings {
				h := &headings[i]
				is := h.of == w.Quantity
				if byName {
					is = slices.Contains(w.Names, h.name) || k == 0 && w.Quantity == OfFrequency &&
						Meant(h.name) == OfFrequency
				}
				if is && !h.taken {
					if t.read(cells[i], t.decimal).Kind == Number {
						return nil, make([]string, len(wanted))
					}
					columns[k], h.taken = append(columns[k], i), true
				}
			}
		}
	}
	for k, w := range wanted {
		if len(columns[k]) == 0 && !w.Optional {
			missing = append(missing, w.Names[0])
		}
	}
	if matched(columns) == 0 {
		missing = make([]string, len(wanted))
	}
	return columns, missing
}

// namedRows reads the rows below the heading.
func (t *Table) namedRows(example string) bool {
	for i := t.From; i < len(t.Lines); i++ {
		l := t.Lines[i]
		if comment(l.Text) {
			if t.commentedRow(l) {
				t.warnComment(l)
			}
			continue
		}
		cells, closed := split(l.Text, t.separator)
		for more := i + 1; !closed && more < min(i+20, len(t.Lines)); more++ { // a cell of several lines
			l.Text += " " + t.Lines[more].Text
			if longer, ok := split(l.Text, t.separator); ok {
				cells, closed, i = longer, true, more
			}
		}
		cells = t.trimEmpty(cells)
		switch {
		case len(cells) == 1 && cells[0] == Cell{Column: cells[0].Column}:
			// separators alone, as spreadsheets leave them
			continue
		case !closed:
			t.notUnderstood(t.Lines[i])
			continue
		case len(cells) > t.Width && len(t.Rows) == 0:
			t.tellNarrow(l.Number, len(cells), t.HeadLine, t.Width)
			return false
		case len(cells) > t.Width:
			t.notUnderstood(l)
			continue
		}
		cells = append(cells, make([]Cell, t.Width-len(cells))...)
		t.Rows = append(t.Rows, Row{Line: l.Number, Cells: cells, Data: make([]Value, t.Width)})
	}
	if len(t.Rows) == 0 {
		if t.Problems.Err() == nil {
			t.Fail(t.HeadLine, 1, "the table has a heading and no rows", example)
		}
		return false
	}
	return true
}

// settle decides for one column for each that is wanted, and reads the figures.
func (t *Table) settle(columns [][]int, wanted []Wanted) []int {
	figures := t.readAs(',')
	if t.decimal = '.'; t.readAs('.') < figures {
		t.decimal = ','
		t.readAs(',')
	}
	t.numbers()
	out, numeric := make([]int, len(wanted)), make([]bool, t.Width)
	for k, w := range wanted {
		if out[k] = -1; len(columns[k]) == 0 {
			continue
		}
		i, twice := columns[k][0], len(columns[k]) > 1
		out[k], t.Want = i, w.Quantity
		some := slices.ContainsFunc(t.Rows, func(r Row) bool { return r.Data[i].Kind == Number })
		switch numeric[i] = w.Quantity != ""; {
		case w.Quantity == "" || !some && t.Units[i].Unit == "": // nothing that needs a unit
		case w.Quantity == OfNumber:
			if t.Units[i].Unit == "" {
				t.Units[i] = UnitAt{Unit: "1", Quantity: OfNumber}
			}
			t.IsOf(i, w.Quantity)
		case w.Quantity == OfFrequency:
			if t.SettleUnit(i, true, nil) && t.IsOf(i, w.Quantity) && twice {
				t.Numeric = make([]bool, t.Width)
				for _, twin := range columns[k] {
					t.Numeric[twin] = true
				}
				t.DropSecondX(i)
				twice = false
			}
		default:
			if t.SettleUnit(i, false, nil) {
				t.IsOf(i, w.Quantity)
			}
		}
		if twice {
			t.TellSeveral(w.Names[0], columns[k])
		}
	}
	t.Numeric, t.Want = numeric, OfFrequency
	t.DecimalSign()
	t.CheckCount()
	return out
}

// readAs reads every cell under a decimal sign, and returns how many of those that should be figures are.
func (t *Table) readAs(decimal byte) (figures int) {
	for _, r := range t.Rows {
		for i, c := range r.Cells {
			if r.Data[i] = t.read(c, decimal); t.Numeric[i] && r.Data[i].Kind == Number {
				figures++
			}
		}
	}
	return figures
}
