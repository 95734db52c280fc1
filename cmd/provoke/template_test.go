package main

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"provoke/internal/bench/simbench"
	"provoke/internal/terminal"
)

// What a run needs `provoke bench` asks for: the template, with its blanks filled in and nothing else, is opened by
// every kind of plan, and a run of each ends as it should.
func TestEveryKindOfPlanRunsOnTheTemplate(t *testing.T) {
	if testing.Short() {
		t.Skip("short")
	}
	doc, err := os.ReadFile("../../docs/first-evening.md")
	if err != nil {
		t.Fatal(err)
	}
	fields := regexp.MustCompile(`(?m)^   ([a-z_]+)\.([a-z_]+): (.*)$`).FindAllStringSubmatch(string(doc), -1)
	const least = "provoke: plan 1\nbench: bench.yaml\ngrid:\n  - {list: [2 MHz, 5 MHz]}\ndwell: 150 " +
		"ms\nrecover_within: 2 s\n"
	for name, c := range map[string]struct {
		fixture simbench.Fixture
		plan    string
	}{
		"baseline": {simbench.Cable, "kind: baseline\nlevel: 1 mA\n"},
		"exposure": {simbench.Cable, "kind: exposure\nlevel: 1 mA\nmodulation: AM 80 % 1 kHz\n"},
		"control":  {simbench.Cable, "kind: control\nlevel: 1 mA\nmodulation: AM 80 % 1 kHz\n"},
		"constant drive": {simbench.Cable,
			"kind: exposure\nmode: constant drive\ndrive: 5 mVpp\nmodulation: AM 80 % 1 kHz\n"},
		"calibration": {simbench.Jig50, "kind: calibration\nfixture: jig50\nlevel: 1 mA\n"},
	} {
		t.Run(strings.ReplaceAll(name, " ", "-"), func(t *testing.T) {
			t.Parallel()
			sim := simbench.New(simbench.Config{Speed: 40, Fixture: c.fixture})
			defer sim.Close()
			if err := sim.Listen("127.0.0.1:0"); err != nil {
				t.Fatal(err)
			}
			dir := t.TempDir()
			file, job := filepath.Join(dir, "bench.yaml"), filepath.Join(dir, "j.provoke")
			planFile := filepath.Join(dir, "p.yaml")
			if code, _, errs := benchRun("new", dir); code != terminal.ExitDone {
				t.Fatal(errs)
			}
			at := map[string]string{}
			section := ""
			for line := range strings.Lines(string(sim.BenchFile())) {
				if m := regexp.MustCompile(`^([a-z_]+):`).FindStringSubmatch(line); m != nil {
					section = m[1]
				}
				if m := regexp.MustCompile(`^ +address: (\S+)`).FindStringSubmatch(line); m != nil &&
					at[section] == "" {
					at[section] = m[1]
				}
			}
			var own [][]string
			for _, f := range fields {
				own = append(own, append([]string(nil), f...))
				if f[2] == "address" {
					if own[len(own)-1][3] = at[f[1]]; at[f[1]] == "" {
						t.Fatalf("the simulated bench has no address for %s", f[1])
					}
				}
			}
			typeIn(t, file, own)
			if name == "constant drive" { // which bench asks for: an amplifier's gain that was measured
				text, _ := os.ReadFile(file)
				os.WriteFile(file, []byte(strings.Replace(string(text), "  # gain_measured:",
					"  gain_measured:", 1)), 0o644)
			}
			if err := os.WriteFile(planFile, []byte(least+c.plan), 0o644); err != nil {
				t.Fatal(err)
			}
			if code, out, errs := benchRun("bench", file); code != terminal.ExitDone {
				t.Fatalf("%d %s%s", code, out, errs)
			}
			var out bytes.Buffer
			w := &terminal.World{Ctx: t.Context(), Stdin: strings.NewReader(""), Stdout: &out, Stderr: &out,
				Now: time.Now}
			if code := run(w, []string{"run", planFile, "--job", job, "--arm"}); code != terminal.ExitDone ||
				!strings.Contains(out.String(), "done: 0 of ") {
				t.Errorf("exit code %d\n%s", code, out.String())
			}
			if abuses := sim.Abuses(); len(abuses) > 0 {
				t.Error(fmt.Sprint(abuses))
			}
		})
	}
}
