package event_test

import (
	"strings"
	"testing"

	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/units/rf"
)

func figure(x float64) *float64 { return &x }

// cannedByHand is an invented run of a bench that nobody can wire: the source sweeps by itself.
func cannedByHand() []event.Event {
	return []event.Event{
		event.Opened{Version: 1, Program: "0.1", RunKind: plan.FreeSweepRun, Label: "as received",
			Operator: "A. Engineer",
			Bench:    event.Attachment{Name: "bench.yaml", SHA256: hashA},
			Plan:     event.Attachment{Name: "plan.yaml", SHA256: hashB}},
		event.HardwareOff{Source: "source GEN1", Why: "sweeps by itself", Named: "mains switch of strip S1",
			By: "A. Engineer"},
		event.ByHand{Instrument: "source GEN1", Asked: []string{"sweep 150 kHz to 30 MHz", "level 100 mVpp"},
			Answer: "", Took: 12 * second},
		event.ByHand{Instrument: "analyser SA1", Asked: []string{"read the level at 4.2 MHz"}, Answer: "-27.4 dBm",
			Took: 4 * second, Doubted: "20 dB above the budget"},
		event.SweepPass{Pass: 1, Law: "log", From: 150e3, To: 30e6, Time: 120 * second, Drive: rf.DBm(-20),
			Marked: "key", Within: second / 2, Readings: 1200,
			Upsets: []event.SweepUpset{{Monitor: "weight", After: 71 * second, Apparent: 3.47e6, Recovered: 3.8e6,
				Why: "0.41 kg above the baseline"}}},
		event.SweepBands{Latency: second, Within: second / 4,
			Bands: []event.SweepBand{{Low: 3.3e6, High: 3.6e6, Within: 40e3,
				Rests: "a pass upwards and one downwards"}},
			Notes: []string{"one rate: latency and width are not told apart"}},
		event.TraceRead{Attachment: event.Attachment{Name: "maxhold.csv", SHA256: hashA}, Column: "Level",
			Through: []string{"PROBE1", "PAD2", "SA1"}, Caption: "max hold during the sweep",
			Points: []event.TracePoint{{Frequency: 3.4e6, Reading: rf.DBm(-27.4), Current: rf.DBuA(81.2)},
				{Frequency: 5e6, Reading: rf.DBm(-90).WithBound(rf.AtMost),
					Current: rf.DBuA(20).WithBound(rf.AtMost)}}},
		event.LogRead{Attachment: event.Attachment{Name: "weigher.log", SHA256: hashB}, Offset: "+1.5 s", Unit: "kg",
			Baseline: figure(12.34), Tolerance: figure(0.05), Entries: 900,
			Steps: []event.LogStep{{Step: 1, Attempt: 1, Frequency: 3.4e6, Entries: 20, Low: figure(12.33),
				High: figure(12.9), Bad: 11, First: "12.60 kg"}}},
		event.Closed{Verdict: event.DoneUpset, Count: 8, Head: hashB},
	}
}

func TestALogWithCoarseStampsSaysSoInItsLine(t *testing.T) {
	if l := event.Line(event.LogRead{Attachment: event.Attachment{Name: "weigher.log"}, Offset: "+0 s",
		Width: second}); !strings.Contains(l, "stamps to 1 s only") {
		t.Error(l)
	}
}

func TestWhatAPersonDidIsToldInALine(t *testing.T) {
	for kind, want := range map[string]string{
		"hardware-off": "source GEN1 (sweeps by itself): provoke cannot switch it off; hardware off: mains switch of " +
			"strip S1; confirmed by A. Engineer",
		"sweep-pass": "pass 1: 150 kHz to 30 MHz log in 2 min, began by key ± 500 ms; UPSET of weight at an " +
			"apparent 3.47 MHz until 3.8 MHz",
		"trace": "trace maxhold.csv, column Level, 2 points; highest 81.2 dBµA at 3.4 MHz",
		"log":   "log weigher.log, clock +1.5 s, 900 entries in the run, bad in 1 of 1 steps",
	} {
		for _, e := range cannedByHand() {
			if e.Kind() == kind && !strings.HasPrefix(event.Line(e), want) {
				t.Errorf("%s: %q", kind, event.Line(e))
			}
		}
	}
}
