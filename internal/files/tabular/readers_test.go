package tabular_test

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"unicode/utf16"

	"provoke/internal/files/problem"
	"provoke/internal/files/trace"
	"provoke/internal/findings/analysis"
	"provoke/internal/findings/jig"
	"provoke/internal/model/ferrite"
	"provoke/internal/model/twoport"
	"provoke/internal/units/rf"
)

// column is one column of the table that every reader is given: its name, its unit ("" for none) and the figures of
// its two rows. The name of the frequency is the form's.
type column struct {
	name, unit string
	figures    [2]float64
}

// reader is one of the program's readers of tables: the columns that it knows, and what it reads of them.
type reader struct {
	name    string
	columns []column
	read    func(name string, data []byte) (rows, problem.List)
}

var frequency = column{"", "MHz", [2]float64{0.5, 30}}

var readers = []reader{
	{"trace", []column{frequency, {"Level", "dBm", [2]float64{-20.5, -31}}},
		func(name string, data []byte) (rows, problem.List) {
			t, list := trace.Parse(name, data, trace.Declared{})
			if t == nil {
				return nil, list
			}
			scale := map[string]float64{"Hz": 1e6, "kHz": 1e3, "MHz": 1}[t.X.Unit]
			var out rows
			for i, x := range t.X.Values {
				out = append(out, []float64{x / scale, t.Y[0].Values[i]})
			}
			return out, list
		}},
	{"curve", []column{frequency, {"Zt", "dBΩ", [2]float64{12.5, 14}}},
		func(name string, data []byte) (rows, problem.List) {
			c, list := trace.Curve[rf.Transimpedance](name, data, trace.Declared{})
			var out rows
			for _, p := range c.Points() {
				out = append(out, []float64{p.At.Hz() / 1e6, p.Value.In()})
			}
			return out, list
		}},
	{"levels", []column{frequency, {"drive", "dBm", [2]float64{-10.5, -5}}, {"current", "dBµA", [2]float64{60.5, 66}}},
		func(name string, data []byte) (rows, problem.List) {
			levels, list := jig.ParseLevels(name, data)
			var out rows
			for _, l := range levels {
				out = append(out, []float64{l.Frequency.Hz() / 1e6, l.Drive.In(), l.Current.In()})
			}
			return out, list
		}},
	{"ferrite", []column{frequency, {"µ′", "", [2]float64{705.5, 240}}, {"µ″", "", [2]float64{26.5, 300}}},
		func(name string, data []byte) (rows, problem.List) {
			table, list := ferrite.ParseTable(name, data)
			if table == nil {
				return nil, list
			}
			var out rows
			for _, f := range frequency.figures {
				g, _ := twoport.NewGrid([]rf.Frequency{rf.Frequency(f * 1e6)})
				var mu [1]complex128
				if table.Fill(g, mu[:]) == nil {
					out = append(out, []float64{f, real(mu[0]), -imag(mu[0])})
				}
			}
			return out, list
		}},
	{"laboratory", []column{frequency, {"level", "V/m", [2]float64{10.5, 3}}},
		func(name string, data []byte) (rows, problem.List) {
			lab, list := analysis.ParseLaboratory(name, data)
			var out rows
			for _, f := range lab.Failures {
				var x float64
				if _, err := fmt.Sscanf(f.Level, "%g V/m", &x); err == nil {
					out = append(out, []float64{f.From.Hz() / 1e6, x})
				}
			}
			return out, list
		}},
}

// rows are what was read, in the order of the columns.
type rows [][]float64

// form is one way of writing a table.
type form struct {
	frequency          string                         // the whole heading of that column
	megahertz          float64                        // what its figures count in, if not 1
	head               func(name, unit string) string // of the others; "Name (unit)" where nil
	separator, decimal string
	above, between     string // lines before the heading, and between the rows
	units              bool   // the units stand in a row of their own
	behind             bool   // and here behind every figure
	quoted, spaced     bool
	end                string
	encode             func(string) string
	grouped            string // the sign between thousands
}

func bracketed(name, unit string) string {
	if unit == "" {
		return name
	}
	return name + " (" + unit + ")"
}

func squared(name, unit string) string {
	return strings.NewReplacer("(", "[", ")", "]").Replace(bracketed(name, unit))
}

func joinedBy(sign string) func(name, unit string) string {
	return func(name, unit string) string {
		if unit == "" {
			return name
		}
		return name + sign + unit
	}
}

var forms = map[string]form{
	"round brackets":         {frequency: "f (MHz)", separator: ";"},
	"square brackets, hertz": {frequency: "Frequency [Hz]", megahertz: 1e6, separator: ",", head: squared},
	"underscore":             {frequency: "freq_hz", megahertz: 1e6, separator: ","},
	"stroke with blanks":     {frequency: "Freq / MHz", separator: ";", head: joinedBy(" / ")},
	"stroke":                 {frequency: "f/MHz", separator: ";", head: joinedBy("/")},
	"in, German, decimal comma": {frequency: "Frequenz in MHz", separator: ";", decimal: ",",
		head: joinedBy(" in ")},
	"comma and unit, quoted":     {frequency: "Frequency, MHz", separator: ",", head: joinedBy(", "), quoted: true},
	"blank and unit":             {frequency: "Frequency MHz", separator: "\t", head: joinedBy(" ")},
	"capitals":                   {frequency: "FREQ (MHZ)", separator: ","},
	"kilohertz":                  {frequency: "frequency (kHz)", megahertz: 1e3, separator: ";"},
	"tabs, decimal comma":        {frequency: "f (MHz)", separator: "\t", decimal: ","},
	"bars":                       {frequency: "f (MHz)", separator: "|"},
	"aligned blanks":             {frequency: "f/MHz", separator: "   ", head: joinedBy("/")},
	"blanks about the separator": {frequency: "f (MHz)", separator: " ; ", spaced: true},
	"quoted decimal comma":       {frequency: "f (MHz)", separator: ",", decimal: ",", quoted: true},
	"a row of units":             {frequency: "Frequency", separator: ";", units: true},
	"byte order mark, CR LF": {frequency: "f (MHz)", separator: ";", end: "\r\n",
		encode: func(s string) string { return "\ufeff" + s }},
	"lone CR":        {frequency: "f (MHz)", separator: ";", end: "\r"},
	"UTF-16":         {frequency: "f (MHz)", separator: "\t", encode: wide},
	"separator line": {frequency: "f (MHz)", separator: ";", above: "sep=;\n"},
	"comments and blank lines": {frequency: "f (MHz)", separator: ";", above: "# probe 7\n! in the jig\n\n",
		between: "\n // a remark\n"},
	"a preamble": {frequency: "f (MHz)", separator: ";",
		above: "Set-up;number 7\nDate;2026-11-25\n\n"},
	"a heading in a comment":         {frequency: "# f (MHz)", separator: ";"},
	"a unit behind every figure":     {frequency: "f", separator: ";", behind: true},
	"hertz with points in thousands": {frequency: "f (Hz)", megahertz: 1e6, separator: ";", decimal: ",", grouped: "."},
	"hertz with apostrophes":         {frequency: "f (Hz)", megahertz: 1e6, separator: ";", grouped: "'"},
	"hertz with blanks in thousands": {frequency: "f (Hz)", megahertz: 1e6, separator: ";", grouped: " "},
	"quoted hertz with commas":       {frequency: "f (Hz)", megahertz: 1e6, separator: ",", quoted: true, grouped: ","},
	"separators at the ends":         {frequency: "f (MHz)", separator: ";", end: ";;\n"},
	"another column":                 {frequency: "no;f (MHz)", separator: ";"},
}

func wide(s string) string {
	out := "\xff\xfe"
	for _, u := range utf16.Encode([]rune(s)) {
		out += string([]byte{byte(u), byte(u >> 8)})
	}
	return out
}

// write writes the columns in a form.
func (f form) write(columns []column) string {
	end, decimal := f.end, f.decimal
	if end == "" {
		end = "\n"
	}
	head := f.head
	if head == nil {
		head = bracketed
	}
	cell := func(s string) string {
		if f.quoted {
			return `"` + s + `"`
		}
		return s
	}
	lines := [][]string{nil, nil, nil, nil}
	for i, c := range columns {
		name, unit, scale := head(c.name, c.unit), c.unit, 1.0
		if i == 0 {
			name = f.frequency
			if f.megahertz != 0 {
				scale = f.megahertz
			}
		} else if f.units || f.behind {
			name = c.name
		}
		if f.units {
			lines[1] = append(lines[1], cell(unit))
		}
		lines[0] = append(lines[0], cell(name))
		for k, x := range c.figures {
			s := fmt.Sprint(x)
			if i == 0 && scale > 1 {
				s = fmt.Sprintf("%.0f", x*scale)
				for at := len(s) - 3; at > 0 && f.grouped != ""; at -= 3 {
					s = s[:at] + f.grouped + s[at:]
				}
			} else if decimal != "" {
				s = strings.Replace(s, ".", decimal, 1)
			}
			if f.behind && unit != "" {
				s += " " + unit
			}
			lines[2+k] = append(lines[2+k], cell(s))
		}
	}
	if strings.HasPrefix(f.frequency, "no;") {
		lines[2][0], lines[3][0] = "1;"+lines[2][0], "2;"+lines[3][0]
	}
	text := f.above
	for i, l := range lines {
		if l == nil {
			continue
		}
		if text += strings.Join(l, f.separator) + end; i == 2 {
			text += f.between
		}
	}
	if f.encode != nil {
		text = f.encode(text)
	}
	return text
}

// What one reader reads, all read.
func TestEveryReaderReadsEveryForm(t *testing.T) {
	for _, r := range readers {
		for name, f := range forms {
			t.Run(r.name+"/"+name, func(t *testing.T) {
				text := f.write(r.columns)
				got, list := r.read("x.csv", []byte(text))
				if err := list.Err(); err != nil {
					t.Fatalf("%v\n%s", err, text)
				}
				if len(got) != 2 {
					t.Fatalf("%d rows of\n%s", len(got), text)
				}
				for k, row := range got {
					for i, x := range row {
						if want := r.columns[i].figures[k]; math.Abs(x-want) > 1e-6*math.Abs(want) {
							t.Errorf("row %d, column %d is %g, want %g, of\n%s", k+1, i+1, x, want, text)
						}
					}
				}
			})
		}
	}
}

// What one refuses, because it can be read in two ways or in none, all refuse, in the same words.
func TestEveryReaderRefusesTheSameInTheSameWords(t *testing.T) {
	for name, c := range map[string]struct {
		separator, frequency string
		rows                 []string // of frequency and the second column
		want                 string
	}{
		"millihertz": {";", "f (mHz)", []string{"1;2", "2;3", "3;4"},
			`1:1: the unit in "f (mHz)" could be millihertz`},
		"no unit": {";", "f", []string{"1;2", "2;3", "3;4"},
			`1:1: the column "f" has no unit`},
		"two units": {";", "f (MHz/kHz)", []string{"1;2", "2;3", "3;4"},
			`1:1: the column "f (MHz/kHz)" has no unit`},
		"decimals or thousands": {"\t", "f (kHz)", []string{"1,500\t2", "2,500\t3", "3,500\t4"},
			`2:1: "1,500" can be read in two ways, as every number of its column`},
		"quoted, decimals or thousands": {",", "f (kHz)", []string{`"1,500",2`, `"2,500",3`, `"3,500",4`},
			`2:1: "1,500" can be read in two ways, as every number of its column`},
		"both decimal signs": {";", "f (MHz)", []string{"1.5;2", "2.5;3", "3,5;4"},
			`4:1: "3,5" has a decimal comma, and other figures of the table have not`},
		"decimal commas between commas": {",", "f (MHz)", []string{"1,5,2", "2,5,3", "3,5,4"},
			"2:1: the rows have N columns, the heading in line 1 names M"},
		"a quote that is not closed": {";", "f (MHz)", []string{"1;2", "2;3", `3;"4`},
			"4:3: a quoted field is not closed"},
		"a word": {";", "f (MHz)", []string{"1;2", "x;3", "3;4"}, `3:1: "x" is no figure`},
		"two numbers in one": {";", "f (MHz)", []string{"1;2", "1.2.3;3", "3;4"},
			`3:1: "1.2.3" is no figure`},
		"a unit of another quantity": {";", "f (MHz)", []string{"1;2", "2 V;3", "3;4"}, `3:1: "2 V" `},
		"frequencies twice, and they vary": {";", "f (MHz);f (MHz)", []string{"1;1;2", "2;5;3", "3;3;4"},
			"3:3: the table has two columns of frequency, and they differ here"},
	} {
		for _, r := range readers {
			t.Run(name+"/"+r.name, func(t *testing.T) {
				text, width := c.frequency, strings.Count(c.frequency, c.separator)+len(r.columns)
				for _, column := range r.columns[1:] {
					text += c.separator + bracketed(column.name, column.unit)
				}
				for _, row := range c.rows {
					text += "\n" + row + strings.Repeat(c.separator+"7", len(r.columns)-2)
				}
				want := strings.NewReplacer("N", fmt.Sprint(width+1), "M", fmt.Sprint(width)).Replace(c.want)
				if !strings.Contains(c.want, "N columns") {
					want = c.want
				}
				_, list := r.read("x.csv", []byte(text+"\n"))
				if err := list.Err(); err == nil || !strings.Contains(err.Error(), "x.csv:"+want) {
					t.Errorf("told %v, not %q, of\n%s", err, want, text)
				}
			})
		}
	}
}
