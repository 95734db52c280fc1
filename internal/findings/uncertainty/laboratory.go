package uncertainty

import (
	"fmt"
	"math"

	"provoke/internal/files/catalog"
	"provoke/internal/findings/analysis"
	"provoke/internal/job/event"
	"provoke/internal/job/result"
	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

// assumedLaboratory is a standard uncertainty that stands where nothing is known: common practice, no single
// source.
const assumedLaboratory rf.Gain = 1.0

// AssumedBench is the standard uncertainty of a current where there is no bench file to work it out from: that
// of a bench of which nothing is known, so that knowing less never asks for less margin.
func AssumedBench(f rf.Frequency) rf.Gain {
	id := func(id string) catalog.Identity { return catalog.Identity{ID: id} }
	loss := func(g rf.Gain) curve.Curve[rf.Gain] { return curve.Flat(g, f, f, "assumed") }
	nothing := &catalog.Bench{Clamp: catalog.Clamp{Identity: id("clamp")}, Probe: &catalog.Probe{Identity: id("probe")},
		Analyser:   &catalog.Analyser{Identity: id("analyser")},
		PowerMeter: &catalog.PowerMeter{Identity: id("power meter")},
		ToAnalyser: []catalog.Passive{{Identity: id("coax"), Kind: "coax", Loss: loss(0.5)},
			{Identity: id("pad"), Kind: "pad", Loss: loss(10)},
			{Identity: id("another pad"), Kind: "pad", Loss: loss(10)},
			{Identity: id("another coax"), Kind: "coax", Loss: loss(0.5)}}}
	c, err := OfCurrent(nothing, f, Conditions{Means: Replayed}, DefaultConfidence)
	if err != nil {
		return rf.Gain(math.Inf(1))
	}
	return rf.Gain(c.Combined.Standard)
}

// CertaintyOf gathers how well the levels of a run and of a laboratory's report are known. bench is
// the bench file as the run used it, nil where there is none to work from; repeats are the runs that
// repeat the run, itself among them, whose spread is a contribution. It refuses a confidence that is
// not between 50 % and 100 %.
func CertaintyOf(bench *catalog.Bench, r result.Run, repeats []analysis.Outline, lab event.LaboratoryFailures,
	confidence rf.Fraction) (analysis.Certainty, error) {
	c := analysis.Certainty{Confidence: confidence, Laboratory: assumedLaboratory, AssumedLaboratory: true,
		AssumedBench: true,
		Bench:        AssumedBench}
	if lab.Expanded > 0 && lab.K > 0 {
		c.Laboratory, c.AssumedLaboratory = lab.Expanded/rf.Gain(lab.K), false
	}
	if !(confidence >= 0.5 && confidence < 1) {
		return c, fmt.Errorf("a confidence of %v asks for no margin: it lies between 50 %% and 100 %%", confidence)
	}
	freedom := math.Inf(1)
	if bench != nil {
		var spread analysis.Transfers
		if len(repeats) > 1 {
			spread = analysis.RepeatedTransfer(repeats)
		}
		known := map[rf.Frequency]rf.Gain{}
		for _, t := range r.Thresholds() {
			u, err := OfCurrent(bench, t.Frequency, Conditions{Means: MeansOfCurrent(r.Opened.Mode, result.Measured),
				Repeated: spread.At}, confidence)
			if err == nil {
				known[t.Frequency] = rf.Gain(u.Combined.Standard)
				freedom = min(freedom, u.Combined.Freedom)
			}
		}
		if c.AssumedBench = len(known) == 0; !c.AssumedBench {
			c.Bench = func(f rf.Frequency) rf.Gain { return atNearest(known, f) }
		}
	}
	var err error
	c.Factor, err = OneSidedFactor(confidence, freedom)
	return c, err
}

// atNearest returns the figure at the nearest frequency, the larger of two that are equally near.
func atNearest(known map[rf.Frequency]rf.Gain, f rf.Frequency) rf.Gain {
	best, away := rf.Gain(0), math.Inf(1)
	for g, u := range known {
		if d := math.Abs(math.Log(float64(g / f))); d < away || d == away && u > best {
			best, away = u, d
		}
	}
	return best
}
