package trace_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"provoke/internal/files/trace"
)

// vector is one shape of file with the figures that stand in it: written down by hand beside it.
type vector struct {
	name     string
	file     string
	declared trace.Declared
	xUnit    string
	x        []float64
	yUnits   string // joined by blanks
	y        [][]float64
	warns    string // part of a warning, with "line:column"
}

var nan = math.NaN()

var vectors = []vector{
	{name: "comma between, point inside, units in brackets",
		file:  "Frequency (Hz),Level (dBm)\n150000,-85.2\n151000,-84.9\n",
		xUnit: "Hz", x: []float64{150000, 151000}, yUnits: "dBm", y: [][]float64{{-85.2, -84.9}}},
	{name: "semicolon between, decimal comma, byte order mark, CR LF",
		file:  "\ufefff/MHz;U/dBµV\r\n0,15;32,5\r\n0,151;33,25\r\n",
		xUnit: "MHz", x: []float64{0.15, 0.151}, yUnits: "dBµV", y: [][]float64{{32.5, 33.25}}},
	{name: "level first, frequency second",
		file:  "Level [dBuV];Frequency [kHz]\n32.5;150\n33;151\n",
		xUnit: "kHz", x: []float64{150, 151}, yUnits: "dBµV", y: [][]float64{{32.5, 33}}},
	{name: "a row of units under the names",
		file:  "Time,CH1,CH2\ns,V,mV\n-1.0e-3,0.02,5\n0,0.04,6\n1.0E-03,0.06,7\n",
		xUnit: "s", x: []float64{-1e-3, 0, 1e-3}, yUnits: "V mV", y: [][]float64{{0.02, 0.04, 0.06}, {5, 6, 7}}},
	{name: "facts above the table give the units",
		file: "Instrument;invented analyser;\nDate;2026-11-25;\nStart;150000;Hz\nStop;152000;Hz\nRBW;9000;Hz\nRef " +
			"Level;-10;dBm\n" +
			"x-Axis;LIN;\nx-Unit;Hz;\ny-Unit;dBm;\nTrace 1;;\nTrace " +
			"Mode;MAXHOLD;\nValues;3;\n150000;-85,2;\n151000;-84,9;\n152000;-80;\n",
		xUnit: "Hz", x: []float64{150000, 151000, 152000}, yUnits: "dBm", y: [][]float64{{-85.2, -84.9, -80}}},
	{name: "the unit of x follows from the start, two columns of y",
		file:  "Start,0.15,MHz\nStop,0.152,MHz\nY Unit,dBuV,\n0.15,20,30\n0.151,21,31\n0.152,22,32\n",
		xUnit: "MHz", x: []float64{0.15, 0.151, 0.152}, yUnits: "dBµV dBµV",
		y: [][]float64{{20, 21, 22}, {30, 31, 32}}},
	{name: "no header, units declared",
		file: "150000\t-85.2\r151000\t-84.9\r", declared: trace.Declared{XUnit: "Hz", YUnit: "dBm"},
		xUnit: "Hz", x: []float64{150000, 151000}, yUnits: "dBm", y: [][]float64{{-85.2, -84.9}}},
	{name: "no header, units declared, level first",
		file: "-85.2 150000\n-84.9 151000\n-86 152000\n", declared: trace.Declared{XUnit: "Hz", YUnit: "dBm"},
		xUnit: "Hz", x: []float64{150000, 151000, 152000}, yUnits: "dBm", y: [][]float64{{-85.2, -84.9, -86}}},
	{name: "a unit behind every figure, of two sizes",
		file:  "900 kHz, -45.3 dBm\n1.0 MHz, -45.1 dBm\n",
		xUnit: "kHz", x: []float64{900, 1000}, yUnits: "dBm", y: [][]float64{{-45.3, -45.1}}},
	{name: "the header stands in a comment",
		file:  "# exported by an invented program\n# Frequency (MHz), Max Hold (dBm)\n1, -20\n2, -21\n",
		xUnit: "MHz", x: []float64{1, 2}, yUnits: "dBm", y: [][]float64{{-20, -21}}},
	{name: "NULs in the text are left out and told",
		file:  "f/Hz;P/dBm\n1\x0000;-20\n200;-21\n\x00\x00",
		xUnit: "Hz", x: []float64{100, 200}, yUnits: "dBm", y: [][]float64{{-20, -21}}, warns: "2:2: warning: 3 NUL"},
	{name: "CR, LF and CR LF in one file",
		file:  "f/Hz;P/dBm\r100;-20\n200;-21\r\n300;-22\r",
		xUnit: "Hz", x: []float64{100, 200, 300}, yUnits: "dBm", y: [][]float64{{-20, -21, -22}}},
	{name: "UTF-16 with its mark",
		file:  wide("f/Hz;P/dBm\r\n100;-20\r\n200;-21\r\n"),
		xUnit: "Hz", x: []float64{100, 200}, yUnits: "dBm", y: [][]float64{{-20, -21}}},
	{name: "Windows-1252",
		file:  "f/Hz;U/dB\xb5V\n100;20\n200;21\n",
		xUnit: "Hz", x: []float64{100, 200}, yUnits: "dBµV", y: [][]float64{{20, 21}},
		warns: "1:10: warning: the byte B5"},
	{name: "marks for no figure",
		file:  "f/Hz;P/dBm\n100;-20\n200;---\n300;9.9E37\n400;-23\n",
		xUnit: "Hz", x: []float64{100, 200, 300, 400}, yUnits: "dBm", y: [][]float64{{-20, nan, nan, -23}},
		warns: "3:5: warning: column \"P\" has no figure in 2 of 4 rows"},
	{name: "thousands apart by apostrophes and in quotes",
		file:  "\"Frequency, Hz\",\"Level, dBm\"\n\"1,500,000\",-20.5\n\"1'600'000\",-21.5\n",
		xUnit: "Hz", x: []float64{1.5e6, 1.6e6}, yUnits: "dBm", y: [][]float64{{-20.5, -21.5}}},
	{name: "facts beside the table",
		file: "Record Length,6,,-0.001,0.5\nSample Interval,0.001,,0.000,0.6\nVertical " +
			"Units,V,,0.001,0.7\nHorizontal Units,s,,0.002,0.8\n,,,0.003,0.9\n,,,0.004,1.0\n",
		xUnit: "s", x: []float64{-1e-3, 0, 1e-3, 2e-3, 3e-3, 4e-3}, yUnits: "V",
		y: [][]float64{{0.5, 0.6, 0.7, 0.8, 0.9, 1}}},
	{name: "one column and start and stop",
		file:  "Start Frequency (kHz);100\nStop Frequency (kHz);300\nUnit;dBm\n-20\n-21\n-22\n",
		xUnit: "kHz", x: []float64{100, 200, 300}, yUnits: "dBm", y: [][]float64{{-20, -21, -22}},
		warns: "1:1: warning: the x of every row is computed"},
	{name: "a meter with numbers of readings, time stamps and a column of units",
		file: "Reading,Date,Time,Value,Unit\n1,2026-11-25,10:00:00.5,3.4660,VDC\n" +
			"2,2026-11-25,10:00:01.0,3.4671,VDC\n3,2026-11-25,10:00:01.5,OVLD,VDC\n",
		xUnit: "s", x: []float64{0, 0.5, 1}, yUnits: "V", y: [][]float64{{3.466, 3.4671, nan}}},
	{name: "a column that counts the rows is passed over",
		file:  "No.;Frequency/MHz;Level/dBm\n1;10;-20\n2;11;-21\n",
		xUnit: "MHz", x: []float64{10, 11}, yUnits: "dBm", y: [][]float64{{-20, -21}},
		warns: "1:1: warning: the column \"No.\""},
	{name: "the line that a spreadsheet writes first",
		file:  "sep=;\nf/Hz;P/dBm\n100;-20\n200;-21\n",
		xUnit: "Hz", x: []float64{100, 200}, yUnits: "dBm", y: [][]float64{{-20, -21}}},
	{name: "exponents of Fortran, signs, and minus signs of a typesetter",
		file:  "f/Hz;P/dBm\n+1.0D+05;−20\n2.0d5;–21\n",
		xUnit: "Hz", x: []float64{1e5, 2e5}, yUnits: "dBm", y: [][]float64{{-20, -21}}},
	{name: "capital units",
		file:  "FREQ(MHZ),AMPL(DBM)\n10,-20\n20,-21\n",
		xUnit: "MHz", x: []float64{10, 20}, yUnits: "dBm", y: [][]float64{{-20, -21}}},
	{name: "start and stop without a unit, which is declared",
		file: "Start,9000\nStop,150000\nUnit,dBm\n-20\n-21\n-22\n", declared: trace.Declared{XUnit: "Hz"},
		xUnit: "Hz", x: []float64{9000, 79500, 150000}, yUnits: "dBm", y: [][]float64{{-20, -21, -22}}},
	{name: "sections with names in brackets",
		file:  "[Header]\nTitle=an invented trace\n[Data]\nFrequency [Hz]\tLevel [dBm]\n10\t-20\n20\t-21\n[End]\n",
		xUnit: "Hz", x: []float64{10, 20}, yUnits: "dBm", y: [][]float64{{-20, -21}}},
}

func wide(s string) string {
	out := "\xff\xfe"
	for _, c := range s {
		out += string([]byte{byte(c), byte(c >> 8)})
	}
	return out
}

func TestFilesOfManyShapesGiveTheFiguresThatStandInThem(t *testing.T) {
	for _, v := range vectors {
		t.Run(v.name, func(t *testing.T) {
			got, list := trace.Parse("trace.csv", []byte(v.file), v.declared)
			if err := list.Err(); err != nil {
				t.Fatal(err)
			}
			if got.X.Unit != v.xUnit || !same(got.X.Values, v.x) {
				t.Errorf("x is %v %s, in the file stands %v %s", got.X.Values, got.X.Unit, v.x, v.xUnit)
			}
			var units []string
			for _, y := range got.Y {
				units = append(units, y.Unit)
			}
			if s := strings.Join(units, " "); s != v.yUnits {
				t.Fatalf("y counts in %q, in the file stands %q", s, v.yUnits)
			}
			for i := range v.y {
				if !same(got.Y[i].Values, v.y[i]) {
					t.Errorf("y is %v, in the file stands %v", got.Y[i].Values, v.y[i])
				}
			}
			told := ""
			for _, w := range list.Warnings() {
				told += w.String() + "\n"
			}
			if v.warns == "" && told != "" && !strings.Contains(told, "computed") &&
				!strings.Contains(told, "no figure") && !strings.Contains(told, "counts the rows") {
				t.Errorf("warns without a reason: %s", told)
			}
			if !strings.Contains(told, v.warns) {
				t.Errorf("tells\n%s\nand not %q", told, v.warns)
			}
		})
	}
}

func same(a, b []float64) bool {
	if len(a) != len(b) {
		return false
	}
	for i := range a {
		if math.IsNaN(a[i]) != math.IsNaN(b[i]) || math.Abs(a[i]-b[i]) > 1e-9*math.Max(1, math.Abs(b[i])) {
			return false
		}
	}
	return true
}

func TestWhatCannotBeReadIsToldWithItsPlace(t *testing.T) {
	for _, v := range []struct {
		name, file string
		declared   trace.Declared
		want       string
	}{
		{"nothing", "", trace.Declared{}, "no rows"},
		{"no figures", "Frequency;Level\nlow;high\n", trace.Declared{}, "1:1: the file holds no figures"},
		{"no unit of y", "Frequency (Hz);Level\n100;-20\n200;-21\n", trace.Declared{},
			`1:16: the column "Level" has no unit`},
		{"no unit of x", "Frequency;Level (dBm)\n100;-20\n200;-21\n", trace.Declared{},
			`1:1: the column "Frequency" has no unit`},
		{"no unit at all", "100;-20\n200;-21\n", trace.Declared{}, "1:1: the column of x has no unit"},
		{"millihertz", "Frequency (mhz);Level (dBm)\n100;-20\n", trace.Declared{}, "1:1: the unit in"},
		{"declared against the file", "f/kHz;P/dBm\n100;-20\n", trace.Declared{XUnit: "MHz"},
			"1:1: the file says kHz here but MHz is declared for x"},
		{"a unit that is none", "f/kHz;P/dBm\n100;-20\n", trace.Declared{YUnit: "apples"}, `the unit "apples"`},
		{"points or commas that could be both", "f/Hz;P/mW\n1,234;5,678\n2,345;6,789\n", trace.Declared{},
			`2:1: "1,234" can be read in two ways`},
		{"decimal commas between commas", "f/MHz,P/dBm\n0,15,-85,2\n0,16,-85,3\n", trace.Declared{}, "2:1: "},
		{"units that do not go together", "f/MHz;P/dBm\n1;-20 dBm\n2;-21 mV\n", trace.Declared{},
			`3:3: "-21 mV" does not count in dBm`},
		{"a line that is not understood", "f/Hz;P/dBm\n100;-20\n200;-2x\n300;-22\n", trace.Declared{},
			`3:5: "-2x" is no figure`},
		{"damage near the beginning", "f/Hz;P/dBm\n100;-20\n200;??x\n300\n400;-23\n500;-24\n600;-25\n",
			trace.Declared{}, "4:1: the line has 1 column where the table has 2"},
		{"damage right under the heading", "f/Hz;P/dBm\n100;-2O\n200;-21\n300;-22\n", trace.Declared{},
			`2:5: "-2O" is no figure`},
		{"rows of three widths", "Freq/Hz,Level/dBm\n1e6,-20\n2e6\n3e6,-22,5\n", trace.Declared{},
			"4:1: the line has 3 columns"},
		{"one column", "P/dBm\n-20\n-21\n", trace.Declared{}, "one column of figures"},
		{"a packed workbook", "PK\x03\x04rest", trace.Declared{}, "packed workbook"},
		{"a column that is not there", "f/MHz;P/dBm\n1;-20\n2;-21\n", trace.Declared{YColumns: []string{"Q"}},
			`no column is called "Q"`},
	} {
		t.Run(v.name, func(t *testing.T) {
			got, list := trace.Parse("t.csv", []byte(v.file), v.declared)
			err := list.Err()
			if err == nil {
				t.Fatalf("is read as %+v", got)
			}
			if got != nil {
				t.Error("a trace comes back beside a problem")
			}
			if !strings.Contains(err.Error(), v.want) {
				t.Errorf("tells\n%v\nand not %q", err, v.want)
			}
		})
	}
}

func TestReadingsArePowersIntoFiftyOhm(t *testing.T) {
	// 107 dBµV is 0 dBm in 50 Ω: 20·log10(√(0.001 W·50 Ω)/1 µV) = 106.99 dBµV, common practice.
	tr, list := trace.Parse("t.csv", []byte("f/MHz;U/dBµV\n10;106.9897\n20;---\n30;86.9897\n"), trace.Declared{})
	if err := list.Err(); err != nil {
		t.Fatal(err)
	}
	got, err := tr.Readings(0)
	if err != nil {
		t.Fatal(err)
	}
	if len(got) != 2 || got[0].Frequency.Hz() != 10e6 || math.Abs(got[0].Power.In()) > 1e-3 ||
		math.Abs(got[1].Power.In()+20) > 1e-3 {
		t.Errorf("readings %v", got)
	}
	if _, err := tr.Readings(1); err == nil {
		t.Error("a column that is not there gives readings")
	}
	scope, _ := trace.Parse("t.csv", []byte("t/s;U/V\n0;1\n1;2\n"), trace.Declared{})
	if _, err := scope.Readings(0); err == nil {
		t.Error("a trace over time gives levels over frequency")
	}
}

func TestTimeStampsGiveTheBeginning(t *testing.T) {
	tr, list := trace.Parse("t.csv", []byte("Time;U/V\n2026-11-25T10:00:00.250Z;1\n2026-11-25T10:00:01.000Z;2\n"),
		trace.Declared{})
	if err := list.Err(); err != nil {
		t.Fatal(err)
	}
	if want := time.Date(2026, 11, 25, 10, 0, 0, 250e6, time.UTC); !tr.Began.Equal(want) ||
		!same(tr.X.Values, []float64{0, 0.75}) {
		t.Errorf("begins %v at %v", tr.Began, tr.X.Values)
	}
}

func FuzzParse(f *testing.F) {
	for _, v := range vectors {
		f.Add([]byte(v.file))
	}
	f.Add([]byte("\"\n\"\"1;2"))
	f.Add([]byte(";;;\n;1;\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		if len(data) > 4096 {
			return
		}
		for _, d := range []trace.Declared{{}, {XUnit: "Hz", YUnit: "dBm"}} {
			tr, list := trace.Parse("f.csv", data, d)
			if (tr == nil) != (list.Err() != nil) {
				t.Fatalf("a trace %v beside problems %v", tr, list)
			}
			if tr == nil {
				continue
			}
			if tr.X.Unit == "" || len(tr.Y) == 0 {
				t.Fatalf("a trace without a unit or without levels: %+v", tr)
			}
			for _, c := range append(tr.Y, tr.X) {
				if len(c.Values) != tr.Points() || c.Unit == "" {
					t.Fatalf("column %+v of %d points", c, tr.Points())
				}
				for _, v := range c.Values {
					if math.IsInf(v, 0) {
						t.Fatalf("column %+v is infinite", c)
					}
				}
			}
		}
	})
}

func BenchmarkParse100kRows(b *testing.B) {
	var s strings.Builder
	s.WriteString("Frequency (Hz);Level (dBm)\n")
	for i := range 100000 {
		s.WriteString("150")
		s.WriteString(strings.Repeat("0", 1+i%4))
		s.WriteString(".5;-85.25\n")
	}
	data := []byte(s.String())
	b.SetBytes(int64(len(data)))
	for b.Loop() {
		if _, list := trace.Parse("b.csv", data, trace.Declared{}); list.Err() != nil {
			b.Fatal(list.Err())
		}
	}
}
