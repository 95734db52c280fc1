package jig

import (
	"bytes"
	"fmt"
	"strconv"
	"strings"
	"unicode/utf8"

	"provoke/internal/files/problem"
	"provoke/internal/units/rf"
)

// MaximumLevels is the size of the largest file of readings that is read, in bytes.
const MaximumLevels = 1 << 20

// ParseLevels reads own readings of drive and current: a header with the units, such as
// "f/MHz;drive/dBm;I/dBµA" ("frequency (kHz)", "current (mA)"), one row per reading, columns in any
// order separated by semicolon, tab or comma; comments start with #. All problems come back at once.
func ParseLevels(name string, data []byte) ([]DriveLevel, problem.List) {
	p := &levelText{name: name}
	if len(data) > MaximumLevels {
		p.fail(0, fmt.Sprintf("the file has %d bytes; at most %d are read", len(data), MaximumLevels), "")
		return nil, p.problems
	}
	if !utf8.Valid(data) {
		p.fail(0, "this is not UTF-8 text", "save the file as UTF-8")
		return nil, p.problems
	}
	text := strings.NewReplacer("\r\n", "\n", "\r", "\n").Replace(string(bytes.TrimPrefix(data, []byte("\ufeff"))))
	var out []DriveLevel
	headed := false
	for i, line := range strings.Split(text, "\n") {
		if s := strings.TrimSpace(line); s == "" || strings.HasPrefix(s, "#") {
			continue
		}
		if !headed {
			if !p.head(i+1, line) {
				return nil, p.problems
			}
			headed = true
			continue
		}
		if l, ok := p.row(i+1, line); ok {
			out = append(out, l)
		}
	}
	if len(out) == 0 && p.problems.Err() == nil {
		p.fail(0, "the file has no readings", "write a header such as \"f/MHz;drive/dBm;I/dBµA\" and one row per reading")
	}
	if p.problems.Err() != nil {
		return nil, p.problems
	}
	return out, p.problems
}

type levelText struct {
	name      string
	problems  problem.List
	separator string
	columns   [3]int
	units     [3]string
}

func (p *levelText) fail(line int, what, hint string) {
	if len(p.problems) < 100 {
		p.problems = append(p.problems, problem.Problem{File: p.name, Line: line, What: what, Hint: hint})
	}
}

func (p *levelText) head(line int, text string) bool {
	p.separator = ","
	for _, s := range []string{";", "\t"} {
		if strings.Contains(text, s) {
			p.separator = s
		}
	}
	p.columns = [3]int{-1, -1, -1}
	for i, h := range strings.Split(text, p.separator) {
		h = strings.TrimSpace(h)
		name, unit := h, ""
		for _, c := range []string{"/", "(", "["} {
			if a, b, ok := strings.Cut(h, c); ok {
				name, unit = a, strings.Trim(b, " )]")
				break
			}
		}
		which := -1
		switch strings.ToLower(strings.TrimSpace(name)) {
		case "f", "frequency":
			which = 0
		case "drive", "generator", "level":
			which = 1
		case "i", "current":
			which = 2
		default:
			continue
		}
		p.columns[which], p.units[which] = i, unit
	}
	good := true
	for k, what := range []string{"frequency, such as f/MHz", "drive, such as drive/dBm", "current, such as I/dBµA"} {
		if p.columns[k] < 0 || p.units[k] == "" {
			p.fail(line, "the header has no column with a unit for the "+what, "")
			good = false
		}
	}
	return good
}

func (p *levelText) row(line int, text string) (DriveLevel, bool) {
	cells := strings.Split(text, p.separator)
	var x [3]float64
	for k, column := range p.columns {
		if column >= len(cells) {
			p.fail(line, "the row has too few columns", "")
			return DriveLevel{}, false
		}
		cell := strings.TrimSpace(cells[column])
		if p.separator != "," {
			cell = strings.Replace(cell, ",", ".", 1)
		}
		var err error
		if x[k], err = strconv.ParseFloat(strings.Replace(cell, "−", "-", 1), 64); err != nil {
			p.fail(line, fmt.Sprintf("%q is not a number", cell), "")
			return DriveLevel{}, false
		}
	}
	f, err := rf.ParseFrequency(strconv.FormatFloat(x[0], 'f', -1, 64) + " " + p.units[0])
	drive, err1 := rf.InUnit[rf.Watt](x[1], p.units[1])
	current, err2 := rf.InUnit[rf.Ampere](x[2], p.units[2])
	for _, e := range []error{err, err1, err2} {
		if e != nil {
			p.fail(line, e.Error(), "")
			return DriveLevel{}, false
		}
	}
	return DriveLevel{f, drive, current}, true
}
