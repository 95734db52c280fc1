package chain_test

import (
	"errors"
	"math"
	"testing"

	"pgregory.net/rapid"

	"provoke/internal/files/catalog"
	"provoke/internal/model/chain"
	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

func gains(t *rapid.T, what string, low, high float64) curve.Curve[rf.Gain] {
	points := []curve.Point[rf.Gain]{}
	for i, at := range []rf.Frequency{10e3, 150e3, 1e6, 30e6, 200e6} {
		points = append(points, curve.Point[rf.Gain]{At: at,
			Value: rf.Gain(rapid.Float64Range(low, high).Draw(t, what+string(rune('0'+i))))})
	}
	c, err := curve.New(points, what)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// anyBench draws a bench with every piece, every rating given.
func anyBench(t *rapid.T) *catalog.Bench {
	dB := func(what string, low, high float64) rf.Gain {
		return rf.Gain(rapid.Float64Range(low, high).Draw(t, what))
	}
	dBm := func(what string, low, high float64) rf.Power {
		return rf.DBm(rapid.Float64Range(low, high).Draw(t, what))
	}
	b := full()
	b.Source.Maximum, b.Source.Minimum = dBm("maximum", -10, 25), dBm("minimum", -140, -110)
	b.Source.Resolution = rapid.SampledFrom([]rf.Gain{0, 0.001, 0.01, 0.1, 0.5, 1}).Draw(t, "resolution")
	b.ToAmplifier[0].Loss = gains(t, "pad", 0, 30)
	b.Amplifier.Gain = gains(t, "gain", 20, 55)
	compression := rapid.Float64Range(20, 47).Draw(t, "compression")
	b.Amplifier.Compression = flat(rf.DBm(compression))
	b.Amplifier.Saturation = rf.DBm(compression + rapid.Float64Range(0, 4).Draw(t, "saturation"))
	b.Amplifier.MaximumInput = dBm("input", -20, 20)
	b.Amplifier.ReflectedLimit = dBm("reflected", 20, 50)
	b.ToClamp[0].Loss = gains(t, "coax", 0, 2)
	b.Clamp.InsertionLoss, b.Clamp.ReturnLoss = gains(t, "insertion", 3.1, 30), gains(t, "return", 0, 20)
	b.Clamp.MaximumForward = dBm("clamp", 10, 50)
	if rapid.Bool().Draw(t, "series") {
		b.Clamp.SeriesImpedance = flat(rf.Ohms(rapid.Float64Range(0.1, 200).Draw(t, "zc")))
	}
	b.Cable.ExpectedHigh, b.Cable.ExpectedLow = dB("high", 0, 15), dB("low", -25, 0)
	b.Cable.MaximumCurrent = rf.Amperes(rapid.Float64Range(0.01, 1).Draw(t, "cap"))
	b.Probe.TransferImpedance = flat(rf.DBOhm(rapid.Float64Range(-20, 30).Draw(t, "zt")))
	b.ToAnalyser[0].Loss = gains(t, "pad2", 0, 40)
	if rapid.Bool().Draw(t, "no amplifier") {
		b.Amplifier = nil
	}
	return b
}

func anyFrequency(t *rapid.T) rf.Frequency {
	return rf.Frequency(math.Pow(10, rapid.Float64Range(4, 8.3).Draw(t, "log f")))
}

func anyFixture(t *rapid.T) catalog.Fixture {
	return rapid.SampledFrom([]catalog.Fixture{catalog.OnCable, catalog.Jig50, catalog.Jig150}).Draw(t, "fixture")
}

func anyCrest(t *rapid.T) chain.Crest {
	return rapid.SampledFrom([]chain.Crest{{}, am80, {Mean: -9}, {OverCarrier: 6.02, Mean: 1.76}}).Draw(t, "crest")
}

func TestDriveForIsTheInverseOfPredict(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b, at, fixture := anyBench(t), anyFrequency(t), anyFixture(t)
		c := chain.New(b)
		drive := rf.DBm(rapid.Float64Range(-100, b.Source.Maximum.In()).Draw(t, "drive"))
		p, err := c.Predict(at, drive, chain.Crest{}, fixture)
		if err != nil {
			t.Fatal(err)
		}
		if p.Compression > 12 {
			return // there the output no longer tells the input
		}
		back, err := c.DriveFor(at, p.Current, fixture)
		if err != nil {
			// Rounding may put a drive at the very maximum a hair above it.
			if errors.Is(err, chain.ErrUnreachable) && b.Source.Maximum.DB()-drive.DB() < 0.001 {
				return
			}
			t.Fatal(err)
		}
		if math.Abs(back.DB()-drive.DB()) > 0.001 {
			t.Fatalf("drive %v became %v", drive.Text(6), back.Text(6))
		}
		back, err = c.DriveForForward(at, p.Forward)
		if err == nil && math.Abs(back.DB()-drive.DB()) > 0.001 {
			t.Fatalf("drive %v became %v by its forward power", drive.Text(6), back.Text(6))
		}
	})
}

func TestEveryNodeRisesWithTheDrive(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b, at, fixture, crest := anyBench(t), anyFrequency(t), anyFixture(t), anyCrest(t)
		a := rapid.Float64Range(-100, 40).Draw(t, "drive")
		d := rapid.Float64Range(0.01, 30).Draw(t, "step")
		lower, err := chain.New(b).Predict(at, rf.DBm(a), crest, fixture)
		if err != nil {
			t.Fatal(err)
		}
		higher, err := chain.New(b).Predict(at, rf.DBm(a+d), crest, fixture)
		if err != nil {
			t.Fatal(err)
		}
		for i, n := range lower.Nodes {
			m := higher.Nodes[i]
			for k, pair := range [][2]chain.Value{{n.Carrier, m.Carrier}, {n.Peak, m.Peak}, {n.Mean, m.Mean}} {
				x, y := pair[0].Power.DB(), pair[1].Power.DB()
				if pair[0].Power.Absent() {
					x, y = pair[0].Current.DB(), pair[1].Current.DB()
				}
				// Deep in saturation two outputs differ by less than rounding.
				if !(y >= x-1e-9) || y-x > d+1e-9 {
					t.Fatalf("%s, level %d: %v dB to %v dB for a step of %v dB", n.Place, k, x, y, d)
				}
			}
			if m.Within && !n.Within {
				t.Fatalf("%s is within at the higher drive only", n.Place)
			}
		}
		if higher.Compression < lower.Compression-1e-9 {
			t.Fatalf("compression falls from %v to %v", lower.Compression, higher.Compression)
		}
	})
}

func TestSafeDriveIsSafeAndOneStepMoreIsNot(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b, at, fixture, crest := anyBench(t), anyFrequency(t), anyFixture(t), anyCrest(t)
		c := chain.New(b)
		drive, n, err := c.SafeDrive(at, crest, fixture)
		if err != nil {
			t.Fatal(err)
		}
		p, err := c.Predict(at, drive, crest, fixture)
		if err != nil {
			t.Fatal(err)
		}
		if !p.Within() || !n.Within {
			t.Fatalf("%v is not safe: %+v", drive, p.Tightest())
		}
		step := b.Source.Resolution
		if step <= 0 {
			step = 0.001
		}
		if steps := drive.In() / step.DB(); math.Abs(steps-math.Round(steps)) > 1e-6 {
			t.Fatalf("%v is not on the grid of %v", drive.Text(6), step.Text(3))
		}
		p, err = c.Predict(at, drive.Add(step), crest, fixture)
		if err != nil {
			t.Fatal(err)
		}
		if p.Within() && p.Tightest().Headroom > 1e-9 { // 40 rounded sums may end within by the last digit of a float
			t.Fatalf("%v is safe too", drive.Add(step))
		}
		for _, m := range p.Nodes {
			if m.Place == n.Place && m.ID == n.ID && (!m.Within || m.Headroom <= 1e-9) {
				return
			}
		}
		t.Fatalf("%s %s does not stand in the way", n.ID, n.Place)
	})
}

func TestNoNodeIsWithinOverItsRating(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b, at, fixture, crest := anyBench(t), anyFrequency(t), anyFixture(t), anyCrest(t)
		p, err := chain.New(b).Predict(at, rf.DBm(rapid.Float64Range(-100, 60).Draw(t, "drive")), crest, fixture)
		if err != nil {
			t.Fatal(err)
		}
		for _, n := range p.Nodes {
			over := n.Compared().Power.Add(n.Unsure).Exceeds(n.Rating.Power)
			if !n.Compared().Current.Absent() {
				over = n.Compared().Current.Add(n.Unsure).Exceeds(n.Rating.Current)
			}
			if over == n.Within && !n.Rating.Absent() {
				t.Fatalf("%+v", n)
			}
			if n.Within && n.Headroom < 0 || !n.Within && n.Headroom > 0 {
				t.Fatalf("%+v", n)
			}
		}
	})
}

func TestTheCurrentLiesInItsRange(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p, err := chain.New(anyBench(t)).Predict(anyFrequency(t), rf.DBm(rapid.Float64Range(-100, 60).Draw(t, "drive")),
			chain.Crest{}, anyFixture(t))
		if err != nil {
			t.Fatal(err)
		}
		if p.Current.DB() < p.Low.DB()-1e-9 || p.Current.DB() > p.High.DB()+1e-9 {
			t.Fatalf("%v is outside %v to %v", p.Current, p.Low, p.High)
		}
	})
}

func BenchmarkPredict(b *testing.B) {
	c := chain.New(full())
	for b.Loop() {
		if _, err := c.Predict(f, rf.DBm(-10), am80, catalog.OnCable); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkSafeDrive(b *testing.B) {
	c := chain.New(full())
	for b.Loop() {
		if _, _, err := c.SafeDrive(f, am80, catalog.OnCable); err != nil {
			b.Fatal(err)
		}
	}
}
