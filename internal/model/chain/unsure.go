package chain

import (
	"fmt"
	"math"

	"provoke/internal/files/catalog"
	"provoke/internal/units/rf"
)

// A rating holds for what is there, and most of the path to it is known from a data sheet or a certificate
// only. A level is therefore compared with its rating together with the one-sided 95 % uncertainty of that
// part of the path that is not measured at the rating: oneSided times the standard uncertainty, the pieces'
// variances added (JCGM 100, 5.1).
//
//   - Up to the amplifier's input everything rests on the generator's level and the losses behind it.
//   - The amplifier adds its gain, but never more than its saturation, which its output cannot exceed.
//   - With a coupler and a power meter the forward power is measured, and what the meter and the coupling
//     leave open counts instead, wherever that is less.
//   - A current is measured where probe and analyser are: it is read below the level before the level is set,
//     and the bench file's range for the cable stands above that. Without them the clamp's insertion loss is
//     added to the power's uncertainty.
//
// Gear outside its stated limits is found only by measuring.
const oneSided = 1.645

// What stands where the bench file says nothing: limits of error in dB, nothing known in between (common
// practice, no single source).
const (
	usualSource    = 0.5
	usualPassive   = 0.3 // pad, filter, adaptor, the coupler's through line
	usualCoax      = 0.2
	usualGain      = 2.0 // an amplifier's gain from its data sheet
	usualMeasured  = 0.7 // a gain that was measured on this amplifier: temperature, supply and ageing since
	usualCoupling  = 0.5
	usualMeter     = 0.3
	usualInsertion = 0.5 // the clamp put up anew
)

// variance is the square of a standard uncertainty, in dB².
type variance float64

// unsure returns 1.645 standard uncertainties.
func (v variance) unsure() rf.Gain { return rf.Gain(oneSided * math.Sqrt(float64(v))) }

// capped lowers the uncertainty of a level that cannot exceed a top.
func (v variance) capped(at, top rf.Power) variance {
	room, _ := top.Minus(at)
	if !(room < v.unsure()) { // not known, or far away
		return v
	}
	u := max(0, room.DB()-1e-9) / oneSided // a hair less, so that rounding puts no sum over the top
	return variance(u * u)
}

// doubts are the variances of every part of the path at one frequency.
type doubts struct {
	source               variance
	toAmplifier, toClamp []variance
	amplifier, coupler   variance
	// metered is that of the forward power by the power meter; only where measured says that there is one.
	metered   variance
	measured  bool
	insertion variance
}

// stated is the variance of a piece's main figure: as the bench file says, else that of usual limits of error.
func stated(u catalog.Uncertainty, f rf.Frequency, usual float64) variance {
	if s, ok := u.Standard(f); ok {
		return variance(s.DB() * s.DB())
	}
	return variance(usual * usual / 3)
}

func passiveDoubts(ps []catalog.Passive, f rf.Frequency) []variance {
	out := make([]variance, len(ps))
	for i, p := range ps {
		usual := usualPassive
		if p.Kind == "coax" {
			usual = usualCoax
		}
		out[i] = stated(p.Uncertainty, f, usual)
	}
	return out
}

func doubtsOf(b *catalog.Bench, f rf.Frequency) doubts {
	d := doubts{
		source:      stated(b.Source.Uncertainty, f, usualSource),
		toAmplifier: passiveDoubts(b.ToAmplifier, f), toClamp: passiveDoubts(b.ToClamp, f),
		insertion: stated(b.Clamp.Uncertainty, f, usualInsertion),
	}
	if a := b.Amplifier; a != nil {
		usual := usualGain
		if !a.GainMeasured.IsZero() {
			usual = usualMeasured
		}
		d.amplifier = stated(a.Uncertainty, f, usual)
	}
	if k := b.Coupler; k != nil {
		d.coupler = variance(usualPassive * usualPassive / 3)
		if d.measured = b.MeasuresForward(); d.measured {
			d.metered = stated(k.Uncertainty, f, usualCoupling) + stated(b.PowerMeter.Uncertainty, f, usualMeter)
		}
	}
	return d
}

// behind returns the variances of what lies between the amplifier's output and the clamp's input.
func (d doubts) behind() variance {
	v := d.coupler
	for _, x := range d.toClamp {
		v += x
	}
	return v
}

// meter says of the nodes behind the amplifier that the power meter at the clamp reads them, or what one would
// regain.
func (d doubts) meter(nodes []Node) {
	meter := variance((usualCoupling*usualCoupling + usualMeter*usualMeter) / 3).unsure()
	for i := range nodes {
		if d.measured {
			nodes[i].By = ByPowerMeter
		} else if more := nodes[i].Unsure - meter; more >= 0.05 {
			nodes[i].Regain = fmt.Sprintf("a power meter at the clamp regains %v", more)
		}
	}
}
