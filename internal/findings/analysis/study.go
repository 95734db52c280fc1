package analysis

import (
	"fmt"

	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/model/level"
	"provoke/internal/model/threshold"
	"provoke/internal/units/rf"
)

// RandomStudy is what a run shows of thresholds that are random, at several frequencies.
type RandomStudy struct {
	_ struct{} `tell:"run=Run stated=Stated confidence=Question.Confidence model=Question.Model at=Points"`
	_ struct{} `tell:"not_deterministic=NotDeterministic"`

	Run      int
	Question RandomQuestion
	Stated   string // the search as fixed before the run; empty where the run was none
	Points   []Random
	// NotDeterministic is where the run shows it by itself, whatever was asked for.
	NotDeterministic []NotDeterministic
	Refused          []string // frequencies that cannot be worked out, with why
}

// RandomStudyOf works out the frequencies asked for; where none are, those at which the DUT is not
// deterministic, and in a run that searched for random thresholds everywhere, all that upset.
func RandomStudyOf(r result.Run, at []rf.Frequency, q RandomQuestion) RandomStudy {
	s := RandomStudy{Run: r.Number, Question: q.filled(), NotDeterministic: NotDeterministicAt(r)}
	if o := r.Opened.Search; o != nil {
		s.Stated = o.Stated
	}
	if len(at) == 0 {
		random := map[rf.Frequency]bool{}
		for _, n := range s.NotDeterministic {
			random[n.Frequency] = true
		}
		everywhere := r.Opened.Search != nil && !r.Opened.Search.IfRandom
		for _, p := range r.Points() {
			if random[p.Frequency] || everywhere && p.Threshold(r.Opened.Resolution).Upset {
				at = append(at, p.Frequency)
			}
		}
	}
	for _, f := range at {
		x, err := RandomOf(r, f, s.Question)
		if err != nil {
			s.Refused = append(s.Refused, err.Error())
			continue
		}
		s.Points = append(s.Points, x)
	}
	return s
}

// DwellAt is the time to upset at one frequency, and the dwell that catches the share asked for.
type DwellAt struct {
	_ struct{} `tell:"hz=Frequency exposures=Exposures upsets=Upsets times_s=Times longest_without_s=Longest"`
	_ struct{} `tell:"median_s=Median rate_per_s=Rate rate_low=RateLow rate_high=RateHigh shape=Shape"`
	_ struct{} `tell:"scale_s=Scale character=Character needed_s=Needed.Seconds needed_shown=Needed.Shown"`
	_ struct{} `tell:"needed_by=Needed.Method exposures_to_show=Needed.Exposures dwell_s=Each"`

	Frequency rf.Frequency
	threshold.Dwell
	Needed threshold.Needed
	Each   rf.Duration // dwell of the exposures
}

// DwellStudy is what a run shows of the time to upset.
type DwellStudy struct {
	_ struct{} `tell:"run=Run confidence=Confidence share=Share at=At latency_s=Latency"`

	Run        int
	Share      rf.Fraction // of the upsets that a dwell must catch
	Confidence rf.Fraction
	Longest    rf.Duration // dwell of the exposures
	// Proper: the run exposed at one level again and again for this; otherwise its exposures are of
	// different levels, and short ones cut off late upsets.
	Proper  bool
	Latency rf.Duration // largest of the monitors; the times hold it
	At      []DwellAt
}

// DwellStudyOf works out the frequencies asked for, all of the run where none are. It refuses a share
// that is not between 0 and 1, and a frequency without an exposure.
func DwellStudyOf(r result.Run, at []rf.Frequency, share, confidence rf.Fraction) (DwellStudy, error) {
	s := DwellStudy{Run: r.Number, Share: share, Confidence: confidence, Longest: r.Opened.Dwell,
		Proper: r.Opened.Search != nil && r.Opened.Search.Method == plan.Repeated}
	if !(share > 0 && share < 1) {
		return s, fmt.Errorf("a share of %v is not between 0 %% and 100 %%", share)
	}
	for _, m := range r.Monitors {
		s.Latency = max(s.Latency, m.Latency)
	}
	if len(at) == 0 {
		for _, p := range r.Points() {
			at = append(at, p.Frequency)
		}
	}
	for _, f := range at {
		d, err := threshold.DwellOf(TimesToUpset(r, f, rf.Current{}), float64(confidence))
		if err != nil {
			return s, fmt.Errorf("run %d at %v: %w", r.Number, f, err)
		}
		s.At = append(s.At, DwellAt{Frequency: f, Dwell: d, Needed: d.Needed(float64(share)), Each: r.Opened.Dwell})
	}
	return s, nil
}

// OneOfEachModulation returns the numbers of the runs that a modulation study compares, ascending: of
// each modulation the newest exposure on the same bench as the given run and of the same state of the
// product, leaving out those that look for something else than the onset. The runs need no more than
// their number and how they were opened.
func OneOfEachModulation(runs []result.Run, as result.Run) []int {
	newest := map[level.Modulation]int{}
	for _, r := range runs {
		o := r.Opened
		if o.RunKind != plan.Exposure || o.Bench.SHA256 != as.Opened.Bench.SHA256 || o.Changed != as.Opened.Changed ||
			o.Search != nil && !o.Search.IfRandom {
			continue
		}
		newest[o.Modulation] = max(newest[o.Modulation], r.Number)
	}
	var out []int
	for _, r := range runs {
		if newest[r.Opened.Modulation] == r.Number && r.Number > 0 {
			out = append(out, r.Number)
		}
	}
	return out
}
