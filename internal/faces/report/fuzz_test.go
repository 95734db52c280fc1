package report

import (
	"strconv"
	"strings"
	"testing"
	"unicode/utf8"

	"provoke/internal/tell"
)

// FuzzField: no text becomes a formula in a spreadsheet, breaks a line or is too long for a cell.
func FuzzField(f *testing.F) {
	for _, s := range []string{"=cmd|'/C calc'!A1", "+1+1", "-2", "@SUM(1)", "\t=1", "\r=1", "＝1", "\u200b=1",
		strings.Repeat("x", 40000), "-Inf", "\x1b[2J", "\ufeff=1"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		for what, got := range map[string]string{"cell": field(s), "field": tell.InSpreadsheet(s)} {
			first, _ := utf8.DecodeRuneInString(got)
			if _, err := strconv.ParseFloat(got, 64); err != nil && strings.ContainsRune("=+-@\t\r＝＋－＠", first) &&
				got != "" {
				t.Errorf("%s: %q became %q", what, s, got)
			}
		}
		if got := field(s); strings.ContainsAny(got, "\n\r\x00\x1b") || utf8.RuneCountInString(got) > mostCharacter {
			t.Errorf("%q became %q", s, got)
		}
	})
}
