package trace

import (
	"fmt"

	"provoke/internal/files/problem"
	"provoke/internal/files/tabular"
	"provoke/internal/units/curve"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// Curve reads a curve of a bench or plan file. It reads the tables that Parse reads and is stricter: one column of
// frequencies above 0 Hz, none of them twice, and one column of values of the curve's quantity, with a
// figure in every row; no unit is taken from a start, a stop or a reference level. A comma in a table separated
// by semicolons is a decimal comma, because the semicolon is there for its sake, unless the table counts in hertz.
// Of d, XUnit, YUnit, one name in YColumns and Decimal are taken. The name is the curve's source. The
// list holds all problems and warnings; the curve is absent when one of them is more than a warning.
func Curve[V curve.Value](name string, data []byte, d Declared) (curve.Curve[V], problem.List) {
	r := &tabular.Reader{Name: name, Declared: d, Want: curve.QuantityOf[V](), Stamped: looksStamped}
	var c curve.Curve[V]
	if t := (table{r.Table(data)}); t.Table != nil {
		if x, y, ok := t.curveColumns(); ok && t.DecimalSign() {
			t.CheckCount()
			points := curvePoints[V](t, x, y)
			if r.Problems.Err() == nil {
				var err error
				if c, err = curve.New(points, name); err != nil {
					r.Fail(0, 0, err.Error(), "")
				}
			}
		}
	}
	return c, r.Sorted()
}

// curveColumns finds the columns of frequency and value and settles their units; the others are not read.
func (t table) curveColumns() (x, y int, ok bool) {
	if x, ok = t.frequencyColumn(); ok {
		y, ok = t.valueColumn(x)
	}
	if !ok {
		return 0, 0, false
	}
	t.DropSecondX(x)
	for i := range t.Width {
		t.Numeric[i] = i == x || i == y
	}
	okX, okY := t.SettleUnit(x, true, nil), t.SettleUnit(y, false, nil)
	return x, y, okX && okY && t.IsOf(x, tabular.OfFrequency) && t.IsOf(y, t.Want)
}

func (t table) frequencyColumn() (int, bool) {
	figures := t.FigureColumns()
	for _, i := range figures {
		if t.Units[i].Quantity == tabular.OfFrequency || t.Units[i].Unit == "" && t.Header != nil &&
			tabular.Meant(t.Header[i].Text) == tabular.OfFrequency {
			return i, true
		}
	}
	if t.Header == nil && len(figures) == 2 {
		return figures[0], true
	}
	if t.Header == nil {
		t.Fail(t.Rows[0].Line, 1, fmt.Sprintf("the table has %s of figures and no heading that names them",
			english.Count(len(figures), "column", "columns")),
			curve.Headed(tabular.OfFrequency)+", and name the others")
		return 0, false
	}
	t.Fail(t.HeadLine, 0, "no column of the heading is a frequency", curve.Headed(tabular.OfFrequency))
	return 0, false
}

// valueColumn finds the column that was asked for, else the one whose unit is right, else the one that may have it.
func (t table) valueColumn(x int) (int, bool) {
	if len(t.Declared.YColumns) > 0 {
		return t.ColumnNamed(t.Declared.YColumns[0])
	}
	var right, open, others []int
	for _, i := range t.FigureColumns() {
		switch u := t.Units[i]; {
		case i == x || u.Quantity == tabular.OfFrequency || u.Unit == "" && t.IsIndex(i):
			continue
		case u.Quantity == t.Want:
			right = append(right, i)
		case u.Unit == "":
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
		t.TellSeveral(t.Want, right)
	case len(others) == 1:
		return others[0], true // its unit is told
	default:
		t.Fail(t.HeadLine, 0, fmt.Sprintf("no column of the table is a %s", t.Want), curve.Headed(t.Want))
	}
	return 0, false
}

// curvePoints turns the rows into points and tells every cell that is wrong.
func curvePoints[V curve.Value](t table, x, y int) []curve.Point[V] {
	points := make([]curve.Point[V], 0, len(t.Rows))
	seen := make(map[rf.Frequency]int, len(t.Rows))
	for _, r := range t.Rows {
		f := t.Frequency(r, x)
		if first, ok := seen[f]; ok {
			t.Fail(r.Line, r.Cells[x].Column, fmt.Sprintf("%v stands on line %d already", f, first),
				"leave one of the two")
		} else if f.Known() {
			seen[f] = r.Line
		}
		points = append(points, curve.Point[V]{At: f, Value: tabular.ValueOf[V](t.Table, r, y)})
	}
	return points
}
