package tracking

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Change is by how much an onset moved, in dB; open where nothing bounds it on that side.
type Change struct {
	Middle, Low, High float64
	LowOpen, HighOpen bool
}

// Between returns the change from one estimate to another. Brackets add up; where one of the two is that of a random
// product, whose limits are normal deviates, their halves add up as squares do.
func Between(before, after Estimate) Change {
	c := Change{Middle: after.Level - before.Level, LowOpen: after.LowOpen || before.HighOpen,
		HighOpen: after.HighOpen || before.LowOpen}
	add := func(a, b float64) float64 { return a + b }
	if before.Kind == Random || after.Kind == Random {
		add = math.Hypot
	}
	c.Low = c.Middle - add(after.Level-after.Low, before.High-before.Level)
	c.High = c.Middle + add(after.High-after.Level, before.Level-before.Low)
	return c
}

// Shown reports that the limits do not hold zero.
func (c Change) Shown() bool { return !c.LowOpen && c.Low > 0 || !c.HighOpen && c.High < 0 }

// Known reports that the limits bound it on one side at least.
func (c Change) Known() bool { return !c.LowOpen || !c.HighOpen }

// Against returns the change the other way round.
func (c Change) Against() Change {
	return Change{-c.Middle, -c.High, -c.Low, c.HighOpen, c.LowOpen}
}

// Pooled joins, for every place, changes that were each measured with trials of their own: their mean, with limits by
// Student's t from what they scatter by, and never closer than the mean of their own limits. What they scatter by is
// taken over all places together: the same hands made them. A place with one change alone has its own limits as long as
// no place has two.
func Pooled(places [][]Change) []Change {
	squares, freedom := 0.0, 0.0
	out := make([]Change, len(places))
	for i, changes := range places {
		n := float64(len(changes))
		out[i] = Change{LowOpen: n == 0, HighOpen: n == 0}
		for _, c := range changes {
			out[i].Middle += c.Middle / n
			out[i].LowOpen, out[i].HighOpen = out[i].LowOpen || c.LowOpen, out[i].HighOpen || c.HighOpen
		}
		if out[i].LowOpen || out[i].HighOpen {
			continue
		}
		for _, c := range changes {
			squares += (c.Middle - out[i].Middle) * (c.Middle - out[i].Middle)
		}
		freedom += n - 1
	}
	scatter := 0.0 // of one change, times Student's t
	if freedom > 0 {
		scatter = distuv.StudentsT{Sigma: 1, Nu: freedom}.Quantile((1+Confidence)/2) * math.Sqrt(squares/freedom)
	}
	for i, changes := range places {
		if len(changes) == 0 {
			continue
		}
		low, high, n := 0.0, 0.0, float64(len(changes))
		for _, c := range changes {
			low += (c.Middle - c.Low) / n
			high += (c.High - c.Middle) / n
		}
		out[i].Low = out[i].Middle - math.Max(low, scatter/math.Sqrt(n))
		out[i].High = out[i].Middle + math.Max(high, scatter/math.Sqrt(n))
	}
	return out
}
