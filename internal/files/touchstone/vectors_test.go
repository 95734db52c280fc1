package touchstone

import (
	"fmt"
	"math"
	"math/cmplx"
	"strings"
	"testing"
)

// near fails the test unless got is within 1e-9 of want.
func near(t *testing.T, what string, got, want complex128) {
	t.Helper()
	if !(cmplx.Abs(got-want) <= 1e-9) {
		t.Errorf("%s = %.12g, want %.12g", what, got, want)
	}
}

func nearly(t *testing.T, what string, got, want float64) {
	t.Helper()
	near(t, what, complex(got, 0), complex(want, 0))
}

func mustParse(t testing.TB, name, text string) *Network {
	t.Helper()
	n, problems := Parse(name, []byte(text))
	if n == nil {
		t.Fatalf("%s is refused:\n%v", name, problems.Err())
	}
	return n
}

// oneRow is the two-port S = [[0.1, 0.8], [0.9, 0.2]] (check_values.csv Y07) at 100 MHz. The numbers of a
// version 1 row stand in the order S11 S21 S12 S22.
const oneRow = "100 0.1 0 0.9 0 0.8 0 0.2 0\n"

func isOneRow(t *testing.T, n *Network) {
	t.Helper()
	if n.Ports != 2 || n.Points() != 1 {
		t.Fatalf("%d ports, %d points", n.Ports, n.Points())
	}
	nearly(t, "frequency in Hz", n.Frequencies[0], 100e6)
	m := n.S(0)
	near(t, "S11", m.At(1, 1), 0.1)
	near(t, "S12", m.At(1, 2), 0.8)
	near(t, "S21", m.At(2, 1), 0.9)
	near(t, "S22", m.At(2, 2), 0.2)
}

// The same two-port as other parameters, by hand (it has no Z: det(1−S) = 0.9·0.8 − 0.8·0.9 = 0):
//
//	y = (1+S)⁻¹(1−S), det(1+S) = 1.1·1.2 − 0.72 = 0.6:  y11 = (1.2·0.9 + 0.8·0.9)/0.6 = 3
//	y12 = −(1.2·0.8 + 0.8·0.8)/0.6 = −8/3, y21 = −(0.9·0.9 + 1.1·0.9)/0.6 = −3, y22 = 8/3
//	h11 = 1/y11 = 1/3 (16.6667 Ω, check_values.csv Y08), h12 = −y12/y11 = 8/9, h21 = y21/y11 = −1, h22 = det y/y11 = 0
//	g = h⁻¹, det h = 8/9:  g11 = 0, g12 = −1, g21 = 9/8, g22 = 3/8 (18.75 Ω)
//
// Y in siemens is y/50: 0.06, −0.053333, −0.06, 0.053333.
const (
	yRow     = "-2.6666666666666667 0 2.6666666666666667 0"
	ySiemens = "0.06 0 -0.06 0 -0.053333333333333333 0 0.053333333333333333 0"
)

// Every spelling holds the same two-port. warned lists words of the warnings, in order; "" is none.
func TestOneTwoPortInManySpellings(t *testing.T) {
	const head = "# MHz S RI R 50\n"
	const v2 = "[Version] 2.0\n# MHz S RI R 50\n[Number of Ports] 2\n[Two-Port Data Order] 21_12\n[Number of " +
		"Frequencies] 1\n"
	for name, c := range map[string]struct{ text, warned string }{
		"plain":                       {head + oneRow, ""},
		"blanks before #":             {"  \t" + head + oneRow, ""},
		"tabs":                        {head + strings.ReplaceAll(oneRow, " ", "\t"), ""},
		"CRLF":                        {strings.ReplaceAll(head+oneRow, "\n", "\r\n"), ""},
		"lone CR":                     {strings.ReplaceAll(head+oneRow, "\n", "\r"), ""},
		"no line end at the end":      {strings.TrimSpace(head + oneRow), ""},
		"byte order mark":             {"\xef\xbb\xbf" + head + oneRow, ""},
		"old end-of-file mark":        {head + oneRow + "\x1a", ""},
		"upper case":                  {"# MHZ S RI R 50\n" + oneRow, ""},
		"lower case":                  {"# mhz s ri r 50\n" + oneRow, ""},
		"HZ in upper case":            {"# HZ S RI R 50\n" + strings.Replace(oneRow, "100", "100e6", 1), ""},
		"kHz":                         {"# kHz S RI R 50\n" + strings.Replace(oneRow, "100", "1e5", 1), ""},
		"GHz":                         {"# GHz S RI R 50\n" + strings.Replace(oneRow, "100", ".1", 1), ""},
		"fields reordered":            {"# R 50 RI S MHz\n" + oneRow, ""},
		"R absent":                    {"# MHz S RI\n" + oneRow, ""},
		"# alone means GHz S MA R 50": {"#\n" + strings.Replace(oneRow, "100", "0.1", 1), ""},
		"#MHz without a blank":        {"#MHz S RI R 50\n" + oneRow, "no blank follows the #"},
		"R50 without a blank":         {"# MHz S RI R50\n" + oneRow, "no blank follows the R"},
		"comments before, between and behind": {"! a\n" + head + " ! b °\n" + strings.TrimSpace(oneRow) + " ! c °\n!d",
			""},
		"comment behind the option line": {"# MHz S RI R 50 ! 50 °C\n" + oneRow, ""},
		"comment without a blank":        {head + strings.TrimSpace(oneRow) + "!c\n", ""},
		"second option line":             {head + "# GHz S MA R 75\n" + oneRow, "second option line"},
		"second option line at the end":  {head + oneRow + "# GHz\n", "second option line"},
		"row given twice":                {head + oneRow + oneRow, "given twice"},
		"Fortran exponents":              {head + "1.0D2 0.1d0 0 9D-1 0 0.8 0 0.2 0\n", "Fortran"},
		"exponents and signs":            {head + "+1e+2 1E-1 -0 .9 0. +0.8 0 20e-2 0\n", ""},
		"a two-port wrapped":             {head + "100 0.1 0 0.9 0\n\n! b\n  0.8 0 0.2 0\n", ""},
		"MA":                             {"# MHz S MA R 50\n" + oneRow, ""},
		"MA with angles beyond 180°":     {"# MHz S MA R 50\n100 0.1 360 0.9 -360 0.8 720 0.2 0\n", ""},
		"MA with a negative magnitude":   {"# MHz S MA R 50\n100 -0.1 180 0.9 0 -0.8 -180 0.2 0\n", "negative"},
		"DB": {"# MHz S DB R 50\n100 -20 0 -0.91514981121350236 0 " +
			"-1.9382002601611281 0 -13.979400086720376 0\n", ""},
		"Y, v1 is Y times R": {"# MHz Y RI R 50\n100 3 0 -3 0 " + yRow + "\n", ""},
		"Y, v2 is in siemens": {strings.Replace(v2, "S RI", "Y RI", 1) + "[Network Data]\n100 " +
			ySiemens + "\n[End]\n", ""},
		"H, v1 is h11/R and h22·R": {"# MHz H RI R 50\n100 0.33333333333333333 0 -1 0 0.88888888888888889 " +
			"0 0 0\n", ""},
		"H, v2 is in ohm and siemens": {strings.Replace(v2, "S RI",
			"H RI", 1) + "[Network Data]\n100 16.666666666666667 0 -1 0 0.88888888888888889 0 0 0\n[End]\n", ""},
		"G, v1 is g11·R and g22/R": {"# MHz G RI R 50\n100 0 0 1.125 0 -1 0 0.375 0\n", ""},
		"G, v2 is in siemens and ohm": {strings.Replace(v2, "S RI",
			"G RI", 1) + "[Network Data]\n100 0 0 1.125 0 -1 0 18.75 0\n[End]\n", ""},
		"v2 in the order 21_12": {v2 + "[Network Data]\n" + oneRow + "[End]\n", ""},
		"v2 in the order 12_21": {strings.Replace(v2, "21_12", "12_21",
			1) + "[Network Data]\n100 0.1 0 0.8 0 0.9 0 0.2 0\n[End]\n", ""},
		"v2 keywords in any case, indented": {"\t" + strings.ToUpper(v2) + "  [network   DATA]\n" + oneRow +
			" [END]\n", ""},
		"v2.1": {strings.Replace(v2, "2.0", "2.1", 1) + "[Network Data]\n" + oneRow +
			"[End]\n", ""},
		"v2 reference over lines": {v2 + "[Reference]\n 50 ! first\n\n50\n[Network Data]\n" + oneRow +
			"[End]\n", ""},
		"v2 reference overrides R": {strings.Replace(v2, "R 50",
			"R 75", 1) + "[Reference] 50 50\n[Network Data]\n" + oneRow + "[End]\n", ""},
		"v2 full matrix":      {v2 + "[Matrix Format] Full\n[Network Data]\n" + oneRow + "[End]\n", ""},
		"v2 wrapped anywhere": {v2 + "[Network Data]\n100 0.1\n0 0.9 0\n0.8 0 0.2\n0\n[End]\n", ""},
		"v2 information block": {v2 +
			"[Begin Information]\n# GHz Z\n[Anything] 1\n1 2 3\n[End Information]\n[Network Data]\n" + oneRow +
			"[End]\n", ""},
		"v2 without [End]": {v2 + "[Network Data]\n" + oneRow, "[End] is missing"},
		"v2 with data after [End]": {v2 + "[Network Data]\n" + oneRow + "[End]\n1 2 3\n[Reference] 1\n",
			"after [End]"},
		"v2 with the option line first": {"# MHz S RI R 50\n" + strings.Replace(v2, "# MHz S RI R 50\n",
			"", 1) + "[Network Data]\n" + oneRow + "[End]\n", "not the first line"},
		"impedances hidden in comments": {head + oneRow +
			"! Gamma 1 2\n! Port Impedance 75 0 75 0\n! Port Impedance 75 0\n", "port impedances"},
	} {
		t.Run(name, func(t *testing.T) {
			n := mustParse(t, "x.s2p", c.text)
			isOneRow(t, n)
			nearly(t, "reference", n.Reference[0]+n.Reference[1], 100)
			var told []string
			for _, w := range n.Warnings {
				told = append(told, w.What)
			}
			got := strings.Join(told, "; ")
			if (c.warned == "") != (got == "") || !strings.Contains(got, c.warned) {
				t.Errorf("warnings %q, want %q", got, c.warned)
			}
		})
	}
}

// The format's own example in two versions (physics.md section 12, S37): 0.99, 0.80 and 0.707 of 75 Ω are
// 74.25, 60 and 53.025 Ω. By hand S = (z−1)/(z+1): −0.01/1.99, −0.2/1.8, −0.293/1.707.
func TestZIsDividedByTheReferenceInVersionOneOnly(t *testing.T) {
	v1 := mustParse(t, "x.s1p", "# MHz Z MA R 75\n100 0.99 0\n200 0.80 0\n300 0.707 0\n")
	v2 := mustParse(t, "x.ts",
		"[Version] 2.0\n# MHz Z MA R 75\n[Number of Ports] 1\n[Number of Frequencies] 3\n[Network Data]\n100 74.25 "+
			"0\n200 60 0\n300 53.025 0\n[End]\n")
	for i, want := range []float64{-0.01 / 1.99, -0.2 / 1.8, -0.293 / 1.707} {
		near(t, "version 1", v1.S(i).At(1, 1), complex(want, 0))
		near(t, "version 2", v2.S(i).At(1, 1), complex(want, 0))
	}
	nearly(t, "reference", v1.Reference[0], 75)
}

// A series impedance Z between R1 and R2 has S21 = 2√(R1·R2)/(Z+R1+R2) (physics.md section 12) and
// S11 = (Z+R2−R1)/(Z+R1+R2). Z = 25 Ω, R1 = 50 Ω, R2 = 75 Ω: 2√3750/150 and 50/150. In siemens the series
// element has Y11 = Y22 = 1/25, Y12 = Y21 = −1/25.
func TestReferencesThatDifferFromPortToPort(t *testing.T) {
	s21 := 2 * math.Sqrt(50*75) / 150
	for name, text := range map[string]string{
		"v2, [Reference]": "[Version] 2.0\n# Hz Y RI\n[Number of Ports] 2\n[Two-Port Data Order] 12_21\n[Number of " +
			"Frequencies] 1\n[Reference] 50\n75\n[Network Data]\n1 .04 0 -.04 0 -.04 0 .04 0\n[End]\n",
		"v2.1, option line": "[Version] 2.1\n# Hz Y RI R 50 75\n[Number of Ports] 2\n[Two-Port Data Order] " +
			"12_21\n[Number of Frequencies] 1\n[Network Data]\n1 .04 0 -.04 0 -.04 0 .04 0\n[End]\n",
		"v1.1, option line": fmt.Sprintf("# Hz S RI R 50 75\n1 %.17g 0 %.17g 0 %.17g 0 0 0\n", 1.0/3, s21, s21),
	} {
		n := mustParse(t, "x.s2p", text)
		if n.Reference[0] != 50 || n.Reference[1] != 75 || len(n.Warnings) > 0 {
			t.Errorf("%s: references %v, warnings %v", name, n.Reference, n.Warnings)
		}
		near(t, name+": S21", n.S(0).At(2, 1), complex(s21, 0))
		near(t, name+": S12", n.S(0).At(1, 2), complex(s21, 0))
		near(t, name+": S11", n.S(0).At(1, 1), 1.0/3)
		near(t, name+": S22", n.S(0).At(2, 2), 0)
		if strings.HasPrefix(name, "v1.1") && n.Version != "1.1" {
			t.Errorf("version %s", n.Version)
		}
	}
	// Renormalised to 50 Ω: S21 = 2·50/(25+100) = 0.8, S11 = 25/125 = 0.2 (check_values.csv topic Y, series impedance).
	n := mustParse(t, "x.s2p", fmt.Sprintf("# Hz S RI R 50 75\n1 %.17g 0 %.17g 0 %.17g 0 0 0\n", 1.0/3, s21, s21))
	at50, err := n.Renormalised(50)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "S21 at 50 Ω", at50.S(0).At(2, 1), 0.8)
	near(t, "S12 at 50 Ω", at50.S(0).At(1, 2), 0.8)
	near(t, "S11 at 50 Ω", at50.S(0).At(1, 1), 0.2)
	near(t, "S22 at 50 Ω", at50.S(0).At(2, 2), 0.2)
}

// A 3-port has one matrix row per line, a 5-port wraps each row after four pairs; both hold Sij = i + 0.1·j.
func TestMatricesAreReadRowAfterRow(t *testing.T) {
	text := func(n int) string {
		b := "! rows\n# Hz S RI R 50\n7"
		for i := 1; i <= n; i++ {
			for j := 1; j <= n; j++ {
				b += fmt.Sprintf(" %d.%d 0", i, j)
				if j%4 == 0 && j < n {
					b += " ! more\n  "
				}
			}
			b += "\n\n"
		}
		return b
	}
	for _, n := range []int{1, 3, 4, 5, 9} {
		for _, name := range []string{fmt.Sprintf("x.s%dp", n), fmt.Sprintf("x.S%dP", n), "x.txt", "x"} {
			got := mustParse(t, name, text(n))
			if got.Ports != n || (len(got.Warnings) > 0) != !strings.HasSuffix(strings.ToLower(name), "p") {
				t.Errorf("%s: %d ports, warnings %v", name, got.Ports, got.Warnings)
			}
			for i := 1; i <= n; i++ {
				for j := 1; j <= n; j++ {
					near(t, fmt.Sprintf("S%d%d", i, j), got.S(0).At(i, j), complex(float64(i)+0.1*float64(j), 0))
				}
			}
		}
	}
	long := mustParse(t, "x.s5p", "# Hz S RI R 50\n7"+strings.Repeat(" 0.1 0", 25)+"\n")
	if len(long.Warnings) != 1 || !strings.Contains(long.Warnings[0].What, "more than four pairs") {
		t.Errorf("warnings %v", long.Warnings)
	}
}

// [[11, 12, 13], [12, 22, 23], [13, 23, 33]] from its triangles.
func TestATriangleIsUnfolded(t *testing.T) {
	for format, rows := range map[string]string{
		"Lower": "5 11 0\n12 0 22 0\n13 0 23 0 33 0\n",
		"Upper": "5 11 0 12 0 13 0\n22 0 23 0\n33 0\n",
	} {
		n := mustParse(t,
			"x.ts", "[Version] 2.0\n# Hz S RI R 50\n[Number of Ports] 3\n[Number of Frequencies] 1\n[Matrix Format] "+
				format+"\n[Network Data]\n"+rows+"[End]\n")
		for i, want := range []complex128{11, 12, 13, 12, 22, 23, 13, 23, 33} {
			near(t, fmt.Sprintf("%s, element %d", format, i), n.S(0).Data[i], want)
		}
	}
}

func TestMixedModeOrderIsKept(t *testing.T) {
	n := mustParse(t, "x.ts",
		"[Version] 2.0\n# Hz S RI R 50\n[Number of Ports] 3\n[Number of Frequencies] 1\n[Mixed-Mode Order] D2,3 "+
			"c2,3\nS1\n[Network Data]\n5"+strings.Repeat(" 0 0", 9)+"\n[End]\n")
	if got := fmt.Sprint(n.Modes); got != "[D2,3 C2,3 S1]" {
		t.Errorf("modes %s", got)
	}
	if _, err := n.GainCurve(2, 1); err == nil || !strings.Contains(err.Error(), "mixed-mode") {
		t.Errorf("a mode was taken for a port: %v", err)
	}
}

// Noise rows: frequency, minimum noise figure in dB, magnitude and angle of the optimum, noise resistance,
// in version 1 over R. 0.3 of 50 Ω is 15 Ω.
func TestNoiseDataOfBothVersions(t *testing.T) {
	const network = "1 0 0 2 0 0 0 0 0\n2 0 0 2 0 0 0 0 0\n"
	v2 := "[Version] 2.0\n# GHz S RI R 50\n[Number of Ports] 2\n[Two-Port Data Order] 21_12\n[Number of Frequencies] " +
		"2\n[Number of Noise Frequencies] 2\n[Network Data]\n" + network + "[Noise Data]\n"
	for name, text := range map[string]string{
		"v1, from below": "# GHz S RI R 50\n" + network +
			"! noise\n1 0.5 0.25 90 0.3\n2 1 0.5 180 0.4\n",
		"v1, from the last frequency on": "# GHz S RI R 50\n" + network + "2 0.5 0.25 90 0.3\n3 1 0.5 180 0.4\n",
		"v1, a network of one frequency": "# GHz S RI R 50\n2 0 0 2 0 0 0 0 0\n2 0.5 0.25 90 0.3\n3 1 0.5 180 0.4\n",
		"v1, as text file":               "# GHz S RI R 50\n" + network + "1 0.5 0.25 90 0.3\n2 1 0.5 180 0.4\n",
		"v2":                             v2 + "1 0.5 0.25 90 15\n2 1 0.5 180 20\n[End]\n",
		"v2, wrapped":                    v2 + "1 0.5\n0.25 90 15\n2\n1 0.5 180 20\n[End]\n",
	} {
		file := "x.s2p"
		if strings.Contains(name, "text") {
			file = "x.txt"
		}
		n := mustParse(t, file, text)
		if len(n.Noise) != 2 {
			t.Fatalf("%s: %d rows of noise", name, len(n.Noise))
		}
		nearly(t, name+": Fmin", n.Noise[0].MinimumNF.DB(), 0.5)
		near(t, name+": optimum", n.Noise[0].OptimumGamma, 0.25i)
		near(t, name+": optimum", n.Noise[1].OptimumGamma, -0.5)
		nearly(t, name+": Rn", n.Noise[0].Resistance, 15)
		nearly(t, name+": Rn", n.Noise[1].Resistance, 20)
		near(t, name+": S21", n.S(0).At(2, 1), 2)
	}
}

func TestAnAmplifierMayHaveGainAndADirectCurrentPoint(t *testing.T) {
	n := mustParse(t, "x.s2p",
		"# MHz S DB R 50\n0 -20 0 26.02059991327962 0 -40 0 -20 0\n1 -20 0 26.02059991327962 0 -40 0 -20 0\n")
	near(t, "S21", n.S(0).At(2, 1), 20)
	if n.Frequencies[0] != 0 {
		t.Errorf("first frequency %v", n.Frequencies[0])
	}
	g, err := n.GainCurve(2, 1)
	if low, _ := g.Band(); err != nil || low != 1e6 {
		t.Errorf("the gain curve starts at %v (%v); 0 Hz has no logarithm", low, err)
	}
}
