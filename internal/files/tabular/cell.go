package tabular

import (
	"math"
	"strconv"
	"strings"
	"unicode"
)

// Cell is one field of a row.
type Cell struct {
	Text   string
	Column int // of its first character, from 1
	quoted bool
}

// split cuts a line at a separator outside double quotes; ' ' stands for any run of blanks. A doubled
// quote inside quotes is one quote. Closed is false where a quote is left open.
func split(line string, separator rune) (cells []Cell, closed bool) {
	var b strings.Builder
	quoted, wasQuoted, column, start := false, false, 0, 1
	finish := func(next int) {
		cells = append(cells, Cell{strings.Trim(b.String(), " \t\u00a0\u202f\u2009"), start, wasQuoted})
		b.Reset()
		wasQuoted, start = false, next
	}
	if separator == ' ' {
		trimmed := strings.TrimLeft(line, " \t\u00a0")
		column = len([]rune(line)) - len([]rune(trimmed))
		line, start = strings.TrimRight(trimmed, " \t\u00a0"), column+1
	}
	runes := []rune(line)
	for i := 0; i < len(runes); i++ {
		c := runes[i]
		column++
		switch {
		case c == '"' && quoted && i+1 < len(runes) && runes[i+1] == '"':
			b.WriteRune('"')
			i++
			column++
		case c == '"':
			quoted, wasQuoted = !quoted, true
		case quoted:
			b.WriteRune(c)
		case separator == ' ' && (c == ' ' || c == '\t'):
			if i > 0 && runes[i-1] != ' ' && runes[i-1] != '\t' {
				finish(column + 1)
			} else {
				start = column + 1
			}
		case c == separator:
			finish(column + 1)
		default:
			b.WriteRune(c)
		}
	}
	finish(0)
	return cells, !quoted
}

// Kind is what the text of a cell can be.
type Kind byte

// What a cell can hold.
const (
	Words   Kind = iota
	empty        // nothing
	Number       // a figure, perhaps with a unit
	missing      // a mark for "no figure": ---, NaN, OVLD
	stamped      // a time stamp, or one part of it
)

// Value is what was read in a cell.
type Value struct {
	Kind Kind
	X    float64
	Unit string // behind the figure, as written
}

// read classifies a cell under a decimal sign. Quoted or not, a separator inside is already gone.
func (r *Reader) read(c Cell, decimal byte) Value {
	s := c.Text
	if s == "" {
		return Value{Kind: empty}
	}
	if x, unit, ok := Figure(s, decimal); ok && r.knows(unit) {
		if math.IsInf(x, 0) || math.Abs(x) >= 9.9e37*(1-1e-5) { // SCPI-1999 volume 1, 7.2.1.4 and 7.2.1.5
			return Value{Kind: missing}
		}
		return Value{Number, x, unit}
	}
	if isMissing(s) {
		return Value{Kind: missing}
	}
	if r.Stamped != nil && r.Stamped(s) {
		return Value{Kind: stamped}
	}
	return Value{Kind: Words}
}

// knows reports that what stands behind a figure is a unit, or nothing.
func (r *Reader) knows(unit string) bool {
	if unit == "" {
		return true
	}
	known, seen := r.suffixes[unit]
	if !seen {
		u, _ := UnitOf(unit)
		known = u != ""
		if r.suffixes == nil || len(r.suffixes) > 1000 {
			r.suffixes = map[string]bool{}
		}
		r.suffixes[unit] = known
	}
	return known
}

// isMissing recognises the marks that instruments write for "no figure".
func isMissing(s string) bool {
	switch strings.ToLower(strings.Trim(s, "+")) {
	case "nan", "-nan", "n/a", "na", "inf", "-inf", "infinity", "-infinity", "ovld", "overload", "ol", "o.l",
		"o.l.", "over", "overflow", "ovl", "overrange", "under", "#n/a", "null", "none", "invalid", "?", "1.#qnan",
		"-1.#ind", "1.#inf", "-1.#inf":
		return true
	}
	return strings.Trim(s, "-–—.*_") == ""
}

// Figure reads a number with a decimal sign, signs between thousands where they cannot be anything
// else, an exponent, and a unit behind it.
func Figure(s string, decimal byte) (x float64, unit string, ok bool) {
	if x, ok := usual(s, decimal); ok {
		return x, "", true
	}
	end := 0
	for i, c := range s {
		if unicode.IsDigit(c) {
			if c > '9' {
				return 0, "", false
			}
			end = i + 1
			continue
		}
		if strings.ContainsRune("+-−–.,'’\u00a0\u202f\u2009 ", c) {
			continue
		}
		if strings.ContainsRune("eEdD", c) && end > 0 && exponent(s[i:]) {
			continue
		}
		break
	}
	if end == 0 {
		return 0, "", false
	}
	if end < len(s) && (s[end] == '.' || s[end] == ',') { // "150." is a number
		if s[end] == decimal {
			end++
		} else {
			return 0, "", false
		}
	}
	unit = strings.TrimSpace(s[end:])
	if unit != "" {
		if first := []rune(unit)[0]; !unicode.IsLetter(first) && first != '%' && first != '°' && first != 'µ' &&
			first != 'Ω' || len(unit) > 10 || strings.ContainsAny(unit, "0123456789") {
			return 0, "", false
		}
	}
	plain, ok := plainNumber(s[:end], decimal)
	if !ok {
		return 0, "", false
	}
	x, err := strconv.ParseFloat(plain, 64)
	if err != nil && !math.IsInf(x, 0) {
		return 0, "", false
	}
	return x, unit, true
}

// usual reads the numbers that most files hold: a sign, digits, a decimal sign, an exponent.
func usual(s string, decimal byte) (float64, bool) {
	if len(s) > 32 {
		return 0, false
	}
	var text [32]byte
	digits := false
	for i := 0; i < len(s); i++ {
		c := s[i]
		switch {
		case c >= '0' && c <= '9':
			digits = true
		case c == decimal:
			c = '.'
		case c == '-', c == '+':
		case (c == 'e' || c == 'E') && digits:
		default:
			return 0, false
		}
		text[i] = c
	}
	if !digits {
		return 0, false
	}
	x, err := strconv.ParseFloat(string(text[:len(s)]), 64)
	return x, err == nil || math.IsInf(x, 0)
}

// typeset are the signs that typesetters and other languages write for those of strconv.
var typeset = strings.NewReplacer("−", "-", "–", "-", "’", "'", "\u00a0", " ", "\u202f", " ", "\u2009", " ",
	"D", "e", "d", "e", "E", "e")

// exponent reports that a text begins with an exponent: a letter, perhaps a sign, and a digit.
func exponent(s string) bool {
	s = strings.TrimLeft(s[1:], "+-")
	return s != "" && s[0] >= '0' && s[0] <= '9'
}

// plainNumber writes a number as strconv reads it: a decimal point and nothing between thousands.
func plainNumber(s string, decimal byte) (string, bool) {
	if simple(s) {
		return s, true
	}
	s = typeset.Replace(s)
	mantissa, power, hasPower := strings.Cut(s, "e")
	sign := ""
	if mantissa != "" && (mantissa[0] == '+' || mantissa[0] == '-') {
		sign, mantissa = strings.Trim(mantissa[:1], "+"), strings.TrimLeft(mantissa[1:], " ")
	}
	whole, fraction, hasFraction := strings.Cut(mantissa, string(decimal))
	whole, ok := ungrouped(whole, decimal)
	if !ok || strings.Trim(fraction, "0123456789") != "" || whole == "" && fraction == "" {
		return "", false
	}
	if whole == "" {
		whole = "0"
	}
	out := sign + whole
	if hasFraction && fraction != "" {
		out += "." + fraction
	}
	if hasPower {
		if power == "" || strings.Trim(strings.TrimLeft(power, "+-"), "0123456789") != "" {
			return "", false
		}
		out += "e" + power
	}
	return out, true
}

// simple numbers need no rewriting under a decimal point; under a decimal comma they have no point.
func simple(s string) bool {
	for i := 0; i < len(s); i++ {
		if s[i] < '0' || s[i] > '9' {
			if i == 0 && s[i] == '-' && len(s) > 1 {
				continue
			}
			return false
		}
	}
	return true
}

// ungrouped takes the signs between thousands out of a whole number: a blank, an apostrophe, or the
// sign that is not the decimal one, in groups of three.
func ungrouped(whole string, decimal byte) (string, bool) {
	other := "."
	if decimal == '.' {
		other = ","
	}
	for _, sign := range []string{" ", "'", other} {
		if !strings.Contains(whole, sign) {
			continue
		}
		groups := strings.Split(whole, sign)
		if len(groups[0]) < 1 || len(groups[0]) > 3 || strings.Trim(groups[0], "0123456789") != "" {
			return "", false
		}
		for _, g := range groups[1:] {
			if len(g) != 3 || strings.Trim(g, "0123456789") != "" {
				return "", false
			}
		}
		return strings.Join(groups, ""), true
	}
	return whole, strings.Trim(whole, "0123456789") == ""
}

// grouped reports that a number has a point or comma which could stand before thousands as well as
// before decimals: "1,234" and "-12,345", not "0,234" or "1,23".
func grouped(s string, sign byte) bool {
	whole, rest, ok := strings.Cut(strings.TrimLeft(s, "+-−–"), string(sign))
	return ok && len(whole) >= 1 && len(whole) <= 3 && whole[0] != '0' && strings.Trim(whole, "0123456789") == "" &&
		len(rest) == 3 && strings.Trim(rest, "0123456789") == ""
}
