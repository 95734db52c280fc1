package driver_test

import (
	"context"
	"strings"
	"testing"

	"provoke/internal/bench/driver"
	"provoke/internal/files/catalog"
	"provoke/internal/units/rf"
)

// someone answers prompts with what is given, one after the other, and keeps the prompts.
type someone struct {
	answers []string
	asked   []driver.Prompt
}

func (s *someone) Ask(_ context.Context, p driver.Prompt) (string, error) {
	s.asked = append(s.asked, p)
	a := s.answers[0]
	s.answers = s.answers[1:]
	return a, nil
}

// What is asked again is asked in the unit that the instrument shows: −27.4 dBm is 79.6 dBµV in 50 Ω (106.99 dB
// between the two, common practice), and the budget's −40 to −30 dBm are 67.0 to 77.0 dBµV.
func TestAReadingIsAskedForInTheUnitThatTheInstrumentShows(t *testing.T) {
	p := &someone{answers: []string{"99.6 dBµV", "79.6 dBµV", "79.6 dBµV"}}
	a, err := driver.NewHandAnalyser(catalog.Analyser{Identity: catalog.Identity{ID: "SA1"},
		Band: catalog.Band{Low: 1e3, High: 1e9}, Floor: rf.DBm(-110), MixerLimit: rf.DBm(0)}, p)
	if err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if err := a.Setup(t.Context(), driver.AnalyserSetup{Frequency: 1e6, ReferenceLevel: rf.DBm(-20),
			Low: rf.DBm(-40), High: rf.DBm(-30)}); err != nil {
			t.Fatal(err)
		}
		if _, err := a.Read(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	if d := p.asked[1].Doubt; !strings.Contains(d, "99.6 dBµV is 22.6 dB above") ||
		!strings.Contains(d, "(77.0 dBµV)") {
		t.Errorf("the doubt is %q", d)
	}
	if last := p.asked[2]; !strings.Contains(strings.Join(last.Lines, "\n"), "reference level above 87.0 dBµV") ||
		!strings.Contains(last.Wants, "79.6 dBµV") {
		t.Errorf("asked once more: %q %q", last.Lines, last.Wants)
	}
}
