package threshold

import (
	"math"
	"sort"
)

// Trial is one exposure.
type Trial struct {
	Level float64 // dB, on one scale
	Upset bool
}

// Count is what was done at one level.
type Count struct {
	Level          float64
	Trials, Upsets int
}

// CountsOf gathers trials by level, ascending. Levels closer than 1e-9 count as one.
func CountsOf(trials []Trial) []Count {
	sorted := append([]Trial(nil), trials...)
	sort.SliceStable(sorted, func(i, j int) bool { return sorted[i].Level < sorted[j].Level })
	var out []Count
	for _, t := range sorted {
		if n := len(out); n == 0 || math.Abs(out[n-1].Level-t.Level) > 1e-9 {
			out = append(out, Count{Level: t.Level})
		}
		c := &out[len(out)-1]
		c.Trials++
		if t.Upset {
			c.Upsets++
		}
	}
	return out
}

// Overlap says how upsets and passes lie to one another.
type Overlap string

// The overlaps.
const (
	NoTrials   Overlap = "no trials"
	NoUpset    Overlap = "no upset"
	OnlyUpsets Overlap = "only upsets"
	// Separated: every pass lies below every upset. The spread is then not known, only a bracket.
	Separated Overlap = "separated"
	// Mixed: an upset lies at or below a pass: the DUT is not deterministic, or it drifts.
	Mixed Overlap = "mixed"
)

// OverlapOf returns how the trials lie, the highest pass and the lowest upset (0 where there is none).
func OverlapOf(trials []Trial) (o Overlap, pass, upset float64) {
	pass, upset = math.Inf(-1), math.Inf(1)
	for _, t := range trials {
		if t.Upset {
			upset = min(upset, t.Level)
		} else {
			pass = max(pass, t.Level)
		}
	}
	noPass, noUpset := math.IsInf(pass, 0), math.IsInf(upset, 0)
	switch {
	case noPass && noUpset:
		return NoTrials, 0, 0
	case noUpset:
		return NoUpset, pass, 0
	case noPass:
		return OnlyUpsets, 0, upset
	case pass < upset-1e-9:
		return Separated, pass, upset
	}
	return Mixed, pass, upset
}
