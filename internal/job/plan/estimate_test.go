package plan

import (
	"math"
	"strings"
	"testing"
	"time"

	"provoke/internal/files/catalog"
	"provoke/internal/model/level"
	"provoke/internal/units/rf"
)

// Each case leaves little but one term, worked out by hand from what the fields of pace say; x is one exchange. An
// exposure in closed loop without corrections and without modulation is one setting with its settling, one reading
// and RF off: 3x and the dwell. The run adds 30x.
func TestTheTermsOfADuration(t *testing.T) {
	second := rf.Duration(1e9)
	one := func(p *Plan) {
		p.Grid, p.Dwell, p.Settle, p.Modulation, p.RecoverWithin = []rf.Frequency{1e6}, 0, 0, level.Modulation{}, 0
	}
	three := func(p *Plan) { // 10 % apart
		one(p)
		p.Grid, p.Dwell = []rf.Frequency{1e6, 1.1e6, 1.21e6}, second
	}
	latencies := func(b *catalog.Bench) {
		b.Monitors = []catalog.Monitor{{Kind: catalog.MonitorText, Latency: 2 * second},
			{Kind: catalog.MonitorText, Latency: second}}
	}
	for name, c := range map[string]struct {
		plan  []func(*Plan)
		bench func(*catalog.Bench)
		pace  pace
		want  time.Duration
	}{
		"nothing":                   {plan: []func(*Plan){one}, want: 0},
		"30x and an exposure of 3x": {plan: []func(*Plan){one}, pace: pace{exchange: second}, want: 33 * time.Second},
		"a second correction": {plan: []func(*Plan){one}, pace: pace{exchange: second, corrections: 2},
			want: (30 + 3 + 3 + 1) * time.Second},
		"modulation": {plan: []func(*Plan){one,
			func(p *Plan) { p.Modulation = level.Modulation{Kind: level.AM, Depth: 0.8, Rate: 1000} }},
			pace: pace{exchange: second}, want: 34 * time.Second},
		"two settings and readings": {plan: []func(*Plan){one, func(p *Plan) { p.Mode = ConstantDrive }},
			pace: pace{exchange: second}, want: (30 + 2 + 2 + 1) * time.Second},
		"a calibration is levelled": {plan: []func(*Plan){one,
			func(p *Plan) { p.Mode, p.Kind = ConstantDrive, Calibration }}, pace: pace{exchange: second},
			want: 33 * time.Second},
		"a power meter is read too": {plan: []func(*Plan){one},
			bench: func(b *catalog.Bench) { b.PowerMeter = &catalog.PowerMeter{} }, pace: pace{exchange: second},
			want: 34 * time.Second},
		"an analyser read by hand": {plan: []func(*Plan){one},
			bench: func(b *catalog.Bench) { b.Analyser = &catalog.Analyser{}; b.Analyser.ByHand = true },
			pace:  pace{exchange: second, person: 10 * second}, want: (30 + 1 + 10 + 1) * time.Second},
		"an analyser that is wired": {plan: []func(*Plan){one},
			bench: func(b *catalog.Bench) { b.Analyser = &catalog.Analyser{} },
			pace:  pace{exchange: second, person: 10 * second}, want: 33 * time.Second},
		"an upset waits and 4x": {plan: []func(*Plan){one}, pace: pace{exchange: second, failing: 1, exposures: 1,
			upsets: 10}, want: (33 + 10*4) * time.Second},
		"an upset waits to recover": {plan: []func(*Plan){one, func(p *Plan) { p.RecoverWithin = 10 * second }},
			pace: pace{recovery: 0.5, failing: 1, exposures: 1, upsets: 2}, want: 10 * time.Second},
		"more exposures of a search": {plan: []func(*Plan){three}, pace: pace{failing: 0.3, exposures: 8},
			want: (3 + 7) * time.Second},
		"without a confirmation": {plan: []func(*Plan){three, func(p *Plan) { p.Search.Confirm = 0 }},
			pace: pace{failing: 0.3, exposures: 8}, want: (3 + 7) * time.Second}, // the recovery level confirms
		"three confirmations that upset": {plan: []func(*Plan){one,
			func(p *Plan) { p.Search.Confirm, p.RecoverWithin = 3, 10*second }},
			pace: pace{recovery: 0.5, failing: 1, exposures: 1, upsets: 2}, want: 20 * time.Second},
		"without a recovery level": {plan: []func(*Plan){three, func(p *Plan) { p.Search.Recovery = false }},
			pace: pace{failing: 0.3, exposures: 8}, want: (3 + 5) * time.Second},
		"the confirmation upsets without it": {plan: []func(*Plan){one,
			func(p *Plan) { p.Search.Recovery, p.RecoverWithin = false, 10*second }},
			pace: pace{recovery: 0.5, failing: 1, exposures: 1, upsets: 2}, want: 10 * time.Second},
		"no search": {plan: []func(*Plan){three, func(p *Plan) { p.Search.Onset = false }},
			pace: pace{failing: 0.3, exposures: 8}, want: 3 * time.Second},
		"a control run searches too": {plan: []func(*Plan){three, func(p *Plan) { p.Kind = Control }},
			pace: pace{failing: 0.3, exposures: 8}, want: (3 + 7) * time.Second},
		"a check point after each": {plan: []func(*Plan){three,
			func(p *Plan) { p.Drift = Drift{At: 1e6, Every: 1} }}, want: (3 + 1 + 3) * time.Second},
		"a check point after any two": {plan: []func(*Plan){three,
			func(p *Plan) { p.Drift = Drift{At: 1e6, Every: 2} }}, want: (3 + 1 + 2) * time.Second},
		// A text monitor's line comes after a tenth of its silence limit, 2 s: it lengthens the dwell of 1 s, and four
		// periods are the product's baseline.
		"a text monitor": {plan: []func(*Plan){three}, bench: func(b *catalog.Bench) {
			b.Monitors = []catalog.Monitor{{Kind: catalog.MonitorText, Silence: 20 * second}}
		}, pace: pace{line: 0.1}, want: (3*2 + 2) * time.Second},
		"messages of a topic": {plan: []func(*Plan){three}, bench: func(b *catalog.Bench) {
			b.Monitors = []catalog.Monitor{{Kind: catalog.MonitorMQTT, Silence: 20 * second}}
		}, pace: pace{line: 0.1}, want: (3*2 + 2) * time.Second},
		// Edges of 1 % in steps of 10 %: halved log2(10) times, rounded up 4, at either side of one band: 8 exposures,
		// of
		// which every other upsets.
		"edges are exposed": {plan: []func(*Plan){three, func(p *Plan) { p.Edges = 0.01 }},
			pace: pace{failing: 0.3, exposures: 1}, want: (3 + 8) * time.Second},
		"edges wider than the grid's steps": {plan: []func(*Plan){three, func(p *Plan) { p.Edges = 0.2 }},
			pace: pace{failing: 0.3, exposures: 1}, want: 3 * time.Second},
		// The slowest monitor's latency of 2 s is waited for after the dwell; half of it where nothing is waited for
		// but a
		// quarter of a period.
		"latency": {plan: []func(*Plan){three}, bench: latencies, pace: pace{look: 0.5},
			want: 3 * (1 + 2) * time.Second},
		"half of it": {plan: []func(*Plan){three}, bench: latencies, pace: pace{look: 0.25},
			want: 3 * (1 + 1) * time.Second},
		"once at most": {plan: []func(*Plan){three}, bench: latencies, pace: pace{look: 1},
			want: 3 * (1 + 2) * time.Second},
		// 30 exposures more at the one frequency that fails, and half of them upset.
		"a staircase is exposed": {plan: []func(*Plan){three,
			func(p *Plan) { p.Search.Method, p.Search.Trials = Staircase, 30 }}, pace: pace{failing: 0.3, exposures: 1},
			want: (3 + 30) * time.Second},
		"a staircase upsets": {plan: []func(*Plan){one,
			func(p *Plan) { p.Search.IfRandom, p.Search.Trials, p.RecoverWithin = Staircase, 30, 10*second }},
			pace: pace{failing: 1, exposures: 1, recovery: 1}, want: 150 * time.Second},
		"edges upset": {plan: []func(*Plan){three, func(p *Plan) { p.Edges, p.RecoverWithin = 0.01, 100*second }},
			// 3 + 8 + 4·100 s, told to two digits
			pace: pace{failing: 0.3, exposures: 1, recovery: 1}, want: 410 * time.Second},
	} {
		b := testBench()
		b.Monitors = nil
		if c.bench != nil {
			c.bench(b)
		}
		p := checkedPlan(nil)
		for _, change := range c.plan {
			change(p)
		}
		if got := (estimate{plan: p, bench: b}).at(c.pace).Std(); got != c.want {
			t.Errorf("%s: %v, want %v", name, got, c.want)
		}
	}
}

// What is assumed of a search is what it takes on smooth bands: at a failing frequency, beyond its first exposure, and
// the cautious neighbours counted with it. The figures are those of one tuned circuit over a decade; a run may take a
// half more or less.
func TestASearchTakesAboutAsManyExposuresAsTheEstimateAssumes(t *testing.T) {
	for name, c := range map[string]struct {
		step   float64
		search Search
	}{
		"to 0.5 dB with recovery":        {1, DefaultSearch()},
		"a coarse grid":                  {10, DefaultSearch()},
		"no recovery, no confirmation":   {10, Search{Onset: true, Resolution: 3}.Filled()},
		"no recovery, two confirmations": {10, Search{Onset: true, Resolution: 3, Confirm: 2}.Filled()},
	} {
		exposures, upsets, failing := 0, 0, 0
		for _, depth := range []float64{4, 9, 15} {
			p := testPlan(grid(10e6, c.step, int(math.Log(10)/math.Log(1+c.step/100))))
			p.Search = c.search
			g, all := carryOut(t, p, resonance(30e6, depth, 5, 2))
			for _, r := range all {
				exposures += r.Outcome.Exposures
				if r.Outcome.Upset {
					upsets++
				}
			}
			exposures -= len(p.Grid)
			for _, th := range g.Thresholds() {
				if th.Upset {
					failing++
				}
			}
		}
		e := estimate{plan: &Plan{Search: c.search}}
		each, upset := e.searched(likely)
		got, gotUpset := 1+float64(exposures)/float64(failing), float64(upsets)/float64(failing)
		t.Logf("figure: %s: %.1f exposures at a failing frequency, %.1f upset; assumed %d and %d", name, got, gotUpset,
			each, upset)
		if got > 1.5*float64(each) || got < 0.5*float64(each) || gotUpset > float64(upset)+1 ||
			gotUpset < float64(upset)-1.5 {
			t.Errorf("%s: %.1f exposures, %.1f upset; assumed %d and %d", name, got, gotUpset, each, upset)
		}
	}
}

// What an estimate rests on is said, and nothing else.
func TestAnEstimateSaysWhatItAssumes(t *testing.T) {
	const byHand, period, fails = "a person sets or reads", "lengthened to the slowest monitor's period (4 s;",
		"of the frequencies fail"
	for name, c := range map[string]struct {
		plan  func(*Plan)
		bench func(*catalog.Bench)
		says  []string
	}{
		"plain":          {nil, nil, []string{fails}},
		"control":        {func(p *Plan) { p.Kind = Control }, nil, []string{fails}},
		"no search":      {func(p *Plan) { p.Search.Onset = false }, nil, nil},
		"calibration":    {func(p *Plan) { p.Kind = Calibration }, nil, nil},
		"source by hand": {nil, func(b *catalog.Bench) { b.Source.ByHand = true }, []string{byHand, fails}},
		"analyser by hand": {nil, func(b *catalog.Bench) { b.Analyser = &catalog.Analyser{}; b.Analyser.ByHand = true },
			[]string{byHand, fails}},
		"slow monitor": {nil, func(b *catalog.Bench) {
			b.Monitors = []catalog.Monitor{{Kind: catalog.MonitorCommand, Every: rf.Duration(4e9)}}
		}, []string{period, fails}},
	} {
		words := durations(c.plan, func(b *catalog.Bench) {
			b.Monitors = nil
			if c.bench != nil {
				c.bench(b)
			}
		}).Words()
		for _, w := range []string{byHand, period, fails} {
			want := false
			for _, s := range c.says {
				want = want || s == w
			}
			if strings.Contains(words, w) != want {
				t.Errorf("%s: %q says %q: want %v", name, words, w, want)
			}
		}
	}
}

// A quarter of the time on: 30 s off make good 10 s on, as 10 s on want 30 s off.
func TestATimeOffMakesGoodATimeOn(t *testing.T) {
	l := OnTime{Longest: rf.Duration(time.Minute), Share: 0.25}
	if on := l.Recovered(30 * time.Second); on != 10*time.Second || l.Rest(on) != 30*time.Second {
		t.Errorf("%v on, %v off", on, l.Rest(on))
	}
	if on := (OnTime{Share: 1}).Recovered(time.Millisecond); on < 24*365*time.Hour {
		t.Errorf("what may be on all the time recovers %v in 1 ms", on)
	}
}
