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

// Pooled joins changes that were each measured with trials of their own: their mean, with limits by Student's t from
// what they scatter by, and never closer than the mean of their own limits.
func Pooled(changes []Change) Change {
	n := float64(len(changes))
	switch {
	case n == 0:
		return Change{LowOpen: true, HighOpen: true}
	case n == 1:
		return changes[0]
	}
	var out Change
	half, squares := 0.0, 0.0
	for _, c := range changes {
		out.Middle += c.Middle / n
		half += (c.High - c.Low) / 2 / n
		out.LowOpen, out.HighOpen = out.LowOpen || c.LowOpen, out.HighOpen || c.HighOpen
	}
	for _, c := range changes {
		squares += (c.Middle - out.Middle) * (c.Middle - out.Middle)
	}
	half = math.Max(half, distuv.StudentsT{Sigma: 1, Nu: n - 1}.Quantile((1+Confidence)/2)*math.Sqrt(squares/(n-1)/n))
	out.Low, out.High = out.Middle-half, out.Middle+half
	return out
}
