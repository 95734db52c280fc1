package analysis

import (
	"fmt"

	"provoke/internal/job/plan"
	"provoke/internal/units/rf"
)

// Suspects are the frequencies at which runs of a job upset, the worst of each failing band, the newest run first.
func Suspects(runs []Findings) (out []plan.Named) {
	for i := len(runs) - 1; i >= 0; i-- {
		for _, b := range runs[i].Bands {
			out = append(out, plan.Named{At: b.Lowest.Frequency,
				Why: fmt.Sprintf("the worst of each band that failed in run %d", runs[i].Run)})
		}
	}
	return out
}

// Retest lists what is exposed first after a fix: the worst frequency of each failing band of a run, then every other
// one that upset, then those next to the bands, which stood the level: a band that moved is there.
func Retest(f Findings) ([]plan.Named, error) {
	if f.Opened.RunKind != plan.Exposure {
		return nil, fmt.Errorf("retest run %d: it is a %s, not an exposure of the product", f.Run, f.Opened.RunKind)
	}
	if len(f.Bands) == 0 {
		return nil, fmt.Errorf("run %d found no failing band: there is nothing to test again; leave --retest out",
			f.Run)
	}
	why := fmt.Sprintf("every frequency that upset in run %d, and those next to its bands", f.Run)
	var out []rf.Frequency
	for _, b := range f.Bands {
		out = append(out, b.Lowest.Frequency)
	}
	for _, p := range f.Points {
		if p.Upset {
			out = append(out, p.Frequency)
		}
	}
	for _, b := range f.Bands {
		for _, e := range []Edge{b.Low, b.High} {
			if e.Outside.Known() {
				out = append(out, e.Outside)
			}
		}
	}
	return plan.NamedAt(out, why), nil
}
