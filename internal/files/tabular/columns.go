package tabular

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"

	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

var bandwidth = regexp.MustCompile(`(?i)\b(?:[rv]bw|if[ _]?bw|bandwidth)\b`)

// numbers notes the units that stand behind the figures or in a column of their own.
func (t *Table) numbers() {
	for i := range t.Header {
		if bandwidth.MatchString(t.Header[i].Text) && t.Units[i].Quantity == OfFrequency &&
			len(t.Declared.YColumns) == 0 && len(t.FigureColumns()) > 2 {
			t.Numeric[i] = false // a setting, and no frequency of the trace
		}
	}
	for i := range t.Width {
		if !t.Numeric[i] || t.Units[i].Unit != "" {
			continue
		}
		for _, r := range t.Rows {
			if r.Data[i].Kind != Number {
				continue
			}
			if u, of := UnitOf(r.Data[i].Unit); u != "" {
				t.Units[i] = UnitAt{u, of, r.Line, r.Cells[i].Column}
			} else if u, of := t.unitBeside(r, i); u != "" {
				t.Units[i] = UnitAt{u, of, r.Line, r.Cells[i+1].Column}
			}
			break
		}
	}
}

// unitBeside returns the unit in the cell behind a figure, where that column holds words.
func (t *Table) unitBeside(r Row, i int) (string, string) {
	if i+1 >= t.Width || t.Numeric[i+1] || t.Stamps[i+1] {
		return "", ""
	}
	return UnitOf(r.Cells[i+1].Text)
}

// InDecibel reports that a column counts in decibel.
func (t *Table) InDecibel(i int) bool { return strings.HasPrefix(t.Units[i].Unit, "dB") }

// HasStamps reports that a column holds time stamps.
func (t *Table) HasStamps() bool {
	for i := range t.Width {
		if t.Stamps[i] {
			return true
		}
	}
	return false
}

// FigureColumns returns the columns that hold figures.
func (t *Table) FigureColumns() []int {
	var out []int
	for i := range t.Width {
		if t.Numeric[i] {
			out = append(out, i)
		}
	}
	return out
}

// ColumnNamed finds a column by its heading or its number from 1.
func (t *Table) ColumnNamed(name string) (int, bool) {
	plain, _, _ := SplitHeading(name)
	for i, h := range t.Header {
		if strings.EqualFold(h.Text, name) || strings.EqualFold(h.Text, plain) {
			return i, true
		}
	}
	if n, err := strconv.Atoi(name); err == nil && n >= 1 && n <= t.Width {
		return n - 1, true
	}
	var names []string
	for i, h := range t.Header {
		if h.Text != "" {
			names = append(names, strconv.Quote(t.Header[i].Text))
		}
	}
	t.Fail(t.HeadLine, 0, fmt.Sprintf("no column is called %q; there are %s and the numbers 1 to %d",
		name, strings.Join(names, ", "), t.Width), "")
	return 0, false
}

// SettleUnit finds the unit of a column: its own, else the declared one, else that of the facts.
func (t *Table) SettleUnit(i int, x bool, implied func(i int, x bool) (UnitAt, bool)) bool {
	declared, what := t.Declared.YUnit, t.called(x)
	if x {
		declared = t.Declared.XUnit
	}
	own := t.Units[i]
	if own.Unit != "" {
		if declared != "" && declared != own.Unit {
			t.Fail(own.Line, own.Column, fmt.Sprintf("the file says %s here but %s is declared for %s", own.Unit,
				declared, what), "leave the declaration out, or mend the one that is wrong")
			return false
		}
		above, _ := t.statedUnits(x)
		if len(above) == 1 && own.Line > above[0].Line &&
			(above[0].Quantity != own.Quantity || above[0].Unit != own.Unit && strings.HasPrefix(own.Unit, "dB")) &&
			t.columnsOf(x) == 1 {
			t.Fail(own.Line, own.Column, fmt.Sprintf("the heading says %s and line %d %s", own.Unit, above[0].Line,
				above[0].Unit), "mend the one that is wrong")
			return false
		}
		return true
	}
	if declared != "" {
		u, of := DeclaredUnit(declared)
		t.Units[i] = UnitAt{Unit: u, Quantity: of}
		return true
	}
	if u, ok := t.unitFor(i, x); ok {
		t.Units[i] = u
		return true
	}
	name, hint := what, t.mend(curve.Headed(map[bool]string{true: OfFrequency, false: t.Want}[x]), ", or declare it")
	if implied != nil {
		if u, ok := implied(i, x); ok {
			t.Units[i] = u
			return true
		}
		name, hint = "the column of "+what,
			"write it into the heading, for example \"Level (dBm)\", or declare it for y"
		if x {
			hint = "write it into the heading, for example \"Frequency (MHz)\", or declare it for x"
		}
	}
	line, column := t.Rows[0].Line, t.Rows[0].Cells[i].Column
	if t.Header != nil && t.Header[i].Text != "" {
		line, column, name = t.HeadLine, t.Header[i].Column, fmt.Sprintf("the column %q", t.Header[i].Text)
	}
	t.Fail(line, column, name+" has no unit", hint)
	return false
}

// columnsOf counts the columns that can be the x, or the y.
func (t *Table) columnsOf(x bool) int {
	n := 0
	for _, i := range t.FigureColumns() {
		if of := t.Units[i].Quantity; (of == OfFrequency || of == OfTime) == x && !t.IsIndex(i) {
			n++
		}
	}
	return n
}

// DropSecondX takes out columns that repeat the frequencies of x, as traces side by side do. Other frequencies
// are refused: levels over them belong to another trace.
func (t *Table) DropSecondX(x int) {
	for _, i := range t.FigureColumns() {
		if x < 0 || i == x || t.Units[i].Quantity != OfFrequency || t.Units[x].Quantity != OfFrequency {
			continue
		}
		for k, r := range t.Rows {
			if a, b := r.Data[i], t.Rows[k].Data[x]; a.Kind != b.Kind ||
				a.X*FrequencyScale[t.Units[i].Unit] != b.X*FrequencyScale[t.Units[x].Unit] {
				t.Fail(r.Line, r.Cells[i].Column, "the table has two columns of frequency, and they differ here",
					"read one trace at a time: name its column of x and its column of y")
				return
			}
		}
		t.Numeric[i] = false
	}
}

// IsIndex reports a column that counts the rows, beside others.
func (t *Table) IsIndex(i int) bool {
	return (len(t.FigureColumns()) >= 3 || t.HasStamps()) && t.CountsRows(i)
}

// CountsRows reports a column that counts from 0 or 1.
func (t *Table) CountsRows(i int) bool {
	if len(t.Rows) < 2 {
		return false
	}
	for k := range t.Rows {
		if t.Rows[k].Data[i].X != t.Rows[0].Data[i].X+float64(k) {
			return false
		}
	}
	return t.Rows[0].Data[i].X == 0 || t.Rows[0].Data[i].X == 1
}

// NameOf returns the heading of a column, or what stands in its place: what it counts, or "x", or "y" with its number.
func (t *Table) NameOf(i int, what string) string {
	if t.Header != nil && t.Header[i].Text != "" {
		return t.Header[i].Text
	}
	switch t.Units[i].Quantity {
	case OfFrequency, OfTime:
		return t.Units[i].Quantity
	}
	if what == "x" {
		return "x"
	}
	n := 0
	for k := 0; k <= i; k++ {
		if t.Numeric[k] && t.Units[k].Quantity != OfFrequency && t.Units[k].Quantity != OfTime {
			n++
		}
	}
	return "y" + strconv.Itoa(n)
}

// IsOf tells a unit of another quantity than the column has.
func (t *Table) IsOf(i int, want string) bool {
	u := t.Units[i]
	if u.Quantity == want {
		return true
	}
	of, article := "declared", "a"
	if u.Line > 0 {
		of = fmt.Sprintf("of the column %q", t.NameOf(i, "y"))
	}
	if strings.ContainsAny(u.Quantity[:1], "aeiou") {
		article = "an"
	}
	t.Fail(u.Line, u.Column, fmt.Sprintf("the unit %s %s is that of %s %s, not of a %s", u.Unit, of, article,
		u.Quantity, want), curve.Headed(want))
	return false
}

// CellOf returns the figure of a cell and the unit it counts in; no unit after telling why it has no such figure.
func (t *Table) CellOf(r Row, i int, want string) (x float64, unit string) {
	v, c := r.Data[i], r.Cells[i]
	if c.Column == 0 { // its separator was left out with it
		c.Column = 1
	}
	switch {
	case v.Kind == empty:
		t.Fail(r.Line, c.Column, fmt.Sprintf("the %s is missing", want), MendRow)
	case v.Kind != Number || math.IsInf(v.X, 0):
		t.tellNoFigure(r.Line, c)
	case v.Unit == "":
		return v.X, t.Units[i].Unit
	default:
		unit, of := UnitOf(v.Unit)
		if of == want {
			return v.X, unit
		}
		t.Fail(r.Line, c.Column, fmt.Sprintf("%q counts in %s, which is no unit of a %s", Shorten(c.Text), unit, want),
			curve.Headed(want))
	}
	return 0, ""
}

// Frequency returns the frequency in a cell, or none after telling why there is none.
func (t *Table) Frequency(r Row, i int) rf.Frequency {
	if r.Data[i].Kind == Words { // with its unit it stands for itself: "1M5", "27,12 MHz" among points
		if f, err := rf.ParseFrequency(r.Cells[i].Text); err == nil {
			return f
		}
	}
	x, unit := t.CellOf(r, i, OfFrequency)
	if unit == "" {
		return 0
	}
	f, err := rf.ParseFrequency(strconv.FormatFloat(x, 'g', -1, 64) + " " + unit)
	if err != nil {
		t.Fail(r.Line, r.Cells[i].Column, err.Error(), "")
	}
	return f
}

// ValueOf returns the value of a quantity in a cell, or none after telling why there is none.
func ValueOf[V curve.Value](t *Table, r Row, i int) (v V) {
	x, unit := t.CellOf(r, i, curve.QuantityOf[V]())
	if unit == "" {
		return v
	}
	v, err := curve.In[V](x, unit)
	if err != nil {
		t.Fail(r.Line, r.Cells[i].Column, err.Error(), "")
	}
	return v
}

// Tells reports that a row has something in a column, which may be -1 for one that is not there.
func (r Row) Tells(i int) bool { return i >= 0 && r.Data[i].Kind != empty && r.Data[i].Kind != missing }

// TextOf returns the words in a cell; a figure gets the unit of its column, if it has none, and a decimal point. The
// column may be -1 for one that is not there.
func (t *Table) TextOf(r Row, i int) string {
	if i < 0 {
		return ""
	}
	v, text, unit := r.Data[i], r.Cells[i].Text, t.Units[i].Unit
	if v.Kind != Number || unit == "" && v.Unit == "" || v.Unit != "" && t.decimal == '.' {
		return text
	}
	if v.Unit != "" {
		unit = v.Unit
	}
	return strconv.FormatFloat(v.X, 'g', -1, 64) + " " + unit
}

// TellSeveral tells that several columns could be the one that is wanted.
func (t *Table) TellSeveral(what string, columns []int) {
	var names []string
	for _, i := range columns {
		names = append(names, strconv.Quote(t.NameOf(i, "y")))
	}
	t.Fail(t.HeadLine, 0, fmt.Sprintf("several columns could be the %s: %s", what, strings.Join(names, ", ")),
		t.mend("name one of them otherwise", ", or declare which column is meant"))
}
