package plan

import (
	"math"
	"slices"

	"provoke/internal/units/rf"
)

// clockHarmonics is how many harmonics of a clock are named. RF that meets one mixes down into the product's own band;
// of a square wave the tenth is 20 dB weaker than the first, and those beyond the corner of its edges fall by 40 dB per
// decade more (Fourier series of a trapezoid). Both even and odd: no clock is quite symmetrical.
const clockHarmonics = 10

// crystal is how far a clock may be off: within that, a frequency of the grid is the harmonic (common practice).
const crystal = 50e-6

// harmonicsOf lists the harmonics of clocks that lie within spans, all first ones, then all second ones; in place of
// one that the grid all but has, the grid's.
func harmonicsOf(clocks []rf.Frequency, spans []Span, grid []rf.Frequency) (out []rf.Frequency) {
	for n := 1; n <= clockHarmonics; n++ {
		for _, c := range clocks {
			f := rf.Frequency(math.Round(float64(n) * c.Hz()))
			if i := slices.IndexFunc(grid, func(g rf.Frequency) bool { return same(f, g, crystal) }); i >= 0 {
				f = grid[i]
			}
			if slices.ContainsFunc(spans, func(s Span) bool { return f >= s.From && f <= s.To }) {
				out = alsoNamed(out, f, crystal)
			}
		}
	}
	return out
}

func same(f, g rf.Frequency, within float64) bool { return math.Abs(float64(f/g)-1) <= within }

// alsoNamed appends a frequency where the list has none so near.
func alsoNamed(list []rf.Frequency, f rf.Frequency, within float64) []rf.Frequency {
	if slices.ContainsFunc(list, func(g rf.Frequency) bool { return same(f, g, within) }) {
		return list
	}
	return append(list, f)
}
