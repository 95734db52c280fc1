package trace

import (
	"fmt"
	"math"
	"provoke/internal/units/curve"
	"regexp"
	"strconv"
	"strings"
)

var bandwidth = regexp.MustCompile(`(?i)\b(?:[rv]bw|if[ _]?bw|bandwidth)\b`)

// numbers notes the units that stand behind the figures or in a column of their own.
func (t *table) numbers() {
	for i := range t.header {
		if bandwidth.MatchString(t.header[i].text) && t.units[i].quantity == ofFrequency && len(t.declared.YColumns) == 0 && len(t.figureColumns()) > 2 {
			t.numeric[i] = false // a setting, and no frequency of the trace
		}
	}
	for i := range t.width {
		if !t.numeric[i] || t.units[i].unit != "" {
			continue
		}
		for _, r := range t.rows {
			if r.data[i].kind != number {
				continue
			}
			if u, of := unitOf(r.data[i].unit); u != "" {
				t.units[i] = unitAt{u, of, r.line, r.cells[i].column}
			} else if u, of := t.unitBeside(r, i); u != "" {
				t.units[i] = unitAt{u, of, r.line, r.cells[i+1].column}
			}
			break
		}
	}
}

// unitBeside returns the unit in the cell behind a figure, where that column holds words.
func (t *table) unitBeside(r row, i int) (string, string) {
	if i+1 >= t.width || t.numeric[i+1] || t.stamps[i+1] {
		return "", ""
	}
	return unitOf(r.cells[i+1].text)
}

func (t *table) inDecibel(i int) bool { return strings.HasPrefix(t.units[i].unit, "dB") }

func (t *table) hasStamps() bool {
	for i := range t.width {
		if t.stamps[i] {
			return true
		}
	}
	return false
}

func (t *table) figureColumns() []int {
	var out []int
	for i := range t.width {
		if t.numeric[i] {
			out = append(out, i)
		}
	}
	return out
}

// named finds a column by its heading or its number from 1.
func (t *table) named(name string) (int, bool) {
	plain, _, _ := heading(name)
	for i, h := range t.header {
		if strings.EqualFold(h.text, name) || strings.EqualFold(h.text, plain) {
			return i, true
		}
	}
	if n, err := strconv.Atoi(name); err == nil && n >= 1 && n <= t.width {
		return n - 1, true
	}
	var names []string
	for i, h := range t.header {
		if h.text != "" {
			names = append(names, strconv.Quote(t.header[i].text))
		}
	}
	t.fail(t.headLine, 0, fmt.Sprintf("no column is called %q; there are %s and the numbers 1 to %d", name, strings.Join(names, ", "), t.width), "")
	return 0, false
}

// settleUnit finds the unit of a column: its own, else the declared one, else that of the facts.
func (t *table) settleUnit(i int, x bool, implied func(i int, x bool) (unitAt, bool)) bool {
	declared, what := t.declared.YUnit, t.called(x)
	if x {
		declared = t.declared.XUnit
	}
	own := t.units[i]
	if own.unit != "" {
		if declared != "" && declared != own.unit {
			t.fail(own.line, own.column, fmt.Sprintf("the file says %s here but %s is declared for %s", own.unit, declared, what), "leave the declaration out, or mend the one that is wrong")
			return false
		}
		above, _ := t.statedUnits(x)
		if len(above) == 1 && own.line > above[0].line && (above[0].quantity != own.quantity || above[0].unit != own.unit && strings.HasPrefix(own.unit, "dB")) && t.columnsOf(x) == 1 {
			t.fail(own.line, own.column, fmt.Sprintf("the heading says %s and line %d %s", own.unit, above[0].line, above[0].unit), "mend the one that is wrong")
			return false
		}
		return true
	}
	if declared != "" {
		u, of := declaredUnit(declared)
		t.units[i] = unitAt{unit: u, quantity: of}
		return true
	}
	if u, ok := t.unitFor(i, x); ok {
		t.units[i] = u
		return true
	}
	name, hint := what, curve.Headed(map[bool]string{true: ofFrequency, false: t.want}[x])+", or declare it"
	if implied != nil {
		if u, ok := implied(i, x); ok {
			t.units[i] = u
			return true
		}
		name, hint = "the column of "+what, "write it into the heading, for example \"Level (dBm)\", or declare it for y"
		if x {
			hint = "write it into the heading, for example \"Frequency (MHz)\", or declare it for x"
		}
	}
	line, column := t.rows[0].line, t.rows[0].cells[i].column
	if t.header != nil && t.header[i].text != "" {
		line, column, name = t.headLine, t.header[i].column, fmt.Sprintf("the column %q", t.header[i].text)
	}
	t.fail(line, column, name+" has no unit", hint)
	return false
}

// columnsOf counts the columns that can be the x, or the y.
func (t *table) columnsOf(x bool) int {
	n := 0
	for _, i := range t.figureColumns() {
		if of := t.units[i].quantity; (of == ofFrequency || of == ofTime) == x && !t.isIndex(i) {
			n++
		}
	}
	return n
}

// dropSecondX takes out columns that repeat the frequencies of x, as traces side by side do. Other frequencies
// are refused: levels over them belong to another trace.
func (t *table) dropSecondX(x int) {
	for _, i := range t.figureColumns() {
		if x < 0 || i == x || t.units[i].quantity != ofFrequency || t.units[x].quantity != ofFrequency {
			continue
		}
		for k, r := range t.rows {
			if a, b := r.data[i], t.rows[k].data[x]; a.kind != b.kind || a.x*frequencyScale[t.units[i].unit] != b.x*frequencyScale[t.units[x].unit] {
				t.fail(r.line, r.cells[i].column, "the table has two columns of frequency, and they differ here", "read one trace at a time: name its column of x and its column of y")
				return
			}
		}
		t.numeric[i] = false
	}
}

// isIndex reports a column that counts the rows, beside others.
func (t *table) isIndex(i int) bool {
	return (len(t.figureColumns()) >= 3 || t.hasStamps()) && t.countsRows(i)
}

// countsRows reports a column that counts from 0 or 1.
func (t *table) countsRows(i int) bool {
	if len(t.rows) < 2 {
		return false
	}
	for k := range t.rows {
		if t.rows[k].data[i].x != t.rows[0].data[i].x+float64(k) {
			return false
		}
	}
	return t.rows[0].data[i].x == 0 || t.rows[0].data[i].x == 1
}

func (t *table) nameOf(i int, what string) string {
	if t.header != nil && t.header[i].text != "" {
		return t.header[i].text
	}
	switch t.units[i].quantity {
	case ofFrequency, ofTime:
		return t.units[i].quantity
	}
	if what == "x" {
		return "x"
	}
	n := 0
	for k := 0; k <= i; k++ {
		if t.numeric[k] && t.units[k].quantity != ofFrequency && t.units[k].quantity != ofTime {
			n++
		}
	}
	return "y" + strconv.Itoa(n)
}

// isOf tells a unit of another quantity than the column has.
func (t *table) isOf(i int, want string) bool {
	u := t.units[i]
	if u.quantity == want {
		return true
	}
	of, article := "declared", "a"
	if u.line > 0 {
		of = fmt.Sprintf("of the column %q", t.nameOf(i, "y"))
	}
	if strings.ContainsAny(u.quantity[:1], "aeiou") {
		article = "an"
	}
	t.fail(u.line, u.column, fmt.Sprintf("the unit %s %s is that of %s %s, not of a %s", u.unit, of, article, u.quantity, want), curve.Headed(want))
	return false
}

// cellOf returns the figure of a cell and the unit it counts in; no unit after telling why it has no such figure.
func (t *table) cellOf(r row, i int, want string) (x float64, unit string) {
	v, c := r.data[i], r.cells[i]
	if c.column == 0 { // its separator was left out with it
		c.column = 1
	}
	switch {
	case v.kind == empty:
		t.fail(r.line, c.column, fmt.Sprintf("the %s is missing", want), mendRow)
	case v.kind != number || math.IsInf(v.x, 0):
		t.fail(r.line, c.column, fmt.Sprintf("%q is no figure", shorten(c.text)), mendRow)
	case v.unit == "":
		return v.x, t.units[i].unit
	default:
		unit, of := unitOf(v.unit)
		if of == want {
			return v.x, unit
		}
		t.fail(r.line, c.column, fmt.Sprintf("%q counts in %s, which is no unit of a %s", shorten(c.text), unit, want), curve.Headed(want))
	}
	return 0, ""
}
