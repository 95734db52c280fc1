package chain_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"provoke/internal/files/catalog"
	"provoke/internal/model/chain"
	"provoke/internal/units/rf"
)

var someDay = time.Date(2026, 10, 2, 0, 0, 0, 0, time.UTC)

// 1.645·√(sum of variances), a rectangular limit a counting a²/3, by hand.
func TestTheUncertaintyOfWhatIsNotMeasuredStandsBesideTheLevel(t *testing.T) {
	limit := func(g rf.Gain) catalog.Uncertainty {
		return catalog.Uncertainty{Spread: catalog.SpreadRectangular, Value: g}
	}
	for name, c := range map[string]struct {
		change       func(*catalog.Bench)
		input, clamp float64
	}{
		// Source 0.5, pad 0.3, gain 2.0, coax 0.2, through line 0.3: √(4.47/3) = 1.22066.
		"nothing is stated": {func(b *catalog.Bench) { b.PowerMeter = nil }, 0.55379, 2.00799},
		// Gain 0.7 instead: √(0.96/3) = 0.565685.
		"the gain was measured": {func(b *catalog.Bench) { b.PowerMeter, b.Amplifier.GainMeasured = nil, someDay },
			0.55379, 0.93055},
		// Gain U = 1.0 dB, k = 2: √(0.47/3 + 0.25) = 0.637704.
		"a certificate for the gain": {func(b *catalog.Bench) {
			b.PowerMeter = nil
			b.Amplifier.Uncertainty = catalog.Uncertainty{Spread: catalog.SpreadNormal, Value: 1, K: 2}
		}, 0.55379, 1.04902},
		// Source 0.1 and pad 0.1: √(0.02/3) = 0.0816497; with the rest √(4.15/3) = 1.17615.
		"a good source and pad": {func(b *catalog.Bench) {
			b.PowerMeter, b.Source.Uncertainty, b.ToAmplifier[0].Uncertainty = nil, limit(0.1), limit(0.1)
		}, 0.13431, 1.93477},
		// Coupling 0.5, meter 0.3: √(0.34/3) = 0.336650.
		"a power meter": {func(*catalog.Bench) {}, 0.55379, 0.55379},
		"a power meter that is better": {func(b *catalog.Bench) {
			b.Coupler.Uncertainty,
				b.PowerMeter.Uncertainty = limit(0.3), limit(0.1)
		}, 0.55379, 0.30034},
	} {
		b := full()
		c.change(b)
		p := predict(t, b, rf.DBm(-30), chain.Crest{}, catalog.OnCable)
		near(t, name+": amplifier input", float64(node(t, p, "amplifier input").Unsure), c.input, 1e-4)
		near(t, name+": clamp", float64(node(t, p, "clamp forward power").Unsure), c.clamp, 1e-4)
		for _, place := range []string{"cable current", "probe current", "analyser input", "generator output"} {
			near(t, name+": "+place, float64(node(t, p, place).Unsure), 0, 0)
		}
		n := node(t, p, "clamp forward power")
		plain, _ := n.Rating.Power.Minus(n.Compared().Power)
		near(t, name+": headroom", float64(n.Headroom), float64(plain)-c.clamp, 1e-4)
	}
}

// Without an analyser nobody measures the current: the clamp's 0.5 dB come on top of the power's,
// √(4.47/3 + 0.25/3) = 1.254326.
func TestACurrentThatIsNotMeasuredHasTheUncertaintyOfItsPower(t *testing.T) {
	b := full()
	b.PowerMeter, b.Analyser = nil, nil
	p := predict(t, b, rf.DBm(-30), chain.Crest{}, catalog.OnCable)
	near(t, "cable current", float64(node(t, p, "cable current").Unsure), 2.06337, 1e-4)
	near(t, "probe current", float64(node(t, p, "probe current").Unsure), 2.06337, 1e-4)
	n := node(t, p, "probe current")
	plain, _ := n.Rating.Current.Minus(n.Peak.Current)
	near(t, "headroom", float64(n.Headroom), float64(plain)-2.06337, 1e-4)
}

// 2.008 − 0.554 = 1.454 dB.
func TestARefusalNamesWhatMeasuringRegains(t *testing.T) {
	b := full()
	b.PowerMeter, b.Clamp.MaximumForward = nil, rf.DBm(-1.5)
	p := predict(t, b, rf.DBm(-32), chain.Crest{}, catalog.OnCable) // −2 dBm at the amplifier's output
	err := node(t, p, "clamp forward power").Refusal()
	if err == nil {
		t.Fatal("0.5 dB and the losses are less than 2 dB")
	}
	for _, want := range []string{"with 2.0 dB for what is not measured", "a power meter at the clamp regains 1.5 dB"} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("%q does not say %q", err, want)
		}
	}
	b = full()
	b.Clamp.MaximumForward = rf.DBm(-1.5)
	if n := node(t, predict(t, b, rf.DBm(-32), chain.Crest{}, catalog.OnCable),
		"clamp forward power"); n.Refusal() != nil || n.Regain != "" {
		t.Errorf("with a power meter: %+v", n)
	}
}

// Whatever is stated or measured, no node has less headroom for it.
func TestKnowingMoreNeverLowersHeadroom(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		less, at, fixture, crest := anyBench(t), anyFrequency(t), anyFixture(t), anyCrest(t)
		drive := rf.DBm(rapid.Float64Range(-100, 40).Draw(t, "drive"))
		meter := less.PowerMeter
		less.PowerMeter = nil
		more := *less
		if rapid.Bool().Draw(t, "meter") {
			more.PowerMeter = meter
		}
		if less.Amplifier != nil {
			a := *less.Amplifier
			if rapid.Bool().Draw(t, "measured") {
				a.GainMeasured = someDay
			}
			if rapid.Bool().Draw(t, "stated") {
				a.Uncertainty = catalog.Uncertainty{Spread: catalog.SpreadRectangular,
					Value: rf.Gain(rapid.Float64Range(0, 0.7).Draw(t, "limits"))}
			}
			more.Amplifier = &a
		}
		before, err := chain.New(less).Predict(at, drive, crest, fixture)
		if err != nil {
			t.Fatal(err)
		}
		after, err := chain.New(&more).Predict(at, drive, crest, fixture)
		if err != nil {
			t.Fatal(err)
		}
		headroom := map[string]rf.Gain{}
		for _, n := range after.Nodes {
			headroom[n.ID+n.Place] = n.Headroom
		}
		for _, n := range before.Nodes {
			if h := headroom[n.ID+n.Place]; h < n.Headroom-1e-9 {
				t.Fatalf("%s: %v becomes %v", n.Place, n.Headroom, h)
			}
			if n.Place == "amplifier output" && n.Compared().Power.Above(less.Amplifier.Saturation) && n.Unsure > 1e-6 {
				t.Fatalf("an output of %v counts as %v more", n.Compared(), n.Unsure)
			}
			if n.Unsure < 0 || math.IsNaN(float64(n.Unsure)) {
				t.Fatalf("%s: %v", n.Place, n.Unsure)
			}
		}
	})
}
