package chain_test

import (
	"errors"
	"math"
	"strings"
	"testing"

	"provoke/internal/files/catalog"
	"provoke/internal/model/chain"
	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

// am80 is an AM of 80 %: crest 20·log10(1.8) = 5.105 dB, mean 10·log10(1.32) = 1.206 dB (check
// values G10 and G12).
var am80 = chain.Crest{OverCarrier: 5.105450102, Mean: 1.205739312}

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s is %.6g, want %.6g ± %.2g", what, got, want, within)
	}
}

func node(t *testing.T, p chain.Prediction, place string) chain.Node {
	t.Helper()
	for _, n := range p.Nodes {
		if n.Place == place {
			return n
		}
	}
	t.Fatalf("no node %q among %v", place, p.Nodes)
	return chain.Node{}
}

func predict(t *testing.T, b *catalog.Bench, drive rf.Power, crest chain.Crest,
	fixture catalog.Fixture) chain.Prediction {
	t.Helper()
	p, err := chain.New(b).Predict(f, drive, crest, fixture)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// Worked examples 16 to 20 of checks/standards.md section 10 and check values C24, C25: in the
// 50 + 50 Ω jig P = 50·I²·10^(IL/10), in dB P[dBm] = I[dBµA] − 73.0103 + IL.
func TestForwardPowerForACurrentInTheJig(t *testing.T) {
	for _, c := range []struct {
		current   rf.Current
		insertion rf.Gain
		dBm       float64
	}{
		{rf.Amperes(0.100), 7, 33.98970},  // 50·0.01·10^0.7 = 2.505936 W
		{rf.Amperes(0.060), 10, 32.55273}, // 50·0.0036·10 = 1.8 W
		{rf.DBuA(109), 14, 49.9897},       // 99.76 W
		{rf.DBuA(100), 7, 33.9897},
		{rf.Amperes(0.100), 0, 26.98970}, // 0.5 W in the 50 Ω load
	} {
		drive, err := chain.New(bare(c.insertion)).DriveFor(f, c.current, catalog.Jig50)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "forward power", drive.In(), c.dBm, 0.0005)
	}
}

// Check values P08 and P09: −20 dBm at the analyser, 20 dB pad, 1.2 dB cable, Zt = 13.979 dBΩ.
func TestCableCurrentBehindAReading(t *testing.T) {
	b := full()
	b.Probe.TransferImpedance = flat(rf.DBOhm(13.979))
	b.ToAnalyser = append(b.ToAnalyser, catalog.Passive{Identity: id("COAX2"), Kind: "coax", Loss: flat(rf.Gain(1.2))})
	i, err := chain.New(b).CableCurrent(f, rf.DBm(-20))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "dBµA", i.In(), 94.2103, 0.001)
	near(t, "mA", i.SI()*1e3, 51.34699, 0.005)
	if !i.Exact() {
		t.Errorf("%v has a bound", i)
	}
}

// Check values G61 and G62: 100 mA through 5 Ω is 6.990 dBm into 50 Ω; with the 5.105 dB of AM it
// needs 22.095 dB to come down to −10 dBm.
func TestProbeLevelAndTheAttenuationItNeeds(t *testing.T) {
	b := bare(8)
	b.Cable.ExpectedHigh = 0
	b.Probe = &catalog.Probe{Identity: id("PROBE1"), TransferImpedance: flat(rf.Ohms(5)), MaximumCurrent: rf.Amperes(1)}
	b.Analyser = &catalog.Analyser{Identity: id("SA1"), Band: catalog.Band{Low: low, High: high},
		MaximumInput: rf.DBm(20), MixerLimit: rf.DBm(-10), Floor: rf.DBm(-110)}
	b.ToAnalyser = []catalog.Passive{{Identity: id("PAD2"), Kind: "pad", Loss: flat(rf.Gain(22.09515015)),
		MaximumPower: rf.Watts(1)}}
	drive, err := chain.New(b).DriveFor(f, rf.Amperes(0.1), catalog.OnCable)
	if err != nil {
		t.Fatal(err)
	}
	p := predict(t, b, drive, am80, catalog.OnCable)
	near(t, "at the pad", node(t, p, "pad input").Carrier.Power.In(), 6.989700043, 0.001)
	near(t, "peak at the analyser", node(t, p, "analyser input").Peak.Power.In(), -10, 0.001)
	near(t, "reading", p.Reading.In(), -10-5.105450102, 0.001)
}

// Check values G22, G32 and G40 (Rapp, p = 2).
func TestAmplifierCompressesByTheRappModel(t *testing.T) {
	b := full()
	b.Amplifier.MaximumInput, b.Source.Maximum = rf.DBm(60), rf.DBm(60)
	output := func(in float64, crest chain.Crest) (chain.Node, chain.Prediction) {
		p := predict(t, b, rf.DBm(in+10), crest, catalog.Jig50)
		return node(t, p, "amplifier output"), p
	}
	// The 1 dB point: an input whose linear output is 38 dBm gives 37 dBm.
	n, p := output(-2, chain.Crest{})
	near(t, "output at the 1 dB point", n.Carrier.Power.In(), 37, 1e-6)
	near(t, "compression at the 1 dB point", p.Compression.DB(), 1, 1e-6)
	// Saturation lies 2.164617 dB above it.
	n, _ = output(40, chain.Crest{})
	near(t, "output far beyond", n.Carrier.Power.In(), 37+2.164617167, 1e-4)
	// A linear carrier at half the saturated amplitude with 80 % AM: the crest loses 1.095433 dB.
	_, p = output(37+2.164617167-6.020599913-40, am80)
	near(t, "compression at the crest", p.Compression.DB(), 1.095432786, 1e-5)
	// Far below it is linear.
	n, p = output(-60, chain.Crest{})
	near(t, "output far below", n.Carrier.Power.In(), -20, 1e-6)
	near(t, "compression far below", p.Compression.DB(), 0, 1e-6)
}

// −30 dBm, 10 dB pad, 40 dB: 0 dBm out; 0.3 dB coax, 0.2 dB coupler: −0.5 dBm forward. In the jig
// I = −0.5 + 73.0103 − 8 = 64.5103 dBµA. Probe 5 Ω: 64.5103 + 13.9794 − 106.9897 = −28.5 dBm, behind
// 20 dB −48.5 dBm. From the clamp 6 dB come back: −6.5 dBm, −7 dBm at the amplifier. Power meter: −40.5 and
// −47.5 dBm.
func TestEveryNodeOfALinearChain(t *testing.T) {
	p := predict(t, full(), rf.DBm(-30), am80, catalog.OnCable)
	near(t, "forward", p.Forward.In(), -0.5, 1e-4)
	near(t, "current", p.Current.In(), 64.5103, 1e-4)
	near(t, "low end", p.Low.In(), 44.5103, 1e-4)
	near(t, "high end", p.High.In(), 74.5103, 1e-4)
	near(t, "reading", p.Reading.In(), -48.5, 1e-3)
	for place, want := range map[string]struct{ carrier, raise float64 }{
		"generator output":          {-30, 0},
		"amplifier input":           {-40, 0},
		"amplifier output":          {0, 0},
		"coax input":                {0, 0},
		"coupler input":             {-0.3, 0},
		"clamp forward power":       {-0.5, 0},
		"power meter, forward port": {-40.5, 0},
		"power meter, reverse port": {-47.5, 0},
		"reflected power":           {-7, 0},
		"analyser input":            {-48.5, 10},
	} {
		n := node(t, p, place)
		near(t, place, n.Carrier.Power.In(), want.carrier, 1e-3)
		near(t, place+", peak", n.Peak.Power.In(), want.carrier+want.raise+5.10545, 1e-3)
		near(t, place+", mean", n.Mean.Power.In(), want.carrier+want.raise+1.20574, 1e-3)
	}
	for _, place := range []string{"cable current", "probe current"} {
		n := node(t, p, place)
		near(t, place, n.Carrier.Current.In(), 64.5103, 1e-3)
		near(t, place+", peak", n.Peak.Current.In(), 64.5103+10+5.10545, 1e-3)
	}
	if !p.Within() || p.Estimate != "" {
		t.Errorf("within %v, estimate %q", p.Within(), p.Estimate)
	}
}

func TestAJigHasNoCableAndNoSpread(t *testing.T) {
	p := predict(t, full(), rf.DBm(-30), chain.Crest{}, catalog.Jig50)
	for _, n := range p.Nodes {
		if n.Place == "cable current" {
			t.Error("a jig has a cable current")
		}
	}
	if p.Low != p.Current || p.High != p.Current {
		t.Errorf("current %v, range %v to %v", p.Current, p.Low, p.High)
	}
}

// What an amplifier input of 0 dBm stands is the peak, and 0.55 dB for what is not measured: −5.8 dBm of carrier
// with 80 % AM, not −5.0.
func TestAMPeakCountsAtTheAmplifierInput(t *testing.T) {
	b := full()
	b.Amplifier.MaximumInput = rf.DBm(0)
	if n := node(t, predict(t, b, rf.DBm(5), am80, catalog.Jig50), "amplifier input"); n.Within {
		t.Errorf("-5.0 dBm with 80 %% AM is let into an input of 0 dBm: %+v", n)
	}
	if n := node(t, predict(t, b, rf.DBm(4.2), am80, catalog.Jig50), "amplifier input"); !n.Within {
		t.Errorf("-5.8 dBm with 80 %% AM is not let into an input of 0 dBm: %+v", n)
	}
	if n := node(t, predict(t, b, rf.DBm(5), chain.Crest{}, catalog.Jig50), "amplifier input"); !n.Within {
		t.Errorf("-5.0 dBm of CW is not let into an input of 0 dBm: %+v", n)
	}
}

func TestWhatHeatsIsRatedAsAverage(t *testing.T) {
	b := full()
	b.Clamp.MaximumForward = rf.DBm(20)
	p := predict(t, b, rf.DBm(-11.5), am80, catalog.Jig50) // 18.0 dBm forward, peak 23.1, mean 19.2
	if n := node(t, p, "clamp forward power"); !n.Within || n.RatedAs != chain.RatedAverage {
		t.Errorf("clamp: %+v", n)
	}
}

// Pulse of 10 % duty: the peak is the carrier, the mean 10 dB lower.
func TestPulsePeakIsTheCarrier(t *testing.T) {
	n := node(t, predict(t, full(), rf.DBm(-30), chain.Crest{Mean: -10}, catalog.Jig50), "clamp forward power")
	near(t, "peak", n.Peak.Power.In(), -0.5, 1e-3)
	near(t, "mean", n.Mean.Power.In(), -10.5, 1e-3)
}

func TestClampWithoutAMatchReflectsEverything(t *testing.T) {
	b := full()
	b.Clamp.ReturnLoss = curve.Curve[rf.Gain]{}
	n := node(t, predict(t, b, rf.DBm(-30), chain.Crest{}, catalog.Jig50), "reflected power")
	near(t, "reflected", n.Carrier.Power.In(), -0.5-0.5, 1e-3)
	if !strings.Contains(n.Note, "total reflection") {
		t.Errorf("note %q", n.Note)
	}
}

// Each rating in turn is left out: the node refuses, and no setting is safe.
func TestARatingThatIsAbsentForbids(t *testing.T) {
	for place, remove := range map[string]func(*catalog.Bench){
		"generator output":          func(b *catalog.Bench) { b.Source.Maximum = rf.Power{} },
		"pad input":                 func(b *catalog.Bench) { b.ToAmplifier[0].MaximumPower = rf.Power{} },
		"amplifier input":           func(b *catalog.Bench) { b.Amplifier.MaximumInput = rf.Power{} },
		"amplifier output":          func(b *catalog.Bench) { b.Amplifier.Saturation = rf.Power{} },
		"reflected power":           func(b *catalog.Bench) { b.Amplifier.ReflectedLimit = rf.Power{} },
		"coax input":                func(b *catalog.Bench) { b.ToClamp[0].MaximumPower = rf.Power{} },
		"coupler input":             func(b *catalog.Bench) { b.Coupler.MaximumPower = rf.Power{} },
		"power meter, forward port": func(b *catalog.Bench) { b.PowerMeter.MaximumInput = rf.Power{} },
		"clamp forward power":       func(b *catalog.Bench) { b.Clamp.MaximumForward = rf.Power{} },
		"cable current":             func(b *catalog.Bench) { b.Cable.MaximumCurrent = rf.Current{} },
		"probe current":             func(b *catalog.Bench) { b.Probe.MaximumCurrent = rf.Current{} },
		"analyser input":            func(b *catalog.Bench) { b.Analyser.MaximumInput = rf.Power{} },
	} {
		t.Run(place, func(t *testing.T) {
			b := full()
			remove(b)
			p := predict(t, b, rf.DBm(-60), chain.Crest{}, catalog.OnCable)
			n := node(t, p, place)
			if n.Within || n.Note != "no rating is given" || n.Headroom.Finite() {
				t.Errorf("%+v", n)
			}
			if _, _, err := chain.New(b).SafeDrive(f, chain.Crest{}, catalog.OnCable); !errors.Is(err,
				chain.ErrForbidden) {
				t.Errorf("SafeDrive: %v", err)
			}
		})
	}
}

func TestAnUnknownCompressionForbids(t *testing.T) {
	b := full()
	b.Amplifier.Compression = curve.Curve[rf.Power]{}
	if n := node(t, predict(t, b, rf.DBm(-60), chain.Crest{}, catalog.Jig50), "amplifier output"); n.Within ||
		n.Note == "" {
		t.Errorf("%+v", n)
	}
}

func TestARatingThatIsOnlyABoundForbids(t *testing.T) {
	b := full()
	b.Amplifier.MaximumInput = rf.DBm(3).WithBound(rf.AtMost)
	if n := node(t, predict(t, b, rf.DBm(-60), chain.Crest{}, catalog.Jig50), "amplifier input"); n.Within {
		t.Errorf("%+v", n)
	}
}

func TestAnUnknownDriveIsRefused(t *testing.T) {
	if _, err := chain.New(full()).Predict(f, rf.Power{}, chain.Crest{}, catalog.Jig50); err == nil {
		t.Error("an absent drive was predicted")
	}
	if _, err := chain.New(full()).Predict(f, rf.DBm(0), chain.Crest{OverCarrier: rf.Gain(math.NaN())},
		catalog.Jig50); err == nil {
		t.Error("an absent crest was predicted")
	}
}

func TestOffIsWithinEverything(t *testing.T) {
	p := predict(t, full(), rf.Off[rf.Watt](), am80, catalog.OnCable)
	if !p.Within() || !p.Current.IsOff() || !p.Reading.IsOff() {
		t.Errorf("%+v", p)
	}
}

func TestAFrequencyOutsideACurveNamesThePiece(t *testing.T) {
	narrow := func(v rf.Gain) curve.Curve[rf.Gain] {
		return curve.Flat(v, rf.Megahertz, 5*rf.Megahertz, "narrow figures")
	}
	for piece, spoil := range map[string]func(*catalog.Bench){
		"GEN1":       func(b *catalog.Bench) { b.Source.Band.High = rf.Megahertz },
		"PAD1, loss": func(b *catalog.Bench) { b.ToAmplifier[0].Loss = narrow(10) },
		"AMP1":       func(b *catalog.Bench) { b.Amplifier.Band.High = rf.Megahertz },
		"AMP1, gain": func(b *catalog.Bench) { b.Amplifier.Gain = narrow(40) },
		"AMP1, 1 dB compression": func(b *catalog.Bench) {
			b.Amplifier.Compression = curve.Flat(rf.DBm(37),
				1e6, 5e6, "narrow figures")
		},
		"COAX1, loss":            func(b *catalog.Bench) { b.ToClamp[0].Loss = narrow(1) },
		"CPL1, loss":             func(b *catalog.Bench) { b.Coupler.Loss = narrow(1) },
		"CPL1, forward coupling": func(b *catalog.Bench) { b.Coupler.Forward = narrow(40) },
		"CPL1, reverse coupling": func(b *catalog.Bench) { b.Coupler.Reverse = narrow(40) },
		"CLAMP1, insertion loss": func(b *catalog.Bench) { b.Clamp.InsertionLoss = narrow(8) },
		"CLAMP1, return loss":    func(b *catalog.Bench) { b.Clamp.ReturnLoss = narrow(8) },
		"PROBE1, transfer impedance": func(b *catalog.Bench) {
			b.Probe.TransferImpedance = curve.Flat(rf.Ohms(5),
				1e6, 5e6, "narrow figures")
		},
		"PAD2, loss": func(b *catalog.Bench) { b.ToAnalyser[0].Loss = narrow(8) },
		"SA1":        func(b *catalog.Bench) { b.Analyser.Band.High = rf.Megahertz },
	} {
		b := full()
		spoil(b)
		_, err := chain.New(b).Predict(f, rf.DBm(-30), chain.Crest{}, catalog.OnCable)
		if err == nil || !strings.Contains(err.Error(), piece) {
			t.Errorf("%s: %v", piece, err)
		}
	}
}

func TestSpanIsEndedByThePieceThatKnowsLeast(t *testing.T) {
	b := full()
	b.Clamp.InsertionLoss = curve.Flat(rf.Gain(8), 150*rf.Kilohertz, 80*rf.Megahertz, "jig")
	band, lowest, highest := chain.New(b).Span(catalog.OnCable)
	if band.Low != 150*rf.Kilohertz || band.High != 80*rf.Megahertz || lowest != "CLAMP1" || highest != "CLAMP1" {
		t.Errorf("%v %s %s", band, lowest, highest)
	}
	b.Source.Band.Low = 90 * rf.Megahertz
	if band, lowest, highest = chain.New(b).Span(catalog.OnCable); band.Low.Known() || lowest != "GEN1" ||
		highest != "CLAMP1" {
		t.Errorf("%v %s %s", band, lowest, highest)
	}
}

// Clamp of check values C11 and C12 (closed form, confirmed by a nodal solve): the current in a
// 300 Ω loop is that in the 100 Ω loop times |Zc + 100| / |Zc + 300| with the complex Zc of the
// table of physics.md 1.4. The chain knows |Zc| only, so the truth must lie in its range.
func TestJigOf150OhmWithTheMeasuredSeriesImpedance(t *testing.T) {
	for _, zc := range []complex128{3.61 + 12.20i, 29.01 + 10.58i, 33.53 + 13.00i, 35.79 + 27.17i, 6.53 + 6.17i,
		10.77 + 2.94i, 11.15 + 6.58i, 11.10 + 19.35i} {
		size := math.Hypot(real(zc), imag(zc))
		ratio := math.Hypot(real(zc)+100, imag(zc)) / math.Hypot(real(zc)+300, imag(zc))
		b := bare(8)
		b.Clamp.SeriesImpedance = flat(rf.Ohms(size))
		jig50 := predict(t, b, rf.DBm(20), chain.Crest{}, catalog.Jig50)
		jig150 := predict(t, b, rf.DBm(20), chain.Crest{}, catalog.Jig150)
		truth := jig50.Current.Add(rf.GainOfAmplitudeRatio(ratio))
		if truth.DB() < jig150.Low.DB() || truth.DB() > jig150.High.DB() {
			t.Errorf("Zc = %v: %v is outside %v to %v", zc, truth.Text(3), jig150.Low.Text(3), jig150.High.Text(3))
		}
		if s, _ := jig150.High.Minus(jig150.Low); s > 1.5 || jig150.Estimate == "" {
			t.Errorf("Zc = %v: range of %v, estimate %q", zc, s, jig150.Estimate)
		}
	}
}

// An ideal clamp of one turn (C20) puts 50 Ω in series, one of many turns nothing: the ratio lies
// between 150/350 and 100/300.
func TestJigOf150OhmWithoutASeriesImpedanceIsAnEstimate(t *testing.T) {
	jig50 := predict(t, bare(8), rf.DBm(20), chain.Crest{}, catalog.Jig50)
	jig150 := predict(t, bare(8), rf.DBm(20), chain.Crest{}, catalog.Jig150)
	if !strings.Contains(jig150.Estimate, "no measured series impedance") {
		t.Errorf("estimate %q", jig150.Estimate)
	}
	low, _ := jig150.Low.Minus(jig50.Current)
	high, _ := jig150.High.Minus(jig50.Current)
	near(t, "low end", low.DB(), 20*math.Log10(100.0/300), 1e-6)
	near(t, "high end", high.DB(), 20*math.Log10(150.0/350), 1e-6)
}

func TestACalibrationServesOnlyItsOwnLoop(t *testing.T) {
	measured := bare(8)
	measured.Clamp.SeriesImpedance = flat(rf.Ohms(50))
	for _, c := range []struct {
		name                 string
		calibration, profile rf.Resistance
		bench                *catalog.Bench
		refused, estimate    bool
	}{
		{"e.m.f. level after a 50 + 50 Ω calibration", 100, 300, bare(8), true, false},
		{"the same with a measured series impedance", 100, 300, measured, false, true},
		{"e.m.f. level after a 150 + 150 Ω calibration", 300, 300, bare(8), false, false},
		{"jig current after a 50 + 50 Ω calibration", 100, 100, bare(8), false, false},
		{"a current on the cable has no loop", 100, 0, bare(8), false, false},
		{"the calibration does not say its loop", 0, 300, measured, true, false},
	} {
		r, err := chain.CheckLoop(c.calibration, c.profile, c.bench)
		if errors.Is(err, chain.ErrLoop) != c.refused || (r.Estimate != "") != c.estimate {
			t.Errorf("%s: %+v, %v", c.name, r, err)
		}
	}
	r, err := chain.CheckLoop(100, 300, measured)
	if err != nil {
		t.Fatal(err)
	}
	shift, spread, err := r.Shift(f)
	if err != nil {
		t.Fatal(err)
	}
	// |Zc| = 50 Ω: between 150/350 (resistance) and √(50²+100²)/√(50²+300²) (reactance).
	near(t, "resistive end", (shift + spread).DB(), 20*math.Log10(150.0/350), 1e-9)
	near(t, "reactive end", (shift - spread).DB(), 20*math.Log10(math.Hypot(50, 100)/math.Hypot(50, 300)), 1e-9)
}

func TestReadingsNearTheEndsAreBounds(t *testing.T) {
	c := chain.New(full()) // floor −110 dBm, mixer limit −10 dBm
	for _, q := range []struct {
		reading rf.Power
		bound   rf.Bound
	}{
		{rf.DBm(-50), rf.Exactly},
		{rf.DBm(-99.9), rf.Exactly},
		{rf.DBm(-100), rf.AtMost},
		{rf.DBm(-130), rf.AtMost},
		{rf.Off[rf.Watt](), rf.AtMost},
		{rf.DBm(-10), rf.Exactly},
		{rf.DBm(-9.9), rf.AtLeast},
		{rf.DBm(-50).WithBound(rf.AtLeast), rf.AtLeast},
		{rf.DBm(-50).WithBound(rf.AtMost), rf.AtMost},
		{rf.Power{}, rf.Unknown},
	} {
		i, err := c.CableCurrent(f, q.reading)
		if err != nil {
			t.Fatal(err)
		}
		if i.Bound() != q.bound {
			t.Errorf("a reading of %v becomes %v", q.reading, i)
		}
	}
	// Nothing below the floor is believed: −130 dBm says at most what −110 dBm says.
	i, _ := c.CableCurrent(f, rf.DBm(-130))
	near(t, "at most", i.In(), -110+106.9897+20-13.9794, 1e-3)
}

// The edges of the one judgement, with a floor of −110 dBm and a limit of −10 dBm.
func TestAReadingIsBoundedByFloorAndLimit(t *testing.T) {
	floor, limit, off, none := rf.DBm(-110), rf.DBm(-10), rf.Off[rf.Watt](), rf.Power{}
	for _, q := range []struct {
		reading, floor, limit rf.Power
		overloaded            bool
		want                  rf.Power
	}{
		{rf.DBm(-50), floor, limit, false, rf.DBm(-50)},
		{rf.DBm(-99.999), floor, limit, false, rf.DBm(-99.999)},
		{rf.DBm(-100), floor, limit, false, rf.DBm(-100).WithBound(rf.AtMost)},
		{rf.DBm(-110), floor, limit, false, floor.WithBound(rf.AtMost)},
		{rf.DBm(-140), floor, limit, false, floor.WithBound(rf.AtMost)},
		{off, floor, limit, false, floor.WithBound(rf.AtMost)},
		{rf.DBm(-10), floor, limit, false, rf.DBm(-10)},
		{rf.DBm(-9.999), floor, limit, false, rf.DBm(-9.999).WithBound(rf.AtLeast)},
		// An overload goes before everything: a mixer that is overdriven shows less than there is, down to the floor.
		{rf.DBm(-50), floor, limit, true, rf.DBm(-50).WithBound(rf.AtLeast)},
		{rf.DBm(-140), floor, limit, true, rf.DBm(-140).WithBound(rf.AtLeast)},
		{rf.DBm(-50).WithBound(rf.AtMost), floor, limit, true, rf.DBm(-50).WithBound(rf.AtLeast)},
		{off, floor, limit, true, limit.WithBound(rf.AtLeast)},
		// A bound stays one, and no bound lies below the floor.
		{rf.DBm(-50).WithBound(rf.AtLeast), floor, limit, false, rf.DBm(-50).WithBound(rf.AtLeast)},
		{rf.DBm(-105).WithBound(rf.AtLeast), floor, limit, false, rf.DBm(-105).WithBound(rf.AtLeast)},
		{rf.DBm(-50).WithBound(rf.AtMost), floor, limit, false, rf.DBm(-50).WithBound(rf.AtMost)},
		{rf.DBm(-140).WithBound(rf.AtMost), floor, limit, false, floor.WithBound(rf.AtMost)},
		{rf.DBm(-5).WithBound(rf.AtMost), floor, limit, false, rf.DBm(-5).WithBound(rf.AtLeast)},
		// What is not known counts against the reading. A floor "at most" is one that may be lower.
		{rf.DBm(-50), none, limit, false, rf.DBm(-50).WithBound(rf.AtMost)},
		{rf.DBm(-50), floor, none, false, rf.DBm(-50).WithBound(rf.AtLeast)},
		{rf.DBm(-50), floor.WithBound(rf.AtLeast), limit, false, rf.DBm(-50).WithBound(rf.AtMost)},
		{rf.DBm(-105), floor.WithBound(rf.AtMost), limit, false, rf.DBm(-105).WithBound(rf.AtMost)},
		{rf.DBm(-50), floor.WithBound(rf.AtMost), limit, false, rf.DBm(-50)},
		{off, none, limit, false, none},
		{none, floor, limit, true, none},
	} {
		if got := chain.Bounded(q.reading, q.floor, q.limit, q.overloaded); got != q.want {
			t.Errorf("%v with floor %v, limit %v, overloaded %v is %v, not %v", q.reading, q.floor, q.limit,
				q.overloaded, got, q.want)
		}
	}
}

func TestWithoutFloorOrMixerLimitNoReadingIsBelieved(t *testing.T) {
	for name, spoil := range map[string]func(*catalog.Bench){
		"floor":       func(b *catalog.Bench) { b.Analyser.Floor = rf.Power{} },
		"mixer limit": func(b *catalog.Bench) { b.Analyser.MixerLimit = rf.Power{} },
		"analyser":    func(b *catalog.Bench) { b.Analyser = nil },
		"probe":       func(b *catalog.Bench) { b.Probe = nil },
	} {
		b := full()
		spoil(b)
		if _, err := chain.New(b).CableCurrent(f, rf.DBm(-50)); err == nil || !strings.Contains(err.Error(), name) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestPowerAtTheClampBehindAMeterReading(t *testing.T) {
	c := chain.New(full())
	forward, err := c.ForwardPower(f, rf.DBm(-10))
	if err != nil {
		t.Fatal(err)
	}
	reverse, err := c.ReversePower(f, rf.DBm(-20))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "forward", forward.In(), 30, 1e-9)
	near(t, "reverse", reverse.In(), 21, 1e-9)
	for _, reading := range []float64{-61, -50} {
		if p, _ := c.ForwardPower(f, rf.DBm(reading)); p.Bound() != rf.AtMost {
			t.Errorf("below the meter's floor, or 10 dB above it: %v", p)
		}
	}
	if p, _ := c.ForwardPower(f, rf.DBm(21)); p.Bound() != rf.AtLeast {
		t.Errorf("over the meter's rating: %v", p)
	}
	b := full()
	b.Coupler = nil
	if _, err := chain.New(b).ForwardPower(f, rf.DBm(-10)); err == nil {
		t.Error("forward power without a coupler")
	}
}

// The reading that Predict expects is the one that CableCurrent turns back into its current.
func TestPredictedReadingLeadsBackToTheCurrent(t *testing.T) {
	c := chain.New(full())
	p := predict(t, full(), rf.DBm(-25), chain.Crest{}, catalog.OnCable)
	i, err := c.CableCurrent(f, p.Reading)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "current", i.In(), p.Current.In(), 1e-9)
	forward := node(t, p, "power meter, forward port").Carrier.Power
	q, err := c.ForwardPower(f, forward)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "forward", q.In(), p.Forward.In(), 1e-9)
}

// 20 dBm − 10 dB + 40 dB = 50 dBm linear into an amplifier that saturates at 39.16 dBm: what can be
// reached is 39.16 − 0.5 + 73.01 − 8 = 103.67 dBµA.
func TestUnreachableCurrentSaysWhatCanBeReached(t *testing.T) {
	_, err := chain.New(full()).DriveFor(f, rf.DBuA(110), catalog.Jig50)
	if !errors.Is(err, chain.ErrUnreachable) {
		t.Fatal(err)
	}
	for _, want := range []string{"110.0 dBµA", "10 MHz", "103.7 dBµA", "20.0 dBm"} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("%q is not in %q", want, err)
		}
	}
	if _, err := chain.New(full()).DriveForForward(f, rf.DBm(40)); !errors.Is(err, chain.ErrUnreachable) {
		t.Error(err)
	}
}

func TestSafeDriveNamesWhatStandsInTheWay(t *testing.T) {
	for place, set := range map[string]func(*catalog.Bench){
		"amplifier input":  func(b *catalog.Bench) { b.Amplifier.MaximumInput = rf.DBm(-40) },
		"cable current":    func(b *catalog.Bench) { b.Cable.MaximumCurrent = rf.Amperes(0.003) },
		"analyser input":   func(b *catalog.Bench) { b.Analyser.MaximumInput = rf.DBm(-40) },
		"generator output": func(b *catalog.Bench) { b.Source.Maximum = rf.DBm(-40) },
		"reflected power":  func(b *catalog.Bench) { b.Amplifier.ReflectedLimit = rf.DBm(-10) },
	} {
		b := full()
		set(b)
		drive, n, err := chain.New(b).SafeDrive(f, am80, catalog.OnCable)
		if err != nil {
			t.Errorf("%s: %v", place, err)
		} else if n.Place != place || !n.Within || n.Headroom < 0 || n.Headroom > 0.011 {
			t.Errorf("%s: drive %v, limited by %+v", place, drive, n)
		}
	}
}

// The generator's minimum already destroys: 0 dBm into an amplifier of −20 dBm.
func TestNoSettingIsSafeWhenTheMinimumIsTooMuch(t *testing.T) {
	b := full()
	b.Source.Minimum, b.Amplifier.MaximumInput = rf.DBm(0), rf.DBm(-20)
	_, n, err := chain.New(b).SafeDrive(f, chain.Crest{}, catalog.Jig50)
	if !errors.Is(err, chain.ErrForbidden) || n.Place != "amplifier input" || !strings.Contains(err.Error(), "AMP1") ||
		!strings.Contains(err.Error(), "10.6 dB over") {
		t.Errorf("%+v, %v", n, err)
	}
}

// A reading below the high end of the range brings the prediction of the current down to what is expected, never
// further; one above it brings it up by as much as it is.
func TestAReadingMovesThePredictedCurrentWithinItsRange(t *testing.T) {
	b := full()
	p := predict(t, b, rf.DBm(-20), chain.Crest{}, catalog.OnCable)
	spread, _ := p.High.Minus(p.Current)
	if spread < 5 {
		t.Fatalf("the range is %v", spread)
	}
	headroom := func(p chain.Prediction) rf.Gain {
		for _, n := range p.Nodes {
			if n.By == chain.ByAnalyser && n.Carrier.Current.Known() {
				return n.Headroom
			}
		}
		t.Fatal("no node is read by the analyser")
		return 0
	}
	for by, want := range map[rf.Gain]rf.Gain{0: 0, -3: 3, -40: spread, 2: -2} {
		if got := headroom(p.With(chain.Surplus{Current: by})) - headroom(p); math.Abs((got - want).DB()) > 1e-9 {
			t.Errorf("a reading %v above the high end changes the headroom by %v, want %v", by, got, want)
		}
	}
	if got := headroom(p.Looped()) - headroom(p); math.Abs((got - spread).DB()) > 1e-9 {
		t.Errorf("in a loop the headroom is %v larger, want %v", got, spread)
	}
}
