package engine_test

import (
	"strings"
	"testing"
	"time"

	"provoke/internal/bench/driver"
	"provoke/internal/bench/dut"
	"provoke/internal/bench/simbench"
	"provoke/internal/files/catalog"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/run/engine"
	"provoke/internal/units/rf"
)

// sweepText is a sweep of the belt weigher's lower band, up and down at two rates.
func sweepText(mark string, more ...string) string {
	return `provoke: sweep 1
name: first sweep
bench: bench.yaml
law: log
from: 1 MHz
to: 6 MHz
times: [5 s, 2.5 s]
drive: -18 dBm
modulation: AM 80 % 1 kHz carrier held
mark: ` + mark + "\n" + strings.Join(more, "\n") + "\n"
}

// sweeper makes the person start the simulated generator's own sweep, too.
func sweeper(h *hands, l *lab, sync chan<- time.Time) {
	var passes simbench.FreeSweep
	h.mind = func(p engine.Prompt) (string, bool) {
		switch {
		case strings.HasPrefix(p.Title, "SET UP SWEEP"):
			var from, to, law string
			start, stop, _ := strings.Cut(p.Lines[1], ", stop ")
			from, to = strings.TrimPrefix(start, "start "), stop
			fields := strings.Split(p.Lines[2], ", ")
			law = fields[0]
			f, _ := rf.ParseFrequency(from)
			g, _ := rf.ParseFrequency(to)
			d, _ := rf.ParseDuration(fields[2])
			passes = simbench.FreeSweep{From: f.Hz(), To: g.Hz(), Log: law == "log", Time: 20 * d.Std(), Passes: 1}
			return "done", true
		case p.Title == "START THE SWEEP":
			if l.sim.State().On && passes.From > 0 {
				l.sim.StartSweep(passes)
				passes.From = 0
				if sync != nil {
					sync <- time.Now()
				}
			}
			if strings.HasPrefix(p.Wants, "Enter") {
				return "", true
			}
			return "never", true
		}
		return "", false
	}
}

func (l *lab) sweep(text string, sync engine.Sync) (engine.Swept, *plan.FreeSweep, error) {
	l.t.Helper()
	s, list := plan.ParseFreeSweep("sweep.yaml", []byte(text))
	if err := list.Err(); err != nil {
		l.t.Fatal(err)
	}
	l.journal = &memory{}
	rig, err := driver.OpenBench(l.t.Context(), l.bench, driver.Options{Dial: l.dial, Person: l.desk})
	if err != nil {
		l.t.Fatal(err)
	}
	defer rig.Close()
	var monitors []dut.Monitor
	for _, m := range l.bench.Monitors {
		if m.Kind == catalog.MonitorText {
			monitors = append(monitors, &lineMonitor{spec: m, dial: l.dial})
		}
	}
	l.journal.Append(time.Now(), event.Opened{Version: event.Version, RunKind: s.Plan.Kind, Mode: s.Plan.Mode})
	c := engine.Config{Plan: s.Plan, Chain: l.chain, Rig: rig, Monitors: monitors, Journal: l.journal, Run: 1,
		Operator: l.operator, Progress: l.progress, Desk: l.desk}
	strict := &strictWatcher{}
	c.Watcher = strict
	if l.change != nil {
		l.change(&c)
	}
	out, err := engine.RunSweep(l.t.Context(), c, s, sync)
	if late := strict.late(); late > 0 && out.Verdict != event.TrippedEnd && out.Verdict != event.RFNotKnownOff {
		l.t.Errorf("the sweep ended %q, and a watcher would have silenced the bench: a sign of life of the engine "+
			"came %v late", out.Verdict, late)
	}
	return out, s, err
}

// upsetsOf returns where a stepped run of the wired bench upsets, as ranges of frequency.
func upsetsOf(o outcome) (ranges [][2]rf.Frequency) {
	last := -2
	for i, s := range o.run.Steps {
		if !s.Outcome.Upset {
			continue
		}
		f := s.Step.Point.Frequency
		if last == i-1 {
			ranges[len(ranges)-1][1] = f
		} else {
			ranges = append(ranges, [2]rf.Frequency{f, f})
		}
		last = i
	}
	return ranges
}

func TestAFreeSweepFindsTheBandsThatAStepRunFinds(t *testing.T) {
	for _, mark := range []string{"{by: key, within: 30 ms}", "{by: sync line, within: 20 ms, address: ASRL1::INSTR}",
		"{by: zero-span edge, within: 50 ms}"} {
		t.Run(mark, func(t *testing.T) {
			inLab(t, simbench.Config{Seed: 3}, func(t *testing.T, l *lab) {
				stepped := l.do(strings.Replace(planText("{from: 1 MHz, to: 6 MHz, step: 1.5 %}"),
					"mode: closed loop\nlevel: iec-61000-4-6/level-2",
					"mode: constant drive\ndrive: -18 dBm\nsearch: {onset: false, recovery: false}", 1))
				if stepped.err != nil {
					t.Fatal(stepped.err)
				}
				want := upsetsOf(stepped)
				if len(want) == 0 {
					t.Fatal("the stepped run upsets nothing at this drive")
				}
				h := byHand(t, l, "source")
				defer h.leave()
				var sync chan time.Time
				if strings.Contains(mark, "sync") {
					sync = make(chan time.Time, 4)
				}
				sweeper(h, l, sync)
				out, spec, err := l.sweep(sweepText(mark), engine.Sync(sync))
				if err != nil || out.Verdict != event.DoneUpset {
					t.Fatalf("%q: %v\n%s", out.Verdict, err, l.journal.kinds())
				}
				if len(out.Bands) != len(want) {
					t.Fatalf("%d bands, the stepped run has %v: %+v", len(out.Bands), want, out.Bands)
				}
				for i, b := range out.Bands {
					t.Logf("%v to %v, ± %v, latency %v (%v to %v), by %s; stepped %v", b.Low, b.High, b.Within(),
						b.Latency, b.LatencyLeast, b.LatencyMost, b.Rests, want[i])
					if b.SearchLow > want[i][0] || b.SearchHigh < want[i][1] {
						t.Errorf("a search over %v to %v misses the stepped run's %v", b.SearchLow, b.SearchHigh,
							want[i])
					}
					// The stepped run knows the ends to its own step of 1.5 %.
					if float64(b.LowLeast) > float64(want[i][0])*1.016 ||
						float64(b.HighMost) < float64(want[i][1])/1.016 || b.Within().Hz() > 0.1*b.Low.Hz() {
						t.Errorf("the limits %v … %v and %v … %v do not hold the stepped run's %v", b.LowLeast,
							b.LowMost, b.HighLeast, b.HighMost, want[i])
					}
				}
				p, list := plan.Parse("stepped.yaml", []byte(spec.Stepped(out.Bands)), nil)
				if err := list.Err(); err != nil {
					t.Fatalf("the plan around the bands: %v\n%s", err, spec.Stepped(out.Bands))
				}
				if p.Mode != plan.ConstantDrive || p.Grid[0] > want[0][0] {
					t.Errorf("the plan begins at %v", p.Grid[0])
				}
				if got := len(l.has("sweep-pass")); got != 4 || len(l.has("sweep-bands")) != 1 ||
					len(l.has("hardware-off")) != 1 {
					t.Errorf("journalled %s", l.journal.kinds())
				}
				if s := l.sim.State(); s.On {
					t.Error("RF is on")
				}
			})
		})
	}
}

func TestASweepThatARatingForbidsAnywhereIsRefusedBeforeRF(t *testing.T) {
	inLab(t, simbench.Config{Seed: 3}, func(t *testing.T, l *lab) {
		h := byHand(t, l, "source")
		defer h.leave()
		sweeper(h, l, nil)
		out, _, err := l.sweep(strings.Replace(sweepText("{by: key}"), "-18 dBm", "18 dBm", 1), nil)
		if err == nil || !strings.Contains(err.Error(), "a sweep over 1 MHz to 6 MHz passes") ||
			l.sim.State().Exposures > 0 {
			t.Errorf("%q: %v", out.Verdict, err)
		}
	})
}

// The current is read while the carrier waits at the start: one that is far too large ends the run before
// the sweep is started.
func TestASweepWhoseCurrentIsFarTooLargeIsNotStarted(t *testing.T) {
	inLab(t, simbench.Config{Seed: 3}, func(t *testing.T, l *lab) {
		h := byHand(t, l, "source")
		defer h.leave()
		started := false
		sweeper(h, l, nil)
		mind := h.mind
		h.mind = func(p engine.Prompt) (string, bool) {
			started = started || p.Title == "START THE SWEEP"
			return mind(p)
		}
		l.change = func(c *engine.Config) {
			c.Rig.Analyser = &driftingAnalyser{c.Rig.Analyser, 40, func() bool { return l.sim.State().On }}
		}
		out, _, err := l.sweep(sweepText("{by: key}"), nil)
		if started || !strings.Contains(out.Why, "reads") || len(out.Passes) != 0 {
			t.Errorf("started %t, %s (%s): %v", started, out.Verdict, out.Why, err)
		}
	})
}

func TestASweepWithoutAnyoneToSwitchItOffIsRefused(t *testing.T) {
	inLab(t, simbench.Config{Seed: 3}, func(t *testing.T, l *lab) {
		l.desk = engine.NewDesk()
		l.reload()
		if _, _, err := l.sweep(sweepText("{by: key}"), nil); err == nil ||
			!strings.Contains(err.Error(), "hardware_off") {
			t.Errorf("a wired source sweeps by itself without a hardware off: %v", err)
		}
	})
}

func TestASweepFileThatIsWrongIsToldWithItsPlace(t *testing.T) {
	good := sweepText("{by: key}")
	for change, want := range map[string]string{
		"law: log|law: sine":                          `"sine" is not one of`,
		"times: [5 s, 2.5 s]|times: []":               "0 times of a pass",
		"times: [5 s, 2.5 s]|times: [5 s, 0 s]":       "times[1]",
		"mark: {by: key}|mark: {by: ear}":             `"ear" is not one of`,
		"mark: {by: key}|mark: {by: sync line}":       "a sync line needs an address",
		"mark: {by: key}|mark: {by: key, pattern: X}": "has no pattern",
		"to: 6 MHz|to: 1 MHz":                         "begins and ends at different frequencies",
		"drive: -18 dBm\n|":                           "has no drive",
		"modulation: AM 80 %|modulation: FM 80 %":     "modulation",
	} {
		from, to, _ := strings.Cut(change, "|")
		_, list := plan.ParseFreeSweep("sweep.yaml", []byte(strings.Replace(good, from, to, 1)))
		if err := list.Err(); err == nil || !strings.Contains(err.Error(), want) && !strings.Contains(err.Error(),
			strings.TrimPrefix(want, "times[1]")) || !strings.HasPrefix(err.Error(), "sweep.yaml:") {
			t.Errorf("%s: %v", change, err)
		}
	}
	if _, list := plan.ParseFreeSweep("sweep.yaml", []byte(good)); list.Err() != nil {
		t.Error(list.Err())
	}
}

// The simulated product latches in its band B and latches again at once after a reset there. One band is told,
// the stepped plan covers all that the stepped run upset, and the journal tells the resets.
func TestAFreeSweepOfALatchingProductFindsOneBand(t *testing.T) {
	inLab(t, simbench.Config{Seed: 3}, func(t *testing.T, l *lab) {
		stepped := l.do(strings.Replace(planText("{from: 20 MHz, to: 45 MHz, step: 1.5 %}"),
			"mode: closed loop\nlevel: iec-61000-4-6/level-2",
			"mode: constant drive\ndrive: -18 dBm\nsearch: {onset: false, recovery: false}", 1))
		if stepped.err != nil {
			t.Fatal(stepped.err)
		}
		want := upsetsOf(stepped)
		if len(want) != 1 {
			t.Fatalf("the stepped run upsets %v at this drive, want one band", want)
		}
		h := byHand(t, l, "source")
		defer h.leave()
		sweeper(h, l, nil)
		text := strings.NewReplacer("from: 1 MHz", "from: 20 MHz", "to: 6 MHz", "to: 45 MHz", "[5 s, 2.5 s]",
			"[30 s]").Replace(sweepText("{by: key, within: 30 ms}"))
		out, spec, err := l.sweep(text, nil)
		if err != nil || out.Verdict != event.DoneUpset {
			t.Fatalf("%q: %v\n%s", out.Verdict, err, l.journal.kinds())
		}
		resets := 0
		for _, p := range out.Passes {
			for _, u := range p.Upsets {
				if u.Recovery.Known() {
					t.Errorf("a latched upset recovered by itself: %+v", u)
				}
				if u.Reset.Known() {
					resets++
				}
			}
		}
		if resets < 2 || len(out.Bands) != 1 {
			t.Fatalf("%d resets, %d bands: %+v", resets, len(out.Bands), out.Passes)
		}
		b := out.Bands[0]
		t.Logf("figure: %v…%v to %v…%v, search %v to %v; stepped %v", b.LowLeast, b.LowMost, b.HighLeast, b.HighMost,
			b.SearchLow, b.SearchHigh, want[0])
		if float64(b.LowLeast) > float64(want[0][0])*1.016 || float64(b.LowMost) < float64(want[0][0])/1.016 ||
			float64(b.HighLeast) > float64(want[0][1])*1.016 || float64(b.HighMost) < float64(want[0][1])/1.016 {
			t.Error("the limits do not hold the stepped run's band")
		}
		p, list := plan.Parse("stepped.yaml", []byte(spec.Stepped(out.Bands)), nil)
		if err := list.Err(); err != nil {
			t.Fatal(err)
		}
		if first, last := p.Grid[0], p.Grid[len(p.Grid)-1]; first > b.SearchLow || last < b.SearchHigh ||
			first > want[0][0] || last < want[0][1] {
			t.Errorf("the stepped plan goes from %v to %v, the search from %v to %v", first, last, b.SearchLow,
				b.SearchHigh)
		}
		if passes := l.has("sweep-pass"); len(passes) != 2 || passes[0].(event.SweepPass).Upsets[0].Reset == 0 {
			t.Errorf("the journal does not tell the resets: %+v", passes)
		}
	})
}
