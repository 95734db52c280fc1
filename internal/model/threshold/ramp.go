package threshold

import "math"

// FirstUpset returns, for a ramp that goes up through levels with the given upset probabilities, the
// probability that the first upset is at each, and that none comes at all. chances is the number of
// independent chances that each level gives the DUT (its dwell over what it forgets in).
func FirstUpset(probabilities []float64, chances int) (first []float64, none float64) {
	none = 1
	for _, p := range probabilities {
		q := 1 - math.Pow(1-p, float64(max(1, chances)))
		first = append(first, none*q)
		none *= 1 - q
	}
	return first, none
}

// RampBias returns how far the mean first-upset level of a plain upward ramp lies from the level of
// 50 % upsets: below 0 dB the ramp reports too low a threshold, the more so the more chances a level
// gives. The ramp runs from 8 scales below the middle to 8 above in the given steps; where steps and
// middle do not line up the mean over where the middle may lie between two steps is taken.
func RampBias(m Model, sigma, step float64, chances int) float64 {
	if !(sigma > 0) || !(step > 0) {
		return 0
	}
	const shifts = 16
	sum := 0.0
	for s := range shifts {
		sum += rampMean(m, sigma, step, chances, (float64(s)+0.5)/shifts*step)
	}
	return sum / shifts
}

// rampMean is the mean first-upset level, relative to the middle, of a ramp whose levels lie at whole
// steps plus a shift.
func rampMean(m Model, sigma, step float64, chances int, shift float64) float64 {
	n := int(math.Ceil(8 * sigma / step))
	var levels, probabilities []float64
	for i := -n; i <= n; i++ {
		l := float64(i)*step + shift
		levels = append(levels, l)
		probabilities = append(probabilities, m.probability(l/sigma))
	}
	first, none := FirstUpset(probabilities, chances)
	mean := 0.0
	for i, p := range first {
		mean += p * levels[i]
	}
	return mean / (1 - none)
}
