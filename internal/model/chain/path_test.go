package chain_test

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"provoke/internal/files/catalog"
	"provoke/internal/model/chain"
	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

// Every curve and every band on the path ends the span; of two pieces that end alike the first on the path is named.
func TestEveryPieceOnThePathEndsTheSpan(t *testing.T) {
	const from, to = 1 * rf.Megahertz, 20 * rf.Megahertz
	gain := curve.Flat(rf.Gain(1), from, to, "narrow figures")
	for piece, narrow := range map[string][]func(*catalog.Bench){
		"GEN1":  {func(b *catalog.Bench) { b.Source.Band = catalog.Band{Low: from, High: to} }},
		"PAD1":  {func(b *catalog.Bench) { b.ToAmplifier[0].Loss = gain }},
		"COAX1": {func(b *catalog.Bench) { b.ToClamp[0].Loss = gain }},
		"AMP1": {
			func(b *catalog.Bench) { b.Amplifier.Band = catalog.Band{Low: from, High: to} },
			func(b *catalog.Bench) { b.Amplifier.Gain = gain },
			func(b *catalog.Bench) { b.Amplifier.Compression = curve.Flat(rf.DBm(37), from, to, "narrow figures") },
		},
		"CPL1": {
			func(b *catalog.Bench) { b.Coupler.Loss = gain },
			func(b *catalog.Bench) { b.Coupler.Forward = gain },
			func(b *catalog.Bench) { b.Coupler.Reverse = gain },
		},
		"CLAMP1": {
			func(b *catalog.Bench) { b.Clamp.InsertionLoss = gain },
			func(b *catalog.Bench) { b.Clamp.ReturnLoss = gain },
		},
		"PROBE1": {func(b *catalog.Bench) {
			b.Probe.TransferImpedance = curve.Flat(rf.Ohms(5), from, to, "narrow figures")
		}},
		"PAD2": {func(b *catalog.Bench) { b.ToAnalyser[0].Loss = gain }},
		"SA1":  {func(b *catalog.Bench) { b.Analyser.Band = catalog.Band{Low: from, High: to} }},
	} {
		for i, change := range narrow {
			b := full()
			change(b)
			band, lowest, highest := chain.New(b).Span(catalog.OnCable)
			if (band != catalog.Band{Low: from, High: to}) || lowest != piece || highest != piece {
				t.Errorf("%s, %d: %v to %v, ended by %s and %s", piece, i, band.Low, band.High, lowest, highest)
			}
		}
	}
	for _, b := range []*catalog.Bench{full(), bare(8)} {
		if band, lowest, highest := chain.New(b).Span(catalog.OnCable); (band != catalog.Band{Low: low, High: high}) ||
			lowest != "GEN1" || highest != "GEN1" {
			t.Errorf("all alike: %v, ended by %s and %s", band, lowest, highest)
		}
	}
	// Nothing but the generator knows an end.
	none := bare(8)
	none.Clamp.InsertionLoss, none.Clamp.ReturnLoss = curve.Flat(rf.Gain(8), 0, 0, "everywhere"), curve.Flat(rf.Gain(6),
		0, 0, "everywhere")
	none.Source.Band = catalog.Band{Low: 0.5, High: 20}
	if band, lowest, _ := chain.New(none).Span(catalog.OnCable); band != none.Source.Band || lowest != "GEN1" {
		t.Errorf("%v, ended by %s", band, lowest)
	}
	// One frequency is a span.
	b := full()
	b.Clamp.InsertionLoss, b.Source.Band = gain, catalog.Band{Low: to, High: high}
	if band, _, _ := chain.New(b).Span(catalog.OnCable); (band != catalog.Band{Low: to, High: to}) {
		t.Errorf("one frequency: %v", band)
	}
}

// The series impedance is needed in the 150 Ω jig only.
func TestTheSeriesImpedanceEndsTheSpanWhereItIsUsed(t *testing.T) {
	b := full()
	b.Clamp.SeriesImpedance = curve.Flat(rf.Ohms(10), rf.Megahertz, 20*rf.Megahertz, "narrow figures")
	for fixture, want := range map[catalog.Fixture]rf.Frequency{catalog.Jig150: 20 * rf.Megahertz, catalog.Jig50: high,
		catalog.OnCable: high} {
		if band, _, _ := chain.New(b).Span(fixture); band.High != want {
			t.Errorf("%s: up to %v, want %v", fixture, band.High, want)
		}
	}
}

// The levels and ends of the range that are expected have the expected current between them, whichever signs
// the bench file gives them.
func TestTheExpectedCurrentIsInItsRange(t *testing.T) {
	for _, c := range []struct{ low, high, wantLow, wantHigh float64 }{{-20, 10, -20, 10}, {3, 10, 0, 10},
		{-20, -3, -20, 0}} {
		b := full()
		b.Cable.ExpectedLow, b.Cable.ExpectedHigh = rf.Gain(c.low), rf.Gain(c.high)
		p := predict(t, b, rf.DBm(-30), chain.Crest{}, catalog.OnCable)
		near(t, "low end", p.Low.DB()-p.Current.DB(), c.wantLow, 1e-9)
		near(t, "high end", p.High.DB()-p.Current.DB(), c.wantHigh, 1e-9)
	}
}

// An amplifier's duty of less than 100 % and what a clamp is rated for are said; where nothing is limited
// nothing is.
func TestRatingsThatHoldForATimeSaySo(t *testing.T) {
	for _, c := range []struct {
		time time.Duration
		duty rf.Fraction
		want string
	}{
		{10 * time.Minute, 0.25, "rated for at most 10 min and 25 % of the time"},
		{10 * time.Minute, 0, "rated for at most 10 min"},
		{0, 0.25, "rated for at most 25 % of the time"},
		{0, 0, ""},
	} {
		b := full()
		b.Clamp.MaximumTime, b.Clamp.MaximumDuty = rf.Duration(c.time), c.duty
		if n := node(t, predict(t, b, rf.DBm(-30), chain.Crest{}, catalog.OnCable),
			"clamp forward power"); n.Note != c.want || !n.Within {
			t.Errorf("%v and %v: %q, want %q", c.time, c.duty, n.Note, c.want)
		}
	}
	b := full()
	b.Clamp.MaximumTime = 1 // however short
	if n := node(t, predict(t, b, rf.DBm(-30), chain.Crest{}, catalog.OnCable),
		"clamp forward power"); !strings.HasPrefix(n.Note, "rated for at most ") || strings.Contains(n.Note,
		"of the time") {
		t.Errorf("%q", n.Note)
	}
	for duty, want := range map[rf.Fraction]string{0: "", 0.5: "rated for full output at most 50 % of the time",
		1: ""} {
		b := full()
		b.Amplifier.MaximumDuty = duty
		if n := node(t, predict(t, b, rf.DBm(-30), chain.Crest{}, catalog.OnCable),
			"amplifier output"); n.Note != want {
			t.Errorf("a duty of %v: %q, want %q", duty, n.Note, want)
		}
	}
}

// The meter at the clamp reads its 0.5 and 0.3 dB; what lies between it and a place comes on top: at the coax
// input the coax of 0.2 and the through line of 0.3, at the coupler's input the through line alone. At the
// amplifier's output the path's own √(4.34/3) counts.
func TestThePowerMeterCountsBackThroughWhatLiesBeforeTheClamp(t *testing.T) {
	p := predict(t, full(), rf.DBm(-30), chain.Crest{}, catalog.OnCable)
	for place, limits := range map[string]float64{
		"amplifier input":     0.25 + 0.09,
		"amplifier output":    0.25 + 0.09 + 4,
		"coax input":          0.25 + 0.09 + 0.04 + 0.09,
		"coupler input":       0.25 + 0.09 + 0.09,
		"clamp forward power": 0.25 + 0.09,
	} {
		near(t, place, node(t, p, place).Unsure.DB(), 1.645*math.Sqrt(limits/3), 1e-9)
	}
	for _, n := range p.Nodes {
		want := map[string]chain.Meter{"cable current": chain.ByAnalyser, "probe current": chain.ByAnalyser,
			"pad input": "", "analyser input": chain.ByAnalyser,
			"coax input": chain.ByPowerMeter, "coupler input": chain.ByPowerMeter,
			"clamp forward power": chain.ByPowerMeter, "reflected power": chain.ByPowerMeter,
			"power meter, forward port": chain.ByPowerMeter, "power meter, reverse port": chain.ByPowerMeter}[n.Place]
		if n.ID == "PAD2" {
			want = chain.ByAnalyser
		}
		if n.By != want {
			t.Errorf("%s %s is read by %q, want %q", n.ID, n.Place, n.By, want)
		}
	}
	b := full()
	b.Analyser = nil
	if n := node(t, predict(t, b, rf.DBm(-30), chain.Crest{}, catalog.OnCable), "probe current"); n.By != "" {
		t.Errorf("without an analyser the probe is read by %q", n.By)
	}
}

// A power meter would leave 1.645·√(0.34/3) = 0.554 dB. A generator with limits of 0.65 dB leaves
// 1.645·0.65/√3 = 0.617 dB, of 0.62 dB 0.589 dB: 0.063 dB print as 0.1 dB and are said, 0.035 dB are not.
func TestWhatAPowerMeterRegainsIsSaidFromWhereItShows(t *testing.T) {
	for limit, want := range map[rf.Gain]string{0.65: "a power meter at the clamp regains 0.1 dB", 0.62: ""} {
		b := bare(8)
		b.Source.Uncertainty = catalog.Uncertainty{Spread: catalog.SpreadRectangular, Value: limit}
		if n := node(t, predict(t, b, rf.DBm(-30), chain.Crest{}, catalog.OnCable),
			"clamp forward power"); n.Regain != want {
			t.Errorf("limits of %v: %q, want %q", limit, n.Regain, want)
		}
	}
}

// 40 dBm linear at an amplifier of 37 dBm (saturation at 39.165): 40 − 5·log10(1 + 10^(0.835/5)) = 38.04 dBm.
// The path leaves ±1.98 dB open, but no gain puts more out than the 39.5 dBm of saturation in the bench file.
func TestNoUncertaintyPutsAnAmplifierOverItsSaturation(t *testing.T) {
	n := node(t, predict(t, full(), rf.DBm(10), chain.Crest{}, catalog.Jig50), "amplifier output")
	near(t, "output", n.Peak.Power.In(), 38.038, 0.001)
	near(t, "what is added", n.Unsure.DB(), 39.5-38.038, 0.001)
	if !n.Within {
		t.Errorf("%+v", n)
	}
}

// −30 dBm, 10 dB pad, 1 dB cable, clamp with 6 dB return loss: −47 dBm come back from the clamp, −58 dBm at the
// generator.
// With an amplifier between, which lets nothing back, it is what the amplifier's input reflects: −30 − 2·10 dB.
func TestWhatComesBackToTheGenerator(t *testing.T) {
	alone := func() *catalog.Bench {
		b := bare(8)
		b.ToAmplifier = full().ToAmplifier
		b.ToClamp = []catalog.Passive{{Identity: id("COAX1"), Kind: "coax", Loss: flat(rf.Gain(1)),
			MaximumPower: rf.Watts(50)}}
		return b
	}
	const place = "generator reverse power"
	b := alone()
	p := predict(t, b, rf.DBm(-30), am80, catalog.OnCable)
	n := node(t, p, place)
	near(t, "not rated", n.Carrier.Power.In(), -58, 1e-9)
	near(t, "not rated, peak", n.Peak.Power.In(), -58+5.10545, 1e-4)
	near(t, "not rated, mean", n.Mean.Power.In(), -58+1.20574, 1e-4)
	if !n.Within || n.Headroom.Finite() || !strings.Contains(n.Note, "no rating is given") {
		t.Errorf("a generator whose reverse power is not rated: %+v", n)
	}
	if tight := p.Tightest(); tight.Place == place {
		t.Errorf("what is not compared stands in the way: %+v", tight)
	}
	b.Source.MaximumReverse = rf.DBm(-50)
	n = node(t, predict(t, b, rf.DBm(-30), am80, catalog.OnCable), place)
	near(t, "rated", n.Carrier.Power.In(), -58, 1e-9)
	if !n.Within || n.Rating.Power != b.Source.MaximumReverse {
		t.Errorf("−52.9 dBm at the crest of a rating of −50 dBm: %+v", n)
	}
	if n = node(t, predict(t, b, rf.DBm(-26), am80, catalog.OnCable), place); n.Within {
		t.Errorf("−48.9 dBm at the crest of a rating of −50 dBm: %+v", n)
	}
	b = full()
	for _, n := range predict(t, b, rf.DBm(-30), am80, catalog.OnCable).Nodes {
		if n.Place == place {
			t.Errorf("behind an amplifier, not rated: %+v", n)
		}
	}
	b.Source.MaximumReverse = rf.DBm(20)
	n = node(t, predict(t, b, rf.DBm(-30), am80, catalog.OnCable), place)
	near(t, "behind an amplifier", n.Carrier.Power.In(), -50, 1e-9)
}

func TestAKnownReturnLossIsNoAssumption(t *testing.T) {
	if n := node(t, predict(t, full(), rf.DBm(-30), chain.Crest{}, catalog.Jig50), "reflected power"); n.Note != "" ||
		!n.Within {
		t.Errorf("%+v", n)
	}
}

// The reading is −48.5 dBm: above a mixer limit of −60 dBm, not above one of −40 dBm.
func TestAReadingThatWouldBeOverloadedIsSaid(t *testing.T) {
	for limit, want := range map[float64]string{-60: "the reading would be overloaded: above the mixer limit of " +
		"-60.0 dBm", -40: ""} {
		b := full()
		b.Analyser.MixerLimit = rf.DBm(limit)
		if n := node(t, predict(t, b, rf.DBm(-30), chain.Crest{}, catalog.OnCable), "analyser input"); n.Note != want ||
			!n.Within {
			t.Errorf("mixer limit of %v dBm: %q, want %q", limit, n.Note, want)
		}
	}
}

func TestWhatIsNotKnownHasNoHeadroom(t *testing.T) {
	b := full()
	b.Amplifier.Compression = curve.Curve[rf.Power]{}
	if n := node(t, predict(t, b, rf.DBm(-60), chain.Crest{}, catalog.Jig50), "amplifier output"); n.Headroom.Finite() {
		t.Errorf("an unknown compression: %+v", n)
	}
	// A level that no number can hold is not known, and is within nothing.
	n := node(t, predict(t, full(), rf.DBm(1.7e308), chain.Crest{OverCarrier: 1.7e308}, catalog.Jig50),
		"generator output")
	if n.Within || n.Note != "the level there is not known" || n.Headroom.Finite() {
		t.Errorf("a level that is not known: %+v", n)
	}
	// Nothing at all has all the room there is.
	if n = node(t, predict(t, full(), rf.Off[rf.Watt](), am80, catalog.OnCable),
		"generator output"); !math.IsInf(float64(n.Headroom), 1) || !n.Within {
		t.Errorf("off: %+v", n)
	}
}

// In steps of 1 dB: 14 dBm is 44 dBm linear at an amplifier that saturates at 39.165 dBm, and gives
// 44 − 5·log10(1 + 10^(4.835/5)) = 38.94 dBm, over a rating of 38.9 dBm; 13 dBm gives 38.82 dBm. The amplifier's
// input, 10 dB lower and with 0.55 dB for what is not measured, passes 5 dBm at a drive of 15 dBm, and would then be
// the worse of the two (0.55 dB over, against 0.12 dB).
func TestTheNextStepSaysWhatStandsInTheWay(t *testing.T) {
	b := full()
	b.Source.Resolution, b.Amplifier.Saturation, b.Amplifier.MaximumInput = 1, rf.DBm(38.9), rf.DBm(5)
	drive, n, err := chain.New(b).SafeDrive(f, chain.Crest{}, catalog.Jig50)
	if err != nil || n.Place != "amplifier output" || math.Abs(drive.In()-13) > 1e-9 {
		t.Errorf("%v, limited by %+v, %v", drive, n, err)
	}
}

// Of several that the next step exceeds the worst is named, of two alike the first on the path. Unmodulated
// 10 dBm are 10 dBm at the clamp and 75.0 + 14 − 107 = −18.0 dBm at the pads.
func TestOfSeveralInTheWayTheWorstIsNamed(t *testing.T) {
	b := bare(8)
	b.Source.Resolution, b.Source.Uncertainty = 10, catalog.Uncertainty{Spread: catalog.SpreadRectangular, Value: 0.001}
	pad := func(name string) catalog.Passive {
		return catalog.Passive{Identity: id(name), Kind: "pad", Loss: flat(rf.Gain(0)), MaximumPower: rf.DBm(-24)}
	}
	b.Probe, b.Analyser, b.ToAnalyser = full().Probe, full().Analyser, []catalog.Passive{pad("FIRST"), pad("SECOND")}
	for _, c := range []struct {
		clamp float64
		want  string
	}{{9, "FIRST"}, {2, "CLAMP1"}} { // 1 and 8 dB over, against the pads' 6 dB
		b.Clamp.MaximumForward = rf.DBm(c.clamp)
		drive, n, err := chain.New(b).SafeDrive(f, chain.Crest{}, catalog.Jig50)
		if err != nil || drive.In() != 0 || n.ID != c.want {
			t.Errorf("%v, limited by %+v, want %s; %v", drive, n, c.want, err)
		}
	}
}

// At its saturation an amplifier gives no drive: an amplifier never quite gives that power.
func TestSaturationIsNotReached(t *testing.T) {
	b := full()
	b.ToClamp, b.Coupler, b.PowerMeter = nil, nil, nil
	b.Source.Maximum = rf.DBm(400)
	at := rf.DBm(37).Add(rf.Gain(1 - 5*math.Log10(math.Pow(10, 0.2)-1))) // the model's saturation for 1 dB at 37 dBm
	for range 8 {
		at = rf.FromDB[rf.Watt](math.Nextafter(at.DB(), -100))
	}
	for range 16 {
		drive, err := chain.New(b).DriveForForward(f, at)
		if err == nil && !drive.Known() || err != nil && !errors.Is(err, chain.ErrUnreachable) {
			t.Errorf("%v: drive %v, %v", at.Text(16), drive, err)
		}
		at = rf.FromDB[rf.Watt](math.Nextafter(at.DB(), 100))
	}
}

// 20 dBm less 10 dB of pad, 3 dB of cable and 0.5 dB of the through line are 6.5 dBm.
func TestUnreachableForwardPowerSaysWhatCanBeReached(t *testing.T) {
	b := bare(8)
	b.Source.Maximum, b.ToAmplifier, b.Coupler = rf.DBm(20), full().ToAmplifier, full().Coupler
	b.ToClamp = []catalog.Passive{{Identity: id("COAX1"), Kind: "coax", Loss: flat(rf.Gain(3)),
		MaximumPower: rf.Watts(50)}}
	b.Coupler.Loss = flat(rf.Gain(0.5))
	_, err := chain.New(b).DriveForForward(f, rf.DBm(7))
	if !errors.Is(err, chain.ErrUnreachable) || !strings.Contains(err.Error(),
		": 6.5 dBm is reached with the generator at its maximum of 20.0 dBm") {
		t.Error(err)
	}
}

// Any loop with an impedance is a loop; the same loop converts nothing.
func TestALoopIsKnownByItsImpedance(t *testing.T) {
	if _, err := chain.CheckLoop(0.5, 100, bare(8)); !errors.Is(err, chain.ErrLoop) ||
		strings.Contains(err.Error(), "does not record") {
		t.Error(err)
	}
	if _, err := chain.CheckLoop(100, 0.5, bare(8)); !errors.Is(err, chain.ErrLoop) {
		t.Error(err)
	}
	measured := bare(8)
	measured.Clamp.SeriesImpedance = flat(rf.Ohms(50))
	for _, profile := range []rf.Resistance{100, 0} {
		r, err := chain.CheckLoop(100, profile, measured)
		if err != nil {
			t.Fatal(err)
		}
		shift, spread, err := r.Shift(f)
		if shift != 0 || spread != 0 || err != nil {
			t.Errorf("from 100 Ω to %v: %v ± %v, %v", profile, shift, spread, err)
		}
	}
}

// A generator of one level: it lies on the grid of 0.1 dB, though −70.3/0.1 is no whole number in binary.
func TestAGeneratorOfOneLevelHasASafeDrive(t *testing.T) {
	b := full()
	b.Source.Resolution, b.Source.Minimum, b.Source.Maximum = 0.1, rf.DBm(-70.3), rf.DBm(-70.3)
	drive, n, err := chain.New(b).SafeDrive(f, am80, catalog.OnCable)
	// The generator's own maximum is compared with the crest, which lies 5.1 dB above the carrier.
	if !errors.Is(err, chain.ErrForbidden) || n.Place != "generator output" {
		t.Errorf("with modulation: %v, %+v, %v", drive, n, err)
	}
	if drive, _, err = chain.New(b).SafeDrive(f, chain.Crest{}, catalog.OnCable); err != nil ||
		math.Abs(drive.In()+70.3) > 1e-6 {
		t.Errorf("%v, %v", drive, err)
	}
}

// 0 dBm at the clamp are 0.5 dBm at an amplifier of 40 dB, whose compression nobody knows, so -39.5 dBm at its input
// and
// -29.5 dBm in front of 10 dB of pad.
func TestTheDriveThroughAnAmplifierOfUnknownCompression(t *testing.T) {
	b := full()
	b.Amplifier.Compression = curve.Curve[rf.Power]{}
	drive, err := chain.New(b).DriveForForward(f, rf.DBm(0))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "drive", drive.In(), -29.5, 1e-9)
}
