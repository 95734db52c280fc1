package threshold

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"
)

func near(t testing.TB, what string, got, want, tolerance float64) {
	t.Helper()
	if math.IsNaN(got) || math.Abs(got-want) > tolerance {
		t.Errorf("%s: %.9g, want %.9g ± %g", what, got, want, tolerance)
	}
}

// hamada are the 25 shots of Hamada, Mang and Hoff, Quality Engineering 2019 (physics.md 8): log10 of
// height, 1 = go.
func hamada() []Trial {
	h := strings.Fields("25.4 28.5 25.4 28.5 32.0 35.9 32.0 35.9 40.3 35.9 32.0 28.5 32.0 28.5 32.0 28.5 32.0 35.9 " +
		"40.3 35.9 32.0 35.9 40.3 35.9 40.3")
	y := strings.Fields("0 1 0 0 0 1 0 0 1 1 1 0 1 0 1 0 0 0 1 1 0 0 1 0 1")
	var out []Trial
	for i := range h {
		var x float64
		fmt.Sscan(h[i], &x)
		out = append(out, Trial{math.Log10(x), y[i] == "1"})
	}
	return out
}

// Check values S01 to S08; published: b0 = −20.77376, b1 = 13.56263, mu = 1.531691,
// sigma = 0.073731988, H50 = 34.01661.
func TestThePublishedTwentyFiveShots(t *testing.T) {
	f, err := FitML(Probit, hamada())
	if err != nil {
		t.Fatal(err)
	}
	near(t, "b0", f.B0, -20.77376, 1e-3)
	near(t, "b1", f.B1, 13.56263, 1e-3)
	near(t, "mu", f.Mu, 1.531691, 1e-5)
	near(t, "sigma", f.Sigma, 0.073731988, 1e-5)
	near(t, "H50", math.Pow(10, f.Mu), 34.01661, 1e-3)
	t.Logf("figure: 25 published shots: mu %.6f (published 1.531691), sigma %.6f (0.073732), H50 %.4f (34.0166)",
		f.Mu, f.Sigma, math.Pow(10, f.Mu))
	l, err := FitML(Logistic, hamada())
	if err != nil {
		t.Fatal(err)
	}
	near(t, "logistic intercept", l.B0, -33.74741291, 1e-2)
	near(t, "logistic slope", l.B1, 22.01553748, 1e-2)
	near(t, "logistic H50", math.Pow(10, l.Mu), 34.11070625, 0.034)
}

// Check values S10 to S15.
func TestDixonAndMoodOnThePublishedShots(t *testing.T) {
	d, err := DixonMoodOf(hamada(), math.Log10(40.3/25.4)/4)
	if err != nil {
		t.Fatal(err)
	}
	if d.N != 11 || d.A != 21 || d.B != 51 || !d.Upsets {
		t.Errorf("%+v", d)
	}
	near(t, "mean", d.Mean, 1.525465442, 1e-5)
	near(t, "sigma", d.Sigma, 0.08287442514, 1e-5)
	near(t, "H50", math.Pow(10, d.Mean), 33.53246207, 0.033)
}

func repeated(level float64, upsets, passes int) (out []Trial) {
	for range upsets {
		out = append(out, Trial{level, true})
	}
	for range passes {
		out = append(out, Trial{level, false})
	}
	return out
}

// Check values S16, S17, S40 and S41.
func TestDixonAndMoodByHand(t *testing.T) {
	var upsets, passes []Trial
	for i, n := range []int{2, 6, 5, 1} {
		upsets = append(upsets, repeated(40+float64(i), n, 0)...)
	}
	upsets = append(upsets, repeated(39, 0, 20)...)
	for i, n := range []int{1, 4, 3} {
		passes = append(passes, repeated(60+2*float64(i), 0, n)...)
	}
	passes = append(passes, repeated(70, 20, 0)...)
	a, _ := DixonMoodOf(upsets, 1)
	near(t, "mean of upsets", a.Mean, 40.85714286, 1e-6)
	near(t, "sigma of upsets", a.Sigma, 1.11320449, 1e-5)
	b, _ := DixonMoodOf(passes, 2)
	near(t, "mean of passes", b.Mean, 63.5, 1e-6)
	near(t, "sigma of passes", b.Sigma, 1.51146, 1e-5)
	if _, err := DixonMoodOf(repeated(1, 5, 0), 1); err == nil {
		t.Error("five upsets and no pass have a mean")
	}
}

// Check values S20 to S22 and S42.
func TestStaircasesSettleWhereTheyShould(t *testing.T) {
	for n, want := range map[int]float64{2: 0.7071067812, 3: 0.793700526, 4: 0.8408964153} {
		near(t, "transformed", TransformedTarget(n), want, 1e-9)
		r, err := RuleFor(want)
		if err != nil || r.Upsets != n || r.Passes != 1 {
			t.Errorf("rule for %g: %+v, %v", want, r, err)
		}
		if r, err = RuleFor(1 - want); err != nil || r.Passes != n || r.Upsets != 1 {
			t.Errorf("rule for %g: %+v, %v", 1-want, r, err)
		}
	}
	if r, _ := RuleFor(0.25); r.Up != 1 || r.Down != 3 {
		t.Errorf("25 %%: %+v", r)
	}
	if _, err := RuleFor(0.99); err == nil {
		t.Error("a staircase settles round 99 %")
	}
	// Balance at the target: what goes up on average comes down on average. A row of n upsets is
	// started at probability p^n per block, so p^n = 1/2 is checked by simulation below.
	r := rand.New(rand.NewPCG(11, 3))
	for _, p := range []float64{0.1, 0.159, 0.206, 0.25, 0.293, 0.4, 0.5, 0.707, 0.794, 0.9} {
		rule, err := RuleFor(p)
		if err != nil {
			t.Fatal(err)
		}
		level, sum, n := 0.0, 0.0, 0
		var trials []Trial
		for i := range 40_000 {
			upset := r.Float64() < Probit.probability(level/4)
			trials = append(trials, Trial{level, upset})
			if len(trials) > 8 {
				trials = trials[1:]
			}
			if i > 100 {
				sum += Probit.probability(level / 4)
				n++
			}
			level += 0.25 * float64(rule.Move(trials))
		}
		near(t, fmt.Sprintf("staircase for %.3g (%v)", p, rule), sum/float64(n), rule.Probability, 0.025)
		near(t, "probability asked for", rule.Probability, p, 0.01)
	}
}

// Check values S30 to S36.
func TestLimitsOfAProbability(t *testing.T) {
	up, _ := UpperBound(0, 30, 0.95)
	near(t, "no upset in 30 trials", up, 0.09503385286, 1e-9)
	up, _ = UpperBound(1, 20, 0.95)
	near(t, "1 of 20, one-sided", up, 0.2161061642, 1e-8)
	low, high, _ := ClopperPearson(3, 20, 0.95)
	near(t, "3 of 20, low", low, 0.03207093719, 1e-8)
	near(t, "3 of 20, high", high, 0.3789268265, 1e-8)
	for p, want := range map[float64]int{0.05: 59, 0.01: 299} {
		if n, _ := TrialsToClaim(p, 0.95); n != want {
			t.Errorf("trials to claim %g: %d, want %d", p, n, want)
		}
	}
	if _, _, err := ClopperPearson(3, 2, 0.95); err == nil {
		t.Error("3 of 2")
	}
}

// Check values S38, S39 and S50 to S52 (logistic, scale 1 dB, levels at whole dB from −8 to 8).
func TestAPlainRampReportsTooLowAThreshold(t *testing.T) {
	for chances, want := range map[int]float64{1: -0.3184512264, 5: -2.0924979, 20: -3.496401614} {
		near(t, fmt.Sprint("mean first upset, chances ", chances), rampMean(Logistic, 1, 1, chances, 0), want, 1e-4)
		near(t, "the mean over where the middle lies is hardly different", RampBias(Logistic, 1, 1, chances),
			want, 0.02)
	}
	near(t, "dwell for 0.1/s", ChanceDwell(0.1, 0.95), 29.95732274, 1e-6)
}

func TestSeparatedTrialsHaveABracketAndNoFit(t *testing.T) {
	trials := append(repeated(60, 0, 4), repeated(61, 3, 0)...)
	if _, err := FitML(Probit, trials); !errors.Is(err, ErrSeparated) {
		t.Errorf("%v", err)
	}
	if o, pass, upset := OverlapOf(trials); o != Separated || pass != 60 || upset != 61 {
		t.Errorf("%s %g %g", o, pass, upset)
	}
	l, err := ProfileLimits(Probit, trials, 0.5, 0.95)
	if err != nil || l.LowOpen || l.HighOpen || l.Low > 60 || l.High < 61 {
		t.Errorf("limits %+v, %v", l, err)
	}
	f, err := FitPenalised(Probit, trials)
	if err != nil || !f.Penalised || f.Mu < 60 || f.Mu > 61 || !(f.Sigma > 0) {
		t.Errorf("penalised %+v, %v", f, err)
	}
	// One pass and one upset show next to nothing: a flat slope explains them too.
	l, err = ProfileLimits(Probit, []Trial{{60, false}, {61, true}}, 0.5, 0.95)
	if err != nil || !l.LowOpen || !l.HighOpen {
		t.Errorf("two trials bound a level: %+v, %v", l, err)
	}
	for _, one := range [][]Trial{nil, repeated(60, 0, 9), repeated(60, 9, 0)} {
		if _, err := FitML(Logistic, one); !errors.Is(err, ErrOneSided) {
			t.Errorf("%d trials: %v", len(one), err)
		}
		if _, err := ProfileLimits(Logistic, one, 0.5, 0.95); !errors.Is(err, ErrOneSided) {
			t.Errorf("%d trials: %v", len(one), err)
		}
	}
	if _, err := FitML(Probit, append(repeated(61, 1, 5), repeated(60, 5, 1)...)); !errors.Is(err, ErrNotRising) {
		t.Errorf("upsets that get rarer with level: %v", err)
	}
}

func TestProfileAndFiellerAgreeOnManyTrials(t *testing.T) {
	var trials []Trial
	for i := -4; i <= 4; i++ {
		n := 400
		k := int(math.Round(float64(n) * Probit.probability(float64(i)/2)))
		trials = append(trials, repeated(70+float64(i), k, n-k)...)
	}
	f, err := FitML(Probit, trials)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "mu", f.Mu, 70, 1e-3)
	near(t, "sigma", f.Sigma, 2, 0.01)
	for _, p := range []float64{0.1, 0.5, 0.9} {
		a, err := ProfileLimits(Probit, trials, p, 0.95)
		b := f.FiellerLimits(p, 0.95)
		if err != nil || a.LowOpen || b.LowOpen {
			t.Fatalf("%+v %+v %v", a, b, err)
		}
		near(t, "low", a.Low, b.Low, 0.01)
		near(t, "high", a.High, b.High, 0.01)
	}
}

// climbing makes a search of n trials on a DUT whose upset probability is Φ((L − mu)/sigma).
func climbing(r *rand.Rand, mu, sigma float64, n int, next func([]Trial) float64) []Trial {
	var trials []Trial
	for range n {
		l := next(trials)
		trials = append(trials, Trial{l, r.Float64() < Probit.probability((l-mu)/sigma)})
	}
	return trials
}

func upAndDown(step float64) func([]Trial) float64 {
	return func(trials []Trial) float64 {
		if len(trials) == 0 {
			return 3 * step
		}
		return trials[len(trials)-1].Level + step*float64(UpAndDown().Move(trials))
	}
}

// On simulated DUTs with known truth 95 % limits hold the truth in 93 to 97 % of 2,000 seeded trials.
func TestNinetyFivePerCentLimitsHoldTheTruth(t *testing.T) {
	const runs = 2000
	adaptive := func(p float64) func([]Trial) float64 {
		return func(trials []Trial) float64 { return Place(Probit, trials, Range{-20, 10, 1}, p) }
	}
	for _, c := range []struct {
		name  string
		n     int
		p     float64
		next  func([]Trial) float64
		sigma float64
	}{
		{"up-and-down, 30 exposures, 50 %", 30, 0.5, upAndDown(1), 1},
		{"up-and-down, 60 exposures, 10 %", 60, 0.1, upAndDown(1), 1},
		{"adaptive, 40 exposures, 50 %", 40, 0.5, adaptive(0.5), 1},
		{"adaptive, 50 exposures, 20 %", 50, 0.2, adaptive(0.2), 1},
	} {
		r := rand.New(rand.NewPCG(2019, uint64(c.n)))
		held, fieller, open, fits := 0, 0, 0, 0
		for range runs {
			mu := r.Float64() - 0.5
			trials := climbing(r, mu, c.sigma, c.n, c.next)
			truth := mu + c.sigma*distuv.UnitNormal.Quantile(c.p)
			l, err := ProfileLimits(Probit, trials, c.p, 0.95)
			if err != nil {
				t.Fatal(err)
			}
			if l.LowOpen || l.HighOpen {
				open++
			}
			if (l.LowOpen || l.Low <= truth) && (l.HighOpen || truth <= l.High) {
				held++
			}
			if f, err := FitML(Probit, trials); err == nil {
				fits++
				if l := f.FiellerLimits(c.p, 0.95); l.LowOpen || l.Low <= truth && truth <= l.High {
					fieller++
				}
			}
		}
		share := 100 * float64(held) / runs
		t.Logf("figure: %s: 95 %% profile limits hold the truth in %.1f %% of %d runs (%d open), Fieller in %.1f %% "+
			"of %d fits",
			c.name, share, runs, open, 100*float64(fieller)/float64(fits), fits)
		if share < 93 || share > 97 {
			t.Errorf("%s: %.1f %%", c.name, share)
		}
	}
}

// Zero upsets and Clopper–Pearson are exact limits: they hold the truth at least as often as stated.
func TestExactLimitsHoldAtLeast(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 5))
	held := 0
	const runs = 2000
	for range runs {
		p, k := 0.05+0.9*r.Float64(), 0
		for range 25 {
			if r.Float64() < p {
				k++
			}
		}
		if low, high, _ := ClopperPearson(k, 25, 0.95); low <= p && p <= high {
			held++
		}
	}
	t.Logf("figure: Clopper–Pearson 95 %% limits hold the truth in %.1f %% of %d runs of 25 trials (at least 95 %% "+
		"by construction)", 100*float64(held)/runs, runs)
	if held < runs*95/100-30 {
		t.Errorf("%d of %d", held, runs)
	}
}

func TestAnAdaptiveSearchStaysInItsRange(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := Range{-40, 0, rapid.SampledFrom([]float64{0.5, 1, 0.3}).Draw(t, "step")}
		var trials []Trial
		for range 60 {
			l := Place(Probit, trials, r, 0.5)
			if l > r.High+1e-9 || l < r.Low-1e-9 || math.Abs(l/r.Step-math.Round(l/r.Step)) > 1e-6 {
				t.Fatalf("%g dB is outside %+v or between its steps", l, r)
			}
			trials = append(trials, Trial{l, rapid.Bool().Draw(t, "upset")})
		}
	})
}

func TestADwellStudyTellsDelayFromChance(t *testing.T) {
	var delay, chance []Exposure
	r := rand.New(rand.NewPCG(8, 1))
	for range 200 {
		delay = append(delay, Exposure{1.9 + 0.2*r.Float64(), true})
		e := Exposure{-math.Log(r.Float64()) / 0.5, true}
		if e.Seconds > 10 {
			e = Exposure{10, false}
		}
		chance = append(chance, e)
	}
	d, err := DwellOf(delay, 0.95)
	if err != nil || d.Character != AtOnce {
		t.Errorf("%+v, %v", d, err)
	}
	if n := d.Needed(0.95); !n.Shown || n.Seconds < 2.05 || n.Seconds > 2.1 {
		t.Errorf("needed %+v", n)
	}
	c, err := DwellOf(chance, 0.95)
	if err != nil || c.Character != ByChance {
		t.Errorf("%+v, %v", c, err)
	}
	near(t, "rate", c.Rate, 0.5, 0.1)
	near(t, "shape", c.Shape, 1, 0.15)
	if c.RateLow > 0.5 || c.RateHigh < 0.5 {
		t.Errorf("limits of the rate %g to %g", c.RateLow, c.RateHigh)
	}
	if n := c.Needed(0.95); !n.Shown || n.Seconds < 5.5 || n.Seconds > 9 {
		t.Errorf("−ln 0.05/0.5 = 5.99 s; needed %+v", n)
	}
	few, _ := DwellOf(delay[:6], 0.95)
	if n := few.Needed(0.95); n.Shown || n.Exposures != 59 {
		t.Errorf("six exposures show a 95 %% dwell: %+v", n)
	}
	none, _ := DwellOf([]Exposure{{10, false}, {10, false}}, 0.95)
	if n := none.Needed(0.95); none.Character != NeverSeen || !math.IsNaN(n.Seconds) || none.RateHigh <= 0 {
		t.Errorf("%+v %+v", none, n)
	}
}

// python runs a program with Debian's Python and returns what it prints.
func python(t testing.TB, program string) []byte {
	t.Helper()
	out, err := exec.Command("/usr/bin/python3", "-c", program).CombinedOutput()
	if err != nil {
		if os.Getenv("CI") == "true" || !strings.Contains(string(out)+err.Error(), "No module") &&
			!strings.Contains(err.Error(), "no such file") {
			t.Fatalf("python3: %v\n%s", err, out)
		}
		t.Skipf("outside check skipped: python3 with scipy is not installed")
	}
	return out
}

func TestClopperPearsonAgreesWithScipy(t *testing.T) {
	out := python(t, `
import json, scipy.stats as s
print(json.dumps([[k, n, c, s.binomtest(k, n).proportion_ci(c, "exact").low, s.binomtest(k, n).proportion_ci(c, "exact").high]
  for n in (1, 5, 20, 59, 300) for k in sorted({0, 1, n // 3, n - 1, n}) for c in (0.9, 0.95, 0.99)]))`)
	var rows [][5]float64
	if err := json.Unmarshal(out, &rows); err != nil {
		t.Fatal(err)
	}
	worst := 0.0
	for _, r := range rows {
		low, high, err := ClopperPearson(int(r[0]), int(r[1]), r[2])
		if err != nil {
			t.Fatal(err)
		}
		worst = max(worst, math.Abs(low-r[3]), math.Abs(high-r[4]))
	}
	near(t, "largest difference", worst, 0, 1e-8)
	t.Logf("figure: Clopper–Pearson against scipy: %d limits, largest difference %.1g", 2*len(rows), worst)
}

// scipy maximises the same likelihoods on its own, and the Weibull likelihood with censoring.
func TestFitsAgreeWithScipy(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 4))
	trials := climbing(r, 0, 1.3, 45, upAndDown(1))
	var exposures []Exposure
	for range 30 {
		e := Exposure{2 * math.Pow(-math.Log(r.Float64()), 1/1.7), true}
		if e.Seconds > 3 {
			e = Exposure{3, false}
		}
		exposures = append(exposures, e)
	}
	data, _ := json.Marshal(map[string]any{"t": trials, "e": exposures})
	out := python(t, fmt.Sprintf(`
import json, numpy as np
from scipy.optimize import minimize
from scipy.stats import norm, logistic, weibull_min
d = json.loads('%s')
x = np.array([t["Level"] for t in d["t"]]); y = np.array([t["Upset"] for t in d["t"]])
out = []
for f in (norm, logistic):
    nll = lambda b: -(np.where(y, f.logcdf(b[0] + b[1] * x), f.logsf(b[0] + b[1] * x)).sum())
    m = minimize(nll, [0, 1], method="Nelder-Mead", options=dict(xatol=1e-10, fatol=1e-12, maxiter=10000))
    out += [-m.x[0] / m.x[1], 1 / m.x[1], -m.fun]
s = np.array([e["Seconds"] for e in d["e"]]); u = np.array([e["Upset"] for e in d["e"]])
nll = lambda p: -(np.where(u, weibull_min.logpdf(s, np.exp(p[0]), scale=np.exp(p[1])), weibull_min.logsf(s, np.exp(p[0]), scale=np.exp(p[1]))).sum())
m = minimize(nll, [0, 0], method="Nelder-Mead", options=dict(xatol=1e-10, fatol=1e-12, maxiter=10000))
print(json.dumps(out + list(np.exp(m.x))))`, data))
	var want [8]float64
	if err := json.Unmarshal(out, &want); err != nil {
		t.Fatal(err)
	}
	for i, m := range []Model{Probit, Logistic} {
		f, err := FitML(m, trials)
		if err != nil {
			t.Fatal(err)
		}
		near(t, string(m)+" mu", f.Mu, want[3*i], 1e-6)
		near(t, string(m)+" scale", f.Sigma, want[3*i+1], 1e-6)
		near(t, string(m)+" likelihood", f.Likelihood, want[3*i+2], 1e-8)
	}
	d, err := DwellOf(exposures, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "Weibull shape", d.Shape, want[6], 1e-5)
	near(t, "Weibull scale", d.Scale, want[7], 1e-5)
}

func BenchmarkProfileLimitsOfThirtyExposures(b *testing.B) {
	trials := climbing(rand.New(rand.NewPCG(1, 1)), 0, 1, 30, upAndDown(1))
	for b.Loop() {
		if _, err := ProfileLimits(Probit, trials, 0.5, 0.95); err != nil {
			b.Fatal(err)
		}
	}
}
