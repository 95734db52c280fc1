package main

import (
	"bytes"
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"provoke/internal/terminal"
)

// planFolder copies the sample bench and plans into one folder, as a user has them.
func planFolder(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	for _, pattern := range []string{"../../internal/files/catalog/testdata/*",
		"../../internal/job/plan/testdata/*.yaml", "../../internal/job/plan/testdata/*.csv"} {
		files, err := filepath.Glob(pattern)
		if err != nil || len(files) == 0 {
			t.Fatalf("no files %s: %v", pattern, err)
		}
		for _, f := range files {
			data, err := os.ReadFile(f)
			if err != nil {
				continue // a folder
			}
			if err := os.WriteFile(filepath.Join(dir, filepath.Base(f)), data, 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
	return dir
}

func planRun(args ...string) (code int, stdout, stderr string) {
	var out, err bytes.Buffer
	w := &terminal.World{Ctx: context.Background(), Stdin: strings.NewReader(""), Stdout: &out, Stderr: &err,
		Now: time.Now}
	code = run(w, append([]string{"plan"}, args...))
	return code, out.String(), err.String()
}

func TestEverySamplePlanIsSoundOnTheSampleBench(t *testing.T) {
	dir := planFolder(t)
	for _, name := range []string{"exposure", "baseline", "control", "calibration", "substitution", "constant-drive",
		"laboratory-report", "own-curve"} {
		code, stdout, stderr := planRun(filepath.Join(dir, name+".yaml"), "--points")
		if code != terminal.ExitDone || !strings.Contains(stdout, "nothing is switched on") || !strings.Contains(stdout,
			"duration") {
			t.Errorf("%s: exit code %d\n%s%s", name, code, stdout, stderr)
		}
		if strings.Contains(stdout, "NaN") || strings.Contains(stdout, "Inf") {
			t.Errorf("%s prints what is no number:\n%s", name, stdout)
		}
	}
}

func TestADryRunNamesLevelMeaningModulationAndWorstCase(t *testing.T) {
	_, stdout, _ := planRun(filepath.Join(planFolder(t), "exposure.yaml"))
	for _, want := range []string{"exposure, closed loop, on the cable", "r.m.s. current of the unmodulated carrier",
		"AM 80 % 1 kHz carrier held",
		"crest 5.1 dB against the level", "AMP1 amplifier input", "headroom", "edges of failing bands to 0.2 %",
		"duration", "assumed: ", "10 % of the frequencies fail"} {
		if !strings.Contains(stdout, want) {
			t.Errorf("%q is missing in\n%s", want, stdout)
		}
	}
}

func TestAPlanThatARatingRefusesEndsWithCodeFour(t *testing.T) {
	dir := planFolder(t)
	data, err := os.ReadFile(filepath.Join(dir, "constant-drive.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(dir, "too-much.yaml")
	if err := os.WriteFile(file, bytes.Replace(data, []byte("drive: -14 dBm"), []byte("drive: 20 dBm"), 1),
		0o644); err != nil {
		t.Fatal(err)
	}
	code, _, stderr := planRun(file)
	// 20 dBm through the 20 dB pad with a crest of 5.1 dB is 5.1 dBm at an input rated 3 dBm.
	if code != terminal.ExitRefused || !strings.Contains(stderr, "AMP1, amplifier input") ||
		!strings.Contains(stderr, "above the rating of 3.0 dBm") {
		t.Errorf("exit code %d\n%s", code, stderr)
	}
	code, stdout, _ := planRun(file, "--json")
	var shape struct {
		Refusals []struct {
			ID, Place string
			Hz        float64
			Over      struct {
				Value float64
				Unit  string
			}
		}
	}
	if err := json.Unmarshal([]byte(stdout), &shape); err != nil || code != terminal.ExitRefused {
		t.Fatalf("exit code %d, %v", code, err)
	}
	for _, r := range shape.Refusals {
		if r.ID == "AMP1" && r.Place == "amplifier input" && r.Hz > 0 && r.Over.Value > 2.55 && r.Over.Value < 2.7 &&
			r.Over.Unit == "dB" {
			return
		}
	}
	t.Errorf("the amplifier's input is not among %+v", shape.Refusals)
}

func TestAFaultInAPlanEndsWithCodeThreeAndItsPlace(t *testing.T) {
	file := filepath.Join(planFolder(t), "fault.yaml")
	text := "provoke: plan 1\nbench: belt-weigher.yaml\nkind: exposure\nlevel: 60\ngrid: [{list: [1 MHz]}]\n"
	if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	if code, _, stderr := planRun(file); code != terminal.ExitProblems || !strings.Contains(stderr, "fault.yaml:4:8") {
		t.Errorf("exit code %d\n%s", code, stderr)
	}
}

func TestTheDryRunInJSONHasItsDocumentedNames(t *testing.T) {
	code, stdout, stderr := planRun(filepath.Join(planFolder(t), "exposure.yaml"), "--json", "--points")
	var shape map[string]any
	if err := json.Unmarshal([]byte(stdout), &shape); err != nil || code != terminal.ExitDone {
		t.Fatalf("exit code %d, %v\n%s", code, err, stderr)
	}
	for _, name := range []string{"name", "file", "hash", "kind", "mode", "fixture", "profile", "modulation",
		"grid", "dwell", "settle",
		"edges", "search", "worst", "refusals", "unreachable", "duration", "notes", "problems", "points"} {
		if _, ok := shape[name]; !ok {
			t.Errorf("%q is missing", name)
		}
	}
	if points, _ := shape["points"].([]any); len(points) != 220 {
		t.Errorf("%d points, want the 220 of the grid", len(points))
	}
}
