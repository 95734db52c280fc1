package web_test

import (
	"provoke/internal/job/event"
	"provoke/internal/job/fixing"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/job/store"
	"provoke/internal/units/rf"
)

// loops adds a fixing loop at two frequencies to the job: a ferrite that helps at one, put in, taken out and put in
// again, hands that changed nothing, a reading that moved, and a point held by hand.
func (s *site) loops() int {
	j := must(store.Open(s.job))
	defer j.Close()
	o := event.Opened{Program: "test", RunKind: plan.Fixing, Mode: plan.ClosedLoop, Fixture: "cable",
		Label: "what helps?", Operator: "A. Invented", Bench: must(j.Attach("bench.yaml", []byte("bench"))),
		Plan: must(j.Attach("exposure.yaml", []byte("plan"))), Range: 30, Resolution: 0.5, Dwell: 1e9,
		Fixing: &event.Fixing{Of: 3, Alone: 600e9}}
	onsets := map[rf.Frequency]float64{2.2e6: 76.2, 41e6: 72.2}
	for _, f := range []rf.Frequency{2.2e6, 41e6} {
		p := plan.Point{Frequency: f, Target: rf.DBuA(80), Drive: rf.DBm(-10)}
		p.Wanted.Current = p.Target
		o.Fixing.At = append(o.Fixing.At, event.Tracked{Point: p})
	}
	w := must(j.NewRun(at(9000), o))
	clock, n := 9000.0, 0
	add := func(events ...event.Event) *fixing.Loop {
		clock += 2
		must(w.Append(at(clock), events...))
		r := must(result.All(j.Records(w.Run(), 1)))
		return fixing.Of(&r)
	}
	loop := add(event.Watching{Monitors: []event.Monitor{{ID: "SHOWN", Kind: "text", Unit: "kg", Tolerance: 0.5,
		Baseline: 12.5, HasBaseline: true}}})
	expose := func(step plan.Step, current float64, note string) {
		n++
		step.Number = n
		c := event.StepClosed{Step: step, Attempt: 1, Current: rf.DBuA(current), Drive: rf.DBm(-10), OnFor: 1e9,
			Note: note, Outcome: plan.Outcome{Number: n, Exposures: 1, Upset: current >= onsets[step.Point.Frequency]}}
		for i := range 5 {
			c.Readings = append(c.Readings, event.Reading{Monitor: "SHOWN", After: rf.Duration(i * 2e8), RFOn: true,
				HasValue: true, Value: 12.531 + 0.001*float64(i%2), Text: "reading"})
		}
		loop = add(c)
	}
	for try, out := range []bool{false, true, false, false} {
		for range 14 {
			step, _ := loop.Next()
			expose(step, 80+float64(step.Offset), "")
		}
		what, gain := "ferrite at the transmitter", 4.0
		switch {
		case out:
			gain = -4
		case try == 3:
			what, gain = "", 0
		}
		onsets[41e6] += gain
		loop = add(event.HandsIn{By: "key", How: "read back as off", Took: 1e6, Measured: true},
			event.HandsOut{By: "key", Try: try + 1, What: what, Out: out})
	}
	expose(plan.Step{Point: o.Fixing.At[1].Point, Purpose: plan.HeldPoint, Offset: -6}, 74, "needle trembles")
	for range 8 {
		step, _ := loop.Next()
		expose(step, 80+float64(step.Offset), "")
	}
	must(w.Append(at(clock+1), event.Safed{Cause: "the run has ended", Quiet: true, How: "read back as off"}))
	must(w.Close(at(clock+2), event.DoneUpset, ""))
	return w.Run()
}
