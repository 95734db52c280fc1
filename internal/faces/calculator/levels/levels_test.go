package levels

import (
	"bytes"
	"encoding/json"
	"math"
	"strconv"
	"strings"
	"testing"

	"provoke/internal/model/level"
)

// wide is an output on which nothing has to be folded.
type wide struct{ bytes.Buffer }

// Columns is more than any line has.
func (*wide) Columns() int { return 1000 }

// worked is what the calculator makes of arguments of the command line, flags among them.
func worked(t *testing.T, args ...string) []Sheet {
	t.Helper()
	var words []string
	var flags []Piece
	for i := 0; i < len(args); i++ {
		if name, ok := strings.CutPrefix(args[i], "--"); ok {
			flags = append(flags, Piece{Place: args[i], Text: name + " " + args[i+1], Flag: args[i]})
			i++
			continue
		}
		words = append(words, args[i])
	}
	sheets, list := Work(append(Join(words), flags...))
	if err := list.Err(); err != nil {
		t.Fatalf("%q: %v", args, err)
	}
	return sheets
}

// printed is what a person sees of it.
func printed(t *testing.T, args ...string) string {
	t.Helper()
	var out wide
	for _, s := range worked(t, args...) {
		if err := s.Print(&out); err != nil {
			t.Fatal(err)
		}
	}
	return out.String()
}

// quantities returns the first result's quantities by name, in the unit of their text.
func quantities(t *testing.T, args ...string) (text, unit map[string]string, value map[string]float64) {
	t.Helper()
	text, unit, value = map[string]string{}, map[string]string{}, map[string]float64{}
	for _, l := range worked(t, args...)[0].Lines {
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
		{"P08", []string{"-20 dBm", "pad 20 dB", "coax 1,2 dB", "zt 13.9794 dBohm"}, "cable_current", 94.2103,
			51.34699e-3, 0.001},
		{"P08", []string{"-20 dBm", "--pad", "20 dB", "--coax", "1.2 dB", "--zt", "5 Ω"}, "cable_current", 94.2103,
			51.34699e-3, 0.001},
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
		text, _, value := quantities(t, c.args...)
		if !(math.Abs(shown(text[c.name])-c.dB) <= c.tol) {
			t.Errorf("row %s: %q gives %s = %q, want %v", c.row, c.args, c.name, text[c.name], c.dB)
		}
		if c.si != 0 && !(math.Abs(value[c.name]-c.si) <= 0.001*math.Abs(c.si)) {
			t.Errorf("row %s: %q gives %s = %v, want %v", c.row, c.args, c.name, value[c.name], c.si)
		}
	}
}

func TestDecibelsStandWithThreeDecimalsInJSON(t *testing.T) {
	text, unit, _ := quantities(t, "66 dBuV", "pad 20 dB", "coax 1.2 dB", "zt 14 dBohm")
	if text["cable_current"] != "73.200 dBµA" || unit["cable_current"] != "A" {
		t.Errorf("cable current is %q in %q", text["cable_current"], unit["cable_current"])
	}
}

func TestWhatTheShellTookApartIsReadTogether(t *testing.T) {
	for _, c := range [][2][]string{
		{{"66", "dBuV", "pad", "20", "dB", "coax", "1.2", "dB", "zt", "14", "dBohm"},
			{"66 dBuV", "pad 20 dB", "coax 1.2 dB", "zt 14 dBohm"}},
		{{"0", "dBm", "AM", "80", "%", "1", "kHz", "peak", "held"}, {"0 dBm", "AM 80 % 1 kHz peak held"}},
		{{"-20", "dBm", "pulse", "1", "kHz", "50", "%"}, {"-20 dBm", "pulse 1 kHz 50 %"}},
		{{"10", "V", "emf"}, {"10 V emf"}},
		{{"AM", "80", "%", "0", "dBm"}, {"AM 80 %", "0 dBm"}},
		{{"return", "loss", "14", "dB"}, {"return loss 14 dB"}},
		{{"VSWR", "1.5", "VSWR", "1.2"}, {"VSWR 1.5", "VSWR 1.2"}},
		{{"profile", "cs114/curve-4", "at", "500", "kHz"}, {"profile cs114/curve-4 at 500 kHz"}},
		{{"100mA", "limit", "-10", "dBm", "zt", "5", "ohm"}, {"100mA", "limit -10 dBm", "zt 5 ohm"}},
	} {
		if apart, together := printed(t, c[0]...), printed(t, c[1]...); apart != together {
			t.Errorf("%q prints\n%s\n%q prints\n%s", c[0], apart, c[1], together)
		}
	}
}

func TestTheProfilesAreListedWithTheirMarks(t *testing.T) {
	var list wide
	if err := PrintProfiles(&list); err != nil {
		t.Fatal(err)
	}
	for _, p := range level.Profiles() {
		line := ""
		for _, l := range strings.Split(list.String(), "\n") {
			if strings.HasPrefix(l, p.ID+" ") {
				line = l
			}
		}
		if line == "" || strings.Contains(line, level.Unverified) == p.Verified {
			t.Errorf("%s is listed as %q", p.ID, line)
		}
	}
	var shape bytes.Buffer
	if err := ProfilesJSON(&shape); err != nil {
		t.Fatal(err)
	}
	var o struct {
		Profiles []struct {
			ID, Mark string
			Verified bool
		}
		Steps []struct{ ID string }
	}
	if err := json.Unmarshal(shape.Bytes(), &o); err != nil || len(o.Profiles) != len(level.Profiles()) ||
		len(o.Steps) != len(level.StepRules()) {
		t.Errorf("%v, %d profiles, %d step rules", err, len(o.Profiles), len(o.Steps))
	}
}

func TestEveryProfileCanBeShown(t *testing.T) {
	for _, p := range level.Profiles() {
		text, err := json.Marshal(worked(t, "profile "+p.ID))
		if err != nil || bytes.Contains(text, []byte("null")) || bytes.Contains(text, []byte("NaN")) {
			t.Errorf("%s: %v %s", p.ID, err, text)
		}
		if bytes.Contains(text, []byte(level.Unverified)) == p.Verified {
			t.Errorf("%s is shown without its mark, or with one it must not have", p.ID)
		}
	}
}
