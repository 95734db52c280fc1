package touchstone

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

func TestBetweenPointsTheNetworkIsStraightInRealAndImaginaryPart(t *testing.T) {
	n := mustParse(t, "x.s1p", "# MHz S RI R 50\n1 0.5 0\n3 0 0.5\n4 -0.5 0\n")
	for f, want := range map[rf.Frequency]complex128{1e6: 0.5, 2e6: 0.25 + 0.25i, 2.5e6: 0.125 + 0.375i, 3e6: 0.5i,
		3.5e6: -0.25 + 0.25i, 4e6: -0.5} {
		m, err := n.At(f)
		if err != nil {
			t.Fatal(err)
		}
		near(t, f.String(), m.At(1, 1), want)
	}
	for _, f := range []rf.Frequency{0, 0.99e6, 4.01e6, rf.Frequency(math.NaN()), rf.Frequency(math.Inf(1))} {
		_, err := n.At(f)
		var outside *curve.OutsideError
		if !errors.As(err, &outside) {
			t.Errorf("at %v: %v", f, err)
		}
	}
	if m, err := n.At(4e6 * (1 + 1e-12)); err != nil || m.At(1, 1) != -0.5 {
		t.Errorf("an end missed by rounding: %v", err)
	}
}

// A pad of 20 dB: 0.1. A jig with S21 = −20 dB is a probe of 13.979 dBΩ (standards.md section 10 row 14).
func TestCurvesOfATwoPort(t *testing.T) {
	n := mustParse(t, "jig.s2p", "# MHz S MA R 50\n1 0.5 0 0.1 -90 0.2 0 0.3 0\n100 0.5 0 1 90 0.2 0 0.3 0\n")
	gain, err := n.GainCurve(2, 1)
	if err != nil {
		t.Fatal(err)
	}
	g, _ := gain.At(10e6) // half way in log f, from −20 dB to 0 dB
	nearly(t, "gain", g.DB(), -10)
	loss, _ := n.LossCurve(2, 1)
	l, _ := loss.At(1e6)
	nearly(t, "loss", l.DB(), 20)
	back, _ := n.LossCurve(1, 2)
	l, _ = back.At(1e6)
	nearly(t, "loss from 2 to 1", l.DB(), 13.979400086720377)
	match, _ := n.LossCurve(1, 1)
	l, _ = match.At(1e6)
	nearly(t, "return loss", l.DB(), 6.020599913279624)
	for _, ij := range [][2]int{{3, 1}, {0, 1}, {1, 3}} {
		if _, err := n.GainCurve(ij[0], ij[1]); err == nil {
			t.Errorf("S%d%d of a two-port", ij[0], ij[1])
		}
	}
	zero := mustParse(t, "x.s2p", "# MHz S MA\n1 0 0 1 0 0 0 0 0\n")
	if _, err := zero.GainCurve(1, 2); err == nil {
		t.Error("a gain of zero became a curve")
	}
}

// A matched 75 Ω line is 50 Ω gear with a mismatch: one through at 75 Ω has S21 = 1 at any reference.
// A 75 Ω series resistance at 75 Ω: S21 = 2·75/(75+150) = 2/3; at 50 Ω 2·50/(75+100) = 4/7.
func TestAGainBetweenFiftyOhmGearIsRenormalisedAndSaysSo(t *testing.T) {
	n := mustParse(t, "x.s2p", fmt.Sprintf("# MHz S RI R 75\n1 %[1]v 0 %[2]v 0 %[2]v 0 %[1]v 0\n", 1.0/3, 2.0/3))
	g, err := n.GainCurve(2, 1)
	if err != nil {
		t.Fatal(err)
	}
	got, _ := g.At(1e6)
	nearly(t, "gain", got.DB(), 20*math.Log10(4.0/7))
	if want := "x.s2p S21 renormalised from 75 Ω to 50 Ω"; g.Source() != want {
		t.Errorf("source %q, want %q", g.Source(), want)
	}
}

func TestRemarks(t *testing.T) {
	n := mustParse(t, "x.s2p", "# MHz S MA\n1 0 0 0.5 0 0.5 0 0 0\n2 0 0 3 170 0.5 0 0 0\n")
	if d, hz := n.Asymmetry(); math.Abs(d-cmplx.Abs(cmplx.Rect(3, 170*math.Pi/180)-0.5)) > 1e-9 || hz != 2e6 {
		t.Errorf("asymmetry %v at %v Hz", d, hz)
	}
	if g, hz := n.LargestGain(); math.Abs(g-3) > 1e-9 || hz != 2e6 {
		t.Errorf("largest gain %v at %v Hz", g, hz)
	}
	if turn, hz := n.FastestTurn(2, 1); math.Abs(turn-170) > 1e-9 || hz != 1e6 {
		t.Errorf("turn %v° from %v Hz", turn, hz)
	}
	// A lossless three-way tee at equal references has all singular values 1: S = 2/3·J − 1 (closed form).
	tee := mustParse(t, "x.s3p", fmt.Sprintf(
		"# MHz S RI\n1 %[1]v 0 %[2]v 0 %[2]v 0\n%[2]v 0 %[1]v 0 %[2]v 0\n%[2]v 0 %[2]v 0 %[1]v 0\n", -1.0/3, 2.0/3))
	if g, _ := tee.LargestGain(); math.Abs(g-1) > 1e-12 {
		t.Errorf("largest gain of a lossless tee %v", g)
	}
}

// The phases are given, so the largest step between neighbours is known without the figures of the network: turns of
// both senses, half turns, and turns that rise, fall and repeat.
func TestTheFastestTurnIsTheLargestStepOfPhase(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		steps := rapid.SliceOfN(rapid.IntRange(-1799, 1800), 1, 30).Draw(t, "steps") // tenths of a degree
		text, phase, largest, at := "# Hz S MA\n1 0 0 1 0 1 0 0 0\n", 0, 0, 0
		for i, step := range steps {
			phase += step
			if size := max(step, -step); size > largest {
				largest, at = size, i+1
			}
			text += fmt.Sprintf("%d 0 0 %v %v 1 0 0 0\n", i+2, 0.1+float64(i%7), float64(phase)/10)
		}
		n, list := Parse("x.s2p", []byte(text))
		if n == nil {
			t.Fatal(list.Err())
		}
		turn, hz := n.FastestTurn(2, 1)
		if math.Abs(turn-float64(largest)/10) > 1e-6 {
			t.Fatalf("turn %v°, the largest step is %d tenths", turn, largest)
		}
		if first := float64(at); hz != first && max(steps[int(hz)-1], -steps[int(hz)-1]) != largest {
			t.Fatalf("turn said to be at %v Hz, it is at %v Hz", hz, first)
		}
	})
}

func anyNetwork(t *rapid.T, most int) *Network {
	n := rapid.IntRange(1, most).Draw(t, "ports")
	points := rapid.IntRange(1, 4).Draw(t, "points")
	var hz, reference []float64
	var s []complex128
	for i := range points {
		hz = append(hz, 1e6*float64(i)+rapid.Float64Range(1, 9e5).Draw(t, "hz"))
	}
	same := rapid.Bool().Draw(t, "same reference")
	for range n {
		r := 50.0
		if !same {
			r = rapid.Float64Range(1, 1000).Draw(t, "reference")
		}
		reference = append(reference, r)
	}
	for range points * n * n {
		// Row sums below one keep every conversion away from its poles.
		s = append(s, cmplx.Rect(rapid.Float64Range(0.001, 0.9).Draw(t, "magnitude")/float64(n),
			rapid.Float64Range(-math.Pi, math.Pi).Draw(t, "phase")))
	}
	out, err := New("drawn", reference, hz, s)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func TestWhatIsWrittenReadsBackTheSame(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := anyNetwork(t, 6)
		o := WriteOptions{
			Version:   rapid.SampledFrom([]string{"1.1", "2.0", "2.1"}).Draw(t, "version"),
			Parameter: rapid.SampledFrom([]string{"S", "Z", "Y", "H", "G"}).Draw(t, "parameter"),
			Format:    rapid.SampledFrom([]string{"RI", "MA", "DB"}).Draw(t, "format"),
			Unit:      rapid.SampledFrom([]string{"Hz", "kHz", "MHz", "GHz"}).Draw(t, "unit"),
			Comments:  []string{"two\nlines"},
		}
		if n.Ports == 2 && rapid.Bool().Draw(t, "noise") {
			n.Noise = []NoisePoint{{n.Frequencies[0] / 2, 0.5, 0.1 + 0.2i, 15}, {n.Frequencies[0], 1, 0.3i, 20}}
		}
		if (o.Parameter == "H" || o.Parameter == "G") && n.Ports != 2 || o.Version == "1.1" && !n.single() &&
			o.Parameter != "S" {
			if n.Write(&bytes.Buffer{}, o) == nil {
				t.Fatalf("%+v was written for %d ports at %v", o, n.Ports, n.Reference)
			}
			return
		}
		var b bytes.Buffer
		if err := n.Write(&b, o); err != nil {
			t.Fatal(err)
		}
		back, problems := Parse(fmt.Sprintf("x.s%dp", n.Ports), b.Bytes())
		if len(problems) > 0 {
			t.Fatalf("%v in\n%s", problems, b.String())
		}
		sameNetwork(t, back, n, 1e-9, b.String())
		if o.Parameter == "S" && o.Format == "RI" && o.Unit == "Hz" {
			sameNetwork(t, back, n, 0, b.String())
		}
	})
}

func sameNetwork(t *rapid.T, got, want *Network, tol float64, text string) {
	if got.Ports != want.Ports || got.Points() != want.Points() || len(got.Noise) != len(want.Noise) {
		t.Fatalf("%d ports, %d points, %d noise points in\n%s", got.Ports, got.Points(), len(got.Noise), text)
	}
	for i, r := range want.Reference {
		if got.Reference[i] != r {
			t.Fatalf("reference %v, want %v in\n%s", got.Reference, want.Reference, text)
		}
	}
	for i, f := range want.Frequencies {
		if math.Abs(got.Frequencies[i]-f) > tol*f {
			t.Fatalf("frequency %v, want %v in\n%s", got.Frequencies[i], f, text)
		}
	}
	for i, x := range want.data {
		if cmplx.Abs(got.data[i]-x) > tol {
			t.Fatalf("number %d is %v, want %v in\n%s", i, got.data[i], x, text)
		}
	}
	for i, p := range want.Noise {
		q := got.Noise[i]
		if math.Abs(q.Hz-p.Hz) > 1e-9*p.Hz || q.MinimumNF != p.MinimumNF ||
			cmplx.Abs(q.OptimumGamma-p.OptimumGamma) > 1e-12 || math.Abs(q.Resistance-p.Resistance) > 1e-12 {
			t.Fatalf("noise %+v, want %+v", q, p)
		}
	}
}

func TestInterpolationKeepsAPassiveNetworkPassiveAndAReciprocalOneReciprocal(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := anyNetwork(t, 4)
		for p := range n.Points() {
			m := n.S(p)
			g := max(singular(m), 1e-9)
			for i := 1; i <= n.Ports; i++ {
				for j := 1; j <= n.Ports; j++ {
					m.Data[(i-1)*m.N+j-1] /= complex(g, 0) // largest gain exactly 1
				}
			}
			for i := 1; i <= n.Ports; i++ {
				for j := 1; j < i; j++ {
					m.Data[(j-1)*m.N+i-1] = m.At(i, j)
				}
			}
		}
		worst, _ := n.LargestGain()
		low, high := n.Band()
		f := low + rf.Frequency(rapid.Float64Range(0, 1).Draw(t, "share"))*(high-low)
		m, err := n.At(f)
		if err != nil {
			t.Fatal(err)
		}
		if g := singular(m); g > worst+1e-9 {
			t.Fatalf("gain %v between points of gain %v", g, worst)
		}
		for i := 1; i <= n.Ports; i++ {
			for j := 1; j < i; j++ {
				if cmplx.Abs(m.At(i, j)-m.At(j, i)) > 1e-12 {
					t.Fatal("not reciprocal")
				}
			}
		}
	})
}

func TestRenormalisedThereAndBackIsTheSame(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := anyNetwork(t, 4)
		var other []float64
		for range n.Ports {
			other = append(other, rapid.Float64Range(1, 1000).Draw(t, "ohm"))
		}
		there, err := n.Renormalised(other...)
		if err != nil {
			t.Skip("singular")
		}
		back, err := there.Renormalised(n.Reference...)
		if err != nil {
			t.Fatal(err)
		}
		sameNetwork(t, back, n, 1e-6, "")
	})
}

// check_values.csv Y03 to Y10, Y20 to Y22, Y30 and Y31: what a stored entry of version 1 is in ohm or
// siemens, seen by writing the file again in version 2.
func TestEntriesOfVersionOneInOhmAndSiemens(t *testing.T) {
	second := func(text, parameter string) float64 { // the first number behind the frequency
		var b strings.Builder
		file := "x.s1p"
		if parameter == "H" || parameter == "G" {
			file = "x.s2p"
		}
		if err := mustParse(t, file, text).Write(&b,
			WriteOptions{Version: "2.0", Parameter: parameter, Format: "RI"}); err != nil {
			t.Fatal(err)
		}
		_, data, _ := strings.Cut(b.String(), "[Network Data]\n")
		x, err := strconv.ParseFloat(strings.Fields(data)[1], 64)
		if err != nil {
			t.Fatal(err)
		}
		return x
	}
	for _, c := range []struct {
		id, text, parameter string
		want                float64
	}{
		{"Y04", "# MHz Z RI R 75\n1 2 0\n", "Z", 150},
		{"Y05",
			"[Version] 2.0\n# MHz Z RI R 75\n[Number of Ports] 1\n[Number of Frequencies] 1\n[Network Data]\n1 150 " +
				"0\n[End]\n", "Z", 150},
		{"Y06", "# MHz S MA R 50\n1 0.5 0\n", "Z", 150},
		{"Y09", "# GHz G RI R 50\n1 0.5 0 1 0 -1 0 1 0\n", "G", 0.01},
		{"Y20", "# MHz Z MA R 75\n1 0.99 0\n", "Z", 74.25},
		{"Y21", "# MHz Z MA R 75\n1 0.8 0\n", "Z", 60},
		{"Y22", "# MHz Z MA R 75\n1 0.707 0\n", "Z", 53.025},
		{"Y30", "# GHz H RI R 50\n1 2 0 -1 0 1 0 1 0\n", "H", 100},
		{"Y31", "# GHz Y RI R 50\n1 1 0\n", "Y", 0.02},
	} {
		nearly(t, c.id, second(c.text, c.parameter), c.want)
	}
	near(t, "Y03: −20 dB at 90°", mustParse(t, "x.s1p", "# MHz S DB\n1 -20 90\n").S(0).At(1, 1), 0.1i)
	nearly(t, "Y10: Rn of 0.2 over 50 Ω", mustParse(t, "x.s2p",
		"# MHz S MA R 50\n1 0 0 1 0 0 0 0 0\n1 1 0 0 0.2\n").Noise[0].Resistance, 10)
}

// The hand numbers stand at the constant yRow.
func TestOtherParametersAreWrittenAsComputedByHand(t *testing.T) {
	n, err := New("x", []float64{50, 50}, []float64{1e8}, []complex128{0.1, 0.8, 0.9, 0.2})
	if err != nil {
		t.Fatal(err)
	}
	for parameter, want := range map[string][]float64{ // in the order 11 21 12 22
		"Y": {3, -3, -8.0 / 3, 8.0 / 3},
		"H": {1.0 / 3, -1, 8.0 / 9, 0},
		"G": {0, 9.0 / 8, -1, 3.0 / 8},
	} {
		for version, scale := range map[string][]float64{
			"1.0": {1, 1, 1, 1},
			"2.0": map[string][]float64{"Y": {1. / 50, 1. / 50, 1. / 50, 1. / 50}, "H": {50, 1, 1, 1. / 50},
				"G": {1. / 50, 1, 1, 50}}[parameter],
		} {
			var b strings.Builder
			if err := n.Write(&b, WriteOptions{Version: version, Parameter: parameter, Unit: "MHz"}); err != nil {
				t.Fatal(err)
			}
			for _, line := range strings.Split(b.String(), "\n") {
				f := strings.Fields(line)
				if len(f) != 9 || f[0] != "100" {
					continue
				}
				for i := range 4 {
					x, err := strconv.ParseFloat(f[1+2*i], 64)
					if err != nil || math.Abs(x-want[i]*scale[i]) > 1e-12 {
						t.Errorf("version %s, %s, number %d: %v, want %v", version, parameter, i, x, want[i]*scale[i])
					}
				}
			}
		}
	}
	if err := n.Write(&strings.Builder{}, WriteOptions{Parameter: "Z"}); err == nil ||
		!strings.Contains(err.Error(), "no Z-parameters") {
		t.Errorf("Z of a network that has none: %v", err)
	}
}

func TestWhatTheFormatCannotSayIsNotWritten(t *testing.T) {
	n, _ := New("x", []float64{50, 75}, []float64{1e6}, []complex128{0, 1, 1, 0})
	noisy, _ := New("x", []float64{50, 50}, []float64{1e6}, []complex128{0, 1, 1, 0})
	noisy.Noise = []NoisePoint{{2e6, 1, 0, 5}}
	mixed, _ := New("x", []float64{50, 50}, []float64{1e6}, []complex128{0, 1, 1, 0})
	mixed.Modes = []Mode{{'D', 1, 2}, {'C', 1, 2}}
	for say, c := range map[string]struct {
		n *Network
		o WriteOptions
	}{
		"one reference for all": {n, WriteOptions{Version: "1.0"}},
		"scaled":                {n, WriteOptions{Version: "1.1", Parameter: "Y"}},
		"zero has no decibel":   {n, WriteOptions{Format: "DB"}},
		"not one of":            {n, WriteOptions{Unit: "THz"}},
		"noise":                 {noisy, WriteOptions{}},
		"mixed-mode":            {mixed, WriteOptions{}},
	} {
		var b strings.Builder
		if err := c.n.Write(&b, c.o); err == nil || !strings.Contains(err.Error(), say) {
			t.Errorf("%s: %v", say, err)
		}
	}
	var b strings.Builder
	if err := mixed.Write(&b, WriteOptions{Version: "2.0"}); err != nil ||
		!strings.Contains(b.String(), "[Mixed-Mode Order] D1,2 C1,2\n") {
		t.Errorf("%v\n%s", err, b.String())
	}
	if _, problems := Parse("x.s2p", []byte(b.String())); len(problems) > 0 {
		t.Error(problems)
	}
}

func TestTheNumberScannerAgreesWithTheStandardLibrary(t *testing.T) {
	check := func(t *rapid.T, s string) {
		got, next, _, ok := scanNumber([]byte(s+" x"), 0)
		want, err := strconv.ParseFloat(s, 64)
		if ok != (err == nil) || ok && (next != len(s) || math.Float64bits(got) != math.Float64bits(want)) {
			t.Fatalf("%q read as %v (%v), want %v (%v)", s, got, ok, want, err)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		check(t, rapid.StringMatching(`[+-]?[0-9]{0,25}(\.[0-9]{0,25})?([eE][+-]?[0-9]{1,4})?`).Filter(
			func(s string) bool {
				return strings.IndexAny(strings.SplitN(strings.ToLower(s), "e", 2)[0], "0123456789") >= 0
			}).Draw(t, "number"))
		check(t, strconv.FormatFloat(rapid.Float64().Draw(t, "x"), rapid.SampledFrom([]byte("egf")).Draw(t, "verb"),
			rapid.IntRange(-1, 20).Draw(t, "digits"), 64))
	})
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{
		"# MHz S RI R 50\n" + oneRow, "#\n1 0.5 30\n", "# MHz Z DB R 75\n1 0 0\n2 0 0\n",
		"# GHz S MA\n1 1 0 1 0 1 0\n1 0 1 0 1 0\n1 0 1 0 1 0\n", "# Hz S RI\n2 0 0 2 0 0 0 0 0\n2 0.5 0.25 90 0.3\n",
	} {
		f.Add([]byte(s), uint8(0))
	}
	f.Fuzz(func(t *testing.T, data []byte, ports uint8) {
		name := "x.txt"
		if ports%7 > 0 {
			name = fmt.Sprintf("x.s%dp", ports%7)
		}
		n, problems := Parse(name, data)
		if (n == nil) != (problems.Err() != nil) {
			t.Fatalf("network %v with %v", n != nil, problems)
		}
		if n == nil {
			return
		}
		if n.Ports < 1 || n.Points() < 1 || len(n.Reference) != n.Ports || len(n.data) != n.Points()*n.Ports*n.Ports {
			t.Fatalf("%d ports, %d points, %d references, %d numbers", n.Ports, n.Points(), len(n.Reference),
				len(n.data))
		}
		for i, hz := range n.Frequencies {
			if !(hz >= 0) || i > 0 && hz <= n.Frequencies[i-1] {
				t.Fatal("frequencies do not rise")
			}
		}
		for _, x := range n.data {
			if !finite(x) {
				t.Fatal("not finite")
			}
		}
		var b bytes.Buffer
		if err := n.Write(&b, WriteOptions{Version: "2.1"}); err != nil {
			t.Fatal(err)
		}
		back, problems := Parse("x.ts", b.Bytes())
		if back == nil {
			t.Fatalf("what was written is refused: %v\n%s", problems, b.String())
		}
		for i, x := range n.data {
			if back.data[i] != x {
				t.Fatal("what was written reads back differently")
			}
		}
	})
}
