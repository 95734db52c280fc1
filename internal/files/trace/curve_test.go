package trace_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"provoke/internal/files/trace"
	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

// The same two points in every spelling: 14 dBΩ at 150 kHz and 5 Ω (13.9794 dBΩ) at 30 MHz would differ
// in unit, so both are given as 14 dBΩ and 12.5 dBΩ.
func TestOneCurveInManySpellings(t *testing.T) {
	for name, c := range map[string]struct {
		text     string
		declared trace.Declared
	}{
		"comma and point":             {"f/MHz,Zt/dBΩ\n0.15,14\n30,12.5\n", trace.Declared{}},
		"semicolon and decimal comma": {"f/MHz;Zt/dBΩ\n0,15;14\n30;12,5\n", trace.Declared{}},
		"semicolon and point":         {"f/MHz;Zt/dBΩ\n0.15;14\n30;12.5\n", trace.Declared{}},
		"tab and decimal comma":       {"f/MHz\tZt/dBΩ\n0,15\t14\n30\t12,5\n", trace.Declared{}},
		"quoted decimal comma":        {"\"f/MHz\",\"Zt/dBΩ\"\n\"0,15\",\"14\"\n\"30\",\"12,5\"\n", trace.Declared{}},
		"units in round brackets": {"frequency (MHz);transfer impedance (dBohm)\n0.15;14\n30;12.5\n",
			trace.Declared{}},
		"units in square brackets":     {"Frequency [kHz];Zt [dBohm]\n150;14\n30000;12.5\n", trace.Declared{}},
		"unit after a blank":           {"f MHz;Zt dBΩ\n0.15;14\n30;12.5\n", trace.Declared{}},
		"unit after an underscore":     {"freq_Hz;Zt_dBohm\n150e3;14\n3E7;12.5\n", trace.Declared{}},
		"unit after in":                {"Frequency in MHz;Zt in dBOhm\n0.15;14\n30;12.5\n", trace.Declared{}},
		"dB in brackets with its unit": {"f/MHz;Zt/dB(Ω)\n0.15;14\n30;12.5\n", trace.Declared{}},
		"dB re 1 Ω":                    {"f/MHz;Zt [dB re 1 Ω]\n0.15;14\n30;12.5\n", trace.Declared{}},
		"remark behind the unit":       {"f/MHz;Zt [dBΩ] (jig)\n0.15;14\n30;12.5\n", trace.Declared{}},
		"row of units":                 {"Frequency;Zt\nMHz;dBΩ\n0.15;14\n30;12.5\n", trace.Declared{}},
		"capitals":                     {"FREQ/MHZ;ZT/DBOHM\n0.15;14\n30;12.5\n", trace.Declared{}},
		"ohm sign U+2126":              {"f/MHz;Zt/dB\u2126\n0.15;14\n30;12.5\n", trace.Declared{}},
		"value first":                  {"Zt/dBΩ;f/MHz\n14;0.15\n12.5;30\n", trace.Declared{}},
		"falling frequency":            {"f/MHz;Zt/dBΩ\n30;12.5\n0.15;14\n", trace.Declared{}},
		"other columns": {"no;f/MHz;remark;Zt/dBΩ;uncertainty/dB\n1;0.15;low;14;1\n2;30;;12.5;1\n",
			trace.Declared{}},
		"byte order mark and CRLF": {"\ufefff/MHz;Zt/dBΩ\r\n0.15;14\r\n30;12.5\r\n", trace.Declared{}},
		"lone CR":                  {"f/MHz;Zt/dBΩ\r0.15;14\r30;12.5", trace.Declared{}},
		"mixed line ends, no last": {"f/MHz;Zt/dBΩ\r\n0.15;14\r\n\n30;12.5", trace.Declared{}},
		"comments": {"# probe 7\n! in the jig\nf/MHz;Zt/dBΩ\n0.15;14\n # between\n30;12.5\n",
			trace.Declared{}},
		"separator line":         {"sep=;\nf/MHz;Zt/dBΩ\n0.15;14\n30;12.5\n", trace.Declared{}},
		"separators left behind": {"f/MHz;Zt/dBΩ;;\n0.15;14;;\n30;12.5;;\n", trace.Declared{}},
		"declared, no header":    {"0.15;14\n30;12.5\n", trace.Declared{XUnit: "MHz", YUnit: "dBohm"}},
		"declared, bare header": {"frequency;Zt\n0.15;14\n30;12.5\n",
			trace.Declared{XUnit: "MHz", YUnit: "dBΩ"}},
		"declared and in the header": {"f/MHz;Zt/dBΩ\n0.15;14\n30;12.5\n",
			trace.Declared{XUnit: "MHz", YUnit: "dBohm"}},
		"units behind the numbers": {"150 kHz;14 dBΩ\n30 MHz;12,5 dBΩ\n", trace.Declared{}},
		"as transfer admittance":   {"f/MHz;k/dBS\n0.15;−14\n30;−12.5\n", trace.Declared{}},
		"one column of several": {"f/MHz;Zt 1/dBΩ;Zt 2/dBΩ\n0.15;3;14\n30;3;12.5\n",
			trace.Declared{YColumns: []string{"Zt 2"}}},
		"declared decimal comma": {"f/kHz\tZt/dBΩ\n150,000\t14,000\n30000\t12,500\n",
			trace.Declared{Decimal: ","}},
		"decimal comma with 3 places": {"f/kHz;Zt/dBΩ\n150,000;14,000\n30000;12,500\n", trace.Declared{}},
		"declared in a word": {"f/kHz\tZt/dBΩ\n150,000\t14,000\n30000\t12,500\n",
			trace.Declared{Decimal: "comma"}},
		"commas of ohms": {"f/kHz;Zt/Ω\n150,000;5,012\n30000,000;4,217\n", trace.Declared{}},
		"column by its whole heading": {"f/MHz;Zt 1/dBΩ;Zt 2/dBΩ\n0.15;3;14\n30;3;12.5\n",
			trace.Declared{YColumns: []string{"Zt 2/dBΩ"}}},
		"UTF-16": {wide("f/MHz\tZt/dBΩ\n0.15\t14\n30\t12.5\n"), trace.Declared{}},
		"a preamble": {"Probe;number 7\nDate;2026-11-25\nPoints;2\n\nf/MHz;Zt/dBΩ\n0.15;14\n30;12.5\n",
			trace.Declared{}},
		"a commented heading": {"# probe 7 in the jig\n# f/MHz;Zt/dBΩ\n0.15;14\n30;12.5\n", trace.Declared{}},
		"a preamble and two lines": {"! calibration 12\nProbe 7\n\nFrequency,Transfer " +
			"impedance\n(MHz),(dBΩ)\n0.15,14\n30,12.5\n", trace.Declared{}},
		"blanks": {"f/MHz  Zt/dBΩ\n 0.15    14\n30      12.5\n", trace.Declared{}},
		"one block of an analyser": {"!CSV\nBEGIN CH1_DATA\nFreq(Hz),Zt(dBohm)\n150000,14\n30e6,12.5\nEND\n",
			trace.Declared{}},
		"frequencies twice, the same": {"f/MHz;Zt/dBΩ;f/MHz;phase/deg\n0.15;14;0.15;3\n30;12.5;30;4\n",
			trace.Declared{}},
	} {
		t.Run(name, func(t *testing.T) {
			got, problems := trace.Curve[rf.Transimpedance]("zt.csv", []byte(c.text), c.declared)
			if len(problems) > 0 {
				t.Fatalf("problems: %v", problems)
			}
			points := got.Points()
			if len(points) != 2 {
				t.Fatalf("%d points", len(points))
			}
			near(t, "first frequency", points[0].At.Hz(), 150e3, 1e-6)
			near(t, "first value", points[0].Value.In(), 14, 1e-3)
			near(t, "second frequency", points[1].At.Hz(), 30e6, 1e-6)
			near(t, "second value", points[1].Value.In(), 12.5, 1e-3)
			if got.Source() != "zt.csv" {
				t.Errorf("source %q", got.Source())
			}
		})
	}
}

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s = %.9g, want %.9g ± %g", what, got, want, tol)
	}
}

func one[V curve.Value](t *testing.T, header, value string) V {
	t.Helper()
	c, problems := trace.Curve[V]("x.csv", []byte("f/MHz;"+header+"\n1;"+value+"\n"), trace.Declared{})
	if len(problems) > 0 {
		t.Fatalf("%s: %v", header, problems)
	}
	v, err := c.At(1e6)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func TestEveryUnitOfAQuantityIsRead(t *testing.T) {
	near(t, "dB", one[rf.Gain](t, "loss [dB]", "7").DB(), 7, 1e-12)
	near(t, "dBm", one[rf.Power](t, "P1dB/dBm", "30").SI(), 1, 1e-9)
	near(t, "W", one[rf.Power](t, "P (W)", "2.5").SI(), 2.5, 1e-9)
	near(t, "mW", one[rf.Power](t, "P/mW", "20").SI(), 0.02, 1e-9)
	near(t, "Vpp", one[rf.Voltage](t, "U/Vpp", "1").SI(), 0.3535533906, 1e-9)
	near(t, "dBµV", one[rf.Voltage](t, "U/dB(µV)", "60").SI(), 1e-3, 1e-12)
	near(t, "mA", one[rf.Current](t, "I [mA]", "10").In(), 80, 1e-9)
	near(t, "dBuA", one[rf.Current](t, "I dBuA", "80").SI(), 0.01, 1e-12)
	near(t, "dBµA with the Greek letter", one[rf.Current](t, "I/dBμA", "80").SI(), 0.01, 1e-12)
	near(t, "Ω", one[rf.Transimpedance](t, "Zt/Ω", "5").In(), 13.9794000867, 1e-9)
	near(t, "ohm", one[rf.Transimpedance](t, "Zt (ohm)", "5").In(), 13.9794000867, 1e-9)
	near(t, "mΩ", one[rf.Transimpedance](t, "Zt/mΩ", "5000").In(), 13.9794000867, 1e-9)
}

func TestTheMicroSignOfWindows1252IsReadWithAWarning(t *testing.T) {
	c, problems := trace.Curve[rf.Current]("i.csv", []byte("f/MHz;I/dB\xb5A\n1;80\n"), trace.Declared{})
	if c.Absent() || len(problems) != 1 || !problems[0].Warning {
		t.Errorf("curve absent: %v, problems %v", c.Absent(), problems)
	}
}

// Each case is one trap, named for it; want lists every problem as "line:column: words in it".
func TestACSVFileThatSaysTooLittleOrTwoThingsIsRefused(t *testing.T) {
	for name, c := range map[string]struct {
		text     string
		declared trace.Declared
		want     []string
	}{
		"empty":         {"", trace.Declared{}, []string{"0:0: no rows"}},
		"only comments": {"# a\n! b\n\n", trace.Declared{}, []string{"1:1: no figures"}},
		"only a header": {"f/MHz;Zt/dBΩ\n", trace.Declared{}, []string{"1:1: no figures"}},
		"not text":      {"PK\x03\x04\x00\x00", trace.Declared{}, []string{"1:1: workbook"}},
		"no unit anywhere": {"1;2\n3;4\n", trace.Declared{},
			[]string{"1:1: the frequency has no unit", "1:3: the transfer impedance has no unit"}},
		"no unit of the value": {"f/MHz;Zt\n1;2\n3;4\n", trace.Declared{},
			[]string{`1:7: the column "Zt" has no unit`}},
		"unit of another quantity": {"f/MHz;I/dBµA\n1;2\n", trace.Declared{},
			[]string{`1:7: the unit dBµA of the column "I" is that of a current, not of a transfer impedance`}},
		"declared unit of another quantity": {"f/MHz;Zt\n1;2\n", trace.Declared{YUnit: "dBm"},
			[]string{"that of a power, not of a transfer impedance"}},
		"a unit that is none": {"f/MHz;Zt\n1;2\n", trace.Declared{YUnit: "dBOmega"},
			[]string{`"dBOmega" declared`}},
		"dB without what it is relative to": {"f/MHz;Zt/dB\n1;2\n", trace.Declared{},
			[]string{"1:7: that of a gain"}},
		"header against declaration": {"f/MHz;Zt/dBΩ\n1;2\n", trace.Declared{XUnit: "kHz"},
			[]string{"1:1: the file says MHz here but kHz is declared for the frequency"}},
		"millihertz":                     {"f/mHz;Zt/dBΩ\n1;2\n", trace.Declared{}, []string{"1:1: millihertz"}},
		"letter as last word is no unit": {"f/MHz;probe A\n1;2\n", trace.Declared{}, []string{"1:7: no unit"}},
		"decimal comma and comma separator": {"f/MHz,Zt/dBΩ\n0,15,14\n30,12\n", trace.Declared{},
			[]string{"2:1: the rows have 3 columns, the heading in line 1 names 2", "3:1: the line has 2 columns"}},
		"thousands or decimal comma": {"f/kHz\tZt/Ω\n150,000\t14\n", trace.Declared{},
			[]string{`2:1: "150,000" can be read in two ways`}},
		"thousands in hertz": {"f/Hz;Zt/dBΩ\n150,000;14\n230,000;14\n", trace.Declared{},
			[]string{"2:1: two ways"}},
		"quoted thousands": {"f/kHz,Zt/dBΩ\n\"1,500\",14\n", trace.Declared{},
			[]string{"2:1: two ways"}},
		"thousands with points elsewhere": {"f/kHz;Zt/Ω\n1,500;14.5\n", trace.Declared{},
			[]string{"2:1: two ways"}},
		"both decimal signs": {"f/MHz;Zt/dBΩ\n0,15;14\n30;12.5\n", trace.Declared{},
			[]string{`2:1: "0,15" has a decimal comma`}},
		"two value columns": {"f/MHz;Zt 1/dBΩ;Zt 2/dBΩ\n1;2;3\n", trace.Declared{},
			[]string{"1:0: several columns"}},
		"two frequency columns": {"start/MHz;stop/MHz;Zt/dBΩ\n1;2;3\n", trace.Declared{},
			[]string{"2:3: two columns of frequency"}},
		"no such column": {"f/MHz;Zt/dBΩ\n1;2\n", trace.Declared{YColumns: []string{"Zt 3"}},
			[]string{`1:0: no column is called "Zt 3"`}},
		"no frequency": {"Zt 1/dBΩ;Zt 2/dBΩ\n1;2\n", trace.Declared{},
			[]string{"1:0: no column of the heading is a frequency"}},
		"start and stop in place of an axis": {"Start;1;MHz\nStop;3;MHz\nZt/dBΩ\n1\n2\n3\n", trace.Declared{},
			[]string{"3:0: no column of the heading is a frequency"}},
		"one column": {"f/MHz;Zt/dBΩ\n1\n2;3\n", trace.Declared{},
			[]string{"2:1: 1 column where the table has 2"}},
		"quote not closed": {"f/MHz;Zt/dBΩ\n1;\"2\n", trace.Declared{},
			[]string{"2:3: not closed"}},
		"quote not closed further down": {"f/MHz;Zt/dBΩ\n1;2\n2;\"2\n", trace.Declared{},
			[]string{"3:3: not closed"}},
		"strange bytes": {"f/MHz;Zt/dBΩ\n1;2\n2;2\xa7\n", trace.Declared{},
			[]string{`3:3: "2§" is no figure`, "3:4: Windows-1252"}},
		"frequency twice, with its first line": {"f/MHz;Zt/dBΩ\n1;2\n2;3\n1;4\n", trace.Declared{},
			[]string{"4:1: 1 MHz stands on line 2 already"}},
		"fewer rows than the file says": {"Points;5\nf/MHz;Zt/dBΩ\n1;2\n2;3\n", trace.Declared{},
			[]string{"1:1: the file says 5 here and has 2 rows"}},
		"every cell wrong, all told": {"f/MHz;Zt/dBΩ\n1;2\nx;1\n0;2\n-1;3\n2;NaN\n3;\n4;9.9E37\n;5\n5;inf\n" +
			"6;1.2.3\n7;1\n", trace.Declared{}, []string{
			`3:1: "x" is no figure`, "4:1: above 0 Hz", "5:1: above 0 Hz", `6:3: "NaN" is no figure`, "7:3: missing",
			`8:3: "9.9E37" is no figure`, "9:1: missing", `10:3: "inf" is no figure`, `11:3: "1.2.3" is no figure`}},
		"no finite decibel": {"f/MHz;Zt/Ω\n1;0\n2;-1\n3;at most 5 Ω\n4;5\n", trace.Declared{},
			[]string{"2:3: no finite number", "3:3: negative", `4:3: "at most 5 Ω" is no figure`}},
		"another unit behind a figure": {"f/MHz;Zt/Ω\n1;2\n2;3 dBm\n", trace.Declared{}, []string{"3:3: dBm"}},
		"a second block of an analyser": {"BEGIN CH1_DATA\nFreq(Hz),Zt(dBohm)\n1e6,14\n2e6,12\nEND\nBEGIN " +
			"CH2_DATA\nFreq(Hz),Zt(dBohm)\n1e6,1\n2e6,2\nEND\n", trace.Declared{},
			[]string{"6:1: a block of a network analyser's export begins here"}},
		"a block of pairs without frequencies": {"NAME DATA\nVAR FREQ MAG 2\nBEGIN\n0.1,0.2\n0.3,0.4\nEND\n",
			trace.Declared{}, []string{"3:1: block of a network analyser"}},
		"a block header over bytes": {"#42004\x00\x01\x02\x03\xff\xfe", trace.Declared{},
			[]string{"1:1: block of 2004 bytes", "1:7: NUL", "1:8: control", "1:11: FF"}},
		"a block header over figures": {"#223-20.5,-21.5,-22.5,-23.5\n",
			trace.Declared{XUnit: "MHz", YUnit: "dBΩ"}, []string{"1:1: block of 23 bytes"}},
	} {
		t.Run(name, func(t *testing.T) {
			c2, problems := trace.Curve[rf.Transimpedance]("zt.csv", []byte(c.text), c.declared)
			if !c2.Absent() || problems.Err() == nil {
				t.Fatalf("taken: %v", problems)
			}
			ok := len(problems) == len(c.want)
			for i := 0; ok && i < len(c.want); i++ {
				place, words, found := strings.Cut(c.want[i], ": ")
				if !found {
					place, words = "0:0", c.want[i]
				}
				ok = place == fmt.Sprintf("%d:%d", problems[i].Line, problems[i].Column) &&
					strings.Contains(problems[i].What, words) && problems[i].File == "zt.csv"
			}
			if !ok {
				t.Errorf("problems:\n%v\nwant:\n%s", problems.Err(), strings.Join(c.want, "\n"))
			}
		})
	}
}

func TestADecimalCommaBetweenCommasSaysWhatToDo(t *testing.T) {
	_, problems := trace.Curve[rf.Gain]("g.csv", []byte("f/MHz,gain/dB\n0,15,3,5\n"), trace.Declared{})
	if len(problems) != 1 || !strings.Contains(problems[0].Hint, "semicolon") {
		t.Errorf("problems %v", problems)
	}
}

func TestTheListOfProblemsEnds(t *testing.T) {
	_, problems := trace.Curve[rf.Gain]("g.csv", []byte("f/MHz,gain/dB\n1,2\n"+strings.Repeat("1,y\n", 10000)+"3,4\n"),
		trace.Declared{})
	if len(problems) > 101 {
		t.Errorf("%d problems", len(problems))
	}
}

func TestAWrittenCurveIsReadBackInEverySpelling(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var points []curve.Point[rf.Gain]
		for _, f := range rapid.SliceOfNDistinct(rapid.Float64Range(9e3, 1e9), 2, 20,
			func(f float64) int64 { return int64(f) }).Draw(t, "hz") {
			points = append(points, curve.Point[rf.Gain]{At: rf.Frequency(f),
				Value: rf.Gain(rapid.Float64Range(-100, 100).Draw(t, "dB"))})
		}
		separator := rapid.SampledFrom([]string{";", "\t", ","}).Draw(t, "separator")
		comma := separator != "," && rapid.Bool().Draw(t, "comma")
		end := rapid.SampledFrom([]string{"\n", "\r\n", "\r"}).Draw(t, "line end")
		var b strings.Builder
		b.WriteString("f/kHz" + separator + "gain/dB" + end)
		for _, p := range points {
			row := fmt.Sprintf("%.12f%s%.12f%s", p.At.Hz()/1e3, separator, p.Value.DB(), end)
			if comma {
				row = strings.ReplaceAll(row, ".", ",")
			}
			b.WriteString(row)
		}
		c, problems := trace.Curve[rf.Gain]("x.csv", []byte(b.String()), trace.Declared{})
		if len(problems) > 0 {
			t.Fatalf("%v in\n%s", problems, b.String())
		}
		for _, p := range points {
			v, err := c.At(p.At)
			if err != nil || v.DB()-p.Value.DB() > 1e-6 || p.Value.DB()-v.DB() > 1e-6 {
				t.Fatalf("at %v read %v (%v), wrote %v", p.At, v, err, p.Value)
			}
		}
	})
}

func FuzzCurve(f *testing.F) {
	for _, s := range []string{
		"f/MHz;Zt/dBΩ\n0,15;14\n30;12,5\n", "\ufefff/MHz,Zt/dBΩ\r\n1,2\r3,4", "f\tZt\nMHz\tdBΩ\n1\t2\n",
		"sep=;\n\"f/MHz\";\"a\"\"b\"\n1;2",
		"150 kHz;10 Ω\n", "f/MHz;Zt/dB(Ω)\n1;\xb5\n",
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		c, problems := trace.Curve[rf.Transimpedance]("x.csv", data, trace.Declared{XUnit: "MHz"})
		if (problems.Err() == nil) == c.Absent() {
			t.Fatalf("curve absent %v, problems %v", c.Absent(), problems)
		}
		for _, p := range c.Points() {
			if v, err := c.At(p.At); err != nil || !v.Exact() {
				t.Fatalf("the curve gives %v, %v at its own point %v", v, err, p.At)
			}
		}
	})
}
