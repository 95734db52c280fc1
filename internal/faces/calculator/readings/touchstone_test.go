package readings

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"strings"
	"testing"

	"provoke/internal/files/touchstone"
	"provoke/internal/units/rf"
)

func network(t *testing.T, name, text string) *touchstone.Network {
	t.Helper()
	n, list := touchstone.Parse(name, []byte(text))
	if err := list.Err(); err != nil {
		t.Fatal(err)
	}
	return n
}

// inJSON is what is printed of all points of a file.
func inJSON(t *testing.T, name, text string) string {
	t.Helper()
	n := network(t, name, text)
	points, err := NetworkPoints(n, nil, true)
	if err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	if err := NetworkJSON(&out, n, points); err != nil {
		t.Fatal(err)
	}
	return out.String()
}

// forAPerson is what a person sees of a file at some frequencies, or of some points of it.
func forAPerson(t *testing.T, name, text string, at ...rf.Frequency) string {
	t.Helper()
	n := network(t, name, text)
	points, err := NetworkPoints(n, at, false)
	if err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	if err := PrintNetwork(&out, n, points, len(at) > 0); err != nil {
		t.Fatal(err)
	}
	return out.String()
}

// An invented pad of 20 dB whose phase turns by 10° from point to point, with noise data: 3 dB (a power
// ratio of 0.5), 0.3 · 50 Ω = 15 Ω.
const invented = "! invented\n# MHz S MA R 50\n1 0.02 0 0.1 -10 0.1 -10 0.02 90\n3 0.02 0 0.1 -20 0.1 -20 0.02 90\n1 " +
	"3 0.5 180 0.3\n"

func TestTouchstoneAsJSONHasTheDocumentedShape(t *testing.T) {
	stdout := inJSON(t, "pad.s2p", invented+"# GHz\n")
	var got struct {
		Ports             int
		Parameter, Format string
		Reference         []float64
		Points            []struct {
			Hz float64
			S  [][][]float64
		}
		Noise []struct {
			Hz         float64
			NF         float64   `json:"minimum_noise_figure_db"`
			Optimum    []float64 `json:"optimum_reflection"`
			Resistance float64   `json:"resistance_ohm"`
		}
		Warnings []string
	}
	decoder := json.NewDecoder(strings.NewReader(stdout))
	decoder.DisallowUnknownFields()
	if err := decoder.Decode(&got); err != nil {
		t.Fatalf("%v in %s", err, stdout)
	}
	if got.Ports != 2 || got.Parameter != "S" || got.Format != "MA" || len(got.Reference) != 2 ||
		got.Reference[1] != 50 || len(got.Points) != 2 {
		t.Fatalf("%+v", got)
	}
	s21 := got.Points[1].S[1][0] // row 2, column 1: 0.1 at −20°
	if got.Points[1].Hz != 3e6 || math.Abs(s21[0]-0.1*math.Cos(math.Pi/9)) > 1e-12 ||
		math.Abs(s21[1]+0.1*math.Sin(math.Pi/9)) > 1e-12 {
		t.Errorf("S21 at %v Hz is %v", got.Points[1].Hz, s21)
	}
	s22 := got.Points[0].S[1][1]
	if math.Abs(s22[0]) > 1e-12 || math.Abs(s22[1]-0.02) > 1e-12 {
		t.Errorf("S22 is %v, want 0.02j", s22)
	}
	if len(got.Noise) != 1 || got.Noise[0].Hz != 1e6 || got.Noise[0].NF != 3 ||
		math.Abs(got.Noise[0].Optimum[0]+0.5) > 1e-12 || got.Noise[0].Resistance != 15 {
		t.Errorf("noise %+v", got.Noise)
	}
	if len(got.Warnings) != 1 || !strings.HasPrefix(got.Warnings[0], "pad.s2p:6:1: warning: a second option line") {
		t.Errorf("warnings %q", got.Warnings)
	}
	if stdout := inJSON(t, "x.s1p", "# MHz\n1 0.5 0\n"); strings.TrimSpace(stdout) !=
		`{"ports":1,"parameter":"S","format":"MA","reference":[50],"points":[{"hz":1000000,"s":[[[0.5,0]]]}],"noise":[],"warnings":[]}` {
		t.Errorf("printed %s", stdout)
	}
	// Always S, whatever the file holds: z = 2 is S = 1/3.
	if stdout := inJSON(t, "x.s1p", "# MHz Z RI R 75\n1 2 0\n"); !strings.Contains(stdout,
		`"parameter":"Z","format":"RI","reference":[75]`) ||
		!strings.Contains(stdout, `[[[0.333333333333333`) {
		t.Errorf("printed %s", stdout)
	}
}

func TestTouchstoneForAPerson(t *testing.T) {
	stdout := forAPerson(t, "pad.s2p", invented, 1e6, 2e6)
	// Largest gain: SᴴS has 0.02² + 0.1² = 0.0104 on and 0.002·√(2 − 2·sin 2θ) off the diagonal, θ = 10° at
	// 1 MHz: 10·log10(0.0104 + 0.002294) = −18.96 dB. 2 MHz: the mean of 0.1 at −10° and at −20° is 0.1·cos 5° at −15°:
	// −20.03 dB.
	want := `pad.s2p: Touchstone 1.0, 2 ports, 2 points from 1 MHz to 3 MHz
the file holds S as magnitude and angle; shown is S at the file's reference, 50 Ω
reciprocal: Sij = Sji everywhere
passive: at most -18.96 dB of what goes in comes out, at 1 MHz
noise data at 1 frequency, 1 MHz

    f  S11/dB  S11/°  S21/dB  S21/°  S12/dB  S12/°  S22/dB  S22/°
1 MHz  -33.98    0.0  -20.00  -10.0  -20.00  -10.0  -33.98   90.0
2 MHz  -33.98    0.0  -20.03  -15.0  -20.03  -15.0  -33.98   90.0  between points
`
	if stdout != want {
		t.Errorf("%s\nwant\n%s", stdout, want)
	}
	var long strings.Builder
	long.WriteString("# MHz S DB R 50\n")
	for f := range 101 {
		fmt.Fprintf(&long, "%d -20 0 20 180 -40 0 -20 0\n", f)
	}
	stdout = forAPerson(t, "amp.s2p", long.String())
	for _, line := range []string{
		"not reciprocal: |Sij − Sji| is up to 10, at 0 Hz", "active: up to 20.0 dB more comes out than goes in",
		"11 of 101 points; --at FREQUENCY shows others, --json all", "  0 Hz  -20.00", " 50 MHz  -20.00",
	} {
		if !strings.Contains(stdout, line) {
			t.Errorf("%q is not in\n%s", line, stdout)
		}
	}
	stdout = forAPerson(t, "tee.s3p", "# MHz S RI\n1 0 0 1 0 0 0\n0 0 0 0 1 0\n1 0 0 0 0 0\n")
	if !strings.Contains(stdout, "1 MHz  S12  0.00     0.0\n") || !strings.Contains(stdout, "S11    -∞     0.0\n") {
		t.Errorf("printed\n%s", stdout)
	}
}

// BenchmarkPrint150000Points is what `provoke touchstone` does with a file of 14 MB once it is read.
func BenchmarkPrint150000Points(b *testing.B) {
	r := rand.New(rand.NewPCG(1, 2))
	text := []byte("# Hz S RI R 50\n")
	for i := range 150000 {
		f, through := 1e5+float64(i)*2500, cmplx.Rect(0.9*math.Exp(-float64(i)/4e5), float64(i)/1.2e5)
		text = fmt.Appendf(text, "%.3f %.7f %.7f %.7f %.7f %.7f %.7f %.7f %.7f\n", f, 0.05+0.02*r.NormFloat64(),
			0.01*r.NormFloat64(), real(through), imag(through), real(through), imag(through),
			0.05+0.02*r.NormFloat64(), 0.01*r.NormFloat64())
	}
	n, list := touchstone.Parse("large.s2p", text)
	if err := list.Err(); err != nil {
		b.Fatal(err)
	}
	b.Logf("the file has %.1f MB", float64(len(text))/1e6)
	for b.Loop() {
		points, err := NetworkPoints(n, nil, false)
		if err != nil {
			b.Fatal(err)
		}
		if err := PrintNetwork(io.Discard, n, points, false); err != nil {
			b.Fatal(err)
		}
	}
}
