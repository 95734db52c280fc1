package trace

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
)

var axisFactor = regexp.MustCompile(`^(?:[xy][ _-](?:axis[ _-])?)(?:scale|factor|multiplier)$|^scale factor$|^multiplier$`)

// assemble decides which column is the x and which are read, and turns the rows into columns.
func (t *table) assemble() *Trace {
	out := &Trace{Name: t.name}
	x, ok := t.chooseX()
	if !ok {
		return nil
	}
	if f, ok := t.factFor(func(f fact) bool { return f.value.kind == number && f.value.x != 1 && axisFactor.MatchString(f.key) }); ok {
		t.fail(f.line, f.column, fmt.Sprintf("a factor of %g stands here, and nothing says whether the figures have it", f.value.x), "export figures in the units that the file names, and take the line out")
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
		if t.declared.Start != "" {
			t.fail(t.rows[0].line, t.rows[0].cells[x].column, "the table has frequencies of its own, or times, and start and stop are declared", "leave the declaration out")
			return nil
		}
		if !t.settleUnit(x, true, t.impliedUnit) {
			return nil
		}
		out.X = t.column(x, "x")
		t.checkEndsOf(out.X)
	}
	for _, i := range t.chooseY(x) {
		out.Y = append(out.Y, t.column(i, "y"))
	}
	if len(out.Y) == 0 && t.problems.Err() == nil {
		t.fail(t.rows[0].line, 1, "the table has no column of figures beside its x", "")
	}
	if t.problems.Err() != nil {
		return nil
	}
	if t.checkOrder(out.X); t.problems.Err() != nil {
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
func (t *table) chooseX() (int, bool) {
	if t.declared.XColumn != "" {
		i, ok := t.named(t.declared.XColumn)
		if ok && t.stamps[i] {
			return fromStamps, true
		}
		return i, ok
	}
	for _, want := range []string{ofFrequency, ofTime} {
		for i := range t.width {
			if t.numeric[i] && (t.units[i].quantity == want || t.units[i].unit == "" && t.header != nil && meant(t.header[i].text) == want) {
				return i, true
			}
		}
		if want == ofFrequency && t.hasStamps() && !t.declaredFrequency() {
			return fromStamps, true
		}
	}
	figures := t.figureColumns()
	switch {
	case len(figures) == 0 && t.hasStamps():
		return fromStamps, true
	case len(figures) == 0:
		t.fail(t.rows[0].line, 1, "the table has no column of figures", "")
		return 0, false
	case t.canCompute() && (len(figures) == 1 || !t.looksLikeX(figures[0]) || t.countsRows(figures[0]) || t.units[figures[0]].unit != ""):
		return fromFacts, true
	case len(figures) == 1:
		t.fail(t.rows[0].line, t.rows[0].cells[figures[0]].column, "the table has one column of figures and nothing says at which frequencies or times they were taken",
			"two columns are wanted, or start and stop above the table")
		return 0, false
	case !slices.ContainsFunc(figures, func(i int) bool { return !t.inDecibel(i) }):
		t.fail(t.rows[0].line, 1, "the table has no column of frequencies or times: all count in decibel", "export the trace with its frequencies, or declare start and stop")
		return 0, false
	}
	return t.monotone(figures), true
}

func (t *table) declaredFrequency() bool {
	_, of := declaredUnit(t.declared.XUnit)
	return of == ofFrequency
}

// looksLikeX reports that a column rises, or falls, all the way.
func (t *table) looksLikeX(i int) bool {
	direction := 0.0
	for k := 1; k < len(t.rows); k++ {
		d := t.rows[k].data[i].x - t.rows[k-1].data[i].x
		if d == 0 || d*direction < 0 || t.rows[k].data[i].kind != number {
			return false
		}
		direction = d
	}
	return true
}

// monotone returns the first column that rises or falls all the way and, unless it is a time, is never
// below zero; else the first.
func (t *table) monotone(figures []int) int {
	u, ok := t.statedUnit(true)
	if !ok {
		_, u.quantity = declaredUnit(t.declared.XUnit)
	}
	for _, i := range figures {
		if !t.inDecibel(i) && t.looksLikeX(i) && (u.quantity == ofTime || t.rows[0].data[i].x >= 0 && t.rows[len(t.rows)-1].data[i].x >= 0) {
			return i
		}
	}
	return figures[0]
}

// impliedUnit finds the unit of x in the start of the sweep where the first or last figure is the
// same number, and the unit of y in the reference level, which counts as the trace does.
func (t *table) impliedUnit(i int, x bool) (unitAt, bool) {
	if !x {
		f, ok := t.factFor(func(f fact) bool {
			return strings.Contains(f.key, "ref") && strings.Contains(f.key, "lev") && strings.HasPrefix(f.unit, "dB")
		})
		own, line, column, agreed := t.unitOfTrace(f.line)
		if own != "" && (!ok || own != f.unit || agreed) {
			u, of := unitOf(own)
			switch hint := "declare the unit of the levels"; {
			case !agreed && ok:
				t.fail(line, column, fmt.Sprintf("%s stands here and the reference level in line %d counts in %s; nothing says in which the levels do", own, f.line, f.unit), hint)
			case !agreed:
				t.fail(line, column, fmt.Sprintf("%s stands here, and nothing says that the levels count in it", own), hint)
			}
			return unitAt{u, of, line, column}, true
		}
		if ok {
			t.warn(f.line, f.column, fmt.Sprintf("no unit is given for the levels; they are taken to count in %s as the reference level does", f.unit), "declare the unit to be sure")
		}
		return unitAt{f.unit, f.quantity, f.line, f.column}, ok
	}
	ends := []float64{t.rows[0].data[i].x, t.rows[len(t.rows)-1].data[i].x}
	f, ok := t.factFor(func(f fact) bool {
		if f.value.kind != number || f.quantity != ofFrequency && f.quantity != ofTime || !strings.Contains(f.key, "start") && !strings.Contains(f.key, "stop") {
			return false
		}
		for _, e := range ends {
			if math.Abs(e-f.value.x) <= 1e-3*math.Abs(e) && e != 0 {
				return true
			}
		}
		return false
	})
	return unitAt{f.unit, f.quantity, f.line, f.column}, ok
}

// unitOfTrace looks above the table for a unit of level that stands elsewhere than with the reference level: in
// a line of the trace's own it is the trace's, and agreed; elsewhere it may be anybody's.
func (t *table) unitOfTrace(reference int) (unit string, line, column int, agreed bool) {
	for i := 0; i < t.headFrom; i++ {
		l := uncomment(t.lines[i].text)
		low := strings.ToLower(strings.TrimSpace(l))
		if t.lines[i].number == reference || strings.HasPrefix(low, "ref") {
			continue
		}
		at := 0
		for _, word := range strings.FieldsFunc(l, func(c rune) bool { return strings.ContainsRune(" \t;,:=|()[]\"", c) }) {
			at += strings.Index(l[at:], word)
			u, _ := unitOf(word)
			if !strings.HasPrefix(u, "dB") || u == "dB" || u == "dBc" {
				continue
			}
			own := strings.HasPrefix(low, "trace") || strings.HasPrefix(low, "detector") || strings.HasPrefix(low, "curve")
			if unit != "" && u != unit {
				return unit, line, column, false
			}
			unit, line, column, agreed = u, t.lines[i].number, len([]rune(l[:at]))+1, own
		}
	}
	return unit, line, column, agreed
}

// chooseY returns the columns to be read beside x: those asked for, else all that have a unit.
func (t *table) chooseY(x int) []int {
	var out []int
	if len(t.declared.YColumns) > 0 {
		for _, name := range t.declared.YColumns {
			if i, ok := t.named(name); ok && t.settleUnit(i, false, t.impliedUnit) {
				out = append(out, i)
			}
		}
		return out
	}
	t.dropSecondX(x)
	for i := range t.width {
		if t.units[i].unit == "" || t.numeric[i] || t.stamps[i] || i == x {
			continue
		}
		for _, r := range t.rows {
			if k := r.data[i].kind; k == words && beginsLikeFigure(r.cells[i].text) {
				t.fail(r.line, r.cells[i].column, fmt.Sprintf("%q is no figure, and its column counts in %s", shorten(r.cells[i].text), t.units[i].unit), mendRow)
				break
			}
		}
	}
	withUnit := false
	for _, i := range t.figureColumns() {
		withUnit = withUnit || i != x && t.units[i].unit != ""
	}
	_, stated := t.statedUnit(false)
	for _, i := range t.figureColumns() {
		if i == x || t.fraction(i) > 0 && x == fromStamps {
			continue
		}
		if t.connection(i) || x == fromFacts && t.countsRows(i) && len(t.figureColumns()) > 1 {
			t.passOver(i)
			continue
		}
		if t.units[i].unit == "" && (t.isIndex(i) || withUnit && t.declared.YUnit == "" && !stated) {
			t.passOver(i)
			continue
		}
		if t.units[i].unit != "" && t.units[i].quantity == ofTime && (x == fromStamps || t.units[max(x, 0)].quantity == ofTime) {
			continue // a second way of telling the time
		}
		if t.units[i].unit != "" && t.declared.YUnit != "" && t.declared.YUnit != t.units[i].unit && len(t.figureColumns()) > 2 {
			t.passOver(i)
			continue
		}
		if t.settleUnit(i, false, t.impliedUnit) {
			out = append(out, i)
		}
	}
	return out
}

// fraction returns what a column counts in seconds by, that holds the fraction of a time stamp's second; 0 for none.
func (t *table) fraction(i int) float64 {
	if !t.hasStamps() || t.header == nil || !t.numeric[i] {
		return 0
	}
	switch n := strings.ToLower(t.header[i].text); {
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
func (t *table) connection(i int) bool {
	for _, r := range t.rows {
		if s := strings.ToUpper(r.cells[i].text); s != "2W" && s != "4W" {
			return false
		}
	}
	return true
}

func (t *table) passOver(i int) {
	line, column, name := t.rows[0].line, t.rows[0].cells[i].column, fmt.Sprintf("column %d", i+1)
	if t.header != nil && t.header[i].text != "" {
		line, column, name = t.headLine, t.header[i].column, fmt.Sprintf("the column %q", t.header[i].text)
	}
	t.warn(line, column, name+" has no unit or counts the rows; it is not read", "name it as a column of y to read it")
}

// mostDecibel is further than any level is from its reference, up or down.
const mostDecibel = 400

// column turns a column of the table into figures of one unit.
func (t *table) column(i int, what string) Column {
	c := Column{Name: t.nameOf(i, what), Unit: t.units[i].unit, Values: make([]float64, len(t.rows))}
	absent, scales := 0, map[string]float64{}
	var first row
	for k, r := range t.rows {
		v := r.data[i]
		c.Values[k] = v.x
		switch {
		case v.kind != number:
			c.Values[k] = math.NaN()
			if absent++; absent == 1 {
				first = r
			}
		case math.Abs(v.x) > mostDecibel && t.inDecibel(i):
			t.fail(r.line, r.cells[i].column, fmt.Sprintf("no level is %g %s: is this a mark for none?", v.x, c.Unit), "leave the cell empty")
			return c
		case v.unit != "":
			scale, ok := scales[v.unit]
			if !ok {
				scale = t.scaleOf(r, i, c.Unit)
				scales[v.unit] = scale
			}
			c.Values[k] *= scale
		}
	}
	if absent > 0 {
		t.warn(first.line, first.cells[i].column, fmt.Sprintf("column %q has no figure in %d of %d rows, the first time here", c.Name, absent, len(t.rows)), "")
	}
	return c
}

// scaleOf returns what a figure with a unit of its own is multiplied by to count as its column does.
func (t *table) scaleOf(r row, i int, unit string) float64 {
	own, _ := unitOf(r.data[i].unit)
	if own == unit {
		return 1
	}
	for _, scales := range []map[string]float64{frequencyScale, timeScale} {
		if a, b := scales[own], scales[unit]; a > 0 && b > 0 {
			return a / b
		}
	}
	t.fail(r.line, r.cells[i].column, fmt.Sprintf("%q does not count in %s as the column does", r.cells[i].text, unit), "")
	return math.NaN()
}

// canCompute reports that the facts give the x of every row.
func (t *table) canCompute() bool { _, _, _, ok := t.axis(); return ok }

// numberFact returns the first fact with a number that has one of these keys, or one that begins with it.
func (t *table) numberFact(keys ...string) (fact, bool) {
	return t.factFor(func(f fact) bool {
		key := f.plainKey()
		return f.value.kind == number && slices.ContainsFunc(keys, func(k string) bool { return key == k || strings.HasPrefix(key, k+" ") })
	})
}

func (t *table) stepFact() (fact, bool) { return t.numberFact("step", "frequency step", "freq step") }

// axis returns first x, distance and unit from the facts: start and stop, or increment with or
// without an origin.
func (t *table) axis() (first, step float64, u unitAt, ok bool) {
	start, okStart := t.numberFact("start", "start frequency", "start freq", "freq start", "frequency start", "f start", "fstart", "start f")
	stop, okStop := t.numberFact("stop", "stop frequency", "stop freq", "freq stop", "frequency stop", "f stop", "fstop", "stop f")
	if okStart && start.unit == "" && okStop && stop.unit == "" {
		start.unit, start.quantity = declaredUnit(t.declared.XUnit)
	}
	if okStart && okStop && start.unit != "" && len(t.rows) > 1 {
		scale := 1.0
		if a, b := frequencyScale[stop.unit], frequencyScale[start.unit]; a > 0 && b > 0 {
			scale = a / b
		}
		span := stop.value.x*scale - start.value.x
		return start.value.x, span / float64(len(t.rows)-1), unitAt{start.unit, start.quantity, start.line, start.column}, span != 0
	}
	center, okCenter := t.numberFact("center", "centre", "center frequency", "centre frequency", "center freq", "frequency center")
	width, okWidth := t.numberFact("span", "frequency span", "freq span")
	if okCenter && okWidth && !okStart && frequencyScale[center.unit]*frequencyScale[width.unit]*width.value.x > 0 && len(t.rows) > 1 {
		width.value.x *= frequencyScale[width.unit] / frequencyScale[center.unit]
		return center.value.x - width.value.x/2, width.value.x / float64(len(t.rows)-1), unitAt{center.unit, center.quantity, center.line, center.column}, true
	}
	interval, okInterval := t.numberFact("xincrement", "x increment", "xinc", "sample interval", "sampling interval", "sampling period", "sample period", "time per sample", "delta t", "horizontal interval", "increment", "interval")
	if !okInterval {
		interval, okInterval = t.stepFact()
	}
	if !okInterval || interval.value.x <= 0 {
		return 0, 0, unitAt{}, false
	}
	u = unitAt{interval.unit, interval.quantity, interval.line, interval.column}
	if u.unit == "" {
		if stated, ok := t.statedUnit(true); ok {
			u = stated
		}
	}
	origin, okOrigin := t.numberFact("start", "xorigin", "x origin", "xzero", "x zero", "first point", "start time", "horizontal offset", "x offset")
	if okOrigin {
		first = origin.value.x
		if a, b := frequencyScale[origin.unit], frequencyScale[u.unit]; a > 0 && b > 0 {
			first *= a / b
		}
	}
	return first, interval.value.x, u, true
}

// logarithmic returns the line outside the table that speaks of a logarithmic scale, and not of one of levels; or 0.
func (t *table) logarithmic() int {
	for _, l := range append(t.lines[:t.from:t.from], t.behind...) {
		if low := strings.ToLower(l.text); logarithm.MatchString(low) && !strings.Contains(low, "ampl") && !strings.Contains(low, "level") && !strings.Contains(low, "db") && !strings.Contains(low, "y ") {
			return l.number
		}
	}
	return 0
}

var logarithm = regexp.MustCompile(`\blog(?:arithmic|arithmisch)?\b|\bdecade\b`)

// checkEndsOf refuses frequencies that lie outside the start and the stop that the file gives.
func (t *table) checkEndsOf(x Column) {
	first, step, u, ok := t.axis()
	_, ends := t.factFor(func(f fact) bool { return strings.Contains(f.key, "stop") })
	a, b := frequencyScale[u.unit], frequencyScale[x.Unit]
	if !ok || !ends || a*b == 0 || len(x.Values) < 2 {
		return
	}
	low, high := first*a/b, (first+step*float64(len(x.Values)-1))*a/b
	slack := 0.01*math.Abs(high-low) + math.Abs(x.Values[1]-x.Values[0])
	if least, most := slices.Min(x.Values), slices.Max(x.Values); least < min(low, high)-slack || most > max(low, high)+slack {
		t.fail(u.line, u.column, fmt.Sprintf("the file says from %s to %s here, and its table goes from %s to %s",
			inUnits(low, x.Unit), inUnits(high, x.Unit), inUnits(least, x.Unit), inUnits(most, x.Unit)), "mend the one that is wrong")
	}
}

func inUnits(v float64, unit string) string { return strconv.FormatFloat(v, 'g', 8, 64) + " " + unit }

// computeX makes the x of every row from the facts.
func (t *table) computeX(out *Trace) bool {
	first, step, u, _ := t.axis()
	if u.unit == "" {
		u.unit, u.quantity = declaredUnit(t.declared.XUnit)
	}
	if u.unit == "" {
		t.fail(u.line, u.column, "the distance of the points has no unit", "declare the unit of x")
		return false
	}
	if line := t.logarithmic(); line > 0 {
		t.fail(line, 1, "the frequencies are spread logarithmically, as it seems here, and do not stand in the file", "export the trace with its frequencies")
		return false
	}
	if f, ok := t.stepFact(); ok && frequencyScale[f.unit]*frequencyScale[u.unit] > 0 {
		if own := f.value.x * frequencyScale[f.unit] / frequencyScale[u.unit]; math.Abs(own-step) > 0.01*math.Abs(step) {
			t.fail(f.line, f.column, fmt.Sprintf("the points are %s apart by this and %s by line %d and the number of rows", inUnits(own, u.unit), inUnits(step, u.unit), u.line), "export the trace whole, or with its frequencies")
			return false
		}
	}
	name := "frequency"
	if u.quantity == ofTime {
		name = "time"
	}
	out.X = Column{Name: name, Unit: u.unit, Values: make([]float64, len(t.rows))}
	for i := range out.X.Values {
		out.X.Values[i] = first + step*float64(i)
	}
	t.warn(u.line, u.column, fmt.Sprintf("the x of every row is computed from what stands here: %s apart", inUnits(step, u.unit)), "")
	return true
}

var minutes = regexp.MustCompile(`(?i)(?:^|[^a-z:])m(?:m|in|inutes)?:s(?:s|ec|econds)?\b`)

// stampX makes the x of time stamps: seconds since the first.
func (t *table) stampX(out *Trace) bool {
	for i := range t.header {
		if t.stamps[i] && minutes.MatchString(t.header[i].text) {
			t.fail(t.headLine, t.header[i].column, fmt.Sprintf("%q counts minutes and seconds", t.header[i].text), "write the times as hours:minutes:seconds, or in seconds")
			return false
		}
	}
	var parts []clockParts
	for _, r := range t.rows {
		var p clockParts
		for i := range t.width {
			if !t.stamps[i] {
				continue
			}
			q, ok := parseStamp(r.cells[i].text)
			if !ok {
				t.fail(r.line, r.cells[i].column, fmt.Sprintf("%q is no time stamp", shorten(r.cells[i].text)), "")
				return false
			}
			p.join(q)
		}
		for i := range t.width {
			if scale := t.fraction(i); scale > 0 && r.data[i].kind == number && p.sinceMidnight%time.Second == 0 {
				p.sinceMidnight += time.Duration(math.Round(r.data[i].x * scale * 1e9))
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
			t.fail(t.rows[k].line, 1, bad.Error(), "")
			return false
		}
		if !p.date && len(at) > 0 && at[len(at)-1].Sub(now) > 12*time.Hour { // past midnight
			day = day.AddDate(0, 0, 1)
			now = now.AddDate(0, 0, 1)
		}
		at = append(at, now)
	}
	if err != nil && (at[len(at)-1].YearDay() != at[0].YearDay() || at[len(at)-1].Year() != at[0].Year()) {
		t.fail(t.rows[0].line, 1, err.Error(), "write the dates as year-month-day")
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
func (t *table) checkOrder(x Column) {
	direction := 0.0
	for k := 1; k < len(x.Values); k++ {
		if k > 1 && k+1 < len(x.Values) && x.Values[k] == x.Values[0] && x.Values[k+1] == x.Values[1] {
			t.fail(t.rows[k].line, 1, x.Name+" begins again here: this is another trace", "write a heading above it, or split the file")
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
			t.warn(t.rows[k].line, 1, fmt.Sprintf("%s %s here; the rows stay in their order", x.Name, what), "")
			return
		}
		direction = d
	}
}
