package document_test

import (
	"os"
	"strings"
	"testing"

	"provoke/internal/files/document"
)

const byHand = `provoke: bench 1
# my bench, by hand
name: "belt: weigher"  # invented

source: {id: GEN1, kind: function generator} # in brackets
to_amplifier:
- id: PAD1 # the first
  loss: 10 dB   # measured in March
  # a comment between
  maximum_power: 2 W
-   id: PAD2
    loss: {points: {1 MHz: 3 dB}}

amplifier:
  gain:
    points:
      100 kHz: 39 dB # low
      1 MHz: 40 dB
  saturation: 37 dBm

to_clamp: []     # nothing there
# the end
`

func TestASetValueChangesItsOwnLinesOnly(t *testing.T) {
	for _, x := range []struct{ path, value, was, now string }{
		{"name", "other", `name: "belt: weigher"  # invented`, `name: other  # invented`},
		{"name", "a: b", `name: "belt: weigher"  # invented`, `name: "a: b"  # invented`},
		{"to_amplifier[0].loss", "20 dB", "loss: 10 dB   # measured in March", "loss: 20 dB   # measured in March"},
		{"to_amplifier[0].id", "P", "- id: PAD1 # the first", "- id: P # the first"},
		{"to_amplifier[1].loss", "6 dB", "    loss: {points: {1 MHz: 3 dB}}", "    loss: 6 dB"},
		{"to_amplifier[1].loss", "points:\n  1 MHz: 3 dB", "    loss: {points: {1 MHz: 3 dB}}",
			"    loss:\n      points:\n        1 MHz: 3 dB"},
		{"source.id", "G", "source: {id: GEN1, kind: function generator} # in brackets",
			"source: # in brackets\n  id: G\n  kind: function generator"},
		{"source.band", "1 kHz to 80 MHz", "source: {id: GEN1, kind: function generator} # in brackets",
			"source: # in brackets\n  id: GEN1\n  kind: function generator\n  band: 1 kHz to 80 MHz"},
		{"amplifier.gain", "40 dB", "  gain:\n    points:\n      100 kHz: 39 dB # low\n      1 MHz: 40 dB",
			"  gain: 40 dB"},
		{"amplifier.gain", "{csv: x.csv}", "  gain:\n    points:\n      100 kHz: 39 dB # low\n      1 MHz: 40 dB",
			"  gain: {csv: x.csv}"},
		{"amplifier.gain", "{csv: x", "  gain:\n    points:\n      100 kHz: 39 dB # low\n      1 MHz: 40 dB",
			`  gain: "{csv: x"`},
		{"amplifier.saturation", "", "  saturation: 37 dBm\n", ""},
		{"amplifier.maximum_input", "0 dBm", "  saturation: 37 dBm", "  saturation: 37 dBm\n  maximum_input: 0 dBm"},
		{"to_amplifier[0].id", "", "- id: PAD1 # the first\n  loss", "- loss"},
		{"interlock.id", "LOCK", "to_clamp: []     # nothing there",
			"to_clamp: []     # nothing there\ninterlock:\n  id: LOCK"},
	} {
		got, err := document.Set(byHand, x.path, x.value, false)
		if want := strings.Replace(byHand, x.was, x.now, 1); err != nil || got != want ||
			!strings.Contains(byHand, x.was) {
			t.Errorf("%s = %q: %v\n%s", x.path, x.value, err, got)
		}
		if w, _ := document.Find(got, x.path); x.value != "" && w.Text != x.value && w.Text != `{csv: x` {
			t.Errorf("%s reads %q after %q was written", x.path, w.Text, x.value)
		}
	}
}

func TestBlocksAreAddedMovedAndTakenOut(t *testing.T) {
	keys := []string{"id: NEW", "loss: FILL IN"}
	for _, x := range []struct {
		do       func() (string, error)
		was, now string
	}{
		{func() (string, error) { return document.Add(byHand, "to_amplifier", keys, true) },
			"    loss: {points: {1 MHz: 3 dB}}",
			"    loss: {points: {1 MHz: 3 dB}}\n- id: NEW\n  loss: FILL IN"},
		{func() (string, error) { return document.Add(byHand, "to_clamp", keys, true) },
			"to_clamp: []     # nothing there", "to_clamp:     # nothing there\n  - id: NEW\n    loss: FILL IN"},
		{func() (string, error) { return document.Add(byHand, "interlock", keys, false) },
			"# the end\n", "# the end\ninterlock:\n  id: NEW\n  loss: FILL IN\n"},
		{func() (string, error) { return document.Add(byHand, "to_analyser", keys, true) },
			"# the end\n", "# the end\nto_analyser:\n  - id: NEW\n    loss: FILL IN\n"},
		{func() (string, error) { return document.Remove(byHand, "to_amplifier[1]") },
			"-   id: PAD2\n    loss: {points: {1 MHz: 3 dB}}\n", ""},
		{func() (string, error) { return document.Remove(byHand, "source") },
			"source: {id: GEN1, kind: function generator} # in brackets\n", ""},
		{func() (string, error) { return document.Move(byHand, "to_amplifier[1]", -1) },
			"- id: PAD1 # the first\n  loss: 10 dB   # measured in March\n  # a comment between\n" +
				"  maximum_power: 2 W\n-   id: PAD2\n    loss: {points: {1 MHz: 3 dB}}\n",
			"-   id: PAD2\n    loss: {points: {1 MHz: 3 dB}}\n- id: PAD1 # the first\n  loss: 10 dB   # measured in " +
				"March\n  # a comment between\n  maximum_power: 2 W\n"},
	} {
		got, err := x.do()
		if want := strings.Replace(byHand, x.was, x.now, 1); err != nil || got != want ||
			!strings.Contains(byHand, x.was) {
			t.Errorf("%v\n%s", err, got)
		}
	}
	one, _ := document.Remove(byHand, "to_amplifier[1]")
	none, err := document.Remove(one, "to_amplifier[0]")
	if err != nil || !strings.Contains(none, "to_amplifier: []\n") {
		t.Errorf("%v\n%s", err, none)
	}
}

const gridByHand = `grid: # of the report
  # the whole band
  - {from: 150 kHz, to: "27,12 MHz"}   # coarse
  - from: 1 MHz  # the radio's
    to: 2 MHz
  - {list: [27.12 MHz, "40,68 MHz"]}
  - {from: 1 MHz,
     to: 2 MHz}
  - {around: 3 MHz, "span": 2 %} # odd
  - around: 13 MHz # in one line
dwell: 1 s
`

func TestAnItemIsSetAsAWhole(t *testing.T) {
	at := document.LayoutOf(gridByHand)
	for path, want := range map[string]string{"grid[0]": "from to", "grid[1]": "from to", "grid[2]": "list",
		"grid[3]": "", "grid[4]": `around "span": 2 %`, "grid[5]": "around", "grid": "", "": "grid dwell"} {
		if keys := strings.Join(at.Keys(path), " "); keys != want {
			t.Errorf("%s has the keys %q, not %q", path, keys, want)
		}
	}
	for _, x := range []struct{ path, value, was, now string }{
		{"grid[0]", "{from: 1 kHz}", `{from: 150 kHz, to: "27,12 MHz"}   # coarse`, "{from: 1 kHz}   # coarse"},
		{"grid[0]", "from: 1 kHz\nto: 2 kHz", `{from: 150 kHz, to: "27,12 MHz"}   # coarse`,
			"from: 1 kHz   # coarse\n    to: 2 kHz"},
		{"grid[0]", "{from: [", `{from: 150 kHz, to: "27,12 MHz"}   # coarse`, `"{from: ["   # coarse`},
		{"grid[1]", "from: 1 MHz  # the radio's\nto: 3 MHz", "to: 2 MHz\n  - {list", "to: 3 MHz\n  - {list"},
		{"grid[1].to", "3 MHz", "to: 2 MHz\n  - {list", "to: 3 MHz\n  - {list"},
		{"grid[3]", "{from: 2 MHz}", "{from: 1 MHz,\n     to: 2 MHz}", "{from: 2 MHz}"},
		{"grid[5]", "around: 14 MHz", "around: 13 MHz #", "around: 14 MHz #"},
		{"grid[5]", "", "  - around: 13 MHz # in one line\n", ""},
		{"grid", "[1 MHz]", gridByHand[:strings.Index(gridByHand, "dwell")], "grid: [1 MHz] # of the report\n"},
	} {
		got, err := document.Set(gridByHand, x.path, x.value, false)
		if want := strings.Replace(gridByHand, x.was, x.now, 1); err != nil || got != want ||
			!strings.Contains(gridByHand, x.was) {
			t.Errorf("%s = %q: %v\n%s", x.path, x.value, err, got)
		}
		w, _ := document.Find(got, x.path)
		if strings.ReplaceAll(w.Text, "   # coarse", "") != x.value && x.value != "" {
			t.Errorf("%s reads %q after %q was written", x.path, w.Text, x.value)
		}
	}
	if w, _ := document.Find(`grid: [] # none`+"\n"+`a: {x: "\", # y", z: 1} # c`, "a.x"); w.Text != `", # y` {
		t.Errorf("a quote in quotes reads %q", w.Text)
	}
	if items, ok := document.Listed(`[27.12 MHz, "40,68 MHz"]`); !ok || len(items) != 2 || items[1] != "40,68 MHz" {
		t.Errorf("the list is %q", items)
	}
	// The comments of a list stay when its last item is taken out.
	got := "grid: # of the report\n  # the whole band\n  - {from: 1 MHz}\n# end\n"
	got, _ = document.Remove(got, "grid[0]")
	if got != "grid: [] # of the report\n  # the whole band\n# end\n" {
		t.Errorf("without its item the list is\n%s", got)
	}
	if got, _ = document.Add(got, "grid", []string{"{to: 2 MHz}"}, true); got !=
		"grid: # of the report\n  - {to: 2 MHz}\n  # the whole band\n# end\n" {
		t.Errorf("with a new item the list is\n%s", got)
	}
	if w, _ := document.Find("grid:\r\n  - {from: 1 MHz}\r\ndwell: 1 s\r\n", "grid[0].from"); w.Text != "1 MHz" {
		t.Errorf("with line ends of Windows it reads %q", w.Text)
	}
}

// What people wrote into their files comes back from a form as it was: every key set to what it holds, the file
// stays the same to the last byte, or says the same in another spelling.
func TestAFormThatChangesNothingChangesNothing(t *testing.T) {
	for _, file := range []string{"../catalog/testdata/belt-weigher.yaml", "../../../cmd/provoke/template/bench.yaml"} {
		data, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		text := string(data)
		for _, path := range []string{"name", "source.id", "source.address", "source.load", "to_amplifier[0].loss",
			"amplifier.gain", "clamp.insertion_loss", "probe.transfer_impedance", "analyser.bandwidths",
			"monitors[0].kind", "cable.maximum_current"} {
			w, ok := document.Find(text, path)
			if !ok {
				t.Errorf("%s: %s is not found", file, path)
				continue
			}
			again, err := document.Set(text, path, w.Text, false)
			if after, _ := document.Find(again, path); err != nil || after.Text != w.Text {
				t.Errorf("%s: %s was %q, is %q (%v)", file, path, w.Text, after.Text, err)
			}
			if n, m := strings.Count(text, "#"), strings.Count(again, "#"); !strings.Contains(w.Text, "\n") && n != m {
				t.Errorf("%s: %s: %d comments, %d before", file, path, m, n)
			}
		}
	}
}

// Whatever is typed into a field, the file stays YAML and says it, or the field says what is wrong.
func FuzzSet(f *testing.F) {
	for _, v := range []string{"20 dB", "{csv: x", "a: b", "- x", "|", "'", "\"", "# x", "~", "x\ny", "[1, 2", "\t",
		"é: "} {
		f.Add("to_amplifier[0].loss", v)
		f.Add("source.kind", v)
	}
	f.Fuzz(func(t *testing.T, path, value string) {
		for _, plain := range []bool{false, true} {
			got, err := document.Set(byHand, path, value, plain)
			if err != nil || !strings.HasPrefix(path, "source.k") && path != "name" {
				continue
			}
			var into struct {
				Name        string            `yaml:"name"`
				Source      map[string]string `yaml:"source"`
				ToAmplifier []struct{}        `yaml:"to_amplifier"`
			}
			doc := document.Decode("x", []byte(got), "bench 1", &into)
			for _, p := range doc.Problems() {
				if plain && strings.Contains(p.What, "YAML") {
					t.Errorf("%s = %q: %v\n%s", path, value, p, got)
				}
			}
		}
	})
}
