package event

import (
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"
)

// FuzzPrintable: what is shown holds nothing that moves a cursor or hides, and what is harmless is unchanged.
func FuzzPrintable(f *testing.F) {
	f.Add("12.34 kg µ")
	f.Add("\x1b[2J\u009b\u202e\u2066\n\r\xff")
	f.Fuzz(func(t *testing.T, s string) {
		got := Printable(s)
		if !utf8.ValidString(got) || strings.IndexFunc(got, func(r rune) bool { return !unicode.IsPrint(r) }) >= 0 {
			t.Errorf("%q became %q", s, got)
		}
		if again := Printable(got); again != got {
			t.Errorf("%q became %q the second time", got, again)
		}
	})
}
