package level

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"provoke/internal/units/rf"
)

func frequencies(t *testing.T, g Grid) []rf.Frequency {
	t.Helper()
	fs, err := g.Frequencies()
	if err != nil {
		t.Fatal(err)
	}
	return fs
}

// standards.md rows 32 and 33; check_values T11 and T12. Convention: f(n+1) = f(n)(1+s) while
// below stop, stop appended when it is not hit.
func TestGridsHaveThePublishedNumberOfFrequencies(t *testing.T) {
	one := frequencies(t, GridPercent(150*khz, 80*mhz, 0.01))
	if len(one) != 633 {
		t.Errorf("T11: 150 kHz to 80 MHz in 1 %% has %d frequencies, want 633", len(one))
	}
	iec, err := LookupSteps("iec-61000-4-6")
	if err != nil {
		t.Fatal(err)
	}
	near(t, "T12: shortest sweep in s", float64(len(one))*iec.Dwell.Std().Seconds(), 316.5, 0)
	mil, err := LookupSteps("mil-std-461")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		low, high rf.Frequency
		want      int
	}{{10 * khz, mhz, 96}, {mhz, 30 * mhz, 343}, {30 * mhz, 200 * mhz, 382}, {10 * khz, 200 * mhz, 819}} {
		g, err := mil.Grid(c.low, c.high)
		if err != nil {
			t.Fatal(err)
		}
		if n := len(frequencies(t, g)); n != c.want {
			t.Errorf("row 33: %v has %d frequencies, want %d", g, n, c.want)
		}
	}
	near(t, "row 33: dwell in s", 819*mil.Dwell.Std().Seconds(), 2457, 0)
}

// standards.md section 4: 100 frequencies per decade, both ends counted; working: 10 kHz to
// 100 kHz is one decade.
func TestDO160Has100FrequenciesToADecade(t *testing.T) {
	r, _ := LookupSteps("do-160")
	g, err := r.Grid(10*khz, 100*khz)
	if err != nil {
		t.Fatal(err)
	}
	fs := frequencies(t, g)
	if len(fs) != 100 || fs[0] != 10*khz || fs[99] != 100*khz {
		t.Errorf("%d frequencies from %v to %v", len(fs), fs[0], fs[len(fs)-1])
	}
	near(t, "the ratio", float64(fs[1]/fs[0]), math.Pow(10, 1.0/99), 1e-12)
}

// ISO 11452-1 table (from memory): 1 to 10 MHz in 1 MHz, then to 200 MHz in 5 MHz: 10 + 38.
func TestISOLinearStepsShareTheirCorners(t *testing.T) {
	r, _ := LookupSteps("iso-11452-1/linear")
	g, err := r.Grid(mhz, 200*mhz)
	if err != nil {
		t.Fatal(err)
	}
	if n := len(frequencies(t, g)); n != 48 {
		t.Errorf("%v has %d frequencies, want 48", g, n)
	}
}

func TestAStepRuleRefusesWhatItDoesNotCover(t *testing.T) {
	iec, _ := LookupSteps("iec-61000-4-6")
	for _, c := range [][2]rf.Frequency{{10 * khz, 80 * mhz}, {150 * khz, rf.Gigahertz},
		{rf.Gigahertz, 2 * rf.Gigahertz}, {0, mhz}, {2 * mhz, mhz}} {
		if g, err := iec.Grid(c[0], c[1]); err == nil {
			t.Errorf("%v to %v gave %v", c[0], c[1], g)
		}
	}
	if g, err := iec.Grid(mhz, mhz); err != nil || len(frequencies(t, g)) != 1 {
		t.Errorf("a single frequency: %v", err)
	}
	if _, err := LookupSteps("mil-std-462"); err == nil || !strings.Contains(err.Error(), "mil-std-461") {
		t.Errorf("%v", err)
	}
	for _, r := range StepRules() {
		if r.Verified || r.Mark() != Unverified || r.Dwell <= 0 || r.Source == "" || r.Confidence == "" {
			t.Errorf("step rule %s: %+v", r.ID, r)
		}
		if _, err := r.Grid(r.Bands[0].Low, r.Bands[len(r.Bands)-1].High); err != nil {
			t.Error(err)
		}
	}
}

func TestGridsAreWhatTheySay(t *testing.T) {
	m := mhz
	for _, c := range []struct {
		grid Grid
		text string
		want []rf.Frequency
	}{
		{GridLinear(m, 2*m, 250*khz), "1 MHz to 2 MHz in 250 kHz steps",
			[]rf.Frequency{m, 1.25 * m, 1.5 * m, 1.75 * m, 2 * m}},
		{GridLinear(m, 2*m, 400*khz), "1 MHz to 2 MHz in 400 kHz steps", []rf.Frequency{m, 1.4 * m, 1.8 * m, 2 * m}},
		{GridLinear(m, m, khz), "1 MHz to 1 MHz in 1 kHz steps", []rf.Frequency{m}},
		{GridPercent(m, 2*m, 0.5), "1 MHz to 2 MHz in 50 % steps", []rf.Frequency{m, 1.5 * m, 2 * m}},
		{GridPerDecade(m, 100*m, 1), "1 MHz to 100 MHz, 1 steps per decade", []rf.Frequency{m, 10 * m, 100 * m}},
		{GridList(27.12*m, 13.56*m, 27.12*m), "27.12 MHz, 13.56 MHz, 27.12 MHz", []rf.Frequency{13.56 * m, 27.12 * m}},
		{GridAround([]rf.Frequency{10 * m}, 0.01, 0.01), "10 MHz ± 1 % in 1 % steps",
			[]rf.Frequency{9.9 * m, 10 * m / 1.01, 10 * m, 10.1 * m}},
		{GridAroundLinear([]rf.Frequency{10 * m, 12 * m}, 100*khz, 50*khz), "10 MHz, 12 MHz ± 100 kHz in 50 kHz steps",
			[]rf.Frequency{9.9 * m, 9.95 * m, 10 * m, 10.05 * m, 10.1 * m, 11.9 * m, 11.95 * m, 12 * m, 12.05 * m,
				12.1 * m}},
		{GridUnion(GridList(2*m), GridLinear(m, 3*m, m)), "2 MHz and 1 MHz to 3 MHz in 1 MHz steps",
			[]rf.Frequency{m, 2 * m, 3 * m}},
		{GridUnion(GridList(m), GridList(m*(1+1e-10), m*(1+1e-8))), "1 MHz and 1 MHz, 1 MHz",
			[]rf.Frequency{m, m * (1 + 1e-8)}},
	} {
		fs := frequencies(t, c.grid)
		if c.grid.String() != c.text {
			t.Errorf("%q, want %q", c.grid, c.text)
		}
		if len(fs) != len(c.want) {
			t.Errorf("%v: %v, want %v", c.grid, fs, c.want)
			continue
		}
		for i := range fs {
			near(t, c.grid.String(), fs[i].Hz(), c.want[i].Hz(), 1e-9*c.want[i].Hz())
		}
	}
}

func TestAGridThatCannotBeIsRefused(t *testing.T) {
	m := mhz
	for name, g := range map[string]Grid{
		"none":                 {},
		"stop below start":     GridPercent(2*m, m, 0.01),
		"no start":             GridPercent(0, m, 0.01),
		"no stop":              GridLinear(m, rf.Frequency(math.Inf(1)), khz),
		"no step":              GridPercent(m, 2*m, 0),
		"negative step":        GridPercent(m, 2*m, -0.01),
		"step beyond 100 %":    GridPercent(m, 2*m, 1.5),
		"step that vanishes":   GridPercent(m, 2*m, 1e-17),
		"too many by per cent": GridPercent(1, rf.Gigahertz, 1e-6),
		"too many in hertz":    GridLinear(m, 80*m, 1),
		"too many a decade":    GridPerDecade(m, 100*m, 99_999),
		"no steps a decade":    GridPerDecade(m, 100*m, 0),
		"an empty list":        GridList(),
		"0 Hz in a list":       GridList(m, 0),
		"NaN in a list":        GridList(rf.Frequency(math.NaN())),
		"round nothing":        GridAround(nil, 0.1, 0.01),
		"round 0 Hz":           GridAround([]rf.Frequency{0}, 0.1, 0.01),
		"span of 100 %":        GridAround([]rf.Frequency{m}, 1, 0.01),
		"down to 0 Hz":         GridAroundLinear([]rf.Frequency{m}, m, khz),
		"too many together":    GridUnion(GridLinear(m, 61*m, khz), GridLinear(m, 61*m, khz)),
		"an empty part":        GridUnion(GridList(m), Grid{}),
		"an empty union":       GridUnion(),
	} {
		if fs, err := g.Frequencies(); err == nil {
			t.Errorf("%s gave %d frequencies", name, len(fs))
		} else if strings.Contains(err.Error(), "NaN") {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestEveryGridKeepsItsStepAndItsEnds(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		low := rf.Frequency(rapid.Float64Range(1e3, 1e8).Draw(t, "low"))
		high := low * rf.Frequency(rapid.Float64Range(1, 1000).Draw(t, "ratio"))
		step := rf.Fraction(rapid.Float64Range(0.002, 1).Draw(t, "step"))
		fs, err := GridPercent(low, high, step).Frequencies()
		if err != nil {
			t.Fatal(err)
		}
		if fs[0] != low || math.Abs(float64(fs[len(fs)-1]/high-1)) > 1e-9 {
			t.Fatalf("%v to %v runs from %v to %v", low, high, fs[0], fs[len(fs)-1])
		}
		for i := 1; i < len(fs); i++ {
			ratio := float64(fs[i] / fs[i-1])
			if !(ratio > 1) || ratio > (1+float64(step))*(1+1e-9) {
				t.Fatalf("step from %v to %v is more than %v", fs[i-1], fs[i], step)
			}
		}
	})
}

func BenchmarkGridOf100000Frequencies(b *testing.B) {
	for b.Loop() {
		if _, err := GridLinear(mhz, 100.999*mhz, khz).Frequencies(); err != nil {
			b.Fatal(err)
		}
	}
}
