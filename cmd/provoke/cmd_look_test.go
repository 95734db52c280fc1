package main

import (
	"encoding/json"
	"os"
	"strings"
	"testing"
	"time"

	"provoke/internal/bench/simbench"
	"provoke/internal/model/cable"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

// The first five minutes: from the plan of the whole test to the quick look, and from what it found to the close look.
// The quick look of the demo's bench finds both of its bands, the close look their edges.
func TestFromTheQuickLookToTheCloseLook(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("two runs on the simulated bench")
	}
	b := newWorkbench(t, simbench.Config{Seed: 1})
	dwell := rf.Duration(b.sim.LeastDwell().Round(time.Millisecond) + 4*time.Millisecond).String()
	// The dwell is that of a real bench, so that the step is; the bench here runs a hundred times faster.
	hurry := func(name string) {
		data, err := os.ReadFile(b.path(name))
		if err != nil {
			t.Fatal(err)
		}
		b.write(name, strings.NewReplacer("dwell: 1.5 s", "dwell: "+dwell, "settle: 50 ms", "settle: 1 ms",
			"recover_within: 10 s", "recover_within: 120 ms").Replace(string(data)))
	}
	b.write("plan.yaml", "provoke: plan 1\nbench: bench.yaml\nlevel: 10 mA\n"+
		"grid: [{from: 150 kHz, to: 79 MHz, step: 1 %}]\ndwell: 1.5 s   # its cycle\n"+
		"settle: 50 ms\nrecover_within: 10 s\nedges: 1 %\n"+exposureLines+"\n")
	b.write("lab.yaml", "provoke: laboratory 1\nfailures:\n  - {from: 40 MHz, level: 3 V emf, what: reading jumps}\n"+
		"  - {from: 12 MHz, level: 3 V emf, what: display dark}\n"+
		"  - {from: 90 MHz, level: 3 V emf, what: link drops}\n")
	b.write("cable.yaml", cable.SampleCable)
	b.write("demo-nizn.csv", cable.SampleNickelZinc)

	said := b.must(terminal.ExitDone, "plan", "plan.yaml", "--quick-look", "--laboratory", "lab.yaml", "--cable",
		"cable.yaml")
	for _, want := range []string{"steps of 8 %", "about 4 min", "Visited first: 40 MHz, 12 MHz, ", "54.89 MHz",
		"reach there: 90 MHz", "plan-quick.yaml --job JOB"} {
		if !strings.Contains(said, want) {
			t.Errorf("%q is not said:\n%s", want, said)
		}
	}
	if dry := b.must(terminal.ExitDone, "plan", "plan-quick.yaml"); !strings.Contains(dry,
		"in 8 % steps; first 40 MHz, 12 MHz, 54.89 MHz, 767.6 kHz, then ascending") {
		t.Errorf("the dry run does not say what comes first:\n%s", dry)
	}
	if shape := b.must(terminal.ExitDone, "plan", "plan-quick.yaml", "--json"); !strings.Contains(strings.Join(
		strings.Fields(shape), ""), `thenascending","first":[40000000,12000000,`) {
		t.Errorf("the shape does not say what comes first:\n%s", shape)
	}
	hurry("plan-quick.yaml")
	b.must(terminal.ExitDone, "run", "plan-quick.yaml", "--job", "j.provoke", "--arm")
	found := b.bands("j.provoke")
	truth := b.edges(simbench.Original)
	if len(found) != len(truth) || len(truth) != 2 {
		t.Fatalf("bands %v, and there are %v", found, truth)
	}
	for i, f := range found {
		if f[0] < truth[i][0] || f[1] > truth[i][1] {
			t.Errorf("band %v is not within %v", f, truth[i])
		}
	}
	out := b.must(terminal.ExitDone, "findings", "j.provoke")
	for _, want := range []string{
		"A failing band narrower than 8 % (150 kHz to 79 MHz) may lie between two frequencies",
		"Edges of bands were not", "--close-look"} {
		if !strings.Contains(strings.Join(strings.Fields(out), " "), want) {
			t.Errorf("%q is not said:\n%s", want, out)
		}
	}
	journal := b.must(terminal.ExitDone, "journal", "j.provoke")
	if a, c := strings.Index(journal, "40 MHz sweep"), strings.Index(journal, "150 kHz sweep"); a < 0 || c < a {
		t.Errorf("what the laboratory reported was not visited first:\n%s", journal)
	}

	said = b.must(terminal.ExitDone, "plan", "plan.yaml", "--close-look", "--job", "j.provoke", "--laboratory",
		"lab.yaml")
	if !strings.Contains(said, "Left out: 150 kHz to 1.901 MHz") || !strings.Contains(said, "where it has 631") {
		t.Errorf("what is left out is not said:\n%s", said)
	}
	hurry("plan-close.yaml")
	b.must(terminal.ExitDone, "run", "plan-close.yaml", "--job", "j.provoke", "--arm")
	for i, f := range b.bands("j.provoke") {
		// Looked for to 1 %, at a level that may be up to 0.3 dB above the one asked for.
		for k, edge := range truth[i] {
			if off := f[k]/edge - 1; off < -0.015 || off > 0.015 {
				t.Errorf("band %v; its edges are %v", f, truth[i])
			}
		}
	}
	closely, err := os.ReadFile(b.path("plan-close.yaml"))
	if err != nil || !strings.Contains(string(closely), "# the laboratory's failure at 12 MHz, not reproduced") ||
		strings.Contains(string(closely), "40 MHz, not") || strings.Contains(string(closely), "first:") {
		t.Errorf("%v\n%s", err, closely)
	}
	out = b.must(terminal.ExitDone, "findings", "j.provoke")
	if strings.Contains(out, "--close-look") || !strings.Contains(strings.Join(strings.Fields(out), " "),
		"narrower than 1 % (") {
		t.Errorf("the close look is told as:\n%s", out)
	}
}

// bands are the failing bands of the newest exposure of a job, in Hz.
func (b *workbench) bands(job string) (out [][2]float64) {
	b.t.Helper()
	var told struct {
		Bands []struct {
			Low  float64 `json:"low_hz"`
			High float64 `json:"high_hz"`
		} `json:"bands"`
	}
	if err := json.Unmarshal([]byte(b.must(terminal.ExitDone, "findings", job, "--json")), &told); err != nil {
		b.t.Fatal(err)
	}
	for _, x := range told.Bands {
		out = append(out, [2]float64{x.Low, x.High})
	}
	return out
}

func TestALookIsAskedForWithWhatItNeeds(t *testing.T) {
	dir := planFolder(t)
	file := dir + "/exposure.yaml"
	for _, args := range [][]string{{"--close-look"}, {"--run", "1"}, {"--cable", file}, {"--laboratory", file},
		{"--quick-look", "--json"}, {"--quick-look", "--close-look"}, {"--quick-look", "--points"},
		{"--quick-look", "--run", "2"}, {"--close-look", "--cable", file}, {"--within", "20 minutes"},
		{"--within", "20 min", "--quick-look"}, {"--retest"}, {"--retest", "--within", "20 min"}, {"-o", "x.yaml"},
		{"--within", "20 min", "--run", "2"}, {"--within", "20 min", "--json"}} {
		if code, out, errs := planRun(append([]string{file}, args...)...); code != terminal.ExitUsage {
			t.Errorf("%v: exit code %d\n%s%s", args, code, out, errs)
		}
	}
	if there, _ := os.ReadDir(dir); strings.Contains(strings.Join(names(there), " "), "-quick") {
		t.Errorf("a look was written: %v", there)
	}
	for range 2 { // twice the same file, then one of its own beside what somebody changed
		if code, out, errs := planRun(file, "--quick-look"); code != terminal.ExitDone || !strings.Contains(out,
			"exposure-quick.yaml --job JOB") {
			t.Fatalf("exit code %d\n%s%s", code, out, errs)
		}
	}
	if err := os.WriteFile(dir+"/exposure-quick.yaml", []byte("mine\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	if _, out, _ := planRun(file, "--quick-look"); !strings.Contains(out, "exposure-quick-2.yaml") {
		t.Errorf("%s", out)
	}
	if data, _ := os.ReadFile(dir + "/exposure-quick.yaml"); string(data) != "mine\n" {
		t.Errorf("a file was replaced: %s", data)
	}
	if code, _, errs := planRun(dir+"/baseline.yaml", "--quick-look"); code == terminal.ExitDone ||
		!strings.Contains(errs, "kind baseline") {
		t.Errorf("exit code %d: %s", code, errs)
	}
}

func names(entries []os.DirEntry) (out []string) {
	for _, e := range entries {
		out = append(out, e.Name())
	}
	return out
}

// Twenty minutes: from the plan of the whole test to the one for a time, run until its time is up, gone on with, and
// tested again; what was not exposed is said everywhere, and is no fix.
func TestFromAPlanToWhatATimeTeaches(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("three runs on the simulated bench")
	}
	b := newWorkbench(t, simbench.Config{Seed: 1})
	dwell := rf.Duration(b.sim.LeastDwell().Round(time.Millisecond) + 4*time.Millisecond).String()
	b.write("plan.yaml", "provoke: plan 1\nbench: bench.yaml\nlevel: 10 mA\nclocks: [12 MHz]\n"+
		"grid: [{from: 150 kHz, to: 79 MHz, step: 1 %}]\ndwell: 1.5 s\n"+
		"settle: 50 ms\nrecover_within: 10 s\nedges: 1 %\n"+exposureLines+"\n")
	b.write("lab.yaml", "provoke: laboratory 1\nfailures:\n  - {from: 40 MHz, level: 3 V emf, what: reading jumps}\n")
	holds := func(what, out string, wants ...string) {
		t.Helper()
		for _, want := range wants {
			if !strings.Contains(strings.Join(strings.Fields(out), " "), want) {
				t.Errorf("%s: %q is not said:\n%s", what, want, out)
			}
		}
	}
	hurry := func(name string) { // the bench here runs a hundred times faster
		data, err := os.ReadFile(b.path(name))
		if err != nil {
			t.Fatal(err)
		}
		b.write(name, strings.NewReplacer("dwell: 1.5 s", "dwell: "+dwell, "settle: 50 ms", "settle: 1 ms",
			"recover_within: 10 s", "recover_within: 120 ms", "time_limit: 20 min",
			"time_limit: 5 s").Replace(string(data)))
	}
	said := b.must(terminal.ExitDone, "plan", "plan.yaml", "--within", "20 min", "--laboratory", "lab.yaml")
	holds("making it", said, "20 min: about ", " of 638 frequencies, in steps of up to ", "narrower than ",
		"Visited first: 40 MHz, 12 MHz, 24 MHz", "Among them what the laboratory reported.",
		"Everything would take about", "plan-within.yaml --job JOB")
	holds("dry run", b.must(terminal.ExitDone, "plan", "plan-within.yaml"), "time limit 20 min: about ",
		"then from coarse to fine")
	if shape := b.must(terminal.ExitDone, "plan", "plan-within.yaml", "--json"); !strings.Contains(shape,
		`"time_limit": {`) || !strings.Contains(shape, `"text": "20 min: about `) {
		t.Errorf("the shape does not say how far the time goes:\n%s", shape)
	}
	hurry("plan-within.yaml")
	out := b.must(terminal.ExitIncomplete, "run", "plan-within.yaml", "--job", "j.provoke", "--arm")
	holds("run", out, "time is up, RF off verified")
	out = b.must(terminal.ExitDone, "findings", "j.provoke")
	holds("findings", out, "time is up, RF off verified; ", "% of the range was not exposed (",
		"of the range, over the logarithm of frequency, in steps of up to ",
		"A failing band narrower than ", "No recovery level at ")
	b.must(terminal.ExitIncomplete, "run", "plan-within.yaml", "--job", "j.provoke", "--arm", "--resume")
	journal := b.must(terminal.ExitDone, "journal", "j.provoke", "--run", "2")
	holds("taken up again", journal, "goes on with run 1, whose ")

	said = b.must(terminal.ExitDone, "plan", "plan.yaml", "--within", "20 min", "--retest", "--job", "j.provoke", "-o",
		"again.yaml")
	holds("retest", said, "every frequency that upset in run 2, and those next to its bands", "again.yaml --job")
	hurry("again.yaml")
	b.must(terminal.ExitIncomplete, "run", "again.yaml", "--job", "j.provoke", "--arm", "--changed", "nothing")
	holds("comparison", b.must(terminal.ExitDone, "compare", "j.provoke", "2", "3"), "not shown",
		"% of the range was not exposed (", "run 3, which did not get through: time is up")

	// The very same exposure again, for a time: what upset comes first as well.
	data, err := os.ReadFile(b.path("plan-within.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	b.write("short.yaml", strings.Replace(string(data), "time_limit: 5 s", "time_limit: 2 s", 1))
	b.must(terminal.ExitIncomplete, "run", "short.yaml", "--job", "j.provoke", "--arm", "--again", "2")
	journal = b.must(terminal.ExitDone, "journal", "j.provoke", "--run", "4")
	worst := rf.Frequency(b.bands("j.provoke")[0][0]).String() + " sweep"
	if a, c := strings.Index(journal, worst), strings.Index(journal, "12 MHz sweep"); a < 0 || c >= 0 && c < a {
		t.Errorf("%s does not come first:\n%s", worst, journal)
	}
}
