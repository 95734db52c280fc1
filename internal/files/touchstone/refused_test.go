package touchstone

import (
	"fmt"
	"runtime"
	"strings"
	"testing"
)

// One vector per trap, named for it: which layer refuses, where, and in which words. Nothing is applied
// from a refused file.
func TestTrapsAreRefused(t *testing.T) {
	const head = "# MHz S RI R 50\n"
	v2 := func(ports, order, frequencies string) string {
		text := "[Version] 2.0\n# MHz S RI R 50\n"
		for _, s := range []string{ports, order, frequencies} {
			if s != "" {
				text += s + "\n"
			}
		}
		return text
	}
	const p2, o2, f1 = "[Number of Ports] 2", "[Two-Port Data Order] 21_12", "[Number of Frequencies] 1"
	good := v2(p2, o2, f1) // lines 1 to 5
	for name, c := range map[string]struct {
		file, text string
		by         layer
		want       string // every refusal: "line:column words" joined by "; "
	}{
		"empty file":              {"x.s2p", "", inCounts, "0:0 no network data"},
		"only comments":           {"x.s2p", "! a\n! b\n", inCounts, "0:0 no network data"},
		"empty data section":      {"x.s2p", head, inCounts, "0:0 no network data"},
		"UTF-16":                  {"x.s2p", "\xff\xfe#\x00 \x00", inText, "1:1 UTF-16"},
		"not text":                {"x.s2p", "# MHz\n\x00\x01", inText, "0:0 not text"},
		"option line missing":     {"x.s2p", oneRow + oneRow, inData, "1:1 no option line"},
		"option line behind data": {"x.s2p", oneRow + head, inData, "1:1 no option line; 2:1 behind data"},
		"unknown option":          {"x.s2p", "# MHz S XX R 50\n" + oneRow, inOption, `1:9 "XX" is no option`},
		"unknown unit": {"x.s2p", "# THz S RI R 50\n" + oneRow,
			inOption, `1:3 "THz" is no option`},
		"two units": {"x.s2p", "# MHz GHz S RI R 50\n" + oneRow, inOption,
			"1:7 two values of the unit"},
		"two formats": {"x.s2p", "# MHz S RI MA\n" + oneRow, inOption,
			"1:12 two values of the format"},
		"R without a number": {"x.s2p", "# MHz S RI R\n" + oneRow, inOption,
			"1:12 no resistance follows"},
		"R zero":     {"x.s2p", "# MHz S RI R 0\n" + oneRow, inOption, "1:14 not above 0"},
		"R negative": {"x.s2p", "# MHz S RI R -50\n" + oneRow, inOption, "1:14 not above 0"},
		"R with its unit": {"x.s2p", "# MHz S RI R 50 ohm\n" + oneRow, inOption,
			`1:17 "ohm" is no option`},
		"R with a decimal comma": {"x.s2p", "# MHz S RI R 50,0\n" + oneRow, inOption,
			"1:14 not a number of ohm"},
		"number without R":              {"x.s2p", "# MHz S RI 50\n" + oneRow, inOption, `1:12 "50" is no option`},
		"complex reference":             {"x.s2p", "# GHz S RI R (50+50j)\n" + oneRow, inOption, "1:14 is complex"},
		"complex reference with blanks": {"x.s2p", "# GHz S RI R 50 +50j\n" + oneRow, inOption, "1:17 is complex"},
		"references for other ports": {"x.s2p", "# MHz S RI R 50 75 100\n" + oneRow, inData,
			"0:0 3 references for 2 ports"},
		"Z in v1.1 with unequal references": {"x.s2p", "# MHz Z RI R 50 75\n" + oneRow, inData, "2:1 does not say how"},
		"decimal comma": {"x.s2p", head + "100 0,1 0 0,9 0 0,8 0 0,2 0\n", inData,
			`2:5 "0,1" is not a number`},
		"comma between numbers": {"x.s1p", head + "100, 0.1, 0\n", inData, `2:1 "100," is not a number`},
		"NaN":                   {"x.s1p", head + "100 NaN 0\n", inData, `2:5 "NaN" is not a number`},
		"minus infinity in DB": {"x.s1p", "# MHz S DB\n100 -inf 0\n", inData,
			`2:5 "-inf" is not a number`},
		"hexadecimal number":         {"x.s1p", head + "0x10 0 0\n", inData, `2:1 "0x10" is not a number`},
		"number too large":           {"x.s1p", head + "1 1e999 0\n", inData, `2:3 "1e999" is not a number`},
		"decibels too large":         {"x.s1p", "# MHz S DB\n1 1e6 0\n", inData, "2:1 too large"},
		"degree sign":                {"x.s1p", "# MHz S MA\n1 0.5 30°\n", inData, `2:7 "30°" is not a number`},
		"superscript":                {"x.s1p", "# MHz S MA\n10² 0.5 30\n", inData, `2:1 "10²" is not a number`},
		"complex number as one word": {"x.s1p", head + "1 0.5+0.1j\n", inData, `2:3 "0.5+0.1j" is not a number`},
		"comment with another sign": {"x.s1p", head + "; made today\n1 0 0\n",
			inData, `2:1 ";" is not a number`},
		"frequency falls":                   {"x.s1p", head + "2 0 0\n1 0 0\n3 0 0\n", inData, "3:1 does not rise"},
		"frequency repeats with other data": {"x.s1p", head + "2 0 0\n2 0.1 0\n", inData, "3:1 does not rise"},
		"two-port frequency falls": {"x.s2p", head + oneRow + strings.Replace(oneRow, "100", "99", 1),
			inData, "3:1 does not rise"},
		"frequency negative": {"x.s1p", head + "-1 0 0\n", inData, "2:1 no radio frequency"},
		"hertz under # GHz":  {"x.s1p", "# GHz S RI\n100e6 0 0\n", inData, "2:1 no radio frequency"},
		"one-port rows in a .s2p": {"x.s2p", head + "1 0 0\n2 0 0\n", inData,
			"2:1 the file's name says 2 ports, but the first matrix has 3 numbers"},
		"two-port rows in a .s1p": {"x.s1p", head + oneRow, inData, "2:1 the file's name says 1 port"},
		"three-port rows in a .s4p": {"x.s4p", head + "1 1 0 1 0 1 0\n1 0 1 0 1 0\n1 0 1 0 1 0\n", inData,
			"2:1 the file's name says 4 ports"},
		"too many ports":            {"x.s999p", head + "1 0 0\n", inData, "2:1 the most that are read"},
		"ports that cannot be told": {"x.txt", head + "1 0 0 0\n", inData, "2:1 cannot be told"},
		"row with a number missing": {"x.s2p",
			head + oneRow + "101 0.1 0 0.9 0 0.8 0 0.2\n" + strings.Replace(oneRow, "100", "102", 1), inData,
			"3:1 whole pairs"},
		"row with a pair missing": {"x.s2p",
			head + oneRow + "101 0.1 0 0.9 0 0.8 0\n" + strings.Replace(oneRow, "100", "102", 1),
			inData, "3:1 7 of 9 numbers"},
		"row with a number too many": {"x.s2p", head + oneRow + "101 0.1 0 0.9 0 0.8 0 0.2 0 7\n", inData,
			"3:1 10 numbers or more"},
		"row with a pair too many": {"x.s1p", head + "1 0 0\n2 0 0 0 0\n", inData,
			"3:1 5 numbers or more where 3"},
		"matrix row missing": {"x.s3p",
			head +
				"1 1 0 1 0 1 0\n1 0 1 0 1 0\n1 0 1 0 1 0\n2 1 0 1 0 1 0\n1 0 1 0 1 0\n3 1 0 1 0 1 0\n1 0 1 0 1 0\n1 " +
				"0 1 0 1 0\n", inData, "5:1 13 of 19"},
		"file cut off": {"x.s2p", head + oneRow + "101 0.1 0\n", inCounts, "3:1 3 of 9 numbers"},
		"noise above the last frequency": {"x.s2p", head + oneRow + "200 0.5 0.25 90 0.3\n300 0.5 0.25 90 0.3\n",
			inData, "3:1 5 of 9 numbers; 4:1 5 of 9 numbers"},
		"noise row too short": {"x.s2p", head + oneRow + "50 0.5 0.25 90 0.3\n60 0.5 0.25 90\n",
			inData, "4:1 5 numbers"},
		"noise falls": {"x.s2p", head + oneRow + "50 0.5 0.25 90 0.3\n40 0.5 0.25 90 0.3\n",
			inData, "4:1 noise data does not rise"},
		"network data behind noise": {"x.s2p",
			head + oneRow + "50 0.5 0.25 90 0.3\n200 0.1 0 0.9 0 0.8 0 0.2 0\n", inData,
			"4:1 9 numbers or more where 5"},
		"noise in a one-port": {"x.s1p", head + "100 0 0\n50 0.5 0.25 90 0.3\n", inData,
			"3:1 5 numbers or more where 3"},
		"Z that has no S": {"x.s1p", "# MHz Z RI R 50\n1 -1 0\n", inConversion,
			"2:1 no S-parameters"},
		"H of three ports": {"x.s3p", "# Hz H RI\n1 1 0 1 0 1 0\n1 0 1 0 1 0\n1 0 1 0 1 0\n",
			inData, "2:1 2 ports, not to 3"},

		"keywords without a version": {"x.s2p", head + p2 + "\n" + o2 + "\n" + oneRow, inKeyword,
			"2:1 does not start with [Version]"},
		"unknown version": {"x.s2p", strings.Replace(good, "2.0", "3.0", 1) + "[Network Data]\n" +
			oneRow + "[End]\n", inKeyword, `1:11 version "3.0" is not known`},
		"version behind data": {"x.s2p", head + oneRow + "[Version] 2.0\n", inKeyword,
			"3:1 behind the network data"},
		"unknown keyword": {"x.s2p", good + "[Colour] red\n[Network Data]\n" + oneRow + "[End]\n",
			inKeyword, "6:1 [Colour] is no keyword"},
		"bracket not closed": {"x.s2p",
			good + "[Reference 50 50\n[Network Data]\n" + oneRow + "[End]\n", inKeyword, "6:1 not closed"},
		"keyword twice": {"x.s2p", good + p2 + "\n[Network Data]\n" + oneRow + "[End]\n",
			inKeyword, "6:1 stands on line 3 already"},
		"keyword without its value": {"x.s2p",
			v2("[Number of Ports]", o2, f1) + "[Network Data]\n" + oneRow + "[End]\n", inKeyword, "3:1 says nothing"},
		"keyword with two values": {"x.s2p",
			v2("[Number of Ports] 2 3", o2, f1) + "[Network Data]\n" + oneRow + "[End]\n", inKeyword, "3:21 one value"},
		"no ports": {"x.s2p",
			v2("[Number of Ports] 0", o2, f1) + "[Network Data]\n" + oneRow + "[End]\n", inKeyword, `3:19 is "0"`},
		"a thousand million ports": {"x.s2p",
			v2("[Number of Ports] 1000000000", "", f1) + "[Network Data]\n" + oneRow + "[End]\n", inKeyword,
			"3:19 is \"1000000000\""},
		"number of ports missing": {"x.s2p", v2("", o2, f1) + "[Network Data]\n" + oneRow + "[End]\n",
			inKeyword, "5:1 [Number of Ports] is missing"},
		"two-port order missing": {"x.s2p", v2(p2, "", f1) + "[Network Data]\n" + oneRow + "[End]\n",
			inKeyword, "5:1 [Two-Port Data Order] is missing"},
		"two-port order unknown": {"x.s2p",
			v2(p2, "[Two-Port Data Order] 11_22", f1) + "[Network Data]\n" + oneRow + "[End]\n",
			inKeyword, `4:23 is "11_22"`},
		"number of frequencies missing": {"x.s2p", v2(p2, o2, "") + "[Network Data]\n" + oneRow + "[End]\n",
			inKeyword, "5:1 [Number of Frequencies] is missing"},
		"number of frequencies is not the rows": {"x.s2p",
			v2(p2, o2, "[Number of Frequencies] 2") + "[Network Data]\n" + oneRow + "[End]\n", inCounts,
			"5:1 says 2, the file holds 1"},
		"option line missing in v2": {"x.s2p",
			strings.Replace(good, head, "", 1) + "[Network Data]\n" + oneRow + "[End]\n", inKeyword,
			"5:1 no option line"},
		"[Network Data] missing": {"x.s2p", good + oneRow + "[End]\n",
			inData, "6:1 before [Network Data]"},
		"nothing but a head": {"x.s2p", good + "[End]\n", inCounts, "0:0 [Network Data] is missing"},
		"reference too short": {"x.s2p",
			good + "[Reference] 50\n[Network Data]\n" + oneRow + "[End]\n", inKeyword, "6:1 gives 1 of 2"},
		"reference too long": {"x.s2p",
			good + "[Reference] 50 50 50\n[Network Data]\n" + oneRow + "[End]\n", inKeyword, "6:1 gives 3 of 2"},
		"reference not a number": {"x.s2p",
			good + "[Reference]\n50 5O\n[Network Data]\n" + oneRow + "[End]\n", inData, `7:4 "5O" is not a number`},
		"keyword behind the data": {"x.s2p",
			good + "[Network Data]\n" + oneRow + "[Reference] 50 50\n[End]\n", inKeyword,
			"8:1 behind the network data"},
		"matrix format unknown": {"x.s2p",
			good + "[Matrix Format] Diagonal\n[Network Data]\n" + oneRow + "[End]\n", inKeyword, `6:17 is "diagonal"`},
		"triangle of H": {"x.s2p",
			strings.Replace(good, "S RI", "H RI",
				1) + "[Matrix Format] Upper\n[Network Data]\n100 1 0 1 0 1 0\n[End]\n", inKeyword,
			"7:1 says nothing of the other"},
		"mode that is none": {"x.s2p",
			good + "[Mixed-Mode Order] D1 S2\n[Network Data]\n" + oneRow + "[End]\n", inKeyword,
			`6:1 gives 1 modes; 6:20 "D1" is no mode`},
		"modes for other ports": {"x.s2p",
			good + "[Mixed-Mode Order] D2,3 C2,3\n[Network Data]\n" + oneRow + "[End]\n", inKeyword,
			"6:1 D2,3 does not fit; 6:1 C2,3 does not fit"},
		"mixed modes of Z": {"x.s2p",
			strings.Replace(good, "S RI", "Z RI", 1) + "[Mixed-Mode Order] D1,2 C1,2\n[Network Data]\n" + oneRow +
				"[End]\n", inKeyword, "6:1 cannot be converted"},
		"two matrices on one line": {"x.s2p", good + "[Network Data]\n" + strings.TrimSpace(oneRow) + " " +
			oneRow + "[End]\n", inData, "7:1 18 numbers or more"},
		"v2 file cut off": {"x.s2p", good + "[Network Data]\n100 0.1 0 0.9\n", inCounts,
			"7:1 4 of 9"},
		"noise count missing": {"x.s2p",
			good + "[Network Data]\n" + oneRow + "[Noise Data]\n1 1 0 0 5\n[End]\n",
			inKeyword, "8:1 [Number of Noise Frequencies] is missing"},
		"noise count is not the rows": {"x.s2p",
			good + "[Number of Noise Frequencies] 2\n[Network Data]\n" + oneRow + "[Noise Data]\n1 1 0 0 5\n[End]\n",
			inCounts, "6:1 says 2, the file holds 1"},
		"noise before the network": {"x.s2p",
			good + "[Number of Noise Frequencies] 1\n[Noise Data]\n1 1 0 0 5\n[Network Data]\n" + oneRow + "[End]\n",
			inKeyword, "7:1 before [Network Data]"},
		"information not closed": {"x.s2p", good + "[Begin Information]\n[Network Data]\n" + oneRow,
			inCounts, "6:1 not closed"},
	} {
		t.Run(name, func(t *testing.T) {
			n, problems := Parse(c.file, []byte(c.text))
			if n != nil || problems.Err() == nil {
				t.Fatalf("taken, with %v", problems)
			}
			p := newParser(c.file, []byte(c.text))
			if p.isText() {
				p.run()
				p.finish()
			}
			var got []string
			ok := true
			wants := strings.Split(c.want, "; ")
			for _, q := range problems {
				if q.Warning {
					continue
				}
				i := len(got)
				got = append(got, fmt.Sprintf("[%s] %v", p.by[q], q))
				if i >= len(wants) {
					ok = false
					continue
				}
				place, words, _ := strings.Cut(wants[i], " ")
				ok = ok && place == fmt.Sprintf("%d:%d", q.Line, q.Column) && strings.Contains(q.What, words) &&
					(i > 0 || p.by[q] == c.by)
			}
			if !ok || len(got) != len(wants) {
				t.Errorf("got:\n%s\nwant [%s]:\n%s", strings.Join(got, "\n"), c.by, strings.Join(wants, "\n"))
			}
		})
	}
}

func TestHintsSayWhatToDo(t *testing.T) {
	for text, hint := range map[string]string{
		"# MHz S RI R 50\n1 0,5 0\n":    "decimal point",
		"# MHz S RI R 50\n1 NaN 0\n":    "leave out",
		"# MHz S RI R 50\n# c\n1 # 0\n": "a comment starts with !",
		"1 0 0\n":                       "# MHz S MA R 50",
		"# MHz S RI R 50\n1 30° 0\n":    "ASCII",
		"# THz\n1 0 0\n":                "Hz, kHz, MHz or GHz",
		"# MHz R 50j\n1 0 0\n":          "renormalise",
	} {
		_, problems := Parse("x.s1p", []byte(text))
		if err := problems.Err(); err == nil || !strings.Contains(err.Error(), "hint: ") ||
			!strings.Contains(err.Error(), hint) {
			t.Errorf("%q: %v, want a hint with %q", text, err, hint)
		}
	}
}

func TestAllProblemsOfAFileComeAtOnceAndEnd(t *testing.T) {
	_, problems := Parse("x.s1p", []byte("# MHz S XX R 0\n1 0 0\n2 a 0\n1 0 0\n3 0\n"))
	if len(problems) < 5 {
		t.Errorf("only %d problems:\n%v", len(problems), problems.Err())
	}
	_, problems = Parse("x.s1p", []byte("# MHz\n"+strings.Repeat("a b c\n", 100000)))
	if len(problems) != maximumProblems+1 {
		t.Errorf("%d problems", len(problems))
	}
}

func TestWarningsEndToo(t *testing.T) {
	n, problems := Parse("x.s1p", []byte("# MHz\n"+strings.Repeat("1 0 0\n", 100000)+"2 0 0\n"))
	if n == nil || n.Points() != 2 || len(problems) != maximumProblems {
		t.Errorf("%d warnings", len(problems))
	}
}

// A small file that claims to be large must not make the reader large.
func TestMemoryIsInProportionToTheFile(t *testing.T) {
	claims := []byte("[Version] 2.0\n# MHz\n[Number of Ports] 256\n[Number of Frequencies] 100000000\n[Number of " +
		"Noise Frequencies] 100000000\n[Matrix Format] Lower\n[Network Data]\n1 0 0\n[End]\n")
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	if n, _ := Parse("x.ts", claims); n != nil {
		t.Fatal("taken")
	}
	runtime.ReadMemStats(&after)
	if got := after.TotalAlloc - before.TotalAlloc; got > 1<<20 {
		t.Errorf("%d bytes for a file of %d", got, len(claims))
	}
}
