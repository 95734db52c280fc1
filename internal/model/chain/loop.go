package chain

import (
	"fmt"
	"math"

	"provoke/internal/files/catalog"
	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

// jigLoop is the loop in which insertion loss is defined: 50 Ω at both ends.
const jigLoop rf.Resistance = 100

// highestSeries is the most that a clamp of one turn puts in series with the cable when its source
// is 50 Ω and its core ideal: 50 Ω over the square of the turns.
const highestSeries = 50.0

// loopCurrent is what a clamp drives through a fixture at a forward power.
type loopCurrent struct {
	expected, low, high rf.Current
	estimate            string
}

// currentIn returns the current of a forward power in a fixture.
func (c *Chain) currentIn(f rf.Frequency, p path, forward rf.Power, fixture catalog.Fixture) (loopCurrent, error) {
	// In a 50 + 50 Ω jig: I = √(P/50)·10^(−IL/20).
	jig := rf.CurrentThrough(forward, rf.Z0).Sub(p.insertion)
	shift, low, high, estimate, err := c.fixtureShift(f, fixture)
	if err != nil {
		return loopCurrent{}, err
	}
	i := jig.Add(shift)
	return loopCurrent{i, i.Add(low), i.Add(high), estimate}, nil
}

// fixtureShift returns how the current in a fixture differs from that in the 50 + 50 Ω jig at the
// same forward power, and how far it may lie below and above that.
func (c *Chain) fixtureShift(f rf.Frequency, fixture catalog.Fixture) (shift, low, high rf.Gain, estimate string,
	err error) {
	switch fixture {
	case catalog.Jig50:
		return 0, 0, 0, "", nil
	case catalog.Jig150:
		shift, spread, estimate, err := loopShift(c.bench.Clamp, f, jigLoop, fixture.LoopImpedance())
		return shift, -spread, spread, estimate, err
	case catalog.OnCable:
		w := c.bench.Cable
		return 0, min(0, w.ExpectedLow), max(0, w.ExpectedHigh), "", nil
	}
	return 0, 0, 0, "", fmt.Errorf("unknown fixture %q (want cable, jig50 or jig150)", fixture)
}

// loopShift returns how the current of one e.m.f. changes from one loop to another, with its
// spread. The clamp's series impedance Zc is known by its magnitude at best, so the ratio
// |Zc + from| / |Zc + to| lies between that of a resistance and that of a reactance; the middle of
// the two, in dB, is returned. Where Zc is not measured it lies between 0 Ω and highestSeries.
func loopShift(clamp catalog.Clamp, f rf.Frequency, from, to rf.Resistance) (shift, spread rf.Gain, estimate string,
	err error) {
	a, b := float64(from), float64(to)
	resistive := func(z float64) float64 { return (z + a) / (z + b) }
	reactive := func(z float64) float64 { return math.Hypot(z, a) / math.Hypot(z, b) }
	var ends []float64
	if clamp.SeriesImpedance.Absent() {
		ends = []float64{resistive(0), resistive(highestSeries), reactive(highestSeries)}
		estimate = fmt.Sprintf("estimate: %s has no measured series impedance, so one between 0 Ω and %.0f Ω is "+
			"assumed", clamp.ID, highestSeries)
	} else {
		var z rf.Transimpedance
		if z, err = valueAt(clamp.SeriesImpedance, f, clamp.ID, "series impedance"); err != nil {
			return 0, 0, "", err
		}
		ends = []float64{resistive(z.SI()), reactive(z.SI())}
		estimate = fmt.Sprintf("estimate: converted with the magnitude of the series impedance of %s, whose phase is "+
			"not known", clamp.ID)
	}
	low, high := ends[0], ends[0]
	for _, e := range ends {
		low, high = min(low, e), max(high, e)
	}
	l, h := rf.GainOfAmplitudeRatio(low), rf.GainOfAmplitudeRatio(high)
	return (l + h) / 2, (h - l) / 2, estimate, nil
}

// Replay is how the drive of a calibration in one loop serves a level that is defined in another.
type Replay struct {
	From, To rf.Resistance
	// Estimate is the label of every figure that was converted; empty where the loops are the same.
	Estimate string
	clamp    catalog.Clamp
}

// CheckLoop checks that a calibration made in one loop may be replayed for a level defined in
// another. The same loop passes; a level without a loop (a current on the cable) passes. Another
// loop is refused with ErrLoop, unless the clamp's series impedance was measured: then the Replay
// converts, and labels the result an estimate.
func CheckLoop(calibration, profile rf.Resistance, b *catalog.Bench) (Replay, error) {
	r := Replay{From: calibration, To: profile, clamp: b.Clamp}
	switch {
	case calibration <= 0:
		return Replay{}, fmt.Errorf("%w: the calibration does not record the impedance of its jig's loop", ErrLoop)
	case profile <= 0:
		r.To = calibration
		return r, nil
	case calibration == profile:
		return r, nil
	case b.Clamp.SeriesImpedance.Absent():
		return Replay{},
			fmt.Errorf("%w: %v in the jig, %v in the level; calibrate behind the adaptors that make it %v, or "+
				"measure the series impedance of %s and write it into the bench file",
				ErrLoop, calibration, profile, profile, b.Clamp.ID)
	}
	r.Estimate = fmt.Sprintf("estimate: a calibration in a loop of %v converted to one of %v with the measured "+
		"series impedance of %s", calibration, profile, b.Clamp.ID)
	return r, nil
}

// Shift returns the current in the level's loop over that in the calibration's loop at the same
// drive, and how far it may lie to either side.
func (r Replay) Shift(f rf.Frequency) (shift, spread rf.Gain, err error) {
	if r.From == r.To {
		return 0, 0, nil
	}
	shift, spread, _, err = loopShift(r.clamp, f, r.From, r.To)
	return shift, spread, err
}

// Span returns the frequencies at which the whole chain can be computed, and the ids of the pieces
// that end it below and above. Both frequencies are absent when no frequency is left.
func (c *Chain) Span(fixture catalog.Fixture) (band catalog.Band, lowest, highest string) {
	s := span{low: 0, high: rf.Frequency(math.Inf(1))}
	b := c.bench
	s.narrow(b.Source.Band.Low, b.Source.Band.High, b.Source.ID)
	for _, ps := range [][]catalog.Passive{b.ToAmplifier, b.ToClamp} {
		narrowBy(&s, ps)
	}
	if a := b.Amplifier; a != nil {
		s.narrow(a.Band.Low, a.Band.High, a.ID)
		narrowCurve(&s, a.Gain, a.ID)
		narrowCurve(&s, a.Compression, a.ID)
	}
	if b.Coupler != nil {
		narrowCurve(&s, b.Coupler.Loss, b.Coupler.ID)
		narrowCurve(&s, b.Coupler.Forward, b.Coupler.ID)
		narrowCurve(&s, b.Coupler.Reverse, b.Coupler.ID)
	}
	narrowCurve(&s, b.Clamp.InsertionLoss, b.Clamp.ID)
	narrowCurve(&s, b.Clamp.ReturnLoss, b.Clamp.ID)
	if fixture == catalog.Jig150 {
		narrowCurve(&s, b.Clamp.SeriesImpedance, b.Clamp.ID)
	}
	if b.Probe != nil {
		narrowCurve(&s, b.Probe.TransferImpedance, b.Probe.ID)
		if b.Analyser != nil {
			narrowBy(&s, b.ToAnalyser)
			s.narrow(b.Analyser.Band.Low, b.Analyser.Band.High, b.Analyser.ID)
		}
	}
	if s.low > s.high {
		return catalog.Band{}, s.lowID, s.highID
	}
	return catalog.Band{Low: s.low, High: s.high}, s.lowID, s.highID
}

type span struct {
	low, high     rf.Frequency
	lowID, highID string
}

func (s *span) narrow(low, high rf.Frequency, id string) {
	if low.Known() && low > s.low {
		s.low, s.lowID = low, id
	}
	if high.Known() && high < s.high {
		s.high, s.highID = high, id
	}
}

func narrowCurve[V curve.Value](s *span, c curve.Curve[V], id string) {
	low, high := c.Band()
	s.narrow(low, high, id)
}

func narrowBy(s *span, ps []catalog.Passive) {
	for _, p := range ps {
		narrowCurve(s, p.Loss, p.ID)
	}
}
