package driver

import (
	"context"
	"strings"
	"testing"

	"provoke/internal/units/rf"
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
		{RoleSource, ":OUTPUT:STATE ON", "output on"},
		{RoleSource, "SOUR:POW 10", "level"},
		{RoleSource, ":SOURCE1:POWER:LEVEL:IMMEDIATE:AMPLITUDE 10", "level"},
		{RoleSource, "SYST:REM;POW 10", "level"},
		{RoleSource, "SOUR:AM:DEPT 100", "am depth"},
		{RoleSource, "SOUR:DISP ON;POW 10", "level"},
		{RoleSource, "APPL:SIN 1E6,10", "may raise"},
		{RoleSource, "DISP:TEXT ON;APPL 1", "may raise"},
		{RoleSource, "OUTP:STAT 0;STAT ON", "output on"},
		{RoleSource, "*RCL 1", "may raise"},
		{RoleSource, "*CLS;*RCL 1", "may raise"},
		{RoleSource, "*RST", "may raise"},
		{RoleSource, "*TRG", "may raise"},
		{RoleSource, "OUTP:LOAD INF", "may raise"},
		{RoleSource, "PULM:STAT 0", "may raise"},
		{RoleSource, "VOLT:OFFS 1", "may raise"},
		{RoleSource, "SYST:PRES", "may raise"},
		{RoleSource, "DISP ON;:OUTP OFF;APPL:SIN 1", "may raise"},
		{RoleAmplifier, "OUTPUT ON", "operate"},
		{RoleAmplifier, "GAIN 40", "may raise"},
		{RoleSource, "OUTP 0", ""},
		{RoleSource, "OUTP OFF", ""},
		{RoleSource, ":OUTPut1:STATe OFF", ""},
		{RoleSource, "DISP ON", ""},
		{RoleSource, "DISPLAY:TEXT 'A;B'", ""},
		{RoleSource, "*CLS", ""},
		{RoleSource, "*CLS;SYST:REM;:FORM REAL,32;*ESE 0", ""},
		{RoleAmplifier, "OUTPUT:STATE OFF", ""},
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
