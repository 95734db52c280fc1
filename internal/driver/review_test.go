package driver

import (
	"context"
	"strings"
	"testing"

	"provoke/internal/rf"
)

func TestWhatIsToldAtTheBeginningOfAConnectionRaisesNothing(t *testing.T) {
	for _, c := range []struct {
		role  Role
		start string
		want  string
	}{
		{RoleSource, "OUTP ON", "output on"},
		{RoleSource, "outp 1", "output on"},
		{RoleSource, "SYST:REM;:POW 10", "level"},
		{RoleSource, "AM:STAT 1", "am on"},
		{RoleSource, "OUTP 0", ""},
		{RoleSource, "SYST:REM", ""},
		{RoleAmplifier, "OUTP 1", "operate"},
		{RoleAmplifier, "OUTP 0", ""},
		{RoleSwitch, "ROUT:CLOS 2", "route"},
		{RoleAnalyser, "FREQ:CENT 1E6", ""},
	} {
		table, err := tableFor(c.role, "", "", nil)
		if err != nil {
			t.Fatal(err)
		}
		table.Start = []string{c.start}
		err = table.Check()
		if (err != nil) != (c.want != "") || err != nil && !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s, %q at the beginning: %v, want %q", c.role, c.start, err, c.want)
		}
	}
}

// besidePeak is an analyser whose peak search found something strong beside the frequency.
type besidePeak struct{ *analyser }

func (besidePeak) Setup(context.Context, AnalyserSetup) error { return nil }
func (besidePeak) Read(context.Context) (rf.Power, error) {
	return rf.DBm(-20).WithBound(rf.AtMost), nil
}

func TestABoundFarAboveTheFloorIsNotQuiet(t *testing.T) {
	a := &analyser{}
	a.spec.Floor = rf.DBm(-110)
	w := FloorWitness(besidePeak{a}, func() AnalyserSetup { return AnalyserSetup{Frequency: rf.Megahertz} })
	if text, quiet, err := w.Quiet(t.Context()); err != nil || quiet {
		t.Errorf("%s is called quiet (%v) over a floor of −110 dBm", text, err)
	}
}
