package report

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"provoke/internal/tell"
)

const (
	cellGap    = 9.0 // between columns
	cellPad    = 2.6 // above and below a row
	largestRow = 7.6 // size of the lettering of a table that has room
	leastRow   = 6.0
)

// setTable is a table as it is set: the widths of its columns, and the size of its lettering.
type setTable struct {
	*tell.Table
	size   float64
	widths []float64
	head   [][]string
}

func (s *setTable) style(c tell.Cell) style {
	switch c.Mark {
	case "good", "warn", "bad":
		return style{bold, s.size, markColour(c.Mark)}
	case "code":
		return style{mono, s.size * 0.84, ink}
	}
	return style{regular, s.size, ink}
}

func (s *setTable) headStyle() style { return style{regular, s.size, quietInk} }

// table writes a table; its head is repeated on every page that it runs over.
func (d *printer) table(t *tell.Table) {
	if len(t.Rows) == 0 {
		return
	}
	s := d.fit(t)
	d.y += 8
	d.need(d.tableStart(s))
	d.faces.set(tableTitle)
	d.f.Bookmark(d.faces.plain(s.caption()), 1, d.y-4)
	d.flow(tableTitle, s.caption(), 0)
	d.y += 1
	d.tableHead(s)
	for i := range t.Rows {
		d.row(s, i)
	}
	if t.Note != "" {
		d.y += 3
		d.flow(style{regular, 7.6, quietInk}, t.Note, 0)
	}
	d.y += 8
}

var tableTitle = style{bold, 9, ink}

func (s *setTable) caption() string { return fmt.Sprintf("Table %d. %s", s.Number, s.Title) }

// tableStart is the height of a table's title and head with its first rows, or with all of them
// where the table is small: it then stays on one page.
func (d *printer) tableStart(s *setTable) float64 {
	const small = 190.0
	start := d.tableHeadings(s)
	if len(s.Rows) < 14 {
		if whole := start + d.rowsHeight(s, len(s.Rows)); whole < small {
			return whole + 4
		}
	}
	return start + d.rowsHeight(s, 2) + 4
}

func (d *printer) tableHeadings(s *setTable) float64 {
	return float64(len(d.faces.lines(tableTitle, s.caption(), d.width)))*tableTitle.lead() + d.headHeight(s)
}

// rowsHeight is the height of the first rows.
func (d *printer) rowsHeight(s *setTable, rows int) (h float64) {
	for i := range min(rows, len(s.Rows)) {
		_, one := d.cells(s, s.Rows[i])
		h += min(one, 120)
	}
	return h
}

func (d *printer) headHeight(s *setTable) float64 {
	most := 1
	for _, lines := range s.head {
		most = max(most, len(lines))
	}
	return float64(most)*s.headStyle().lead() + cellPad + 2
}

func (d *printer) tableHead(s *setTable) {
	h := d.headHeight(s)
	st := s.headStyle()
	x := d.left
	for i, c := range s.Columns {
		lines := s.head[i]
		y := d.y + h - cellPad - float64(len(lines))*st.lead()
		for _, l := range lines {
			d.cell(st, x, y, s.widths[i], l, c.Right && i > 0)
			y += st.lead()
		}
		x += s.widths[i] + cellGap
	}
	d.y += h
	d.rule(0.9, ink, d.y)
}

// cell writes one line in a column.
func (d *printer) cell(st style, x, y, w float64, text string, right bool) {
	if right {
		x += w - d.faces.width(st, text)
	}
	d.write(st, x, y, text)
}

// cells breaks the cells of a row into lines and returns the height of the row.
func (d *printer) cells(s *setTable, row []tell.Cell) (lines [][]string, height float64) {
	for i, c := range row {
		st := s.style(c)
		l := d.faces.lines(st, c.Text, s.widths[i])
		lines = append(lines, l)
		height = max(height, float64(len(l))*s.headStyle().lead())
	}
	return lines, height + 2*cellPad
}

// row writes a row. One that does not fit on the page goes to the next; one that is longer than a
// third of a page is broken line by line.
func (d *printer) row(s *setTable, n int) {
	row := s.Rows[n]
	lines, h := d.cells(s, row)
	lead := s.headStyle().lead()
	if d.y+h > d.bottom && (h < (d.bottom-marginTop)/3 || d.y+3*lead > d.bottom) {
		d.goOn(s)
	}
	d.y += cellPad
	for k := 0; ; k++ {
		more := false
		x := d.left
		for i, c := range row {
			if k < len(lines[i]) {
				st := s.style(c)
				d.cell(st, x, d.y+(lead-st.lead())/2, s.widths[i], lines[i][k], s.Columns[i].Right && i > 0)
			}
			more = more || k+1 < len(lines[i])
			x += s.widths[i] + cellGap
		}
		d.y += lead
		if !more {
			break
		}
		if d.y+lead > d.bottom {
			d.goOn(s)
			d.y += cellPad
		}
	}
	d.y += cellPad
	d.rule(0.4, rule, d.y)
}

// goOn takes a table to the next page.
func (d *printer) goOn(s *setTable) {
	d.newPage()
	small := style{regular, 8, quietInk}
	d.put(small, []string{fmt.Sprintf("Table %d, continued", s.Number)}, 0)
	d.tableHead(s)
}

// fit finds the size of lettering and the widths of columns with which a table goes on the page.
func (d *printer) fit(t *tell.Table) *setTable {
	s := &setTable{Table: t, size: largestRow}
	room := d.width - cellGap*float64(len(t.Columns)-1)
	for {
		least, most := d.extent(s)
		if sum(least) <= room || s.size <= leastRow {
			s.widths = share(least, most, room)
			break
		}
		s.size -= 0.2
	}
	for i, c := range t.Columns {
		s.head = append(s.head, d.faces.lines(s.headStyle(), c.Name, s.widths[i]))
	}
	return s
}

// extent returns for each column the least width, that of its longest word, and the width that
// needs no line break.
func (d *printer) extent(s *setTable) (least, most []float64) {
	least, most = make([]float64, len(s.Columns)), make([]float64, len(s.Columns))
	take := func(i int, st style, text string, whole bool) {
		text = d.faces.plain(text)
		w := d.faces.width(st, text)
		most[i] = max(most[i], w)
		if !whole && w > least[i] {
			w = 0
			for word := range strings.SplitSeq(text, " ") {
				w = max(w, d.faces.width(st, word))
			}
		}
		least[i] = max(least[i], w)
	}
	for i, c := range s.Columns {
		take(i, s.headStyle(), c.Name, false)
	}
	for _, row := range s.Rows {
		for i, c := range row {
			if c.Mark == "code" {
				take(i, s.style(c), c.Text[:min(len(c.Text), 16)], true)
				most[i] = max(most[i], d.faces.width(s.style(c), "0")*float64(min(len(c.Text), 32)))
				continue
			}
			take(i, s.style(c), c.Text, c.Mark == "keep" || s.Columns[i].Right)
		}
	}
	limit := d.width * 0.34 // a longer word is broken
	for i := range least {
		least[i] = min(least[i], limit)
		most[i] = max(min(most[i], d.width), least[i])
	}
	return least, most
}

// share divides the room among the columns. Where all fits, the columns lie further apart, or, with
// two of them, the second takes the rest. Where not, the columns that want least get it first, so
// that lines break where there is most text. Where even the least widths do not fit, the widest
// columns give way.
func share(least, most []float64, room float64) []float64 {
	out := slices.Clone(least)
	low, high := sum(least), sum(most)
	switch {
	case low > room:
		clear(out)
		modest(out, least, room)
	case high <= room && len(out) == 2:
		out[0] = min(most[0]*1.3+20, room-most[1])
		out[1] = room - out[0]
	case high <= room:
		for i := range out {
			out[i] = most[i] * room / high
		}
	default:
		modest(out, most, room-low)
	}
	return out
}

// modest adds to each column what it wants, the one that wants least first, each at most its share
// of what is left.
func modest(out, most []float64, rest float64) {
	order := make([]int, len(out))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(i, j int) int { return cmp.Compare(most[i]-out[i], most[j]-out[j]) })
	for n, i := range order {
		more := min(most[i]-out[i], rest/float64(len(order)-n))
		out[i] += more
		rest -= more
	}
}

func sum(list []float64) (s float64) {
	for _, x := range list {
		s += x
	}
	return s
}
