package fixing_test

import (
	"testing"
	"time"

	"provoke/internal/job/event"
	"provoke/internal/job/fixing"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/units/rf"
)

// bench is an invented product whose onset, in dB against the target, is known.
type bench struct {
	run   result.Run
	loop  *fixing.Loop
	seq   int64
	at    time.Time
	onset rf.Gain
}

func newBench(onset rf.Gain) *bench {
	b := &bench{at: time.Date(2026, 11, 29, 9, 0, 0, 0, time.UTC), onset: onset}
	b.add(event.Opened{Version: event.Version, RunKind: plan.Fixing, Mode: plan.ClosedLoop, Resolution: 0.5, Range: 40,
		Fixing: &event.Fixing{At: []event.Tracked{{Point: plan.Point{Frequency: 41e6, Target: rf.DBuA(80)}}}}})
	b.loop = fixing.Of(&b.run)
	return b
}

func (b *bench) add(e event.Event) {
	b.seq++
	b.at = b.at.Add(time.Second)
	b.run.Apply(event.Record{Run: 1, Seq: b.seq, At: b.at, Event: e})
	if b.loop != nil {
		b.loop.Follow(&b.run)
	}
}

// expose does exposures until the onset is known, n at least.
func (b *bench) expose(n int) {
	for range 60 {
		if n--; n < 0 && b.loop.Places[0].Settled() {
			return
		}
		step, _ := b.loop.Next()
		b.add(event.StepClosed{Step: step, OnFor: 1e9, Current: rf.DBuA(80).Add(step.Offset + 0.1),
			Outcome: plan.Outcome{Number: step.Number, Exposures: 1, Upset: step.Offset+0.1 >= b.onset}})
	}
}

// A change that nobody made with hands is credited to no try: what the try did stays what was known before.
func TestAChangeWithoutHandsBelongsToNoTry(t *testing.T) {
	b := newBench(-10)
	b.expose(14)
	b.add(event.HandsIn{})
	b.add(event.HandsOut{Try: 1, What: "paper"})
	b.expose(8)
	tried := b.loop.Tries()[0].Gains[0]
	b.onset = -4
	b.expose(20)
	if n := len(b.loop.Epochs); n != 3 || !b.loop.Epochs[2].ByItself || b.loop.LastTry() != 1 {
		t.Fatalf("%d epochs: %+v", n, b.loop.Epochs)
	}
	if now := b.loop.Places[0].Track.Now(); now.Low > -4 || now.High < -4.2 {
		t.Errorf("the change is not followed: %+v", now)
	}
	gain := b.loop.Tries()[0].Gains[0]
	if gain.Shown() || gain.Middle > 0.6 || gain.Middle < -0.6 || gain.High > tried.High+1 {
		t.Errorf("paper is credited with %+v; before the change it was %+v", gain, tried)
	}
	if e := b.loop.Effects(); len(e) != 1 || e[0].Places[0].Gain() {
		t.Errorf("%+v", e)
	}
	// What the next try does is counted from the product as it is now.
	b.add(event.HandsIn{})
	b.add(event.HandsOut{Try: 2, What: "ferrite"})
	b.onset = -1
	b.expose(10)
	if gain := b.loop.Tries()[1].Gains[0]; gain.Low > 3 || gain.High < 3 || gain.Low < 1.5 || gain.High > 4.5 {
		t.Errorf("ferrite, +3 dB: %+v", gain)
	}
	// Folded anew it is the same.
	if again := fixing.Of(&b.run); again.Tries()[0].Gains[0] != b.loop.Tries()[0].Gains[0] {
		t.Errorf("folded anew: %+v", again.Tries()[0].Gains[0])
	}
}

// A run that ended with hands in says so, until somebody says that they are out.
func TestHandsStayInWhenTheRunEndsWithThemIn(t *testing.T) {
	b := newBench(-10)
	b.expose(6)
	b.add(event.HandsIn{})
	b.add(event.Resumed{Why: "taken up again"})
	if !fixing.Of(&b.run).Hands || !b.loop.Hands {
		t.Error("hands were in")
	}
	b.add(event.HandsOut{Try: 1})
	if b.loop.Hands {
		t.Error("hands are out")
	}
}
