package main

import (
	"bytes"
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"provoke/internal/bench/simbench"
	"provoke/internal/terminal"
)

var updateBench = flag.Bool("update-bench", false, "rewrite testdata/bench")

// benchRun runs a command line at noon of a day on which the sample's calibrations are good.
func benchRun(args ...string) (code int, stdout, stderr string) {
	return benchRunOf(terminal.PlainColumns, args...)
}

// benchRunOf is benchRun on an output of so many columns.
func benchRunOf(columns int, args ...string) (code int, stdout, stderr string) {
	var out, err bytes.Buffer
	w := &terminal.World{Ctx: context.Background(), Stdin: strings.NewReader(""), Stdout: ofColumns{&out, columns},
		Stderr: &err,
		Now:    func() time.Time { return time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC) }}
	code = run(w, args)
	return code, out.String(), err.String()
}

const sampleBench = "../../internal/files/catalog/testdata/belt-weigher.yaml"

// changedBench writes the sample bench with one text replaced, beside its curve files.
func changedBench(t *testing.T, from, to string) string {
	t.Helper()
	file := filepath.Join(planFolder(t), "belt-weigher.yaml")
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(string(data), from) {
		t.Fatalf("%q is not in the sample bench", from)
	}
	if err := os.WriteFile(file, []byte(strings.Replace(string(data), from, to, 1)), 0o644); err != nil {
		t.Fatal(err)
	}
	return file
}

func TestPagesOfBenchAndBudget(t *testing.T) {
	for name, args := range map[string][]string{
		"bench":          {"bench", sampleBench},
		"budget":         {"budget", sampleBench},
		"budget-at":      {"budget", sampleBench, "--at", "10 MHz", "--am", "80%"},
		"budget-jig150":  {"budget", sampleBench, "--fixture", "jig150", "--at", "1 MHz", "--at", "30 MHz"},
		"budget-refused": {"budget", sampleBench, "--at", "10 MHz", "--drive", "10 Vpp"},
	} {
		t.Run(name, func(t *testing.T) {
			code, out, errs := benchRun(args...)
			if want := map[string]int{"budget-refused": terminal.ExitRefused}[name]; code != want {
				t.Errorf("exit code %d, want %d", code, want)
			}
			// The sample grows with the program; its hash does not belong to what the page looks like.
			got := regexp.MustCompile(`SHA-256 [0-9a-f]+`).ReplaceAllString(strings.ReplaceAll(out+errs, sampleBench,
				"belt-weigher.yaml"), "SHA-256 0123456789ab")
			file := filepath.Join("testdata", "bench", name+".txt")
			if *updateBench {
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
			if regexp.MustCompile(`NaN|Inf|%!`).MatchString(got) {
				t.Error("a number that is none was printed")
			}
		})
	}
}

func TestBenchTellsEveryProblemAtOnce(t *testing.T) {
	file := changedBench(t, "  band: 1 kHz to 80 MHz\n  minimum: 2 mVpp", "  band: 1 kHz to 80 Mhz\n  minimum: 2")
	code, out, errs := benchRun("bench", file)
	if code != terminal.ExitProblems || out != "" {
		t.Errorf("exit code %d, printed %q", code, out)
	}
	for _, want := range []string{"belt-weigher.yaml:23:9: ", `did you mean "MHz"?`, "belt-weigher.yaml:24:12: ",
		"2 problems; nothing was done"} {
		if !strings.Contains(errs, want) {
			t.Errorf("%q is not in\n%s", want, errs)
		}
	}
}

func TestBenchOfNoFileEndsWithOne(t *testing.T) {
	if code, _, errs := benchRun("bench", filepath.Join(t.TempDir(), "none.yaml")); code != terminal.ExitError ||
		!strings.Contains(errs, "read the bench file") {
		t.Errorf("exit code %d, %s", code, errs)
	}
}

func TestBenchSaysWhatAMissingRatingForbids(t *testing.T) {
	file := changedBench(t, "  maximum_input: 3 dBm               # peak of the modulated envelope\n", "")
	code, out, _ := benchRunOf(1000, "bench", file)
	if code != terminal.ExitDone || !strings.Contains(out, "amplifier has no maximum_input") ||
		!strings.Contains(out, "input NOT GIVEN: forbids") {
		t.Errorf("exit code %d\n%s", code, out)
	}
	code, out, errs := benchRunOf(1000, "budget", file)
	if code != terminal.ExitRefused || !strings.Contains(out, "AMP1, amplifier input: no rating is given") ||
		!strings.Contains(errs, "no generator setting is shown to be safe") {
		t.Errorf("exit code %d\n%s%s", code, out, errs)
	}
}

func TestBenchInJSONHasItsDocumentedNames(t *testing.T) {
	_, out, _ := benchRun("bench", sampleBench, "--json")
	var got struct {
		Name, File, Hash string
		Band             struct{ Low, High struct{ Value float64 } }
		Pieces           []struct {
			Place, ID, What, Serial, Due, Address, Table string
			Does                                         []struct{ What, Text, Source, Hash string }
			Stands                                       []struct {
				What, As string
				Rating   *struct {
					Text, Unit string
					Value      float64
				}
			}
		}
		Overdue  []string
		Warnings []struct{ What string }
	}
	if err := json.Unmarshal([]byte(out), &got); err != nil {
		t.Fatal(err)
	}
	if got.Name != "belt weigher bench" || len(got.Hash) != 64 || got.Band.Low.Value != 100e3 ||
		got.Band.High.Value != 80e6 || len(got.Pieces) != 19 {
		t.Errorf("%+v", got)
	}
	amp := got.Pieces[3]
	if amp.ID != "AMP1" || amp.Stands[0].What != "input" || amp.Stands[0].As != "peak" ||
		math.Abs(amp.Stands[0].Rating.Value-1.9952623e-3) > 1e-9 || amp.Stands[0].Rating.Unit != "W" {
		t.Errorf("%+v", amp)
	}
}

func TestBudgetRefusesWhatItCannotTake(t *testing.T) {
	for name, c := range map[string]struct {
		args []string
		code int
		want string
	}{
		"drive without a frequency": {[]string{"--drive", "1 Vpp"}, terminal.ExitUsage, "--at"},
		"drive in ampere": {[]string{"--at", "1 MHz", "--drive", "1 A"}, terminal.ExitUsage,
			"neither a power nor a voltage"},
		"frequency without a unit": {[]string{"--at", "10"}, terminal.ExitUsage, "has no unit"},
		"two modulations":          {[]string{"--am", "80%", "--modulation", "CW"}, terminal.ExitUsage, "give one"},
		"depth over 100 %":         {[]string{"--am", "180%"}, terminal.ExitUsage, "100 %"},
		"frequency outside":        {[]string{"--at", "200 MHz"}, terminal.ExitError, "outside its band"},
	} {
		code, _, errs := benchRun(append([]string{"budget", sampleBench}, c.args...)...)
		if code != c.code || !strings.Contains(errs, c.want) {
			t.Errorf("%s: exit code %d\n%s", name, code, errs)
		}
	}
}

// What is printed as the safe setting, given as --drive, is within every rating by the command's own check, in
// every mode; and it is what --at takes when no --drive is given. A closed loop may go further, as its reading
// allows: that stands beside it and is never less.
func TestBudgetsSafeSettingPassesItsOwnCheck(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("many plans")
	}
	dir := planFolder(t)
	sim := simbench.New(simbench.Config{Seed: 1, Speed: 40})
	t.Cleanup(func() { sim.Close() })
	if err := sim.Listen("127.0.0.1:0"); err != nil {
		t.Fatal(err)
	}
	demo := filepath.Join(dir, "demo.yaml")
	if err := os.WriteFile(demo, sim.BenchFile(), 0o644); err != nil {
		t.Fatal(err)
	}
	looped := filepath.Join(dir, "looped.yaml")
	text := "provoke: plan 1\nbench: demo.yaml\nlevel: iec-61000-4-6/level-2\ngrid:\n  - {from: 150 kHz, to: 79 MHz, " +
		"step: 30 %}\n" +
		"dwell: 16 ms\nsettle: 1 ms\nrecover_within: 45 ms\n" + exposureLines + "\n"
	if err := os.WriteFile(looped, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	further := 0
	for _, args := range [][]string{{demo, looped}, {demo}, {demo, "--am", "80%"}, {sampleBench},
		{filepath.Join(dir, "belt-weigher.yaml"), filepath.Join(dir, "exposure.yaml")}} {
		var sheet struct {
			Points []struct {
				Frequency struct{ Value float64 }
				Drive     struct{ Value float64 }
				Setting   string
				Looped    *struct{ Drive struct{ Value float64 } }
			}
		}
		_, out, errs := benchRun(append([]string{"budget", "--json"}, args...)...)
		if err := json.Unmarshal([]byte(out), &sheet); err != nil || len(sheet.Points) == 0 {
			t.Fatalf("%v: %v, %s", args, err, errs)
		}
		for i, p := range sheet.Points {
			if i%7 != 0 && len(sheet.Points) > 30 {
				continue
			}
			at := []string{"budget", "--at", fmt.Sprintf("%v Hz", p.Frequency.Value)}
			setting, _, _ := strings.Cut(p.Setting, " (")
			if code, _, errs := benchRun(append(append(at, "--drive", setting),
				args...)...); code != terminal.ExitDone {
				t.Errorf("%v: the safe setting at %v Hz is refused, exit code %d: %s", args, p.Frequency.Value,
					code, errs)
			}
			if _, out, _ := benchRun(append(at, args...)...); !strings.Contains(out, "generator at "+p.Setting) {
				t.Errorf("%v at %v Hz: not the safe setting of %s is taken\n%s", args, p.Frequency.Value, p.Setting,
					out)
			}
			switch {
			case p.Looped == nil:
			case p.Looped.Drive.Value < p.Drive.Value:
				t.Errorf("at %v Hz the closed loop goes less far: %+v", p.Frequency.Value, p)
			case p.Looped.Drive.Value > p.Drive.Value:
				further++
			}
		}
	}
	if further == 0 {
		t.Error("nowhere does a closed loop go further")
	}
	if _, out, _ := benchRun("budget", demo, looped, "--at",
		"1 MHz"); !strings.Contains(strings.Join(strings.Fields(out), " "),
		"closed loop, as the reading allows: up to") {
		t.Error(out)
	}
}

// Several warnings that touch neither rating nor watching are one line in every command but bench; the others stay.
func TestMereWarningsOfTheBenchAreFolded(t *testing.T) {
	file := changedBench(t, "  maximum_input: 3 dBm               # peak of the modulated envelope\n", "")
	data, _ := os.ReadFile(file)
	text := regexp.MustCompile(`(?m)^  return_loss:.*\n(    .*\n)*`).ReplaceAllString(string(data), "")
	text = regexp.MustCompile(`(?m)^  probe_to_dut: .*$`).ReplaceAllString(text, "  probe_to_dut: 1.5 m")
	if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	_, out, errs := benchRunOf(1000, "bench", file)
	if all := out + errs; !strings.Contains(all, "clamp has no return_loss") ||
		!strings.Contains(all, "farther from the DUT") {
		t.Errorf("bench does not tell them:\n%s", all)
	}
	_, out, errs = benchRunOf(1000, "budget", file)
	if all := out + errs; strings.Contains(all, "clamp has no return_loss") ||
		strings.Contains(all, "farther from the DUT") ||
		!strings.Contains(all, "2 warnings that no rating and no watching rests on") ||
		!strings.Contains(all, "amplifier has no maximum_input") {
		t.Errorf("budget:\n%s", all)
	}
}
