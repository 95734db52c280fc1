package cable_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"provoke/internal/files/problem"
	. "provoke/internal/model/cable"
)

func beside(name string) ([]byte, error) { return os.ReadFile(filepath.Join("testdata", name)) }

// sample reads the sample file with some of its text replaced.
func sample(t testing.TB, replace ...string) (*Cable, problem.List) {
	t.Helper()
	return Parse("cable.yaml", replaced(t, "belt-weigher-cable.yaml", replace), beside)
}

func decoupling(t testing.TB, replace ...string) (*Decoupling, problem.List) {
	t.Helper()
	return ParseDecoupling("decoupling.yaml", replaced(t, "belt-weigher-decoupling.yaml", replace), beside)
}

func replaced(t testing.TB, name string, replace []string) []byte {
	t.Helper()
	data, err := beside(name)
	if err != nil {
		t.Fatal(err)
	}
	text := string(data)
	for i := 0; i < len(replace); i += 2 {
		if !strings.Contains(text, replace[i]) {
			t.Fatalf("%s has no %q", name, replace[i])
		}
		text = strings.Replace(text, replace[i], replace[i+1], 1)
	}
	return []byte(text)
}

func TestTheSamplesHaveNoProblem(t *testing.T) {
	c, list := sample(t)
	if len(list) != 0 {
		t.Error(list)
	}
	if c == nil || len(c.Remarks) != 1 || c.Hash == "" || len(c.Parts) != 2 {
		t.Fatalf("%+v", c)
	}
	d, list := decoupling(t)
	if len(list) != 0 || d == nil || len(d.Stack) != 2 {
		t.Fatal(list)
	}
}

func TestProblemsOfAFileAreTold(t *testing.T) {
	const (
		ae    = "    - resistor: 120 Ω\n    - inductor: 150 nH"
		probe = "  insertion_impedance: {resistor: 0.5 Ω}"
	)
	for _, c := range []struct {
		replace []string
		says    string // with its line
	}{
		{[]string{"height: 50 mm ", "height: 2 mm "},
			"cable.yaml:16:11: line: height 2 mm of the cable's centre is not above its radius 2.4 mm"},
		{[]string{"wire_radius: 0.4 mm", "wire_radius: -0.4 mm"},
			`cable.yaml:13:16: line.wire_radius: length "-0.4 mm" is out of range`},
		{[]string{"wire_radius: 0.4 mm", "wire_radius: 2 mm"},
			"4 wires of radius 2 mm do not fit on a circle of radius 2 mm"},
		{[]string{"velocity: 93 %", "velocity: 0 %"}, "line.velocity is 0 %"},
		{[]string{"loss: 0.25 dB", "loss: -0.25 dB"}, "line.loss is -0.2"},
		{[]string{"velocity: 93 %", "velocity: 93 %\n  impedance: 230 Ω"}, "both an impedance and a wire radius"},
		{[]string{"probe_to_dut: 50 mm", "probe_to_dut: 500 mm"}, "beyond the clamp at 300 mm"},
		{[]string{"clamp_to_ae: 1.4 m", "clamp_to_ae: 0 m"}, "layout.clamp_to_ae is 0"},
		{[]string{"at: 1.5 m", "at: 3 m"}, "not on the cable of 1.7 m"},
		{[]string{"material: nickel-zinc\n  turns: 2", "material: nickle-zinc\n  turns: 2"},
			`did you mean "nickel-zinc"?`},
		{[]string{"turns: 2", "turns: 0"}, "clamp.turns is 0"},
		{[]string{"inner: 38 mm", "inner: 68 mm"}, "not below the outer diameter"},
		{[]string{"permeability: demo-nizn.csv", "permeability: none.csv"}, `cannot read "none.csv"`},
		{[]string{ae, "    - resistor: -120 Ω"}, `resistance "-120 Ω" is out of range`},
		{[]string{ae, "    - resistor: 120 Ω\n      inductor: 150 nH"}, "exactly one of resistor"},
		{[]string{"- capacitor: {value: 10 nF, esl: 10 nH}", "- capacitor: -10 nF"},
			`capacitance "-10 nF" is out of range`},
		{[]string{"ae:\n  series:\n" + ae, "ae: {lisn: 40 µH}"}, `"40 µH" is not one of: 50 µH`},
		{[]string{"ae:\n  series:\n" + ae, "ae: {touchstone: none.s1p}"}, `cannot read "none.s1p"`},
		{[]string{"ae:\n  series:\n" + ae, "ae: {choke: {inductance: 1 mH, coupling: 120 %}}"}, "coupling"},
		{[]string{probe, probe + "\n  core: {outer: 63 mm, inner: 38 mm, height: 25 mm}"},
			"probe: give its insertion impedance, or its core"},
		{[]string{"across: {capacitor: 3 pF}", "across: {resistor: 0 Ω}"}, "0 Ω at 150 kHz"},
		{[]string{"across: {capacitor: 3 pF}", "nothing: here"}, "nothing"},
		{[]string{"points: 401", "points: 2"}, "give 3 to 20001"},
		{[]string{"band: 150 kHz to 80 MHz", "band: 80 MHz to 150 kHz"}, "does not rise"},
		{[]string{"band: 150 kHz to 80 MHz", "band: 150 kHz to 300 MHz"}, "µ′ is not tabulated at 300 MHz"},
		{[]string{"provoke: cable 1", "provoke: cable 2"}, "cable 1"},
	} {
		got, list := sample(t, c.replace...)
		var text []string
		for _, p := range list {
			text = append(text, p.String())
		}
		if all := strings.Join(text, "\n"); got != nil || !strings.Contains(all, c.says) {
			t.Errorf("%q: %s\nwant it to say %q", c.replace, all, c.says)
		}
	}
}

func TestWhatIsDoubtfulIsAWarning(t *testing.T) {
	c, list := sample(t, "height: 50 mm ", "height: 500 mm ")
	if c == nil || len(list) != 1 || !strings.Contains(list[0].What, "more than a tenth of the wavelength") {
		t.Errorf("%v, %v", c, list)
	}
	c, list = sample(t, "probe:\n  insertion_impedance: {resistor: 0.5 Ω}", "")
	if c == nil || len(list) != 1 || !strings.Contains(list[0].What, "counts as inserting 0 Ω") {
		t.Errorf("%v, %v", c, list)
	}
}

func TestAMeasuredEndThatIsActiveIsRefused(t *testing.T) {
	measured := func(s string) (*Cable, problem.List) {
		data := replaced(t, "belt-weigher-cable.yaml",
			[]string{"ae:\n  series:\n    - resistor: 120 Ω\n    - inductor: 150 nH", "ae: {touchstone: end.s1p}"})
		return Parse("cable.yaml", data, func(name string) ([]byte, error) {
			if name == "end.s1p" {
				return []byte("# MHz S RI R 50\n0.1 " + s + "\n100 " + s + "\n"), nil
			}
			return beside(name)
		})
	}
	if c, list := measured("1.2 0"); c != nil || !strings.Contains(list.Err().Error(),
		"a passive part would make energy") {
		t.Error(list)
	}
	if c, list := measured("1.005 0"); c == nil || !strings.Contains(list[0].String(), "provoke goes on") {
		t.Error(list)
	}
	if c, list := measured("0.5 0"); c == nil || len(list) != 0 {
		t.Error(list)
	}
}

func TestTheHashIsThatOfEveryFile(t *testing.T) {
	a, _ := sample(t)
	b, _ := Parse("cable.yaml", replaced(t, "belt-weigher-cable.yaml", nil), func(name string) ([]byte, error) {
		data, err := beside(name)
		return append(data, "\n# another table\n"...), err
	})
	if a == nil || b == nil || a.Hash == b.Hash {
		t.Error("another table of permeability gives the same hash")
	}
}
