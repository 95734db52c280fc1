package tell

import (
	"encoding/csv"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"provoke/internal/job/event"
	"provoke/internal/units/rf"
)

// Column heads one column of a table.
type Column struct {
	Name string
	// Unit is the unit of the column's numbers in the CSV file; "" for words and counts. In HTML
	// every number carries its unit itself.
	Unit string
	// Bounded columns have a second column in the CSV file that holds "at least" or "at most".
	Bounded bool
	Right   bool // numbers stand to the right
}

// Cell is one cell: what people read, and the bare number for the CSV file.
type Cell struct {
	Text, Number, Bound string
	// Mark is the style of the cell: "", "bad", "warn", "good", "code" for a hash, "keep" for what must
	// stay on one line.
	Mark string
	// Run and At are the frequency of a run that the cell names; a page leads there. 0 for none.
	Run int
	At  rf.Frequency
}

// Class returns the cell's classes in the page: its mark, and "long" where a word is so long that it
// may be broken anywhere.
func (c Cell) Class() string {
	const longest = 24
	for _, word := range strings.Fields(c.Text) {
		if len([]rune(word)) > longest && c.Mark != "code" {
			return strings.TrimSpace(c.Mark + " long")
		}
	}
	return c.Mark
}

// Table is one table of the report.
type Table struct {
	ID      string // also the name of its CSV file
	Title   string
	Number  int    // in print; 0 for none
	Note    string // stands under the table
	Columns []Column
	Rows    [][]Cell
	// FileOnly tables are too long for people and come as CSV only.
	FileOnly bool
}

// Add adds a row.
func (t *Table) Add(cells ...Cell) { t.Rows = append(t.Rows, cells) }

// drop takes a column out.
func (t *Table) drop(column int) {
	t.Columns = slices.Delete(t.Columns, column, column+1)
	for i := range t.Rows {
		t.Rows[i] = slices.Delete(t.Rows[i], column, column+1)
	}
}

// Columns of the usual kinds.
func words(name string) Column   { return Column{Name: name} }
func counted(name string) Column { return Column{Name: name, Right: true} }
func currentIn(name string) Column {
	return Column{Name: name, Unit: "dBµA", Bounded: true, Right: true}
}
func powerIn(name string) Column       { return Column{Name: name, Unit: "dBm", Bounded: true, Right: true} }
func decibels(name string) Column      { return Column{Name: name, Unit: "dB", Bounded: true, Right: true} }
func plainDecibels(name string) Column { return Column{Name: name, Unit: "dB", Right: true} }

// FrequencyIn heads a column of frequencies.
func FrequencyIn(name string) Column { return Column{Name: name, Unit: "Hz", Right: true} }
func secondsIn(name string) Column   { return Column{Name: name, Unit: "s", Right: true} }

// Cells of the usual kinds. What is absent prints a dash and leaves the CSV field empty.
func say(text string) Cell {
	if text == "" {
		return Cell{Text: none}
	}
	return Cell{Text: text, Number: text}
}

func (c Cell) marked(mark string) Cell {
	c.Mark = mark
	return c
}

// keep is text that stays on one line: a name, a date, a time.
func keep(text string) Cell { return say(text).marked("keep") }

func tally(n int) Cell { return Cell{Text: strconv.Itoa(n), Number: strconv.Itoa(n)} }

// Amount is the cell of a level, with its bound.
func Amount[U rf.Unit](l rf.Level[U]) Cell {
	switch {
	case l.IsOff():
		return Cell{Text: "off", Number: "off"}
	case !l.Known():
		return Cell{Text: none}
	}
	return Cell{Text: l.String(), Number: strconv.FormatFloat(l.In(), 'f', 3, 64), Bound: l.Bound().String()}
}

func gain(g rf.Gain, b rf.Bound) Cell {
	if !g.Finite() || b == rf.Unknown {
		return Cell{Text: none}
	}
	return Cell{Text: GainWords(g, b), Number: strings.TrimSuffix(g.Text(3), " dB"), Bound: b.String()}
}

// Frequency is the cell of a frequency.
func Frequency(f rf.Frequency) Cell {
	if !f.Known() {
		return Cell{Text: none}
	}
	return Cell{Text: f.String(), Number: strconv.FormatFloat(f.Hz(), 'f', -1, 64)}
}

// at is the cell of a frequency of a run.
func at(run int, f rf.Frequency) Cell {
	c := Frequency(f)
	c.Run, c.At = run, f
	return c
}

func duration(d rf.Duration) Cell {
	if d == 0 {
		return Cell{Text: none}
	}
	return Cell{Text: d.String(), Number: strconv.FormatFloat(d.Std().Seconds(), 'f', -1, 64)}
}

// CSV writes the table with the units in its header row. Fields that a spreadsheet would take for a
// formula get a leading apostrophe.
func (t Table) CSV(w io.Writer) error {
	c := csv.NewWriter(w)
	c.UseCRLF = true
	if err := c.Write(t.Header()); err != nil {
		return fmt.Errorf("write table %s: %w", t.ID, err)
	}
	for _, row := range t.Rows {
		if err := c.Write(t.record(row)); err != nil {
			return fmt.Errorf("write table %s: %w", t.ID, err)
		}
	}
	c.Flush()
	if err := c.Error(); err != nil {
		return fmt.Errorf("write table %s: %w", t.ID, err)
	}
	return nil
}

// Header is the first row of the CSV file.
func (t Table) Header() []string {
	var out []string
	for _, c := range t.Columns {
		name := c.Name
		if c.Unit != "" {
			name += " (" + c.Unit + ")"
		}
		out = append(out, name)
		if c.Bounded {
			out = append(out, c.Name+" bound")
		}
	}
	return out
}

func (t Table) record(row []Cell) []string {
	var out []string
	for i, c := range t.Columns {
		out = append(out, InSpreadsheet(row[i].Number))
		if c.Bounded {
			out = append(out, row[i].Bound)
		}
	}
	return out
}

// InSpreadsheet makes hidden characters of a text visible, and puts an apostrophe before what a spreadsheet
// would take for a formula.
func InSpreadsheet(s string) string {
	s = event.Printable(s)
	// wide ones too: some read them alike
	if first, _ := utf8.DecodeRuneInString(s); s == "" || !strings.ContainsRune("=+-@\t\r＝＋－＠", first) {
		return s
	}
	if _, err := strconv.ParseFloat(s, 64); err == nil {
		return s
	}
	return "'" + s
}
