package threshold

import (
	"fmt"
	"math"
	"sort"

	"gonum.org/v1/gonum/stat/distuv"
)

// Exposure is one exposure of a dwell study: how long it lasted, and whether it ended with an upset.
type Exposure struct {
	Seconds float64 // to the upset, or the whole dwell without one
	Upset   bool
}

// Character says what the times to upset look like.
type Character string

// The characters.
const (
	AtOnce    Character = "takes about the same time each time: a delay or a cycle"
	ByChance  Character = "as likely at any moment: random in time"
	BuildsUp  Character = "likelier the longer RF is on: it builds up"
	EarlyOr   Character = "early or hardly at all"
	TooFew    Character = "too few upsets to tell"
	NeverSeen Character = "no upset"
)

// Dwell is what a dwell study shows.
type Dwell struct {
	Exposures, Upsets int
	// Times are the times to upset, ascending, in seconds.
	Times []float64
	// Longest is the longest exposure without an upset; 0 where every exposure upset.
	Longest float64
	// Median of the times to upset with the exposures without one counted as longer; NaN where less
	// than half upset.
	Median float64
	// Rate is upsets over the whole time with RF on, per second, with its limits: the rate of upsets
	// that come by chance.
	Rate, RateLow, RateHigh float64
	// Shape and Scale of the Weibull distribution fitted to all exposures; NaN with fewer than three
	// upsets or with times that are all equal. A shape of 1 is chance.
	Shape, Scale float64
	Character    Character
	Confidence   float64
}

// Needed is the dwell that catches a chosen share of upsets.
type Needed struct {
	Seconds float64 // NaN where it cannot be said
	// Shown: the figure holds with the confidence whatever the distribution; else it rests on the
	// fitted distribution.
	Shown  bool
	Method string
	// Exposures that would be needed to show the figure without a distribution.
	Exposures int
}

// DwellOf works out a dwell study. It refuses an empty one and times that are not above 0 s.
func DwellOf(exposures []Exposure, confidence float64) (Dwell, error) {
	d := Dwell{Exposures: len(exposures), Confidence: confidence, Median: math.NaN(), Shape: math.NaN(),
		Scale: math.NaN(), Character: TooFew}
	if len(exposures) == 0 || !(confidence > 0 && confidence < 1) {
		return d, fmt.Errorf("work out the dwell study: it has %d exposures, confidence %g", len(exposures), confidence)
	}
	total := 0.0
	for _, e := range exposures {
		if !(e.Seconds >= 0) || math.IsInf(e.Seconds, 0) {
			return d, fmt.Errorf("work out the dwell study: an exposure of %g s", e.Seconds)
		}
		total += e.Seconds
		if e.Upset {
			d.Upsets++
			d.Times = append(d.Times, e.Seconds)
		} else {
			d.Longest = max(d.Longest, e.Seconds)
		}
	}
	sort.Float64s(d.Times)
	if half := (d.Exposures + 1) / 2; d.Upsets >= half {
		d.Median = d.Times[half-1]
	}
	if total > 0 {
		d.rate(total)
	}
	d.weibull(exposures)
	d.character()
	return d, nil
}

// rate gives the limits of a rate from a number of events in a time: χ² over twice the time.
func (d *Dwell) rate(total float64) {
	k, alpha := float64(d.Upsets), 1-d.Confidence
	d.Rate = k / total
	if k > 0 {
		d.RateLow = distuv.ChiSquared{K: 2 * k}.Quantile(alpha/2) / (2 * total)
	}
	d.RateHigh = distuv.ChiSquared{K: 2*k + 2}.Quantile(1-alpha/2) / (2 * total)
}

// weibull maximises the likelihood of shape and scale, exposures without an upset counting as longer
// than they lasted. The scale follows from the shape; the shape is the root of a falling function.
func (d *Dwell) weibull(exposures []Exposure) {
	if d.Upsets < 3 || d.Times[0] <= 0 || d.Times[len(d.Times)-1]/d.Times[0] < 1+1e-6 {
		return
	}
	meanLog := 0.0
	for _, t := range d.Times {
		meanLog += math.Log(t) / float64(d.Upsets)
	}
	longest := max(d.Longest, d.Times[len(d.Times)-1])
	score := func(k float64) float64 {
		sum, weighted := 0.0, 0.0
		for _, e := range exposures {
			if e.Seconds <= 0 {
				continue
			}
			x := math.Pow(e.Seconds/longest, k)
			sum += x
			weighted += x * math.Log(e.Seconds)
		}
		return 1/k + meanLog - weighted/sum
	}
	low, high := 0.01, 200.0
	if score(low) < 0 || score(high) > 0 {
		return
	}
	for range 100 {
		middle := math.Sqrt(low * high)
		if score(middle) > 0 {
			low = middle
		} else {
			high = middle
		}
	}
	d.Shape = low
	sum := 0.0
	for _, e := range exposures {
		sum += math.Pow(e.Seconds/longest, d.Shape)
	}
	d.Scale = longest * math.Pow(sum/float64(d.Upsets), 1/d.Shape)
}

func (d *Dwell) character() {
	switch {
	case d.Upsets == 0:
		d.Character = NeverSeen
	case d.Upsets >= 5 && d.Times[len(d.Times)-1] <= 1.2*d.Times[0]:
		d.Character = AtOnce
	case d.Upsets < 5 || math.IsNaN(d.Shape):
	case d.Shape > 5:
		d.Character = AtOnce
	case d.Shape > 1.6:
		d.Character = BuildsUp
	case d.Shape < 0.6:
		d.Character = EarlyOr
	default:
		d.Character = ByChance
	}
}

// Needed returns the dwell that catches a share of the upsets, with the study's confidence: without a
// distribution where there are exposures enough (an upper limit of a quantile from order statistics),
// else from the fitted Weibull distribution, else by chance from the lower limit of the rate.
func (d Dwell) Needed(share float64) Needed {
	out := Needed{Seconds: math.NaN(), Method: "cannot be said"}
	if !(share > 0 && share < 1) {
		return out
	}
	out.Exposures, _ = TrialsToClaim(1-share, d.Confidence)
	for r := 1; r <= d.Upsets; r++ {
		// The r-th shortest of n times is above the quantile when fewer than r of n lie below it.
		if binomialBelow(r-1, d.Exposures, share) >= d.Confidence {
			out.Seconds, out.Shown = d.Times[r-1], true
			out.Method = "order statistics, whatever the distribution"
			return out
		}
	}
	switch {
	case d.Upsets >= 5 && !math.IsNaN(d.Shape):
		out.Seconds = d.Scale * math.Pow(-math.Log1p(-share), 1/d.Shape)
		out.Method = "estimate from the fitted Weibull distribution"
	case d.Upsets >= 1 && d.RateLow > 0:
		out.Seconds = ChanceDwell(d.RateLow, share)
		out.Method = "estimate for upsets that come by chance, from the lower limit of their rate"
	}
	return out
}

// binomialBelow returns the probability of at most k of n.
func binomialBelow(k, n int, p float64) float64 {
	return distuv.Binomial{N: float64(n), P: p}.CDF(float64(k))
}

// ChanceDwell returns the dwell that catches a share of upsets that come by chance at a rate per
// second: −ln(1 − share)/rate.
func ChanceDwell(rate, share float64) float64 { return -math.Log1p(-share) / rate }
