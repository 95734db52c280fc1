package ferrite

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode/utf8"

	"provoke/internal/files/problem"
	"provoke/internal/model/twoport"
	"provoke/internal/units/rf"
)

// MaximumTable is the largest table that is read, in bytes.
const MaximumTable = 1 << 20

// Names that a column may have, in lower case.
var (
	realNames = []string{"µ′", "µ'", "mu'", "mu′", "mu_real", "real"}
	lossNames = []string{"µ″", "µ''", "µ\"", "mu''", "mu\"", "mu″", "mu_loss", "loss"}
)

// Hash returns the SHA-256, in hexadecimal, of a file's bytes.
func Hash(data []byte) string {
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:])
}

// ParseTable reads a table of complex permeability. The header names frequency with its unit
// ("f/MHz", "frequency (kHz)"), µ′ and µ″ ("mu'", "mu_real"; "mu”", "mu_loss"), in any order.
// Accepted: semicolon, tab or comma between the columns, decimal comma with the first two, a byte
// order mark, any line ends, blank lines, comments that start with #. A cell that is empty or a dash
// is not tabulated. All problems come back at once; the table is nil when one of them is more than a
// warning.
func ParseTable(name string, data []byte) (*twoport.Table, problem.List) {
	t := &tableText{name: name}
	rows := t.read(data)
	if t.problems.Err() != nil {
		return nil, t.problems
	}
	out, err := twoport.NewTable(name, rows)
	if err != nil {
		for _, e := range parts(err) {
			t.fail(0, 0, e.Error(), "")
		}
		return nil, t.problems
	}
	if n := out.Incomplete(); n > 0 {
		lo, hi := out.Band()
		what := fmt.Sprintf("%d of %d rows lack µ′ or µ″: the material is known whole from %v to %v only", n, len(rows), lo, hi)
		if !lo.Known() {
			what = fmt.Sprintf("%d of %d rows lack µ′ or µ″: the material is known whole nowhere", n, len(rows))
		}
		t.problems = append(t.problems, problem.Problem{File: name, What: what, Hint: "what is not tabulated is not taken for zero; frequencies outside are refused", Warning: true})
	}
	return out, t.problems
}

func parts(err error) []error {
	var joined interface{ Unwrap() []error }
	if errors.As(err, &joined) {
		return joined.Unwrap()
	}
	return []error{err}
}

// tableText is a file while it is being read.
type tableText struct {
	name      string
	problems  problem.List
	separator string
	scale     float64 // of the frequency column, to hertz
	columns   [3]int  // of frequency, µ′, µ″
}

func (t *tableText) fail(line, column int, what, hint string) {
	if len(t.problems) < 100 {
		t.problems = append(t.problems, problem.Problem{File: t.name, Line: line, Column: column, What: what, Hint: hint})
	}
}

func (t *tableText) read(data []byte) []twoport.Row {
	if len(data) > MaximumTable {
		t.fail(0, 0, fmt.Sprintf("the table has %d bytes; at most %d are read", len(data), MaximumTable), "")
		return nil
	}
	if !utf8.Valid(data) {
		t.fail(0, 0, "this is not UTF-8 text", "save the file as UTF-8")
		return nil
	}
	text := strings.NewReplacer("\r\n", "\n", "\r", "\n").Replace(string(bytes.TrimPrefix(data, []byte("\ufeff"))))
	var rows []twoport.Row
	headed := false
	for i, line := range strings.Split(text, "\n") {
		if s := strings.TrimSpace(line); s == "" || strings.HasPrefix(s, "#") {
			continue
		}
		if !headed {
			if !t.head(i+1, line) {
				return nil
			}
			headed = true
			continue
		}
		if r, ok := t.row(i+1, line); ok {
			rows = append(rows, r)
		}
	}
	if !headed {
		t.fail(0, 0, "the file has no rows", "write a header such as \"f/MHz;µ′;µ″\" and one row per frequency")
	}
	return rows
}

// head finds separator and columns.
func (t *tableText) head(line int, text string) bool {
	t.separator = ","
	for _, s := range []string{";", "\t"} {
		if strings.Contains(text, s) {
			t.separator = s
		}
	}
	t.columns = [3]int{-1, -1, -1}
	good := true
	for i, h := range strings.Split(text, t.separator) {
		h = strings.ToLower(unquoted(h))
		h = strings.ReplaceAll(h, "μ", "µ")
		switch {
		case contains(realNames, h):
			good = t.take(line, 1, i, "µ′") && good
		case contains(lossNames, h):
			good = t.take(line, 2, i, "µ″") && good
		case strings.HasPrefix(h, "f"):
			good = t.take(line, 0, i, "frequency") && good
			good = t.frequencyUnit(line, h) && good
		}
	}
	for k, what := range []string{"frequency with its unit, such as f/MHz", "µ′ (mu')", "µ″ (mu'')"} {
		if t.columns[k] < 0 {
			t.fail(line, 1, "the header has no column for "+what, "write a header such as \"f/MHz;µ′;µ″\"")
			good = false
		}
	}
	return good
}

// unquoted takes the quotes off a quoted cell.
func unquoted(s string) string {
	s = strings.TrimSpace(s)
	if len(s) > 1 && s[0] == '"' && s[len(s)-1] == '"' {
		s = strings.TrimSpace(s[1 : len(s)-1])
	}
	return s
}

func contains(list []string, s string) bool {
	for _, x := range list {
		if x == s {
			return true
		}
	}
	return false
}

func (t *tableText) take(line, which, column int, what string) bool {
	if t.columns[which] >= 0 {
		t.fail(line, 1, "two columns are "+what, "keep one")
		return false
	}
	t.columns[which] = column
	return true
}

// frequencyUnit reads the unit of a header such as "f/mhz" or "frequency (khz)", in lower case.
func (t *tableText) frequencyUnit(line int, h string) bool {
	for _, u := range []struct {
		name  string
		scale float64
	}{{"ghz", 1e9}, {"mhz", 1e6}, {"khz", 1e3}, {"hz", 1}} {
		if strings.HasSuffix(strings.Trim(h, " )]"), u.name) {
			t.scale = u.scale
			return true
		}
	}
	t.fail(line, 1, "the frequency column has no unit", "write f/Hz, f/kHz, f/MHz or f/GHz")
	return false
}

func (t *tableText) row(line int, text string) (twoport.Row, bool) {
	cells := strings.Split(text, t.separator)
	var values [3]*float64
	good := true
	for k, column := range t.columns {
		if column >= len(cells) {
			continue // not tabulated
		}
		cell := unquoted(cells[column])
		if cell == "" || cell == "-" || cell == "–" {
			continue
		}
		if t.separator != "," {
			cell = strings.Replace(cell, ",", ".", 1)
		}
		x, err := strconv.ParseFloat(cell, 64)
		if err != nil || math.IsNaN(x) || math.IsInf(x, 0) {
			place := 1 + utf8.RuneCountInString(strings.Join(cells[:column], t.separator))
			if column > 0 {
				place++
			}
			t.fail(line, place, fmt.Sprintf("%q is not a number", cell), "leave the cell empty or write - where nothing is tabulated")
			good = false
			continue
		}
		values[k] = &x
	}
	if good && values[0] == nil {
		t.fail(line, 1, "the row has no frequency", "")
		good = false
	}
	if !good {
		return twoport.Row{}, false
	}
	return twoport.Row{At: rf.Frequency(*values[0] * t.scale), Real: values[1], Loss: values[2]}, true
}
