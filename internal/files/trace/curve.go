package trace

import (
	"fmt"
	"strconv"
	"strings"

	"provoke/internal/files/problem"
	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

// Curve reads a curve of a bench or plan file. It reads the tables that Parse reads and is stricter: one column of
// frequencies above 0 Hz, none of them twice, and one column of values of the curve's quantity, with a
// figure in every row; no unit is taken from a start, a stop or a reference level. A comma in a table separated
// by semicolons is a decimal comma, because the semicolon is there for its sake, unless the table counts in hertz.
// Of d, XUnit, YUnit, one name in YColumns and Decimal are taken. The name is the curve's source. The
// list holds all problems and warnings; the curve is absent when one of them is more than a warning.
func Curve[V curve.Value](name string, data []byte, d Declared) (curve.Curve[V], problem.List) {
	r := &reader{name: name, declared: d, want: curve.QuantityOf[V](), stamped: looksStamped}
	var c curve.Curve[V]
	if t := r.table(data); t != nil {
		if x, y, ok := t.curveColumns(); ok && t.decimalSign() {
			t.checkCount()
			points := curvePoints[V](t, x, y)
			if r.problems.Err() == nil {
				var err error
				if c, err = curve.New(points, name); err != nil {
					r.fail(0, 0, err.Error(), "")
				}
			}
		}
	}
	return c, r.sorted()
}

// curveColumns finds the columns of frequency and value and settles their units; the others are not read.
func (t *table) curveColumns() (x, y int, ok bool) {
	if x, ok = t.frequencyColumn(); ok {
		y, ok = t.valueColumn(x)
	}
	if !ok {
		return 0, 0, false
	}
	t.dropSecondX(x)
	for i := range t.width {
		t.numeric[i] = i == x || i == y
	}
	okX, okY := t.settleUnit(x, true, nil), t.settleUnit(y, false, nil)
	return x, y, okX && okY && t.isOf(x, ofFrequency) && t.isOf(y, t.want)
}

func (t *table) frequencyColumn() (int, bool) {
	figures := t.figureColumns()
	for _, i := range figures {
		if t.units[i].quantity == ofFrequency || t.units[i].unit == "" && t.header != nil && meant(t.header[i].text) == ofFrequency {
			return i, true
		}
	}
	if t.header == nil && len(figures) == 2 {
		return figures[0], true
	}
	if t.header == nil {
		t.fail(t.rows[0].line, 1, fmt.Sprintf("the table has %s of figures and no heading that names them", columnsOf(len(figures))), curve.Headed(ofFrequency)+", and name the others")
		return 0, false
	}
	t.fail(t.headLine, 0, "no column of the heading is a frequency", curve.Headed(ofFrequency))
	return 0, false
}

// valueColumn finds the column that was asked for, else the one whose unit is right, else the one that may have it.
func (t *table) valueColumn(x int) (int, bool) {
	if len(t.declared.YColumns) > 0 {
		return t.named(t.declared.YColumns[0])
	}
	var right, open, others []int
	for _, i := range t.figureColumns() {
		switch u := t.units[i]; {
		case i == x || u.quantity == ofFrequency || u.unit == "" && t.isIndex(i):
			continue
		case u.quantity == t.want:
			right = append(right, i)
		case u.unit == "":
			open = append(open, i)
		}
		others = append(others, i)
	}
	if len(right) == 0 {
		right = open
	}
	switch {
	case len(right) == 1:
		return right[0], true
	case len(right) > 1:
		var names []string
		for _, i := range right {
			names = append(names, strconv.Quote(t.nameOf(i, "y")))
		}
		t.fail(t.headLine, 0, fmt.Sprintf("several columns could be the %s: %s", t.want, strings.Join(names, ", ")), "declare which column is meant")
	case len(others) == 1:
		return others[0], true // its unit is told
	default:
		t.fail(t.headLine, 0, fmt.Sprintf("no column of the table is a %s", t.want), curve.Headed(t.want))
	}
	return 0, false
}

// curvePoints turns the rows into points and tells every cell that is wrong.
func curvePoints[V curve.Value](t *table, x, y int) []curve.Point[V] {
	points := make([]curve.Point[V], 0, len(t.rows))
	seen := make(map[rf.Frequency]int, len(t.rows))
	for _, r := range t.rows {
		var f rf.Frequency
		var v V
		figure, unit := t.cellOf(r, x, ofFrequency)
		if unit != "" {
			var err error
			if f, err = rf.ParseFrequency(strconv.FormatFloat(figure, 'g', -1, 64) + " " + unit); err != nil {
				t.fail(r.line, r.cells[x].column, err.Error(), "")
			} else if first, ok := seen[f]; ok {
				t.fail(r.line, r.cells[x].column, fmt.Sprintf("%v stands on line %d already", f, first), "leave one of the two")
			} else {
				seen[f] = r.line
			}
		}
		if figure, unit = t.cellOf(r, y, t.want); unit != "" {
			var err error
			if v, err = curve.In[V](figure, unit); err != nil {
				t.fail(r.line, r.cells[y].column, err.Error(), "")
			}
		}
		points = append(points, curve.Point[V]{At: f, Value: v})
	}
	return points
}
