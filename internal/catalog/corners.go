package catalog

import (
	"slices"

	"provoke/internal/curve"
	"provoke/internal/rf"
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

func cornersOf[V curve.Value](c curve.Curve[V]) []rf.Frequency {
	var out []rf.Frequency
	for _, p := range c.Points() {
		out = append(out, p.At)
	}
	return out
}
