package analysis

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/units/rf"
)

// Covered is how far a run looked over what its plan steps through.
type Covered struct {
	// Stepped are the parts that were exposed with no more than Step between two frequencies: the widest that
	// was, since a band that is narrower may lie between two.
	Stepped []plan.Stretch
	// Share is how much of what the plan steps through lies in Stepped, over the logarithm of frequency, and Own how
	// much was exposed in the plan's own steps: each frequency stands for half a step to either side.
	Share, Own rf.Fraction
	// Missing are the parts that the plan steps through and the run did not, but for single frequencies perhaps.
	Missing []plan.Span
}

// coarse is the step above which a run is a look and no test: a resonance of a Q of 20, about the sharpest of a cable,
// is as wide as that between its 3 dB points (common practice, no single source).
const coarse rf.Fraction = 0.05

// Widest is the widest step of the run.
func (c Covered) Widest() (widest rf.Fraction) {
	for _, s := range c.Stepped {
		widest = max(widest, s.Step)
	}
	return widest
}

// Coarse reports that a band which is as wide as a resonance of a cable may lie between two frequencies.
func (c Covered) Coarse() bool { return c.Widest() > coarse*1.01 }

// coveredBy says what points, by frequency, cover of stretches. Those of a run with a time limit, which goes through
// them in ever smaller steps, are told in steps as they come in plans.
func coveredBy(points []Point, stretches []plan.Stretch, timed bool) (c Covered) {
	c.Own = ownShare(points, stretches)
	finest := rf.Fraction(1)
	for _, s := range stretches {
		finest = min(finest, s.Step)
	}
	if timed {
		stretches = plan.Loosely(stretches, plan.WidestStep)
	}
	last := -1 // stretch of the last step
	var from rf.Frequency
	for _, p := range points {
		if !p.Tested() && !p.NotReached {
			continue
		}
		if i := stepIn(stretches, from, p.Frequency); i < 0 {
			c.missing(stretches, from, p.Frequency)
			last = -1
		} else {
			step := plan.Stretch{From: from, To: p.Frequency, Step: rf.Fraction(p.Frequency/from - 1)}
			n := len(c.Stepped) - 1
			if timed {
				step.Step = plan.RoundedUp(max(step.Step, finest))
			}
			if last == i && (!timed || c.Stepped[n].Step == step.Step) {
				c.Stepped[n].To, c.Stepped[n].Step = step.To, max(step.Step, c.Stepped[n].Step)
			} else {
				c.Stepped = append(c.Stepped, step)
			}
			last = i
		}
		from = p.Frequency
	}
	c.missing(stretches, from, 1e300)
	c.Missing = plan.Joined(c.Missing)
	in, out := 0.0, 0.0
	for _, s := range c.Stepped {
		in += math.Log(float64(s.To / s.From))
	}
	for _, s := range c.Missing {
		out += math.Log(float64(s.To / s.From))
	}
	if in+out > 0 {
		c.Share = rf.Fraction(in / (in + out))
	}
	return c
}

// ownShare is how much of stretches was exposed in their own steps, over the logarithm of frequency.
func ownShare(points []Point, stretches []plan.Stretch) rf.Fraction {
	whole, exposed := 0.0, 0.0
	for _, s := range stretches {
		half := math.Log1p(float64(s.Step)) / 2 * (1 + 1e-9)
		whole += math.Log(float64(s.To / s.From))
		from := s.From // up to which it is counted
		for _, p := range points {
			if (p.Tested() || p.NotReached) && p.Frequency >= s.From && p.Frequency <= s.To {
				low := max(from, p.Frequency*rf.Frequency(math.Exp(-half)))
				high := min(s.To, p.Frequency*rf.Frequency(math.Exp(half)))
				if high > low {
					exposed, from = exposed+math.Log(float64(high/low)), high
				}
			}
		}
	}
	if whole <= 0 {
		return 0
	}
	return rf.Fraction(min(1, exposed/whole))
}

// stepIn returns the stretch in which two frequencies are neighbours, the one with the widest step; -1 for none.
func stepIn(stretches []plan.Stretch, a, b rf.Frequency) int {
	out := -1
	for i := range stretches {
		if a > 0 && plan.Joins(stretches[i:i+1], a, b) && (out < 0 || stretches[i].Step > stretches[out].Step) {
			out = i
		}
	}
	return out
}

// missing notes what of the stretches lies between two frequencies.
func (c *Covered) missing(stretches []plan.Stretch, a, b rf.Frequency) {
	for _, s := range stretches {
		if low, high := max(a, s.From), min(b, s.To); high > low*(1+1e-9) {
			c.Missing = append(c.Missing, plan.Span{From: low, To: high})
		}
	}
}

// Closely returns where a run is to be looked at closely: its failing bands, and the laboratory's failures that it does
// not show, each with one step of the run to either side.
func Closely(f Findings, lab event.LaboratoryFailures) ([]plan.Span, error) {
	if f.Opened.RunKind != plan.Exposure {
		return nil, fmt.Errorf("look closely at run %d: it is a %s, not an exposure of the product", f.Run,
			f.Opened.RunKind)
	}
	var out []plan.Span
	widest := cmp.Or(f.Covered.Widest(), coarse)
	add := func(low, high rf.Frequency, why string) {
		step := widest
		if i := slices.IndexFunc(f.Covered.Stepped, func(s plan.Stretch) bool {
			return low >= s.From && high <= s.To
		}); i >= 0 {
			step = f.Covered.Stepped[i].Step
		}
		out = append(out, plan.Span{From: (low / rf.Frequency(1+step)).Rounded(),
			To: (high * rf.Frequency(1+step)).Rounded(), Why: why})
	}
	for _, b := range f.Bands {
		add(b.Low.Frequency, b.High.Frequency, "failed: "+Span(b))
	}
	if f.Graded != nil {
		for _, x := range f.Graded.Finer {
			add(x.From, x.To, fmt.Sprintf("%s rises towards it from both sides", x.Monitor))
		}
	}
	for _, x := range lab.Failures {
		p := LaboratoryPoint{LaboratoryFailure: x, Low: x.From * (1 - slack), High: max(x.From, x.To) * (1 + slack)}
		if p.search(f); p.Upset == 0 {
			add(p.Low, p.High, "the laboratory's failure at "+p.Span()+", not reproduced")
		}
	}
	if len(out) == 0 {
		return nil, fmt.Errorf("run %d found no failing band, and no failure of the laboratory is to be looked for: "+
			"there is nothing to look at closely; run the plan itself", f.Run)
	}
	return out, nil
}
