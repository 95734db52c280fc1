package analysis_test

import (
	"testing"

	"provoke/internal/findings/analysis"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/units/rf"
)

// freely is a free sweep at -20 dBm that found a band from 10 to 10.2 MHz, each end within 50 kHz.
func freely() result.Run {
	b := builder{n: 1}
	b.add(event.Opened{RunKind: plan.FreeSweepRun, Mode: plan.ConstantDrive, Bench: event.Attachment{SHA256: "b"}})
	b.add(event.SweepPass{Pass: 1, From: 1e6, To: 30e6, Drive: rf.DBm(-20)})
	b.add(event.SweepBands{Bands: []event.SweepBand{{Low: 10e6, High: 10.2e6, Within: 5e4}}})
	return b.r
}

// stepped is a run at a constant drive; a frequency below 0 upsets.
func stepped(number int, drive float64, change func(*event.Opened), at ...rf.Frequency) result.Run {
	o := event.Opened{RunKind: plan.Exposure, Mode: plan.ConstantDrive, Resolution: 0.5,
		Bench: event.Attachment{SHA256: "b"}}
	if change != nil {
		change(&o)
	}
	b := builder{n: number}
	b.add(o)
	for i, f := range at {
		b.add(event.StepClosed{Step: plan.Step{Number: i + 1, Purpose: plan.Sweep,
			Point: plan.Point{Frequency: max(f, -f), Target: rf.DBuA(80)}}, Drive: rf.DBm(drive), Current: rf.DBuA(80),
			OnFor:   1e9,
			Outcome: plan.Outcome{Number: i + 1, Exposures: 1, Upset: f < 0}})
	}
	return b.r
}

func TestABandOfAFreeSweepIsConfirmedOnlyByStepsThroughIt(t *testing.T) {
	for name, v := range map[string]struct {
		later result.Run
		want  analysis.Confirmation
	}{
		"an upset in it":                     {stepped(2, -20, nil, 9.8e6, -10.1e6, 10.4e6), analysis.Confirmed},
		"an upset within the limits of it":   {stepped(2, -20, nil, -9.96e6), analysis.Confirmed},
		"an upset beside it":                 {stepped(2, -20, nil, -9.9e6, 10.1e6, 10.3e6), analysis.Rejected},
		"no upset from one end to the other": {stepped(2, -20, nil, 9.9e6, 10.1e6, 10.3e6), analysis.Rejected},
		"no upset in its lower half":         {stepped(2, -20, nil, 9.9e6, 10e6, 10.1e6), analysis.NotStepped},
		"nothing in it":                      {stepped(2, -20, nil, 9.9e6, 10.3e6), analysis.NotStepped},
		"a run before the sweep":             {stepped(0, -20, nil, -10.1e6), analysis.NotStepped},
		"more drive than the sweep":          {stepped(2, -19, nil, -10.1e6), analysis.NotStepped},
		"another bench": {stepped(2, -20, func(o *event.Opened) { o.Bench.SHA256 = "c" }, -10.1e6),
			analysis.NotStepped},
		"a product that was changed": {stepped(2, -20, func(o *event.Opened) { o.Changed = "ferrite" },
			-10.1e6), analysis.NotStepped},
		"another modulation": {stepped(2, -20, func(o *event.Opened) { o.Modulation.Depth = 0.8 },
			-10.1e6), analysis.NotStepped},
	} {
		got := analysis.SweptBands(freely(), []result.Run{freely(), v.later})
		if len(got) != 1 || got[0].Confirmation != v.want {
			t.Errorf("%s: %+v, want %q", name, got, v.want)
		}
	}
	both := analysis.SweptBands(freely(), []result.Run{stepped(2, -20, nil, -10.1e6),
		stepped(3, -20, nil, 9.9e6, 10.1e6, 10.3e6)})
	if both[0].Confirmation != analysis.Rejected || both[0].By != 3 {
		t.Errorf("the newest run counts: %+v", both[0])
	}
}

func TestTheLaboratorysProductIsTheUnchangedOneThatWasExposedWidest(t *testing.T) {
	run := func(n, points int, kind plan.RunKind, changed string) result.Run {
		return result.Run{Number: n, Opened: event.Opened{RunKind: kind, Points: points, Changed: changed}}
	}
	for _, v := range []struct {
		runs []result.Run
		want int
	}{
		{nil, 0},
		{[]result.Run{run(1, 9, plan.Baseline, "")}, 0},
		{[]result.Run{run(1, 90, plan.Exposure, ""), run(2, 90, plan.Exposure, ""), run(3, 1, plan.Exposure, ""),
			run(4, 90, plan.Exposure, "capacitor")}, 2},
		{[]result.Run{run(1, 9, plan.Baseline, ""), run(2, 9, plan.Exposure, "lid off"),
			run(3, 90, plan.Exposure, "ferrite")}, 2},
	} {
		if got := analysis.AsReceived(v.runs); got != v.want {
			t.Errorf("run %d, want %d", got, v.want)
		}
	}
}
