package engine_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"provoke/internal/bench/simbench"
	"provoke/internal/job/event"
	"provoke/internal/run/engine"
	"provoke/internal/units/rf"
)

// onePassText is a sweep of a pass up and one down, of half a second each.
func onePassText(mark string) string {
	return strings.Replace(sweepText(mark), "times: [5 s, 2.5 s]", "times: [500 ms]", 1)
}

// levelLine is the level that the person was asked to set.
func (h *hands) levelLine(t *testing.T) float64 {
	t.Helper()
	for _, p := range h.prompts() {
		for _, line := range p.Lines {
			rest, ok := strings.CutPrefix(line, "level ")
			if i := strings.Index(rest, "Vpp"); ok && i > 0 {
				v, err := rf.Parse[rf.Volt](rest[:i+3])
				if err == nil {
					return v.SI()
				}
			}
		}
	}
	t.Fatalf("nobody was asked to set a level: %+v", h.prompts())
	return 0
}

// With the peak held the person sets a level lower by what the crest adds, 1 + 0.8 = 1.8 times; with the carrier held
// the level itself.
func TestASweepWithThePeakHeldIsSetLower(t *testing.T) {
	set := map[string]float64{}
	for _, held := range []string{"carrier held", "peak held"} {
		inLab(t, simbench.Config{Seed: 3}, func(t *testing.T, l *lab) {
			h := byHand(t, l, "source")
			defer h.leave()
			sweeper(h, l, nil)
			mind := h.mind
			h.mind = func(p engine.Prompt) (string, bool) {
				if p.Title == "START THE SWEEP" { // what was to be seen was set
					l.operator <- engine.Command{Want: engine.Abort}
					return "never", true
				}
				return mind(p)
			}
			if out, _, _ := l.sweep(strings.Replace(onePassText("{by: key, within: 30 ms}"), "carrier held", held, 1),
				nil); out.Verdict.Kind() != event.Stopped {
				t.Errorf("%s: %q", held, out.Verdict)
			}
			set[held] = h.levelLine(t)
		})
	}
	if ratio := set["carrier held"] / set["peak held"]; ratio < 1.79 || ratio > 1.81 {
		t.Errorf("set to %v V with the carrier held and %v V with the peak held, %.3f times, want 1.8",
			set["carrier held"], set["peak held"], ratio)
	}
}

// A sweep counts the upsets of all its passes.
func TestASweepCountsTheUpsetsOfItsPasses(t *testing.T) {
	inLab(t, simbench.Config{Seed: 3}, func(t *testing.T, l *lab) {
		h := byHand(t, l, "source")
		defer h.leave()
		sweeper(h, l, nil)
		out, _, err := l.sweep(onePassText("{by: key, within: 30 ms}"), nil)
		if err != nil || out.Verdict != event.DoneUpset {
			t.Fatalf("%q: %v", out.Verdict, err)
		}
		upsets := 0
		for _, p := range out.Passes {
			upsets += len(p.Upsets)
		}
		if upsets == 0 || out.Upsets != upsets {
			t.Errorf("%d upsets in the result, %d in its passes", out.Upsets, upsets)
		}
	})
}

// A sweep whose bands the disk does not take ends with that.
func TestASweepWhoseBandsAreNotWrittenFails(t *testing.T) {
	inLab(t, simbench.Config{Seed: 3}, func(t *testing.T, l *lab) {
		h := byHand(t, l, "source")
		defer h.leave()
		sweeper(h, l, nil)
		full := errors.New("no space left on the device")
		l.change = func(c *engine.Config) {
			l.journal.fail = func(e event.Event) error {
				if _, ok := e.(event.SweepBands); ok {
					return full
				}
				return nil
			}
		}
		out, _, err := l.sweep(onePassText("{by: key}"), nil)
		if !errors.Is(err, full) || out.Verdict.Kind() != event.Failed {
			t.Errorf("%q: %v", out.Verdict, err)
		}
	})
}

// Where a line tells the beginning of a pass and nobody starts it, the run gives up after the time that a person has.
func TestASweepThatNobodyStartsIsGivenUp(t *testing.T) {
	inLab(t, simbench.Config{Seed: 3}, func(t *testing.T, l *lab) {
		h := byHand(t, l, "source")
		defer h.leave()
		sweeper(h, l, nil)
		mind := h.mind
		var shown time.Time
		h.mind = func(p engine.Prompt) (string, bool) {
			if p.Title == "START THE SWEEP" {
				if shown.IsZero() {
					shown = p.Since
				}
				return "never", true
			}
			return mind(p)
		}
		const within = 5 * time.Second
		l.change = func(c *engine.Config) { c.PersonWithin = within }
		out, _, err := l.sweep(onePassText("{by: sync line, within: 20 ms, address: ASRL1::INSTR}"),
			make(chan time.Time))
		if took := time.Since(shown); !errors.Is(err, engine.ErrNobody) || took < within ||
			took > within+5*time.Second || out.Verdict.Kind() != event.Failed {
			t.Errorf("given up after %v, want %v: %q, %v", took, within, out.Verdict, err)
		}
		if l.sim.State().On {
			t.Error("RF is on")
		}
	})
}
