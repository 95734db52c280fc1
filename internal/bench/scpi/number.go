package scpi

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// OverRange is the instrument saying infinity; it matches ErrOverRange.
type OverRange struct{ Negative bool }

// Error tells the sign.
func (e *OverRange) Error() string {
	if e.Negative {
		return "over range: the instrument answers minus infinity (-9.9E37)"
	}
	return "over range: the instrument answers infinity (9.9E37)"
}

// Is matches ErrOverRange.
func (e *OverRange) Is(target error) bool { return target == ErrOverRange }

// ParseNumber reads a decimal number (IEEE 488.2 8.7.2 to 8.7.4: NR1, NR2, NR3). SCPI's special
// values and their texts are errors: *OverRange for ±9.9E37, INF, NINF; ErrInvalid for 9.91E37 and
// NAN; ErrGarbage for all else. Beside an error the number is 0.
func ParseNumber(text string) (float64, error) {
	t := strings.ToUpper(strings.TrimSpace(text))
	switch t {
	case "INF", "+INF", "INFINITY", "+INFINITY":
		return 0, &OverRange{}
	case "NINF", "-INF", "NINFINITY", "-INFINITY":
		return 0, &OverRange{Negative: true}
	case "NAN", "+NAN", "-NAN":
		return 0, ErrInvalid
	}
	if t == "" || len(t) > 64 || strings.Trim(t, "+-.0123456789E") != "" {
		return 0, notNumber(text)
	}
	x, err := strconv.ParseFloat(t, 64)
	if err != nil && !math.IsInf(x, 0) {
		return 0, notNumber(text)
	}
	if err := special(x); err != nil {
		return 0, err
	}
	return x, nil
}

func notNumber(text string) error {
	return fmt.Errorf("%w: %s is not a number", ErrGarbage, shorten(strconv.Quote(text)))
}

// special recognises 9.9E37 and 9.91E37, also after a detour through a 32-bit number.
func special(x float64) error {
	m := math.Abs(x)
	switch {
	case math.IsNaN(x), math.Abs(m/9.91e37-1) < 1e-5:
		return ErrInvalid
	case m >= 9.9e37*(1-1e-5):
		return &OverRange{Negative: x < 0}
	}
	return nil
}

// CheckNumber returns the error that a number of a binary trace stands for, nil for an ordinary one.
func CheckNumber(x float64) error { return special(x) }

// ParseBool reads 1, 0, ON or OFF (SCPI-1999 volume 1, 7.3).
func ParseBool(text string) (bool, error) {
	t := strings.ToUpper(strings.TrimSpace(text))
	switch t {
	case "ON":
		return true, nil
	case "OFF":
		return false, nil
	}
	x, err := ParseNumber(t)
	if err != nil || (x != 0 && x != 1) {
		return false, fmt.Errorf("%w: %s is neither on nor off", ErrGarbage, shorten(strconv.Quote(text)))
	}
	return x == 1, nil
}

// Fields splits a response message at its unit separators; a semicolon inside quotes is text.
func Fields(text string) []string {
	var out []string
	start, quote := 0, byte(0)
	for i := 0; i < len(text); i++ {
		switch c := text[i]; {
		case quote != 0:
			if c == quote {
				quote = 0
			}
		case c == '"' || c == '\'':
			quote = c
		case c == ';':
			out = append(out, strings.TrimSpace(text[start:i]))
			start = i + 1
		}
	}
	return append(out, strings.TrimSpace(text[start:]))
}

// Join makes one program message of several units. Every header but the first gets a leading colon,
// so that each starts at the root (IEEE 488.2 and SCPI-1999 volume 1, 6.2.4); common commands keep
// their star. Empty units are left out.
func Join(units ...string) string {
	var b strings.Builder
	for _, u := range units {
		if u == "" {
			continue
		}
		if b.Len() > 0 {
			b.WriteByte(';')
			if u[0] != '*' && u[0] != ':' {
				b.WriteByte(':')
			}
		}
		b.WriteString(u)
	}
	return b.String()
}
