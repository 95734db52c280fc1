package plan

import (
	"strings"
	"testing"
	"time"

	"provoke/internal/files/catalog"
	"provoke/internal/model/chain"
	"provoke/internal/units/rf"
)

func TestTheShortestDurationIsNeverUnderWhatDwellAndSettlingTake(t *testing.T) {
	c, _ := Check(checkedPlan(nil), chain.New(testBench()), nil)
	// Three frequencies, each 2 s of dwell and three settlings of 50 ms (a first reading, one correction, the
	// modulation).
	if d := c.Duration.Shortest.Std(); d < 6450*time.Millisecond || d > 6700*time.Millisecond {
		t.Errorf("shortest %v, not little more than 6.45 s", d)
	}
	if !(c.Duration.Shortest < c.Duration.Likely && c.Duration.Likely < c.Duration.Longest) {
		t.Errorf("not in order: %v", c.Duration)
	}
}

// durations returns the estimates for a changed plan and bench.
func durations(p func(*Plan), b func(*catalog.Bench)) Duration {
	bench := testBench()
	if b != nil {
		b(bench)
	}
	return durationOf(checkedPlan(p), bench)
}

func TestTheDurationCountsWhatARunWaitsFor(t *testing.T) {
	plain := durations(nil, nil)
	for name, x := range map[string]struct {
		more Duration
		by   time.Duration // at least so much more, likely
	}{
		"a longer settling, four times at each of three frequencies": {durations(
			func(p *Plan) { p.Settle += rf.Duration(1e9) }, nil), 12 * time.Second},
		"a slow monitor lengthens the dwell and is waited for after it": {durations(nil, func(b *catalog.Bench) {
			b.Monitors = []catalog.Monitor{{Kind: catalog.MonitorCommand, Every: rf.Duration(4e9)}}
		}), 3 * 4 * time.Second},
		"recovery after upsets": {durations(func(p *Plan) { p.RecoverWithin += rf.Duration(60e9) }, nil),
			3 * 30 * time.Second},
		"a source that is set by hand": {durations(nil, func(b *catalog.Bench) { b.Source.ByHand = true }),
			3 * 3 * 10 * time.Second},
		"repeated trials": {durations(func(p *Plan) {
			p.Search.Method, p.Search.Trials,
				p.Search.Onset = Repeated, 10, true
		}, nil), 27 * 2 * time.Second},
	} {
		if got := (x.more.Likely - plain.Likely).Std(); got < x.by*95/100 {
			t.Errorf("%s: %v more, and at least %v was to be", name, got, x.by)
		}
	}
	if s := plain.Words(); !strings.Contains(s, "10 % of the frequencies fail") ||
		!strings.Contains(s, "exchange with an instrument") {
		t.Errorf("what is assumed is not said: %s", s)
	}
}

func TestABaselineAndACalibrationTakeNoUpsets(t *testing.T) {
	baseline := durations(func(p *Plan) { p.Kind = Baseline }, nil)
	if d := baseline.Likely.Std(); d < 6*time.Second || d > 8500*time.Millisecond {
		t.Errorf("a baseline of three dwells of 2 s: %v", d)
	}
	calibration := durations(func(p *Plan) { p.Kind = Calibration }, nil)
	if d := calibration.Likely.Std(); d > 2*time.Second {
		t.Errorf("a calibration has no dwell: %v", d)
	}
}
