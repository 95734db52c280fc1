package uncertainty

import (
	"fmt"
	"math"

	"provoke/internal/analysis"
	"provoke/internal/catalog"
	"provoke/internal/event"
	"provoke/internal/result"
	"provoke/internal/rf"
)

// Standard uncertainties that stand where nothing is known: common practice, no single source.
const (
	assumedLaboratory rf.Gain = 1.0
	assumedBench      rf.Gain = 1.0
)

// CertaintyOf gathers how well the levels of a run and of a laboratory's report are known. bench is
// the bench file as the run used it, nil where there is none to work from; repeats are the runs that
// repeat the run, itself among them, whose spread is a contribution. It refuses a confidence that is
// not between 50 % and 100 %.
func CertaintyOf(bench *catalog.Bench, r result.Run, repeats []result.Run, lab event.LaboratoryFailures, confidence rf.Fraction) (analysis.Certainty, error) {
	c := analysis.Certainty{Confidence: confidence, Laboratory: assumedLaboratory, AssumedLaboratory: true, AssumedBench: true,
		Bench: func(rf.Frequency) rf.Gain { return assumedBench }}
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
			u, err := OfCurrent(bench, t.Frequency, Conditions{Repeated: spread.At}, confidence)
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
