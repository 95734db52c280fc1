package uncertainty_test

import (
	"math"
	"math/rand/v2"
	"os"
	"strings"
	"testing"

	"provoke/internal/files/catalog"
	"provoke/internal/findings/uncertainty"
	"provoke/internal/units/rf"
)

func bench(t testing.TB, change func(string) string) *catalog.Bench {
	t.Helper()
	dir := "../../files/catalog/testdata/"
	data, err := os.ReadFile(dir + "belt-weigher.yaml")
	if err != nil {
		t.Fatal(err)
	}
	text := string(data)
	if change != nil {
		text = change(text)
	}
	b, list := catalog.Parse("belt-weigher.yaml", []byte(text),
		func(name string) ([]byte, error) { return os.ReadFile(dir + name) })
	if err := list.Err(); err != nil {
		t.Fatal(err)
	}
	return b
}

// without drops every line that holds one of the words.
func without(words ...string) func(string) string {
	return func(text string) string {
		var out []string
		for _, line := range strings.Split(text, "\n") {
			keep := true
			for _, w := range words {
				keep = keep && !strings.Contains(line, w)
			}
			if keep {
				out = append(out, line)
			}
		}
		return strings.Join(out, "\n")
	}
}

func component(t *testing.T, c uncertainty.Current, name string) uncertainty.Component {
	t.Helper()
	for _, x := range c.Components {
		if strings.HasPrefix(x.Name, name) {
			return x
		}
	}
	t.Fatalf("no component %q in %+v", name, c.Components)
	return uncertainty.Component{}
}

// The sample bench at 30 MHz, by hand: probe 1.0/2, pad 0.2/√3, coax 0.1/√6, analyser 0.8/√3, repeatability
// assumed 0.5/√3, position: β = 0.62875/m, d = 50 mm ± 10 mm: 8.6859·0.62875·tan(0.031437)·0.01 = 0.001717.
// Mismatch: |Γ| of the probe 10^(−1.5477/20) (S22 −1.5 dB at 10 MHz, −1.6 dB at 100 MHz, straight over lg f),
// pad and analyser side VSWR 1.2 (1/11) and assumed 1.2 for the coax (1/11), analyser 1.5 (0.2), loss of pad
// and coax 20 dB + 0.15 + 0.4·lg 3 = 20.34085 dB.
func TestTheBudgetOfTheSampleBenchByHand(t *testing.T) {
	b := bench(t, nil)
	f := 30 * rf.Megahertz
	c, err := uncertainty.OfCurrent(b, f, uncertainty.Conditions{}, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	probe := math.Pow(10, -(1.5+0.1*math.Log10(3))/20)
	through := math.Pow(10, -(20.15+0.4*math.Log10(3))/10) // |S21·S12|
	product := probe/11 + 0.2/11 + probe*0.2/121 + probe*0.2*through
	mismatch := (20*math.Log10(1+product) - 20*math.Log10(1-product)) / 2
	position := 20 / math.Ln10 * 2 * math.Pi * 30e6 / 299792458 * math.Tan(2*math.Pi*30e6/299792458*0.05) * 0.01
	sum := 0.0
	for name, want := range map[string]float64{
		"transfer impedance": 0.5, "loss of pad": 0.2 / math.Sqrt(3), "loss of coax": 0.1 / math.Sqrt(6),
		"amplitude": 0.8 / math.Sqrt(3),
		"mismatch":  mismatch / math.Sqrt2, "repeatability": 0.5 / math.Sqrt(3), "position": position / math.Sqrt(3),
		"harmonics": 0,
	} {
		if got := component(t, c, name).Standard(); math.Abs(got-want) > 1e-6 {
			t.Errorf("%s: %g dB, want %g dB", name, got, want)
		}
		sum += want * want
	}
	if math.Abs(c.Combined.Standard-math.Sqrt(sum)) > 1e-6 || math.Abs(c.Expanded.U-1.959964*math.Sqrt(sum)) > 1e-5 {
		t.Errorf("combined %g, U %g, want %g", c.Combined.Standard, c.Expanded.U, math.Sqrt(sum))
	}
	if left, err := c.Without(0); err != nil || left <= 0 || left.DB() > 1.959964*math.Sqrt(sum-0.25) || left >= c.U() {
		t.Errorf("without the probe: %v, %v", left, err)
	}
	if err := c.Simulate(rand.New(rand.NewPCG(1, 2)), 100_000); err != nil {
		t.Fatal(err)
	}
	if c.Simulated.Symmetric.HalfWidth() > c.Expanded.U*1.02 {
		t.Errorf("limits have no tails, but the simulated half-width %g is larger than %g",
			c.Simulated.Symmetric.HalfWidth(), c.Expanded.U)
	}
	if u := c.Simulated.Symmetric.HalfWidth(); math.Abs(c.U().DB()-u) > 0.02*u {
		t.Errorf("U is %v, the simulation's %g dB: what findings state and what a simulation finds are one figure",
			c.U(), u)
	}
	if math.Abs(c.K()*c.Combined.Standard-c.U().DB()) > 1e-9 {
		t.Errorf("k %g times u %g is not U %v", c.K(), c.Combined.Standard, c.U())
	}
}

func TestWhatTheBenchFileDoesNotSayIsAssumedAndMarked(t *testing.T) {
	said, err := uncertainty.OfCurrent(bench(t, nil), rf.Megahertz, uncertainty.Conditions{}, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	b := bench(t, without("uncertainty:", "vswr:", "position_tolerance:", "harmonics:"))
	bare, err := uncertainty.OfCurrent(b, rf.Megahertz, uncertainty.Conditions{}, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	if n := len(bare.Assumed()); n != 7 {
		t.Errorf("%d assumptions, want probe, pad, coax, analyser, mismatch, position, repeatability", n)
	}
	for _, x := range bare.Assumed() {
		if !strings.Contains(x.Source, "assumed") {
			t.Errorf("%s does not say that it is assumed: %s", x.Name, x.Source)
		}
	}
	if bare.Expanded.U <= said.Expanded.U {
		t.Errorf("knowing nothing gives %g dB, knowing the gear %g dB", bare.Expanded.U, said.Expanded.U)
	}
}

func TestRepeatedRunsReplaceTheAssumption(t *testing.T) {
	c, err := uncertainty.OfCurrent(bench(t, nil), rf.Megahertz, uncertainty.Conditions{
		Means: uncertainty.Levelled, Window: 0.3, Repeated: func(rf.Frequency) (rf.Gain, int) { return 0.4, 5 },
	}, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	r := component(t, c, "repeatability")
	if r.Assumed || r.Freedom != 4 || math.Abs(r.Standard()-0.4) > 1e-12 {
		t.Errorf("%+v", r)
	}
	if w := component(t, c, "levelling window"); math.Abs(w.Standard()-0.15/math.Sqrt(3)) > 1e-12 {
		t.Errorf("window %+v", w)
	}
	if math.IsInf(c.Combined.Freedom, 1) {
		t.Error("five repeats leave infinitely many degrees of freedom")
	}
}

func TestAModelOfTheCableGivesThePosition(t *testing.T) {
	asked := rf.Length(0)
	c, err := uncertainty.OfCurrent(bench(t, nil), rf.Megahertz, uncertainty.Conditions{
		Position: func(_ rf.Frequency, tolerance rf.Length) (rf.Gain, string, error) {
			asked = tolerance
			return 0.7, "cable model", nil
		}}, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	if p := component(t, c, "position"); p.Half != 0.7 || p.Assumed || asked != 0.01 {
		t.Errorf("%+v, asked %v", p, asked)
	}
}

// 20·lg(1 + 10^(−20/20)) = 0.8279 dB.
func TestABroadbandMeterReadsHarmonics(t *testing.T) {
	c, err := uncertainty.OfCurrent(bench(t, nil), rf.Megahertz,
		uncertainty.Conditions{Means: uncertainty.Replayed, Window: 0.3}, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	if h := component(t, c, "harmonics"); math.Abs(h.Half-0.82785) > 1e-4 || h.Item != "PM1" {
		t.Errorf("%+v", h)
	}
	if k := component(t, c, "clamp put up anew"); k.Freedom != 4 || k.Half != 0.3 {
		t.Errorf("%+v", k)
	}
}

func TestOutsideTheProbesCurveThereIsNoBudget(t *testing.T) {
	_, err := uncertainty.OfCurrent(bench(t, nil), 500*rf.Megahertz, uncertainty.Conditions{}, 0.95)
	if err == nil || !strings.Contains(err.Error(), "500 MHz") {
		t.Errorf("%v", err)
	}
}
