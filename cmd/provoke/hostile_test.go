package main

import (
	"archive/zip"
	"bufio"
	"bytes"
	"compress/flate"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"runtime"
	"strings"
	"testing"
	"time"

	"provoke/internal/bench/simbench"
	"provoke/internal/job/event"
	"provoke/internal/job/store"
	"provoke/internal/terminal"
)

// Everything that a stranger can hand to provoke: the real program, in a process of its own whose
// memory and time are measured.

// mostMemory is what the program may take for any input that it refuses.
const mostMemory = 200 << 20

// trial is one run of the program.
type trial struct {
	code      int
	out, errs string
	took      time.Duration
	peak      int64 // bytes
}

// provoked runs the program in a folder to its end, at most a minute.
func provoked(t *testing.T, dir string, args ...string) trial {
	t.Helper()
	c := startProvoke(args...)
	var out, errs bytes.Buffer
	c.Dir, c.Stdout, c.Stderr = dir, &out, &errs
	begun := time.Now()
	forgetPeak()
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	end := time.AfterFunc(time.Minute, func() { c.Process.Kill() })
	defer end.Stop()
	err := c.Wait()
	return trial{exitCode(err), out.String(), errs.String(), time.Since(begun), peakOf(c.ProcessState)}
}

// refuses checks that the program refuses with an exit code and a place, within bounds, and without a
// trace of a panic.
func (r trial) refuses(t *testing.T, code int, says string) {
	t.Helper()
	if r.code != code || !regexp.MustCompile(says).MatchString(r.errs) || strings.Contains(r.errs, "goroutine ") {
		t.Errorf("exit code %d, want %d, and it says %q:\n%.1500s", r.code, code, says, r.errs)
	}
	if r.peak > mostMemory {
		t.Errorf("%d MB of memory", r.peak>>20)
	}
	if len(r.errs)+len(r.out) > 100_000 {
		t.Errorf("it says %d bytes", len(r.errs)+len(r.out))
	}
}

// worst gathers the largest figures of several trials.
type worst struct {
	n    int
	took time.Duration
	peak int64
}

func (w *worst) add(r trial) { w.n, w.took, w.peak = w.n+1, max(w.took, r.took), max(w.peak, r.peak) }

func (w worst) say(t *testing.T, what string) {
	t.Helper()
	t.Logf("figure: hostile input, %s: %d trials, refused within %.1f s and %d MB", what, w.n, w.took.Seconds(),
		w.peak>>20)
}

// yamlReaders are command lines by the kind of file that they read; FILE stands for the file, JOB for a job with a run.
var yamlReaders = []struct {
	kind string
	args []string
}{
	{"bench", []string{"bench", "FILE"}},
	{"bench", []string{"budget", "FILE"}},
	{"bench", []string{"off", "FILE"}},
	{"plan", []string{"plan", "FILE"}},
	{"plan", []string{"run", "FILE", "--job", "DIR/new.provoke"}},
	{"commands", []string{"bench", "DIR/with-table.yaml"}},
	{"laboratory", []string{"laboratory", "JOB", "FILE"}},
	{"sweep", []string{"sweep", "FILE", "--job", "DIR/new.provoke"}},
	{"cable", []string{"cable", "FILE"}},
	{"decoupling", []string{"decoupling", "FILE"}},
	{"clamp", []string{"design", "clamp", "FILE"}},
	{"parts", []string{"remedy", "FILE"}},
}

func (w *workfolder) fill(args []string, file string) []string {
	out := make([]string, len(args))
	for i, a := range args {
		out[i] = strings.NewReplacer("FILE", file, "JOB", w.job, "DIR", w.dir).Replace(a)
	}
	return out
}

// workfolder holds a job with runs, and the files of a trial.
type workfolder struct{ dir, job string }

func newWorkfolder(t *testing.T) *workfolder {
	return &workfolder{t.TempDir(), weigherJobFile(t)}
}

func (w *workfolder) write(t *testing.T, name, text string) {
	t.Helper()
	if err := os.WriteFile(filepath.Join(w.dir, name), []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}

// sparse makes a file of so many bytes that takes no room.
func (w *workfolder) sparse(t *testing.T, name, head string, size int64) {
	t.Helper()
	w.write(t, name, head)
	if err := os.Truncate(filepath.Join(w.dir, name), size); err != nil {
		t.Skipf("no sparse files here: %v", err)
	}
}

// laughs are aliases of aliases: nine to the ninth texts where they are followed.
func laughs(kind string) string {
	var b strings.Builder
	b.WriteString("provoke: " + kind + " 1\na0: &a0 [ha, ha, ha, ha, ha, ha, ha, ha, ha]\n")
	for i := 1; i < 10; i++ {
		fmt.Fprintf(&b, "a%d: &a%d [%s*a%d]\n", i, i, strings.Repeat(fmt.Sprintf("*a%d, ", i-1), 8), i-1)
	}
	return b.String()
}

func TestYAMLThatSwellsOrNestsIsRefusedByEveryCommand(t *testing.T) {
	w := newWorkfolder(t)
	b := newWorkbench(t, simbench.Config{Seed: 1})
	w.write(t, "with-table.yaml", string(b.sim.BenchFile())+"\ntables: [commands.yaml]\n")
	texts := map[string]func(string) string{
		"billion laughs": laughs,
		"100,000 brackets": func(kind string) string {
			return "provoke: " + kind + " 1\nname: " + strings.Repeat("[",
				100_000)
		},
		"100,000 brackets, shut": func(kind string) string {
			return "provoke: " + kind + " 1\nname: " + strings.Repeat("[", 50_000) + strings.Repeat("]", 50_000)
		},
		"100,000 dashes": func(kind string) string {
			return "provoke: " + kind + " 1\nname:\n  " + strings.Repeat("- ", 50_000) + "a\n"
		},
		"a ladder of mappings": func(kind string) string {
			var s strings.Builder
			s.WriteString("provoke: " + kind + " 1\n")
			for i := range 400 {
				s.WriteString(strings.Repeat(" ", i) + "a:\n")
			}
			return s.String()
		},
		"15,000 unknown keys": func(kind string) string {
			var s strings.Builder
			s.WriteString("provoke: " + kind + " 1\n")
			for i := range 15_000 {
				fmt.Fprintf(&s, "k%d: 1\n", i)
			}
			return s.String()
		},
		"a control character": func(kind string) string { return "provoke: " + kind + " 1\nname: a\x1b[2J\n" },
		"a key of 100 kB": func(kind string) string {
			return "provoke: " + kind + " 1\n" + strings.Repeat("k",
				100_000) + ": 1\n"
		},
	}
	for what, text := range texts {
		t.Run(what, func(t *testing.T) {
			var all worst
			for i, c := range yamlReaders {
				w.write(t, "hostile.yaml", text(c.kind))
				w.write(t, "commands.yaml", text("commands"))
				var r trial
				if i < 3 || c.kind == "plan" {
					r = provoked(t, w.dir, w.fill(c.args, "hostile.yaml")...)
					all.add(r)
				} else { // the same program within this process: no memory measured, and done sooner
					r.code, r.out, r.errs = asked(w.fill(c.args, filepath.Join(w.dir, "hostile.yaml"))...)
				}
				code := terminal.ExitProblems
				if c.args[0] == "off" && strings.Contains(r.errs, "RF not known") { // it goes on with what it can read
					code = terminal.ExitRFUnknown
				}
				r.refuses(t, code, `(hostile|commands)\.yaml(:\d+(:\d+)?)?: `)
				if strings.ContainsAny(r.errs+r.out, "\x1b\x07") {
					t.Errorf("%v: raw control characters reach the terminal", c.args)
				}
			}
			all.say(t, what)
		})
	}
	if _, err := os.Stat(filepath.Join(w.dir, "new.provoke")); err == nil {
		t.Error("a job was made")
	}
}

func TestTwoGigabytesAreRefusedByEveryCommand(t *testing.T) {
	w := newWorkfolder(t)
	const huge = 2 << 30
	w.sparse(t, "huge.yaml", "provoke: bench 1\n", huge)
	w.sparse(t, "huge.csv", "f/MHz;Zt/dBΩ\n1;2\n", huge)
	w.sparse(t, "huge.s2p", "# MHz S RI R 50\n1 0 0 0 0 0 0 0 0\n", huge)
	w.sparse(t, "huge.s1p", "# MHz S RI R 50\n1 0 0\n", huge)
	w.sparse(t, "huge.provoke", "SQLite format 3\x00", huge)
	w.sparse(t, "empty.provoke", "", huge)
	w.sparse(t, "huge.zip", "PK\x03\x04", huge)
	w.sparse(t, "huge.txt", "2026-11-25 10:00:00 12.34 kg\n", huge)
	w.write(t, "plan.yaml",
		"provoke: plan 1\nbench: huge.yaml\nkind: exposure\nlevel: 3 V emf\ngrid: [{from: 1 MHz, to: 2 MHz, step: 10 "+
			"%}]\nmodulation: CW\ndwell: 1 s\n")
	b := newWorkbench(t, simbench.Config{Seed: 1})
	points := regexp.MustCompile(`insertion_loss:\n    points:\n(      .*\n)+`)
	curve := points.ReplaceAllString(string(b.sim.BenchFile()), "insertion_loss: {csv: huge.csv}\n")
	touchstone := points.ReplaceAllString(string(b.sim.BenchFile()), "insertion_loss: {touchstone: huge.s2p}\n")
	if !strings.Contains(curve, "huge.csv") {
		t.Fatal("the bench names no curve")
	}
	w.write(t, "curve.yaml", curve)
	w.write(t, "touchstone.yaml", touchstone)
	var all worst
	for _, c := range []struct {
		code int
		says string
		args []string
	}{
		{terminal.ExitProblems, `huge\.s2p: the file has 2147483648 bytes; at most`,
			[]string{"touchstone", "huge.s2p"}},
		{terminal.ExitProblems, `huge\.yaml: the file has`, []string{"bench", "huge.yaml"}},
		{terminal.ExitProblems, `huge\.yaml: the file has`, []string{"budget", "huge.yaml"}},
		{terminal.ExitProblems, `huge\.yaml: the file has`, []string{"off", "huge.yaml"}},
		{terminal.ExitProblems, `huge\.yaml: the file has`, []string{"plan", "huge.yaml"}},
		{terminal.ExitProblems, `huge\.yaml: the file has`, []string{"plan", "plan.yaml"}},
		{terminal.ExitProblems, `huge\.yaml: the file has`, []string{"run", "huge.yaml", "--job", "new.provoke"}},
		{terminal.ExitProblems, `huge\.yaml: the file has`, []string{"cable", "huge.yaml"}},
		{terminal.ExitProblems, `huge\.yaml: the file has`, []string{"decoupling", "huge.yaml"}},
		{terminal.ExitProblems, `huge\.yaml: the file has`, []string{"design", "clamp", "huge.yaml"}},
		{terminal.ExitProblems, `huge\.yaml: the file has`, []string{"remedy", "huge.yaml"}},
		{terminal.ExitProblems, `huge\.yaml: the file has`, []string{"sweep", "huge.yaml", "--job", "new.provoke"}},
		{terminal.ExitProblems, `huge\.yaml: the file has`, []string{"laboratory", w.job, "huge.yaml"}},
		{terminal.ExitProblems, `curve\.yaml:\d+:\d+: .*huge\.csv.* 2147483648 bytes`, []string{"bench", "curve.yaml"}},
		{terminal.ExitProblems, `touchstone\.yaml:\d+:\d+: .*huge\.s2p.* 2147483648 bytes`,
			[]string{"bench", "touchstone.yaml"}},
		{terminal.ExitProblems, `huge\.csv: the file has`, []string{"trace", "huge.csv"}},
		{terminal.ExitProblems, `huge\.txt: the file has`, []string{"log", w.job, "huge.txt"}},
		{terminal.ExitProblems, `huge\.csv: the file has`, []string{"characterise", "linearity", "huge.csv"}},
		{terminal.ExitProblems, `huge\.s2p: the file has`, []string{"characterise", "probe", "huge.s2p"}},
		{terminal.ExitProblems, `huge\.csv: the file has`, []string{"explain", w.job, "--second", "huge.csv"}},
		{terminal.ExitError, `huge\.txt: the file has 2048\.0 MiB; 64 MiB are allowed`,
			[]string{"attach", w.job, "huge.txt"}},
		{terminal.ExitProblems, `huge\.txt: the file has`, []string{"serve", w.job, "--token-file", "huge.txt"}},
		{terminal.ExitNotVerified, `huge\.zip into .*not a whole bundle`,
			[]string{"journal", "new.provoke", "--import", "huge.zip"}},
		{terminal.ExitError, `huge\.provoke: .*(damaged|not a provoke job)`, []string{"findings", "huge.provoke"}},
		{terminal.ExitError, `empty\.provoke: .*not a provoke job`, []string{"journal", "empty.provoke"}},
		{terminal.ExitError, `empty\.provoke: .*not a provoke job`,
			[]string{"report", "empty.provoke", "--out", "x.html"}},
	} {
		r := provoked(t, w.dir, c.args...)
		t.Logf("%v: exit code %d, %.1f s, %d MB", c.args, r.code, r.took.Seconds(), r.peak>>20)
		r.refuses(t, c.code, c.says)
		all.add(r)
	}
	all.say(t, "files of 2 GB")
	for _, name := range []string{"new.provoke", "new.provoke-lock", "x.html"} {
		if _, err := os.Stat(filepath.Join(w.dir, name)); err == nil {
			t.Errorf("%s was made", name)
		}
	}
}

func TestAGoodTouchstoneFileAtTheLimitStaysWithinBounds(t *testing.T) {
	if testing.Short() {
		t.Skip("a file of tens of megabytes")
	}
	w := newWorkfolder(t)
	var b bytes.Buffer
	b.WriteString("# Hz S RI R 50\n")
	for i := 1; b.Len() < 15<<20; i++ {
		fmt.Fprintf(&b, "%d 0.1 0.2 0.3 0.4 0.5 0.6 0.7 0.8\n", i)
	}
	w.write(t, "long.s2p", b.String())
	r := provoked(t, w.dir, "touchstone", "long.s2p", "--at", "1 Hz")
	if r.code != terminal.ExitDone {
		t.Errorf("exit code %d: %.500s", r.code, r.errs)
	}
	t.Logf("figure: a good Touchstone file of %d MB is read in %.1f s and %d MB", b.Len()>>20, r.took.Seconds(),
		r.peak>>20)
	if r.peak > 40*int64(b.Len()) {
		t.Errorf("%d MB", r.peak>>20)
	}
}

func TestATableOfNothingButSeparatorsStaysWithinBounds(t *testing.T) {
	w := newWorkfolder(t)
	b := newWorkbench(t, simbench.Config{Seed: 1})
	points := regexp.MustCompile(`insertion_loss:\n    points:\n(      .*\n)+`)
	w.write(t, "curve.yaml", points.ReplaceAllString(string(b.sim.BenchFile()), "insertion_loss: {csv: table.csv}\n"))
	var all worst
	for what, text := range map[string]string{
		"separators in one line":  strings.Repeat(";", 2<<20),
		"separators in lines":     strings.Repeat(strings.Repeat(";", 60_000)+"\n", 10),
		"quotes":                  strings.Repeat(`"`, 2<<20),
		"figures in one line":     strings.Repeat("1;", 1<<20),
		"figures in lines":        strings.Repeat(strings.Repeat("1;", 20_000)+"1\n", 20),
		"line feeds":              strings.Repeat("\n", 2<<20),
		"words":                   "f/MHz;Zt/dBΩ\n" + strings.Repeat("x;y\n", 1<<19),
		"a figure without an end": "f/MHz;Zt/dBΩ\n1;" + strings.Repeat("9", 2<<20),
	} {
		w.write(t, "table.csv", text)
		for _, args := range [][]string{{"trace", "table.csv"}, {"bench", "curve.yaml"},
			{"characterise", "linearity", "table.csv"}} {
			r := provoked(t, w.dir, args...)
			if r.code != terminal.ExitProblems || !strings.Contains(r.errs, "table.csv") ||
				strings.Contains(r.errs, "goroutine ") || len(r.errs) > 100_000 {
				t.Errorf("%s, %v: exit code %d\n%.500s", what, args, r.code, r.errs)
			}
			if r.peak > 600<<20 {
				t.Errorf("%s, %v: %d MB", what, args, r.peak>>20)
			}
			all.add(r)
		}
	}
	all.say(t, "tables of 2 MB of nothing but separators, quotes or figures")
}

// poison is a text that tries everything at once where it is printed.
const poison = "<zz onload=1>\x1b[2J\x1b]0;t\x07\u009b31m\u202e\u200b\nFORGED\rFORGED\x00\x7f"

// poisoned puts the poison behind every text of an event that is free text.
func poisoned(e event.Event) event.Event {
	v := reflect.New(reflect.TypeOf(e)).Elem()
	v.Set(reflect.ValueOf(e))
	poisonIn(v)
	return v.Interface().(event.Event)
}

func poisonIn(v reflect.Value) {
	switch v.Kind() {
	case reflect.Struct:
		for i := range v.NumField() {
			f := v.Type().Field(i)
			if !f.IsExported() || f.Name == "SHA256" || f.Name == "Head" || f.Name == "Level" ||
				f.Name == "Modulation" || f.Name == "Required" {
				continue
			}
			poisonIn(v.Field(i))
		}
	case reflect.Slice:
		if v.Len() > 0 {
			fresh := reflect.MakeSlice(v.Type(), v.Len(), v.Len())
			reflect.Copy(fresh, v)
			for i := range fresh.Len() {
				poisonIn(fresh.Index(i))
			}
			v.Set(fresh)
		}
	case reflect.String:
		if v.Type() == reflect.TypeFor[string]() {
			v.SetString(v.String() + poison)
		}
	}
}

// poisonedJob is the weigher's job with poison in every text, and in the name of an attachment.
func poisonedJob(t *testing.T) string {
	t.Helper()
	good, err := store.OpenReadOnly(weigherJobFile(t))
	if err != nil {
		t.Fatal(err)
	}
	defer good.Close()
	path := filepath.Join(t.TempDir(), "poisoned.provoke")
	bad, err := store.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer bad.Close()
	runs, err := good.Runs()
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range runs {
		var run *store.Writer
		for rec, err := range good.Records(r.Run, 1) {
			if err != nil {
				t.Fatal(err)
			}
			switch e := poisoned(rec.Event).(type) {
			case event.Opened:
				e.Operator, e.Room, e.Temperature, e.Humidity = poison, poison, poison, poison
				e.Bench, e.Plan = event.Attachment{Name: "bench" + poison, SHA256: strings.Repeat("0", 64)},
					event.Attachment{Name: "../../plan" + poison, SHA256: strings.Repeat("1", 64)}
				e.Equipment = []event.Equipment{{ID: "GEN1" + poison, Description: poison, Serial: poison,
					Identified: poison, Certificate: poison}}
				e.Setup = []event.Field{{Name: poison, Value: poison}}
				e.Monitors = []event.Monitor{{ID: "SHOWN" + poison, Kind: poison, Unit: poison, Tolerance: 1,
					Baseline: 1, HasBaseline: true}}
				run, err = bad.NewRun(rec.At, e)
			case event.Closed:
				_, err = run.Close(rec.At, e.Verdict, poison)
			default:
				_, err = run.Append(rec.At, e)
			}
			if err != nil {
				t.Fatal(err)
			}
		}
		if _, err = bad.Annotate(r.Run, weigherClock, event.Note{By: poison, Text: poison},
			event.Attached{Attachment: event.Attachment{Name: "C:\\x" + poison, SHA256: strings.Repeat("2", 64)},
				Caption: poison}); err != nil {
			t.Fatal(err)
		}
	}
	run, err := bad.NewRun(weigherClock, event.Opened{RunKind: event.LaboratoryKind, Label: poison})
	if err == nil {
		_, err = run.Append(weigherClock, poisoned(event.LaboratoryFailures{Laboratory: "lab", Report: "1",
			Failures: []event.LaboratoryFailure{{From: 24e6, To: 27e6, Level: "3 V emf", Modulation: "AM 80 % 1 kHz",
				What: "x", Class: "B"}}}))
	}
	if err == nil {
		_, err = run.Close(weigherClock, event.Done, poison)
	}
	if err != nil {
		t.Fatal(err)
	}
	return path
}

// clean checks that nothing of the poison works in what was printed.
func clean(t *testing.T, what, text string) {
	t.Helper()
	if i := strings.IndexFunc(text, event.Dangerous); i >= 0 {
		t.Errorf("%s prints a raw %q:\n%.200q", what, text[i:i+4], text[max(0, i-80):])
	}
	if i := strings.Index(text, "\nFORGED"); i >= 0 {
		t.Errorf("%s prints a line of its own:\n%.300q", what, text[max(0, i-200):])
	}
}

func TestNoTextOfAJobTakesOverTheTerminal(t *testing.T) {
	job := poisonedJob(t)
	dir := t.TempDir()
	for _, args := range [][]string{
		{"findings", job}, {"findings", job, "--json"}, {"findings", job, "--run", "1"}, {"compare", job, "1",
			"2"}, {"compare", job, "1", "3", "--json"},
		{"journal", job}, {"journal", job, "--json"}, {"journal", job, "--verify"}, {"journal", job, "--run",
			"2"}, {"explain", job}, {"explain", job, "--json"},
		{"laboratory", job}, {"study", "repeat", job}, {"study", "threshold", job}, {"study", "dwell", job},
		{"study", "modulation", job},
		{"report", job, "--out", filepath.Join(dir, "r.html"), "--csv", filepath.Join(dir, "tables")},
		{"report", job, "--out", filepath.Join(dir, "r.pdf")}, {"report", job, "--out", filepath.Join(dir, "r.xlsx")},
		{"journal", job, "--copy", filepath.Join(dir, "copy.provoke")}, {"journal", job, "--export",
			filepath.Join(dir, "x.zip")},
		{"note", job, poison}, {"attach", job, filepath.Join(dir, poison)}, {"bench", filepath.Join(dir, poison)},
		{"level", poison}, {poison}, {"findings", "--" + poison},
		{"findings", filepath.Join(dir, poison)},
	} {
		code, out, errs := asked(args...)
		if code < 0 {
			t.Errorf("%q ended with %d", args, code)
		}
		clean(t, fmt.Sprintf("%.40q (stdout)", args), out)
		clean(t, fmt.Sprintf("%.40q (stderr)", args), errs)
	}
	names, _ := filepath.Glob(filepath.Join(dir, "tables", "*.csv"))
	if len(names) == 0 {
		t.Error("no tables were written")
	}
	for _, name := range append(names, filepath.Join(dir, "r.html")) {
		data, err := os.ReadFile(name)
		if err != nil {
			t.Error(err)
			continue
		}
		if bytes.ContainsAny(data, "\x1b\x00\x07") || strings.HasSuffix(name, ".html") &&
			bytes.Contains(data, []byte("<zz")) {
			t.Errorf("%s holds the poison raw", name)
		}
	}
}

func TestNoTextOfABenchOrPlanTakesOverTheTerminal(t *testing.T) {
	b := newWorkbench(t, simbench.Config{Seed: 1})
	escaped := `<zz>\e[2J\x9b31m\u202e\nFORGED\r`
	text := string(b.sim.BenchFile())
	text = regexp.MustCompile(`(?m)^(\s*(?:- )?(?:name|description|serial|certificate): )(.*)$`).ReplaceAllString(text,
		`${1}"x`+strings.ReplaceAll(escaped, `$`, `$$`)+`"`)
	b.write("bench.yaml", text)
	ids := regexp.MustCompile(`(?m)^(\s*(?:- )?id: )(\w+)$`).ReplaceAllString(text, `${1}"${2}`+escaped+`"`)
	b.write("ids.yaml", ids)
	b.write("words.yaml", "provoke: bench 1\nsource: {kind: \""+escaped+"\", \""+escaped+"\": 1, band: \""+escaped+
		"\"}\n")
	b.plan("plan.yaml", 5e6, 6e6, "10 %", exposureLines, `name: "`+escaped+`"`)
	for _, args := range [][]string{
		{"bench", "bench.yaml"}, {"bench", "ids.yaml"}, {"bench", "words.yaml"}, {"budget", "bench.yaml"}, {"budget",
			"ids.yaml"}, {"plan", "plan.yaml"},
		{"plan", "words.yaml"}, {"uncertainty", "bench.yaml"}, {"off", "bench.yaml"}, {"off", "ids.yaml"}, {"try",
			"bench.yaml", "source"},
		{"run", "plan.yaml", "--job", "x.provoke", "--arm", "--label", "l" + poison, "--operator", poison}, {"findings",
			"x.provoke"}, {"journal", "x.provoke"},
	} {
		code, out, errs := b.do(args...)
		if code < 0 {
			t.Errorf("%q ended with %d", args, code)
		}
		clean(t, fmt.Sprintf("%.60q (stdout)", args), out)
		clean(t, fmt.Sprintf("%.60q (stderr)", args), errs)
	}
}

// bundleOf packs files as a bundle of a run with a manifest that fits.
func bundleOf(t *testing.T, change func(files map[string][]byte)) []byte {
	t.Helper()
	job, err := store.OpenReadOnly(weigherJobFile(t))
	if err != nil {
		t.Fatal(err)
	}
	defer job.Close()
	var whole bytes.Buffer
	if _, err := job.Export(1, &whole); err != nil {
		t.Fatal(err)
	}
	z, err := zip.NewReader(bytes.NewReader(whole.Bytes()), int64(whole.Len()))
	if err != nil {
		t.Fatal(err)
	}
	files := map[string][]byte{}
	for _, f := range z.File {
		in, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		files[f.Name], _ = io.ReadAll(in)
	}
	delete(files, "MANIFEST.sha256")
	change(files)
	var manifest strings.Builder
	for name, data := range files {
		sum := sha256.Sum256(data)
		fmt.Fprintf(&manifest, "%s  %s\n", hex.EncodeToString(sum[:]), name)
	}
	if files["MANIFEST.sha256"] == nil {
		files["MANIFEST.sha256"] = []byte(manifest.String())
	}
	var out bytes.Buffer
	w := zip.NewWriter(&out)
	for name, data := range files {
		h := &zip.FileHeader{Name: name, Method: zip.Deflate}
		if strings.HasPrefix(string(data), "link:") {
			h.SetMode(os.ModeSymlink | 0o777)
		}
		f, err := w.CreateHeader(h)
		if err != nil {
			t.Fatal(err)
		}
		f.Write(data)
	}
	w.Close()
	return out.Bytes()
}

// bomb is a ZIP file of 13 MB whose files unpack to 12.5 GB: one packed run of zeros, two hundred
// times.
func bomb(t *testing.T) []byte {
	t.Helper()
	zeros := make([]byte, store.MaxAttachment)
	var packed bytes.Buffer
	f, _ := flate.NewWriter(&packed, flate.BestCompression)
	f.Write(zeros)
	f.Close()
	sum := crc32.ChecksumIEEE(zeros)
	var out bytes.Buffer
	w := zip.NewWriter(&out)
	for i := range 200 {
		f, err := w.CreateRaw(&zip.FileHeader{Name: fmt.Sprintf("attachments/%064x", i), Method: zip.Deflate,
			CRC32: sum, CompressedSize64: uint64(packed.Len()), UncompressedSize64: uint64(len(zeros))})
		if err != nil {
			t.Fatal(err)
		}
		f.Write(packed.Bytes())
	}
	w.Close()
	return out.Bytes()
}

func TestACraftedBundleIsRefusedAndNothingIsLeft(t *testing.T) {
	w := newWorkfolder(t)
	zeros := strings.Repeat("0", 64)
	add := func(name, content string) func(*testing.T) []byte {
		return func(t *testing.T) []byte {
			return bundleOf(t, func(files map[string][]byte) { files[name] = []byte(content) })
		}
	}
	var all worst
	for what, c := range map[string]struct {
		make func(*testing.T) []byte
		says string
	}{
		"a path that leaves": {add("../../outside.txt", "x"),
			`holds \.\./\.\./outside\.txt, which does not belong there`},
		"an absolute path":    {add("/tmp/outside.txt", "x"), `does not belong there`},
		"a path of Windows":   {add(`C:\outside.txt`, "x"), `does not belong there`},
		"a device of Windows": {add("attachments/CON", "x"), `does not belong there`},
		"a link in a file's place": {add("attachments/"+zeros, "link:/etc/passwd"),
			`holds a file that no record names`},
		"a name with an escape": {add("a\x1b[2J", "x"), `holds a\\u001b\[2J, which does not belong there`},
		"a wrong hash": {func(t *testing.T) []byte {
			return bundleOf(t, func(f map[string][]byte) {
				f["MANIFEST.sha256"] = []byte(zeros + "  journal.jsonl\n" + zeros + "  README.txt\n" + zeros +
					"  attachments.json\n")
			})
		}, `is not the file that the manifest names`},
		"a bomb":    {bomb, `unpacks to more than 100 times that: nothing was unpacked`},
		"no bundle": {func(*testing.T) []byte { return []byte("not a bundle") }, `not a whole bundle`},
		"100,000 entries": {func(t *testing.T) []byte {
			var out bytes.Buffer
			z := zip.NewWriter(&out)
			for i := range 100_000 {
				z.Create(fmt.Sprintf("attachments/%064x", i))
			}
			z.Close()
			return out.Bytes()
		}, `its list of files is too long|holds 100000 files`},
	} {
		t.Run(what, func(t *testing.T) {
			w.write(t, "crafted.zip", string(c.make(t)))
			before := listing(t, w.dir)
			r := provoked(t, w.dir, "journal", "new.provoke", "--import", "crafted.zip")
			r.refuses(t, terminal.ExitNotVerified, c.says)
			all.add(r)
			if after := listing(t, w.dir); after != before {
				t.Errorf("the folder held %s and holds %s", before, after)
			}
		})
	}
	all.say(t, "crafted bundles")
}

func listing(t *testing.T, dir string) string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, e := range entries {
		out = append(out, e.Name())
	}
	return strings.Join(out, " ")
}

// zeros gives so many bytes and counts how many were taken.
type zeros struct{ left, taken int64 }

func (z *zeros) Read(p []byte) (int, error) {
	if z.left == 0 {
		return 0, io.EOF
	}
	n := min(int64(len(p)), z.left)
	clear(p[:n])
	z.left, z.taken = z.left-n, z.taken+n
	return int(n), nil
}

func TestADropOfTwoGigabytesIsCutOff(t *testing.T) {
	w := newWorkfolder(t)
	c := startProvoke("serve", w.job, "--listen", "127.0.0.1:0")
	c.Dir = w.dir
	out := &syncBuffer{}
	c.Stdout, c.Stderr = out, out
	forgetPeak()
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	defer c.Wait()
	defer c.Process.Kill()
	found := regexp.MustCompile(`(http://127\.0\.0\.1:\d+)(/enter\S+)`)
	var at []string
	for end := time.Now().Add(20 * time.Second); at == nil &&
		time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		at = found.FindStringSubmatch(out.String())
	}
	if at == nil {
		t.Fatalf("no address in %s", out)
	}
	entered, err := http.Get(at[1] + at[2])
	if err != nil || len(entered.Cookies()) != 1 {
		t.Fatalf("%v", err)
	}
	entered.Body.Close()
	for _, path := range []string{"/bench/curve", "/photo", "/note", "/laboratory"} {
		drop := &zeros{left: 2 << 30}
		head := "--b\r\nContent-Disposition: form-data; name=\"file\"; filename=\"x.s2p\"\r\n\r\n"
		r, err := http.NewRequest("POST", at[1]+path, io.MultiReader(strings.NewReader(head), drop))
		if err != nil {
			t.Fatal(err)
		}
		r.Header.Set("Content-Type", "multipart/form-data; boundary=b")
		r.Header.Set("Origin", at[1])
		r.AddCookie(entered.Cookies()[0])
		begun := time.Now()
		answer, err := (&http.Client{Timeout: 30 * time.Second}).Do(r)
		status := "hung up"
		if err == nil {
			status = answer.Status
			answer.Body.Close()
			if answer.StatusCode < 400 || answer.StatusCode >= 500 {
				t.Errorf("%s: %s", path, status)
			}
		} else if errors.Is(err, os.ErrDeadlineExceeded) {
			t.Errorf("%s: %v", path, err)
		}
		t.Logf("figure: a drop of 2 GB on %s: %s after %d MB and %.1f s", path, status, drop.taken>>20,
			time.Since(begun).Seconds())
		if drop.taken > 64<<20 {
			t.Errorf("%s took %d MB", path, drop.taken>>20)
		}
	}
	c.Process.Signal(os.Interrupt)
	end := time.AfterFunc(20*time.Second, func() { c.Process.Kill() })
	defer end.Stop()
	c.Wait()
	peak := peakOf(c.ProcessState)
	t.Logf("figure: the page's process had %d MB at most during drops of 2 GB", peak>>20)
	if runtime.GOOS == "linux" && peak > 2*mostMemory {
		t.Errorf("%d MB", peak>>20)
	}
}

// liar is an instrument, or a product, that answers everything with a text and says it unasked too.
func liar(t *testing.T, answer string) (address string) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go func() {
				defer c.Close()
				c.SetDeadline(time.Now().Add(20 * time.Second))
				for in := bufio.NewScanner(c); in.Scan(); {
					if strings.Contains(in.Text(), "?") {
						fmt.Fprintf(c, "%s\n", answer)
					}
				}
			}()
		}
	}()
	host, port, _ := net.SplitHostPort(l.Addr().String())
	return "TCPIP::" + host + "::" + port + "::SOCKET"
}

func TestNoAnswerOfAnInstrumentTakesOverTheTerminal(t *testing.T) {
	t.Parallel()
	b := newWorkbench(t, simbench.Config{Seed: 1})
	good := string(b.sim.BenchFile())
	said := "<zz>\x1b[2J\u009b31m\u202e\rFORGED\x00\x07"
	for _, face := range []string{"source", "analyser", "meter"} {
		for i, answer := range []string{said, "1;0,\"" + said + "\""} {
			lying := strings.Replace(good, "address: "+b.sim.Address(face)+"\n", "address: "+liar(t, answer)+"\n", 1)
			if lying == good {
				t.Fatalf("the bench file has no %s at %s", face, b.sim.Address(face))
			}
			b.write("lying.yaml", lying)
			b.plan("plan.yaml", 5e6, 6e6, "10 %", exposureLines)
			commands := [][]string{{"try", "lying.yaml", face}}
			if face == "source" && i == 0 {
				commands = append(commands, []string{"off", "lying.yaml"})
			}
			for _, args := range commands {
				code, out, errs := b.do(args...)
				if code < 0 {
					t.Errorf("%q ended with %d", args, code)
				}
				clean(t, fmt.Sprintf("%s of a lying %s (stdout)", args[0], face), out)
				clean(t, fmt.Sprintf("%s of a lying %s (stderr)", args[0], face), errs)
			}
		}
	}
	b.write("bench.yaml", strings.Replace(good, "address: "+b.sim.Address("source")+"\n",
		"address: "+liar(t, said)+"\n", 1))
	code, out, errs := b.do("run", "plan.yaml", "--job", "x.provoke", "--arm")
	if code == terminal.ExitDone {
		t.Error("a run was done on an instrument that answers nonsense")
	}
	clean(t, "run on a lying source (stdout)", out)
	clean(t, "run on a lying source (stderr)", errs)
}
