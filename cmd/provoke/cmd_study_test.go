package main

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"strings"
	"testing"

	"provoke/internal/bench/simbench"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

// studied makes a bench with a plan of one frequency in the middle of the first band, and returns that.
func studied(t *testing.T, lines ...string) (*workbench, float64) {
	t.Helper()
	b := newWorkbench(t, simbench.Config{Seed: 3})
	e := b.edges(simbench.Original)[0]
	hz := math.Round(math.Sqrt(e[0]*e[1])/1e4) * 1e4
	b.plan("exposure.yaml", hz, hz*1.01, "5 %",
		append([]string{strings.Replace(exposureLines, "AM 80 % 1 kHz carrier held", "CW", 1)}, lines...)...)
	return b, hz
}

func shape[T any](t *testing.T, text string) T {
	t.Helper()
	var v T
	if i := strings.Index(text, "{"); i >= 0 {
		if err := json.NewDecoder(strings.NewReader(text[i:])).Decode(&v); err != nil {
			t.Fatalf("%v\n%s", err, text)
		}
	}
	return v
}

// The whole way on the simulated bench: a staircase on a product that upsets at random, 40 exposures,
// and the truth of the bench within the limits.
func TestAThresholdStudyFindsTheLevelOfHalfTheUpsets(t *testing.T) {
	t.Parallel()
	b, hz := studied(t)
	b.sim.RandomOnset(1, 5)
	out := b.must(terminal.ExitDone, "study", "threshold", "j.provoke", "--plan", "exposure.yaml",
		"--at", fmt.Sprintf("%.0f Hz", hz), "--trials", "40", "--arm")
	for _, want := range []string{"Stated before the run: staircase at each frequency that upsets",
		"ends after 40 exposures", "Spread: scale of the probit", "A plain upward ramp"} {
		if !strings.Contains(out, want) {
			t.Errorf("%q is missing in\n%s", want, out)
		}
	}
	s := shape[struct {
		At []struct {
			Levels []struct{ Current, Low, High *rf.Quantity }
		}
		NotDeterministic []any `json:"not_deterministic"`
	}](t, b.must(terminal.ExitDone, "study", "threshold", "j.provoke", "--json"))
	truth := 20 * math.Log10(1e6*b.sim.Onset(simbench.Original, hz, simbench.Modulation{}))
	if len(s.At) != 1 || len(s.NotDeterministic) != 1 || len(s.At[0].Levels) != 1 {
		t.Fatalf("%+v", s)
	}
	l := s.At[0].Levels[0]
	dB := func(amperes float64) float64 { return 20 * math.Log10(amperes*1e6) }
	if l.Current == nil || math.Abs(dB(l.Current.Value)-truth) > 1.5 {
		t.Errorf("50 %% level %+v, truth %.2f dBµA", l.Current, truth)
	}
	if l.Low != nil && dB(l.Low.Value) > truth+0.3 || l.High != nil && dB(l.High.Value) < truth-0.3 {
		t.Errorf("limits %+v to %+v do not hold %.2f dBµA", l.Low, l.High, truth)
	}
	plan, err := os.ReadFile(b.path("exposure-threshold.yaml"))
	if err != nil || !strings.Contains(string(plan), "search: {method: staircase, trials: 40") {
		t.Errorf("the study's plan: %v\n%s", err, plan)
	}
	if f := b.must(terminal.ExitDone, "findings", "j.provoke"); !strings.Contains(f, "is not deterministic") ||
		!strings.Contains(f, "The onset lies from … to …") {
		t.Errorf("findings\n%s", f)
	}
}

func TestADwellStudyTellsTheDwellThatIsNeeded(t *testing.T) {
	t.Parallel()
	b, hz := studied(t)
	out := b.must(terminal.ExitDone, "study", "dwell", "j.provoke", "--plan", "exposure.yaml", "--at",
		fmt.Sprintf("%.0f Hz", hz), "--trials", "8", "--arm")
	for _, want := range []string{"Time to upset", "dut: {needed_dwell:", "exposures that would show it"} {
		if !strings.Contains(out, want) {
			t.Errorf("%q is missing in\n%s", want, out)
		}
	}
	s := shape[struct {
		At []struct {
			Exposures, Upsets int
			Needed            *float64 `json:"needed_s"`
			Dwell             float64  `json:"dwell_s"`
		}
	}](t, b.must(terminal.ExitDone, "study", "dwell", "j.provoke", "--json"))
	if len(s.At) != 1 || s.At[0].Exposures != 8 || s.At[0].Upsets != 8 || s.At[0].Needed == nil ||
		*s.At[0].Needed > s.At[0].Dwell {
		t.Errorf("%+v", s)
	}
}

// Band A of the simulated product rectifies the mean.
func TestAModulationStudySaysWhatTheProductAnswersTo(t *testing.T) {
	t.Parallel()
	b, hz := studied(t)
	truth := b.sim.Truth()
	want := ""
	for _, x := range truth.Bands {
		if math.Abs(math.Log(x.Cases[0].CentreHz/hz)) < 0.1 {
			want = x.RespondsTo
		}
	}
	out := b.must(terminal.ExitDone, "study", "modulation", "j.provoke", "--plan", "exposure.yaml",
		"--at", fmt.Sprintf("%.0f Hz", hz),
		"--modulation", "CW", "--modulation", "AM 80 % 1 kHz", "--modulation", "AM 30 % 1 kHz", "--arm")
	if !strings.Contains(out, "  "+want+": ") {
		t.Errorf("the truth is %q:\n%s", want, out)
	}
	s := shape[struct{ At []struct{ Results []any } }](t, b.must(terminal.ExitDone, "study", "modulation", "j.provoke",
		"--json"))
	if len(s.At) != 1 || len(s.At[0].Results) != 3 {
		t.Errorf("%+v", s)
	}
}

func TestARepeatStudyTellsSpreadAndDrift(t *testing.T) {
	t.Parallel()
	b, hz := studied(t, "search: {recovery: false}", fmt.Sprintf("drift_check: {at: %.0f Hz, every: 1}", 0.0))
	text, _ := os.ReadFile(b.path("exposure.yaml"))
	b.write("exposure.yaml", strings.Replace(string(text), "at: 0 Hz", fmt.Sprintf("at: %.0f Hz", hz), 1))
	out := b.must(terminal.ExitDone, "study", "repeat", "j.provoke", "--plan", "exposure.yaml", "--times", "3", "--arm")
	for _, want := range []string{"The same run again, runs 1, 2 and 3", "(3 runs)", "within its uncertainty of",
		"3 of 3"} {
		if !strings.Contains(out, want) {
			t.Errorf("%q is missing in\n%s", want, out)
		}
	}
	s := shape[struct {
		Runs  []int
		Drift []struct{ Drifted bool }
		Onset []struct {
			Deviation *float64 `json:"deviation_db"`
		}
	}](t, b.must(terminal.ExitDone, "study", "repeat", "j.provoke", "--json"))
	if len(s.Runs) != 3 || len(s.Drift) != 3 || s.Drift[0].Drifted || s.Onset[0].Deviation == nil ||
		*s.Onset[0].Deviation > 0.6 {
		t.Errorf("%+v", s)
	}
	u := b.must(terminal.ExitDone, "uncertainty", "bench.yaml", "--job", "j.provoke",
		"--at", fmt.Sprintf("%.0f Hz", hz), "--draws", "0")
	if !strings.Contains(u, "3 repeated runs") {
		t.Errorf("the uncertainty does not take up the repeats:\n%s", u)
	}
	// Asked to take the clamp off, the operator ends the study.
	code, asked, _ := b.do("study", "repeat", "k.provoke", "--plan", "exposure.yaml", "--times", "2", "--reclamp",
		"--arm")
	if code != terminal.ExitStopped || !strings.Contains(asked, "Take the clamp off the cable") {
		t.Errorf("code %d: %s", code, asked)
	}
}

func TestALaboratorysReportIsHeldAgainstTheBench(t *testing.T) {
	t.Parallel()
	b, hz := studied(t)
	b.must(terminal.ExitDone, "run", "exposure.yaml", "--job", "j.provoke", "--arm")
	b.sim.SetBuild(simbench.Fixed)
	b.must(terminal.ExitDone, "run", "exposure.yaml", "--job", "j.provoke", "--arm", "--changed", "capacitor")
	b.write("lab.yaml",
		fmt.Sprintf("provoke: laboratory 1\nlaboratory: invented\nfailures:\n  - {from: %.0f Hz, level: 3 V emf, "+
			"modulation: CW, what: reading jumps}\n  - {from: 60 MHz, level: 3 V/m, what: dark}\n", hz))
	out := b.must(terminal.ExitDone, "laboratory", "j.provoke", "lab.yaml", "--run", "1")
	for _, want := range []string{"reproduced (1 of 1 frequency upset)", "never exposed on the bench", "per V",
		"assumed: its report gives none", "a lower bound"} {
		if !strings.Contains(out, want) {
			t.Errorf("%q is missing in\n%s", want, out)
		}
	}
	s := shape[struct {
		BenchGuess bool `json:"bench_u_assumed"`
		Failures   []struct {
			Margin *float64 `json:"margin_db"`
		}
	}](t, b.must(terminal.ExitDone, "laboratory", "j.provoke", "lab.yaml", "--run", "1", "--json"))
	// One-sided 95 %: 1.645·√(u(bench)² + 1²) dB; the bench's standard uncertainty lies near 1 dB.
	if len(s.Failures) != 2 || *s.Failures[0].Margin < 1.7 || *s.Failures[0].Margin > 4 || s.BenchGuess {
		t.Errorf("%+v", s)
	}
	cmp := b.must(terminal.ExitDone, "compare", "j.provoke", "1", "2", "--laboratory", "lab.yaml")
	if !strings.Contains(cmp, "Fix not shown") || !strings.Contains(cmp, "run 2 exposed nothing there") {
		t.Errorf("compare\n%s", cmp)
	}
}
