package plan

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"provoke/internal/units/rf"
)

// ownPlan is a plan as a person wrote it, with comments.
const ownPlan = `provoke: plan 1
# of the belt weigher
name: as received   # before any fix
bench: bench.yaml
kind: exposure
level: 60 mA
grid:
  # the range of the standard
  - {from: 1 MHz, to: 10 MHz, step: 1 %}
  - {from: 10 MHz, to: 80 MHz, steps_of: iec-61000-4-6}
  - {list: [27.12 MHz]}      # the plant's own
  - {around: [40.68 MHz], span: 2 %, step: 0.2 %}
modulation: AM 80 % 1 kHz
dwell: 2 s   # the weigher's cycle
edges: 0.2 %
search: {onset: true, recovery: true, resolution: 0.5 dB, range: 30 dB, method: staircase, trials: 40}
drift_check: {at: 10 MHz, every: 50}
recover_within: 4 s
monitors: {SHOWN: {tolerance: 0.1 kg}}
# to be asked: the length of the cable
`

func ownPlanParsed(t *testing.T, from, to string) *Plan {
	t.Helper()
	text := strings.Replace(ownPlan, from, to, 1)
	if from != "" && text == ownPlan {
		t.Fatalf("%q is not in the plan", from)
	}
	p, list := Parse("dir/own.yaml", []byte(text), readTestdata)
	if err := list.Err(); err != nil {
		t.Fatal(err)
	}
	return p
}

func TestAQuickLookIsThePlanInCoarseSteps(t *testing.T) {
	p := ownPlanParsed(t, "", "")
	l, err := QuickLook(p, testBench(), []rf.Frequency{41e6, 100e6, 27.13e6, 27.2e6, 3e6})
	if err != nil {
		t.Fatal(err)
	}
	t.Log(l.Text)
	q := l.Plan
	if q.Name != "as received, quick look" || q.Dwell != p.Dwell || q.RecoverWithin != p.RecoverWithin ||
		q.Modulation != p.Modulation || q.BenchFile != p.BenchFile || q.Profile.ID != p.Profile.ID ||
		len(q.Monitors) != 1 {
		t.Errorf("it is not the plan any more: %+v", q)
	}
	if s := q.Search; !s.Onset || s.Recovery || s.Resolution != 3 || s.Confirm != 0 || s.Range != 30 ||
		s.Method != Bracket || q.Edges != 0 || q.Drift.At.Known() {
		t.Errorf("search %+v, edges %v, drift %+v", s, q.Edges, q.Drift)
	}
	// 27.2 MHz is within half a per cent of 27.13 MHz, and 100 MHz is outside of the plan.
	if got := fmt.Sprint(q.First, l.Left); got != "[41 MHz 27.13 MHz 3 MHz] [100 MHz]" {
		t.Error(got)
	}
	for _, f := range []rf.Frequency{1e6, 80e6, 27.12e6, 40.68e6} {
		if !slices.Contains(q.Grid, f) {
			t.Errorf("%v is not visited: %v", f, q.Grid)
		}
	}
	if len(q.Stretches) != 1 || math.Abs(float64(q.Stretches[0].Step/l.Step)-1) > 1e-6 {
		t.Errorf("steps of %v: %v", l.Step, q.Stretches)
	}
	for _, kept := range []string{"# of the belt weigher\n", "# before any fix\n", "# the weigher's cycle\n",
		"# to be asked: the length of the cable\n", "\n# " + strings.Join(l.Says, "\n# ") + "\n"} {
		if !strings.Contains(l.Text, kept) {
			t.Errorf("%q is lost:\n%s", kept, l.Text)
		}
	}
	if got := strings.Join(l.Says, " "); !strings.Contains(got, fmt.Sprintf("%d frequencies in steps of 8 %%, about",
		len(q.Grid))) || !strings.Contains(got, "first: 41 MHz, 27.13 MHz, 3 MHz.") ||
		!strings.Contains(got, "does not reach there: 100 MHz.") {
		t.Error(got)
	}
	again, list := Parse("own-quick.yaml", []byte(l.Text), readTestdata)
	if list.Err() != nil || !slices.Equal(again.Grid, q.Grid) {
		t.Errorf("its text is read as another plan: %v", list.Err())
	}
}

// The step is the finest that keeps five minutes, never finer than the plan's own, and never wider than 25 % for it.
func TestTheStepOfAQuickLookFollowsFromTheTimeThatItTakes(t *testing.T) {
	for _, c := range []struct {
		from, to string
		want     rf.Fraction
		within   bool
	}{
		{"dwell: 2 s", "dwell: 100 ms", 0.03, true},
		{"", "", 0.08, true},
		{"dwell: 2 s", "dwell: 60 s", 0.25, false},
		{"step: 1 %}\n  - {from: 10 MHz, to: 80 MHz, steps_of: iec-61000-4-6}", "step: 30 %}", 0.29, true},
		{"step: 1 %}\n  - {from: 10 MHz, to: 80 MHz, steps_of: iec-61000-4-6}", "step: 1 %}", 0.04, true},
		// 180 steps of 50 kHz are 1.3 % on average, however wide the first of them.
		{"step: 1 %}\n  - {from: 10 MHz, to: 80 MHz, steps_of: iec-61000-4-6}", "step: 50 kHz}", 0.04, true},
	} {
		l, err := QuickLook(ownPlanParsed(t, c.from, c.to), testBench(), nil)
		if err != nil {
			t.Fatal(err)
		}
		t.Logf("figure: quick look with %q: steps of %v, %d frequencies, %v", c.to, l.Step, len(l.Plan.Grid),
			l.Duration)
		if math.Abs(float64(l.Step-c.want)) > 1e-9 || (l.Duration.Likely <= rf.Duration(300e9)) != c.within {
			t.Errorf("%q: steps of %v and %v; want %v", c.to, l.Step, l.Duration.Likely, c.want)
		}
	}
}

func TestWhatHasNoQuickLook(t *testing.T) {
	for _, c := range []struct{ from, to, want string }{
		{"kind: exposure", "kind: baseline", "kind baseline"},
		{ownPlan[strings.Index(ownPlan, "grid:"):strings.Index(ownPlan, "modulation:")],
			"grid: [{list: [10 MHz, 27.12 MHz]}]\n", "single frequencies only"},
	} {
		_, err := QuickLook(ownPlanParsed(t, c.from, c.to), testBench(), nil)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%q: %v", c.to, err)
		}
	}
}

func TestACloseLookIsThePlanWithinSpans(t *testing.T) {
	p := ownPlanParsed(t, "drift_check", "first: [2 MHz]\ndrift_check")
	l, err := CloseLook(p, []Span{{26e6, 30e6, "band 2"}, {0.9e6, 1.1e6, "band 1"}, {29e6, 33.34e6, "laboratory"},
		{40e6, 41e6, "band 3"}, {200e6, 210e6, "outside"}})
	if err != nil {
		t.Fatal(err)
	}
	t.Log(l.Text)
	if got, want := l.Text[strings.Index(l.Text, "grid:"):strings.Index(l.Text, "modulation:")], `grid:
  - {from: 1 MHz, to: 1.1 MHz, step: 1 %}   # band 1
  - {from: 26 MHz, to: 33.34 MHz, steps_of: iec-61000-4-6}   # band 2; laboratory
  - {list: [27.12 MHz]}
  - {from: 40 MHz, to: 41 MHz, steps_of: iec-61000-4-6}   # band 3
  - {around: [40.68 MHz], span: 2 %, step: 0.2 %}
`; got != want {
		t.Errorf("%s\nwant\n%s", got, want)
	}
	if got := Spans(l.Left); got != "1.1 MHz to 26 MHz, 33.34 MHz to 40 MHz, 41 MHz to 80 MHz" {
		t.Errorf("left out %s", got)
	}
	q := l.Plan
	if q.Search != p.Search || q.Edges != p.Edges || q.First != nil || q.Drift.At.Known() ||
		q.Name != "as received, close look" || !strings.Contains(l.Text, "\n# Left out: "+Spans(l.Left)+".\n") ||
		!strings.Contains(l.Text, fmt.Sprintf("%d frequencies in its own steps, where it has %d.", len(q.Grid),
			len(p.Grid))) {
		t.Errorf("%s", l.Text)
	}
	for _, f := range q.Grid[1:] {
		i, _ := slices.BinarySearch(q.Grid, f)
		if step := f/q.Grid[i-1] - 1; step > 0.0101 && !(f == 26e6 || f == 40e6) && f < 39.8e6 {
			t.Errorf("a step of %v below %v", rf.Fraction(step), f)
		}
	}
	if _, err := CloseLook(p, []Span{{200e6, 210e6, "outside"}}); err == nil {
		t.Error("a close look at nothing was made")
	}
	if _, err := CloseLook(ownPlanParsed(t, "kind: exposure", "kind: baseline"), []Span{{1e6, 2e6, ""}}); err == nil {
		t.Error("a close look without RF was made")
	}
	all, err := CloseLook(p, []Span{{0.9e6, 90e6, "everything"}})
	if err != nil || len(all.Left) != 0 || !strings.Contains(all.Text, "Left out: nothing.") ||
		len(all.Plan.Grid) != len(p.Grid)-1 { // 2 MHz was there to be first only
		t.Errorf("%v, %d of %d, left %v", err, len(all.Plan.Grid), len(p.Grid), all.Left)
	}
}
