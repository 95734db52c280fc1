package threshold

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// inDecibel are the published shots with their heights in dB: 20·log10.
func inDecibel() []Trial {
	out := hamada()
	for i := range out {
		out[i].Level *= 20
	}
	return out
}

// The limits against scipy 1.10.1, which maximised the same profile likelihood by a bounded search for every level and
// found where it falls by t²/2 with brentq: 23 degrees of freedom (25 shots less 2), and 11 where the rarer outcome
// counts (11 of the 25 upset).
func TestProfileLimitsOfThePublishedShots(t *testing.T) {
	for _, c := range []struct {
		m             Model
		p, confidence float64
		freedom       int
		low, high     float64
	}{
		{Probit, 0.5, 0.95, 23, 29.576640172, 32.357371462},
		{Probit, 0.5, 0.80, 23, 30.066911249, 31.339073471},
		{Probit, 0.1, 0.95, 23, 22.391506516, 29.828510909},
		{Probit, 0.1, 0.95, 11, 20.266516865, 29.875234639},
		{Logistic, 0.5, 0.95, 23, 29.560628345, 32.407038092},
		{Logistic, 0.1, 0.95, 11, 18.881912985, 29.943941492},
		{LogLog, 0.5, 0.95, 23, 29.486152854, 32.667861609},
		{LogLog, 0.1, 0.95, 11, 20.678312094, 29.757604455},
		{ComplementaryLogLog, 0.5, 0.95, 23, 29.682400766, 32.076914425},
		{ComplementaryLogLog, 0.1, 0.95, 11, 19.642033840, 30.000587491},
	} {
		l, err := profileLimits(c.m, inDecibel(), c.p, c.confidence, c.freedom)
		if err != nil || l.LowOpen || l.HighOpen || l.Method != ProfileMethod || l.Confidence != c.confidence {
			t.Errorf("%s, %g: %+v, %v", c.m, c.p, l, err)
		}
		near(t, string(c.m)+", low", l.Low, c.low, 2e-5)
		near(t, string(c.m)+", high", l.High, c.high, 2e-5)
	}
	// The scale has no zero of its own: levels that lie round 0 dB have limits that lie as far lower.
	moved := inDecibel()
	for i := range moved {
		moved[i].Level -= 30.1
	}
	l, err := ProfileLimits(Probit, moved, 0.5, 0.95)
	if err != nil || l.LowOpen || l.HighOpen {
		t.Errorf("%+v, %v", l, err)
	}
	near(t, "low, moved", l.Low, 29.576640172-30.1, 2e-5)
	near(t, "high, moved", l.High, 32.357371462-30.1, 2e-5)
	for i := range moved {
		moved[i].Level *= 25 // nor a unit
	}
	l, err = ProfileLimits(Probit, moved, 0.1, 0.95)
	if err != nil || l.LowOpen || l.HighOpen {
		t.Errorf("%+v, %v", l, err)
	}
	near(t, "low, in another unit", l.Low, 25*(22.391506516-30.1), 5e-4)
}

// From 35 to 65 % the limits are those of one model with 23 degrees of freedom; beyond, and with small steps, the
// widest of the four shapes above with 11.
func TestLimitsOfALevelTakeInAllShapesFarFromTheMiddle(t *testing.T) {
	l, err := LimitsOfLevel(Probit, inDecibel(), 0.1, 0.95, false)
	if err != nil || l.Method != UnitedMethod || l.LowOpen || l.HighOpen {
		t.Errorf("%+v, %v", l, err)
	}
	near(t, "low, of the logistic", l.Low, 18.881912985, 2e-5)
	near(t, "high, of the complementary log-log", l.High, 30.000587491, 2e-5)
	for _, c := range []struct {
		p    float64
		fine bool
		want string
	}{{0.34, false, UnitedMethod}, {0.35, false, ProfileMethod}, {0.5, false, ProfileMethod},
		{0.65, false, ProfileMethod}, {0.66, false, UnitedMethod}, {0.5, true, UnitedMethod}} {
		if l, err := LimitsOfLevel(Probit, inDecibel(), c.p, 0.95, c.fine); err != nil || l.Method != c.want {
			t.Errorf("%g, fine %v: %s, %v", c.p, c.fine, l.Method, err)
		}
	}
	if _, err := LimitsOfLevel(Probit, repeated(60, 0, 9), 0.1, 0.95, false); err == nil {
		t.Error("nine passes have limits")
	}
	for _, c := range [][2]float64{{0, 0.95}, {1, 0.95}, {0.5, 0}, {0.5, 1}, {1.5, 0.95}, {0.5, 1.5}} {
		if _, err := ProfileLimits(Probit, inDecibel(), c[0], c[1]); err == nil {
			t.Errorf("probability %g with confidence %g has limits", c[0], c[1])
		}
	}
}

// ln F and its slope where F itself is too small or too near to 1 for a number. Probit: scipy's norm.logcdf and
// exp(norm.logpdf − norm.logcdf), which agree with −z²/2 − ln(|z|·√(2π)) + ln(1 − 1/z² + 3/z⁴). The others by hand:
// logistic −ln(1 + e^(−z)) → z; complementary log-log ln(1 − exp(−e^z)) → z, with the slope 1.
func TestShapesFarOut(t *testing.T) {
	for _, c := range []struct {
		m            Model
		z            float64
		value, slope float64
	}{
		{Probit, -20, -203.9171553710973, 20.049753068528},
		{Probit, -31, -484.8539636271794, 31.032191276781},
		{Probit, -40, -804.6084420137539, 40.024968847211},
		{Probit, -50, -1254.8313611394199, 50.019984031902},
		{Logistic, -800, -800, 1},
		{Logistic, 800, 0, 0},
		{Logistic, 0, -math.Ln2, 0.5},
		{ComplementaryLogLog, -30, -30, 1},
		{ComplementaryLogLog, 8, 0, 0},
		{LogLog, -5, -math.Exp(5), math.Exp(5)},
	} {
		value, slope := c.m.upset(c.z)
		near(t, string(c.m)+", value", value, c.value, 5e-6)
		near(t, string(c.m)+", slope", slope, c.slope, 2e-4)
		// Its own mirror image, or that of the other log-log.
		if c.m == Probit || c.m == Logistic {
			value, slope = c.m.pass(-c.z)
			near(t, string(c.m)+", value of a pass", value, c.value, 5e-6)
			near(t, string(c.m)+", slope of a pass", slope, c.slope, 2e-4)
		}
	}
	// f²/(F·(1 − F)) is F·(1 − F) for the logistic, and 2/π in the middle of the probit.
	near(t, "logistic weight", Logistic.weight(2), 0.880797078*0.119202922, 1e-8)
	near(t, "probit weight", Probit.weight(0), 2/math.Pi, 1e-12)
	near(t, "weight out of sight", Logistic.weight(31), 0, 0)
}

// A fit depends neither on where the scale has its zero nor on its unit.
func TestAFitMovesWithItsScale(t *testing.T) {
	var far, small []Trial
	for _, x := range hamada() {
		far, small = append(far, Trial{x.Level + 1000, x.Upset}), append(small, Trial{x.Level * 1e-3, x.Upset})
	}
	a, err := FitML(Probit, far)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "mu, moved by 1000", a.Mu, 1001.531691, 1e-5)
	near(t, "sigma, moved by 1000", a.Sigma, 0.073731988, 1e-5)
	b, err := FitML(Probit, small)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "mu in thousandths", b.Mu, 1.531691e-3, 1e-8)
	near(t, "sigma in thousandths", b.Sigma, 0.073731988e-3, 1e-8)
	if a.Trials != 25 || a.Penalised {
		t.Errorf("%+v", a)
	}
}

// Two levels and two parameters: the fit meets both shares exactly. Logistic, 1 of 4 at 60 dB and 3 of 4 at 62 dB:
// μ = 61 dB and s = 1/ln 3. The information of n trials at logit ± ln 3 is n·p·q = 0.75 for each, so that with x
// counted from 61 dB the slope has variance 1/(2·0.75) and the predictor there the same, uncorrelated; b0 = a − 61·b1.
func TestAFitOfTwoLevelsByHand(t *testing.T) {
	trials := append(repeated(60, 1, 3), repeated(62, 3, 1)...)
	f, err := FitML(Logistic, trials)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "mu", f.Mu, 61, 1e-7)
	near(t, "scale", f.Sigma, 1/math.Log(3), 1e-7)
	near(t, "likelihood", f.Likelihood, 2*math.Log(0.25)+6*math.Log(0.75), 1e-9)
	want := [2][2]float64{{(1 + 61*61) / 1.5, -61 / 1.5}, {-61 / 1.5, 1 / 1.5}}
	for i := range 2 {
		for j := range 2 {
			near(t, "covariance", f.Covariance[i][j], want[i][j], 1e-4)
		}
	}
	near(t, "10 % level", f.Level(0.1), 61-2, 1e-6) // ln 9 = 2·ln 3
	near(t, "probability two dB below", f.Probability(59), 0.1, 1e-6)
}

// Of eight trials the slope is ln 3 ± √(1/1.5) per dB: with six degrees of freedom it is not shown to differ from 0 (t
// is
// 1.35, and 2.447 is needed for 95 %), so nothing is bounded. For 60 % 0.906 is needed, and the middle lies where
// a² = t²·(1 + x²)/1.5 with a = ln 3·x: x² = t²/(1.5·(ln 3)² − t²) = 0.821/(1.8104 − 0.821), t² = 0.9057².
func TestFiellerLimitsByHand(t *testing.T) {
	f, err := FitML(Logistic, append(repeated(60, 1, 3), repeated(62, 3, 1)...))
	if err != nil {
		t.Fatal(err)
	}
	if l := f.FiellerLimits(0.5, 0.95); !l.LowOpen || !l.HighOpen || l.Method != FiellerMethod || l.Confidence != 0.95 {
		t.Errorf("%+v", l)
	}
	l := f.FiellerLimits(0.5, 0.6)
	t2 := 0.9057033 * 0.9057033 // Student's t of 80 % one-sided, 6 degrees of freedom: 0.9057
	x := math.Sqrt(t2 / (1.5*math.Log(3)*math.Log(3) - t2))
	if l.LowOpen || l.HighOpen {
		t.Errorf("%+v", l)
	}
	near(t, "low", l.Low, 61-x, 1e-4)
	near(t, "high", l.High, 61+x, 1e-4)
}

// Firth's penalty is the prior of Jeffreys. With two levels and a logistic shape the determinant of the information is
// n1·p1·q1·n2·p2·q2 times the square of their distance, so that half of its logarithm adds half a trial to each of the
// four counts: 0 of 4 counts as 0.5 of 5 and 3 of 3 as 3.5 of 4, at −ln 9 and ln 7.
func TestAPenalisedFitByHand(t *testing.T) {
	f, err := FitPenalised(Logistic, append(repeated(60, 0, 4), repeated(61, 3, 0)...))
	if err != nil {
		t.Fatal(err)
	}
	slope := math.Log(9) + math.Log(7)
	near(t, "slope", f.B1, slope, 1e-5)
	near(t, "middle", f.Mu, 60+math.Log(9)/slope, 1e-6)
}

// Five levels, symmetric round 70 dB: every second shot upsets in the middle, so the fit's middle is there, and for an
// added trial at x the information of both parameters is the sum of f²/(F·(1 − F))·(1, x)·(1, x)ᵀ over all trials.
// The level taken is that of the range, within 2.5 scales of the middle, whose trial makes its determinant largest, or
// the variance of the level of p smallest, with the scale widened by 1 + 4/n.
func TestPlaceTakesTheLevelThatTeachesMost(t *testing.T) {
	density := map[Model]func(float64) float64{
		Probit:   func(z float64) float64 { return math.Exp(-z*z/2) / math.Sqrt(2*math.Pi) },
		Logistic: func(z float64) float64 { return math.Exp(-z) / math.Pow(1+math.Exp(-z), 2) },
	}
	r := rand.New(rand.NewPCG(21, 1))
	for n := 0; n < 120; {
		m := []Model{Probit, Logistic}[n%2]
		zone := Range{-31, -31 + 20*r.Float64(), []float64{0.5, 1, 0.3}[n%3]}
		p := []float64{0.5, 0.02, 0.9, 0.2}[n%4]
		var trials []Trial
		truth := -25 + 12*r.Float64()
		for range 8 + r.IntN(20) {
			l := zone.High - zone.Step*float64(r.IntN(1+int((zone.High-zone.Low)/zone.Step)))
			trials = append(trials, Trial{l, r.Float64() < Probit.probability((l-truth)/3)})
		}
		f, err := FitML(m, trials)
		if err != nil {
			continue
		}
		n++
		sigma := f.Sigma * (1 + 4/float64(len(trials)))
		weight := func(x float64) float64 {
			z := (x - f.Mu) / sigma
			d, q := density[m](z), m.probability(z)
			return d * d / (q * (1 - q))
		}
		// In levels from the middle, which changes neither of the two criteria.
		want := sigma * m.quantile(p)
		teaches := func(x float64) float64 {
			i := [3]float64{}
			for _, l := range append([]Trial{{x, false}}, trials...) {
				w, d := weight(l.Level), l.Level-f.Mu
				i[0], i[1], i[2] = i[0]+w, i[1]+w*d, i[2]+w*d*d
			}
			det := i[0]*i[2] - i[1]*i[1]
			if len(trials)%2 == 0 {
				return det
			}
			return det / (i[2] - 2*want*i[1] + want*want*i[0])
		}
		got := Place(m, trials, zone, p)
		best := 0.0
		for k := 0.0; zone.High-k*zone.Step >= zone.Low-1e-9; k++ {
			// Half a step is left for where the grid begins.
			if x := zone.High - k*zone.Step; math.Abs(x-f.Mu) <= 2.5*sigma-zone.Step/2 {
				best = max(best, teaches(x))
			}
		}
		if teaches(got) < best*(1-1e-6) {
			t.Errorf("%s, %d trials, %+v, %g: %g dB teaches %g, another %g", m, len(trials), zone, p, got, teaches(got),
				best)
		}
		if got > f.Mu+2.5*sigma+zone.Step && got > zone.Low+1e-9 || got < f.Mu-2.5*sigma-zone.Step &&
			got < zone.High-1e-9 {
			t.Errorf("%s, %+v, %g: %g dB is more than 2.5 scales of %g dB from %g dB", m, zone, p, got, sigma, f.Mu)
		}
	}
}

func TestPlaceBeforeThereIsAFit(t *testing.T) {
	r := Range{-40, 0, 1}
	for _, c := range []struct {
		name   string
		trials []Trial
		want   float64
	}{
		{"nothing yet: the top", nil, 0},
		{"an upset: one step down", []Trial{{0, true}}, -1},
		{"three upsets: four steps down", []Trial{{0, true}, {-1, true}, {-3, true}}, -7},
		{"two passes: two steps up", []Trial{{-20, false}, {-19, false}}, -17},
		{"down, but not below the range", []Trial{{-38, true}, {-39, true}, {-40, true}}, -40},
		{"halving", []Trial{{-8, false}, {-4, true}}, -6},
		{"halving two steps", []Trial{{-8, false}, {-6, true}}, -7},
		{"neighbours: the lower first", []Trial{{-8, false}, {-7, true}}, -8},
		{"neighbours: then the upper", []Trial{{-8, false}, {-7, true}, {-8, false}}, -7},
		{"neighbours: the lower again", []Trial{{-8, false}, {-7, true}, {-8, false}, {-7, true}}, -8},
		// An upset below a pass and nothing else: likelier at the lower level, so no fit; up after a pass, down after
		// an upset.
		{"no fit, last passed", []Trial{{-8, true}, {-6, false}}, -5},
		{"no fit, last upset", []Trial{{-6, false}, {-8, true}}, -9},
	} {
		if got := Place(Probit, c.trials, r, 0.5); math.Abs(got-c.want) > 1e-9 {
			t.Errorf("%s: %g dB, want %g dB", c.name, got, c.want)
		}
	}
}

func TestALevelIsSnappedToTheRange(t *testing.T) {
	for _, c := range []struct {
		r       Range
		x, want float64
	}{
		{Range{-40, 3, 0.5}, -100, -40}, {Range{-40, 3, 0.5}, 100, 3}, {Range{-40, 3, 0.5}, 0.2,
			0}, {Range{-40, 3, 0.5}, -7.3, -7.5},
		{Range{-1, 0.25, 0.5}, -5, -0.75}, // the lowest whole step from the top
		{Range{-1, 0, 0.1}, -5, -1},       // 1/0.1 is not quite 10
	} {
		if got := c.r.snap(c.x); math.Abs(got-c.want) > 1e-9 {
			t.Errorf("%+v, %g: %g, want %g", c.r, c.x, got, c.want)
		}
	}
}

func TestAStepBelowHalfTheScaleIsFine(t *testing.T) {
	for step, want := range map[float64]bool{1.9: true, 2: false, 2.1: false, 3.9: false} {
		if got := (Fit{Sigma: 4}).Fine(step); got != want {
			t.Errorf("a step of %g against a scale of 4: %v", step, got)
		}
	}
	f := Fit{Model: Probit, B0: -5, B1: 0.5, Mu: 10, Sigma: 2}.flatter(1.5)
	near(t, "scale", f.Sigma, 3, 1e-12)
	near(t, "one scale above the middle", f.Probability(13), 0.8413447461, 1e-9)
	near(t, "its level", f.Level(0.8413447461), 13, 1e-7)
}

// Two levels whose shares the fit meets: 1 of 4 at 60 dB, 3 of 4 at 62 dB: μ = 61 dB, σ = 1/0.6744898 = 1.4826 dB, of
// nine trials widened by 1 + 4/9 to 2.1415 dB. One upset below them is stray where Φ((L − 61)/2.1415) < 0.01, so
// below 61 − 2.3263·2.1415 = 56.018 dB.
func TestWhereAnUpsetBeginsToBeStray(t *testing.T) {
	others := append(repeated(60, 1, 3), repeated(62, 3, 1)...)
	for level, want := range map[float64]bool{50: true, 55.9: true, 56.1: false, 58: false} {
		for _, trials := range [][]Trial{append([]Trial{{level, true}}, others...),
			append(append([]Trial{}, others...), Trial{level, true})} {
			if got, ok := Stray(Probit, trials); ok != want || ok && got != level {
				t.Errorf("an upset at %g dB: %g, %v", level, got, ok)
			}
		}
	}
	if _, ok := Stray(Probit, repeated(60, 0, 9)); ok {
		t.Error("nine passes hold a stray upset")
	}
}

func TestCountsOfTrials(t *testing.T) {
	got := CountsOf([]Trial{{2, true}, {1, false}, {2, false}, {1 + 0.9e-9, true}, {1 - 1.2e-9, false}, {2, true}})
	if len(got) != 3 || got[0].Trials != 1 || got[1] != (Count{1, 2, 1}) || got[2] != (Count{2, 3, 2}) {
		t.Errorf("%+v", got)
	}
	for _, c := range []struct {
		trials      []Trial
		want        Overlap
		pass, upset float64
	}{
		{nil, NoTrials, 0, 0}, {repeated(-3, 0, 2), NoUpset, -3, 0}, {repeated(-3, 2, 0), OnlyUpsets, 0, -3},
		{[]Trial{{-3, false}, {-2, true}, {-5, false}, {4, true}}, Separated, -3, -2},
		{[]Trial{{-3, false}, {-3, true}}, Mixed, -3, -3},
	} {
		if o, pass, upset := OverlapOf(c.trials); o != c.want || pass != c.pass || upset != c.upset {
			t.Errorf("%v: %s, %g, %g", c.trials, o, pass, upset)
		}
	}
}

// What n = 59, 93 and 124 show of a 95 % quantile with 95 % confidence by their largest, second and third largest value
// is published (Wilks 1941).
func TestADwellWithoutADistribution(t *testing.T) {
	for _, c := range []struct {
		n    int
		want float64
	}{{58, 0}, {59, 59}, {92, 92}, {93, 92}, {123, 122}, {124, 122}} {
		var e []Exposure
		for i := range c.n {
			e = append(e, Exposure{float64(c.n - i), true})
		}
		d, err := DwellOf(e, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		need := d.Needed(0.95)
		if need.Shown != (c.want > 0) || need.Shown &&
			(need.Seconds != c.want || !strings.Contains(need.Method, "order statistics")) || need.Exposures != 59 {
			t.Errorf("%d exposures: %+v", c.n, need)
		}
		for _, share := range []float64{0, 1, 1.5} {
			if need := d.Needed(share); !math.IsNaN(need.Seconds) || need.Shown {
				t.Errorf("a share of %g: %+v", share, need)
			}
		}
	}
}

// With 95 % confidence the mean behind one event lies from 0.02532 to 5.5716, behind two from 0.2422 to 7.2247, behind
// five from 1.6235 to 11.6683 and behind none to 3.6889 (Garwood 1936); a chance dwell for 95 % is 2.99573/rate.
func TestADwellOfFewUpsets(t *testing.T) {
	for _, c := range []struct {
		upsets    int
		low, high float64
	}{{0, 0, 3.6889}, {1, 0.02532, 5.5716}, {2, 0.2422, 7.2247}, {5, 1.6235, 11.6683}} {
		e := []Exposure{}
		for i := range 10 {
			e = append(e, Exposure{10, i < c.upsets})
		}
		d, err := DwellOf(e, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "rate", d.Rate, float64(c.upsets)/100, 1e-12)
		near(t, "rate, low", d.RateLow, c.low/100, 1e-6)
		near(t, "rate, high", d.RateHigh, c.high/100, 1e-6)
		need := d.Needed(0.95)
		if c.upsets == 0 {
			if !math.IsNaN(need.Seconds) || need.Method != "cannot be said" {
				t.Errorf("no upset: %+v", need)
			}
			continue
		}
		near(t, "needed by chance", need.Seconds, 2.995732/(c.low/100), 2e-3*need.Seconds)
		if need.Shown || !strings.Contains(need.Method, "by chance") {
			t.Errorf("%d upsets: %+v", c.upsets, need)
		}
	}
	// Upsets with no time at all have neither rate nor distribution, and nothing follows from them.
	d, err := DwellOf([]Exposure{{0, true}, {0, true}, {0, true}}, 0.95)
	if need := d.Needed(0.95); err != nil || d.Rate != 0 || !math.IsNaN(d.Shape) || !math.IsNaN(need.Seconds) {
		t.Errorf("%+v, %+v, %v", d, need, err)
	}
}

// Exposures without an upset count as longer: of four the second, of five the third.
func TestTheMedianOfADwellStudy(t *testing.T) {
	for _, c := range []struct {
		upsets, exposures int
		want              float64 // 0: not known
	}{{4, 4, 2}, {2, 4, 2}, {1, 4, 0}, {5, 5, 3}, {3, 5, 3}, {2, 5, 0}, {1, 1, 1}} {
		var e []Exposure
		for i := range c.exposures {
			e = append(e, Exposure{[]float64{3, 1, 2, 4, 5}[i], true})
		}
		for i := range e { // those beyond upsets in order of time stood
			if int(e[i].Seconds) > c.upsets {
				e[i] = Exposure{7, false}
			}
		}
		d, err := DwellOf(e, 0.95)
		if c.exposures == 1 {
			c.want = 3
			d, err = DwellOf([]Exposure{{3, true}}, 0.95)
		}
		if err != nil || d.Median != c.want && !(c.want == 0 && math.IsNaN(d.Median)) {
			t.Errorf("%d of %d: %g, %v", c.upsets, c.exposures, d.Median, err)
		}
	}
	for _, e := range [][]Exposure{nil, {{-1, true}}, {{math.NaN(), false}}, {{math.Inf(1), false}}} {
		if _, err := DwellOf(e, 0.95); err == nil {
			t.Errorf("%v is taken", e)
		}
	}
}

// The 23 ball bearings of Lieblein and Zelen (1956): shape 2.102, scale 81.88 million revolutions. Stopped at 90:
// 2.25255746 and 80.03497763 after scipy 1.10.1.
func TestTheWeibullFitOfThePublishedBearings(t *testing.T) {
	bearings := []float64{17.88, 28.92, 33.00, 41.52, 42.12, 45.60, 48.48, 51.84, 51.96, 54.12, 55.56, 67.80,
		68.64, 68.64, 68.88, 84.12, 93.12, 98.64, 105.12, 105.84, 127.92, 128.04, 173.40}
	for _, unit := range []float64{1, 1e-3} {
		var all, stopped []Exposure
		for _, x := range bearings {
			all = append(all, Exposure{x * unit, true})
			stopped = append(stopped, Exposure{min(x, 90) * unit, x <= 90})
		}
		d, _ := DwellOf(all, 0.95)
		near(t, "shape", d.Shape, 2.10206, 1e-4)
		near(t, "scale", d.Scale, 81.8783*unit, 1e-3*unit)
		if d.Character != BuildsUp {
			t.Errorf("%s", d.Character)
		}
		// An exposure of no length without an upset says nothing.
		d, _ = DwellOf(append(stopped, Exposure{0, false}), 0.95)
		near(t, "shape, stopped", d.Shape, 2.25255746, 1e-5)
		near(t, "scale, stopped", d.Scale, 80.034978*unit, 1e-4*unit)
		need := d.Needed(0.95)
		if need.Shown || !strings.Contains(need.Method, "Weibull") {
			t.Errorf("%+v", need)
		}
		// 80.035·(−ln 0.05)^(1/2.25256): 80.035·exp(1.097189/2.25256) = 130.26.
		near(t, "needed", need.Seconds, 130.26*unit, 0.02*unit)
	}
}

func TestTheCharacterOfADwellStudy(t *testing.T) {
	upsets := func(times ...float64) (out []Exposure) {
		for _, x := range times {
			out = append(out, Exposure{x, true})
		}
		return out
	}
	stood := append(upsets(1, 1.05, 1.1, 1.15, 1.2), repeat(Exposure{10, false}, 40)...)
	for _, c := range []struct {
		name string
		e    []Exposure
		want Character
	}{
		{"five equal times", upsets(1, 1, 1, 1, 1), AtOnce},
		{"four equal times", upsets(1, 1, 1, 1), TooFew},
		{"within a fifth, in five of forty-five", stood, AtOnce}, // shape 0.47 after scipy
		{"one in five late", upsets(1, 1, 1, 1, 2.3), BuildsUp},  // shape 2.53
		{"one in five a little late", upsets(1, 1, 1, 1, 1.3), AtOnce},
		{"no upset", []Exposure{{1, false}}, NeverSeen},
	} {
		d, err := DwellOf(c.e, 0.95)
		if err != nil || d.Character != c.want {
			t.Errorf("%s: %s, %v", c.name, d.Character, err)
		}
	}
}

func repeat(e Exposure, n int) (out []Exposure) {
	for range n {
		out = append(out, e)
	}
	return out
}

// Levels −8, 0 and 8 and a logistic of scale 1: F(±8) = 1 − 3.3535e-4 and that. First upsets: −8 with 3.3535e-4, 0 with
// half of the rest, 8 with F(8) of what is left; none with 1.6762e-4.
func TestARampOfThreeLevelsByHand(t *testing.T) {
	low := 1 / (1 + math.Exp(8))
	first, none := FirstUpset([]float64{low, 0.5, 1 - low}, 1)
	for i, want := range []float64{3.353501e-4, 0.4998323249, 0.4996647069} {
		near(t, "first upset", first[i], want, 1e-9)
	}
	near(t, "no upset", none, 1.676188e-4, 1e-9)
	near(t, "mean of those that upset", rampMean(Logistic, 1, 8, 1, 0), 8*(0.4996647069-3.353501e-4)/(1-1.676188e-4),
		1e-6)
	// Twice the chances: nothing twice.
	_, none = FirstUpset([]float64{0.1, 0.2}, 2)
	near(t, "no upset in two chances each", none, 0.81*0.64, 1e-12)
	// The scale is the only unit.
	for _, m := range []Model{Probit, LogLog} {
		near(t, "twice as wide", RampBias(m, 2, 1, 3), 2*RampBias(m, 1, 0.5, 3), 1e-9)
	}
	// With ever more chances the first level upsets: 8 scales below the middle, the steps anywhere: −8 + 8/2.
	near(t, "a thousand million chances", RampBias(Logistic, 1, 8, 1_000_000_000), -4, 1e-6)
	// A threshold that is one level: the first step above it, half a step on average.
	near(t, "no spread", RampBias(Probit, 1e-6, 2, 1), 1, 1e-6)
	for _, x := range [][2]float64{{0, 1}, {1, 0}, {-1, 1}} {
		near(t, "no ramp", RampBias(Probit, x[0], x[1], 1), 0, 0)
	}
}

func TestRulesOfStaircases(t *testing.T) {
	for _, c := range []struct {
		p        float64
		up, down int
	}{{1.0 / 11, 1, 10}, {10.0 / 11, 10, 1}, {0.25, 1, 3}, {0.75, 3, 1}, {0.504, 1, 1}, {0.4, 2, 3}, {0.05, 1, 10},
		{0.302, 3, 7}, {0.698, 7, 3}} {
		if r, err := RuleFor(c.p); err != nil || r.Up != c.up || r.Down != c.down || r.Passes != 1 || r.Upsets != 1 ||
			math.Abs(r.Probability-float64(c.up)/float64(c.up+c.down)) > 1e-12 {
			t.Errorf("%g: %+v, %v", c.p, r, err)
		}
	}
	for _, p := range []float64{0, 0.049, 0.951, 1, math.NaN()} {
		if r, err := RuleFor(p); err == nil {
			t.Errorf("%g: %+v", p, r)
		}
	}
	for _, c := range []struct {
		r    Rule
		want string
	}{
		{UpAndDown(), "one step up after one pass, one step down after one upset (settles round 50 % upsets)"},
		{Rule{}, "one step up after one pass, one step down after one upset (settles round 0 % upsets)"},
		{Rule{Probability: 0.25, Passes: 1, Upsets: 2, Up: 1, Down: 3},
			"one step up after one pass, 3 steps down after 2 upsets in a row (settles round 25 % upsets)"},
		{Rule{Probability: 0.293, Passes: 2, Upsets: 1, Up: 2, Down: 1},
			"2 steps up after 2 passes in a row, one step down after one upset (settles round 29.3 % upsets)"},
	} {
		if got := c.r.String(); got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
}

func TestMovesOfAStaircase(t *testing.T) {
	pass, upset := func(l float64) Trial { return Trial{l, false} }, func(l float64) Trial { return Trial{l, true} }
	twice := Rule{Passes: 2, Upsets: 1, Up: 1, Down: 3}
	for _, c := range []struct {
		name   string
		r      Rule
		trials []Trial
		want   int
	}{
		{"before the first", UpAndDown(), nil, 0},
		{"up after a pass", UpAndDown(), []Trial{pass(1)}, 1},
		{"down after an upset", UpAndDown(), []Trial{upset(1)}, -1},
		{"the zero rule", Rule{}, []Trial{upset(1)}, -1},
		{"one pass of two", twice, []Trial{pass(1)}, 0},
		{"two passes of two", twice, []Trial{pass(1), pass(1)}, 1},
		{"three at the top", twice, []Trial{pass(1), pass(1), pass(1)}, 0},
		{"four at the top", twice, []Trial{pass(1), pass(1), pass(1), pass(1)}, 1},
		{"passes at two levels", twice, []Trial{pass(1), pass(2)}, 0},
		{"an upset between", twice, []Trial{pass(1), upset(1), pass(1)}, 0},
		{"three down", twice, []Trial{pass(1), upset(1)}, -3},
	} {
		if got := c.r.Move(c.trials); got != c.want {
			t.Errorf("%s: %d, want %d", c.name, got, c.want)
		}
	}
	if _, err := DixonMoodOf([]Trial{pass(1), upset(2)}, 0); err == nil {
		t.Error("steps of 0 dB are taken")
	}
	// n·B − A² is 0 where the rarer outcome was at one level: too little for the formula, so 0.53 steps.
	d, err := DixonMoodOf([]Trial{pass(1), upset(2), pass(1), pass(0)}, 1)
	if err != nil || !d.Weak || !d.Upsets {
		t.Errorf("%+v, %v", d, err)
	}
	near(t, "mean", d.Mean, 1.5, 1e-12)
	near(t, "sigma", d.Sigma, 0.53, 1e-12)
	d, err = DixonMoodOf([]Trial{pass(2), upset(4), pass(2), pass(0)}, 2)
	near(t, "mean with steps of 2 dB", d.Mean, 3, 1e-12)
	near(t, "sigma with steps of 2 dB", d.Sigma, 1.06, 1e-12)
}

// A confidence of 75 % that p is below one half takes two trials, 87.5 % three: (1/2)^n.
func TestTrialsThatClaimAProbability(t *testing.T) {
	for _, c := range []struct {
		p, confidence float64
		want          int
	}{{0.5, 0.75, 2}, {0.5, 0.875, 3}, {0.5, 0.76, 3}, {0.1, 0.9, 22}, {0.1, 0.95, 29}} {
		if n, err := TrialsToClaim(c.p, c.confidence); err != nil || n != c.want {
			t.Errorf("below %g with %g: %d, want %d (%v)", c.p, c.confidence, n, c.want, err)
		}
	}
	for _, c := range [][2]float64{{0, 0.95}, {1, 0.95}, {1.5, 0.95}, {0.1, 0}, {0.1, 1}, {0.1, 1.5}} {
		if n, err := TrialsToClaim(c[0], c[1]); err == nil {
			t.Errorf("below %g with %g: %d", c[0], c[1], n)
		}
		if _, err := UpperBound(1, 9, c[1]); (err == nil) != (c[1] == 0.95) {
			t.Errorf("confidence %g: %v", c[1], err)
		}
	}
	// 9 of 9: the lower limit is 0.025^(1/9), the upper 1; the other way round for 0 of 9.
	low, high, err := ClopperPearson(9, 9, 0.95)
	near(t, "9 of 9", low, math.Pow(0.025, 1.0/9), 1e-9)
	if low0, high0, err0 := ClopperPearson(0, 9, 0.95); err != nil || err0 != nil || high != 1 || low0 != 0 ||
		math.Abs(high0-(1-low)) > 1e-9 {
		t.Errorf("0 of 9: %g to %g, 9 of 9: %g to %g", low0, high0, low, high)
	}
	for _, c := range [][2]int{{-1, 9}, {10, 9}, {0, 0}} {
		if _, err := UpperBound(c[0], c[1], 0.95); err == nil {
			t.Errorf("%d of %d", c[0], c[1])
		}
	}
}
