package plan

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"provoke/internal/files/catalog"
	"provoke/internal/files/problem"
	"provoke/internal/model/chain"
	"provoke/internal/model/level"
	"provoke/internal/model/sweep"
	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

func freeSweep(t *testing.T, change string) (*FreeSweep, problem.List) {
	t.Helper()
	text := "provoke: sweep 1\nbench: bench.yaml\nlaw: log\nfrom: 30 MHz\nto: 150 kHz\ntimes: [60 s, 120 s]\ndrive: " +
		"-18 dBm\nmark: {by: key}\n"
	for _, line := range strings.Split(change, "\n") { // a line takes the place of that with the same key
		key, _, _ := strings.Cut(line, ":")
		if at := strings.Index(text, "\n"+key+":"); at >= 0 {
			text = text[:at+1] + text[at+2+strings.Index(text[at+1:], "\n"):]
		}
		text += line + "\n"
	}
	s, list := ParseFreeSweep("sweep.yaml", []byte(text))
	if s == nil {
		t.Fatalf("%s: %v", change, list)
	}
	return s, list
}

// Up and down at each time, the whole as often as asked; up is from the lower frequency, however the file has it.
func TestThePassesOfASweep(t *testing.T) {
	for change, want := range map[string]string{
		"":                              "up 60 down 60 up 120 down 120",
		"directions: up":                "up 60 up 120",
		"directions: down":              "down 60 down 120",
		"repeats: 2\ntimes: [5 s]":      "up 5 down 5 up 5 down 5",
		"times: [1 s, 2 s, 3 s, 4 s]":   "up 1 down 1 up 2 down 2 up 3 down 3 up 4 down 4",
		"repeats: 20\ntimes: [1 s]":     strings.TrimSpace(strings.Repeat("up 1 down 1 ", 20)),
		"directions: up\ntimes: [0.5s]": "up 0.5",
	} {
		s, list := freeSweep(t, change)
		got := ""
		for _, p := range s.Passes {
			way := " up"
			if p.Down() {
				way = " down"
			}
			if low, high := p.Ends(); low != 150*rf.Kilohertz || high != 30*rf.Megahertz {
				t.Errorf("%s: %v to %v", change, low, high)
			}
			got += fmt.Sprintf("%s %v", way, p.Time.Seconds())
		}
		if list.Err() != nil || strings.TrimSpace(got) != want {
			t.Errorf("%s: %s, want %s; %v", change, got, want, list)
		}
		if told := warned(list, "one direction only"); told != strings.Contains(change, "directions") {
			t.Errorf("%s: warned of one direction: %v", change, told)
		}
	}
	// What is refused sweeps nothing.
	for _, change := range []string{"times: [1 s, 2 s, 3 s, 4 s, 5 s]", "times: []", "repeats: 0", "repeats: 21",
		"times: [0 s]"} {
		if s, list := freeSweep(t, change); list.Err() == nil || len(s.Passes) > 0 {
			t.Errorf("%s: %d passes, %v", change, len(s.Passes), list)
		}
	}
}

// A finger is good to 500 ms, a line of text to 50 ms, the edge in zero span to 100 ms, unless the file says more.
func TestHowWellABeginningIsMarked(t *testing.T) {
	for mark, want := range map[string]struct {
		within time.Duration
		told   string
	}{
		"{by: key}":                {500 * time.Millisecond, ""},
		"{by: key, within: 0.2 s}": {200 * time.Millisecond, ""},
		"{by: zero-span edge}":     {100 * time.Millisecond, ""},
		"{by: sync line, address: ASRL3::INSTR, serial_line: 9600 8N1, pattern: SYNC}": {50 * time.Millisecond, ""},
		"{by: sync line}":                   {50 * time.Millisecond, "needs an address"},
		"{by: key, address: ASRL3::INSTR}":  {500 * time.Millisecond, "marked by key has no address"},
		"{by: key, serial_line: 9600 8N1}":  {500 * time.Millisecond, "marked by key has no serial_line"},
		"{by: zero-span edge, pattern: UP}": {100 * time.Millisecond, "marked by zero-span edge has no pattern"},
	} {
		s, list := freeSweep(t, "mark: "+mark)
		if s.Within != want.within || (list.Err() == nil) != (want.told == "") || !strings.Contains(fmt.Sprint(list),
			want.told) {
			t.Errorf("%s: within %v, %v", mark, s.Within, list)
		}
	}
	for step, good := range map[string]bool{"0.5 %": true, "10 %": true, "10.1 %": false, "0 %": false} {
		if _, list := freeSweep(t, "confirm: {step: "+step+"}"); (list.Err() == nil) != good {
			t.Errorf("a step of %s: %v", step, list)
		}
	}
}

func TestASweepChangesHowAMonitorWatches(t *testing.T) {
	s, list := freeSweep(t, "monitors: {SHOWN: {silence: 5 s, latency: 1 s}, OTHER: {silence: 2 s}}")
	if list.Err() != nil || s.Plan.Monitors["SHOWN"] != (MonitorChange{Silence: rf.Duration(5e9),
		Latency: rf.Duration(1e9)}) || s.Plan.Monitors["OTHER"].Silence != rf.Duration(2e9) {
		t.Errorf("%+v, %v", s.Plan.Monitors, list)
	}
	if _, list := freeSweep(t, "monitors: {SHOWN: {tolerance: 1 kg}}"); list.Err() == nil {
		t.Error("a tolerance is taken")
	}
	if s, _ := freeSweep(t, ""); s.Plan.Monitors != nil {
		t.Errorf("%+v", s.Plan.Monitors)
	}
}

// Steps of 0.5 %: a band narrower than 2 % is widened to two steps on either side of its middle, 10.05 MHz less and
// more 1 %; one of just 2 % and a wider one stay. The dwell is half as long again as the longest latency, and 1 s at
// least; a dwell of the file goes before that.
func TestASteppedPlanGoesAroundEachBand(t *testing.T) {
	for _, c := range []struct {
		low, high         rf.Frequency
		wantLow, wantHigh float64
		latency           time.Duration
		confirm           string
		dwell             time.Duration
	}{
		{10e6, 10.1e6, 9.9495e6, 10.1505e6, 0, "", time.Second},
		{10e6, 10.2e6, 10e6, 10.2e6, 2 * time.Second, "", 3 * time.Second},
		{10e6, 12e6, 10e6, 12e6, 600 * time.Millisecond, "", time.Second},
		{10e6, 12e6, 10e6, 12e6, 2 * time.Second, "confirm: {step: 0.5 %, dwell: 1.5 s}", 1500 * time.Millisecond},
	} {
		s, list := freeSweep(t, "modulation: AM 80 % 1 kHz\nname: as received\n"+c.confirm)
		if list.Err() != nil {
			t.Fatal(list)
		}
		bands := []sweep.Band{{SearchLow: 1e6, SearchHigh: 2e6, LatencyMost: c.latency / 2},
			{SearchLow: c.low, SearchHigh: c.high, LatencyMost: c.latency}}
		p, wrong := Parse("stepped.yaml", []byte(s.Stepped(bands)), nil)
		if wrong.Err() != nil {
			t.Fatal(wrong)
		}
		if p.Kind != Exposure || p.Mode != ConstantDrive || p.Fixture != catalog.OnCable || p.Drive != s.Plan.Drive ||
			p.BenchFile != "bench.yaml" || p.Modulation != (level.Modulation{Kind: level.AM, Depth: 0.8, Rate: 1000}) ||
			s.Plan.Modulation != p.Modulation || p.Edges != 0.005 {
			t.Errorf("%+v", p)
		}
		if p.Dwell.Std() != c.dwell {
			t.Errorf("latency %v: a dwell of %v, want %v", c.latency, p.Dwell, c.dwell)
		}
		if len(p.Stretches) != 2 {
			t.Fatalf("%+v", p.Stretches)
		}
		from, to := p.Stretches[1].From.Hz()-c.wantLow, p.Stretches[1].To.Hz()-c.wantHigh
		if p.Stretches[0].From != 1e6 || p.Stretches[0].To != 2e6 || from > 0.1 || from < -1.1 || to < -0.1 ||
			to > 1.1 {
			t.Errorf("%v to %v: stepped %+v, want %.0f to %.0f", c.low, c.high, p.Stretches, c.wantLow, c.wantHigh)
		}
	}
	if _, list := freeSweep(t, "modulation: FM 80 %"); list.Err() == nil {
		t.Error("FM is taken")
	}
	s, _ := freeSweep(t, "")
	if text := s.Stepped([]sweep.Band{{SearchLow: 1e6, SearchHigh: 2e6}}); strings.Contains(text, "modulation") {
		t.Errorf("an unmodulated carrier is modulated:\n%s", text)
	}
}

// The whole span is held against every rating: 0 dBm and 40 dB make 40 dBm (compressed by
// 5·log10(1 + 10^((40 − 49.16)/5)) = 0.03 dB), 7 dB more than the clamp stands. In the second case the clamp is good
// for 100 kHz to 20 MHz only.
func TestASweepIsCheckedOverItsWholeSpan(t *testing.T) {
	b := testBench()
	b.Source.ByHand, b.Clamp.MaximumForward, b.Cable.MaximumCurrent = true, rf.DBm(33), rf.Amperes(5)
	s, list := freeSweep(t, "drive: 0 dBm")
	if list.Err() != nil {
		t.Fatal(list)
	}
	c, list := CheckSweep(s, chain.New(b))
	if list.Err() == nil || len(c.Refusals) != 1 || !strings.Contains(list.Err().Error(),
		"CLAMP1, clamp forward power: at 150 kHz 40.0 dBm average is 7.0 dB above the rating of 33.0 dBm; exceeded "+
			"at ") {
		t.Errorf("%v, %v", c.Refusals, list)
	}
	if len(c.Worst) == 0 || c.Worst[0].Node.Place != "clamp forward power" || c.Worst[0].Drive != s.Plan.Drive ||
		c.Worst[0].Node.Within {
		t.Errorf("the worst case is %+v", c.Worst)
	}
	if len(list) > 0 && list[0].Field != "drive" {
		t.Errorf("the refusal is about %q", list[0].Field)
	}
	b = testBench()
	b.Source.ByHand, b.Clamp.InsertionLoss = true, curve.Flat(rf.Gain(7), 100e3, 20e6, "narrow")
	if _, list := CheckSweep(s, chain.New(b)); list.Err() == nil || !strings.Contains(list.Err().Error(),
		"CLAMP1, insertion loss") || strings.Count(list.Err().Error(), "the sweep passes") != 1 {
		t.Errorf("%v", list)
	}
	b.Source.ByHand = false
	if _, list := CheckSweep(s, chain.New(b)); list.Err() == nil || !strings.Contains(list.Err().Error(),
		"is set by hand") {
		t.Errorf("%v", list)
	}
}
