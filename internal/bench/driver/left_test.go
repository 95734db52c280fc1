package driver_test

import (
	"testing"

	"provoke/internal/bench/driver"
	"provoke/internal/files/catalog"
)

// What an amplifier says of itself is read in one message where its table asks for it.
func TestAnAmplifierTellsFaultAndGainModeWhereItsTableAsks(t *testing.T) {
	table := driver.Table{Name: "own", Role: driver.RoleAmplifier, Commands: map[driver.Verb]string{
		driver.Operate: "OPER", driver.Standby: "STBY", driver.OperateAsk: "OPER?", driver.FaultAsk: "FAUL?",
		driver.GainModeAsk: "GAIN?"}}
	for answer, want := range map[string]driver.AmplifierState{
		`1;0;ALC`:               {Operating: true, Gain: "ALC"},
		`1;0,"No error";MAN`:    {Operating: true, Gain: "MAN"},
		`0;TEMP;MAN`:            {Fault: "TEMP", Gain: "MAN"},
		`1;12,"overtemp";MAN 3`: {Operating: true, Fault: `12,"overtemp"`, Gain: "MAN 3"},
	} {
		o := answering(map[string]string{"GAIN?": answer})
		o.Tables = []driver.Table{table}
		a, err := driver.OpenAmplifier(t.Context(),
			catalog.Amplifier{Identity: catalog.Identity{ID: "A"},
				Connection: catalog.Connection{Address: "x", Table: "own"}}, o)
		if err != nil {
			t.Fatal(err)
		}
		got, err := a.State(t.Context())
		if err != nil || got != want {
			t.Errorf("%s: %+v, want %+v: %v", answer, got, want, err)
		}
		a.Close()
	}
}
