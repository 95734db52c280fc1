package trace

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"sort"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"provoke/internal/files/problem"
	"provoke/internal/files/tabular"
)

// LogSettings say what a log does not say itself. The zero value reads ISO dates in UTC and takes the
// number of a line that has but one.
type LogSettings struct {
	Zone *time.Location // of stamps without a zone; nil means UTC
	// AskZone says that Zone was not declared: a log that names one by an abbreviation is refused.
	AskZone bool
	// Assumed says that Date is that of the run and was not declared: a log that names another day is refused.
	Assumed bool
	// Date is the day of stamps that are a time of day only, and the beginning of logs that count
	// seconds; a time of day that jumps back by more than half a day is on the next day.
	Date time.Time
	// Offset is added to every stamp: how far the log's clock is behind.
	Offset time.Duration
	// Pattern finds the number: its first group, or all of it. ErrorPattern finds lines that are an
	// upset by themselves.
	Pattern, ErrorPattern *regexp.Regexp
	// Unit is that in which numbers are judged: of the numbers of a line, the one in front of it is meant, and a
	// line that leaves two, or one in another unit, is refused.
	Unit string
	// DatesBegin is "day" or "month" where dates are written with slashes and no date tells.
	DatesBegin string
	Decimal    string // "," or "."; empty takes either where it stands once
}

// Entry is one line of a log.
type Entry struct {
	Line int
	At   time.Time // with the offset
	// Width is how coarse the stamp is: the line was written from At to so much later. Zero where stamps have
	// three or more figures behind the seconds.
	Width    time.Duration
	Text     string // behind the stamp
	Value    float64
	HasValue bool
	number   string // as it stands in the log
	Error    bool   // the error pattern matches
	Zoned    bool   // the stamp or the heading names its zone, or it counts since 1970
}

// ParseLog reads the log of a device under test: lines that begin with a time stamp, whatever stands
// behind it. Accepted stamps: 2026-11-25 10:00:00.5 and its kin with T, slashes, dots, a zone, or
// date and time in two fields; 25.11.2026; 11/25/2026 1:00:00 PM where the file tells day from month;
// a time of day; seconds, milliseconds or microseconds since 1970; seconds since Settings.Date;
// and dates with names of months; all of these also where a number of the line stands before them, and with a
// zone by its distance from UTC, which a heading may name for all. Entries come back in the order of time. Lines
// of words are told and left out; a line that begins with a figure and has no stamp, a stamp that goes on behind
// its end, and a log without a single entry, are problems.
func ParseLog(name string, data []byte, s LogSettings) ([]Entry, problem.List) {
	r := reader{&tabular.Reader{Name: name}}
	if s.Zone == nil {
		s.Zone = time.UTC
	}
	var out []Entry
	var parts []clockParts
	var named clockParts // the first full date in a line that is no entry
	namedAt, counted := 0, 0
	told := faults{}
	var top above
	bare := false             // a number was read that has no unit
	var grouped, plain *Entry // numbers with a comma: before three digits, or otherwise
	for _, l := range r.Lines(data) {
		line := spelledDate(l.Text, s)
		p, at, rest, ok := s.stampOf(line)
		switch {
		case p.bad != "":
			told.add(torn, l.Number, columnOf(l.Text, p.before, p.bad), p.bad)
			continue
		case ok && p.word != "" && s.AskZone:
			told.add(abbreviated, l.Number, columnOf(l.Text, p.before, p.word), p.word)
		case ok && !p.clock && counted == 0:
			counted = l.Number
		case !ok && twoDigitYear.MatchString(line):
			r.Fail(l.Number,
				1, fmt.Sprintf("%q begins with a date whose year has two digits: it can be read in several ways",
					tabular.Shorten(strings.TrimSpace(line))), "write dates as year-month-day")
			continue
		case !ok && len(out) > 0 && tabular.BeginsLikeFigure(line):
			r.Fail(l.Number, 1, fmt.Sprintf("%q begins with no time stamp that is understood",
				tabular.Shorten(strings.TrimSpace(line))), tabular.MendRow)
			continue
		case !ok:
			if d := anyDate.FindString(line); d != "" && namedAt == 0 && readDate(&named, d) {
				namedAt = l.Number
			}
			if len(out) == 0 && top.read(l, s, told) {
				continue
			}
			if len(out) > 0 || !looksLikeHeading(line) {
				told.add(unstamped, l.Number, 1, tabular.Shorten(strings.TrimSpace(line)))
			}
			continue
		}
		e := Entry{Line: l.Number, At: at, Text: rest, Zoned: p.zone != nil || !p.clock}
		if why := s.value(&e); why.what != "" && s.Unit != "" {
			told.add(why, l.Number, columnOf(l.Text, "", e.Text), tabular.Shorten(e.Text))
		}
		bare = bare || e.HasValue && s.Pattern == nil && !strings.Contains(e.Text, s.Unit)
		if sign := strings.IndexByte(e.number, ','); sign >= 0 && s.Decimal == "" {
			if !groupedComma.MatchString(e.number) {
				plain = &e
			} else if grouped == nil {
				grouped = &e
			}
		}
		out, parts = append(out, e), append(parts, p)
	}
	if grouped != nil && plain == nil {
		told.add(twoWays, grouped.Line, 1, grouped.number)
	}
	for i := range parts {
		if parts[i].clock && parts[i].zone == nil && top.zone != nil {
			parts[i].zone, out[i].Zoned = top.zone, true
		}
	}
	if want, _ := tabular.UnitOf(s.Unit); bare && top.unit != "" && top.unit != want {
		told.add(inUnit("is the unit of the heading", top.unit, s.Unit), top.unitLine, 1, top.unit)
	}
	r.tell(told)
	if len(out) == 0 {
		if r.Problems.Err() == nil {
			r.Fail(1, 1, "no line begins with a time stamp", "for example 2026-11-25 10:00:00.5")
		}
		return nil, r.Sorted()
	}
	if clocks := slices.IndexFunc(parts, func(p clockParts) bool { return p.clock }); counted > 0 && clocks >= 0 {
		r.Fail(counted, 1, fmt.Sprintf("the line begins with a number and no time of day, line %d has a time of day",
			out[clocks].Line), tabular.MendRow)
	}
	if s.Assumed && namedAt > 0 && named.order != '?' && !slices.ContainsFunc(parts,
		func(p clockParts) bool { return p.date }) {
		if y, m, d := s.Date.Date(); named.year != y || named.month != int(m) || named.day != d {
			r.Fail(namedAt, 1, fmt.Sprintf("the log says %04d-%02d-%02d here and the run was on %s", named.year,
				named.month, named.day, s.Date.Format(time.DateOnly)), "say on which day the log was written")
		}
	}
	r.place(out, parts, s)
	if r.Problems.Err() != nil {
		return nil, r.Sorted()
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].At.Before(out[j].At) })
	return out, r.Sorted()
}

// fault is what is wrong with lines of a log, behind the text that shows it.
type fault struct {
	what, hint string
	warning    bool
}

var (
	unstamped = fault{"begins with no time stamp and is left out", "", true}
	torn      = fault{"follows the time stamp directly, so the stamp is not understood",
		"write stamps as 2026-11-25 10:00:00.517", false}
	abbreviated = fault{"names a zone, but no distance from UTC",
		"say with --zone which is meant, for example --zone +01:00", false}
	twoWays = fault{"can be read in two ways, as every number of the log with a comma",
		"declare the decimal sign with --decimal, comma or point", false}
	numberless = fault{"has no number, so it is not judged", "", true}
)

// faults holds the lines that have a fault, which is told once, where it is first.
type faults map[fault]*firstOf

type firstOf struct {
	line, column, n int
	text            string
}

func (f faults) add(of fault, line, column int, text string) {
	if f[of] == nil {
		f[of] = &firstOf{line, column, 0, text}
	}
	f[of].n++
}

// reader gathers the problems of a log.
type reader struct{ *tabular.Reader }

func (r reader) tell(f faults) {
	for of, first := range f {
		what := fmt.Sprintf("%q %s", first.text, of.what)
		if first.n > 1 {
			what += fmt.Sprintf(" (the first of %d lines)", first.n)
		}
		if of.warning {
			r.Warn(first.line, first.column, what, of.hint)
		} else {
			r.Fail(first.line, first.column, what, of.hint)
		}
	}
}

// above is what the lines above a log say of all its entries.
type above struct {
	zone     *time.Location
	unit     string // the wanted one, if several columns have one
	unitLine int
}

// read reads a line above the log and reports whether it names a zone that is asked for.
func (a *above) read(l tabular.Line, s LogSettings, told faults) bool {
	want, _ := tabular.UnitOf(s.Unit)
	for _, m := range bracketed.FindAllStringSubmatch(l.Text, -1) {
		if u, of := tabular.UnitOf(m[1]); u != "" && of != tabular.OfTime && a.unit != want && s.Unit != "" {
			a.unit, a.unitLine = u, l.Number
		}
	}
	word := zoneInHeading.FindString(l.Text)
	if word == "" || !s.AskZone {
		return false
	}
	if zoneWord.MatchString(word) {
		told.add(abbreviated, l.Number, columnOf(l.Text, "", word), word)
	} else {
		a.zone = readZone(word)
	}
	return true
}

// columnOf is the column of a text that stands behind another in a line.
func columnOf(line, before, text string) int {
	return utf8.RuneCountInString(line[:max(0, strings.Index(line, before+text))]+before) + 1
}

// looksLikeHeading reports a line of words, such as names of columns.
func looksLikeHeading(line string) bool { return !strings.ContainsAny(line, "0123456789") }

// stampStart cuts the stamp off the beginning of a line: a date with a time of day, or either alone.
var stampStart = regexp.MustCompile(`^\s*["'\[(]?(\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[./-]\d{1,2}[./-]\d{4})?["']?[\s;,T|]*["']?(\d{1,2}:\d{1,2}(?::\d{1,2}(?:\.\d{1,9}|:\d{3}\b)?)?)?(,\d{1,9})?(\s*[AaPp]\.?[Mm]\.?)?(?:\s*[(\[]?((?:` + zoneOfStamp + `|` + zoneWords + `)\b))?["'\])]?`)

// zoneInHeading finds a zone in the words above a log.
var zoneInHeading = regexp.MustCompile(`\b(?:(?:UTC|GMT)(?:[+-]\d{1,2}(?::?\d{2})?)?|` + zoneWords + `)\b`)

// anyDate finds a full date in a line, twoDigitYear one that is none at its beginning.
var (
	anyDate      = regexp.MustCompile(`\b(?:\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[./-]\d{1,2}[./-]\d{4})\b`)
	twoDigitYear = regexp.MustCompile(`^\s*["'\[(]?\d{1,2}[./-]\d{1,2}[./-]\d{2}\b`)
	dayMonth     = regexp.MustCompile(`(?i)\b(?:(?:mon|tue|wed|thu|fri|sat|sun)[a-z]*,?\s+)?(\d{1,2})[ -](jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[a-z]*[ ,-]+(\d{4})\b`)
	monthDay     = regexp.MustCompile(`(?i)\b(?:(?:mon|tue|wed|thu|fri|sat|sun)[a-z]*,?\s+)?(jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[a-z]*\s+(\d{1,2})(?:,?\s+(\d{4})\b)?(\s+\d{1,2}:\d{2}(?::\d{2}[.:\d]*)?(?:\s+(?:` + zoneOfStamp + `|` + zoneWords + `)\b)?)?(?:\s+(\d{4})\b)?`)
)

// spelledDate writes a date with the name of its month as year-month-day. One without a year is of the year of
// the settings' date, if it is within a day of that; else it stays as it is, and is no stamp.
func spelledDate(line string, s LogSettings) string {
	month := func(name string) int {
		return strings.Index("janfebmaraprmayjunjulaugsepoctnovdec", strings.ToLower(name))/3 + 1
	}
	if m := dayMonth.FindStringSubmatchIndex(line); m != nil {
		day, _ := strconv.Atoi(line[m[2]:m[3]])
		return line[:m[0]] + fmt.Sprintf("%s-%02d-%02d", line[m[6]:m[7]], month(line[m[4]:m[5]]), day) + line[m[1]:]
	}
	m := monthDay.FindStringSubmatchIndex(line)
	if m == nil {
		return line
	}
	part := func(i int) string {
		if m[2*i] < 0 {
			return ""
		}
		return line[m[2*i]:m[2*i+1]]
	}
	day, _ := strconv.Atoi(part(2))
	year, end := part(3), m[1]
	if year == "" {
		if year = part(5); year == "" || part(4) == "" {
			year, end = "", m[5]
			if m[8] >= 0 {
				end = m[9]
			}
		}
	} else if part(5) != "" { // a figure of the line's own
		end = m[10] - 1
	}
	if year == "" {
		if s.Date.IsZero() {
			return line
		}
		at := time.Date(s.Date.Year(), time.Month(month(part(1))), day, 0, 0, 0, 0, s.Date.Location())
		if d := at.Sub(s.Date); d < -24*time.Hour || d > 24*time.Hour {
			return line
		}
		year = strconv.Itoa(s.Date.Year())
	}
	return line[:m[0]] + fmt.Sprintf("%s-%02d-%02d", year, month(part(1)), day) + part(4) + line[end:]
}

// goesOn is what shows that a stamp has not ended.
var goesOn = regexp.MustCompile(`^[-+.:]?\d`)

// secondsStart cuts a plain number off.
var secondsStart = regexp.MustCompile(`^\s*(\d+(?:[.,]\d+)?)\s*s?(?:[\s;,:|]|$)`)

// stampOf splits a line into its stamp and the rest. Either the parts say when, or at does.
func (s LogSettings) stampOf(line string) (p clockParts, at time.Time, rest string, ok bool) {
	m := stampStart.FindStringSubmatchIndex(line)
	group := func(i int) string {
		if m[2*i] < 0 {
			return ""
		}
		return line[m[2*i]:m[2*i+1]]
	}
	if m != nil && group(2) != "" {
		clock, end := group(2), m[1]
		if strings.Count(clock, ":") == 3 { // milliseconds
			clock = clock[:len(clock)-4] + "." + clock[len(clock)-3:]
		}
		if f := group(3); f != "" {
			// A comma behind the seconds stands before decimals, unless what follows is a figure of its own.
			if strings.Count(clock, ":") == 2 && !strings.Contains(clock, ".") && !fieldOfItsOwn(line[m[7]:]) {
				clock += f
			} else {
				end = m[6]
			}
		}
		if end == m[1] {
			clock += group(4)
			if z := group(5); !zoneWord.MatchString(z) {
				clock += z
			} else {
				p.word, p.before = z, line[m[4]:m[10]]
			}
		}
		if goesOn.MatchString(line[end:]) {
			p.before = line[m[4]:end]
			p.bad, _, _ = strings.Cut(line[end:], " ")
			return p, at, "", false
		}
		if date := group(1); date != "" && !readDate(&p, date) {
			return p, at, "", false
		}
		if !readClock(&p, clock) {
			return p, at, "", false
		}
		rest = trimField(line[end:])
		// the date stands behind the time
		if d := anyDate.FindStringIndex(rest); !p.date && d != nil && readDate(&p, rest[d[0]:d[1]]) {
			rest = trimField(rest[:d[0]] + " " + trimField(rest[d[1]:]))
		}
		return p, at, rest, true
	}
	// A number before a full date counts the lines, and no seconds.
	if d := anyDate.FindStringIndex(line); d != nil && d[0] > 0 {
		if p, at, rest, ok = s.stampOf(line[d[0]:]); ok && p.date && !strings.ContainsAny(rest, "0123456789") {
			rest = trimField(trimField(line[:d[0]]) + " " + rest)
		}
		return p, at, rest, ok && p.date
	}
	n := secondsStart.FindStringSubmatchIndex(line)
	if n == nil {
		return p, at, "", false
	}
	text := strings.Replace(line[n[2]:n[3]], ",", ".", 1)
	if line[n[2]:n[3]] != text && s.Decimal != "," { // "12,5" may be two fields
		text, _, _ = strings.Cut(text, ".")
		n[1] = n[2] + len(text)
	}
	x, err := strconv.ParseFloat(text, 64)
	if err != nil {
		return p, at, "", false
	}
	whole, fraction, _ := strings.Cut(text, ".")
	if p.digits = len(fraction); len(whole) > 10 {
		p.digits += len(whole) - 10
	}
	at, ok = s.since(x, len(whole))
	return p, at, trimField(line[n[1]:]), ok
}

// fieldOfItsOwn reports that the text behind a comma and digits shows these digits to be a figure, as
// in "10:00:00,12.5" and at the end of a line.
func fieldOfItsOwn(rest string) bool {
	return rest == "" || rest[0] == '.' || strings.TrimSpace(rest) == ""
}

// since reads a count of seconds, milliseconds or microseconds since 1970 by its number of digits, or
// one of seconds since the settings' date.
func (s LogSettings) since(x float64, digits int) (time.Time, bool) {
	switch {
	case digits == 10:
		return time.Unix(0, int64(math.Round(x*1e6))*1000).UTC(), true
	case digits == 13:
		return time.UnixMicro(int64(math.Round(x * 1e3))).UTC(), true
	case digits == 16:
		return time.UnixMicro(int64(x)).UTC(), true
	case !s.Date.IsZero() && digits < 9:
		return s.Date.Add(time.Duration(math.Round(x * 1e9))), true
	}
	return time.Time{}, false
}

func trimField(s string) string { return strings.Trim(s, " \t;,|:\"'\u00a0") }

// place gives every entry its time.
func (r reader) place(out []Entry, parts []clockParts, s LogSettings) {
	var dated []clockParts
	for _, p := range parts {
		if p.date {
			dated = append(dated, p)
		}
	}
	dayFirst := true
	if len(dated) > 0 {
		var err error
		if dayFirst, err = clockOrder(dated, s.DatesBegin); err != nil {
			r.Fail(out[0].Line, 1, err.Error(), "say whether dates begin with the day or the month")
			return
		}
	}
	defer widen(out, parts, s.Offset)
	day, last := s.Date, time.Time{}
	for i := range out {
		if !parts[i].clock {
			out[i].At = out[i].At.Add(s.Offset)
			continue
		}
		at, err := parts[i].ordered(dayFirst).moment(day, s.Zone)
		if err != nil {
			r.Fail(out[i].Line, 1, err.Error(), "say on which day the log was written")
			return
		}
		if !parts[i].date && !last.IsZero() && last.Sub(at) > 12*time.Hour { // past midnight
			day = day.AddDate(0, 0, 1)
			at = at.AddDate(0, 0, 1)
		}
		last = at
		out[i].At = at.Add(s.Offset)
	}
}

// widen gives every entry the width of its stamp: a minute without seconds, else that of the last figure which any
// stamp of the file has; zeros that all have at their ends say nothing.
func widen(out []Entry, parts []clockParts, offset time.Duration) {
	digits := 0
	for i, e := range out {
		if e.At.Add(-offset).Nanosecond() != 0 {
			digits = max(digits, parts[i].digits)
		}
	}
	for i, p := range parts {
		switch {
		case p.clock && !p.seconds:
			out[i].Width = time.Minute
		case digits < 3:
			out[i].Width = time.Second / time.Duration(math.Pow10(digits))
		}
	}
}

// lineNumber is a number with the signs of its decimals and thousands, behindNumber the word behind one, and
// bracketed what a heading has for a unit.
var (
	lineNumber   = regexp.MustCompile(`[-+\x{2212}]?\d+(?:[.,'’]\d+)*(?:[eE][-+]?\d+)?`)
	behindNumber = regexp.MustCompile(`^[\s;,|"'\[\](){}\x{a0}]*`)
	groupedComma = regexp.MustCompile(`^[-+\x{2212}]?[1-9]\d{0,2},\d{3}$`)
	blankBefore  = regexp.MustCompile(`\d[ \x{a0}\x{202f}]$`)
	threeDigits  = regexp.MustCompile(`^\d{3}(?:[.,]\d+)?$`)
	unitWord     = regexp.MustCompile(`^[\pL%°][^\s\d;,|"'\[\](){}<>=:]*`)
	bracketed    = regexp.MustCompile(`[\[(]([^\])]+)[\])]`)
)

// value finds the number of an entry. Where it finds none that could be judged, it says why.
func (s LogSettings) value(e *Entry) (why fault) {
	if s.ErrorPattern != nil && s.ErrorPattern.MatchString(e.Text) {
		e.Error = true
		return fault{}
	}
	spans := lineNumber.FindAllStringIndex(e.Text, -1)
	if s.Pattern != nil {
		m := s.Pattern.FindStringSubmatchIndex(e.Text)
		if len(m) > 2 {
			m = m[2:]
		}
		if spans = nil; m != nil && m[0] >= 0 {
			spans = [][]int{m}
		}
	}
	several := fault{"has several numbers, and " + s.Unit + " stands behind none of them or behind more than one",
		"say with --pattern which is meant: a regular expression whose first group is the number", false}
	type reading struct {
		x    float64
		text string
	}
	var right, others []reading
	other := ""
	for _, at := range spans {
		text := e.Text[at[0]:at[1]]
		x, unit, ok := s.number(text)
		before, _ := utf8.DecodeLastRuneInString(e.Text[:at[0]])
		switch u := s.unitBehind(unit + e.Text[at[1]:]); {
		case s.Pattern == nil && ok && threeDigits.MatchString(text) && blankBefore.MatchString(e.Text[:at[0]]):
			// "1 290.5" may be one number
			return several
		case s.Pattern == nil && (!ok && strings.Contains(text, ",") || unicode.IsDigit(before)):
			// fields with commas between, or a range
			return several
		case strings.HasSuffix(strings.TrimRight(e.Text[:at[0]], " "), "±"):
		case !ok: // an address, or a version
		case u == s.Unit && u != "":
			right = append(right, reading{x, text})
		case s.Pattern != nil || !unicode.IsLetter(before) && !unicode.IsDigit(before) && before != '_':
			// else it is of a name
			others, other = append(others, reading{x, text}), u
		}
	}
	if len(right) > 0 {
		others, other = right, ""
	}
	switch {
	case len(others) == 0:
		return numberless
	case len(others) > 1:
		return several
	case other != "":
		return inUnit("has its number in "+other, other, s.Unit)
	}
	e.Value, e.HasValue, e.number = others[0].x, true, others[0].text
	return fault{}
}

// inUnit is the fault of a number, or a heading, in another unit than the wanted one.
func inUnit(what, other, wanted string) fault {
	return fault{what + ", and the tolerance is in " + wanted,
		"give --tolerance in " + other + ", or say with --pattern which number is in " + wanted, false}
}

// number reads a number, and the unit behind it if it has one, with the decimal sign that it shows.
func (s LogSettings) number(text string) (x float64, unit string, ok bool) {
	decimal := byte('.')
	if s.Decimal == "," || s.Decimal == "" && strings.Count(text, ",") == 1 &&
		strings.LastIndexByte(text, '.') < strings.IndexByte(text, ',') {
		decimal = ','
	}
	x, unit, ok = tabular.Figure(strings.TrimSpace(text), decimal)
	return x, unit, ok && !math.IsInf(x, 0)
}

// unitBehind returns the unit that the text behind a number begins with, or "". Letters directly behind a number
// are taken for one, whatever they are.
func (s LogSettings) unitBehind(rest string) string {
	text := rest[len(behindNumber.FindString(rest)):]
	if tail, ok := strings.CutPrefix(text, s.Unit); ok && s.Unit != "" {
		if next, _ := utf8.DecodeRuneInString(tail); !unicode.IsLetter(next) && !unicode.IsNumber(next) && next != '/' {
			return s.Unit
		}
	}
	word, apart := unitWord.FindString(text), len(text) < len(rest)
	if tail := text[len(word):]; s.Unit == "" || word == "" || apart && tail != "" &&
		strings.IndexByte("0123456789=", tail[0]) >= 0 {
		return ""
	}
	word = strings.TrimRight(word, ".!?")
	u, _ := tabular.UnitOf(word)
	if u == "" && apart && !strings.HasPrefix(word, s.Unit+"/") {
		return ""
	}
	if want, _ := tabular.UnitOf(s.Unit); u != "" && u == want {
		return s.Unit
	}
	return word
}
