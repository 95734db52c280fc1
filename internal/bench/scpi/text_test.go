package scpi

import (
	"errors"
	"math"
	"reflect"
	"strings"
	"testing"
)

func TestNumbers(t *testing.T) {
	// SCPI-1999 volume 1, 7.2.1.4 and 7.2.1.5: 9.9E37 is infinity, 9.91E37 is not a number.
	for _, c := range []struct {
		text string
		want float64
		err  error
	}{
		{"1", 1, nil}, {"+1.50000000E+03", 1500, nil}, {" -.5 ", -.5, nil}, {"1e-3", 1e-3, nil}, {"-112.", -112, nil},
		{"9.9E37", 0, ErrOverRange}, {"+9.90000000E+37", 0, ErrOverRange}, {"-9.9E37", 0, ErrOverRange},
		{"9.91E37", 0, ErrInvalid}, {"-9.91E+37", 0, ErrInvalid}, {"9.9100002E37", 0, ErrInvalid},
		{"1E38", 0, ErrOverRange}, {"1E400", 0, ErrOverRange}, {"INF", 0, ErrOverRange}, {"-INF", 0, ErrOverRange},
		{"NINF", 0, ErrOverRange},
		{"NAN", 0, ErrInvalid}, {"nan", 0, ErrInvalid},
		{"", 0, ErrGarbage}, {"1,5", 0, ErrGarbage}, {"1 V", 0, ErrGarbage}, {"0x10", 0, ErrGarbage}, {"1_000",
			0, ErrGarbage},
		{"E", 0, ErrGarbage}, {"--1", 0, ErrGarbage}, {"1;2", 0, ErrGarbage}, {"****", 0, ErrGarbage},
	} {
		got, err := ParseNumber(c.text)
		if !errors.Is(err, c.err) || (err == nil && got != c.want) {
			t.Errorf("%q: %v, %v; want %v, %v", c.text, got, err, c.want, c.err)
		}
	}
	var o *OverRange
	if _, err := ParseNumber("-9.9E37"); !errors.As(err, &o) || !o.Negative {
		t.Errorf("minus infinity lost its sign: %v", err)
	}
	if CheckNumber(float64(float32(9.9e37))) == nil || CheckNumber(float64(float32(9.91e37))) != ErrInvalid ||
		CheckNumber(math.NaN()) != ErrInvalid || CheckNumber(-80) != nil {
		t.Error("special numbers of a 32-bit trace")
	}
}

func TestErrorQueueEntries(t *testing.T) {
	for _, c := range []struct {
		text    string
		code    int
		message string
		bad     bool
	}{
		{`0,"No error"`, 0, "No error", false},
		{`+0,"No error"`, 0, "No error", false},
		{`0`, 0, "", false},
		{`-113,"Undefined header;FREQQ"`, -113, "Undefined header;FREQQ", false},
		{`-222, "Data out of range"`, -222, "Data out of range", false},
		{`-200,"he said ""no"""`, -200, `he said "no"`, false},
		{`-113`, 0, "", true}, {`No error`, 0, "", true}, {`0,No error`, 0, "", true}, {`1.5,"x"`, 0, "", true}, {``, 0,
			"", true}, {`0,"`, 0, "", true},
	} {
		code, message, err := ParseError(c.text)
		if (err != nil) != c.bad || code != c.code || message != c.message {
			t.Errorf("%q: %d, %q, %v", c.text, code, message, err)
		}
	}
}

func TestASemicolonInQuotesIsText(t *testing.T) {
	if got, want := Fields(`-12.5;0;-113,"Undefined header;FREQ"`), []string{"-12.5",
		"0", `-113,"Undefined header;FREQ"`}; !reflect.DeepEqual(got, want) {
		t.Errorf("got %q", got)
	}
}

func TestEveryUnitOfACompoundMessageStartsAtTheRoot(t *testing.T) {
	if got, want := Join("*CLS", "", "AM:STAT ON", "AM:DEPT 80", ":FREQ?", "*OPC?"),
		"*CLS;:AM:STAT ON;:AM:DEPT 80;:FREQ?;*OPC?"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}

func FuzzText(f *testing.F) {
	for _, s := range []string{"9.9E37", "-113,\"a\"", "1;\"2;3\";4", "NAN"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if x, err := ParseNumber(s); err == nil && (math.IsNaN(x) || math.IsInf(x, 0) || math.Abs(x) >= 9.9e37) {
			t.Errorf("%q parsed as %v", s, x)
		}
		if code, message, err := ParseError(s); err != nil && (code != 0 || message != "") {
			t.Errorf("%q: %d %q beside an error", s, code, message)
		}
		if strings.Join(Fields(s), "") == "" && strings.Trim(s, "; \t\r\n\v\f\u0085\u00a0") != "" &&
			strings.TrimSpace(strings.ReplaceAll(s, ";", "")) != "" {
			t.Errorf("Fields lost %q", s)
		}
		ParseBool(s)
	})
}
