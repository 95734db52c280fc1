package chain

import (
	"fmt"
	"math"

	"provoke/internal/files/catalog"
	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

// path holds the figures of the bench at one frequency, in dB.
type path struct {
	toAmplifier []rf.Gain // losses
	gain        rf.Gain
	amplifier   bool
	compression rf.Power // absent: not known, the amplifier counts as linear
	toClamp     []rf.Gain
	coupler     rf.Gain // loss of the through line
	// forwardCoupling and reverseCoupling count from the power at the clamp's input.
	forwardCoupling, reverseCoupling rf.Gain
	insertion                        rf.Gain
	returnLoss                       rf.Gain // 0 dB where not known
	doubts                           doubts
	matched                          bool // return loss is known
}

func valueAt[V curve.Value](c curve.Curve[V], f rf.Frequency, id, what string) (V, error) {
	v, err := c.At(f)
	if err != nil {
		return v, fmt.Errorf("%s, %s: %w", id, what, err)
	}
	return v, nil
}

func losses(ps []catalog.Passive, f rf.Frequency) ([]rf.Gain, error) {
	out := make([]rf.Gain, len(ps))
	for i, p := range ps {
		v, err := valueAt(p.Loss, f, p.ID, "loss")
		if err != nil {
			return nil, err
		}
		out[i] = v
	}
	return out, nil
}

func inBand(b catalog.Band, f rf.Frequency, id string) error {
	if !b.Contains(f) {
		return fmt.Errorf("%s: %v is outside its band of %v to %v", id, f, b.Low, b.High)
	}
	return nil
}

// pathAt reads every figure between generator and clamp at a frequency.
func (c *Chain) pathAt(f rf.Frequency) (path, error) {
	var err error
	b := c.bench
	p := path{doubts: doubtsOf(b, f)}
	if err = inBand(b.Source.Band, f, b.Source.ID); err != nil {
		return p, err
	}
	if p.toAmplifier, err = losses(b.ToAmplifier, f); err != nil {
		return p, err
	}
	if a := b.Amplifier; a != nil {
		p.amplifier = true
		if err = inBand(a.Band, f, a.ID); err != nil {
			return p, err
		}
		if p.gain, err = valueAt(a.Gain, f, a.ID, "gain"); err != nil {
			return p, err
		}
		if !a.Compression.Absent() {
			if p.compression, err = valueAt(a.Compression, f, a.ID, "1 dB compression"); err != nil {
				return p, err
			}
		}
	}
	if p.toClamp, err = losses(b.ToClamp, f); err != nil {
		return p, err
	}
	if b.Coupler != nil {
		if err = p.readCoupler(f, *b.Coupler, b.PowerMeter != nil); err != nil {
			return p, err
		}
	}
	if p.insertion, err = valueAt(b.Clamp.InsertionLoss, f, b.Clamp.ID, "insertion loss"); err != nil {
		return p, err
	}
	if !b.Clamp.ReturnLoss.Absent() {
		p.matched = true
		p.returnLoss, err = valueAt(b.Clamp.ReturnLoss, f, b.Clamp.ID, "return loss")
	}
	return p, err
}

func (p *path) readCoupler(f rf.Frequency, k catalog.Coupler, metered bool) (err error) {
	if !k.Loss.Absent() {
		if p.coupler, err = valueAt(k.Loss, f, k.ID, "loss"); err != nil {
			return err
		}
	}
	if !metered {
		return nil
	}
	if p.forwardCoupling, err = valueAt(k.Forward, f, k.ID, "forward coupling"); err != nil {
		return err
	}
	p.reverseCoupling, err = valueAt(k.Reverse, f, k.ID, "reverse coupling")
	return err
}

func sum(gs []rf.Gain) rf.Gain {
	var s rf.Gain
	for _, g := range gs {
		s += g
	}
	return s
}

// rappSaturation is how far the model's saturation lies above the output at 1 dB compression, for
// p = 2: with u = (linear output / saturation)⁴, 1 dB compression is 1 + u = 10^(4/20), and the
// output there lies 20·log10(u^¼) − 1 dB from saturation = −2.1646 dB (check value G22).
var rappSaturation = rf.Gain(1 - 5*math.Log10(math.Pow(10, 0.2)-1))

// amplify returns the output power for an input power: gain, then the Rapp curve with p = 2,
// v = x / (1 + x⁴)^¼ in amplitude over saturation.
func (p path) amplify(in rf.Power) rf.Power {
	out := in.Add(p.gain)
	if !p.amplifier || !out.Known() || p.compression.Absent() {
		return out
	}
	x, _ := out.WithBound(rf.Exactly).Minus(p.compression.Add(rappSaturation))
	return out.Sub(compressed(x))
}

// compressed returns by how much the gain has dropped at a linear output of x over saturation.
func compressed(x rf.Gain) rf.Gain {
	if x > 100 { // 10^(x/5) would overflow long before it matters
		return x
	}
	return rf.Gain(5 * math.Log10(1+math.Pow(10, float64(x)/5)))
}

// deamplify returns the input power for an output power; false where the amplifier never gives it.
func (p path) deamplify(out rf.Power) (rf.Power, bool) {
	if !p.amplifier || p.compression.Absent() {
		return out.Sub(p.gain), true
	}
	y, _ := out.WithBound(rf.Exactly).Minus(p.compression.Add(rappSaturation))
	if !(y < 0) {
		return rf.Power{}, false
	}
	// v⁴ = x⁴/(1+x⁴), so x⁴ = v⁴/(1−v⁴).
	return out.Sub(p.gain).Sub(rf.Gain(5 * math.Log10(1-math.Pow(10, float64(y)/5)))), true
}

// forward returns the power at the clamp's input.
func (p path) forward(drive rf.Power) rf.Power {
	return p.amplify(drive.Sub(sum(p.toAmplifier))).Sub(sum(p.toClamp) + p.coupler)
}

// drive is the inverse of forward.
func (p path) drive(forward rf.Power) (rf.Power, bool) {
	in, ok := p.deamplify(forward.Add(sum(p.toClamp) + p.coupler))
	return in.Add(sum(p.toAmplifier)), ok
}
