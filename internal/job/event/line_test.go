package event_test

import (
	"strings"
	"testing"

	"provoke/internal/job/event"
)

func TestEveryEventIsToldInOneLine(t *testing.T) {
	for _, e := range canned() {
		l := event.Line(e)
		if l == "" || strings.ContainsAny(l, "\n\x00\x1b") {
			t.Errorf("%s: %q", e.Kind(), l)
		}
		t.Logf("%-14s %s", e.Kind(), l)
	}
}

func TestWhatADUTSaysCannotDressUpTheTerminal(t *testing.T) {
	for text, want := range map[string]string{
		"12.5 kg":         "12.5 kg",
		"µΩ≤–":            "µΩ≤–",
		"a\x1b[2Jb":       `a\u001b[2Jb`,
		"a\r\nb\tc":       `a\r\nb\tc`,
		"abc\u202edef":    `abc\u202edef`, // turns the text around
		"no\u00a0break":   `no\u00a0break`,
		"invalid \xff":    `invalid \ufffd`,
		"zero\u200bwidth": `zero\u200bwidth`,
	} {
		if got := event.Printable(text); got != want {
			t.Errorf("%q shown as %q, want %q", text, got, want)
		}
	}
}
