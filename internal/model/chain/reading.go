package chain

import (
	"fmt"

	"provoke/internal/files/catalog"
	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

// nearFloor is how far above the analyser's floor a reading must be to count as a value.
const nearFloor rf.Gain = 10

// CableCurrent returns the current behind a reading at the analyser's input:
// I[dBµA] = U[dBµV] + pads + coax − Zt[dBΩ]. A reading within 10 dB of the floor becomes "at most",
// one above the mixer limit "at least"; a bound that the reading already has is kept.
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
		return fail(fmt.Errorf("%s has no floor in the bench file, so a reading cannot be told from its noise", b.Analyser.ID))
	case !b.Analyser.MixerLimit.Exact():
		return fail(fmt.Errorf("%s has no mixer limit in the bench file, so a reading cannot be told from an overloaded one", b.Analyser.ID))
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
	at := bounded(reading, b.Analyser.Floor, b.Analyser.MixerLimit)
	return rf.ProbeCurrent(rf.VoltageAcross(at.Add(sum(loss)), rf.Z0), zt), nil
}

// bounded gives a reading the bound that follows from the instrument's floor and limit.
func bounded(reading, floor, limit rf.Power) rf.Power {
	switch {
	case reading.Absent():
		return reading
	case reading.IsOff(), reading.Exact() && floor.Above(reading):
		return floor.WithBound(rf.AtMost)
	case reading.Exact() && floor.Add(nearFloor).Above(reading):
		return reading.WithBound(rf.AtMost)
	case reading.Exact() && reading.Above(limit):
		return reading.WithBound(rf.AtLeast)
	}
	return reading
}

// ForwardPower returns the power that runs into the clamp for a reading of the power meter at the
// coupler's forward port. A reading at the meter's floor is "at most", one over its rating
// "at least".
func (c *Chain) ForwardPower(f rf.Frequency, meter rf.Power) (rf.Power, error) {
	return c.coupled(f, meter, "forward", func(k *catalog.Coupler) curve.Curve[rf.Gain] { return k.Forward })
}

// ReversePower returns the power that comes back from the clamp, at the clamp.
func (c *Chain) ReversePower(f rf.Frequency, meter rf.Power) (rf.Power, error) {
	return c.coupled(f, meter, "reverse", func(k *catalog.Coupler) curve.Curve[rf.Gain] { return k.Reverse })
}

func (c *Chain) coupled(f rf.Frequency, meter rf.Power, which string, of func(*catalog.Coupler) curve.Curve[rf.Gain]) (rf.Power, error) {
	b := c.bench
	if b.Coupler == nil || b.PowerMeter == nil {
		return rf.Power{}, fmt.Errorf("turn the power meter's reading at %v into %s power: the bench has no coupler or no power meter", f, which)
	}
	g, err := valueAt(of(b.Coupler), f, b.Coupler.ID, which+" coupling")
	if err != nil {
		return rf.Power{}, fmt.Errorf("turn the power meter's reading at %v into %s power: %w", f, which, err)
	}
	m := b.PowerMeter
	switch {
	case meter.IsOff() && m.Floor.Exact(), meter.Exact() && m.Floor.Exact() && !meter.Above(m.Floor):
		meter = m.Floor.WithBound(rf.AtMost)
	case meter.Exact() && m.MaximumInput.Exact() && meter.Above(m.MaximumInput):
		meter = meter.WithBound(rf.AtLeast)
	}
	return meter.Add(g), nil
}
