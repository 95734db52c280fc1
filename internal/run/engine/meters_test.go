package engine_test

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"provoke/internal/bench/driver"
	"provoke/internal/bench/guard"
	"provoke/internal/bench/simbench"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/run/engine"
	"provoke/internal/units/rf"
)

// driftingAnalyser reads differently once a number of readings were taken.
type driftingAnalyser struct {
	driver.Analyser
	drift rf.Gain
	from  func() bool // whether the drift has begun
}

func (a *driftingAnalyser) Read(ctx context.Context) (rf.Power, error) {
	p, err := a.Analyser.Read(ctx)
	if a.from() {
		p = p.Add(a.drift)
	}
	return p, err
}

// dwellsLong is an exposure whose dwells are long enough for the meters to be read during them.
func dwellsLong(modulation string, more ...string) string {
	text := planText("{list: [1 MHz, 2 MHz]}", append(more, "search: {onset: false}")...)
	return strings.NewReplacer("dwell: 60 ms", "dwell: 1.5 s", "modulation: AM 80 % 1 kHz carrier held",
		"modulation: "+modulation).Replace(text)
}

func TestTheMetersAreReadAgainDuringADwell(t *testing.T) {
	const am, cw, pulse = "AM 80 % 1 kHz carrier held", "CW", "pulse 217 Hz 12.5 % peak held"
	for _, c := range []struct {
		what, modulation string
		drift            rf.Gain // from 700 ms of the second dwell on
		verdict          event.Verdict
		says             string
	}{
		{"steady, no modulation", cw, 0, event.Done, ""},
		{"steady, modulated", am, 0, event.Done, ""},
		{"steady, pulsed", pulse, 0, event.Done, ""},
		{"far more current, modulated", am, 40, event.TrippedEnd, " reads "},
		{"far more current, no modulation", cw, 40, event.TrippedEnd, " reads "},
		{"the amplifier gives in, no modulation", cw, -5, event.Incomplete, "did not reach"},
		{"the amplifier gives in, modulated", am, -5, event.Incomplete, "did not reach"},
		{"within what is allowed, modulated", am, -2, event.Done, ""},
		{"more than is allowed, modulated", am, 4, event.TrippedEnd, " reads "},
		{"nothing is read any more, modulated", am, -90, event.Incomplete, "did not reach"},
		{"nothing is read any more", cw, -90, event.TrippedEnd, "the probe may be off"},
	} {
		inLab(t, simbench.Config{Seed: 2}, func(t *testing.T, l *lab) {
			var dwelling time.Time
			l.progress = func(s engine.Status) {
				if s.Phase == "exposing" && s.Done == 1 && dwelling.IsZero() {
					dwelling = time.Now()
				}
			}
			l.change = func(cfg *engine.Config) {
				cfg.Rig.Analyser = &driftingAnalyser{cfg.Rig.Analyser, c.drift,
					func() bool { return !dwelling.IsZero() && time.Since(dwelling) > 700*time.Millisecond }}
			}
			o := l.do(dwellsLong(c.modulation))
			if o.Verdict != c.verdict || !strings.Contains(o.Why, c.says) {
				t.Errorf("%s: %s (%s): %v", c.what, o.Verdict, o.Why, o.err)
			}
			if c.verdict == event.Incomplete {
				if s := o.run.Steps[1]; !strings.Contains(s.Limited, "not held: the current fell by ") ||
					!s.Outcome.NotReached {
					t.Errorf("%s: %q, %+v", c.what, s.Limited, s.Outcome)
				}
			}
			l.mustBeOff(o)
		})
	}
}

// In constant drive nothing is known of a frequency at first: a current that is far too large is seen
// at the low level, before the plan's drive is set.
func TestConstantDriveLooksBeforeItGoesUp(t *testing.T) {
	inLab(t, simbench.Config{Seed: 3}, func(t *testing.T, l *lab) {
		l.change = func(cfg *engine.Config) {
			cfg.Rig.Analyser = &driftingAnalyser{cfg.Rig.Analyser,
				25, func() bool { return l.sim.State().Frequency > 1.5e6 }}
		}
		o := l.do(`provoke: plan 1
bench: bench.yaml
kind: exposure
mode: constant drive
drive: -30 dBm
grid:
  - {list: [1 MHz, 2 MHz]}
modulation: CW
dwell: 20 ms
`)
		if !errors.Is(o.err, guard.ErrTripped) || !strings.Contains(o.Why, "2 MHz") {
			t.Fatalf("%s: %v", o.Verdict, o.err)
		}
		var first, second float64 // the highest current at each, which the cable makes differ by a few decibels
		for _, h := range l.sim.History() {
			if h.Frequency > 1.5e6 {
				second = max(second, h.Carrier)
			} else {
				first = max(first, h.Carrier)
			}
		}
		if second == 0 || second > first/3 {
			t.Errorf("%.3g mA flowed at 2 MHz, and %.3g mA at 1 MHz: the drive was set before anything was read",
				second*1e3, first*1e3)
		}
		l.mustBeOff(o)
	})
}

// With the peak held the carrier is lower than the level by the crest; where the source cannot go so
// low the step is left out, and the run goes on.
func TestACarrierBelowTheSourcesMinimumIsNotTested(t *testing.T) {
	inLab(t, simbench.Config{Seed: 2}, func(t *testing.T, l *lab) {
		minimum := l.bench.Source.Minimum
		p, list := plan.Parse("plan.yaml", []byte(`provoke: plan 1
bench: bench.yaml
kind: exposure
mode: constant drive
drive: `+minimum.Add(3).Text(1)+`
grid:
  - {list: [1 MHz, 2 MHz]}
modulation: AM 80 % 1 kHz peak held
dwell: 20 ms
`), nil)
		if err := list.Err(); err != nil {
			t.Fatal(err)
		}
		o := l.doPlan(p, nil)
		if o.err != nil || o.Verdict != event.Incomplete || len(o.run.Steps) != 2 {
			t.Fatalf("%s: %v", o.Verdict, o.err)
		}
		for _, s := range o.run.Steps {
			if !s.Outcome.Skipped || !strings.Contains(s.Limited, "with the peak held") {
				t.Errorf("at %v: %+v, %q", s.Step.Point.Frequency, s.Outcome, s.Limited)
			}
		}
		l.mustBeOff(o)
	})
}
