package curve

import (
	"fmt"
	"strings"
	"testing"
	"unicode/utf16"

	"pgregory.net/rapid"

	"provoke/internal/rf"
)

// The same two points in every spelling: 14 dBΩ at 150 kHz and 5 Ω (13.9794 dBΩ) at 30 MHz would differ
// in unit, so both are given as 14 dBΩ and 12.5 dBΩ.
func TestOneCurveInManySpellings(t *testing.T) {
	for name, c := range map[string]struct {
		text     string
		declared CSVUnits
	}{
		"comma and point":              {"f/MHz,Zt/dBΩ\n0.15,14\n30,12.5\n", CSVUnits{}},
		"semicolon and decimal comma":  {"f/MHz;Zt/dBΩ\n0,15;14\n30;12,5\n", CSVUnits{}},
		"semicolon and point":          {"f/MHz;Zt/dBΩ\n0.15;14\n30;12.5\n", CSVUnits{}},
		"tab and decimal comma":        {"f/MHz\tZt/dBΩ\n0,15\t14\n30\t12,5\n", CSVUnits{}},
		"quoted decimal comma":         {"\"f/MHz\",\"Zt/dBΩ\"\n\"0,15\",\"14\"\n\"30\",\"12,5\"\n", CSVUnits{}},
		"units in round brackets":      {"frequency (MHz);transfer impedance (dBohm)\n0.15;14\n30;12.5\n", CSVUnits{}},
		"units in square brackets":     {"Frequency [kHz];Zt [dBohm]\n150;14\n30000;12.5\n", CSVUnits{}},
		"unit after a blank":           {"f MHz;Zt dBΩ\n0.15;14\n30;12.5\n", CSVUnits{}},
		"unit after an underscore":     {"freq_Hz;Zt_dBohm\n150e3;14\n3E7;12.5\n", CSVUnits{}},
		"unit after in":                {"Frequency in MHz;Zt in dBOhm\n0.15;14\n30;12.5\n", CSVUnits{}},
		"dB in brackets with its unit": {"f/MHz;Zt/dB(Ω)\n0.15;14\n30;12.5\n", CSVUnits{}},
		"dB re 1 Ω":                    {"f/MHz;Zt [dB re 1 Ω]\n0.15;14\n30;12.5\n", CSVUnits{}},
		"remark behind the unit":       {"f/MHz;Zt [dBΩ] (jig)\n0.15;14\n30;12.5\n", CSVUnits{}},
		"row of units":                 {"Frequency;Zt\nMHz;dBΩ\n0.15;14\n30;12.5\n", CSVUnits{}},
		"capitals":                     {"FREQ/MHZ;ZT/DBOHM\n0.15;14\n30;12.5\n", CSVUnits{}},
		"ohm sign U+2126":              {"f/MHz;Zt/dB\u2126\n0.15;14\n30;12.5\n", CSVUnits{}},
		"value first":                  {"Zt/dBΩ;f/MHz\n14;0.15\n12.5;30\n", CSVUnits{}},
		"falling frequency":            {"f/MHz;Zt/dBΩ\n30;12.5\n0.15;14\n", CSVUnits{}},
		"other columns":                {"no;f/MHz;remark;Zt/dBΩ;uncertainty/dB\n1;0.15;low;14;1\n2;30;;12.5;1\n", CSVUnits{}},
		"byte order mark and CRLF":     {"\ufefff/MHz;Zt/dBΩ\r\n0.15;14\r\n30;12.5\r\n", CSVUnits{}},
		"lone CR":                      {"f/MHz;Zt/dBΩ\r0.15;14\r30;12.5", CSVUnits{}},
		"mixed line ends, no last":     {"f/MHz;Zt/dBΩ\r\n0.15;14\r\n\n30;12.5", CSVUnits{}},
		"comments":                     {"# probe 7\n! in the jig\nf/MHz;Zt/dBΩ\n0.15;14\n # between\n30;12.5\n", CSVUnits{}},
		"separator line":               {"sep=;\nf/MHz;Zt/dBΩ\n0.15;14\n30;12.5\n", CSVUnits{}},
		"separators left behind":       {"f/MHz;Zt/dBΩ;;\n0.15;14;;\n30;12.5;;\n", CSVUnits{}},
		"declared, no header":          {"0.15;14\n30;12.5\n", CSVUnits{Frequency: "MHz", Value: "dBohm"}},
		"declared, bare header":        {"frequency;Zt\n0.15;14\n30;12.5\n", CSVUnits{Frequency: "MHz", Value: "dBΩ"}},
		"declared and in the header":   {"f/MHz;Zt/dBΩ\n0.15;14\n30;12.5\n", CSVUnits{Frequency: "MHz", Value: "dBohm"}},
		"units behind the numbers":     {"150 kHz;14 dBΩ\n30 MHz;12,5 dBΩ\n", CSVUnits{}},
		"as transfer admittance":       {"f/MHz;k/dBS\n0.15;−14\n30;−12.5\n", CSVUnits{}},
		"one column of several":        {"f/MHz;Zt 1/dBΩ;Zt 2/dBΩ\n0.15;3;14\n30;3;12.5\n", CSVUnits{Column: "Zt 2"}},
		"declared decimal comma":       {"f/kHz\tZt/dBΩ\n150,000\t14,000\n30000\t12,500\n", CSVUnits{Decimal: ","}},
		"decimal comma with 3 places":  {"f/kHz;Zt/dBΩ\n150,000;14,000\n30000;12,500\n", CSVUnits{}},
	} {
		t.Run(name, func(t *testing.T) {
			got, problems := ParseCSV[rf.Transimpedance]("zt.csv", []byte(c.text), c.declared)
			if len(problems) > 0 {
				t.Fatalf("problems: %v", problems)
			}
			points := got.Points()
			if len(points) != 2 {
				t.Fatalf("%d points", len(points))
			}
			near(t, "first frequency", points[0].At.Hz(), 150e3, 1e-6)
			near(t, "first value", points[0].Value.In(), 14, 1e-9)
			near(t, "second frequency", points[1].At.Hz(), 30e6, 1e-6)
			near(t, "second value", points[1].Value.In(), 12.5, 1e-9)
			if got.Source() != "zt.csv" {
				t.Errorf("source %q", got.Source())
			}
		})
	}
}

func one[V Value](t *testing.T, header, value string) V {
	t.Helper()
	c, problems := ParseCSV[V]("x.csv", []byte("f/MHz;"+header+"\n1;"+value+"\n"), CSVUnits{})
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
	c, problems := ParseCSV[rf.Current]("i.csv", []byte("f/MHz;I/dB\xb5A\n1;80\n"), CSVUnits{})
	if c.Absent() || len(problems) != 1 || !problems[0].Warning {
		t.Errorf("curve absent: %v, problems %v", c.Absent(), problems)
	}
}

// Each case is one trap, named for it; want lists every problem as "line:column: words in it".
func TestACSVFileThatSaysTooLittleOrTwoThingsIsRefused(t *testing.T) {
	utf16le := "\xff\xfe"
	for _, u := range utf16.Encode([]rune("f/MHz\tZt/dBΩ\n1\t2\n")) {
		utf16le += string([]byte{byte(u), byte(u >> 8)})
	}
	for name, c := range map[string]struct {
		text     string
		declared CSVUnits
		want     []string
	}{
		"empty":                                {"", CSVUnits{}, []string{"0:0: no rows"}},
		"only comments":                        {"# a\n! b\n\n", CSVUnits{}, []string{"0:0: no rows"}},
		"only a header":                        {"f/MHz;Zt/dBΩ\n", CSVUnits{}, []string{"0:0: header but no rows"}},
		"UTF-16":                               {utf16le, CSVUnits{}, []string{"1:1: UTF-16"}},
		"not text":                             {"PK\x03\x04\x00\x00", CSVUnits{}, []string{"0:0: not text"}},
		"no unit anywhere":                     {"1;2\n3;4\n", CSVUnits{}, []string{"1:1: the frequency has no unit", "1:3: the transfer impedance has no unit"}},
		"no unit of the value":                 {"f/MHz;Zt\n1;2\n3;4\n", CSVUnits{}, []string{"2:3: the transfer impedance has no unit"}},
		"unit of another quantity":             {"f/MHz;I/dBµA\n1;2\n", CSVUnits{}, []string{`1:7: the unit in "I/dBµA" is that of a current, not of a transfer impedance`}},
		"dB without what it is relative to":    {"f/MHz;Zt/dB\n1;2\n", CSVUnits{}, []string{"1:7: that of a gain"}},
		"header against declaration":           {"f/MHz;Zt/dBΩ\n1;2\n", CSVUnits{Frequency: "kHz"}, []string{`1:1: the header says "f/MHz" but "kHz" is declared`}},
		"millihertz":                           {"f/mHz;Zt/dBΩ\n1;2\n", CSVUnits{}, []string{"1:1: millihertz"}},
		"letter as last word is no unit":       {"f/MHz;probe A\n1;2\n", CSVUnits{}, []string{"2:3: no unit"}},
		"decimal comma and comma separator":    {"f/MHz,Zt/dBΩ\n0,15,14\n30,12\n", CSVUnits{}, []string{"2:1: 3 columns where 2"}},
		"thousands or decimal comma":           {"f/kHz\tZt/dBΩ\n150,000\t14\n", CSVUnits{}, []string{`2:1: "150,000" can be read in two ways`}},
		"thousands in hertz":                   {"f/Hz;Zt/dBΩ\n150,000;14\n230,000;14\n", CSVUnits{}, []string{"2:1: two ways"}},
		"quoted thousands":                     {"f/kHz,Zt/dBΩ\n\"1,500\",14\n", CSVUnits{}, []string{"2:1: two ways"}},
		"both decimal signs":                   {"f/MHz;Zt/dBΩ\n0,15;14\n30;12.5\n", CSVUnits{}, []string{"3:0: different decimal signs"}},
		"two value columns":                    {"f/MHz;Zt 1/dBΩ;Zt 2/dBΩ\n1;2;3\n", CSVUnits{}, []string{"1:0: several columns"}},
		"two frequency columns":                {"start/MHz;stop/MHz;Zt/dBΩ\n1;2;3\n", CSVUnits{}, []string{"1:11: both frequencies"}},
		"no such column":                       {"f/MHz;Zt/dBΩ\n1;2\n", CSVUnits{Column: "Zt 3"}, []string{`1:0: no column is called "Zt 3"`}},
		"one column":                           {"f/MHz;Zt/dBΩ\n1\n2;3\n", CSVUnits{}, []string{"2:1: 1 column where 2"}},
		"quote not closed":                     {"f/MHz;Zt/dBΩ\n1;\"2\n", CSVUnits{}, []string{"2:3: not closed"}},
		"strange bytes":                        {"f/MHz;Zt/dBΩ\n1;2\xa7\n", CSVUnits{}, []string{"2:1: not UTF-8", "2:3: unknown impedance unit"}},
		"frequency twice, with its first line": {"f/MHz;Zt/dBΩ\n1;2\n2;3\n1;4\n", CSVUnits{}, []string{"4:1: 1 MHz stands on line 2 already"}},
		"every cell wrong, all told": {"f/MHz;Zt/dBΩ\nx;1\n0;2\n-1;3\n2;NaN\n3;\n4;9.9E37\n;5\n5;inf\n6;1.2.3\n", CSVUnits{}, []string{
			"2:1: does not start with a number", "3:1: above 0 Hz", "4:1: above 0 Hz", "5:3: does not start with a number", "6:3: missing",
			"7:3: beyond anything", "8:1: missing", "9:3: does not start with a number", "10:3: more than one decimal sign"}},
		"no finite decibel": {"f/MHz;Zt/Ω\n1;0\n2;-1\n3;at most 5 Ω\n", CSVUnits{}, []string{"2:3: no finite number", "3:3: negative", "4:3: only a bound"}},
	} {
		t.Run(name, func(t *testing.T) {
			c2, problems := ParseCSV[rf.Transimpedance]("zt.csv", []byte(c.text), c.declared)
			if !c2.Absent() || problems.Err() == nil {
				t.Fatalf("taken: %v", problems)
			}
			ok := len(problems) == len(c.want)
			for i := 0; ok && i < len(c.want); i++ {
				place, words, _ := strings.Cut(c.want[i], ": ")
				ok = place == fmt.Sprintf("%d:%d", problems[i].Line, problems[i].Column) && strings.Contains(problems[i].What, words) && problems[i].File == "zt.csv"
			}
			if !ok {
				t.Errorf("problems:\n%v\nwant:\n%s", problems.Err(), strings.Join(c.want, "\n"))
			}
		})
	}
}

func TestADecimalCommaBetweenCommasSaysWhatToDo(t *testing.T) {
	_, problems := ParseCSV[rf.Gain]("g.csv", []byte("f/MHz,gain/dB\n0,15,3,5\n"), CSVUnits{})
	if len(problems) != 1 || !strings.Contains(problems[0].Hint, "semicolon") {
		t.Errorf("problems %v", problems)
	}
}

func TestTheListOfProblemsEnds(t *testing.T) {
	_, problems := ParseCSV[rf.Gain]("g.csv", []byte("f/MHz,gain/dB\n"+strings.Repeat("x,y\n", 10000)), CSVUnits{})
	if len(problems) > maximumProblems+1 {
		t.Errorf("%d problems", len(problems))
	}
}

func TestAWrittenCurveIsReadBackInEverySpelling(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		_, points := anyCurve(t)
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
		c, problems := ParseCSV[rf.Gain]("x.csv", []byte(b.String()), CSVUnits{})
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

func FuzzParseCSV(f *testing.F) {
	for _, s := range []string{
		"f/MHz;Zt/dBΩ\n0,15;14\n30;12,5\n", "\ufefff/MHz,Zt/dBΩ\r\n1,2\r3,4", "f\tZt\nMHz\tdBΩ\n1\t2\n", "sep=;\n\"f/MHz\";\"a\"\"b\"\n1;2",
		"150 kHz;10 Ω\n", "f/MHz;Zt/dB(Ω)\n1;\xb5\n",
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		c, problems := ParseCSV[rf.Transimpedance]("x.csv", data, CSVUnits{Frequency: "MHz"})
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
