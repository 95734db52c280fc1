package uncertainty

import (
	"fmt"
	"math"
	"testing"

	"provoke/internal/findings/analysis"
	"provoke/internal/job/result"
	"provoke/internal/units/rf"
)

// The product stood 73 dBµA and upset at 75 dBµA, and the current is known exactly: the onset lies anywhere between, so
// 95 % of it are 74 ± 0.95 dBµA. With u = 1 dB and nothing stood below it is at 75 dBµA + 1.6449 dB at most.
func TestTheLimitsOfAnOnsetByHand(t *testing.T) {
	exactly := Current{Components: []Component{{Input: Limits("nothing", 0, Rectangular)}}}
	p := analysis.Point{}
	p.Upset, p.Onset, p.OnsetOrigin, p.Below, p.Bracket = true, rf.DBuA(75), result.Measured, rf.DBuA(73), 9
	for _, c := range []struct {
		name      string
		change    func(*analysis.Point)
		low, high float64
	}{
		{"both measured", func(*analysis.Point) {}, 73.05, 74.95},
		{"half a decibel apart", func(p *analysis.Point) { p.Below = rf.DBuA(74.5) }, 74.75 - 0.2375, 74.75 + 0.2375},
		{"nothing measured below: what the plan says", func(p *analysis.Point) { p.Below, p.Bracket = rf.Current{}, 4 },
			71.1, 74.9},
		{"asked for: what the plan says", func(p *analysis.Point) { p.OnsetOrigin, p.Bracket = result.Asked, 4 },
			71.1, 74.9},
		{"not on the cable below", func(p *analysis.Point) { p.Below, p.Bracket = p.Below.WithBound(rf.AtLeast), 4 },
			71.1, 74.9},
	} {
		q, o := p, Onset{Current: exactly}
		c.change(&q)
		if err := o.bracket(q, 0.95); err != nil {
			t.Fatal(err)
		}
		near(t, c.name+", low", o.Low.In(), c.low, 0.02)
		near(t, c.name+", high", o.High.In(), c.high, 0.02)
	}
	known := Current{Components: []Component{{Input: Known("u", 1, 0)}}}
	for name, change := range map[string]func(*analysis.Point){
		"at most":        func(p *analysis.Point) { p.Onset = p.Onset.WithBound(rf.AtMost) },
		"nothing below":  func(p *analysis.Point) { p.Below, p.Bracket = rf.Current{}, rf.Gain(math.NaN()) },
		"no way between": func(p *analysis.Point) { p.Below = p.Onset },
	} {
		q, o := p, Onset{Current: known}
		change(&q)
		if err := o.bracket(q, 0.95); err != nil || o.Low.Known() {
			t.Errorf("%s: %v, %v", name, o.Low, err)
		}
		near(t, name, o.High.In(), 76.6449, 0.01)
	}
	for name, change := range map[string]func(*analysis.Point){
		"no upset": func(p *analysis.Point) { p.Upset = false },
		"no onset": func(p *analysis.Point) { p.Onset = rf.Current{} },
	} {
		q, o := p, Onset{Current: known}
		change(&q)
		if err := o.bracket(q, 0.95); err != nil || o.High.Known() || o.Between() != "–" {
			t.Errorf("%s: %s, %v", name, o.Between(), err)
		}
	}
	o := Onset{Current: exactly}
	if err := o.bracket(p, 0.95); err != nil || o.Between() != fmt.Sprintf("%.1f to %.1f dBµA", o.Low.In(),
		o.High.In()) {
		t.Errorf("%s, %v", o.Between(), err)
	}
}

func TestWhatAFigureRestsOn(t *testing.T) {
	own := Component{Input: Limits("own", 1, Rectangular)}
	one, two := Component{Input: Limits("one", 1, Rectangular), Assumed: true},
		Component{Input: Limits("two", 1, Rectangular), Assumed: true}
	nothing := Component{Input: Limits("nothing", 0, Rectangular), Assumed: true}
	for _, c := range []struct {
		components []Component
		want       string
	}{
		{[]Component{own, nothing}, "every contribution is from the bench's own data"},
		{[]Component{own, one}, "1 of 2 contributions are assumed, not from the bench's own data: one"},
		{[]Component{own, one, two}, "2 of 3 contributions are assumed, not from the bench's own data: one, two"},
	} {
		if got := (Current{Components: c.components}).Rests(); got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
	if k := (Current{}).K(); k != 0 {
		t.Errorf("k %g of nothing", k)
	}
	said := Current{Stated: Interval{-1.94, 1.94}, Combined: Combined{Standard: 1},
		Expanded: Expanded{Confidence: 0.95}}
	if got := said.Says(); got != "± 1.9 dB (k = 1.94, confidence 95 %)" {
		t.Errorf("%q", got)
	}
}

// The current of a standing wave falls with cos βd, so by 8.6859·β·tan βd per metre; at 30 MHz β is 0.628753/m. Beyond
// a sixth of a wavelength tan βd is taken as √3.
func TestThePositionOnAShortedLine(t *testing.T) {
	for _, c := range []struct {
		f                         rf.Frequency
		distance, tolerance, used rf.Length
		want                      float64
	}{
		{30 * rf.Megahertz, 0.05, 0.01, 0.05, 8.685890 * 0.628753 * 0.031448 * 0.01},
		{30 * rf.Megahertz, 0, 0.02, 0.05, 8.685890 * 0.628753 * 0.031448 * 0.02},
		{30 * rf.Megahertz, -1, 0.01, 0.05, 8.685890 * 0.628753 * 0.031448 * 0.01},
		{1000 * rf.Megahertz, 0.3, 0.01, 0.3, 8.685890 * 20.95845 * math.Sqrt(3) * 0.01},
	} {
		half, used := positionEstimate(c.f, c.distance, c.tolerance)
		near(t, "half-width", half, c.want, 1e-5*c.want)
		if used != c.used {
			t.Errorf("distance %v", used)
		}
	}
}

func TestTheNearestFrequencyCounts(t *testing.T) {
	known := map[rf.Frequency]rf.Gain{1 * rf.Megahertz: 1, 4 * rf.Megahertz: 2, 100 * rf.Megahertz: 3}
	for f, want := range map[rf.Frequency]rf.Gain{0.1 * rf.Megahertz: 1, 1.9 * rf.Megahertz: 1, 2.1 * rf.Megahertz: 2,
		19 * rf.Megahertz: 2, 21 * rf.Megahertz: 3, 2 * rf.Megahertz: 2} {
		for range 8 { // in whatever order a map is walked
			if got := atNearest(known, f); got != want {
				t.Errorf("%v: %v, want %v", f, got, want)
			}
		}
	}
}

// By hand: the correlations 0.6, 0.3 and 0.5 have the root (1), (0.6, 0.8), (0.3, (0.5 − 0.6·0.3)/0.8, √(1 − 0.09 −
// 0.16)).
func TestTheRootOfCorrelationsByHand(t *testing.T) {
	b := Budget{Inputs: []Input{Known("a", 1, 0), Known("alone", 1, 0), Known("b", 1, 0), Known("c", 1, 0)},
		Correlations: []Correlation{{0, 2, 0.6}, {0, 3, 0.3}, {3, 2, 0.5}}}
	group, root, err := b.correlated()
	if err != nil || len(group) != 3 || group[0] != 0 || group[1] != 2 || group[2] != 3 {
		t.Fatalf("%v, %v", group, err)
	}
	for i, row := range [][]float64{{1, 0, 0}, {0.6, 0.8, 0}, {0.3, 0.4, math.Sqrt(0.75)}} {
		for j := range row {
			near(t, "root", root[i][j], row[j], 1e-12)
		}
	}
	// a = b and a = −c, but b = c.
	b.Correlations = []Correlation{{0, 2, 1}, {0, 3, -1}, {2, 3, 1}}
	if _, _, err := b.correlated(); err == nil {
		t.Error("three correlations that contradict one another are taken")
	}
	b.Correlations = []Correlation{{0, 2, 1}}
	if _, root, err := b.correlated(); err != nil || root[1][0] != 1 || root[1][1] != 0 {
		t.Errorf("the same cause: %v, %v", root, err)
	}
	for _, c := range []Correlation{{0, 1, 1.5}, {0, 1, -1.5}, {0, 1, math.NaN()}, {0, 0, 0.5}, {-1, 1, 0.5},
		{0, -1, 0.5}, {4, 0, 0.5}, {0, 4, 0.5}} {
		b.Correlations = []Correlation{c}
		if _, err := b.Combine(); err == nil {
			t.Errorf("%+v is taken", c)
		}
	}
	// Every draw of correlated inputs too: u² = 9 + 16 + 2·0.5·12 = 37.
	b = Budget{Inputs: []Input{Known("a", 3, 0), Known("b", 4, 0)}, Correlations: []Correlation{{0, 1, 0.5}}}
	s, err := b.Simulate(seeded(1), 20_000, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "drawn", s.Standard, math.Sqrt(37), 0.03*math.Sqrt(37))
}

// The moments of draws of each distribution within five standard deviations of theirs: mean 0 (of a mismatch too: the
// mean of ln|1 + ρ·e^(iφ)| over the phase is 0), variance that of the divisor; a mismatch by its series, see below.
func TestTwentyThousandDrawsHaveTheirMoments(t *testing.T) {
	const n = 20_000
	fixed, _ := Mismatch("fixed", 0.3, FixedMagnitudes)
	bounded, _ := Mismatch("bounded", 0.3, BoundedMagnitudes)
	for _, c := range []struct {
		in Input
		u  float64
	}{
		{Limits("rectangular", 3, Rectangular), math.Sqrt(3)}, {Limits("triangular", 3, Triangular), 3 / math.Sqrt(6)},
		{Limits("U", 3, UShaped), 3 / math.Sqrt2},
		{Certificate("normal", 4, 2), 2}, {Known("t", 2, 12), 2 * math.Sqrt(12.0/10)},
		{fixed, mismatchSpread(0.3, false)}, {bounded, mismatchSpread(0.3, true)},
	} {
		for _, times := range []float64{1, -2} {
			s, err := Budget{Inputs: []Input{c.in.Times(times)}}.Simulate(seeded(8), n, 0.95)
			if err != nil {
				t.Fatal(err)
			}
			u := c.u * math.Abs(times)
			near(t, c.in.Name+", mean", s.Mean, 0, 5*u/math.Sqrt(n))
			near(t, c.in.Name+", spread", s.Standard, u, 5*u*math.Sqrt(1.0/n))
		}
	}
	// Each draw counts once: the mean is that of the same source.
	s, _ := Budget{Inputs: []Input{Limits("rectangular", 1, Rectangular)}}.Simulate(seeded(2), MinimumDraws, 0.95)
	r, mean := seeded(2), 0.0
	for range MinimumDraws {
		mean += (2*r.Float64() - 1) / MinimumDraws
	}
	near(t, "mean of the source's own numbers", s.Mean, mean, 1e-12)
	if s.Draws != MinimumDraws || s.Confidence != 0.95 {
		t.Errorf("%+v", s)
	}
	one := Budget{Inputs: []Input{Limits("x", 1, Rectangular)}}
	for _, draws := range []int{MinimumDraws - 1, 100_000_001, 150_000_000} {
		if err := one.drawable(draws, 0.95); err == nil {
			t.Errorf("%d draws are taken", draws)
		}
	}
	if err := one.drawable(100_000_000, 0.95); err != nil {
		t.Error(err)
	}
}

// mismatchSpread is the standard deviation in dB of 20·lg|1 + p·R·e^(iφ)|: ln|1 + ρe^(iφ)|² is twice the sum of
// ±ρ^k·cos(kφ)/k, so its variance is 2·Σ ρ^(2k)/k²; where R² is the product of two even numbers, the mean of R^(2k) is
// 1/(k + 1)².
func mismatchSpread(p float64, bounded bool) float64 {
	sum := 0.0
	for k := 1.0; k < 60; k++ {
		x := math.Pow(p, 2*k) / (k * k)
		if bounded {
			x /= (k + 1) * (k + 1)
		}
		sum += x
	}
	return 10 / math.Ln10 * math.Sqrt(2*sum)
}

// A characteristic function at small t is 1 + i·mean·t − variance·t²/2.
func TestCharacteristicFunctionsHaveTheirMoments(t *testing.T) {
	fixed, _ := Mismatch("fixed", 0.3, FixedMagnitudes)
	bounded, _ := Mismatch("bounded", 0.3, BoundedMagnitudes)
	for _, c := range []struct {
		in Input
		u  float64
	}{
		{Limits("rectangular", 3, Rectangular), math.Sqrt(3)}, {Limits("triangular", 3, Triangular), 3 / math.Sqrt(6)},
		{Limits("U", 3, UShaped), 3 / math.Sqrt2},
		{Certificate("normal", 4, 2), 2}, {Known("t", 2, 30), 2 * math.Sqrt(30.0/28)},
		{fixed, mismatchSpread(0.3, false)}, {bounded, mismatchSpread(0.3, true)},
		{Limits("disc", 3, InDisc), 3 / (2 * math.Sqrt2)},
	} {
		for _, times := range []float64{1, -2} {
			at := 0.01 / c.u
			phi := c.in.Times(times).characteristic()(at)
			near(t, c.in.Name+", mean", imag(phi)/at/c.u, 0, 1e-4)
			near(t, c.in.Name+", spread", math.Sqrt(2*(1-real(phi)))/at/math.Abs(times), c.u, 0.02*c.u)
		}
	}
	near(t, "inverse of a square", inverse(0.25, func(x float64) float64 { return x * x }), 0.5, 1e-9)
}

func TestAConfidenceLiesBetweenNoneAndAll(t *testing.T) {
	for _, c := range []rf.Fraction{-0.1, 0, 1, 1.5} {
		if i, err := (Budget{Inputs: []Input{Known("x", 1, 0)}}).Interval(c); err == nil {
			t.Errorf("confidence %v: %+v", c, i)
		}
		if k, err := CoverageFactor(c, 9); err == nil {
			t.Errorf("confidence %v: k = %g", c, k)
		}
		if k, err := OneSidedFactor(c, 9); err == nil {
			t.Errorf("confidence %v: factor %g", c, k)
		}
		if _, err := (Budget{Inputs: []Input{Known("x", 1, 0)}}).Simulate(seeded(1), MinimumDraws, c); err == nil {
			t.Errorf("confidence %v is simulated", c)
		}
	}
	// t of 9 degrees of freedom and 95 %: 2.262157; half the spread, half the interval, and either sign.
	for _, times := range []float64{1, 0.5, -0.5} {
		i, err := Budget{Inputs: []Input{Known("x", 1, 9).Times(times)}}.Interval(0.95)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "high", i.High, 2.262157*math.Abs(times), 0.02*math.Abs(times))
		near(t, "low", i.Low, -2.262157*math.Abs(times), 0.02*math.Abs(times))
	}
}

// Two and three readings (t = 12.7062 and 4.3027), inputs that move together or apart by half (u² = 25 ± 12), and a sum
// with one that is not among them (25 + 12 + 144).
func TestIntervalsWithLongTailsAndCorrelations(t *testing.T) {
	half := []Correlation{{0, 1, 0.5}}
	for _, c := range []struct {
		b    Budget
		want float64
	}{
		{Budget{Inputs: []Input{Repeated("two readings", 1, 2, 1)}}, 12.7062},
		{Budget{Inputs: []Input{Repeated("three readings", 1, 3, 1)}}, 4.302653},
		{Budget{Inputs: []Input{Known("a", 3, 0), Known("b", 4, 0)}, Correlations: half}, 1.959964 * math.Sqrt(37)},
		{Budget{Inputs: []Input{Known("a", 3, 0), Known("b", 4, 0).Times(-1)}, Correlations: half},
			1.959964 * math.Sqrt(13)},
		{Budget{Inputs: []Input{Known("a", 3, 0), Known("b", 4, 0)}, Correlations: []Correlation{{1, 0, -0.5}}},
			1.959964 * math.Sqrt(13)},
		{Budget{Inputs: []Input{Known("a", 3, 0), Known("b", 4, 0), Known("c", 12, 0)}, Correlations: half},
			1.959964 * math.Sqrt(181)},
	} {
		i, err := c.b.Interval(0.95)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "high", i.High, c.want, 0.005*c.want)
		near(t, "low", i.Low, -c.want, 0.005*c.want)
	}
	// a goes with b and with c, and these go apart.
	b := Budget{Inputs: []Input{Known("a", 1, 0), Known("b", 1, 0), Known("c", 1, 0)},
		Correlations: []Correlation{{0, 1, 0.9}, {0, 2, 0.9}, {1, 2, -0.9}}}
	if i, err := b.Interval(0.95); err == nil {
		t.Errorf("%+v", i)
	}
}

// 1 to 100: q = 95 of them, r = whole part of (100 − 95 + 1)/2 = 3: from the third to the 98th (JCGM 101, 7.7.2). Of
// 0, 10, 11, 12 and 13, three in four or all but one: the shortest that holds q = 3 steps starts at 10.
func TestIntervalsOfDrawsByHand(t *testing.T) {
	var y []float64
	for i := range 100 {
		y = append(y, float64((i*37)%100+1))
	}
	s := summarise(y, 0.95)
	if s.Symmetric != (Interval{3, 98}) || s.Shortest.High-s.Shortest.Low != 95 {
		t.Errorf("%+v", s)
	}
	s = summarise([]float64{13, 0, 10, 12, 11}, 0.6)
	if s.Shortest != (Interval{10, 13}) {
		t.Errorf("%+v", s)
	}
	if s = summarise([]float64{13, 0, 2, 3, 1}, 0.6); s.Shortest != (Interval{0, 3}) {
		t.Errorf("%+v", s)
	}
	s = summarise([]float64{4, 1, 3, 2}, 0.5)
	near(t, "mean", s.Mean, 2.5, 1e-12)
	near(t, "standard deviation", s.Standard, math.Sqrt(5.0/3), 1e-12)
	// Half a unit of the second digit of u: 0.05 of 3.2, 0.005 of 0.32; 0.5 of 32.
	for u, want := range map[float64]float64{3.2: 0.05, 0.32: 0.005, 32: 0.5, 0: 0} {
		near(t, "tolerance", Compare(0, Combined{Standard: u}, Expanded{}, Simulated{}).Tolerance, want, 1e-12)
	}
	for _, c := range []struct {
		low, high float64
		differs   bool
	}{{-0.96, 3.04, false}, {-0.9, 3, true}, {-1, 3.1, true}, {-1, 2.9, true}} {
		d := Compare(1, Combined{Standard: 3.2}, Expanded{U: 2}, Simulated{Symmetric: Interval{c.low, c.high}})
		if d.Differs != c.differs || math.Abs(d.Low-math.Abs(-1-c.low)) > 1e-12 ||
			math.Abs(d.High-math.Abs(3-c.high)) > 1e-12 {
			t.Errorf("%+v: %+v", c, d)
		}
	}
}

func TestRepeatedReadingsByHand(t *testing.T) {
	// The mean of four readings with a deviation of 0.6: 0.3, three degrees of freedom.
	in := Repeated("x", 0.6, 4, 4)
	if in.Freedom != 3 || math.Abs(in.Standard()-0.3) > 1e-12 ||
		math.Abs(Repeated("x", 0.6, 2, 0).Standard()-0.6) > 1e-12 {
		t.Errorf("%+v", in)
	}
}

func TestEndsOfABudget(t *testing.T) {
	nothing := combine(t, Budget{Unit: "dB", Inputs: []Input{Limits("a", 0, Rectangular), Limits("b", 0, UShaped)}})
	if nothing.Standard != 0 || nothing.Contributions[0].Share != 0 || !math.IsInf(nothing.Freedom, 1) ||
		nothing.Unit != "dB" {
		t.Errorf("%+v", nothing)
	}
	// 16 degrees of freedom to the last bit are 16, 1 is 1, and 16.9 count as 16.
	for nu, want := range map[float64]float64{16: 16, 1: 1, 16.9: 16, 2 - 1e-12: 2} {
		e, err := Combined{Standard: 2, Freedom: nu}.Expand(0.95)
		if err != nil || e.Freedom != want || e.U != 2*e.K {
			t.Errorf("%g: %+v, %v", nu, e, err)
		}
	}
	// t for 95 % at 1 and 16 degrees of freedom: 12.7062 and 2.1199.
	one, _ := Combined{Standard: 1, Freedom: 1}.Expand(0.95)
	near(t, "k of one degree of freedom", one.K, 12.7062, 1e-4)
	many, _ := Combined{Standard: 1, Freedom: 16.9}.Expand(0.95)
	near(t, "k of 16.9", many.K, 2.1199, 1e-4)
	for _, nu := range []float64{0.5, 0, math.NaN()} {
		if e, err := (Combined{Standard: 1, Freedom: nu}).Expand(0.95); err == nil {
			t.Errorf("%g degrees of freedom: %+v", nu, e)
		}
	}
	// Welch and Satterthwaite: (9 + 16)²/(81/5 + 256/10).
	c := combine(t, Budget{Inputs: []Input{Known("a", 3, 5), Known("b", 4, 10)}})
	near(t, "degrees of freedom", c.Freedom, 625/(81.0/5+256.0/10), 1e-9)
	near(t, "share of the larger", c.Contributions[0].Share, 16.0/25, 1e-12)
	if c.Contributions[0].Index != 1 {
		t.Errorf("%+v", c.Contributions)
	}
	// The two together, correlated by half, count as one of 25 + 12 with five; a third has 144 with twenty.
	c = combine(t, Budget{Inputs: []Input{Known("a", 3, 5), Known("b", 4, 10), Known("c", 12, 20)},
		Correlations: []Correlation{{0, 1, 0.5}}})
	near(t, "degrees of freedom of a group", c.Freedom, 181*181/(37.0*37/5+144.0*144/20), 1e-9)
}
