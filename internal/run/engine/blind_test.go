package engine

import (
	"context"
	"strings"
	"testing"
	"time"

	"provoke/internal/bench/dut"
	"provoke/internal/files/catalog"
	"provoke/internal/units/rf"
)

// seeing is a watch over one monitor that can be unable to see.
func seeing(silence time.Duration) *watch {
	w := newWatch([]dut.Monitor{named("CAM")}, []catalog.Monitor{{Identity: catalog.Identity{ID: "CAM"},
		Kind: catalog.MonitorCamera, Silence: rf.Duration(silence), Tolerance: 0.05, Unit: "kg"}})
	w.judges["CAM"].Baseline, w.judges["CAM"].HasBaseline = 12.34, true
	w.started, w.asked = time.Now(), time.Now()
	return w
}

// named is a monitor that is driven by its test.
type named string

func (n named) ID() string                                        { return string(n) }
func (n named) Start(_ context.Context, _ func(dut.Sample)) error { return nil }
func (n named) Reset(_ context.Context) error                     { return dut.ErrNoReset }
func (n named) Close() error                                      { return nil }
func sampleOf(kg float64, missed string, blind bool) dut.Sample {
	return dut.Sample{Monitor: "CAM", At: time.Now(), Value: kg, HasValue: kg != 0, Missed: missed, Blind: blind}
}

func TestWhatAMonitorCannotSeeIsNeitherWellNorAnUpset(t *testing.T) {
	w, began := seeing(40*time.Millisecond), time.Now()
	for end := began.Add(120 * time.Millisecond); time.Now().Before(end); time.Sleep(5 * time.Millisecond) {
		w.deliver(sampleOf(0, "a hand", true))
		if bad, ok := w.firstBad(began); ok {
			t.Fatalf("it was taken for an upset: %s", bad.why)
		}
	}
	if w.looked(began) {
		t.Error("it was taken for a look")
	}
	if _, ok := w.well(began, 1); ok || w.sees() {
		t.Error("it was taken for well")
	}
	why, ok := w.blind()
	if !ok || !strings.Contains(why, "CAM has not seen the product") || !strings.Contains(why, "a hand") {
		t.Errorf("after three silence limits: %q", why)
	}
	w.deliver(sampleOf(12.34, "", false))
	if _, ok := w.blind(); ok || !w.sees() || !w.looked(began) || w.blindUntil().Before(began) {
		t.Error("it sees again, and that is not noticed")
	}
}

func TestAnUpsetBesideSomethingHiddenCounts(t *testing.T) {
	w, began := seeing(time.Second), time.Now()
	w.deliver(sampleOf(12.60, "the lamp is hidden", true))
	if bad, ok := w.firstBad(began); !ok || !strings.Contains(bad.why, "12.600 kg") {
		t.Errorf("%v %q", ok, bad.why)
	}
	w = seeing(time.Second)
	w.deliver(sampleOf(12.34, "the lamp is hidden", true))
	if w.looked(began) || w.sees() {
		t.Error("a display that is well beside a hidden lamp was taken for a look at both")
	}
}

func TestAPictureThatSaysNothingIsTheProductsSilence(t *testing.T) {
	w, began := seeing(40*time.Millisecond), time.Now()
	for end := began.Add(5 * time.Second); time.Now().Before(end); time.Sleep(5 * time.Millisecond) {
		w.deliver(sampleOf(0, "the same picture once more", false))
		if bad, ok := w.firstBad(began); ok {
			if took := time.Since(began); took < 40*time.Millisecond {
				t.Errorf("silent after %v", took)
			}
			if !strings.Contains(bad.why, "silent for") || !strings.Contains(bad.why, "the same picture once more") {
				t.Error(bad.why)
			}
			return
		}
	}
	t.Error("a camera that stands still was never noticed")
}
