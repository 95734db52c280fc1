package design_test

import (
	"math"
	"math/cmplx"
	"os"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"provoke/internal/model/design"
	"provoke/internal/model/ferrite"
	"provoke/internal/model/twoport"
	"provoke/internal/units/rf"
)

func near(t testing.TB, what string, got, want, relative float64) {
	t.Helper()
	if !(math.Abs(got-want) <= relative*math.Abs(want)) {
		t.Errorf("%s is %.10g, want %.10g", what, got, want)
	}
}

var coreA = twoport.Toroid{Outer: 63e-3, Inner: 38e-3, Height: 25e-3}

// clampA is worked example A of the physics notes, 1.4, at one frequency of its table: 100 mA wanted.
func clampA(mu complex128, turns int, f rf.Frequency) *design.Clamp {
	return &design.Clamp{Core: coreA, Material: ferrite.Material{Permeability: fixed(mu)}, Loop: 100, Low: f,
		High: f * 1.001, Points: 2, Current: rf.Amperes(0.1),
		Windings: []design.Winding{{Turns: turns, Capacitance: 6e-12, Primary: 40e-9, Secondary: 25e-9}},
		Stacks:   []int{1}}
}

// Physics notes 1.4: columns Zc, IL, I, V per turn, B, core heat and |Γ| for 1 W; confirmed there by
// an independent nodal solve.
func TestTheWorkedClampHasTheFluxHeatAndMatchOfTheNodalSolve(t *testing.T) {
	for _, c := range []struct {
		turns                       int
		f                           rf.Frequency
		mu, zc                      complex128
		il, mA, turn, mT, heat, gam float64
	}{
		{1, 1e6, 826 - 31i, 3.61 + 12.20i, 12.359, 34.09, 3.409, 2.5078, 0.0332, 0.922},
		{1, 10e6, 268 - 336i, 29.01 + 10.58i, 6.573, 66.35, 6.636, 0.4882, 0.5044, 0.235},
		{1, 31.6228e6, 103 - 180i, 33.53 + 13.00i, 5.809, 72.46, 7.255, 0.1688, 0.4386, 0.191},
		{1, 100e6, 25 - 87i, 35.79 + 27.17i, 5.610, 74.13, 7.504, 0.0552, 0.3765, 0.272},
		{2, 1e6, 826 - 31i, 6.53 + 6.17i, 9.560, 47.05, 4.705, 3.4614, 0.0632, 0.846},
		{2, 10e6, 268 - 336i, 10.77 + 2.94i, 8.142, 55.39, 5.540, 0.4076, 0.3515, 0.585},
		{2, 31.6228e6, 103 - 180i, 11.15 + 6.58i, 7.882, 57.07, 5.714, 0.1329, 0.2721, 0.634},
		{2, 100e6, 25 - 87i, 11.10 + 19.35i, 7.952, 56.61, 5.730, 0.0422, 0.2195, 0.678},
	} {
		d := clampA(c.mu, c.turns, c.f)
		r, err := d.Compute(d.Windings[0], 1)
		if err != nil {
			t.Fatal(err)
		}
		p := r.Points[0]
		if cmplx.Abs(p.Series-c.zc) > 0.008 {
			t.Errorf("Zc is %v, want %v", p.Series, c.zc)
		}
		near(t, "IL", p.InsertionLoss.DB(), c.il, 1e-4)
		near(t, "mA at 1 W", p.Current.SI()*1e3, c.mA, 2e-4)
		near(t, "V per turn", p.PerTurn, c.turn, 2e-4)
		near(t, "mT", float64(p.Flux)*1e3, c.mT, 1.2e-3)
		near(t, "heat", p.Heat.SI(), c.heat, 1.5e-3)
		near(t, "|Γ|", p.Reflection, c.gam, 2.5e-3)
		// 100 mA, from the current at 1 W (row C24's formula, P = 50·I²·10^(IL/10)).
		near(t, "W for 100 mA", p.Needed.SI(), 50*0.01*math.Pow(10, c.il/10), 3e-4)
	}
}

// Row C30.
func TestTheFluxOfAVoltagePerTurn(t *testing.T) {
	near(t, "mT of 10 V per turn at 150 kHz", float64(design.PeakFlux(10, 150e3, 305.9284858e-6))*1e3, 49.04829929,
		1e-4)
}

// Rows C32 to C34, physics notes 1.6.
func TestAProbesCoreSaturatesWhenItInjects(t *testing.T) {
	tr := design.ProbeAsInjector(rf.Amperes(0.1), 150, 10, 50, 60e-6, 150e3)
	near(t, "ratio", tr.Ratio, 300, 1e-9)
	near(t, "mT monitoring", float64(tr.Monitoring)*1e3, 1.250439328, 1e-4)
	near(t, "mT injecting", float64(tr.Injecting)*1e3, 375.1317984, 1e-4)
	near(t, "V at its winding", tr.Drive, 150, 1e-9)    // N·I·Zloop = 10 · 0.1 A · 150 Ω
	near(t, "W in its load", tr.Load, 150*150/50, 1e-9) // V²/R
}

// Rows C40 to C42, and for any clamp: what goes forward is reflected, in the loop, or in the core.
func TestThePowerOfAClampIsConserved(t *testing.T) {
	check := func(t testing.TB, d *design.Clamp) (reflected, loop, heat float64) {
		r, err := d.Compute(d.Windings[0], 1)
		if err != nil {
			t.Fatal(err)
		}
		p := r.Points[0]
		reflected, heat = p.Reflection*p.Reflection, p.Heat.SI()
		loop = p.Current.SI() * p.Current.SI() * float64(d.Loop)
		near(t, "reflected + loop + heat", reflected+loop+heat, 1, 1e-9)
		return reflected, loop, heat
	}
	a, b, c := check(t, clampA(268-336i, 1, 10e6))
	near(t, "reflected", a, 0.05538590105, 1e-4)
	near(t, "in the jig", b, 0.4402635612, 1e-4)
	near(t, "core heat", c, 0.5043505377, 1e-4)
	rapid.Check(t, func(rt *rapid.T) {
		d := clampA(complex(rapid.Float64Range(1, 3000).Draw(rt, "µ′"), -rapid.Float64Range(0.01, 3000).Draw(rt, "µ″")),
			rapid.IntRange(1, 9).Draw(rt, "turns"), rf.Frequency(rapid.Float64Range(1e4, 4e8).Draw(rt, "f")))
		d.Loop = rf.Resistance(rapid.Float64Range(1, 1000).Draw(rt, "loop"))
		d.Windings[0].Capacitance = rf.Capacitance(rapid.Float64Range(0, 50e-12).Draw(rt, "C"))
		d.Windings[0].Primary = rf.Inductance(rapid.Float64Range(0, 1e-6).Draw(rt, "L"))
		d.Core.Gap = rf.Length(rapid.Float64Range(0, 200e-6).Draw(rt, "gap"))
		check(t, d)
	})
}

func sample(t testing.TB, change ...string) (*design.Clamp, error) {
	t.Helper()
	data, err := os.ReadFile("testdata/clamp.yaml")
	if err != nil {
		t.Fatal(err)
	}
	text := string(data)
	for i := 0; i+1 < len(change); i += 2 {
		if !strings.Contains(text, change[i]) {
			t.Fatalf("the sample has no %q", change[i])
		}
		text = strings.Replace(text, change[i], change[i+1], 1)
	}
	c, problems := design.Parse("clamp.yaml", []byte(text),
		func(name string) ([]byte, error) { return os.ReadFile("testdata/" + name) })
	return c, problems.Err()
}

func TestTheTableRanksWhatSpeaksAgainstItLast(t *testing.T) {
	c, err := sample(t)
	if err != nil {
		t.Fatal(err)
	}
	all, err := c.Table()
	if err != nil {
		t.Fatal(err)
	}
	if len(all) != 9 {
		t.Fatalf("%d rows, want 3 windings × 3 stacks", len(all))
	}
	for i := 1; i < len(all); i++ {
		a, b := all[i-1], all[i]
		if !a.Usable() && b.Usable() || a.Usable() == b.Usable() && a.Needed.DB() > b.Needed.DB() {
			t.Errorf("row %d stands before row %d", i, i+1)
		}
	}
	if !all[0].Usable() || all[len(all)-1].Usable() {
		t.Errorf("first %v, last %v", all[0].Against, all[len(all)-1].Against)
	}
	// More core, less flux and less power at the low end: common practice.
	one, _ := c.Compute(c.Windings[0], 1)
	five, _ := c.Compute(c.Windings[0], 5)
	if !(five.Flux < one.Flux) || !(five.Points[0].Needed.DB() < one.Points[0].Needed.DB()) {
		t.Errorf("five cores: %v and %v, one: %v and %v", five.Flux, five.Needed, one.Flux, one.Needed)
	}
	if w := c.WhyNotTheProbe(); w == nil || math.Abs(w.Ratio-200) > 1e-9 { // 100 Ω · 10²/50 Ω
		t.Errorf("%+v", w)
	}
}

func TestABadClampFileIsToldWithItsPlaces(t *testing.T) {
	for name, c := range map[string]struct{ from, to, want string }{
		"band beyond the table": {"150 kHz to 80 MHz", "150 kHz to 400 MHz", "known whole from 100 kHz to 200 MHz"},
		"inner over outer":      {"inner: 38 mm", "inner: 68 mm", "not below the outer"},
		"negative height":       {"height: 25 mm", "height: -25 mm", "negative"},
		"no turns":              {"turns: 1,", "turns: 0,", "from 1 to 100 turns"},
		"empty stack":           {"[1, 3, 5]", "[0]", "stack of 0"},
		"no file":               {"demo-nizn.csv ", "none.csv ", "cannot read"},
		"bare number":           {"current: 20 mA", "current: 20", "unit"},
		"off":                   {"current: 20 mA", "current: off", "no current to design for"},
		"unknown key":           {"forward: 5 W", "foward: 5 W", "foward"},
		"modulation":            {"AM 80 %", "AM 80", "modulation"},
		"falling band":          {"150 kHz to 80 MHz", "80 MHz to 150 kHz", "does not rise"},
		"gap":                   {"gap: 20 µm", "gap: 20 m", "not below the magnetic path"},
	} {
		if _, err := sample(t, c.from, c.to); err == nil || !strings.Contains(err.Error(), c.want) ||
			!strings.Contains(err.Error(), "clamp.yaml:") {
			t.Errorf("%s: %v, want %q", name, err, c.want)
		}
	}
}

func TestAModelInsteadOfTheTableSaysHowWellItFits(t *testing.T) {
	c, err := sample(t, "model: table ", "model: 3 Lorentz ")
	if err != nil {
		t.Fatal(err)
	}
	if c.Material.Fit == nil {
		t.Fatal("no fit error")
	}
	fitted, err := c.Compute(c.Windings[0], 5)
	if err != nil {
		t.Fatal(err)
	}
	whole, _ := sample(t)
	table, _ := whole.Compute(whole.Windings[0], 5)
	// A fit within 16 % of |µ| moves the insertion loss by less than 1 dB.
	for i := range table.Points {
		if d := table.Points[i].InsertionLoss - fitted.Points[i].InsertionLoss; math.Abs(d.DB()) > 1 {
			t.Errorf("at %v the model is %v off", table.Points[i].Frequency, d)
		}
	}
}

// fixed is a permeability that is the same at all frequencies.
type fixed complex128

func (f fixed) Fill(_ twoport.Grid, mu []complex128) error {
	for i := range mu {
		mu[i] = complex128(f)
	}
	return nil
}
