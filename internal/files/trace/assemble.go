package trace

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"provoke/internal/files/tabular"
)

var axisFactor = regexp.MustCompile(`^(?:[xy][ _-](?:axis[ _-])?)(?:scale|factor|multiplier)$|^scale factor$|^multiplier$`)

// assemble decides which column is the x and which are read, and turns the rows into columns.
func (t table) assemble() *Trace {
	out := &Trace{Name: t.Name}
	x, ok := t.chooseX()
	if !ok {
		return nil
	}
	if f, ok := t.FactFor(func(f tabular.Fact) bool {
		return f.Value.Kind == tabular.Number && f.Value.X != 1 && axisFactor.MatchString(f.Key)
	}); ok {
		t.Fail(f.Line, f.Column, fmt.Sprintf("a factor of %g stands here, and nothing says whether the figures have it",
			f.Value.X), "export figures in the units that the file names, and take the line out")
		return nil
	}
	switch {
	case x == fromFacts:
		if !t.computeX(out) {
			return nil
		}
	case x == fromStamps:
		if !t.stampX(out) {
			return nil
		}
	default:
		if t.Declared.Start != "" {
			t.Fail(t.Rows[0].Line, t.Rows[0].Cells[x].Column,
				"the table has frequencies of its own, or times, and start and stop are declared",
				"leave the declaration out")
			return nil
		}
		if !t.SettleUnit(x, true, t.impliedUnit) {
			return nil
		}
		out.X = t.column(x, "x")
		t.checkEndsOf(out.X)
	}
	for _, i := range t.chooseY(x) {
		out.Y = append(out.Y, t.column(i, "y"))
	}
	if len(out.Y) == 0 && t.Problems.Err() == nil {
		t.Fail(t.Rows[0].Line, 1, "the table has no column of figures beside its x", "")
	}
	if t.Problems.Err() != nil {
		return nil
	}
	if t.checkOrder(out.X); t.Problems.Err() != nil {
		return nil
	}
	return out
}

// What chooseX returns where the x is no column of figures.
const (
	fromFacts  = -1
	fromStamps = -2
)

// chooseX finds the column of x.
func (t table) chooseX() (int, bool) {
	if t.Declared.XColumn != "" {
		i, ok := t.ColumnNamed(t.Declared.XColumn)
		if ok && t.Stamps[i] {
			return fromStamps, true
		}
		return i, ok
	}
	for _, want := range []string{tabular.OfFrequency, tabular.OfTime} {
		for i := range t.Width {
			if t.Numeric[i] && (t.Units[i].Quantity == want || t.Units[i].Unit == "" && t.Header != nil &&
				tabular.Meant(t.Header[i].Text) == want) {
				return i, true
			}
		}
		if want == tabular.OfFrequency && t.HasStamps() && !t.declaredFrequency() {
			return fromStamps, true
		}
	}
	figures := t.FigureColumns()
	switch {
	case len(figures) == 0 && t.HasStamps():
		return fromStamps, true
	case len(figures) == 0:
		t.Fail(t.Rows[0].Line, 1, "the table has no column of figures", "")
		return 0, false
	case t.canCompute() && (len(figures) == 1 || !t.looksLikeX(figures[0]) || t.CountsRows(figures[0]) ||
		t.Units[figures[0]].Unit != ""):
		return fromFacts, true
	case len(figures) == 1:
		t.Fail(t.Rows[0].Line, t.Rows[0].Cells[figures[0]].Column,
			"the table has one column of figures and nothing says at which frequencies or times they were taken",
			"two columns are wanted, or start and stop above the table")
		return 0, false
	case !slices.ContainsFunc(figures, func(i int) bool { return !t.InDecibel(i) }):
		t.Fail(t.Rows[0].Line, 1, "the table has no column of frequencies or times: all count in decibel",
			"export the trace with its frequencies, or declare start and stop")
		return 0, false
	}
	return t.monotone(figures), true
}

func (t table) declaredFrequency() bool {
	_, of := tabular.DeclaredUnit(t.Declared.XUnit)
	return of == tabular.OfFrequency
}

// looksLikeX reports that a column rises, or falls, all the way.
func (t table) looksLikeX(i int) bool {
	direction := 0.0
	for k := 1; k < len(t.Rows); k++ {
		d := t.Rows[k].Data[i].X - t.Rows[k-1].Data[i].X
		if d == 0 || d*direction < 0 || t.Rows[k].Data[i].Kind != tabular.Number {
			return false
		}
		direction = d
	}
	return true
}

// monotone returns the first column that rises or falls all the way and, unless it is a time, is never
// below zero; else the first.
func (t table) monotone(figures []int) int {
	u, ok := t.StatedUnit(true)
	if !ok {
		_, u.Quantity = tabular.DeclaredUnit(t.Declared.XUnit)
	}
	for _, i := range figures {
		if !t.InDecibel(i) && t.looksLikeX(i) && (u.Quantity == tabular.OfTime || t.Rows[0].Data[i].X >= 0 &&
			t.Rows[len(t.Rows)-1].Data[i].X >= 0) {
			return i
		}
	}
	return figures[0]
}

// impliedUnit finds the unit of x in the start of the sweep where the first or last figure is the
// same number, and the unit of y in the reference level, which counts as the trace does.
func (t table) impliedUnit(i int, x bool) (tabular.UnitAt, bool) {
	if !x {
		f, ok := t.FactFor(func(f tabular.Fact) bool {
			return strings.Contains(f.Key, "ref") && strings.Contains(f.Key, "lev") && strings.HasPrefix(f.Unit, "dB")
		})
		own, line, column, agreed := t.unitOfTrace(f.Line)
		if own != "" && (!ok || own != f.Unit || agreed) {
			u, of := tabular.UnitOf(own)
			switch hint := "declare the unit of the levels"; {
			case !agreed && ok:
				t.Fail(line, column, fmt.Sprintf(
					"%s stands here and the reference level in line %d counts in %s; nothing says in which the "+
						"levels do", own, f.Line, f.Unit), hint)
			case !agreed:
				t.Fail(line, column, fmt.Sprintf("%s stands here, and nothing says that the levels count in it", own),
					hint)
			}
			return tabular.UnitAt{Unit: u, Quantity: of, Line: line, Column: column}, true
		}
		if ok {
			t.Warn(f.Line, f.Column, fmt.Sprintf(
				"no unit is given for the levels; they are taken to count in %s as the reference level does", f.Unit),
				"declare the unit to be sure")
		}
		return f.Counted(), ok
	}
	ends := []float64{t.Rows[0].Data[i].X, t.Rows[len(t.Rows)-1].Data[i].X}
	f, ok := t.FactFor(func(f tabular.Fact) bool {
		if f.Value.Kind != tabular.Number || f.Quantity != tabular.OfFrequency && f.Quantity != tabular.OfTime ||
			!strings.Contains(f.Key, "start") && !strings.Contains(f.Key, "stop") {
			return false
		}
		for _, e := range ends {
			if math.Abs(e-f.Value.X) <= 1e-3*math.Abs(e) && e != 0 {
				return true
			}
		}
		return false
	})
	return f.Counted(), ok
}

// unitOfTrace looks above the table for a unit of level that stands elsewhere than with the reference level: in
// a line of the trace's own it is the trace's, and agreed; elsewhere it may be anybody's.
func (t table) unitOfTrace(reference int) (unit string, line, column int, agreed bool) {
	for i := 0; i < t.HeadFrom; i++ {
		l := tabular.Uncomment(t.Lines[i].Text)
		low := strings.ToLower(strings.TrimSpace(l))
		if t.Lines[i].Number == reference || strings.HasPrefix(low, "ref") {
			continue
		}
		at := 0
		for _, word := range strings.FieldsFunc(l,
			func(c rune) bool { return strings.ContainsRune(" \t;,:=|()[]\"", c) }) {
			at += strings.Index(l[at:], word)
			u, _ := tabular.UnitOf(word)
			if !strings.HasPrefix(u, "dB") || u == "dB" || u == "dBc" {
				continue
			}
			own := strings.HasPrefix(low, "trace") || strings.HasPrefix(low, "detector") ||
				strings.HasPrefix(low, "curve")
			if unit != "" && u != unit {
				return unit, line, column, false
			}
			unit, line, column, agreed = u, t.Lines[i].Number, len([]rune(l[:at]))+1, own
		}
	}
	return unit, line, column, agreed
}

// chooseY returns the columns to be read beside x: those asked for, else all that have a unit.
func (t table) chooseY(x int) []int {
	var out []int
	if len(t.Declared.YColumns) > 0 {
		for _, name := range t.Declared.YColumns {
			if i, ok := t.ColumnNamed(name); ok && t.SettleUnit(i, false, t.impliedUnit) {
				out = append(out, i)
			}
		}
		return out
	}
	t.DropSecondX(x)
	for i := range t.Width {
		if t.Units[i].Unit == "" || t.Numeric[i] || t.Stamps[i] || i == x {
			continue
		}
		for _, r := range t.Rows {
			if k := r.Data[i].Kind; k == tabular.Words && tabular.BeginsLikeFigure(r.Cells[i].Text) {
				t.Fail(r.Line, r.Cells[i].Column, fmt.Sprintf("%q is no figure, and its column counts in %s",
					tabular.Shorten(r.Cells[i].Text), t.Units[i].Unit), tabular.MendRow)
				break
			}
		}
	}
	withUnit := false
	for _, i := range t.FigureColumns() {
		withUnit = withUnit || i != x && t.Units[i].Unit != ""
	}
	_, stated := t.StatedUnit(false)
	for _, i := range t.FigureColumns() {
		if i == x || t.fraction(i) > 0 && x == fromStamps {
			continue
		}
		if t.connection(i) || x == fromFacts && t.CountsRows(i) && len(t.FigureColumns()) > 1 {
			t.passOver(i)
			continue
		}
		if t.Units[i].Unit == "" && (t.IsIndex(i) || withUnit && t.Declared.YUnit == "" && !stated) {
			t.passOver(i)
			continue
		}
		if t.Units[i].Unit != "" && t.Units[i].Quantity == tabular.OfTime &&
			(x == fromStamps || t.Units[max(x, 0)].Quantity == tabular.OfTime) {
			continue // a second way of telling the time
		}
		if t.Units[i].Unit != "" && t.Declared.YUnit != "" && t.Declared.YUnit != t.Units[i].Unit &&
			len(t.FigureColumns()) > 2 {
			t.passOver(i)
			continue
		}
		if t.SettleUnit(i, false, t.impliedUnit) {
			out = append(out, i)
		}
	}
	return out
}

// fraction returns what a column counts in seconds by, that holds the fraction of a time stamp's second; 0 for none.
func (t table) fraction(i int) float64 {
	if !t.HasStamps() || t.Header == nil || !t.Numeric[i] {
		return 0
	}
	switch n := strings.ToLower(t.Header[i].Text); {
	case strings.HasPrefix(n, "frac"):
		return 1
	case n == "ms" || n == "msec" || strings.HasPrefix(n, "milli"):
		return 1e-3
	case n == "us" || n == "µs" || strings.HasPrefix(n, "micros"):
		return 1e-6
	}
	return 0
}

// connection reports a column of "2W" and "4W": how a meter was connected, and no power.
func (t table) connection(i int) bool {
	for _, r := range t.Rows {
		if s := strings.ToUpper(r.Cells[i].Text); s != "2W" && s != "4W" {
			return false
		}
	}
	return true
}

func (t table) passOver(i int) {
	line, column, name := t.Rows[0].Line, t.Rows[0].Cells[i].Column, fmt.Sprintf("column %d", i+1)
	if t.Header != nil && t.Header[i].Text != "" {
		line, column, name = t.HeadLine, t.Header[i].Column, fmt.Sprintf("the column %q", t.Header[i].Text)
	}
	t.Warn(line, column, name+" has no unit or counts the rows; it is not read", "name it as a column of y to read it")
}

// mostDecibel is further than any level is from its reference, up or down.
const mostDecibel = 400

// column turns a column of the table into figures of one unit.
func (t table) column(i int, what string) Column {
	c := Column{Name: t.NameOf(i, what), Unit: t.Units[i].Unit, Values: make([]float64, len(t.Rows))}
	absent, scales := 0, map[string]float64{}
	var first tabular.Row
	for k, r := range t.Rows {
		v := r.Data[i]
		c.Values[k] = v.X
		switch {
		case v.Kind != tabular.Number:
			c.Values[k] = math.NaN()
			if absent++; absent == 1 {
				first = r
			}
		case math.Abs(v.X) > mostDecibel && t.InDecibel(i):
			t.Fail(r.Line, r.Cells[i].Column, fmt.Sprintf("no level is %g %s: is this a mark for none?", v.X, c.Unit),
				"leave the cell empty")
			return c
		case v.Unit != "":
			scale, ok := scales[v.Unit]
			if !ok {
				scale = t.scaleOf(r, i, c.Unit)
				scales[v.Unit] = scale
			}
			c.Values[k] *= scale
		}
	}
	if absent > 0 {
		t.Warn(first.Line, first.Cells[i].Column,
			fmt.Sprintf("column %q has no figure in %d of %d rows, the first time here", c.Name, absent, len(t.Rows)),
			"")
	}
	return c
}

// scaleOf returns what a figure with a unit of its own is multiplied by to count as its column does.
func (t table) scaleOf(r tabular.Row, i int, unit string) float64 {
	own, _ := tabular.UnitOf(r.Data[i].Unit)
	if own == unit {
		return 1
	}
	for _, scales := range []map[string]float64{tabular.FrequencyScale, tabular.TimeScale} {
		if a, b := scales[own], scales[unit]; a > 0 && b > 0 {
			return a / b
		}
	}
	t.Fail(r.Line, r.Cells[i].Column, fmt.Sprintf("%q does not count in %s as the column does", r.Cells[i].Text, unit),
		"")
	return math.NaN()
}

// canCompute reports that the facts give the x of every row.
func (t table) canCompute() bool { _, _, _, ok := t.axis(); return ok }

// numberFact returns the first fact with a number that has one of these keys, or one that begins with it.
func (t table) numberFact(keys ...string) (tabular.Fact, bool) {
	return t.FactFor(func(f tabular.Fact) bool {
		key := f.PlainKey()
		return f.Value.Kind == tabular.Number &&
			slices.ContainsFunc(keys, func(k string) bool { return key == k || strings.HasPrefix(key, k+" ") })
	})
}

func (t table) stepFact() (tabular.Fact, bool) {
	return t.numberFact("step", "frequency step", "freq step")
}

// axis returns first x, distance and unit from the facts: start and stop, or increment with or
// without an origin.
func (t table) axis() (first, step float64, u tabular.UnitAt, ok bool) {
	start, okStart := t.numberFact("start", "start frequency", "start freq", "freq start", "frequency start", "f start",
		"fstart", "start f")
	stop, okStop := t.numberFact("stop", "stop frequency", "stop freq", "freq stop", "frequency stop", "f stop",
		"fstop", "stop f")
	if okStart && start.Unit == "" && okStop && stop.Unit == "" {
		start.Unit, start.Quantity = tabular.DeclaredUnit(t.Declared.XUnit)
	}
	if okStart && okStop && start.Unit != "" && len(t.Rows) > 1 {
		scale := 1.0
		if a, b := tabular.FrequencyScale[stop.Unit], tabular.FrequencyScale[start.Unit]; a > 0 && b > 0 {
			scale = a / b
		}
		span := stop.Value.X*scale - start.Value.X
		return start.Value.X, span / float64(len(t.Rows)-1), start.Counted(), span != 0
	}
	center, okCenter := t.numberFact("center", "centre", "center frequency", "centre frequency", "center freq",
		"frequency center")
	width, okWidth := t.numberFact("span", "frequency span", "freq span")
	if okCenter && okWidth && !okStart &&
		tabular.FrequencyScale[center.Unit]*tabular.FrequencyScale[width.Unit]*width.Value.X > 0 && len(t.Rows) > 1 {
		width.Value.X *= tabular.FrequencyScale[width.Unit] / tabular.FrequencyScale[center.Unit]
		return center.Value.X - width.Value.X/2, width.Value.X / float64(len(t.Rows)-1), center.Counted(), true
	}
	interval, okInterval := t.numberFact("xincrement", "x increment", "xinc", "sample interval", "sampling interval",
		"sampling period", "sample period", "time per sample", "delta t", "horizontal interval", "increment",
		"interval")
	if !okInterval {
		interval, okInterval = t.stepFact()
	}
	if !okInterval || interval.Value.X <= 0 {
		return 0, 0, tabular.UnitAt{}, false
	}
	u = interval.Counted()
	if u.Unit == "" {
		if stated, ok := t.StatedUnit(true); ok {
			u = stated
		}
	}
	origin, okOrigin := t.numberFact("start", "xorigin", "x origin", "xzero", "x zero", "first point", "start time",
		"horizontal offset", "x offset")
	if okOrigin {
		first = origin.Value.X
		if a, b := tabular.FrequencyScale[origin.Unit], tabular.FrequencyScale[u.Unit]; a > 0 && b > 0 {
			first *= a / b
		}
	}
	return first, interval.Value.X, u, true
}

// logarithmic returns the line outside the table that speaks of a logarithmic scale, and not of one of levels; or 0.
func (t table) logarithmic() int {
	for _, l := range append(t.Lines[:t.From:t.From], t.Behind...) {
		if low := strings.ToLower(l.Text); logarithm.MatchString(low) && !strings.Contains(low, "ampl") &&
			!strings.Contains(low, "level") && !strings.Contains(low, "db") && !strings.Contains(low, "y ") {
			return l.Number
		}
	}
	return 0
}

var logarithm = regexp.MustCompile(`\blog(?:arithmic|arithmisch)?\b|\bdecade\b`)

// checkEndsOf refuses frequencies that lie outside the start and the stop that the file gives.
func (t table) checkEndsOf(x Column) {
	first, step, u, ok := t.axis()
	_, ends := t.FactFor(func(f tabular.Fact) bool { return strings.Contains(f.Key, "stop") })
	a, b := tabular.FrequencyScale[u.Unit], tabular.FrequencyScale[x.Unit]
	if !ok || !ends || a*b == 0 || len(x.Values) < 2 {
		return
	}
	low, high := first*a/b, (first+step*float64(len(x.Values)-1))*a/b
	slack := 0.01*math.Abs(high-low) + math.Abs(x.Values[1]-x.Values[0])
	if least, most := slices.Min(x.Values), slices.Max(x.Values); least < min(low, high)-slack ||
		most > max(low, high)+slack {
		t.Fail(u.Line, u.Column, fmt.Sprintf("the file says from %s to %s here, and its table goes from %s to %s",
			inUnits(low, x.Unit), inUnits(high, x.Unit), inUnits(least, x.Unit), inUnits(most, x.Unit)),
			"mend the one that is wrong")
	}
}

func inUnits(v float64, unit string) string { return strconv.FormatFloat(v, 'g', 8, 64) + " " + unit }

// computeX makes the x of every row from the facts.
func (t table) computeX(out *Trace) bool {
	first, step, u, _ := t.axis()
	if u.Unit == "" {
		u.Unit, u.Quantity = tabular.DeclaredUnit(t.Declared.XUnit)
	}
	if u.Unit == "" {
		t.Fail(u.Line, u.Column, "the distance of the points has no unit", "declare the unit of x")
		return false
	}
	if line := t.logarithmic(); line > 0 {
		t.Fail(line, 1, "the frequencies are spread logarithmically, as it seems here, and do not stand in the file",
			"export the trace with its frequencies")
		return false
	}
	if f, ok := t.stepFact(); ok && tabular.FrequencyScale[f.Unit]*tabular.FrequencyScale[u.Unit] > 0 {
		if own := f.Value.X * tabular.FrequencyScale[f.Unit] / tabular.FrequencyScale[u.Unit]; math.Abs(
			own-step) > 0.01*math.Abs(step) {
			t.Fail(f.Line, f.Column, fmt.Sprintf(
				"the points are %s apart by this and %s by line %d and the number of rows", inUnits(own, u.Unit),
				inUnits(step, u.Unit), u.Line), "export the trace whole, or with its frequencies")
			return false
		}
	}
	name := "frequency"
	if u.Quantity == tabular.OfTime {
		name = "time"
	}
	out.X = Column{Name: name, Unit: u.Unit, Values: make([]float64, len(t.Rows))}
	for i := range out.X.Values {
		out.X.Values[i] = first + step*float64(i)
	}
	t.Warn(u.Line, u.Column, fmt.Sprintf("the x of every row is computed from what stands here: %s apart",
		inUnits(step, u.Unit)), "")
	return true
}

var minutes = regexp.MustCompile(`(?i)(?:^|[^a-z:])m(?:m|in|inutes)?:s(?:s|ec|econds)?\b`)

// stampX makes the x of time stamps: seconds since the first.
func (t table) stampX(out *Trace) bool {
	for i := range t.Header {
		if t.Stamps[i] && minutes.MatchString(t.Header[i].Text) {
			t.Fail(t.HeadLine, t.Header[i].Column, fmt.Sprintf("%q counts minutes and seconds", t.Header[i].Text),
				"write the times as hours:minutes:seconds, or in seconds")
			return false
		}
	}
	var parts []clockParts
	for _, r := range t.Rows {
		var p clockParts
		for i := range t.Width {
			if !t.Stamps[i] {
				continue
			}
			q, ok := parseStamp(r.Cells[i].Text)
			if !ok {
				t.Fail(r.Line, r.Cells[i].Column, fmt.Sprintf("%q is no time stamp", tabular.Shorten(r.Cells[i].Text)),
					"")
				return false
			}
			p.join(q)
		}
		for i := range t.Width {
			if scale := t.fraction(i); scale > 0 && r.Data[i].Kind == tabular.Number &&
				p.sinceMidnight%time.Second == 0 {
				p.sinceMidnight += time.Duration(math.Round(r.Data[i].X * scale * 1e9))
			}
		}
		parts = append(parts, p)
	}
	dayFirst, err := clockOrder(parts, "")
	if err != nil {
		dayFirst = true // the distance of two times seldom depends on it; told below where it does
	}
	var at []time.Time
	day := time.Date(1970, 1, 1, 0, 0, 0, 0, time.UTC)
	for k, p := range parts {
		now, bad := p.ordered(dayFirst).moment(day, time.UTC)
		if bad != nil {
			t.Fail(t.Rows[k].Line, 1, bad.Error(), "")
			return false
		}
		if !p.date && len(at) > 0 && at[len(at)-1].Sub(now) > 12*time.Hour { // past midnight
			day = day.AddDate(0, 0, 1)
			now = now.AddDate(0, 0, 1)
		}
		at = append(at, now)
	}
	if err != nil && (at[len(at)-1].YearDay() != at[0].YearDay() || at[len(at)-1].Year() != at[0].Year()) {
		t.Fail(t.Rows[0].Line, 1, err.Error(), "write the dates as year-month-day")
		return false
	}
	out.X = Column{Name: "time", Unit: "s", Values: make([]float64, len(at))}
	for i := range at {
		out.X.Values[i] = at[i].Sub(at[0]).Seconds()
	}
	if parts[0].date && err == nil {
		out.Began = at[0]
	}
	return true
}

// join adds what another cell of the same row says.
func (p *clockParts) join(q clockParts) {
	if q.date && !p.date {
		p.date, p.year, p.month, p.day, p.order = true, q.year, q.month, q.day, q.order
	}
	if q.clock && !p.clock {
		p.clock, p.sinceMidnight, p.zone, p.seconds = true, q.sinceMidnight, q.zone, q.seconds
	}
}

// ordered settles a date with slashes.
func (p clockParts) ordered(dayFirst bool) clockParts {
	if p.order == '?' && !dayFirst {
		p.day, p.month = p.month, p.day
	}
	return p
}

// checkOrder tells where x stops to rise or fall.
func (t table) checkOrder(x Column) {
	direction := 0.0
	for k := 1; k < len(x.Values); k++ {
		if k > 1 && k+1 < len(x.Values) && x.Values[k] == x.Values[0] && x.Values[k+1] == x.Values[1] {
			t.Fail(t.Rows[k].Line, 1, x.Name+" begins again here: this is another trace",
				"write a heading above it, or split the file")
			return
		}
		d := x.Values[k] - x.Values[k-1]
		if math.IsNaN(d) {
			continue
		}
		if d == 0 || d*direction < 0 {
			what := "goes back"
			if d == 0 {
				what = "stands still"
			}
			t.Warn(t.Rows[k].Line, 1, fmt.Sprintf("%s %s here; the rows stay in their order", x.Name, what), "")
			return
		}
		direction = d
	}
}
