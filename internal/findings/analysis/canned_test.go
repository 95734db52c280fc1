package analysis_test

import (
	"testing"
	"time"

	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/model/level"
	"provoke/internal/units/rf"
)

// A trial is what a product shows at one frequency: its onset, and the highest current that the
// bench reaches there.
type trial struct {
	f     rf.Frequency
	onset float64 // dBµA; 0 never upsets
	reach float64 // dBµA; 0 reaches the level wanted
}

const wanted = 90 // dBµA, at every frequency

var opened = event.Opened{
	RunKind: plan.Exposure, Mode: plan.ClosedLoop, Fixture: "cable", Resolution: 0.5, Range: 40,
	Modulation: level.Modulation{Kind: level.AM, Depth: 0.8, Rate: 1000, Hold: level.CarrierHeld},
	Dwell:      rf.Duration(time.Second),
	Bench:      event.Attachment{Name: "bench.yaml", SHA256: "aaaa"},
	Profile:    event.Profile{ID: "constant", Means: "r.m.s. of the unmodulated carrier", Verified: true},
	Setup:      []event.Field{{Name: "clamp to DUT", Value: "50 mm"}},
	Monitors:   []event.Monitor{{ID: "KG", Kind: "text", Unit: "kg", Tolerance: 0.02}},
}

// run makes a run in which each frequency is tried at the level wanted and, where the product
// upsets, just below and at its onset.
func run(number int, o event.Opened, trials ...trial) result.Run {
	b := builder{n: number}
	b.add(o)
	for _, t := range trials {
		b.expose(t)
	}
	b.add(event.Closed{Verdict: event.Done})
	return b.r
}

type builder struct {
	r    result.Run
	n    int
	step int
}

func (b *builder) add(e event.Event) {
	b.r = result.Fold(b.r, event.Record{Run: b.n, Seq: b.r.Records + 1, Event: e})
}

func (b *builder) expose(t trial) {
	top := 0.0
	if t.reach != 0 {
		top = t.reach - wanted
	}
	if t.onset == 0 || t.onset > wanted+top {
		b.close(t.f, plan.Sweep, 0, top, false)
		return
	}
	b.close(t.f, plan.Sweep, 0, top, true)
	at := t.onset - wanted
	b.close(t.f, plan.Onset, at-0.5, at-0.5, false)
	b.close(t.f, plan.Onset, at, at, true)
}

func (b *builder) close(f rf.Frequency, p plan.Purpose, offset, reached float64, upset bool) {
	b.step++
	e := event.StepClosed{
		Step: plan.Step{Number: b.step, Purpose: p, Offset: rf.Gain(offset),
			Point: plan.Point{Frequency: f, Target: rf.DBuA(wanted)}},
		Attempt: 1,
		Outcome: plan.Outcome{Number: b.step, Upset: upset, Exposures: 1, NotReached: reached < offset},
		Current: rf.DBuA(wanted + reached),
	}
	if upset {
		e.Class = event.DuringOnly
	}
	b.add(e)
}

// grid spreads onsets over 20 MHz, 22 MHz, …; 0 never upsets.
func grid(onsets ...float64) []trial {
	var out []trial
	for i, o := range onsets {
		out = append(out, trial{f: rf.Frequency(20+2*i) * rf.Megahertz, onset: o})
	}
	return out
}

func reaching(reach float64, trials []trial) []trial {
	out := append([]trial(nil), trials...)
	for i := range out {
		out[i].reach = reach
	}
	return out
}

func contains(t *testing.T, list []string, part string) {
	t.Helper()
	for _, s := range list {
		if containsText(s, part) {
			return
		}
	}
	t.Errorf("nothing says %q in %q", part, list)
}
