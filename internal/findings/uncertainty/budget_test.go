package uncertainty

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"os/exec"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if math.IsNaN(got) || math.Abs(got-want) > tolerance {
		t.Errorf("%s: %.9g, want %.9g ± %g", what, got, want, tolerance)
	}
}

func combine(t *testing.T, b Budget) Combined {
	t.Helper()
	c, err := b.Combine()
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// JCGM 100 H.1 (inputs and uc = 32 nm read in GTC's GUM_H1; uc, ν and t recomputed from them).
func TestTheEndGaugeOfTheGUMHasItsPublishedUncertainty(t *testing.T) {
	b := Budget{Unit: "nm", Inputs: []Input{
		Known("length of the standard", 25, 18),
		Known("difference, repeated", 5.8, 24),
		Known("comparator, random", 3.9, 5),
		Known("comparator, systematic", 6.7, 8),
		Limits("difference of expansion", 1e-6, Rectangular).Times(50_000_000 * 0.1).WithFreedom(50),
		Limits("difference of temperature", 0.05, Rectangular).Times(50_000_000 * 11.5e-6).WithFreedom(2),
		Limits("expansion of the standard", 2e-6, Rectangular).Times(0),
	}}
	c := combine(t, b)
	near(t, "uc", c.Standard, 31.664, 0.005)
	near(t, "effective degrees of freedom", c.Freedom, 16.75, 0.01)
	e, err := c.Expand(0.99)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "k", e.K, 2.921, 0.001)
	near(t, "U", e.U, 92.48, 0.05)
	if e.Freedom != 16 {
		t.Errorf("degrees of freedom are rounded down for the factor: %g, want 16", e.Freedom)
	}
	if got := c.Contributions[0].Input.Name; got != "length of the standard" {
		t.Errorf("the largest contribution is %q", got)
	}
}

func TestPublishedAndConstructedBudgets(t *testing.T) {
	for _, c := range []struct {
		name         string
		inputs       []Input
		u, expanded  float64
		tolerance    float64
		freedom, tol float64 // 0 = infinite
	}{
		{"CISPR 16-4-2 mains port (from memory, medium; computes to the published 3.6 dB)", []Input{
			Certificate("receiver reading", 0.1, 1), Certificate("path loss", 0.1, 2), Certificate("network factor",
				0.2, 2),
			Certificate("sine voltage", 1, 2), Limits("pulse amplitude", 1.5, Rectangular), Limits("pulse rate",
				1.5, Rectangular),
			Limits("mismatch", 0.75, UShaped), Limits("network impedance", 2.65, Triangular)}, 1.7956, 3.591,
			0.001, 0, 0},
		{"constructed current injection budget (standards.md 9.5)", []Input{
			Certificate("power meter", 0.3, 2), Certificate("coupler", 0.2, 2), Certificate("jig load and pad",
				0.25, 2),
			Limits("level window", 0.5, Rectangular), Limits("mismatch", 0.9, UShaped), Limits("harmonics", 0.3,
				Rectangular),
			Limits("jig impedance", 0.4, Rectangular), Known("repeatability", 0.35, 4)}, 0.86156, 1.7231, 0.0002, 146.9,
			0.1},
		{"check values U20, U21", sixInputs(), 0.9456038635, 1.891207727, 1e-4, 0, 0},
	} {
		got := combine(t, Budget{Unit: "dB", Inputs: c.inputs})
		near(t, c.name+": uc", got.Standard, c.u, c.tolerance)
		near(t, c.name+": U", got.WithK(2).U, c.expanded, c.tolerance)
		if c.freedom == 0 && !math.IsInf(got.Freedom, 1) || c.freedom > 0 && math.Abs(got.Freedom-c.freedom) > c.tol {
			t.Errorf("%s: %g degrees of freedom, want %g", c.name, got.Freedom, c.freedom)
		}
	}
	near(t, "confidence of k = 2", float64(Combined{Standard: 1}.WithK(2).Confidence), 0.954499736, 1e-9)
}

// sixInputs are the inputs of check values U20 to U22.
func sixInputs() []Input {
	return []Input{Certificate("probe", 1, 2), Limits("receiver", 1, Rectangular), Certificate("pad", 0.3, 2),
		Limits("mismatch", 0.3, UShaped), Known("repeatability", 0.4, 0), Limits("position", 0.5, Rectangular)}
}

// JCGM 100 table G.2 (standards.md 9.1).
func TestCoverageFactorsOfStudent(t *testing.T) {
	for _, c := range []struct{ nu, wide, usual float64 }{
		{1, 13.968, 12.706}, {2, 4.527, 4.303}, {3, 3.307, 3.182}, {4, 2.869, 2.776}, {5, 2.649, 2.571}, {8,
			2.366, 2.306},
		{10, 2.284, 2.228}, {16, 2.169, 2.120}, {50, 2.051, 2.009}, {100, 2.025, 1.984}, {math.Inf(1), 2, 1.960},
	} {
		k, err := CoverageFactor(0.9545, c.nu)
		if err != nil {
			t.Fatal(err)
		}
		near(t, fmt.Sprintf("k for 95.45 %% at %g", c.nu), k, c.wide, 0.001)
		k, _ = CoverageFactor(0.95, c.nu)
		near(t, fmt.Sprintf("k for 95 %% at %g", c.nu), k, c.usual, 0.0006)
	}
	one, _ := OneSidedFactor(0.95, math.Inf(1))
	near(t, "one-sided 95 %", one, 1.6449, 0.0001)
}

// Published power-meter mismatch examples: check values U01 to U08, standards.md 10 rows 35 and 36.
func TestMismatchOfPublishedPowerMeters(t *testing.T) {
	product := func(a, b float64) float64 { return ReflectionOfVSWR(a) * ReflectionOfVSWR(b) }
	near(t, "reflection of VSWR 1.5", ReflectionOfVSWR(1.5), 0.2, 1e-12)
	near(t, "reflection of VSWR 1.2", ReflectionOfVSWR(1.2), 0.0909, 5e-5)
	plus, minus := MismatchLimits(product(1.5, 1.2))
	near(t, "1.5 and 1.2, upper limit", plus.DB(), 0.15651, 5e-5)
	near(t, "1.5 and 1.2, lower limit", minus.DB(), -0.15938, 5e-5)
	plus, minus = MismatchLimits(product(2.2, 1.16))
	near(t, "2.2 and 1.16, published +0.24 dB", plus.DB(), 0.24, 0.005)
	near(t, "2.2 and 1.16, published -0.25 dB", minus.DB(), -0.25, 0.0055)
	in, err := Mismatch("mismatch", product(1.5, 1.2), FixedMagnitudes)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "standard uncertainty, U-shaped over the half width", in.Standard(), 0.1116823343, 1e-6)
	bounded, _ := Mismatch("mismatch", product(1.5, 1.2), BoundedMagnitudes)
	near(t, "half of it where the magnitudes are only bounded", bounded.Standard(), in.Standard()/2, 1e-12)
	if _, err := Mismatch("mismatch", 1, FixedMagnitudes); err == nil {
		t.Error("two total reflections have no lower limit in dB")
	}
}

// A matched pad between two reflections lowers their product by twice its loss.
func TestAPadLowersTheMismatchByTwiceItsLoss(t *testing.T) {
	loss := math.Pow(10, -10.0/20)
	near(t, "10 dB pad", ThroughTwoPort(0.5, 0.5, 0, 0, loss, loss), 0.025, 1e-12)
	near(t, "no pad", ThroughTwoPort(0.5, 0.5, 0, 0, 1, 1), 0.25, 1e-12)
}

func TestFullyCorrelatedInputsAddUp(t *testing.T) {
	b := Budget{Unit: "dB", Inputs: []Input{Known("a", 0.3, 4), Known("b", 0.4, 9)}}
	near(t, "independent", combine(t, b).Standard, 0.5, 1e-12)
	b.Correlations = []Correlation{{0, 1, 1}}
	c := combine(t, b)
	near(t, "same cause", c.Standard, 0.7, 1e-12)
	near(t, "fewest degrees of freedom of the group", c.Freedom, 4, 1e-9)
	b.Correlations = []Correlation{{0, 1, -1}}
	near(t, "opposite", combine(t, b).Standard, 0.1, 1e-12)
}

func TestAnInputWithoutASpreadIsRefused(t *testing.T) {
	for _, in := range []Input{
		Repeated("one reading", 0.1, 1, 1), Limits("negative", -1, Rectangular), Limits("nothing", math.NaN(),
			Rectangular),
		Certificate("negative k", 1, -2), {Name: "unknown", Distribution: "flat", Half: 1, Sensitivity: 1},
	} {
		if _, err := (Budget{Inputs: []Input{in}}).Combine(); err == nil {
			t.Errorf("%s is taken", in.Name)
		}
	}
	if _, err := (Budget{}).Combine(); err == nil {
		t.Error("an empty budget has an uncertainty")
	}
}

// The law of propagation: uc² is the sum of the squares, shares add up to the whole, and no
// contribution is larger than the result.
func TestSharesAddUpToTheWhole(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var b Budget
		for range rapid.IntRange(1, 12).Draw(t, "inputs") {
			d := rapid.SampledFrom([]Distribution{Normal, Rectangular, Triangular, UShaped}).Draw(t, "distribution")
			b.Inputs = append(b.Inputs, Limits("x", rapid.Float64Range(0.001, 10).Draw(t, "half"),
				d).Times(float64(rapid.IntRange(-300, 300).Draw(t, "c"))/100))
		}
		c, err := b.Combine()
		if err != nil {
			t.Fatal(err)
		}
		sum, share := 0.0, 0.0
		for _, x := range c.Contributions {
			sum += x.Standard * x.Standard
			share += x.Share
			if x.Standard > c.Standard*(1+1e-9) {
				t.Fatalf("contribution %g is larger than the whole %g", x.Standard, c.Standard)
			}
		}
		if math.Abs(math.Sqrt(sum)-c.Standard) > 1e-9*(1+c.Standard) || c.Standard > 0 && math.Abs(share-1) > 1e-9 {
			t.Fatalf("sum %g, combined %g, shares %g", math.Sqrt(sum), c.Standard, share)
		}
	})
}

// python runs a program with Debian's Python and returns what it prints.
func python(t testing.TB, module, program string) string {
	t.Helper()
	out, err := exec.Command("/usr/bin/python3", "-c", "import "+module+"\n"+program).CombinedOutput()
	if err != nil {
		if os.Getenv("CI") == "true" || !strings.Contains(string(out)+err.Error(), "No module") &&
			!strings.Contains(err.Error(), "no such file") {
			t.Fatalf("python3 with %s: %v\n%s", module, err, out)
		}
		t.Skipf("outside check skipped: python3 with %s is not installed", module)
	}
	return string(out)
}

func TestStudentAgreesWithScipy(t *testing.T) {
	out := python(t, "scipy.stats, json", `
print(json.dumps([[p, n, scipy.stats.t.ppf((1 + p) / 2, n)] for p in (0.5, 0.6827, 0.9, 0.95, 0.9545, 0.99, 0.9973) for n in (1, 2, 3, 7, 16, 40, 146, 1000)]))`)
	var rows [][3]float64
	if err := json.Unmarshal([]byte(out), &rows); err != nil {
		t.Fatal(err)
	}
	worst := 0.0
	for _, r := range rows {
		k, err := quantile((1+r[0])/2, r[1])
		if err != nil {
			t.Fatal(err)
		}
		near(t, fmt.Sprintf("t at %g and %g", r[0], r[1]), k, r[2], 1e-8*r[2])
		worst = max(worst, math.Abs(k/r[2]-1))
	}
	t.Logf("figure: Student's t against scipy: %d values, largest relative difference %.1g", len(rows), worst)
}
