package main

import (
	"bytes"
	"context"
	"encoding/json"
	"flag"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"provoke/internal/files/catalog"
	"provoke/internal/files/trace"
	"provoke/internal/job/event"
	"provoke/internal/job/fixing"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/job/store"
	"provoke/internal/model/level"
	"provoke/internal/run/session"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

var updateModels = flag.Bool("update-models", false, "rewrite testdata/models")

func modelRun(args ...string) (code int, stdout, stderr string) {
	var out, err bytes.Buffer
	w := &terminal.World{Ctx: context.Background(), Stdin: strings.NewReader(""), Stdout: &out, Stderr: &err,
		Now: func() time.Time { return time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC) }}
	code = run(w, args)
	return code, out.String(), err.String()
}

const (
	jigFolder    = "../../internal/findings/jig/testdata/"
	designFile   = "../../internal/model/design/testdata/clamp.yaml"
	remedyFolder = "../../internal/findings/remedy/testdata/"
)

var noNumber = regexp.MustCompile(`NaN|[^a-zA-Z]Inf|%!|\be\+?[0-9]{3}\b`)

// The pages hold what package tests have checked against closed forms and outside programs; here it is
// that they are printed whole, with units and without a number that is none.
func TestPagesOfTheModels(t *testing.T) {
	probes := []string{jigFolder + "demo-probe-1.s3p", jigFolder + "demo-probe-2.s3p", jigFolder + "demo-probe-3.s3p"}
	for name, args := range map[string][]string{
		"probe": append([]string{"characterise", "probe", "--turns", "8", "--line", "22 mm", "--line-impedance",
			"54 Ω"}, probes...),
		"clamp": {"characterise", "clamp", jigFolder + "demo-clamp.s3p", "--line", "45 mm", "--line-impedance",
			"58 Ω"},
		"linearity": {"characterise", "linearity", jigFolder + "demo-levels.csv", "--edition", "older"},
		"design":    {"design", "clamp", designFile},
		"remedy":    {"remedy", remedyFolder + "parts.yaml"},
		"use": {"remedy", remedyFolder + "parts.yaml", "--use", "ring core, 5 turns", "--use", "4.70 nF",
			"--reference", "same probe current"},
	} {
		t.Run(name, func(t *testing.T) {
			code, out, errs := modelRun(args...)
			if code != terminal.ExitDone {
				t.Fatalf("exit code %d: %s", code, errs)
			}
			got := out + errs
			file := filepath.Join("testdata", "models", name+".txt")
			if *updateModels {
				if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if got != string(want) {
				t.Errorf("printed\n%s\nwant\n%s", got, want)
			}
			if noNumber.MatchString(got) {
				t.Errorf("a number that is none was printed: %q", noNumber.FindString(got))
			}
			code, out, errs = modelRun(append(args, "--json")...)
			if code != terminal.ExitDone || !json.Valid([]byte(out)) || noNumber.MatchString(out) {
				t.Errorf("--json: exit code %d, %s, %.300s", code, errs, out)
			}
		})
	}
}

func TestWhatAModelCannotUseIsRefusedWithItsReason(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) string {
		file := filepath.Join(dir, name)
		if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		return file
	}
	active := write("active.s2p", "# MHz S MA R 50\n1 0.1 0 2.0 0 2.0 0 0.1 0\n2 0.1 0 2.0 0 2.0 0 0.1 0\n")
	broken := write("broken.s2p", "# MHz S MA R 50\n1 0.1 0 NaN 0\n")
	one := write("one.csv", "f/MHz;drive/dBm;I/dBµA\n1;0;60\n")
	bare := write("bare.csv", "f;drive;I\n1;0;60\n")
	for name, c := range map[string]struct {
		args []string
		code int
		want string
	}{
		"active probe": {[]string{"characterise", "probe", active}, terminal.ExitError, "make energy"},
		"active clamp": {[]string{"characterise", "clamp", active}, terminal.ExitError, "make energy"},
		"broken file":  {[]string{"characterise", "probe", broken}, terminal.ExitProblems, "broken.s2p:2"},
		"no file": {[]string{"characterise", "probe", filepath.Join(dir, "none.s2p")}, terminal.ExitError,
			"cannot read the sweep"},
		"no ports": {[]string{"characterise", "probe", jigFolder + "demo-probe-1.s3p", "--in", "1",
			"--probe-port", "7"}, terminal.ExitError, "has 3 ports"},
		"method": {[]string{"characterise", "probe", jigFolder + "demo-probe-1.s3p", "--method", "magic"},
			terminal.ExitUsage, "not one of"},
		"nothing":   {[]string{"characterise", "clamp"}, terminal.ExitUsage, "give Touchstone files"},
		"one drive": {[]string{"characterise", "linearity", one}, terminal.ExitError, "two drives"},
		"no unit":   {[]string{"characterise", "linearity", bare}, terminal.ExitProblems, "has no unit"},
		"edition": {[]string{"characterise", "linearity", one, "--edition", "oldest"}, terminal.ExitUsage,
			"not one of"},
		"not a clamp file": {[]string{"design", "clamp", remedyFolder + "parts.yaml"}, terminal.ExitProblems,
			"clamp 1"},
		"not a parts file": {[]string{"remedy", designFile}, terminal.ExitProblems, "remedy 1"},
		"winding": {[]string{"design", "clamp", designFile, "--winding", "9"}, terminal.ExitUsage,
			"3 windings"},
		"use of nothing": {[]string{"remedy", remedyFolder + "parts.yaml", "--use", "unobtainium"},
			terminal.ExitUsage, "no choice"},
		"use of many": {[]string{"remedy", remedyFolder + "parts.yaml", "--use", "sleeve"}, terminal.ExitUsage,
			"fits several"},
		"attach without it": {[]string{"remedy", remedyFolder + "parts.yaml", "--attach"}, terminal.ExitUsage,
			"need a job"},
		"no job": {[]string{"explain", filepath.Join(dir, "none.provoke")}, terminal.ExitError,
			"none.provoke"},
	} {
		code, out, errs := modelRun(c.args...)
		if code != c.code || !strings.Contains(errs, c.want) {
			t.Errorf("%s: exit code %d (want %d), %q, want %q", name, code, c.code, errs, c.want)
		}
		if noNumber.MatchString(out + strings.ReplaceAll(errs, "NaN", "")) {
			t.Errorf("%s: a number that is none: %s", name, out)
		}
	}
}

// The whole way of a probe: sweeps, curve file, bench file.
func TestABenchTakesTheCurvesThatCharacteriseWrites(t *testing.T) {
	bench := changedBench(t, "", "")
	dir := filepath.Dir(bench)
	code, out, errs := modelRun("characterise", "probe", jigFolder+"demo-probe-1.s3p", jigFolder+"demo-probe-2.s3p",
		jigFolder+"demo-probe-3.s3p", "--out", filepath.Join(dir, "own-probe.csv"))
	if code != terminal.ExitDone || !strings.Contains(out, "transfer_impedance: {csv: own-probe.csv}") ||
		!strings.Contains(out, "sweeps: 3}") {
		t.Fatalf("exit code %d: %s%s", code, out, errs)
	}
	if code, _, errs := modelRun("characterise", "probe", jigFolder+"demo-probe-1.s3p", "--out",
		filepath.Join(dir, "own-probe.csv")); code != terminal.ExitError || !strings.Contains(errs, "there already") {
		t.Errorf("a curve is written over: %d, %s", code, errs)
	}
	if code, out, errs := modelRun("characterise", "clamp", jigFolder+"demo-clamp.s3p", "--out",
		filepath.Join(dir, "own-clamp")); code != terminal.ExitDone ||
		!strings.Contains(out, "insertion_loss: {csv: own-clamp-insertion-loss.csv}") {
		t.Fatalf("exit code %d: %s", code, errs)
	}
	data, err := os.ReadFile(bench)
	if err != nil {
		t.Fatal(err)
	}
	text := regexp.MustCompile(`(?s)(\n  transfer_impedance:).*?\n  ([a-z])`).ReplaceAllString(string(data),
		"$1 {csv: own-probe.csv}\n  $2")
	text = regexp.MustCompile(`(?s)(\nclamp:.*?\n  insertion_loss:).*?\n  ([a-z])`).ReplaceAllString(text,
		"$1 {csv: own-clamp-insertion-loss.csv}\n  $2")
	b, list := catalog.Parse(bench, []byte(text), session.Beside(bench))
	if err := list.Err(); err != nil {
		t.Fatal(err)
	}
	if b.Probe.TransferImpedance.Source() != "own-probe.csv" ||
		b.Clamp.InsertionLoss.Source() != "own-clamp-insertion-loss.csv" {
		t.Errorf("the bench has %q and %q", b.Probe.TransferImpedance.Source(), b.Clamp.InsertionLoss.Source())
	}
	file, err := os.ReadFile(filepath.Join(dir, "own-probe.csv"))
	if err != nil {
		t.Fatal(err)
	}
	c, _ := trace.Curve[rf.Transimpedance]("own-probe.csv", file, trace.Declared{})
	if c.Hash() != b.Probe.TransferImpedance.Hash() || !bytes.Contains(file, []byte(c.Hash())) {
		t.Error("the curve on the bench is not the one that was written")
	}
}

// modelJob writes a job with an exposure that upsets at 9 to 11 MHz, and one after a capacitor; after more changes
// nothing upsets.
func modelJob(t *testing.T, more ...string) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "weigher.provoke")
	job, err := store.Create(file)
	if err != nil {
		t.Fatal(err)
	}
	defer job.Close()
	at := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
	for n, changed := range append([]string{"", "a capacitor to chassis (invented)"}, more...) {
		o := event.Opened{Version: event.Version, RunKind: plan.Exposure, Mode: plan.ClosedLoop, Fixture: "cable",
			Label: "run", Changed: changed,
			Resolution: 0.5, Range: 40, Modulation: level.Modulation{Kind: level.AM, Depth: 0.8, Rate: 1000,
				Hold: level.CarrierHeld},
			Profile: event.Profile{ID: "constant", Verified: true}, Dwell: rf.Duration(time.Second)}
		w, err := job.NewRun(at, o)
		if err != nil {
			t.Fatal(err)
		}
		step := 0
		expose := func(f rf.Frequency, offset float64, upset bool) {
			step++
			s := plan.Step{Number: step, Purpose: plan.Sweep, Offset: rf.Gain(offset),
				Point: plan.Point{Frequency: f, Target: rf.DBuA(80), Wanted: level.Ask{Current: rf.DBuA(80)}}}
			e := event.StepClosed{Step: s, Attempt: 1, Outcome: plan.Outcome{Number: step, Upset: upset, Exposures: 1},
				Current: rf.DBuA(80 + offset), Forward: rf.FromDB[rf.Watt](-40 + offset),
				OnFor: rf.Duration(time.Second)}
			if upset {
				e.Class = event.DuringOnly
			}
			if _, err := w.Append(at, event.Intent{Step: s, Attempt: 1}, e); err != nil {
				t.Fatal(err)
			}
		}
		for mhz := 5.0; mhz <= 16; mhz++ {
			onset := map[float64]float64{9: -6, 10: -12, 11: -8}[mhz]
			if n == 1 && onset < 0 {
				onset = min(onset+9, 0)
			}
			f := rf.Frequency(mhz * 1e6)
			if onset == 0 || n > 1 {
				expose(f, 0, false)
				continue
			}
			expose(f, 0, true)
			expose(f, onset-0.5, false)
			expose(f, onset, true)
		}
		if _, err := w.Close(at, event.DoneUpset, ""); err != nil {
			t.Fatal(err)
		}
	}
	return file
}

// Where the newest exposure is sound, what is asked about failures takes or names a run that has some.
func TestTheRunWithFailuresIsFound(t *testing.T) {
	job := modelJob(t, "a sleeve (invented)")
	if code, out, errs := modelRun("explain", job); code != terminal.ExitDone ||
		!strings.Contains(out, "run 2, the newest exposure in which the product upset") ||
		!strings.Contains(out, "lowest onset") {
		t.Errorf("explain: exit code %d: %s%s", code, out, errs)
	}
	if code, out, _ := modelRun("explain", job, "--run", "3"); code != terminal.ExitDone ||
		!strings.Contains(out,
			"no upset in this run, nothing to explain; the product upset in runs 1 and 2: name one with --run N") {
		t.Errorf("explain --run 3: exit code %d: %s", code, out)
	}
	if code, _, errs := modelRun("remedy", remedyFolder+"parts.yaml", "--job", job); code != terminal.ExitError ||
		!strings.Contains(errs,
			"nothing fails in run 3, so no decibel is missing; the product upset in runs 1 and 2: name one with "+
				"--run N") {
		t.Errorf("remedy: exit code %d: %s", code, errs)
	}
}

func TestAPredictionStandsBesideWhatWasMeasuredAfterTheFix(t *testing.T) {
	job := modelJob(t)
	code, out, errs := modelRun("remedy", remedyFolder+"parts.yaml", "--job", job, "--run", "1", "--use", "4.70 nF",
		"--attach")
	if code != terminal.ExitDone || !strings.Contains(out, "the prediction is kept with run 1") {
		t.Fatalf("exit code %d: %s%s", code, out, errs)
	}
	// The run was levelled on the probe's current, but the file says "same drive".
	if !strings.Contains(out, "effects count for the same drive") {
		t.Errorf("printed %s", out)
	}
	code, out, errs = modelRun("compare", job, "1", "2", "--json")
	var got struct {
		Predicted *struct {
			Points []struct {
				Predicted float64  `json:"predicted_db"`
				Low       float64  `json:"low_db"`
				High      float64  `json:"high_db"`
				Measured  *float64 `json:"measured_db"`
				Agreement string
			}
		}
	}
	if err := json.Unmarshal([]byte(out), &got); code != terminal.ExitDone || err != nil || got.Predicted == nil ||
		len(got.Predicted.Points) != 3 {
		t.Fatalf("exit code %d, %v: %s%s", code, err, out, errs)
	}
	for _, p := range got.Predicted.Points {
		if p.Measured == nil || p.Agreement == "" || !(p.Low <= p.Predicted && p.Predicted <= p.High) {
			t.Errorf("point %+v", p)
		}
	}
	code, out, _ = modelRun("compare", job, "1", "2")
	if code != terminal.ExitDone || !strings.Contains(out,
		"Predicted before the change (capacitor to chassis, 4.70 nF) and measured after it") {
		t.Errorf("compare prints %s", out)
	}
	page := filepath.Join(t.TempDir(), "report.html")
	if code, _, errs := modelRun("report", job, "-o", page, "--before", "1", "--after",
		"2"); code != terminal.ExitDone {
		t.Fatal(errs)
	}
	html, err := os.ReadFile(page)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"Predicted before the change (capacitor to chassis, 4.70 nF) and measured after it",
		"What the runs show about the cause"} {
		if !strings.Contains(string(html), want) {
			t.Errorf("the report has no %q", want)
		}
	}
	if noNumber.Match(html) {
		t.Errorf("a number that is none stands in the report: %q", noNumber.Find(html))
	}
	code, out, errs = modelRun("explain", job, "--run", "1")
	if code != terminal.ExitDone || !strings.Contains(out, "the product's own response") ||
		strings.Contains(out, "runs 1 and 2") {
		t.Errorf("explain: exit code %d: %s%s", code, out, errs)
	}
}

// A try is evidence for or against what is predicted, by its limits.
func TestATryStandsBesideThePrediction(t *testing.T) {
	file := modelJob(t)
	job, err := store.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	at := time.Date(2026, 3, 3, 9, 0, 0, 0, time.UTC)
	p := plan.Point{Frequency: 10e6, Target: rf.DBuA(80), Wanted: level.Ask{Current: rf.DBuA(80)}}
	w, err := job.NewRun(at, event.Opened{Version: event.Version, RunKind: plan.Fixing, Mode: plan.ClosedLoop,
		Fixture: "cable", Range: 40, Resolution: 0.5, Fixing: &event.Fixing{Of: 1, At: []event.Tracked{{Point: p}}}})
	if err != nil {
		t.Fatal(err)
	}
	loop := func() *fixing.Loop {
		r, err := result.All(job.Records(w.Run(), 1))
		if err != nil {
			t.Fatal(err)
		}
		return fixing.Of(&r)
	}
	append := func(events ...event.Event) {
		at = at.Add(time.Second)
		if _, err := w.Append(at, events...); err != nil {
			t.Fatal(err)
		}
	}
	for try, onset := range []float64{55.2, 77.2, 55.2, 52.2} { // 17.6 to 25.1 dB are predicted at 10 MHz
		if try > 0 {
			append(event.HandsIn{By: "key"}, event.HandsOut{By: "key", Try: try, What: "part", Out: try == 2})
		}
		for range 12 {
			step, _ := loop().Next()
			append(event.StepClosed{Step: step, Attempt: 1, Current: rf.DBuA(80 + float64(step.Offset)),
				Outcome: plan.Outcome{Number: step.Number, Exposures: 1, Upset: 80+float64(step.Offset) >= onset}})
		}
	}
	if _, err := w.Close(at, event.DoneUpset, ""); err != nil {
		t.Fatal(err)
	}
	job.Close()
	ask := func(want string, args ...string) {
		t.Helper()
		code, out, errs := modelRun(args...)
		if !strings.Contains(out+errs, want) || (code == terminal.ExitDone) != strings.Contains(out, want) {
			t.Errorf("%q: code %d, it does not say %q:\n%s%s", args, code, want, out, errs)
		}
	}
	remedy := []string{"remedy", remedyFolder + "parts.yaml", "--job", file, "--run", "1", "--use", "4.70 nF"}
	with := func(more ...string) []string { return slices.Concat(remedy, more) }
	ask("  agrees\n", with("--try", "1")...)
	ask("  agrees\n", with("--try", "2")...) // taken out it is the same effect
	ask("  disagrees\n", with("--try", "3")...)
	ask(`"says": "disagrees"`, with("--try", "3", "--json")...)
	ask("run 3 has no try 4; it has 3 tries", with("--try", "4")...)
	ask("run 2 is no fixing loop and has no tries", with("--try", "1", "--loop", "2")...)
	ask("there is no run 9", with("--try", "1", "--loop", "9")...)
	ask("run 3 is a fixing loop", "remedy", remedyFolder+"parts.yaml", "--job", file, "--run", "3")
	ask("no prediction is kept with run 1", "explain", file, "--run", "1", "--try", "1")
	ask("is kept with run 1", with("--attach")...)
	ask("  agrees\n", "explain", file, "--run", "1", "--try", "1")
	ask(`"says": "disagrees"`, "explain", file, "--run", "1", "--try", "3", "--json")
	ask("run 3 is a fixing loop", "explain", file, "--run", "3")
}
