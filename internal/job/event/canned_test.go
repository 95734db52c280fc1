package event_test

import (
	"math"

	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/model/level"
	"provoke/internal/units/rf"
)

func gain(g rf.Gain) *rf.Gain { return &g }

const (
	hashA  = "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08"
	hashB  = "60303ae22b998861bce3b28f33eec1be758a213c86c93c076dbe9f558c11c752"
	second = rf.Duration(1e9)
)

// canned is an invented run that holds every kind of event once at least, in an order that a real
// run could have. The belt weigher is invented.
func canned() []event.Event {
	point := plan.Point{Frequency: 27.12e6, Target: rf.DBuA(80), Drive: rf.DBm(-27.4), Ceiling: rf.DBm(-21.4),
		Wanted: level.Ask{Current: rf.DBuA(80), EMF: rf.Volts(3), LoopImpedance: 300, Limit: rf.DBuA(86)}}
	step := plan.Step{Number: 1, Point: point, Purpose: plan.Sweep}
	down := plan.Step{Number: 2, Point: point, Purpose: plan.Recover, Descend: []rf.Gain{-0.5, -1, -1.5}}
	return []event.Event{
		event.Opened{
			Version: 1, Program: "0.1", RunKind: plan.Exposure, Mode: plan.ClosedLoop, Fixture: "cable",
			Label: "as received", Changed: "ferrite <two turns> & capacitor removed", Operator: "A. Engineer",
			Room: "shielded room 2", Temperature: "23 °C",
			Bench: event.Attachment{Name: "bench.yaml", SHA256: hashA}, Plan: event.Attachment{Name: "plan.yaml",
				SHA256: hashB},
			Curves: []event.Curve{{Item: "clamp", What: "insertion loss", Source: "clamp.csv", SHA256: hashA}},
			Equipment: []event.Equipment{{ID: "gen", Description: "signal generator", Serial: "0001",
				Certificate: "C-17", Identified: "INVENTED,GEN,0001,1.0", Calibrated: "2026-03-01", Due: "2027-03-01"}},
			Profile: event.Profile{ID: "constant", Title: "constant current 80 dBµA", Source: "the plan",
				Confidence: "given by the user", Means: "r.m.s. of the unmodulated carrier", Verified: true},
			Modulation: level.Modulation{Kind: level.AM, Depth: 0.8, Rate: 1000, Hold: level.CarrierHeld},
			Dwell:      2 * second, Resolution: 0.5, Range: 40, Edges: 0.01,
			Setup: []event.Field{{Name: "height over the plane", Value: "50 mm"}},
			Monitors: []event.Monitor{{ID: "weight", Kind: "text line", Unit: "kg", Tolerance: 0.05,
				Latency: second / 2, Baseline: 12.5, HasBaseline: true}, {ID: "eyes", Kind: "operator's key"}},
			Points: 1, Calibration: 1,
		},
		event.Watching{Monitors: []event.Monitor{{ID: "weight", Kind: "text line", Unit: "kg", Tolerance: 0.05,
			Latency: second / 2, Baseline: 12.5, HasBaseline: true}}},
		event.Armed{By: "A. Engineer", DeadMan: 2 * second,
			Worst: []event.Worst{{ID: "amp", Place: "amplifier input", Frequency: 27.12e6, Peak: "-16.3 dBm",
				Rating: "0.0 dBm", Headroom: "16.3 dB"}}},
		event.FirstLight{Frequency: 27.12e6, Drive: rf.DBm(-47.4), Predicted: rf.DBuA(60), Low: rf.DBuA(56),
			High: rf.DBuA(64), Measured: rf.DBuA(60.7), Passed: true},
		event.Intent{Step: step, Attempt: 1},
		event.StepClosed{
			Step: step, Attempt: 1, Outcome: plan.Outcome{Number: 1, Upset: true, Exposures: 1},
			Drive: rf.DBm(-27.1), Current: rf.DBuA(79.9), Highest: rf.DBuA(79.9), Forward: rf.DBm(18.2),
			Reverse: rf.Off[rf.Watt](), ForwardPredicted: true,
			Predicted: rf.DBuA(80).WithBound(rf.AtMost), Means: "r.m.s. of the unmodulated carrier",
			Class: event.DuringOnly, RecoveredAfter: second / 4,
			Readings: []event.Reading{
				{Monitor: "weight", After: -second / 10, Text: " 12.50 kg", Value: 12.5, HasValue: true},
				{Monitor: "weight", After: second / 10, Text: " 12.91 kg", Value: 12.91, HasValue: true, Bad: true,
					Why: "0.41 kg above the baseline; tolerance 0.05 kg", RFOn: true},
				{Monitor: "weight", After: second / 5, Text: "\x00\x1b[2J", Value: math.NaN(), HasValue: true,
					Bad: true, Why: "no number", RFOn: true},
			},
			OnFor: 2 * second, Note: "first upset",
		},
		event.Hold{Why: "interlock open"},
		event.Resumed{Why: "interlock closed"},
		event.Intent{Step: down, Attempt: 1},
		event.OperatorMark{Text: "display went dark"},
		event.StepClosed{
			Step: down, Attempt: 1, Outcome: plan.Outcome{Number: 2, Upset: true, RecoveredAt: gain(-1.5), Exposures: 4,
				NotReached: true, Latched: true, Skipped: false},
			Drive: rf.DBm(-27.1), Current: rf.DBuA(78.4), Means: "r.m.s. of the unmodulated carrier",
			Class: event.NeedsReset, Limited: "forward power ceiling",
			Descent: []rf.Current{rf.DBuA(79.4), rf.DBuA(78.9).WithBound(rf.AtLeast), {}},
		},
		event.Tripped{Cause: "measured current 6.2 dB above the prediction", By: "guard"},
		event.Stopping{Cause: "measured current 6.2 dB above the prediction", ByOperator: false},
		event.Safed{Cause: "trip", Steps: []event.SafeStep{{What: "generator output off", Result: "off, read back"},
			{What: "amplifier standby", Result: "standby, read back"}}, Quiet: true, How: "measured at the floor",
			Took: second / 50},
		event.Note{By: "A. Engineer", Text: "cable moved by 20 mm — see the photo"},
		event.Attached{Attachment: event.Attachment{Name: "photo.jpg", SHA256: hashB}, Caption: "the cable as it lay"},
		event.Closed{Verdict: event.TrippedEnd, Why: "measured current 6.2 dB above the prediction", Count: 15,
			Head: hashA},
	}
}

// cannedImported is what an import adds.
func cannedImported() []event.Event {
	return []event.Event{event.Imported{From: "belt-run3.zip", Manifest: hashA, Head: hashB}}
}

// cannedLaboratory is what an invented laboratory reported, as a run of its own.
func cannedLaboratory() []event.Event {
	return []event.Event{
		event.Opened{
			Version: 1, Program: "0.1", RunKind: event.LaboratoryKind, Label: "as the laboratory reported",
			Operator: "A. Engineer",
			Files:    []event.Attachment{{Name: "failures.csv", SHA256: hashA}},
		},
		event.LaboratoryFailures{Laboratory: "an invented laboratory", Report: "R-17 of 2026-11-02",
			Failures: []event.LaboratoryFailure{
				{From: 27.12e6, Level: "3 V emf", Modulation: "AM 80 % 1 kHz", What: "reading jumps, error latches"},
				{From: 4.2e6, To: 4.6e6, What: "reading off by more than 1 kg"},
			}},
		event.Closed{Verdict: event.Done, Count: 2, Head: hashB},
	}
}

// cannedFixing is what a run of the fixing loop has besides: hands in and out, and a reference.
func cannedFixing() []event.Event {
	expected := rf.Gain(-7.5)
	point := plan.Point{Frequency: 41e6, Target: rf.DBuA(80), Drive: rf.DBm(-4), Ceiling: rf.DBm(2)}
	return []event.Event{
		event.Opened{Version: event.Version, RunKind: plan.Fixing, Fixing: &event.Fixing{Of: 2,
			At: []event.Tracked{{Point: point, Expected: &expected}, {Point: point}}, Alone: 600e9}},
		event.HandsIn{By: "foot switch", How: "measured at the floor", Took: 2e8, Measured: true},
		event.HandsOut{By: "page", Try: 1, What: "ferrite"},
		event.HandsOut{By: "key", Try: 2, What: "ferrite", Out: true},
		event.Reference{Text: "before the ferrite"},
	}
}
