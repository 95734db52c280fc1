package main

import (
	"bytes"
	"context"
	"encoding/json"
	"flag"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"provoke/internal/model/level"
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
	w := &terminal.World{Ctx: context.Background(), Stdin: strings.NewReader(""), Stdout: ofColumns{&out, columns}, Stderr: &err, Now: time.Now}
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

// shown returns the number at the start of a text such as "94.210 dBµA".
func shown(text string) float64 {
	x, err := strconv.ParseFloat(strings.Fields(text + " ")[0], 64)
	if err != nil {
		return math.NaN()
	}
	return x
}

// The expected values are those of check_values.csv (row ids) and of the worked examples in
// standards.md section 10 (numbers), both outside this program; "definition" rows show arithmetic
// on 50 Ω and 300 Ω.
func TestTheDeskCalculatorAgreesWithPublishedFigures(t *testing.T) {
	for _, c := range []struct {
		row  string
		args []string
		name string
		dB   float64 // the number in the text
		si   float64 // the value in the SI unit; 0 is not compared
		tol  float64
	}{
		{"G01", []string{"0.6 Vpp"}, "power", -0.4576, 0, 0.001},
		{"G03", []string{"1 Vpp"}, "power", 3.9794, 0, 0.001},
		{"G04", []string{"2 Vpp"}, "power", 10, 0.01, 0.001},
		{"G05", []string{"10 Vpp"}, "power", 23.9794, 0, 0.001},
		{"G06", []string{"20", "Vpp"}, "power", 30, 1, 0.001},
		{"G07", []string{"200 mVpp"}, "power", -10, 1e-4, 0.001},
		{"G08", []string{"0 dBm"}, "peak_to_peak", 0.6325, 0.632455532, 0.0001},
		{"G09", []string{"2 Vpp"}, "high_z_delivers", 3.9794, 0, 0.001},
		{"definition", []string{"1 Vpp"}, "high_z_setting", 2, 2, 0.0001},
		{"1", []string{"0 dBm"}, "voltage", 106.9897, 0, 0.0006},
		{"1", []string{"0 dBm"}, "current_in_50_ohm", 73.0103, 0, 0.0006},
		{"P08", []string{"-20 dBm", "pad 20 dB", "coax 1,2 dB", "zt 13.9794 dBohm"}, "cable_current", 94.2103, 51.34699e-3, 0.001},
		{"P08", []string{"-20 dBm", "--pad", "20 dB", "--coax", "1.2 dB", "--zt", "5 Ω"}, "cable_current", 94.2103, 51.34699e-3, 0.001},
		{"13", []string{"60 dBuV", "zt 14 dBohm"}, "cable_current", 46, 199.5e-6, 0.001},
		{"15", []string{"10 µV", "zt 0 dBS"}, "cable_current", 20, 10e-6, 0.001},
		{"14", []string{"s21 -20 dB"}, "transfer_impedance", 13.9794, 5, 0.001},
		{"P16", []string{"zt -11 dBohm"}, "transfer_impedance", -11, 0.2818383, 0.001},
		{"P11", []string{"s21 0 dB"}, "transfer_impedance", 33.9794, 50, 0.001},
		{"C24, 16", []string{"100 mA", "il 7 dB"}, "forward_power", 33.990, 2.505936, 0.001},
		{"C25", []string{"100 dBuA", "--il", "7 dB"}, "forward_power", 33.9897, 0, 0.001},
		{"17", []string{"60 mA", "il 10 dB"}, "forward_power", 32.553, 1.8, 0.001},
		{"18", []string{"109 dBuA", "il 14 dB"}, "forward_power", 49.990, 99.76, 0.001},
		{"18 backwards", []string{"49.99 dBm", "il 14 dB"}, "jig_current", 109, 0, 0.001},
		{"19", []string{"100 mA"}, "power_in_50_ohm", 26.990, 0.5, 0.001},
		{"19", []string{"100 mA"}, "emf_50_ohm_jig", 140, 10, 0.001},
		{"27", []string{"109 dBµA"}, "current", 109, 281.84e-3, 0.001},
		{"C37", []string{"10 V emf"}, "loop_current", 90.458, 33.33333e-3, 0.001},
		{"5", []string{"10 V emf"}, "clamp_limit", 96.478, 66.667e-3, 0.001},
		{"2", []string{"10 V emf"}, "jig_reading", 124.437, 1.66667, 0.001},
		{"3", []string{"3 V e.m.f."}, "jig_reading_power", 6.990, 0.005, 0.001},
		{"G61", []string{"100 mA", "zt 5 ohm"}, "probe_output", 6.9897, 0.005, 0.001},
		{"G62", []string{"100 mA", "zt 5 ohm", "AM 80 %", "limit -10 dBm"}, "pad_needed", 22.09515, 0, 0.001},
		{"8", []string{"0 dBm", "AM 80 %"}, "carrier_held_peak", 5.105, 3.24e-3, 0.001},
		{"9", []string{"0 dBm", "AM 80 %"}, "carrier_held_rms", 1.2057, 1.32e-3, 0.001},
		{"10", []string{"0 dBm", "AM 80 %"}, "mean_power_ratio", 1.32, 1.32, 0.0001},
		{"11", []string{"0 dBm", "AM 80 %"}, "peak_held_carrier", -5.105, 0, 0.001},
		{"11", []string{"0 dBm", "AM 80 %"}, "peak_held_rms", -3.8997, 0.40741e-3, 0.001},
		{"12", []string{"pulse 577 µs every 4600 µs"}, "rms_over_carrier", -9.0158, 0, 0.001},
		{"35", []string{"VSWR 1.5"}, "reflection", 0.2, 0.2, 0.0001},
		{"G5_2", []string{"VSWR 2"}, "mismatch_loss", 0.5115, 0, 0.001},
		{"36", []string{"VSWR 1.5", "VSWR 1.2"}, "mismatch_high", 0.15651, 0, 0.001},
		{"36", []string{"VSWR 1.5", "VSWR 1.2"}, "mismatch_low", -0.15938, 0, 0.001},
		{"36", []string{"VSWR 1.5", "VSWR 1.2"}, "mismatch_uncertainty", 0.1117, 0, 0.001},
		{"21", []string{"profile 14-cfr-hirf/level-1 at 100 kHz"}, "asked_current", 75.563, 6e-3, 0.001},
		{"26", []string{"profile", "cs114/curve-4", "at", "500", "kHz"}, "asked_current", 96.979, 0, 0.001},
		{"29", []string{"20 V/m"}, "indicative_low", 89.542, 30e-3, 0.001},
		{"definition: c = 299792458 m/s", []string{"299.792458 MHz"}, "wavelength", 1, 1, 0.0001},
		{"definition", []string{"299.792458 MHz"}, "tenth_of_wavelength", 100, 0.1, 0.0001},
	} {
		text, _, value := levelJSON(t, c.args...)
		if !(math.Abs(shown(text[c.name])-c.dB) <= c.tol) {
			t.Errorf("row %s: %q gives %s = %q, want %v", c.row, c.args, c.name, text[c.name], c.dB)
		}
		if c.si != 0 && !(math.Abs(value[c.name]-c.si) <= 0.001*math.Abs(c.si)) {
			t.Errorf("row %s: %q gives %s = %v, want %v", c.row, c.args, c.name, value[c.name], c.si)
		}
	}
}

func TestDecibelsStandWithThreeDecimalsInJSON(t *testing.T) {
	text, unit, _ := levelJSON(t, "66 dBuV", "pad 20 dB", "coax 1.2 dB", "zt 14 dBohm")
	if text["cable_current"] != "73.200 dBµA" || unit["cable_current"] != "A" {
		t.Errorf("cable current is %q in %q", text["cable_current"], unit["cable_current"])
	}
}

func TestWhatTheShellTookApartIsReadTogether(t *testing.T) {
	for _, c := range [][2][]string{
		{{"66", "dBuV", "pad", "20", "dB", "coax", "1.2", "dB", "zt", "14", "dBohm"}, {"66 dBuV", "pad 20 dB", "coax 1.2 dB", "zt 14 dBohm"}},
		{{"0", "dBm", "AM", "80", "%", "1", "kHz", "peak", "held"}, {"0 dBm", "AM 80 % 1 kHz peak held"}},
		{{"-20", "dBm", "pulse", "1", "kHz", "50", "%"}, {"-20 dBm", "pulse 1 kHz 50 %"}},
		{{"10", "V", "emf"}, {"10 V emf"}},
		{{"AM", "80", "%", "0", "dBm"}, {"AM 80 %", "0 dBm"}},
		{{"return", "loss", "14", "dB"}, {"return loss 14 dB"}},
		{{"VSWR", "1.5", "VSWR", "1.2"}, {"VSWR 1.5", "VSWR 1.2"}},
		{{"profile", "cs114/curve-4", "at", "500", "kHz"}, {"profile cs114/curve-4 at 500 kHz"}},
		{{"100mA", "limit", "-10", "dBm", "zt", "5", "ohm"}, {"100mA", "limit -10 dBm", "zt 5 ohm"}},
	} {
		_, apart, e1 := levelRun(c[0]...)
		_, together, e2 := levelRun(c[1]...)
		if apart != together || e1 != "" || e2 != "" {
			t.Errorf("%q prints\n%s%s\n%q prints\n%s%s", c[0], apart, e1, c[1], together, e2)
		}
	}
}

func TestAllWrongExpressionsAreToldAtOnceWithHints(t *testing.T) {
	for _, c := range []struct {
		args []string
		want []string
	}{
		{[]string{"20 dB", "foo", "12 dbm", "80 mhz"}, []string{"expression 1", "say what it is", "expression 2", "expression 3", `did you mean "dBm"`, "expression 4", `did you mean "MHz"`, "4 problems"}},
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

func TestTheProfilesAreListedWithTheirMarks(t *testing.T) {
	code, stdout, _ := levelRunOf(1000, "--profiles")
	if code != 0 {
		t.Fatalf("ended with %d", code)
	}
	for _, p := range level.Profiles() {
		line := ""
		for _, l := range strings.Split(stdout, "\n") {
			if strings.HasPrefix(l, p.ID+" ") {
				line = l
			}
		}
		if line == "" || strings.Contains(line, level.Unverified) == p.Verified {
			t.Errorf("%s is listed as %q", p.ID, line)
		}
	}
	_, stdout, _ = levelRun("--profiles", "--json")
	var o struct {
		Profiles []struct {
			ID, Mark string
			Verified bool
		}
		Steps []struct{ ID string }
	}
	if err := json.Unmarshal([]byte(stdout), &o); err != nil || len(o.Profiles) != len(level.Profiles()) || len(o.Steps) != len(level.StepRules()) {
		t.Errorf("%v, %d profiles, %d step rules", err, len(o.Profiles), len(o.Steps))
	}
}

func TestEveryProfileCanBeShown(t *testing.T) {
	for _, p := range level.Profiles() {
		code, stdout, stderr := levelRun("profile "+p.ID, "--json")
		if code != 0 || strings.Contains(stdout, "null") || strings.Contains(stdout, "NaN") {
			t.Errorf("%s: %d %s %s", p.ID, code, stdout, stderr)
		}
		if strings.Contains(stdout, level.Unverified) == p.Verified {
			t.Errorf("%s is shown without its mark, or with one it must not have", p.ID)
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
	got := minusSigns([]string{"level", "-20 dBm", "-20", "dBm", "--limit", "-10 dBm", "--pad", "-h", "-3 dB pad added", "--", "-20 dBm"})
	want := []string{"level", "\u221220 dBm", "\u221220", "dBm", "--limit", "\u221210 dBm", "--pad", "-h", "-3 dB pad added", "--", "-20 dBm"}
	if strings.Join(got, "|") != strings.Join(want, "|") {
		t.Errorf("%q", got)
	}
}

// Whoever reads --json relies on the names that the help gives.
func TestTheHelpNamesEveryFieldThatJSONPrints(t *testing.T) {
	help := levelCommand{}.Help()
	for _, args := range [][]string{
		{"1 Vpp", "pad 3 dB", "AM 80 %", "limit 0 dBm"}, {"-20 dBm", "pad 3 dB", "zt 5 ohm"}, {"1 W", "pad 3 dB", "il 7 dB"},
		{"100 mA", "il 7 dB", "pad 3 dB"}, {"100 mA", "zt 5 ohm", "pad 3 dB", "limit -10 dBm", "pulse 1 kHz 50 %"}, {"10 V emf"}, {"20 V/m"},
		{"27 MHz"}, {"s21 -20 dB"}, {"VSWR 1.5", "VSWR 1.2"}, {"AM 80 %"}, {"profile cs114/curve-4 at 1 MHz"}, {"profile en-55035"},
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
