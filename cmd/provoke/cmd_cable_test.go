package main

import (
	"bytes"
	"context"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"provoke/internal/faces/calculator/models"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/store"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

const cableFiles = "../../internal/model/cable/testdata/"

func cableRun(args ...string) (code int, stdout, stderr string) {
	var out, err bytes.Buffer
	w := &terminal.World{Ctx: context.Background(), Stdin: strings.NewReader(""), Stdout: &out, Stderr: &err,
		Now: time.Now}
	code = run(w, args)
	return code, out.String(), err.String()
}

func TestCablePrintsCurrentsResonancesAndTheCurrentAlong(t *testing.T) {
	figure := filepath.Join(t.TempDir(), "cable.svg")
	code, out, said := cableRun("cable", cableFiles+"belt-weigher-cable.yaml", "--along", "30 MHz", "--places",
		"5", "--svg", figure)
	if code != terminal.ExitDone || said != "" {
		t.Fatal(code, said)
	}
	for _, want := range []string{"into the AE", "probe to DUT", "resonances of the current at the DUT",
		"along the cable at 30 MHz", "clamp", "nickel-zinc is invented"} {
		if !strings.Contains(out, want) {
			t.Errorf("no %q in\n%s", want, out)
		}
	}
	if strings.Contains(out, "NaN") || strings.Contains(out, "Inf") {
		t.Error(out)
	}
	if svg, err := os.ReadFile(figure); err != nil || !bytes.Contains(svg, []byte("<svg")) {
		t.Error(err)
	}
}

func TestCableAsJSONHasEveryFrequencyOfTheFile(t *testing.T) {
	code, out, said := cableRun("cable", cableFiles+"belt-weigher-cable.yaml", "--json")
	if code != terminal.ExitDone {
		t.Fatal(code, said)
	}
	var got models.CableJSON
	if err := json.Unmarshal([]byte(out), &got); err != nil {
		t.Fatal(err)
	}
	if len(got.Points) != 401 || got.Points[0].DUT == nil || got.Points[0].DUT.Unit != "A" ||
		got.Points[0].Correction == nil || got.Estimate != nil || len(got.Resonances) == 0 {
		t.Errorf("%+v", got.Points[0])
	}
	if code, out, _ := cableRun("cable", cableFiles+"belt-weigher-cable.yaml", "--json", "--at",
		"27.12 MHz"); code != terminal.ExitDone || strings.Count(out, `"over_jig_db"`) < 1 {
		t.Error(code, out)
	}
}

func TestAProblemOfACableFileEndsWithItsExitCode(t *testing.T) {
	name := filepath.Join(t.TempDir(), "bad.yaml")
	if err := os.WriteFile(name, []byte("provoke: cable 1\nname: x\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if code, _, said := cableRun("cable", name); code != terminal.ExitProblems ||
		!strings.Contains(said, "nothing was done") {
		t.Error(code, said)
	}
	// The table of the sample's material ends at 200 MHz.
	if code, _, said := cableRun("cable", cableFiles+"belt-weigher-cable.yaml", "--at",
		"300 MHz"); code != terminal.ExitError || !strings.Contains(said, "not tabulated at 300 MHz") {
		t.Error(code, said)
	}
}

func TestDecouplingPrintsAndDraws(t *testing.T) {
	figure := filepath.Join(t.TempDir(), "decoupling.svg")
	code, out, said := cableRun("decoupling", cableFiles+"belt-weigher-decoupling.yaml", "--svg", figure)
	if code != terminal.ExitDone {
		t.Fatal(code, said)
	}
	for _, want := range []string{"share to the AE", "leave the order as it is", "common practice, not verified",
		"150 Ω"} {
		if !strings.Contains(out, want) {
			t.Errorf("no %q in\n%s", want, out)
		}
	}
	code, out, said = cableRun("decoupling", cableFiles+"belt-weigher-decoupling.yaml", "--json", "--at", "10 MHz")
	var got models.DecouplingJSON
	if err := json.Unmarshal([]byte(out), &got); code != terminal.ExitDone || err != nil {
		t.Fatal(code, said, err)
	}
	if len(got.Points) != 1 || got.Points[0].Stack == nil || len(got.Advice.Order) != 2 {
		t.Errorf("%+v", got)
	}
}

// A job with a run of which every reading is the sample cable's own gives the sample's figures back.
func TestCableFromARun(t *testing.T) {
	_, out, _ := cableRun("cable", cableFiles+"belt-weigher-cable.yaml", "--json")
	var truth models.CableJSON
	if err := json.Unmarshal([]byte(out), &truth); err != nil {
		t.Fatal(err)
	}
	name := filepath.Join(t.TempDir(), "run.provoke")
	writeRun(t, name, truth)
	code, out, said := cableRun("cable", cableFiles+"belt-weigher-cable.yaml", "--fit", name, "--free",
		"length to AE,DUT capacitance,loss", "--json", "--at", "10 MHz")
	if code != terminal.ExitDone {
		t.Fatal(code, said)
	}
	var got models.CableJSON
	if err := json.Unmarshal([]byte(out), &got); err != nil {
		t.Fatal(err)
	}
	if got.Estimate == nil || got.Estimate.Used < 60 || len(got.Estimate.Quantities) != 3 || !got.Estimate.Converged {
		t.Fatalf("%+v", got.Estimate)
	}
	for i, want := range []float64{1.4, 10e-9, 0.25} {
		if q := got.Estimate.Quantities[i]; q.Value == nil || math.Abs(*q.Value/want-1) > 1e-3 {
			t.Errorf("%+v, want %v", q, want)
		}
	}
	if len(got.Warnings) != 1 || !strings.Contains(got.Warnings[0].What, "not measured but predicted") {
		t.Errorf("%v", got.Warnings)
	}
	code, out, said = cableRun("cable", cableFiles+"belt-weigher-cable.yaml", "--fit", name)
	if code != terminal.ExitDone || !strings.Contains(out, "estimated from run 1") ||
		!strings.Contains(out, "95 % confidence") {
		t.Error(code, out, said)
	}
	if code, _, said := cableRun("cable", cableFiles+"belt-weigher-cable.yaml", "--fit", name, "--free",
		"weight"); code == terminal.ExitDone || !strings.Contains(said, "no quantity of a cable") {
		t.Error(code, said)
	}
}

// writeRun writes a job with one exposure at constant drive.
func writeRun(t *testing.T, name string, truth models.CableJSON) {
	t.Helper()
	job, err := store.Create(name)
	if err != nil {
		t.Fatal(err)
	}
	defer job.Close()
	start := time.Date(2026, 3, 1, 9, 0, 0, 0, time.UTC)
	run, err := job.NewRun(start, event.Opened{RunKind: plan.Exposure, Mode: plan.ConstantDrive, Label: "invented"})
	if err != nil {
		t.Fatal(err)
	}
	for i, p := range truth.Points {
		if i%5 != 0 {
			continue
		}
		f := rf.Frequency(p.Hz)
		step := plan.Step{Number: i + 1, Point: plan.Point{Frequency: f, Drive: rf.DBm(-10), Ceiling: rf.DBm(-10)},
			Purpose: plan.Sweep}
		closed := event.StepClosed{Step: step, Attempt: 1, Outcome: plan.Outcome{Number: i + 1, Exposures: 1},
			Drive:   rf.DBm(-10),
			Current: rf.Amperes(p.Probe.Value), Forward: rf.Watts(1), ForwardPredicted: i == 5}
		if _, err := run.Append(start.Add(time.Duration(i)*time.Second), event.Intent{Step: step, Attempt: 1},
			closed); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := run.Close(start.Add(time.Hour), event.Done, ""); err != nil {
		t.Fatal(err)
	}
}
