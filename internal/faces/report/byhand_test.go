package report

import (
	"strings"
	"testing"

	"provoke/internal/job/event"
	"provoke/internal/job/result"
	"provoke/internal/tell"
	"provoke/internal/units/rf"
)

func TestWhatWasDoneByHandStandsAmongTheDeviations(t *testing.T) {
	r := result.Run{Number: 1,
		HardwareOff: []event.HardwareOff{{Source: "source GEN1", Why: "set by hand", Named: "switch S1"}},
		ByHand: []event.ByHand{{Instrument: "analyser SA1", Answer: "27.4 dBm",
			Doubted: "50 dB above the budget"}},
		Traces: []event.TraceRead{{Attachment: event.Attachment{Name: "max.csv"},
			Points: []event.TracePoint{{Frequency: 1e6, Current: rf.DBuA(80)}}}},
	}
	d := tell.DeviationsTable([]tell.RunTold{{Run: r}})
	var b strings.Builder
	for _, row := range d.Rows {
		for _, c := range row {
			b.WriteString(c.Text + "|")
		}
	}
	for _, want := range []string{"hardware off: switch S1", "1 answer of a person", "50 dB above the budget",
		"trace max.csv"} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("the deviations do not say %q: %s", want, b.String())
		}
	}
}
