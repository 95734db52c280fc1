package chain

import (
	"fmt"

	"provoke/internal/files/catalog"
	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

// NearFloor is how far above an instrument's floor a reading must be to count as a value: noise adds 0.4 dB to a
// carrier 10 dB above it, and more below (10·log10(1+10^(−10/10)) = 0.41 dB).
const NearFloor rf.Gain = 10

// Bounded is the one judgement of what an instrument with a noise floor reads: the reading with the bound that
// follows from its floor and from the limit above which it overloads. Over the limit, or where the instrument says
// that it is overloaded, it is "at least": nothing bounds it from above. Not more than 10 dB above the floor it is
// "at most", and never less than the floor. A reading that is a bound stays one. It fails closed: a reading beside
// a limit that is not known is "at least", one beside a floor that is not known "at most".
func Bounded(reading, floor, limit rf.Power, overloaded bool) rf.Power {
	switch {
	case reading.Absent():
		return reading
	case overloaded || reading.Exceeds(limit):
		if reading.IsOff() {
			reading = limit
		}
		return reading.WithBound(rf.AtLeast)
	case reading.Above(floor.Add(NearFloor)):
		return reading
	case reading.IsOff() || floor.DB() > reading.DB():
		reading = floor
	}
	return reading.WithBound(rf.AtMost)
}

// CableCurrent returns the current behind a reading at the analyser's input:
// I[dBµA] = U[dBµV] + pads + coax − Zt[dBΩ], with the bound that Bounded gives the reading.
func (c *Chain) CableCurrent(f rf.Frequency, reading rf.Power) (rf.Current, error) {
	fail := func(err error) (rf.Current, error) {
		return rf.Current{}, fmt.Errorf("turn the analyser's reading at %v into a current: %w", f, err)
	}
	b := c.bench
	switch {
	case b.Probe == nil:
		return fail(fmt.Errorf("the bench has no monitoring probe"))
	case b.Analyser == nil:
		return fail(fmt.Errorf("the bench has no analyser"))
	case !b.Analyser.Floor.Exact():
		return fail(fmt.Errorf("%s has no floor in the bench file, so a reading cannot be told from its noise",
			b.Analyser.ID))
	case !b.Analyser.MixerLimit.Exact():
		return fail(fmt.Errorf("%s has no mixer limit in the bench file, so a reading cannot be told from an "+
			"overloaded one", b.Analyser.ID))
	}
	if err := inBand(b.Analyser.Band, f, b.Analyser.ID); err != nil {
		return fail(err)
	}
	zt, err := valueAt(b.Probe.TransferImpedance, f, b.Probe.ID, "transfer impedance")
	if err != nil {
		return fail(err)
	}
	loss, err := losses(b.ToAnalyser, f)
	if err != nil {
		return fail(err)
	}
	at := Bounded(reading, b.Analyser.Floor, b.Analyser.MixerLimit, false)
	return rf.ProbeCurrent(rf.VoltageAcross(at.Add(sum(loss)), rf.Z0), zt), nil
}

// ForwardPower returns the power that runs into the clamp for a reading of the power meter at the
// coupler's forward port, with the bound that Bounded gives the reading.
func (c *Chain) ForwardPower(f rf.Frequency, meter rf.Power) (rf.Power, error) {
	return c.coupled(f, meter, "forward", func(k *catalog.Coupler) curve.Curve[rf.Gain] { return k.Forward })
}

// ReversePower returns the power that comes back from the clamp, at the clamp.
func (c *Chain) ReversePower(f rf.Frequency, meter rf.Power) (rf.Power, error) {
	return c.coupled(f, meter, "reverse", func(k *catalog.Coupler) curve.Curve[rf.Gain] { return k.Reverse })
}

func (c *Chain) coupled(f rf.Frequency, meter rf.Power, which string,
	of func(*catalog.Coupler) curve.Curve[rf.Gain]) (rf.Power, error) {
	b := c.bench
	if b.Coupler == nil || b.PowerMeter == nil {
		return rf.Power{},
			fmt.Errorf("turn the power meter's reading at %v into %s power: the bench has no coupler or no power meter",
				f, which)
	}
	g, err := valueAt(of(b.Coupler), f, b.Coupler.ID, which+" coupling")
	if err != nil {
		return rf.Power{}, fmt.Errorf("turn the power meter's reading at %v into %s power: %w", f, which, err)
	}
	return Bounded(meter, b.PowerMeter.Floor, b.PowerMeter.MaximumInput, false).Add(g), nil
}
