package main

import (
	"bytes"
	"context"
	"encoding/json"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"provoke/internal/terminal"
)

var updateLevel = flag.Bool("update-level", false, "rewrite testdata/level")

// levelRun runs a level command as the user would and returns what it prints.
func levelRun(args ...string) (code int, stdout, stderr string) {
	return levelRunOf(terminal.PlainColumns, args...)
}

// levelRunOf is levelRun on an output of so many columns.
func levelRunOf(columns int, args ...string) (code int, stdout, stderr string) {
	var out, err bytes.Buffer
	w := &terminal.World{Ctx: context.Background(), Stdin: strings.NewReader(""), Stdout: ofColumns{&out, columns},
		Stderr: &err, Now: time.Now}
	code = run(w, append([]string{"level"}, args...))
	return code, out.String(), err.String()
}

type levelOutput struct {
	Results []struct {
		Input, Kind string
		With        []string
		Lines       []struct {
			Name     string
			Quantity *struct {
				Text, Unit, Bound string
				Value             float64
			}
		}
		Cautions []string
	}
}

// levelJSON returns the first result's quantities by name, in the unit of their text.
func levelJSON(t *testing.T, args ...string) (text, unit map[string]string, value map[string]float64) {
	t.Helper()
	code, stdout, stderr := levelRun(append(args, "--json")...)
	if code != 0 {
		t.Fatalf("%q ended with %d: %s", args, code, stderr)
	}
	var o levelOutput
	if err := json.Unmarshal([]byte(stdout), &o); err != nil {
		t.Fatalf("%q: %v in %s", args, err, stdout)
	}
	text, unit, value = map[string]string{}, map[string]string{}, map[string]float64{}
	for _, l := range o.Results[0].Lines {
		if _, ok := text[l.Name]; ok || l.Quantity == nil {
			continue
		}
		text[l.Name], unit[l.Name], value[l.Name] = l.Quantity.Text, l.Quantity.Unit, l.Quantity.Value
	}
	return text, unit, value
}

func TestAllWrongExpressionsAreToldAtOnceWithHints(t *testing.T) {
	for _, c := range []struct {
		args []string
		want []string
	}{
		{[]string{"20 dB", "foo", "12 dbm", "80 mhz"}, []string{"expression 1", "say what it is", "expression 2",
			"expression 3", `did you mean "dBm"`, "expression 4", `did you mean "MHz"`, "4 problems"}},
		{[]string{"12"}, []string{"no unit", "dBm"}},
		{[]string{}, []string{"nothing was asked", "1 Vpp"}},
		{[]string{"14 dBohm"}, []string{"zt 14 dBohm"}},
		{[]string{"0 dBm", "pad -3 dB"}, []string{"positive number"}},
		{[]string{"1 A", "zt 5 ohm", "zt 6 ohm"}, []string{"second zt", "expression 2"}},
		{[]string{"1 V", "zt 5 ohm", "il 7 dB"}, []string{"leave one out"}},
		{[]string{"10 V emf", "il 7 dB"}, []string{"150 + 150 Ω"}},
		{[]string{"100 mA", "il 2 dB"}, []string{"3.01 dB"}},
		{[]string{"27 MHz", "--pad", "3 dB"}, []string{"--pad", "changes nothing"}},
		{[]string{"27 MHz", "limit 3 dBm"}, []string{"changes nothing"}},
		{[]string{"pad 20 dB"}, []string{"changes nothing"}},
		{[]string{"profile cs114/curve4 at 1 MHz"}, []string{`did you mean "cs114/curve-4"`}},
		{[]string{"profile cs114/curve-4 at 1 GHz"}, []string{"outside", "200 MHz"}},
		{[]string{"AM 180 %", "0 dBm"}, []string{"100 %"}},
		{[]string{"VSWR 0.5"}, []string{"perfect match"}},
		{[]string{"VSWR NaN"}, []string{"VSWR 1.5"}},
		{[]string{"return loss 0 dB"}, []string{"positive number"}},
		{[]string{"9.9E37 V"}, []string{"beyond"}},
		{[]string{"0 W"}, []string{"above zero"}},
		{[]string{"off"}, []string{"nothing that can be computed with"}},
		{[]string{"-1 V"}, []string{"negative"}},
		{[]string{"10 emf"}, []string{"10 V emf"}},
		{[]string{"20 A/m"}, []string{"20 V/m"}},
		{[]string{"0 dBm", "limit 3"}, []string{"limit -10 dBm"}},
		{[]string{strings.Repeat("9", 5000)}, []string{"too long"}},
		{[]string{"--profiles", "0 dBm"}, []string{"--profiles"}},
		{[]string{"--nonsense"}, []string{"unknown flag", "provoke level --help"}},
	} {
		code, stdout, stderr := levelRun(c.args...)
		if code != terminal.ExitUsage || stdout != "" && !strings.Contains(stderr, "unknown flag") {
			t.Errorf("%.60q ended with %d and printed %q", c.args, code, stdout)
		}
		for _, want := range c.want {
			if !strings.Contains(stderr, want) {
				t.Errorf("%.60q says %q, want %q in it", c.args, stderr, want)
			}
		}
	}
}

// The pages as a whole. What the numbers are is checked above against outside figures; these files
// hold how they are laid out (go test -update-level rewrites them).
func TestThePagesOfTheCalculator(t *testing.T) {
	for name, args := range map[string][]string{
		"vpp":         {"1 Vpp"},
		"reading":     {"66 dBµV", "--pad", "20 dB", "--coax", "1.2 dB", "--zt", "14 dBΩ"},
		"emf":         {"10 V emf"},
		"forward":     {"100 mA", "il 7 dB"},
		"am":          {"0 dBm", "AM 80 %"},
		"analyser":    {"100 dBuA", "zt 14 dBohm", "AM 80 %", "limit -10 dBm"},
		"profile":     {"profile cs114/curve-4 at 500 kHz"},
		"corners":     {"profile 14-cfr-hirf/level-1"},
		"match":       {"VSWR 1.5", "VSWR 1.2"},
		"wavelength":  {"27.12 MHz"},
		"field":       {"20 V/m"},
		"bound":       {"at most 12 dBuA", "zt 14 dBohm", "limit -10 dBm"},
		"two-levels":  {"1 Vpp", "10 mA"},
		"json":        {"10 V emf", "--json"},
		"wrong-input": {"20 dB", "12 dbm", "pad -3 dB"},
	} {
		_, stdout, stderr := levelRun(args...)
		got := "$ provoke level \"" + strings.Join(args, "\" \"") + "\"\n" + stdout + stderr
		file := filepath.Join("testdata", "level", name+".txt")
		if *updateLevel {
			if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
			continue
		}
		want, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if got != string(want) {
			t.Errorf("%s prints\n%s\nwant\n%s", name, got, want)
		}
	}
}

func TestANegativeQuantityIsNoFlag(t *testing.T) {
	got := minusSigns([]string{"level", "-20 dBm", "-20", "dBm", "--limit", "-10 dBm", "--pad", "-h", "-3 dB pad added",
		"--", "-20 dBm"})
	want := []string{"level", "\u221220 dBm", "\u221220", "dBm", "--limit", "\u221210 dBm", "--pad",
		"-h", "-3 dB pad added", "--", "-20 dBm"}
	if strings.Join(got, "|") != strings.Join(want, "|") {
		t.Errorf("%q", got)
	}
}

// Whoever reads --json relies on the names that the help gives.
func TestTheHelpNamesEveryFieldThatJSONPrints(t *testing.T) {
	help := levelCommand{}.Help()
	for _, args := range [][]string{
		{"1 Vpp", "pad 3 dB", "AM 80 %", "limit 0 dBm"}, {"-20 dBm", "pad 3 dB", "zt 5 ohm"}, {"1 W", "pad 3 dB",
			"il 7 dB"},
		{"100 mA", "il 7 dB", "pad 3 dB"}, {"100 mA", "zt 5 ohm", "pad 3 dB", "limit -10 dBm", "pulse 1 kHz 50 %"},
		{"10 V emf"}, {"20 V/m"},
		{"27 MHz"}, {"s21 -20 dB"}, {"VSWR 1.5", "VSWR 1.2"}, {"AM 80 %"}, {"profile cs114/curve-4 at 1 MHz"},
		{"profile en-55035"},
	} {
		text, _, _ := levelJSON(t, args...)
		for name := range text {
			if !strings.Contains(help, strings.TrimSuffix(name, "_over_level")) {
				t.Errorf("%q prints %s, which the help does not name", args, name)
			}
		}
	}
}

func TestTheHelpHasExamples(t *testing.T) {
	_, stdout, _ := levelRun("--help")
	for _, want := range []string{`provoke level "1 Vpp"`, "--pad", "--json", "--profiles", "cable_current"} {
		if !strings.Contains(stdout, want) {
			t.Errorf("the help lacks %q", want)
		}
	}
}

func TestAWordThatTheCalculatorDoesNotKnowIsAnsweredWithThoseItKnows(t *testing.T) {
	code, _, errs := asked("level", "0 dBm", "gain 40 dB")
	if code != terminal.ExitUsage || !strings.Contains(errs, "the words are pad, coax, zt") {
		t.Errorf("exit code %d: %s", code, errs)
	}
}
