package trace_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"provoke/internal/files/trace"
	"provoke/internal/units/rf"
)

// scope makes n rows of a scope's export, with what its first rows say beside them.
func scope(n int, row func(i int) string, beside ...string) string {
	var b strings.Builder
	for i := range n {
		if i < len(beside) {
			b.WriteString(beside[i])
		}
		b.WriteString(row(i) + "\n")
	}
	return b.String()
}

// rising makes n values.
func rising(n int, first, step float64) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = first + step*float64(i)
	}
	return out
}

// others are shapes of files that instruments and programs write (common practice; the figures are invented),
// each of which was once read wrong, or in part, without a word.
var others = []vector{
	{name: "decimal commas with three digits in the levels: no level is −45123 dBm",
		file:  "Frequency (kHz);Level (dBm)\n150.5;-45,123\n151.5;-44,921\n",
		xUnit: "kHz", x: []float64{150.5, 151.5}, yUnits: "dBm", y: [][]float64{{-45.123, -44.921}}},
	{name: "decimal commas with three digits in both columns",
		file:  "Frequency (MHz);Level (dBm)\n1,500;-45,123\n1,501;-44,921\n",
		xUnit: "MHz", x: []float64{1.5, 1.501}, yUnits: "dBm", y: [][]float64{{-45.123, -44.921}}},
	{name: "the trace's own line goes before the reference level",
		file:  "Ref Level;-10;dBm\nTrace A;Max Peak;dBuV\nFrequency (MHz);Level\n10;45.5\n11;46.5\n",
		xUnit: "MHz", x: []float64{10, 11}, yUnits: "dBµV", y: [][]float64{{45.5, 46.5}}},
	{name: "the trace's own line with a colon",
		file:  "Reference Level: 107 dBuV\nTrace 1: CLRW, dBm\nFrequency (MHz),Level\n10,-45.5\n11,-46.5\n",
		xUnit: "MHz", x: []float64{10, 11}, yUnits: "dBm", y: [][]float64{{-45.5, -46.5}}},
	{name: "a scope's facts beside the first six rows only, and rows that shrink",
		file: scope(2500, func(i int) string { return fmt.Sprintf("%.6f,%.2f", float64(i)*4e-6, 0.01*float64(i%7)) },
			"Record Length,2.500000e+03,", "Sample Interval,4.000000E-06,", "Trigger Point,1.250000000000e+03,",
			"Source,CH1,", "Vertical Units,V,", "Horizontal Units,s,"),
		xUnit: "s", x: rising(2500, 0, 4e-6), yUnits: "V"},
	{name: "a scope's facts beside the first rows, with empty cells kept",
		file: scope(40, func(i int) string { return fmt.Sprintf("%.6f,%.2f,", float64(i)*4e-6, 0.01*float64(i%7)) },
			"Record Length,40,Points,", "Sample Interval,4.000000E-06,s,", "Source,CH1,,", "Vertical Units,V,,",
			"Horizontal Units,s,,") +
			"",
		xUnit: "s", x: rising(40, 0, 4e-6), yUnits: "V"},
	{name: "clocks without leading zeros",
		file:  "Date,Time,Level (dBm)\n2026-11-25,9:59:59,-20\n2026-11-25,10:0:5,-21\n2026-11-25,16:2:39,-22\n",
		xUnit: "s", x: []float64{0, 6, 21760}, yUnits: "dBm", y: [][]float64{{-20, -21, -22}}},
	{name: "a meter's column of the kind of connection is no power",
		file: "Index,Reading,Unit,Sense,Time\n1,3.4660,VDC,2W,10:00:00\n2,3.4671,VDC,2W,10:00:01\n" +
			"3,3.4672,VDC,2W,10:00:02\n",
		xUnit: "s", x: []float64{0, 1, 2}, yUnits: "V", y: [][]float64{{3.466, 3.4671, 3.4672}}},
	{name: "the kind of connection stands first",
		file:  "Sense,Reading,Unit,Time (s)\n4W,100.12,OHM,0\n4W,100.13,OHM,1\n4W,100.14,OHM,2\n",
		xUnit: "s", x: []float64{0, 1, 2}, yUnits: "Ω", y: [][]float64{{100.12, 100.13, 100.14}}},
	{name: "a scope's index with start and increment in the heading's own rows",
		file:     "X,CH1,Start,Increment,\nSequence,Volt,-1.0E-03,2.0E-06,\n0,0.50,,,\n1,0.60,,,\n2,0.70,,,\n",
		declared: trace.Declared{XUnit: "s"},
		xUnit:    "s", x: []float64{-1e-3, -0.998e-3, -0.996e-3}, yUnits: "V", y: [][]float64{{0.5, 0.6, 0.7}}},
	{name: "fractions of seconds in a column of their own",
		file: "Date,Time,Fractional Seconds,Level " +
			"(dBm)\n2026-11-25,10:00:00,0.25,-20\n2026-11-25,10:00:00,0.75,-21\n2026-11-25,10:00:01,0.25,-22\n",
		xUnit: "s", x: []float64{0, 0.5, 1}, yUnits: "dBm", y: [][]float64{{-20, -21, -22}}},
	{name: "milliseconds in a column of their own",
		file:  "Time;Millisecond;U (V)\n10:00:00;250;1\n10:00:00;750;2\n10:00:01;5;3\n",
		xUnit: "s", x: []float64{0, 0.5, 0.755}, yUnits: "V", y: [][]float64{{1, 2, 3}}},
	{name: "two traces side by side with the same frequencies",
		file:  "Frequency (MHz),Peak (dBm),Frequency (MHz),Average (dBm)\n10,-20,10,-30\n11,-21,11,-31\n",
		xUnit: "MHz", x: []float64{10, 11}, yUnits: "dBm dBm", y: [][]float64{{-20, -21}, {-30, -31}}},
	{name: "two traces one after the other, the second asked for",
		file:     "f/Hz;P/dBm\n100;-20\n200;-21\n\nTrace 2\nf/Hz;P/dBm\n100;-30\n200;-31\n",
		declared: trace.Declared{Table: 2},
		xUnit:    "Hz", x: []float64{100, 200}, yUnits: "dBm", y: [][]float64{{-30, -31}}},
	{name: "two traces one after the other, the first asked for",
		file:     "f/Hz;P/dBm\n100;-20\n200;-21\n\nTrace 2\nf/Hz;P/dBm\n100;-30\n200;-31\n",
		declared: trace.Declared{Table: 1},
		xUnit:    "Hz", x: []float64{100, 200}, yUnits: "dBm", y: [][]float64{{-20, -21}}},
	{name: "a plain block of an analyser, start and stop declared",
		file: "-20,-21,-22,-23,-24\n", declared: trace.Declared{Start: "10 MHz", Stop: "14 MHz", YUnit: "dBm"},
		xUnit: "MHz", x: []float64{10, 11, 12, 13, 14}, yUnits: "dBm", y: [][]float64{{-20, -21, -22, -23, -24}}},
	{name: "a plain column, start and stop declared",
		file: "-20.5\n-21.5\n-22.5\n", declared: trace.Declared{Start: "150 kHz", Stop: "250 kHz", YUnit: "dBm"},
		xUnit: "kHz", x: []float64{150, 200, 250}, yUnits: "dBm", y: [][]float64{{-20.5, -21.5, -22.5}}},
	{name: "a plain block behind its block header",
		file: "#223-20.5,-21.5,-22.5,-23.5\n", declared: trace.Declared{Start: "1 MHz", Stop: "4 MHz", YUnit: "dBm"},
		xUnit: "MHz", x: []float64{1, 2, 3, 4}, yUnits: "dBm", y: [][]float64{{-20.5, -21.5, -22.5, -23.5}}},
	{name: "a unit declared as none",
		file: "f/MHz;count\n10;1\n11;2\n", declared: trace.Declared{YUnit: "none"},
		xUnit: "MHz", x: []float64{10, 11}, yUnits: "1", y: [][]float64{{1, 2}}},
	{name: "a declared count that agrees",
		file:  "Points;3\nf/MHz;P/dBm\n10;1\n11;2\n12;3\n",
		xUnit: "MHz", x: []float64{10, 11, 12}, yUnits: "dBm", y: [][]float64{{1, 2, 3}}},
	{name: "a preamble line in front of names, then columns of statistics",
		file: "Statistics: 3 sweeps\nFrequency (MHz)\tMin (dBm)\tMax (dBm)\tMean " +
			"(dBm)\n10\t-30\t-20\t-25\n11\t-31\t-21\t-26\n",
		xUnit: "MHz", x: []float64{10, 11}, yUnits: "dBm dBm dBm", y: [][]float64{{-30, -31}, {-20, -21}, {-25, -26}}},
	{name: "a count behind the table is a fact and no row",
		file:  "f/MHz;P/dBm\n10;1\n11;2\nNumber of points: 2\n",
		xUnit: "MHz", x: []float64{10, 11}, yUnits: "dBm", y: [][]float64{{1, 2}}, warns: ""},
	{name: "two levels that fall, and start and stop: the first is no x",
		file:  "Start,1 MHz\nStop,3 MHz\nMax Hold (dBm),Average (dBm)\n-45.1,-55\n-52.25,-56\n-61,-57\n",
		xUnit: "MHz", x: []float64{1, 2, 3}, yUnits: "dBm dBm", y: [][]float64{{-45.1, -52.25, -61}, {-55, -56, -57}}},
	{name: "the same with the number of the point",
		file:  "Start,1 MHz\nStop,3 MHz\nPoint,Max Hold (dBm),Average (dBm)\n1,-45.1,-55\n2,-52.25,-56\n3,-61,-57\n",
		xUnit: "MHz", x: []float64{1, 2, 3}, yUnits: "dBm dBm", y: [][]float64{{-45.1, -52.25, -61}, {-55, -56, -57}}},
	{name: "decimal commas in one column only, and not in every row",
		file:  "f/MHz;Max (dBm);Avg (dBm)\n1;-45,1;-55\n2;-52,25;-56\n3;-61;-57\n",
		xUnit: "MHz", x: []float64{1, 2, 3}, yUnits: "dBm dBm", y: [][]float64{{-45.1, -52.25, -61}, {-55, -56, -57}}},
	{name: "a column of bandwidths before the frequencies",
		file:  "RBW (kHz),Frequency (MHz),Level (dBm)\n10,1,-45.1\n10,2,-52.25\n30,3,-61\n",
		xUnit: "MHz", x: []float64{1, 2, 3}, yUnits: "dBm", y: [][]float64{{-45.1, -52.25, -61}}},
	{name: "an offset that is named, and its unit behind",
		file:  "Frequency (MHz);Level + 20 dB (dBm)\n1;-45.1\n2;-52.25\n",
		xUnit: "MHz", x: []float64{1, 2}, yUnits: "dBm", y: [][]float64{{-45.1, -52.25}}},
	{name: "a field strength in decibel, in brackets within brackets",
		file:  "Frequency (MHz);Level (dB(µV/m))\n10;45.1\n11;46.1\n",
		xUnit: "MHz", x: []float64{10, 11}, yUnits: "dBµV/m", y: [][]float64{{45.1, 46.1}}},
	{name: "a current in decibel, in square brackets",
		file:  "Frequency [MHz];Level [dB(uA)]\n10;45.1\n11;46.1\n",
		xUnit: "MHz", x: []float64{10, 11}, yUnits: "dBµA", y: [][]float64{{45.1, 46.1}}},
	{name: "a density",
		file:  "Frequency (MHz);Level (dBm/Hz)\n10;-145.1\n11;-146.1\n",
		xUnit: "MHz", x: []float64{10, 11}, yUnits: "dBm/Hz", y: [][]float64{{-145.1, -146.1}}},
	{name: "a density without brackets",
		file:  "f/MHz;Level dBm/Hz\n10;-145.1\n11;-146.1\n",
		xUnit: "MHz", x: []float64{10, 11}, yUnits: "dBm/Hz", y: [][]float64{{-145.1, -146.1}}},
	{name: "units named by channel",
		file:  "Y Unit CH1,V\nY Unit CH2,mV\nX Unit,s\nTIME,CH1,CH2\n0,1.25,1000\n1,1.5,1001\n",
		xUnit: "s", x: []float64{0, 1}, yUnits: "V mV", y: [][]float64{{1.25, 1.5}, {1000, 1001}}},
	{name: "centre and span",
		file:  "Center,2 MHz\nSpan,2 MHz\nLevel (dBm)\n-45.1\n-52.25\n-61\n",
		xUnit: "MHz", x: []float64{1, 2, 3}, yUnits: "dBm", y: [][]float64{{-45.1, -52.25, -61}}},
	{name: "start and step",
		file:  "Start,1 MHz\nStep,0.5 MHz\nLevel (dBm)\n-45.1\n-52.25\n-61\n",
		xUnit: "MHz", x: []float64{1, 1.5, 2}, yUnits: "dBm", y: [][]float64{{-45.1, -52.25, -61}}},
	{name: "units behind 'in', without a name",
		file:  "in s,C1 in V\n0,1.25\n1,1.5\n",
		xUnit: "s", x: []float64{0, 1}, yUnits: "V", y: [][]float64{{1.25, 1.5}}},
}

func TestOthersFilesGiveTheFiguresThatStandInThem(t *testing.T) {
	for _, v := range others {
		t.Run(v.name, func(t *testing.T) {
			got, list := trace.Parse("trace.csv", []byte(v.file), v.declared)
			if err := list.Err(); err != nil {
				t.Fatal(err)
			}
			if got.X.Unit != v.xUnit || !same(got.X.Values, v.x) {
				t.Errorf("x is %d values %v %s, in the file stands %v %s", len(got.X.Values),
					got.X.Values[:min(5, len(got.X.Values))], got.X.Unit, v.x[:min(5, len(v.x))], v.xUnit)
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
		})
	}
}

// Every row is read, or the file is refused with the line.
func TestOthersFilesThatCannotBeReadWholeAreRefused(t *testing.T) {
	lost := "f/MHz;P/dBm\n"
	for i := range 1000 {
		if i == 500 {
			lost += "60;-2O.5\n" // a letter for a digit
			continue
		}
		lost += fmt.Sprintf("%d;-20.5\n", 10+i)
	}
	for _, v := range []struct {
		name, file string
		declared   trace.Declared
		want       string
	}{
		{"one row of a thousand", lost, trace.Declared{}, `trace.csv:502:4: "-2O.5" is no figure`},
		{"a row that lost a column", "f/MHz;P/dBm\n10;1\n11\n12;3\n", trace.Declared{},
			"trace.csv:3:1: the line has 1 column where the table has 2"},
		{"a second table", "f/Hz;P/dBm\n100;-20\n200;-21\n\nTrace 2\nf/Hz;P/dBm\n100;-30\n200;-31\n", trace.Declared{},
			"5:1: a second table begins here"},
		{"a table that is not there", "f/Hz;P/dBm\n100;-20\n200;-21\n", trace.Declared{Table: 2},
			"the file has 1 table"},
		{"a clipped export", "Record Length;5\nf/MHz;P/dBm\n10;1\n11;2\n12;3\n", trace.Declared{},
			"1:1: the file says 5 here and has 3 rows"},
		{"a clipped export, by points", "Number of Points,1001\nf/MHz,P/dBm\n10,1\n11,2\n", trace.Declared{},
			"the file says 1001 here and has 2 rows"},
		{"a reference level in another unit than the trace's",
			"Ref Level;-10;dBm\nMarker in dBuV\nFrequency (MHz);Level\n10;45.5\n11;46.5\n", trace.Declared{},
			"2:11: dBµV stands here"},
		{"numbers that could be thousands", "f/Hz;n/counts\n1;1,234\n2;5,678\n", trace.Declared{},
			`2:3: "1,234" can be read in two ways`},
		{"points in one column and commas in the other", "f/kHz;U/mV\n150.5;1,234\n151.5;5,678\n", trace.Declared{},
			`2:7: "1,234" can be read in two ways`},
		{"side by side with other frequencies",
			"f (MHz),Peak (dBm),f (MHz),Average (dBm)\n10,-20,20,-30\n11,-21,21,-31\n", trace.Declared{},
			"two columns of frequency"},
		{"an index that is no time",
			"X,CH1,Start,Increment,\nSequence,Volt,-1.0E-03,2.0E-06,\n0,0.50,,,\n1,0.60,,,\n2,0.70,,,\n",
			trace.Declared{}, "the distance of the points has no unit"},
		{"a block whose length is not what its header says", "#225-20.5,-21.5,-22.5,-23.5\n",
			trace.Declared{Start: "1 MHz", Stop: "4 MHz", YUnit: "dBm"}, "block"},
		{"a binary block", "#42004\x00\x01\x02\x03\xff\xfe", trace.Declared{}, "block"},
		{"start and stop beside columns", "f/MHz;P/dBm\n10;1\n11;2\n", trace.Declared{Start: "1 MHz", Stop: "2 MHz"},
			"has frequencies of its own"},
		{"two levels and nothing that says where", "Max Hold (dBm),Average (dBm)\n-45.1,-55\n-52.25,-56\n-61,-57\n",
			trace.Declared{}, "no column of frequencies or times"},
		{"a power into 75 Ω", "Frequency (MHz);Level (dBm, 75 Ω)\n10;-45.1\n11;-46.1\n", trace.Declared{},
			`1:17: the column "Level (dBm, 75 Ω)" has no unit`},
		{"a voltage at 75 Ω", "Frequency (MHz);Level (dBµV) @ 75 Ω\n10;45.1\n11;46.1\n", trace.Declared{},
			"has no unit"},
		{"two units in one heading", "Frequency (MHz);Level (dBm) limit in dBµV\n10;-45.1\n11;-46.1\n",
			trace.Declared{}, "has no unit"},
		{"a density in an unknown unit", "Frequency (MHz);Level dBµV/MHz\n10;45.1\n11;46.1\n", trace.Declared{},
			"has no unit"},
		{"two channels in two units, and nothing says which",
			"Vertical Units,V,Vertical Units,A\nHorizontal Units,s,Horizontal " +
				"Units,s\nTIME,CH1,CH2\n0,1.25,10.5\n1,1.5,10.6\n", trace.Declared{},
			"1:18: A stands here and V in line 1"},
		{"two traces in two units",
			"Trace 1 Unit,dBm\nTrace 2 Unit,dBµV\nFrequency (MHz),A,B\n10,-45.1,61.9\n11,-46,61\n", trace.Declared{},
			"2:1: dBµV stands here and dBm in line 1"},
		{"a factor of ten to the sixth", "Frequency (x10^6 Hz),Level (dBm)\n1,-45.1\n2,-46.1\n", trace.Declared{},
			`1:1: the column "Frequency (x10^6 Hz)" has no unit`},
		{"a factor in square brackets", "Frequency [1e6 Hz],Level [dBm]\n1,-45.1\n2,-46.1\n", trace.Declared{},
			"has no unit"},
		{"a factor behind the unit", "Frequency (Hz) x1e6,Level (dBm)\n1,-45.1\n2,-46.1\n", trace.Declared{},
			"has no unit"},
		{"a factor of a thousand", "Frequency (1000 Hz),Level (dBm)\n1,-45.1\n2,-46.1\n", trace.Declared{},
			"has no unit"},
		{"a factor in the row of units", "Frequency,Level\nx1e6 Hz,dBm\n1,-45.1\n2,-46.1\n", trace.Declared{},
			"has no unit"},
		{"a tenth of a decibel", "Frequency (MHz),Level (0.1 dBm)\n1,-451\n2,-461\n", trace.Declared{}, "has no unit"},
		{"factors of time and voltage", "Time (10^-6 s);U (10^-3 V)\n1;1.5\n2;1.6\n", trace.Declared{}, "has no unit"},
		{"minutes and seconds", "Time (mm:ss),Level (dBm)\n00:01,-45.1\n00:02,-46.1\n01:00,-47.1\n", trace.Declared{},
			"1:1: "},
		{"a logarithm of the frequency", "log10(f/Hz),Level (dBm)\n6,-45.1\n7,-46.1\n", trace.Declared{},
			"has no unit"},
		{"a logarithmic sweep in a comment",
			"# LOG SWEEP\nStart,1 MHz\nStop,100 MHz\nLevel (dBm)\n-45.1\n-52.25\n-61\n", trace.Declared{},
			"logarithmic"},
		{"points per decade", "Points/decade,1\nStart,1 MHz\nStop,100 MHz\nLevel (dBm)\n-45.1\n-52.25\n-61\n",
			trace.Declared{}, "logarithmic"},
		{"a scale that is logarithmic, of x or y",
			"Scale: LOG\nStart,1 MHz\nStop,100 MHz\nLevel (dBm)\n-45.1\n-52.25\n-61\n", trace.Declared{},
			"logarithmic"},
		{"stacked traces without a heading between them", "f/MHz;P/dBm\n10;1\n11;2\n12;3\n10;4\n11;5\n12;6\n",
			trace.Declared{}, "5:1: f begins again here"},
		{"a unit above that contradicts the heading", "Y Axis Units,dBµV\nf/MHz,P/dBm\n10,1\n11,2\n", trace.Declared{},
			"2:7: the heading says dBm and line 1 dBµV"},
		{"a start that contradicts the frequencies", "Start,10 MHz\nStop,30 MHz\nf/MHz,P/dBm\n1,1\n2,2\n3,3\n",
			trace.Declared{}, "the file says from 10 MHz to 30 MHz here"},
		{"a step that contradicts start and stop",
			"Start,1 MHz\nStop,3 MHz\nStep,0.5 MHz\nLevel (dBm)\n-45.1\n-52.25\n-61\n", trace.Declared{}, "3:1: "},
		{"a factor above the table", "X Scale,1000000\nX Unit,Hz\nY Unit,dBm\nX,Y\n1,-45.1\n2,-52.25\n3,-61\n",
			trace.Declared{}, "1:1: a factor of 1e+06 stands here"},
		{"a mark for none that looks like a level", "f/MHz;P/dBm\n10;-45.1\n11;-999.9\n12;-46\n", trace.Declared{},
			"3:4: no level is -999.9 dBm"},
		{"a count in German", "Anzahl Punkte;5\nf/MHz;P/dBm\n10;1\n11;2\n12;3\n", trace.Declared{},
			"1:1: the file says 5 here and has 3 rows"},
		{"a count in French", "Nombre de points;5\nf/MHz;P/dBm\n10;1\n11;2\n12;3\n", trace.Declared{},
			"1:1: the file says 5 here and has 3 rows"},
		{"scattering parameters", "# Hz S MA R 50\n1e6 0.5 10\n2e6 0.6 20\n", trace.Declared{}, "provoke touchstone"},
		{"a stop below the start", "1\n2\n", trace.Declared{Start: "3 MHz", Stop: "2 MHz", YUnit: "dBm"},
			"above the start"},
	} {
		t.Run(v.name, func(t *testing.T) {
			got, list := trace.Parse("trace.csv", []byte(v.file), v.declared)
			err := list.Err()
			if err == nil {
				t.Fatalf("is read as %d rows: %+v", got.Points(), got)
			}
			if !strings.Contains(err.Error(), v.want) {
				t.Errorf("tells\n%v\nand not %q", err, v.want)
			}
		})
	}
}

// spelling is one way of writing a table of figures.
type spelling struct {
	separator, decimal string
	group              string // between thousands of the frequency, "" for none
	end                string
	wide, mark, quoted bool
	heading            int
	before             string
	unitsBeside        bool
}

func (s spelling) String() string {
	return fmt.Sprintf("%q %q group %q %q wide %t mark %t quoted %t heading %d", s.separator, s.decimal, s.group, s.end,
		s.wide, s.mark, s.quoted, s.heading)
}

// write spells a table; it states its units in one of the usual places.
func (s spelling) write(f, p []float64) string {
	number := func(x float64, digits int, group string) string {
		t := strings.Replace(fmt.Sprintf("%.*f", digits, x), ".", s.decimal, 1)
		if group != "" && x >= 1000 {
			whole, rest := t, ""
			if i := strings.Index(t, s.decimal); i >= 0 {
				whole, rest = t[:i], t[i:]
			}
			for i := len(whole) - 3; i > 0; i -= 3 {
				whole = whole[:i] + group + whole[i:]
			}
			t = whole + rest
		}
		if s.quoted {
			t = `"` + t + `"`
		}
		return t
	}
	join := func(cells ...string) string { return strings.Join(cells, s.separator) + s.end }
	quote := func(t string) string {
		if s.quoted || strings.Contains(t, s.separator) {
			return `"` + t + `"`
		}
		return t
	}
	var b strings.Builder
	b.WriteString(s.before)
	switch s.heading {
	case 0:
		b.WriteString(join(quote("Frequency [kHz]"), quote("Level [dBµV]")))
	case 1:
		b.WriteString(join("Frequency", "Level") + join("kHz", "dBµV"))
	case 2:
		b.WriteString(join(quote("Freq (kHz)"), quote("Amplitude (dBuV)")))
	case 3:
		b.WriteString(join("f/kHz", "U/dBµV"))
	case 4:
		b.WriteString(join("X-Unit", "kHz") + join("Y-Unit", "dBµV") + join("Frequency", "Level"))
	}
	for i := range f {
		b.WriteString(join(number(f[i], 3, s.group), number(p[i], 2, "")))
	}
	text := b.String()
	if s.wide {
		return wide(text)
	}
	if s.mark {
		return "\ufeff" + text
	}
	return text
}

// spellings lists every way that fits together: a decimal comma with no comma between, groups apart by a sign
// that is neither.
func spellings() []spelling {
	var out []spelling
	for _, sep := range []string{";", "\t", ",", "|"} {
		for _, dec := range []string{".", ","} {
			for _, quoted := range []bool{false, true} {
				if sep == dec && !quoted {
					continue
				}
				for _, group := range []string{"", "'", "\u202f"} {
					for h := range 5 {
						for k, end := range []string{"\n", "\r\n", "\r"} {
							before := []string{"", "An invented program\r\n",
								"# exported by an invented program" + end + "# Date: 2026-11-25" + end}[(h+k)%3]
							out = append(out, spelling{sep, dec, group, end, k == 1 && h%2 == 0, k == 2, quoted,
								h, before, false})
						}
					}
				}
			}
		}
	}
	return out
}

// No value changes by a factor when only the spelling changes, and nearly every spelling is read without help;
// what is not read is refused, with its line.
func TestOneTableInManySpellings(t *testing.T) {
	r := rand.New(rand.NewPCG(13, 0))
	read, all := 0, 0
	for _, s := range spellings() {
		n := 3 + r.IntN(40)
		f, p := make([]float64, n), make([]float64, n)
		for i := range f {
			f[i] = 150 + 250.125*float64(i)
			p[i] = math.Round(100*(20+40*r.Float64())) / 100
		}
		all++
		got, list := trace.Parse("t.csv", []byte(s.write(f, p)), trace.Declared{})
		if err := list.Err(); err != nil {
			if !strings.Contains(err.Error(), "t.csv:") {
				t.Errorf("%v: refused without a line: %v", s, err)
			}
			t.Logf("refused: %v: %v", s, err)
			continue
		}
		read++
		scale := map[string]float64{"kHz": 1, "Hz": 1e-3, "MHz": 1e3}[got.X.Unit]
		if got.Points() != n || len(got.Y) != 1 || got.Y[0].Unit != "dBµV" {
			t.Errorf("%v: %d rows of %d, %+v", s, got.Points(), n, got.Y)
			continue
		}
		for i := range f {
			if math.Abs(got.X.Values[i]*scale-f[i]) > 1e-6*f[i] || math.Abs(got.Y[0].Values[i]-p[i]) > 1e-9 {
				t.Fatalf("%v: row %d is %v %v, written was %v %v", s, i, got.X.Values[i], got.Y[0].Values[i],
					f[i], p[i])
			}
		}
	}
	t.Logf("figure: %d of %d spellings of one table with its units are read without help (%.1f %%), the rest refused "+
		"with the line", read, all, 100*float64(read)/float64(all))
	if float64(read) < 0.95*float64(all) {
		t.Errorf("%d of %d spellings are read", read, all)
	}
}

// table100 is a table of 100 rows in a spelling that a number chooses.
func table100(choice uint) (text string, f, p []float64) {
	all := spellings()
	s := all[choice%uint(len(all))]
	s.wide = false
	f, p = rising(100, 150, 250.125), rising(100, 20.25, 0.5)
	return s.write(f, p), f, p
}

// whole fails where a damaged table is read and a row of it is missing, or where a figure that was not touched
// has changed by a factor.
func whole(t *testing.T, choice uint, at int, with byte) {
	text, f, p := table100(choice)
	rows := strings.LastIndexAny(text[:len(text)-4], "\r\n") // the last line's beginning; the first row's is looked for
	first := strings.Index(text, "150")
	if first < 0 || rows <= first {
		t.Fatalf("no rows in %q", text[:80])
	}
	i := first + at%(len(text)-1-first)
	if strings.IndexByte("\r\n", text[i]) >= 0 || strings.IndexByte("\r\n", with) >= 0 {
		return // makes one row of two, or two of one
	}
	damaged := text[:i] + string(with) + text[i+1:]
	c, list := trace.Curve[rf.Voltage]("t.csv", []byte(damaged), trace.Declared{})
	if n := len(c.Points()); list.Err() == nil && n != 100 && !strings.Contains(fmt.Sprint(list), "left out") {
		t.Fatalf("a curve of %d rows of 100 is read where %q stands for %q:\n%s", n, with, text[i], damaged)
	}
	got, list := trace.Parse("t.csv", []byte(damaged), trace.Declared{})
	if list.Err() != nil {
		return
	}
	for _, w := range list.Warnings() {
		if strings.Contains(w.What, "left out") {
			return // told
		}
	}
	if got.Points() != 100 {
		t.Fatalf("%d rows of 100 are read where %q stands for %q in %q:\n%s", got.Points(), with,
			text[i], text[max(0, i-20):min(len(text), i+20)], damaged)
	}
	scale := map[string]float64{"kHz": 1, "Hz": 1e-3, "MHz": 1e3}[got.X.Unit]
	wrong := 0
	for k := range f {
		if math.Abs(got.X.Values[k]*scale-f[k]) > 1e-6*f[k] || len(got.Y) > 0 &&
			math.Abs(got.Y[0].Values[k]-p[k]) > 1e-9 {
			wrong++
		}
	}
	if wrong > 1 {
		t.Fatalf("%d rows have changed where %q stands for %q at %d:\n%s", wrong, with, text[i], i, damaged)
	}
}

// Rows in are rows out, or the file is refused: whichever character of a table is damaged.
func TestNoRowIsLostWhereOneCharacterIsDamaged(t *testing.T) {
	r := rand.New(rand.NewPCG(14, 0))
	const with = "x?;,.\t 0'\"-#eE|:=O"
	for range 600 {
		whole(t, r.UintN(1<<20), r.IntN(1<<20), with[r.IntN(len(with))])
	}
}

func FuzzNoRowIsLost(f *testing.F) {
	f.Add(uint(1), 10, byte('x'))
	f.Add(uint(77), 800, byte(';'))
	f.Fuzz(func(t *testing.T, choice uint, at int, with byte) { whole(t, choice, max(at, 0), with) })
}
