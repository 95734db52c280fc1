package trace

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"time"
)

// The zones that a stamp may name by figures, and abbreviations of zones.
const (
	zoneOfStamp = `Z|(?:UTC|GMT)(?:[+-](?:\d{2}:?\d{2}|\d{1,2}(?::\d{2})?))?|[+-](?:0\d|1[0-4]):?(?:00|15|30|45)`
	zoneWords   = `CES?T|MES?Z|WES?T|EES?T|BST|IST|MSK|A?[ECMP][SD]T|A[WK][SD]T|AST|ADT|HST|JST|KST|HKT|SGT|NZ[SD]T|SAST`
)

// The parts of a time stamp. Separators between date and time may be a blank, a T, or the file's own
// separator.
var (
	isoDate   = regexp.MustCompile(`^(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})$`)
	dotDate   = regexp.MustCompile(`^(\d{1,2})\.(\d{1,2})\.(\d{4})$`)
	slashDate = regexp.MustCompile(`^(\d{1,2})[/-](\d{1,2})[/-](\d{4})$`)
	clockTime = regexp.MustCompile(`^(\d{1,2}):(\d{1,2})(?::(\d{1,2})(?:[.,](\d{1,9}))?)?(?:\s*([AaPp])\.?[Mm]\.?)?\s*(` + zoneOfStamp + `)?$`)
	// zoneWord names a zone by letters that are of several zones, or of one that changes with the season.
	zoneWord = regexp.MustCompile(`^(?:` + zoneWords + `)$`)
)

// clockParts are the parts of one stamp that a cell or the start of a line holds.
type clockParts struct {
	date             bool
	year, month, day int
	order            byte // 'y', 'd' for day first, '?' for day or month first
	clock            bool
	sinceMidnight    time.Duration
	zone             *time.Location // nil where the stamp has none
	seconds          bool           // the clock has seconds
	digits           int            // behind the decimal sign of the seconds
	word             string         // an abbreviation that names its zone
	bad              string         // what stands directly behind a stamp that is not understood
	before           string         // the clock up to there, or up to the word
}

// looksStamped reports that a cell holds a date, a time of day, or both.
func looksStamped(s string) bool {
	_, ok := parseStamp(s)
	return ok
}

// parseStamp reads a date, a time of day, or both with a blank or T between them.
func parseStamp(s string) (clockParts, bool) {
	s = strings.TrimSpace(s)
	if len(s) < 4 || len(s) > 40 || strings.IndexByte("0123456789", s[0]) < 0 {
		return clockParts{}, false
	}
	var p clockParts
	if readDate(&p, s) || readClock(&p, s) {
		return p, true
	}
	if i := strings.IndexAny(s, " T_"); i > 0 && readDate(&p, s[:i]) {
		return p, readClock(&p, strings.TrimSpace(s[i+1:]))
	}
	return clockParts{}, false
}

func readDate(p *clockParts, s string) bool {
	atoi := func(t string) int { n, _ := strconv.Atoi(t); return n }
	if m := isoDate.FindStringSubmatch(s); m != nil {
		p.year, p.month, p.day, p.order = atoi(m[1]), atoi(m[2]), atoi(m[3]), 'y'
	} else if m := dotDate.FindStringSubmatch(s); m != nil {
		p.day, p.month, p.year, p.order = atoi(m[1]), atoi(m[2]), atoi(m[3]), 'd'
	} else if m := slashDate.FindStringSubmatch(s); m != nil {
		p.day, p.month, p.year, p.order = atoi(m[1]), atoi(m[2]), atoi(m[3]), '?'
		switch {
		case p.month > 12 && p.day <= 12:
			p.day, p.month, p.order = p.month, p.day, 'm'
		case p.day > 12:
			p.order = 'd'
		}
	} else {
		return false
	}
	p.date = p.month >= 1 && p.month <= 12 && p.day >= 1 && p.day <= 31 && p.year >= 1970
	return p.date
}

func readClock(p *clockParts, s string) bool {
	m := clockTime.FindStringSubmatch(s)
	if m == nil || m[3] == "" && len(m[2]) < 2 { // some clocks write 9:5:7; 9:5 may be anything
		return false
	}
	h, _ := strconv.Atoi(m[1])
	minute, _ := strconv.Atoi(m[2])
	second, _ := strconv.Atoi(m[3])
	nano := 0
	if m[4] != "" {
		nano, _ = strconv.Atoi((m[4] + "00000000")[:9])
	}
	if m[5] != "" {
		if h < 1 || h > 12 {
			return false
		}
		h %= 12
		if strings.EqualFold(m[5], "p") {
			h += 12
		}
	}
	if h > 23 || minute > 59 || second > 60 {
		return false
	}
	p.clock, p.seconds, p.digits = true, m[3] != "", len(m[4])
	p.sinceMidnight = time.Duration(h)*time.Hour + time.Duration(minute)*time.Minute + time.Duration(
		second)*time.Second + time.Duration(nano)
	p.zone = readZone(m[6])
	return true
}

// readZone reads a zone by its distance from UTC; an empty text is none.
func readZone(z string) *time.Location {
	if z == "" {
		return nil
	}
	z = strings.TrimPrefix(strings.TrimPrefix(z, "UTC"), "GMT")
	if z == "" || z == "Z" {
		return time.UTC
	}
	digits := strings.ReplaceAll(z[1:], ":", "")
	n, _ := strconv.Atoi(digits)
	if len(digits) <= 2 { // hours
		n *= 100
	}
	offset := n/100*3600 + n%100*60
	if z[0] == '-' {
		offset = -offset
	}
	return time.FixedZone("", offset)
}

// moment makes a time of the parts of a stamp. A stamp without a zone is in zone; one without a date
// is on the given day.
func (p clockParts) moment(day time.Time, zone *time.Location) (time.Time, error) {
	if p.zone != nil {
		zone = p.zone
	}
	if !p.date {
		if day.IsZero() {
			return time.Time{}, fmt.Errorf("the time stamp has no date")
		}
		p.year, p.month, p.day = day.Year(), int(day.Month()), day.Day()
	}
	day = time.Date(p.year, time.Month(p.month), p.day, 0, 0, 0, 0, time.UTC)
	if day.Day() != p.day {
		return time.Time{}, fmt.Errorf("the month has no day %d", p.day)
	}
	wall := day.Add(p.sinceMidnight)
	at := time.Date(wall.Year(), wall.Month(), wall.Day(), wall.Hour(), wall.Minute(), wall.Second(), wall.Nanosecond(),
		zone)
	const layout = "2006-01-02 15:04:05"
	if at.Format(layout) != wall.Format(layout) {
		return time.Time{}, fmt.Errorf("a clock in %v was set forward over %s", zone, wall.Format(layout))
	}
	for _, d := range []time.Duration{-time.Hour, time.Hour} {
		if at.Add(d).Format(layout) == wall.Format(layout) {
			return time.Time{}, fmt.Errorf("a clock in %v stood at %s twice, before and after it was set back",
				zone, wall.Format(layout))
		}
	}
	return at, nil
}

// clockOrder settles whether dates with slashes have the day first: by the rows in which only one
// reading is a date. It fails where no row settles it or rows disagree.
func clockOrder(parts []clockParts, declared string) (dayFirst bool, err error) {
	seen := map[byte]bool{}
	for _, p := range parts {
		seen[p.order] = true
	}
	switch {
	case declared == "day" || declared == "month":
		if declared == "day" && seen['m'] || declared == "month" && seen['d'] && !seen['y'] {
			return false, fmt.Errorf("the dates are not written with the %s first", declared)
		}
		return declared == "day", nil
	case seen['d'] && seen['m']:
		return false, fmt.Errorf("some dates have the day first and some the month")
	case seen['?'] && !seen['d'] && !seen['m']:
		return false, fmt.Errorf("no date tells whether the day or the month stands first")
	}
	return !seen['m'], nil
}
