package readings

import (
	"strings"
	"testing"
	"time"

	"provoke/internal/files/trace"
)

func TestHowALogIsToBeReadIsUnderstoodOrAskedFor(t *testing.T) {
	l, err := ReadLog(LogAsked{Offset: "\u22121.5 s", Zone: "+01:00", Date: "2026-11-25", Decimal: "comma",
		Tolerance: "0,05 kg"})
	if err != nil {
		t.Fatal(err)
	}
	s := l.settings
	if s.Offset != -1500*time.Millisecond || s.AskZone || s.Decimal != "," || l.tolerance != 0.05 || l.unit != "kg" ||
		!s.Date.Equal(time.Date(2026, 11, 24, 23, 0, 0, 0, time.UTC)) {
		t.Errorf("%+v, tolerance %v %s", s, l.tolerance, l.unit)
	}
	for what, o := range map[string]LogAsked{
		"--offset:":    {Offset: "soon"},
		"--zone:":      {Offset: "0 s", Zone: "nowhere"},
		"--date:":      {Offset: "0 s", Date: "yesterday"},
		"--pattern:":   {Offset: "0 s", Pattern: "("},
		"--tolerance:": {Offset: "0 s", Tolerance: "0.05"},
		"is no tol":    {Offset: "0 s", Tolerance: "-1 kg"},
	} {
		if _, err := ReadLog(o); err == nil || !strings.Contains(err.Error(), what) {
			t.Errorf("%+v: %v, want %q", o, err, what)
		}
	}
}

func TestTheNumberThatWasReadIsShownInItsLine(t *testing.T) {
	var out strings.Builder
	tellReading(&out, []trace.Entry{{Line: 3, Text: "b 2", HasValue: true, Value: 2}, {Line: 1, Text: "a"},
		{Line: 2, Text: strings.Repeat("x", 80), HasValue: true, Value: 12.34}}, "kg")
	if want := "read in line 2: 12.34 kg of \"" + strings.Repeat("x", 60) + "…\"\n"; out.String() != want {
		t.Errorf("%q, want %q", out.String(), want)
	}
	out.Reset()
	if tellReading(&out, []trace.Entry{{Line: 1}}, ""); out.String() != "no number was read in any line\n" {
		t.Errorf("%q", out.String())
	}
}
