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
	"unicode/utf8"

	"provoke/internal/problem"
)

// LogSettings say what a log does not say itself. The zero value reads ISO dates in UTC and takes the
// first number behind the stamp.
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
	// DatesBegin is "day" or "month" where dates are written with slashes and no date tells.
	DatesBegin string
	Decimal    string // "," or "."; empty takes either where it stands once
}

// Entry is one line of a log.
type Entry struct {
	Line     int
	At       time.Time // with the offset
	Text     string    // behind the stamp
	Value    float64
	HasValue bool
	Error    bool // the error pattern matches
	Zoned    bool // the stamp names its zone, or counts since 1970
}

// ParseLog reads the log of a device under test: lines that begin with a time stamp, whatever stands
// behind it. Accepted stamps: 2026-11-25 10:00:00.5 and its kin with T, slashes, dots, a zone, or
// date and time in two fields; 25.11.2026; 11/25/2026 1:00:00 PM where the file tells day from month;
// a time of day; seconds, milliseconds or microseconds since 1970; and seconds since Settings.Date.
// and dates with names of months; all of these also where a number of the line stands before them, and with a
// zone by its distance from UTC, which a heading may name for all. Entries come back in the order of time. Lines
// of words are told and left out; a line that begins with a figure and has no stamp, a stamp that goes on behind
// its end, and a log without a single entry, are problems.
func ParseLog(name string, data []byte, s LogSettings) ([]Entry, problem.List) {
	r := &reader{name: name}
	if s.Zone == nil {
		s.Zone = time.UTC
	}
	var out []Entry
	var parts []clockParts
	var named clockParts // the first full date in a line that is no entry
	namedAt, counted := 0, 0
	var unstamped, torn, zoned folded
	var zone *time.Location // that the heading names
	for _, l := range r.lines(data) {
		line := spelledDate(l.text, s)
		p, at, rest, ok := s.stampOf(line)
		switch {
		case p.bad != "":
			torn.add(l.number, columnOf(l.text, p.before, p.bad), p.bad)
			continue
		case ok && p.word != "" && s.AskZone:
			zoned.add(l.number, columnOf(l.text, p.before, p.word), p.word)
		case ok && !p.clock && counted == 0:
			counted = l.number
		case !ok && twoDigitYear.MatchString(line):
			r.fail(l.number, 1, fmt.Sprintf("%q begins with a date whose year has two digits: it can be read in several ways", shorten(strings.TrimSpace(line))), "write dates as year-month-day")
			continue
		case !ok && len(out) > 0 && beginsLikeFigure(line):
			r.fail(l.number, 1, fmt.Sprintf("%q begins with no time stamp that is understood", shorten(strings.TrimSpace(line))), mendRow)
			continue
		case !ok:
			if d := anyDate.FindString(line); d != "" && namedAt == 0 && readDate(&named, d) {
				namedAt = l.number
			}
			if z := zoneInHeading.FindStringIndex(l.text); z != nil && len(out) == 0 && s.AskZone {
				if word := l.text[z[0]:z[1]]; zoneWord.MatchString(word) {
					zoned.add(l.number, columnOf(l.text, "", word), word)
				} else {
					zone = readZone(word)
				}
			} else if len(out) > 0 || !looksLikeHeading(line) {
				unstamped.add(l.number, 1, shorten(strings.TrimSpace(line)))
			}
			continue
		}
		e := Entry{Line: l.number, At: at, Text: rest, Zoned: p.zone != nil || !p.clock}
		s.value(&e)
		out, parts = append(out, e), append(parts, p)
	}
	for i := range parts {
		if parts[i].clock && parts[i].zone == nil && zone != nil {
			parts[i].zone, out[i].Zoned = zone, true
		}
	}
	if torn.n > 0 {
		r.fail(torn.line, torn.column, fmt.Sprintf("%q follows the time stamp directly, so the stamp is not understood%s", torn.text, torn.more()), "write stamps as 2026-11-25 10:00:00.517")
	}
	if zoned.n > 0 {
		r.fail(zoned.line, zoned.column, fmt.Sprintf("the log names the zone %q, which is no distance from UTC%s", zoned.text, zoned.more()), "say with --zone which is meant, for example --zone +01:00")
	}
	if unstamped.n > 0 {
		r.warn(unstamped.line, unstamped.column, fmt.Sprintf("%q begins with no time stamp and is left out%s", unstamped.text, unstamped.more()), "")
	}
	if len(out) == 0 {
		if r.problems.Err() == nil {
			r.fail(1, 1, "no line begins with a time stamp", "for example 2026-11-25 10:00:00.5")
		}
		return nil, r.sorted()
	}
	if clocks := slices.IndexFunc(parts, func(p clockParts) bool { return p.clock }); counted > 0 && clocks >= 0 {
		r.fail(counted, 1, fmt.Sprintf("the line begins with a number and no time of day, line %d has a time of day", out[clocks].Line), mendRow)
	}
	if s.Assumed && namedAt > 0 && named.order != '?' && !slices.ContainsFunc(parts, func(p clockParts) bool { return p.date }) {
		if y, m, d := s.Date.Date(); named.year != y || named.month != int(m) || named.day != d {
			r.fail(namedAt, 1, fmt.Sprintf("the log says %04d-%02d-%02d here and the run was on %s", named.year, named.month, named.day, s.Date.Format(time.DateOnly)), "say on which day the log was written")
		}
	}
	r.place(out, parts, s)
	if r.problems.Err() != nil {
		return nil, r.sorted()
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].At.Before(out[j].At) })
	return out, r.sorted()
}

// folded are lines with one fault, which is told once, where it is first.
type folded struct {
	line, column, n int
	text            string
}

func (f *folded) add(line, column int, text string) {
	if f.n++; f.n == 1 {
		f.line, f.column, f.text = line, column, text
	}
}

// more says of how many lines the first stands.
func (f *folded) more() string {
	if f.n == 1 {
		return ""
	}
	return fmt.Sprintf(" (the first of %d lines)", f.n)
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

// goesOn is what shows that a stamp has not ended, signed what shows that a zone has not.
var (
	goesOn = regexp.MustCompile(`^(?:\d|[.:]\d)`)
	signed = regexp.MustCompile(`^[-+]\d`)
)

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
		if goesOn.MatchString(line[end:]) || end == m[1] && group(5) != "" && signed.MatchString(line[end:]) {
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
		if d := anyDate.FindStringIndex(rest); !p.date && d != nil && readDate(&p, rest[d[0]:d[1]]) { // the date stands behind the time
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
	at, ok = s.since(x, len(strings.SplitN(text, ".", 2)[0]))
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
func (r *reader) place(out []Entry, parts []clockParts, s LogSettings) {
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
			r.fail(out[0].Line, 1, err.Error(), "say whether dates begin with the day or the month")
			return
		}
	}
	day, last := s.Date, time.Time{}
	for i := range out {
		if !parts[i].clock {
			out[i].At = out[i].At.Add(s.Offset)
			continue
		}
		at, err := parts[i].ordered(dayFirst).moment(day, s.Zone)
		if err != nil {
			r.fail(out[i].Line, 1, err.Error(), "say on which day the log was written")
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

// firstNumber is a figure with a decimal point or comma.
var firstNumber = regexp.MustCompile(`[-+\x{2212}]?\d+(?:[.,]\d+)?(?:[eE][-+]?\d+)?`)

// value finds the number of an entry.
func (s LogSettings) value(e *Entry) {
	if s.ErrorPattern != nil && s.ErrorPattern.MatchString(e.Text) {
		e.Error = true
		return
	}
	pattern := s.Pattern
	if pattern == nil {
		pattern = firstNumber
	}
	m := pattern.FindStringSubmatch(e.Text)
	if m == nil {
		return
	}
	text := m[len(m)-1]
	if len(m) > 1 {
		text = m[1]
	}
	decimal := byte('.')
	if s.Decimal == "," || s.Decimal == "" && strings.Count(text, ",") == 1 && !strings.Contains(text, ".") {
		decimal = ','
	}
	if x, unit, ok := figure(strings.TrimSpace(text), decimal); ok && unit == "" && !math.IsInf(x, 0) {
		e.Value, e.HasValue = x, true
	}
}
