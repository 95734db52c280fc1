package main

import (
	"os"
	"strings"
	"testing"

	"provoke/internal/bench/simbench"
	"provoke/internal/terminal"
)

func TestAnEMFLevelIsNotReplayedFromAFiftyOhmJig(t *testing.T) {
	t.Parallel()
	b := newWorkbench(t, simbench.Config{Seed: 2, Fixture: simbench.Jig50})
	b.plan("calibrate.yaml", 1e6, 10e6, "30 %", "kind: calibration\nfixture: jig50")
	b.must(terminal.ExitDone, "run", "calibrate.yaml", "--job", "j.provoke", "--arm")
	b.sim.SetFixture(simbench.Cable)
	b.plan("replay.yaml", 1e6, 10e6, "30 %", "kind: exposure\nmode: substitution\nmodulation: CW")
	if out := b.must(terminal.ExitDone, "plan", "replay.yaml", "--job", "j.provoke"); !strings.Contains(out,
		"calibration run 1 of ") || !strings.Contains(out, "in the jig jig50 (loop impedance 100 Ω)") {
		t.Errorf("the dry run does not name the calibration that it replays\n%s", out)
	}
	const other = "calibration run 1 was made with another bench file"
	if out := b.must(terminal.ExitDone, "run", "replay.yaml", "--job", "j.provoke", "--arm"); strings.Contains(out,
		other) {
		t.Errorf("the bench file is the same\n%s", out)
	}
	b.write("bench.yaml", string(b.sim.BenchFile())+"# looked at again\n")
	for _, args := range [][]string{{"plan", "replay.yaml", "--job", "j.provoke"},
		{"run", "replay.yaml", "--job", "j.provoke", "--arm"}} {
		if out := b.must(terminal.ExitDone, args...); !strings.Contains(out, other) {
			t.Errorf("%s does not tell of the other bench file\n%s", args[0], out)
		}
	}
	b.plan("emf.yaml", 1e6, 10e6, "30 %", "kind: exposure\nmode: substitution\nmodulation: CW")
	text, _ := os.ReadFile(b.path("emf.yaml"))
	b.write("emf.yaml", strings.Replace(string(text), "level: 10 mA", "level: 3 V emf", 1))
	code, _, errs := b.do("run", "emf.yaml", "--job", "j.provoke", "--arm")
	if code == terminal.ExitDone || !strings.Contains(errs, "300 Ω") {
		t.Errorf("code %d: %s", code, errs)
	}
}
