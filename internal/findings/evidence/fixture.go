package evidence

import (
	"fmt"
	"math"

	"provoke/internal/files/catalog"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/model/chain"
	"provoke/internal/units/rf"
)

// How near the currents of a run on the cable must lie to those of a jig, in mean and from the lowest to
// the highest difference, and over how many frequencies, to be taken for them. A jig's are known within
// the curves of clamp and probe; a cable's vary by more as soon as it is long against the wave.
const (
	jigMean, jigSpread rf.Gain = 2, 2
	jigPoints                  = 8
)

// longInWaves is the length of a cable over the wavelength from which its current must vary with
// frequency: an end that is open or shorted shows at an eighth of a wave (transmission line over a plane,
// common practice).
const longInWaves = 0.125

// StillInJig compares the currents that a run measured on the cable with what the budget says of clamp
// and probe in a jig. Words say which jig they are those of; they are empty where they are not, or where
// the run cannot tell: too few exact readings, or no frequency at which the cable is long. A cable whose
// length is not known counts as 1 m.
func StillInJig(r result.Run, c *chain.Chain) (words string) {
	if r.Opened.Fixture != string(catalog.OnCable) {
		return ""
	}
	long := c.Bench().Cable.Length
	if !(long > 0) {
		long = 1
	}
	seen, highest := map[rf.Frequency]*result.Step{}, rf.Frequency(0)
	for _, s := range r.Steps {
		if f := s.Step.Point.Frequency; s.Step.Purpose == plan.Sweep && s.Current.Exact() && s.Drive.Exact() {
			seen[f], highest = s, max(highest, f)
		}
	}
	const speedOfLight = 299792458 // m/s, SI
	if len(seen) < jigPoints || highest.Hz()*float64(long)/speedOfLight < longInWaves {
		return ""
	}
	for _, jig := range []catalog.Fixture{catalog.Jig50, catalog.Jig150} {
		low, high, sum, n := rf.Gain(math.Inf(1)), rf.Gain(math.Inf(-1)), rf.Gain(0), 0
		for f, s := range seen {
			p, err := c.Predict(f, s.Drive, chain.Crest{}, jig)
			if err != nil {
				continue
			}
			d, bound := s.Current.Minus(p.Current)
			if bound != rf.Exactly {
				continue
			}
			low, high, sum, n = min(low, d), max(high, d), sum+d, n+1
		}
		if mean := sum / rf.Gain(max(n, 1)); n >= jigPoints && high-low <= jigSpread && mean <= jigMean &&
			mean >= -jigMean {
			return fmt.Sprintf("at %d frequencies up to %v the current is that of the %s within %v, and does not "+
				"vary as a cable of %v makes it: was the clamp still in the jig, and the probe with it?",
				n, highest, jig, max(high, -low), long)
		}
	}
	return ""
}
