package catalog

import (
	"slices"

	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

// Corners returns every frequency at which a curve of the bench has a point, ascending.
func (b *Bench) Corners() []rf.Frequency {
	var out []rf.Frequency
	passives := func(ps []Passive) {
		for _, p := range ps {
			out = append(out, cornersOf(p.Loss)...)
		}
	}
	passives(b.ToAmplifier)
	if a := b.Amplifier; a != nil {
		out = append(out, cornersOf(a.Gain)...)
		out = append(out, cornersOf(a.Compression)...)
	}
	passives(b.ToClamp)
	if c := b.Coupler; c != nil {
		out = append(out, cornersOf(c.Loss)...)
		out = append(out, cornersOf(c.Forward)...)
		out = append(out, cornersOf(c.Reverse)...)
	}
	out = append(out, cornersOf(b.Clamp.InsertionLoss)...)
	out = append(out, cornersOf(b.Clamp.ReturnLoss)...)
	out = append(out, cornersOf(b.Clamp.SeriesImpedance)...)
	if p := b.Probe; p != nil {
		out = append(out, cornersOf(p.TransferImpedance)...)
	}
	passives(b.ToAnalyser)
	slices.Sort(out)
	return slices.Compact(out)
}

// perDecade is how dense a span is looked at between the points of the bench's curves.
const perDecade = 400

// Across lists where a span between two frequencies is looked at, ascending: its ends, every point of
// every curve of the bench in it, where alone a sum of curves can have a corner, and a dense grid in
// between for what is not linear.
func (b *Bench) Across(from, to rf.Frequency) []rf.Frequency {
	low, high := min(from, to), max(from, to)
	out := []rf.Frequency{low, high}
	for _, f := range b.Corners() {
		if f > low && f < high {
			out = append(out, f)
		}
	}
	step := rf.Frequency(rf.Gain(10.0 / perDecade).PowerRatio()) // 10^(1/perDecade)
	for f := low * step; f < high; f *= step {
		out = append(out, f)
	}
	slices.Sort(out)
	return slices.Compact(out)
}

func cornersOf[V curve.Value](c curve.Curve[V]) []rf.Frequency {
	var out []rf.Frequency
	for _, p := range c.Points() {
		out = append(out, p.At)
	}
	return out
}
