package document_test

import (
	"strings"
	"testing"
	"time"

	"provoke/internal/files/document"
	"provoke/internal/units/rf"
)

type piece struct {
	ID     string         `yaml:"id,required"`
	Serial string         `yaml:"serial"`
	Due    document.Date  `yaml:"due"`
	Count  document.Count `yaml:"count"`
}

type amplifier struct {
	piece
	Gain         *rf.Gain `yaml:"gain,required"`
	MaximumInput rf.Power `yaml:"maximum_input"`
	Remote       bool     `yaml:"remote"`
}

type table struct {
	Flat   rf.Gain                  `yaml:"flat"`
	Points map[rf.Frequency]rf.Gain `yaml:"points"`
}

func (t *table) UnmarshalText(b []byte) error { return t.Flat.UnmarshalText(b) }

type bench struct {
	Name      string         `yaml:"name"`
	Amplifier *amplifier     `yaml:"amplifier"`
	Pads      []piece        `yaml:"pads"`
	Loss      table          `yaml:"loss"`
	Words     []string       `yaml:"words"`
	Any       map[string]any `yaml:"-"`
}

const sound = `provoke: bench 1   # comment
name: Invented bench
amplifier:
  id: AMP1
  serial: 00123
  due: 2027-03-01
  count: 2
  gain: 40,5 dB
  maximum_input: "3 dBm"
  remote: true
pads:
  - id: P1
  - {id: P2, serial: "x: y"}
loss:
  points:
    150 kHz: 12 dB
    1.5 MHz: 7 dB
words: [a, b]
`

func TestASoundFileIsReadWithItsUnits(t *testing.T) {
	for name, text := range map[string]string{
		"line feeds":       sound,
		"carriage returns": strings.ReplaceAll(sound, "\n", "\r\n"),
		"lone returns":     strings.ReplaceAll(sound, "\n", "\r"),
		"byte order mark":  "\ufeff" + sound,
	} {
		t.Run(name, func(t *testing.T) {
			var b bench
			doc := document.Decode("bench.yaml", []byte(text), "bench 1", &b)
			if len(doc.Problems()) > 0 {
				t.Fatal(doc.Problems().Err())
			}
			a := b.Amplifier
			if a.ID != "AMP1" || a.Serial != "00123" || *a.Gain != 40.5 || a.MaximumInput != rf.DBm(3) || !a.Remote ||
				a.Count != 2 {
				t.Errorf("read %+v", a)
			}
			if want := time.Date(2027, 3, 1, 0, 0, 0, 0, time.UTC); !a.Due.Equal(want) {
				t.Errorf("due %v, want %v", a.Due, want)
			}
			if len(b.Pads) != 2 || b.Pads[1].Serial != "x: y" || len(b.Words) != 2 {
				t.Errorf("read %+v", b)
			}
			if b.Loss.Points[1500000] != 7 {
				t.Errorf("points %v", b.Loss.Points)
			}
		})
	}
}

func TestAStructThatReadsTextMayBeWrittenAsOneScalar(t *testing.T) {
	var b bench
	doc := document.Decode("b", []byte("provoke: bench 1\nloss: 6 dB\n"), "bench 1", &b)
	if doc.Problems().Err() != nil || b.Loss.Flat != 6 {
		t.Errorf("loss %v, problems %v", b.Loss, doc.Problems())
	}
}

func TestPlacesOfValuesAndOfWhatIsMissing(t *testing.T) {
	var b bench
	doc := document.Decode("b", []byte(sound), "bench 1", &b)
	for path, want := range map[string][2]int{
		"name":                {2, 7},
		"amplifier":           {3, 1},
		"amplifier.gain":      {8, 9},
		"amplifier.nothing":   {3, 1},
		"pads[0]":             {12, 5},
		"pads[1].serial":      {13, 22},
		"pads[9].id":          {11, 1},
		"loss.points.150 kHz": {16, 14},
		"loss.points.1.5 MHz": {17, 14},
		"words[1]":            {18, 12},
		"nowhere":             {1, 1},
	} {
		if line, column := doc.At(path); line != want[0] || column != want[1] {
			t.Errorf("At(%q) = %d:%d, want %d:%d", path, line, column, want[0], want[1])
		}
	}
}

// Each text holds one kind of fault; the told problems are compared as a whole.
func TestEveryFaultIsToldWithItsPlace(t *testing.T) {
	const head = "provoke: bench 1\n"
	for name, c := range map[string]struct{ text, want string }{
		"unknown key": {head + "amplifier:\n  id: A\n  gain: 1 dB\n  maximum_imput: 3 dBm\n",
			`b:5:3: amplifier has no key "maximum_imput" | did you mean "maximum_input"?`},
		"unknown key of other case": {head + "Name: x\n", `b:2:1: the file has no key "Name" | did you mean "name"?`},
		"nothing near": {head + "zebra: x\n",
			`b:2:1: the file has no key "zebra" | it may have: name, amplifier, pads, loss, words`},
		"repeated key": {head + "name: a\nname: b\n",
			`b:3:1: the file has name twice | the first is in line 2; keep one`},
		"missing keys": {head + "amplifier:\n  serial: 7\n",
			`b:2:1: amplifier has no id | add the key "id:"` +
				"\n" + `b:2:1: amplifier has no gain | add the key "gain:"`},
		"missing key in a list": {head + "pads:\n  - serial: a\n", `b:3:5: pads[0] has no id | add the key "id:"`},
		"bare number": {head + "loss: 6\n",
			`b:2:7: loss: "6" has no unit | write the unit behind the number: a bare number is not read`},
		"wrong unit": {head + "amplifier:\n  id: A\n  gain: 1 dBm\n",
			`b:4:9: amplifier.gain: unknown gain unit "dBm" in "1 dBm" (want dB) | `},
		"not a number": {head + "loss: .nan\n",
			`b:2:7: loss: "." is not a number | write the unit behind the number: a bare number is not read`},
		"mapping for a text": {head + "name:\n  a: b\n", `b:2:1: name is a mapping; it must be a text | `},
		"list for a mapping": {head + "amplifier: [a]\n",
			`b:2:1: amplifier is a list; it must be a mapping of keys to values | `},
		"text for a list": {head + "words: a\n", `b:2:8: words is a text; it must be a list | `},
		"yes for true": {head + "amplifier:\n  id: A\n  gain: 1 dB\n  remote: yes\n",
			`b:5:11: amplifier.remote is a text; it must be true or false | `},
		"no value": {head + "name:\nloss: 1 dB\n",
			`b:2:1: name has no value | give it one or remove the key`},
		"empty value": {head + "loss: \"\"\n",
			`b:2:7: loss is empty | give it a value or remove the key`},
		"blank": {head + "loss: FILL IN   # of your pad\n",
			`b:2:7: loss is still blank | write the value of your own gear in place of FILL IN`},
		"date": {head + "pads:\n- id: a\n  due: 1.3.2027\n",
			`b:4:8: pads[0].due: "1.3.2027" is not a date | write the date as year-month-day, for example 2026-03-01`},
		"count with a sign": {head + "pads:\n- id: a\n  count: -1\n",
			`b:4:10: pads[0].count: "-1" is not a whole number from 0 to 1000000 | a count has no unit, sign or decimals`},
		"octal count": {head + "pads:\n- id: a\n  count: 0x10\n",
			`b:4:10: pads[0].count: "0x10" is not a whole number from 0 to 1000000 | a count has no unit, sign or decimals`},
		"key of a map": {head + "loss:\n  points:\n    80 Mhz: 1 dB\n",
			`b:4:5: loss.points: unknown frequency unit "Mhz" in "80 Mhz": did you mean "MHz"? | `},
		"keys that mean the same": {head + "loss:\n  points:\n    1 MHz: 1 dB\n    1000 kHz: 1 dB\n",
			`b:5:5: loss.points has 1000 kHz twice | two keys mean the same; keep one`},
		"alias": {head + "words: [*a]\n",
			`b:2:9: words[0]: anchors (&) and aliases (*) are not read | write the value out, or put quotes round a text that begins with & or *`},
		"anchor": {head + "name: &a x\n",
			`b:2:7: name: anchors (&) and aliases (*) are not read | write the value out, or put quotes round a text that begins with & or *`},
		"tag": {head + "name: !!str x\n", `b:2:7: name: tags (!) are not read | remove the tag`},
		"merge key": {head + "amplifier:\n  id: A\n  gain: 1 dB\n  <<: {id: b}\n",
			`b:5:3: merge keys (<<) are not read | write the values out`},
		"tab": {head + "amplifier:\n\tid: A\n",
			"b:3:1: a tab in the indentation | indent with spaces"},
		"two documents": {head + "---\nname: x\n",
			"b:2:1: a second document begins here | one file holds one document; remove the line ---"},
		"no first key": {"name: x\n",
			`b:1:1: the file does not say what it is | the first line must be "provoke: bench 1"`},
		"other kind": {"provoke: plan 1\n",
			`b:1:10: this is a file of kind "plan 1", not "bench 1" | the first line must be "provoke: bench 1"`},
		"newer version": {"provoke: bench 2\n",
			`b:1:10: version "2" of the bench format is not known to this program, which reads "bench 1" | the first line must be "provoke: bench 1"`},
		"empty": {"# only a comment\n",
			"b: the file is empty | `provoke new DIR` writes commented files to start from"},
		"a list": {"- a\n",
			`b:1:1: the file does not hold a mapping of keys to values | begin with a line such as "provoke: bench 1"`},
		"latin 1": {head + "name: 5 \xb5V\n",
			"b:2:9: this is not UTF-8 text | save the file as UTF-8"},
		"control character": {head + "name: a\x00\n", "b:2:8: control character U+0000 | remove it"},
		"UTF-16":            {"\xff\xfep\x00", "b:1:1: the file is UTF-16 | save it as UTF-8"},
		"deep brackets": {head + "words: " + strings.Repeat("[", 5000) + "\n",
			"b: brackets are nested more than 24 deep | "},
		"deep dashes": {head + "words:\n" + strings.Repeat("- ", 5000) + "a\n",
			"b:3:1: nested more than 24 deep | "},
		"deep indentation": {head + strings.Repeat(" ", 5000) + "a: b\n",
			"b:2:1: nested more than 24 deep | "},
		"unclosed quote": {head + "name: \"x\n",
			"b:2:7: YAML: could not find end character of double-quoted text | look at the indentation, the colons " +
				"and the quotes here and in the line above"},
		"non-ascii column": {head + "words: [µ, 5 Ω, *x]\n",
			`b:2:17: words[2]: anchors (&) and aliases (*) are not read | write the value out, or put quotes round a text that begins with & or *`},
		"all at once": {head + "nam: x\nloss: 6\nwords: a\n", `b:2:1: the file has no key "nam" | did you mean "name"?
b:3:7: loss: "6" has no unit | write the unit behind the number: a bare number is not read
b:4:8: words is a text; it must be a list | `},
	} {
		t.Run(name, func(t *testing.T) {
			var b bench
			if got := told(document.Decode("b", []byte(c.text), "bench 1", &b)); got != c.want {
				t.Errorf("told\n%s\nwant\n%s", got, c.want)
			}
		})
	}
}

func told(doc *document.Document) string {
	var lines []string
	for _, p := range doc.Problems() {
		hint := p.Hint
		p.Hint = ""
		lines = append(lines, p.String()+" | "+hint)
	}
	return strings.Join(lines, "\n")
}

func TestABillionLaughsAreNotExpanded(t *testing.T) {
	text := "provoke: bench 1\nwords: &a [x, x, x, x, x, x, x, x, x]\n"
	for i := range 9 {
		text += "w" + string(rune('a'+i)) + ": &" + string(rune('b'+i)) + " [*" + string(rune('a'+i)) + ", *" +
			string(rune('a'+i)) + "]\n"
	}
	var b bench
	if doc := document.Decode("b", []byte(text), "bench 1", &b); doc.Problems().Err() == nil {
		t.Error("anchors were read")
	}
}

func TestAFileOverTheSizeIsNotParsed(t *testing.T) {
	var b bench
	doc := document.Decode("b", make([]byte, document.MaximumSize+1), "bench 1", &b)
	if doc.Readable() || len(doc.Problems()) != 1 {
		t.Errorf("problems %v", doc.Problems())
	}
}

func TestManyProblemsAreCountedNotListed(t *testing.T) {
	var b bench
	doc := document.Decode("b", []byte("provoke: bench 1\n"+strings.Repeat("x: 1\n", 1000)), "bench 1", &b)
	all := doc.Problems()
	if len(all) != 201 || all[200].What != "and 800 more problems" {
		t.Errorf("%d problems, last %v", len(all), all[len(all)-1])
	}
}

func TestChecksAddProblemsAtTheirPlace(t *testing.T) {
	var b bench
	doc := document.Decode("b", []byte(sound), "bench 1", &b)
	doc.Warning("pads[1].id", "said", "")
	doc.Problem("amplifier.gain", "said", "do")
	want := "b:8:9: said | do\nb:13:10: warning: said | "
	if got := told(doc); got != want {
		t.Errorf("told\n%s\nwant\n%s", got, want)
	}
}

func TestAValueWithAProblemIsNotTaken(t *testing.T) {
	var b bench
	doc := document.Decode("b",
		[]byte("provoke: bench 1\nname: FILL IN\nloss: 3\npads:\n  - id: a\n    count: x\nwords: [a]\n"), "bench 1", &b)
	for path, want := range map[string]bool{"name": false, "loss": false, "pads": true, "pads[0]": true,
		"pads[0].id": true, "pads[0].count": false, "words": true, "amplifier": false} {
		if doc.Taken(path) != want {
			t.Errorf("Taken(%q) = %v, want %v", path, !want, want)
		}
	}
}

func TestNearestWord(t *testing.T) {
	words := []string{"insertion_loss", "return_loss", "gain", "id"}
	for in, want := range map[string]string{
		"insertion loss": "insertion_loss", "Insertion-Loss": "insertion_loss", "retrun_loss": "return_loss",
		"gian": "gain", "loss": "", "di": "id", "x": "", "": "",
	} {
		if got := document.Nearest(in, words); got != want {
			t.Errorf("Nearest(%q) = %q, want %q", in, got, want)
		}
	}
}

func FuzzDecodeNeitherPanicsNorStaysSilent(f *testing.F) {
	f.Add([]byte(sound))
	f.Add([]byte("provoke: bench 1\nwords: &a [*a, !!x y, <<: {}]\n"))
	f.Add([]byte("provoke: bench 1\nname: |\n  a\n\n b\n"))
	f.Add([]byte("{provoke: bench 1, pads: [{id: a}, ? b]}"))
	f.Fuzz(func(t *testing.T, data []byte) {
		var b bench
		doc := document.Decode("b", data, "bench 1", &b)
		if !doc.Readable() && doc.Problems().Err() == nil {
			t.Error("not readable, and no problem told")
		}
		for _, p := range doc.Problems() {
			if p.What == "" || p.Line < 0 || p.Column < 0 {
				t.Errorf("problem without a word or place: %+v", p)
			}
		}
	})
}
