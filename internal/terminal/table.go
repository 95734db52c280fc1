package terminal

import (
	"io"
	"math"
	"os"
	"regexp"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"provoke/internal/units/rf"
)

// PlainColumns is how wide text is set where there is no terminal: a file, a pipe.
const PlainColumns = 110

// fewestColumns is the narrowest that is set; a terminal below that breaks the lines itself.
const fewestColumns = 50

// Screen is a file that says how wide the terminal behind it is.
type Screen struct{ *os.File }

// Columns asks the terminal each time: windows are drawn wider. 0 where there is none.
func (s Screen) Columns() int {
	columns, _ := terminalSize(s.File)
	return columns
}

// Terminal reports whether the file is a terminal.
func (s Screen) Terminal() bool { return isTerminal(s.File) }

// ColumnsOf says how wide text may be on an output.
func ColumnsOf(out io.Writer) int {
	if s, ok := out.(interface{ Columns() int }); ok {
		if n := s.Columns(); n > 0 {
			return max(n, fewestColumns)
		}
	}
	return PlainColumns
}

// page folds the lines that an output is too narrow for; they go on below, indented as the line is and
// by two more. Lines with a tab are nobody's prose and stay.
type page struct {
	out  io.Writer
	rest strings.Builder // a line whose end is still to come
}

// OnPage lets a function print on an output and folds what it prints.
func OnPage(out io.Writer, print func(io.Writer) error) error {
	p := &page{out: out}
	err := print(p)
	if _, failed := io.WriteString(out, p.rest.String()); err == nil {
		err = failed
	}
	return err
}

// Columns says how wide the output is.
func (p *page) Columns() int { return ColumnsOf(p.out) }

// Write takes text in whatever pieces it comes.
func (p *page) Write(text []byte) (int, error) {
	p.rest.Write(text)
	held := p.rest.String()
	end := strings.LastIndexByte(held, '\n') + 1
	p.rest.Reset()
	p.rest.WriteString(held[end:])
	for line := range strings.Lines(held[:end]) {
		if !strings.Contains(line, "\t") {
			line = strings.Join(fold(strings.TrimSuffix(line, "\n"), p.Columns(), 2), "\n") + "\n"
		}
		if _, err := io.WriteString(p.out, line); err != nil {
			return 0, err
		}
	}
	return len(text), nil
}

// sheet is a table: cells are written with tabs between them, a line for each row, and set by Flush.
// What is too wide for the paper is folded: cells go on in the next line, never within a number and
// its unit; a table that is still too wide is set as several, each beginning with the first column.
// No character is ever lost. A line without a tab stands by itself between two tables.
type sheet struct {
	exact bool // frequencies keep all their digits
	out   io.Writer
	text  strings.Builder
	Right bool // cells are set to the right
}

// Table returns an empty table for an output.
func Table(out io.Writer) *sheet { return &sheet{out: out} }

// ExactTable is a table in which frequencies keep all their digits: for the figures of a file.
func ExactTable(out io.Writer) *sheet { return &sheet{out: out, exact: true} }

// longFrequency is a frequency with more than four digits. In a table four are enough to find it; JSON and CSV
// have them all.
var longFrequency = regexp.MustCompile(`\d+\.\d+ (?:Hz|kHz|MHz|GHz)\b`)

func shortFrequency(text string) string {
	f, err := rf.ParseFrequency(text)
	number, unit, _ := strings.Cut(text, " ")
	if err != nil || len(number) <= 5 {
		return text
	}
	x, _ := strconv.ParseFloat(number, 64)
	short, err := rf.ParseFrequency(strconv.FormatFloat(x, 'g', 4, 64) + " " + unit)
	if err != nil || math.Abs(short.Hz()/f.Hz()-1) > 1e-3 {
		return text
	}
	return short.String()
}

// Write takes the next cells.
func (s *sheet) Write(p []byte) (int, error) { return s.text.Write(p) }

// Flush sets what was written since the last Flush.
func (s *sheet) Flush() error {
	var set strings.Builder
	var rows [][]string
	width := ColumnsOf(s.out)
	for line := range strings.Lines(s.text.String()) {
		line = strings.TrimSuffix(line, "\n")
		if strings.Contains(line, "\t") {
			if !s.exact {
				line = longFrequency.ReplaceAllStringFunc(line, shortFrequency)
			}
			rows = append(rows, strings.Split(line, "\t"))
			continue
		}
		s.set(&set, rows, width)
		rows = nil
		set.WriteString(strings.Join(fold(line, width, 2), "\n") + "\n")
	}
	s.set(&set, rows, width)
	s.text.Reset()
	_, err := io.WriteString(s.out, set.String())
	return err
}

// set sets rows as one table, or as several that share the first column.
func (s *sheet) set(to *strings.Builder, rows [][]string, width int) {
	columns := 0
	for _, r := range rows {
		columns = max(columns, len(r))
	}
	if columns == 0 {
		return
	}
	m := measured{rows: rows, natural: make([]int, columns), body: make([]int, columns), least: make([]int, columns)}
	for n, r := range rows {
		for i, cell := range r {
			m.natural[i] = max(m.natural[i], utf8.RuneCountInString(cell))
			m.least[i] = max(m.least[i], longestWord(cell))
			if n > 0 {
				m.body[i] = max(m.body[i], utf8.RuneCountInString(cell))
			}
		}
	}
	for i, p := range m.best(width) {
		if i > 0 {
			to.WriteString("\n")
		}
		s.setPanel(to, rows, p)
	}
}

const columnGap = 2

// panel is one of the tables that a table is set as: which columns, and how wide each is.
type panel struct{ columns, widths []int }

// measured is a table whose columns are measured: as they stand, without the heading, and folded as
// far as they can be.
type measured struct {
	rows                 [][]string
	natural, body, least []int
}

// best tries how far to fold before a table is parted, and takes what comes out shortest; a table
// that is parted is harder to read, so it has to come out shorter by a good third.
func (m measured) best(width int) []panel {
	var out []panel
	shortest := 0.0
	for _, share := range []float64{0, 0.25, 0.5, 0.75, 1} {
		want := make([]int, len(m.least))
		for i := range want {
			full := max(m.least[i], m.body[i])
			want[i] = m.least[i] + int(share*float64(full-m.least[i]))
		}
		var parts []panel
		lines := 0
		for _, g := range groups(want, width) {
			p := panel{g, m.widths(g, width)}
			parts = append(parts, p)
			lines += m.lines(p)
		}
		if cost := float64(lines) * (1 + 0.5*float64(len(parts)-1)); out == nil || cost < shortest {
			out, shortest = parts, cost
		}
	}
	return out
}

// lines counts the lines that a part takes; of a long table the first rows stand for all.
func (m measured) lines(p panel) int {
	const enough = 60
	total := 1
	for n, r := range m.rows {
		if n == enough {
			break
		}
		most := 1
		for i, c := range p.columns {
			if c < len(r) {
				most = max(most, len(fold(r[c], p.widths[i], 0)))
			}
		}
		total += most
	}
	return total
}

// groups shares the columns out to tables that fit in the widths given; the first column stands in
// each.
func groups(want []int, width int) [][]int {
	out := [][]int{{0}}
	used := want[0]
	for i := 1; i < len(want); i++ {
		last := len(out) - 1
		if used+columnGap+want[i] > width && len(out[last]) > 1 {
			out = append(out, []int{0})
			last++
			used = want[0]
		}
		out[last] = append(out[last], i)
		used += columnGap + want[i]
	}
	return out
}

// widths narrows the columns until the table fits: first those whose heading is wider than what
// stands below it, then the widest.
func (m measured) widths(group []int, width int) []int {
	out := make([]int, len(group))
	total := columnGap * (len(group) - 1)
	for i, c := range group {
		out[i] = m.natural[c]
		total += out[i]
	}
	narrow := func(floor func(c int) int) {
		for total > width {
			widest := -1
			for i, c := range group {
				if out[i] > floor(c) && (widest < 0 || out[i] > out[widest]) {
					widest = i
				}
			}
			if widest < 0 {
				return
			}
			out[widest]--
			total--
		}
	}
	narrow(func(c int) int { return max(m.least[c], m.body[c]) })
	narrow(func(c int) int { return m.least[c] })
	return out
}

// setPanel sets the columns of one table in their widths.
func (s *sheet) setPanel(to *strings.Builder, rows [][]string, p panel) {
	group, width := p.columns, p.widths
	for _, r := range rows {
		cells := make([][]string, len(group))
		lines := 1
		for i, c := range group {
			if c < len(r) {
				cells[i] = fold(r[c], width[i], 0)
			}
			lines = max(lines, len(cells[i]))
		}
		for n := range lines {
			var line strings.Builder
			for i := range group {
				cell := ""
				if n < len(cells[i]) {
					cell = cells[i][n]
				}
				pad := strings.Repeat(" ", width[i]-min(width[i], utf8.RuneCountInString(cell)))
				if s.Right {
					cell, pad = pad+cell, ""
				}
				line.WriteString(cell + pad + strings.Repeat(" ", columnGap))
			}
			to.WriteString(strings.TrimRight(line.String(), " ") + "\n")
		}
	}
}

// fold breaks text into lines of at most width columns, where it can be broken; the lines after the
// first are indented as it is, and by hang more (in an indented cell by two, where hang is 0).
func fold(text string, width, hang int) []string {
	indent := text[:len(text)-len(strings.TrimLeft(text, " "))]
	if utf8.RuneCountInString(text) <= width {
		return []string{text}
	}
	if hang == 0 && indent != "" {
		hang = 2
	}
	next := indent + strings.Repeat(" ", hang)
	var out []string
	line := indent
	empty := true
	for _, word := range Words(text[len(indent):]) {
		if !empty && utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) > width {
			out = append(out, line)
			line, empty = next, true
		}
		if !empty {
			line += " "
		}
		line += word
		empty = false
	}
	return append(out, line)
}

// Words splits text where a line may end: at spaces, but not between a number and its unit.
func Words(text string) []string {
	var out []string
	for _, w := range strings.Split(text, " ") {
		if n := len(out); n > 0 && belongs(out[n-1], w) {
			out[n-1] += " " + w
			continue
		}
		out = append(out, w)
	}
	return out
}

// joining are the words that stand behind a number and are no unit.
var joining = map[string]bool{"to": true, "of": true, "and": true, "or": true, "at": true, "in": true, "by": true,
	"is": true, "with": true, "up": true,
	"upsets": true, "exposures": true, "frequencies": true, "dwells": true, "against": true, "below": true,
	"above": true, "points": true, "steps": true, "more": true, "than": true, "the": true, "for": true}

// belongs says whether a word may not be parted from what stands before it: the unit of a number, a
// number behind ±, the "to" of a range.
func belongs(before, word string) bool {
	if i := strings.LastIndexByte(before, ' '); i >= 0 {
		before = before[i+1:]
		if word == "to" {
			return true
		}
	}
	last, _ := utf8.DecodeLastRuneInString(before)
	first, _ := utf8.DecodeRuneInString(word)
	if before == "±" {
		return true
	}
	if !unicode.IsDigit(last) || joining[strings.Trim(word, ",;:)")] {
		return false
	}
	return unicode.IsLetter(first) || first == '%' || first == '°'
}

// longestWord is the narrowest that a cell can be folded to.
func longestWord(cell string) int {
	indent := len(cell) - len(strings.TrimLeft(cell, " "))
	hang := 0
	if indent > 0 {
		hang = 2
	}
	longest := 0
	for i, w := range Words(cell[indent:]) {
		n := indent + utf8.RuneCountInString(w)
		if i > 0 {
			n += hang
		}
		longest = max(longest, n)
	}
	return longest
}
