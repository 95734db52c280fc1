package catalog

import (
	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

// UsedCurve is a curve that the chain computes with.
type UsedCurve struct {
	Item   Identity
	What   string
	Source string
	Hash   string
	Unit   string // of what At returns
	// Low and High are the ends of its band, absent where it holds everywhere.
	Low, High rf.Frequency
	// At returns its value in Unit, and whether it has one there.
	At func(f rf.Frequency) (float64, bool)
}

// TransferImpedance is what the curve of a probe is called.
const TransferImpedance = "transfer impedance"

func used[V curve.Value](to *[]UsedCurve, item Identity, what, unit string, c curve.Curve[V], in func(V) float64) {
	if c.Hash() == "" {
		return
	}
	u := UsedCurve{Item: item, What: what, Source: c.Source(), Hash: c.Hash(), Unit: unit}
	u.Low, u.High = c.Band()
	u.At = func(f rf.Frequency) (float64, bool) {
		v, err := c.At(f)
		if err != nil {
			return 0, false
		}
		return in(v), true
	}
	*to = append(*to, u)
}

// CurvesUsed lists every curve of a bench that the chain computes with.
func (b *Bench) CurvesUsed() (out []UsedCurve) {
	gain := func(item Identity, what string, c curve.Curve[rf.Gain]) {
		used(&out, item, what, "dB", c, func(g rf.Gain) float64 { return g.DB() })
	}
	ohms := func(item Identity, what string, c curve.Curve[rf.Transimpedance]) {
		used(&out, item, what, "dBΩ", c, func(z rf.Transimpedance) float64 { return z.In() })
	}
	passives := func(list []Passive) {
		for _, p := range list {
			gain(p.Identity, "loss", p.Loss)
		}
	}
	passives(b.ToAmplifier)
	if a := b.Amplifier; a != nil {
		gain(a.Identity, "gain", a.Gain)
		used(&out, a.Identity, "output at 1 dB compression", "dBm", a.Compression,
			func(p rf.Power) float64 { return p.In() })
	}
	passives(b.ToClamp)
	if c := b.Coupler; c != nil {
		gain(c.Identity, "forward coupling", c.Forward)
		gain(c.Identity, "reverse coupling", c.Reverse)
		gain(c.Identity, "loss", c.Loss)
	}
	gain(b.Clamp.Identity, "insertion loss", b.Clamp.InsertionLoss)
	gain(b.Clamp.Identity, "return loss", b.Clamp.ReturnLoss)
	ohms(b.Clamp.Identity, "series impedance", b.Clamp.SeriesImpedance)
	if p := b.Probe; p != nil {
		ohms(p.Identity, TransferImpedance, p.TransferImpedance)
	}
	passives(b.ToAnalyser)
	return out
}
