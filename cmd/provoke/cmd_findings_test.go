package main

import (
	"bytes"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"provoke/internal/findings/analysis"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/store"
	"provoke/internal/model/level"
	"provoke/internal/tell"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

var weigherClock = time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)

// weigherTrial is what the invented belt weigher of these tests shows at one frequency, in dBµA; an
// onset of 0 never upsets. The level wanted is 90 dBµA everywhere.
type weigherTrial struct {
	f     rf.Frequency
	onset float64
}

// weigherRun writes a run of the invented belt weigher into a job.
func weigherRun(t *testing.T, j *store.Job, opened event.Opened, trials ...weigherTrial) {
	t.Helper()
	w, err := j.NewRun(weigherClock, opened)
	if err != nil {
		t.Fatal(err)
	}
	number := 0
	step := func(f rf.Frequency, p plan.Purpose, offset float64, upset bool) {
		number++
		e := event.StepClosed{
			Step: plan.Step{Number: number, Purpose: p, Offset: rf.Gain(offset),
				Point: plan.Point{Frequency: f, Target: rf.DBuA(90), Drive: rf.DBm(-10), Ceiling: rf.DBm(-4)}},
			Attempt: 1, Outcome: plan.Outcome{Number: number, Upset: upset, Exposures: 1},
			Drive: rf.DBm(-10 + offset), Current: rf.DBuA(90 + offset), Means: "r.m.s. of the carrier",
			OnFor: rf.Duration(time.Second),
		}
		if upset {
			e.Class, e.RecoveredAfter = event.DuringOnly, rf.Duration(time.Second)
		}
		if _, err := w.Append(weigherClock.Add(time.Duration(number)*time.Second),
			event.Intent{Step: e.Step, Attempt: 1}, e); err != nil {
			t.Fatal(err)
		}
	}
	verdict := event.Done
	for _, x := range trials {
		step(x.f, plan.Sweep, 0, x.onset != 0)
		if x.onset != 0 {
			verdict = event.DoneUpset
			step(x.f, plan.Onset, x.onset-90-0.5, false)
			step(x.f, plan.Onset, x.onset-90, true)
		}
	}
	if _, err := w.Close(weigherClock.Add(time.Hour), verdict, ""); err != nil {
		t.Fatal(err)
	}
}

// weigherJobFile makes a job with a run as received, one with a fix, and one with a worse fix.
func weigherJobFile(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "weigher.provoke")
	j, err := store.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	opened := event.Opened{Stretches: []plan.Stretch{{From: 1e6, To: 100e6, Step: 0.3}},
		Version: event.Version, Program: "test", RunKind: plan.Exposure, Mode: plan.ClosedLoop, Fixture: "cable",
		Label:      "as received",
		Resolution: 0.5, Range: 40, Dwell: rf.Duration(time.Second), Points: 5,
		Modulation: level.Modulation{Kind: level.AM, Depth: 0.8, Rate: 1000, Hold: level.CarrierHeld},
		Profile:    event.Profile{ID: "constant/90", Title: "constant 90 dBµA"},
	}
	const M = rf.Megahertz
	weigherRun(t, j, opened, weigherTrial{20 * M, 0}, weigherTrial{24 * M, 84}, weigherTrial{27 * M, 80},
		weigherTrial{30 * M, 0}, weigherTrial{40 * M, 0})
	opened.Label, opened.Changed = "ferrite", "ferrite at the gland"
	weigherRun(t, j, opened, weigherTrial{20 * M, 0}, weigherTrial{24 * M, 0}, weigherTrial{27 * M, 0},
		weigherTrial{30 * M, 0}, weigherTrial{40 * M, 0})
	opened.Label, opened.Changed = "capacitor", "capacitor to the case"
	weigherRun(t, j, opened, weigherTrial{20 * M, 0}, weigherTrial{24 * M, 0}, weigherTrial{27 * M, 0},
		weigherTrial{30 * M, 0}, weigherTrial{40 * M, 83})
	return path
}

// asked runs a command line.
func asked(args ...string) (code int, out, errs string) {
	var o, e bytes.Buffer
	w := &terminal.World{Stdout: wide{&o}, Stderr: &e,
		Now: func() time.Time { return weigherClock.Add(24 * time.Hour) }}
	code = run(w, args)
	return code, o.String(), e.String()
}

func TestFindingsPrintBandsFirstThenUpsets(t *testing.T) {
	job := weigherJobFile(t)
	code, out, errs := asked("findings", job, "--run", "1")
	if code != terminal.ExitDone {
		t.Fatalf("exit code %d: %s", code, errs)
	}
	for _, s := range []string{"Failing bands of run 1 (monotone assumed)", "24 MHz  27 MHz", "80.0 dBµA", "-10.0 dB",
		"during, recovers when RF goes",
		"20 MHz stood (16.7 %)", "No upset up to the level wanted at 3 of 5 frequencies exposed",
		"--all prints every frequency that upset, 2 in all", level.Unverified} {
		if !strings.Contains(out, s) {
			t.Errorf("the findings do not say %q:\n%s", s, out)
		}
	}
	if !strings.HasPrefix(out, "1 failing band; onset ") {
		t.Errorf("the answer does not come first:\n%s", out)
	}
	if _, all, _ := asked("findings", job, "--run", "1", "--all"); strings.Index(all,
		"Failing bands of run") > strings.Index(all, "\nUpsets of run") {
		t.Errorf("bands do not come before upsets:\n%s", all)
	}
}

func TestWhatTheJournalSaysCannotDressUpTheTerminal(t *testing.T) {
	path := filepath.Join(t.TempDir(), "odd.provoke")
	j, err := store.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	opened := event.Opened{RunKind: plan.Exposure, Label: "a\x1b[2J", Changed: "b\x1b[31m\nverdict: shown",
		Resolution: 0.5}
	weigherRun(t, j, opened, weigherTrial{20 * rf.Megahertz, 84})
	weigherRun(t, j, opened, weigherTrial{20 * rf.Megahertz, 84})
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{{"findings", path}, {"compare", path, "1", "2"}} {
		_, out, _ := asked(args...)
		if strings.Contains(out, "\x1b") || strings.Contains(out, "\nverdict: shown") {
			t.Errorf("%v prints %q", args, out)
		}
	}
}

func TestFindingsFailOnUpsetEndsWithTen(t *testing.T) {
	job := weigherJobFile(t)
	if code, _, _ := asked("findings", job, "--run", "1", "--fail-on-upset"); code != terminal.ExitUpset {
		t.Errorf("exit code %d, want 10", code)
	}
	if code, _, errs := asked("findings", job, "--run", "2", "--fail-on-upset"); code != terminal.ExitDone {
		t.Errorf("exit code %d, want 0: %s", code, errs)
	}
}

func TestFindingsJSONHasTheDocumentedNames(t *testing.T) {
	_, out, _ := asked("findings", weigherJobFile(t), "--run", "1", "--json")
	var got struct {
		Run    int
		Points []map[string]any
		Bands  []map[string]any
	}
	if err := json.Unmarshal([]byte(out), &got); err != nil {
		t.Fatal(err)
	}
	if got.Run != 1 || len(got.Points) != 5 || len(got.Bands) != 1 {
		t.Fatalf("run %d, %d points, %d bands", got.Run, len(got.Points), len(got.Bands))
	}
	sound, failing := got.Points[0], got.Points[2]
	onset := sound["onset"].(map[string]any)
	if onset["text"] != "at least 90.0 dBµA" || onset["bound"] != "at least" || onset["unit"] != "A" {
		t.Errorf("onset where nothing upset is %v", onset)
	}
	if sound["class"] != nil || sound["recovery"] != nil {
		t.Errorf("what is absent is not null: %v", sound)
	}
	onset = failing["onset"].(map[string]any)
	// Working: 80 dBµA = 10^(80/20) µA = 10 mA.
	if _, bounded := onset["bound"]; bounded || math.Abs(onset["value"].(float64)-0.01) > 1e-9 {
		t.Errorf("onset at 27 MHz is %v, want exactly 10 mA", onset)
	}
	if failing["hz"] != 27e6 || failing["margin_db"] != -10.0 || failing["class"] != string(event.DuringOnly) ||
		failing["exposures"] != 3.0 {
		t.Errorf("27 MHz: %v", failing)
	}
}

func TestFindingsOfARunThatIsNotThereNameThoseThatAre(t *testing.T) {
	code, _, errs := asked("findings", weigherJobFile(t), "--run", "9")
	if code != terminal.ExitError || !strings.Contains(errs, "no run 9") || !strings.Contains(errs, "runs 1, 2 and 3") {
		t.Errorf("exit code %d: %s", code, errs)
	}
}

func TestCompareGivesTheVerdictWithItsReasons(t *testing.T) {
	job := weigherJobFile(t)
	cases := []struct {
		args  []string
		words []string
	}{
		{[]string{"1", "2"}, []string{"Fix shown", "24 MHz to 27 MHz", "at least 10.0 dB"}},
		{[]string{"1", "3"}, []string{"Worse", "the band moved", "worse at 40 MHz",
			"upsets at 83.0 dBµA, before it stood 90.0 dBµA"}},
		{[]string{"1", "2", "--margin", "12 dB"}, []string{"Fix not shown", "92.0 dBµA is required"}},
	}
	for _, c := range cases {
		code, out, errs := asked(append([]string{"compare", job}, c.args...)...)
		if code != terminal.ExitDone {
			t.Errorf("%v: exit code %d: %s", c.args, code, errs)
		}
		for _, s := range c.words {
			if !strings.Contains(out, s) {
				t.Errorf("%v does not say %q:\n%s", c.args, s, out)
			}
		}
		if strings.Contains(out, "fixed") {
			t.Errorf("%v says fixed", c.args)
		}
	}
}

func TestCompareJSONHasGainAndVerdict(t *testing.T) {
	_, out, _ := asked("compare", weigherJobFile(t), "1", "2", "--json")
	var got struct {
		Verdict string
		Points  []struct {
			Hz        float64
			Gain      *float64 `json:"gain_db"`
			GainBound *string  `json:"gain_bound"`
			Verdict   string
		}
	}
	if err := json.Unmarshal([]byte(out), &got); err != nil {
		t.Fatal(err)
	}
	if got.Verdict != "shown" || len(got.Points) != 5 {
		t.Fatalf("%+v", got)
	}
	if p := got.Points[2]; p.Hz != 27e6 || *p.Gain != 10 || *p.GainBound != "at least" || p.Verdict != "shown" {
		t.Errorf("27 MHz: %+v", p)
	}
	if p := got.Points[0]; p.Gain != nil {
		t.Errorf("20 MHz: gain %v where nothing upset", *p.Gain)
	}
}

func TestReportWritesOnePageAndItsTables(t *testing.T) {
	job := weigherJobFile(t)
	dir := t.TempDir()
	out := filepath.Join(dir, "report.html")
	code, said, errs := asked("report", job, "-o", out, "--csv", filepath.Join(dir, "csv"))
	if code != terminal.ExitDone {
		t.Fatalf("exit code %d: %s", code, errs)
	}
	if !strings.Contains(said, "run 1 compared with run 3") {
		t.Errorf("the last changed run is not the one after: %s", said)
	}
	page, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range []string{"<!DOCTYPE html>", "Worse", "the band moved", "as of 2026-03-02"} {
		if !strings.Contains(strings.ToLower(string(page)), strings.ToLower(s)) {
			t.Errorf("the page does not hold %q", s)
		}
	}
	table, err := os.ReadFile(filepath.Join(dir, "csv", "compared.csv"))
	if err != nil || !strings.HasPrefix(string(table), "frequency (Hz),onset before (dBµA),onset before bound,") {
		t.Errorf("compared.csv: %v %.100q", err, table)
	}
	left, _ := filepath.Glob(filepath.Join(dir, ".provoke-*"))
	if len(left) != 0 {
		t.Errorf("files left behind: %v", left)
	}
}

func TestReportIsWrittenInTheFormThatEachEndingNames(t *testing.T) {
	job, dir := weigherJobFile(t), t.TempDir()
	for _, paper := range []string{"a4", "letter"} {
		code, _, errs := asked("report", job, "-o", filepath.Join(dir, paper+".html"),
			"-o", filepath.Join(dir, paper+".PDF"), "-o", filepath.Join(dir, "a,b"+paper+".xlsx"), "--paper", paper)
		if code != terminal.ExitDone {
			t.Fatalf("exit code %d: %s", code, errs)
		}
	}
	// The first bytes of each form: HTML 5, ISO 32000-1 7.5.2, and a ZIP archive.
	for name, begins := range map[string]string{"a4.html": "<!DOCTYPE html>", "a4.PDF": "%PDF-1.",
		"letter.PDF": "%PDF-1.", "a,ba4.xlsx": "PK\x03\x04"} {
		data, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil || !strings.HasPrefix(string(data), begins) {
			t.Errorf("%s begins with %.20q (%v)", name, data, err)
		}
	}
	a, _ := os.ReadFile(filepath.Join(dir, "a4.PDF"))
	b, _ := os.ReadFile(filepath.Join(dir, "letter.PDF"))
	if bytes.Equal(a, b) {
		t.Error("both papers give the same document")
	}
}

func TestReportNamesTheFolderThatIsNotThere(t *testing.T) {
	job := weigherJobFile(t)
	if _, _, errs := asked("report", job, "-o", filepath.Join(t.TempDir(), "no", "report.html")); !strings.Contains(
		errs, "there is no folder") {
		t.Error(errs)
	}
}

func TestReportRefusesAnEndingThatNamesNoForm(t *testing.T) {
	job, out := weigherJobFile(t), filepath.Join(t.TempDir(), "report.doc")
	if code, _, errs := asked("report", job, "-o", out); code != terminal.ExitUsage ||
		!strings.Contains(errs, ".html, .pdf or .xlsx") {
		t.Errorf("exit code %d: %s", code, errs)
	}
	if code, _, errs := asked("report", job, "-o", "report.pdf", "--paper", "a5"); code != terminal.ExitUsage ||
		!strings.Contains(errs, "a4") {
		t.Errorf("a paper that is not known: exit code %d: %s", code, errs)
	}
}

func TestTheSameJobGivesTheSameReportWheneverItIsWritten(t *testing.T) {
	job, dir := weigherJobFile(t), t.TempDir()
	for i, at := range []time.Time{weigherClock, weigherClock.AddDate(3, 0, 0)} {
		w := &terminal.World{Stdout: &bytes.Buffer{}, Stderr: &bytes.Buffer{}, Now: func() time.Time { return at }}
		name := filepath.Join(dir, string(rune('a'+i)))
		if code := run(w, []string{"report", job, "-o", name + ".pdf", "-o",
			name + ".html"}); code != terminal.ExitDone {
			t.Fatal(w.Stderr)
		}
	}
	for _, ending := range []string{".pdf", ".html"} {
		a, err := os.ReadFile(filepath.Join(dir, "a"+ending))
		b, _ := os.ReadFile(filepath.Join(dir, "b"+ending))
		if err != nil || !bytes.Equal(a, b) {
			t.Errorf("%s differs three years later (%v)", ending, err)
		}
	}
}

func TestReportDoesNotWriteOverAJob(t *testing.T) {
	job := weigherJobFile(t)
	if code, _, errs := asked("report", job, "-o", job); code != terminal.ExitUsage ||
		!strings.Contains(errs, "is a job file") {
		t.Errorf("exit code %d: %s", code, errs)
	}
	if code, _, errs := asked("report", job, "-o",
		filepath.Join(t.TempDir(), "no", "report.html")); code != terminal.ExitError ||
		!strings.Contains(errs, "write the report") {
		t.Errorf("a folder that is not there: exit code %d: %s", code, errs)
	}
	if code, _, _ := asked("findings", job); code != terminal.ExitDone {
		t.Error("the job does not open any more")
	}
}

// longJob writes a job of runs that repeat one another, each of so many steps with an intent and two readings, fifty
// at a frequency.
func longJob(tb testing.TB, runs, steps int) string {
	tb.Helper()
	path := filepath.Join(tb.TempDir(), "long.provoke")
	j, err := store.Create(path)
	if err != nil {
		tb.Fatal(err)
	}
	for range runs {
		w, err := j.NewRun(weigherClock, event.Opened{Version: event.Version, RunKind: plan.Exposure,
			Mode: plan.ClosedLoop, Resolution: 0.5, Range: 40})
		if err != nil {
			tb.Fatal(err)
		}
		for n := 0; n < steps; n += 500 {
			var batch []event.Event
			for i := n; i < n+500; i++ {
				e := longStep(i)
				batch = append(batch, event.Intent{Step: e.Step, Attempt: 1}, e)
			}
			if _, err := w.Append(weigherClock, batch...); err != nil {
				tb.Fatal(err)
			}
		}
		if _, err := w.Close(weigherClock, event.DoneUpset, ""); err != nil {
			tb.Fatal(err)
		}
	}
	if err := j.Close(); err != nil {
		tb.Fatal(err)
	}
	return path
}

func longStep(i int) event.StepClosed {
	offset := -float64(i%50) / 2
	return event.StepClosed{
		Step: plan.Step{Number: i + 1, Purpose: plan.Onset, Offset: rf.Gain(offset),
			Point: plan.Point{Frequency: rf.Frequency(1+i/50) * rf.Megahertz, Target: rf.DBuA(90),
				Drive: rf.DBm(-10), Ceiling: rf.DBm(-4)}},
		Attempt: 1, Outcome: plan.Outcome{Number: i + 1, Upset: i%50 < 10, Exposures: 1},
		Current: rf.DBuA(90 + offset), Drive: rf.DBm(-10 + offset),
		Means: "r.m.s. of the carrier", OnFor: rf.Duration(time.Second),
		Readings: []event.Reading{{Monitor: "KG", After: rf.Duration(-time.Second), Text: "12.500 kg",
			Value: 12.5, HasValue: true}, {Monitor: "KG", After: rf.Duration(time.Second), Text: "12.501 kg",
			Value: 12.501, HasValue: true, RFOn: true}},
	}
}

// Eight runs of 20,000 records each are told in the memory of one: what is known of the others is small.
func TestFindingsOfEightRunsTakeTheMemoryOfOne(t *testing.T) {
	const steps = 10_000
	one := provoked(t, "", "findings", longJob(t, 1, steps), "--json")
	eight := provoked(t, "", "findings", longJob(t, 8, steps), "--json")
	if one.code != terminal.ExitDone || eight.code != terminal.ExitDone {
		t.Fatalf("exit codes %d and %d: %s%s", one.code, eight.code, one.errs, eight.errs)
	}
	t.Logf("figure: findings of one run of %d records took %d MB, of eight such runs %d MB", 2*steps, one.peak>>20,
		eight.peak>>20)
	if one.peak > 0 && eight.peak > one.peak+one.peak/4 {
		t.Errorf("eight runs took %d MB, one run %d MB", eight.peak>>20, one.peak>>20)
	}
}

// BenchmarkFindingsOfAHundredThousandEvents is to be under 0.5 s.
func BenchmarkFindingsOfAHundredThousandEvents(b *testing.B) {
	path := longJob(b, 1, 50_000)
	for b.Loop() {
		if code, _, errs := asked("findings", path, "--json"); code != terminal.ExitDone {
			b.Fatal(errs)
		}
	}
}

func TestCompareCountsSoundAndNotComparedFrequenciesApart(t *testing.T) {
	p := &analysis.Point{}
	told := tell.CompareTold{Comparison: analysis.Comparison{Points: []analysis.ComparedPoint{
		{Before: p, After: p, Verdict: analysis.Unchanged}, {Before: p, After: p, Verdict: analysis.Unchanged},
		{After: p, Verdict: analysis.NotCompared}}}}
	var out strings.Builder
	if err := terminal.Sections(&out, []tell.Section{told.Section()}, false); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"2 other frequencies: no upset in either run.",
		"1 other frequency: exposed in only one of the runs, no upset there."} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("%q is not in\n%s", want, out.String())
		}
	}
}
