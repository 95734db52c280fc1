package threshold

// strayBelow is the expected number of upsets at a level and below it under which one counts as stray.
const strayBelow = 0.01

// Stray returns the lowest upset where the other trials say that none is to be expected there: one that is
// likely not the threshold's, but a false alarm. ok is false where there is none, or where too little is known.
func Stray(m Model, trials []Trial) (level float64, ok bool) {
	lowest := -1
	for i, t := range trials {
		if t.Upset && (lowest < 0 || t.Level < trials[lowest].Level) {
			lowest = i
		}
	}
	if lowest < 0 {
		return 0, false
	}
	level = trials[lowest].Level
	others := append(append([]Trial(nil), trials[:lowest]...), trials[lowest+1:]...)
	f, err := FitML(m, others)
	if err != nil {
		return 0, false
	}
	expected := 0.0
	for _, t := range trials {
		if t.Level <= level {
			expected += f.flatter(1 + 4/float64(len(trials))).Probability(t.Level)
		}
	}
	return level, expected < strayBelow
}
