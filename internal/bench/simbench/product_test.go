package simbench

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// expose sets the carrier current at the probe with a modulation and RF on, whatever the faces say.
func expose(b *Bench, hz, current float64, m Modulation) {
	b.do(func(p *plant) {
		p.operate = true
		p.generator = generatorState{on: true, hz: hz, am: m.AMDepth > 0, mod: m, volts: 1e-3}
		// the carrier current is monotone in the setting: bisect on the plant itself
		low, high := 1e-6, 3.5
		for range 60 {
			p.generator.volts = math.Sqrt(low * high)
			if p.amplifier(hz, p.generator.volts/ratio(p.generatorPad), true, false)[0]*p.transfer(hz).probe < current {
				low = p.generator.volts
			} else {
				high = p.generator.volts
			}
		}
	})
}

func quiet(b *Bench) { b.do(func(p *plant) { p.generator.on = false }) }

func TestEveryBandUpsetsAtItsTrueOnsetAndRecoversAtItsTrueRecovery(t *testing.T) {
	for seed := range uint64(12) {
		for _, m := range []Modulation{{}, CarrierHeldAM} {
			synctest.Test(t, func(t *testing.T) {
				b := New(Config{Seed: seed})
				defer b.Close()
				for i := range b.plant.bands {
					x := &b.plant.bands[i]
					for _, off := range []float64{-0.1, 0, 0.1} {
						checkBand(t, b, x, x.builds[Original].centre*math.Exp(off), m)
					}
				}
				if a := b.Abuses(); len(a) > 0 {
					t.Errorf("seed %d: %v", seed, a)
				}
			})
		}
	}
}

func checkBand(t *testing.T, b *Bench, x *band, hz float64, m Modulation) {
	t.Helper()
	onset := b.Onset(Original, hz, m)
	at := fmt.Sprintf("band %s at %.4g MHz, AM depth %g", x.name, hz/1e6, m.AMDepth)
	if onset*1.8 > 0.9*b.plant.saturation(hz)*b.plant.transferAt(Cable, Original, hz).probe {
		return // not to be reached with this amplifier
	}
	expose(b, hz, onset*ratio(-0.05), m)
	time.Sleep(3 * time.Second)
	if s := b.State(); s.Upset {
		t.Errorf("%s is upset 0.05 dB below its onset of %.2f dBµA: %.3f kg", at, dBuA(onset), s.Kilograms)
	}
	expose(b, hz, onset*ratio(0.05), m)
	time.Sleep(3 * time.Second)
	if !b.State().Upset {
		t.Errorf("%s is not upset 0.05 dB above its onset of %.2f dBµA", at, dBuA(onset))
	}
	if x.kind == latches {
		quiet(b)
		time.Sleep(time.Minute)
		if !b.State().Upset {
			t.Errorf("%s recovered without a reset", at)
		}
		b.ResetDUT()
	} else {
		recovery := b.plant.onset(x, Original, hz, m, x.hysteresis)
		expose(b, hz, recovery*ratio(0.05), m)
		time.Sleep(3 * time.Second)
		if !b.State().Upset {
			t.Errorf("%s recovered 0.05 dB above its recovery level", at)
		}
		expose(b, hz, recovery*ratio(-0.05), m)
		time.Sleep(3 * time.Second)
		if b.State().Upset {
			t.Errorf("%s did not recover 0.05 dB below its recovery level", at)
		}
		quiet(b)
	}
	time.Sleep(3 * time.Second)
	if s := b.State(); s.Upset {
		t.Errorf("%s is upset with RF off and after a reset", at)
	}
}

func TestNoBandButTheTrueOnesUpsetsAtTheLevelsWanted(t *testing.T) {
	for seed := range uint64(20) {
		g := drawGear(seed)
		p := &plant{gear: g, wiring: wiring{fixture: Cable}, operate: true, cache: map[transferKey]transfer{},
			product: weigher{build: Original}}
		for _, level := range TruthLevels {
			for hz := 150e3; hz < 80e6; hz *= 1.01 {
				p.setCarrier(hz, amperes(level))
				p.generator.am, p.generator.mod = true, CarrierHeldAM
				s := p.solve()
				worst := 0.0
				for i := range g.bands {
					worst = math.Max(worst, g.severityOf(&g.bands[i], Original, s))
				}
				truth := math.Inf(1)
				for i := range g.bands {
					if g.reaches(&g.bands[i], Original, hz, CarrierHeldAM) {
						truth = math.Min(truth, g.onset(&g.bands[i], Original, hz, CarrierHeldAM, 0))
					}
				}
				carrier := s.tones[0].carrier
				if upset, want := worst >= 1, carrier >= truth; upset != want &&
					math.Abs(decibel(carrier/truth)) > 0.01 {
					t.Fatalf("seed %d, %.4g MHz at %.1f dBµA: upset %v, but the onset is %.2f dBµA (harmonic?)",
						seed, hz/1e6, dBuA(carrier), upset, dBuA(truth))
				}
			}
		}
	}
}

// setCarrier sets the generator for a carrier current, or for what the amplifier can give.
func (p *plant) setCarrier(hz, current float64) {
	linear := rappInverse(current/p.transfer(hz).probe, p.saturation(hz), amplifierSharpness)
	p.generator = generatorState{on: true, hz: hz, volts: math.Min(linear, 1.5*p.saturation(hz)) / ratio(p.gain(hz))}
}

func TestThresholdsStayWhereABenchCanFindThem(t *testing.T) {
	if testing.Short() {
		t.Skip("many benches")
	}
	for seed := range uint64(50) {
		g := drawGear(seed)
		if n := len(g.bands); n < 2 || n > 3 {
			t.Errorf("seed %d has %d bands", seed, n)
		}
		low, high := 0.0, 0.0
		for hz := 150e3; hz < 80e6; hz *= 1.01 {
			r := decibel(g.transferAt(Cable, Original, hz).probe / g.transferAt(Jig50, Original, hz).probe)
			low, high = math.Min(low, r), math.Max(high, r)
		}
		if low < -20 || high > 10 {
			t.Errorf("seed %d: cable over jig goes from %.1f to %.1f dB, the bench file says -20 to 10", seed,
				low, high)
		}
		for _, x := range g.bands {
			for _, m := range []Modulation{{}, CarrierHeldAM} {
				d := x.builds[Original]
				onset := dBuA(g.onset(&x, Original, d.centre, m, 0))
				if onset < 60 || onset > 79.5 {
					t.Errorf("seed %d band %s: lowest onset %.1f dBµA", seed, x.name, onset)
				}
				lowEdge, highEdge, upsets := g.edges(&x, Original, m, amperes(80))
				if !upsets || highEdge/lowEdge < 1.08 {
					t.Errorf("seed %d band %s with AM depth %g: at 80 dBµA from %g to %g Hz", seed, x.name, m.AMDepth,
						lowEdge, highEdge)
				}
			}
		}
	}
}

func TestTheFixCuresOneBandAndImprovesTheOthers(t *testing.T) {
	if testing.Short() {
		t.Skip("many benches")
	}
	for seed := range uint64(20) {
		b := open(t, Config{Seed: seed})
		cured, improved := 0, 0
		for _, x := range b.Truth().Bands {
			before, after := x.Cases[1], x.Cases[3] // AM, original and fixed
			switch gain := after.LowestDBuA - before.LowestDBuA; {
			case !after.Edges[1].Upsets && gain > 25:
				cured++
			case gain > 2.5 && gain < 7.5:
				improved++
			}
		}
		if cured != 1 || cured+improved != len(b.plant.bands) {
			t.Errorf("seed %d: %d cured and %d improved of %d bands", seed, cured, improved, len(b.plant.bands))
		}
	}
}

func TestOtherFixesMoveWorsenOrDetune(t *testing.T) {
	at := func(f Fix, build Build) [][2]float64 {
		b := open(t, Config{Seed: 3, Fix: f})
		return b.Edges(build, CarrierHeldAM, amperes(80))
	}
	if before, after := at(FixMoves, Original), at(FixMoves, Fixed); len(before) != len(after) ||
		after[0][0] < before[0][1] {
		t.Errorf("moved from %v to %v", before, after)
	}
	if before, after := at(FixWorsens, Original), at(FixWorsens, Fixed); !(before[len(before)-1][0] > 1e6) ||
		!(after[len(after)-1][0] < 0.9e6) {
		t.Errorf("worsened from %v to %v", before, after)
	}
	b := open(t, Config{Seed: 3, Fix: FixDetunes})
	drive(t, b, 3e6, -10)
	before := b.State().Carrier
	b.SetBuild(Fixed)
	if drop := decibel(before / b.State().Carrier); drop < 10 {
		t.Errorf("the detuned cable carries %.1f dB less, want at least 10 dB", drop)
	}
}

func TestInAJigThereIsNoProductToUpset(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := New(Config{Fixture: Jig50})
		defer b.Close()
		hz := b.plant.bands[0].builds[Original].centre
		expose(b, hz, amperes(95), Modulation{})
		time.Sleep(5 * time.Second)
		if s := b.State(); s.Upset || s.DUTCrest != 0 || s.Carrier < amperes(94) {
			t.Errorf("state %+v", s)
		}
	})
}

func TestAHeldOutputHidesTheProductButNotTheMonitor(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := New(Config{MonitorBand: true})
		defer b.Close()
		b.HoldDUT(true)
		for i, want := range []bool{false, false} {
			expose(b, b.plant.bands[i].builds[Original].centre, amperes(85), Modulation{})
			time.Sleep(3 * time.Second)
			if got := b.State().Upset; got != want {
				t.Errorf("band %s with the output held: upset %v", b.plant.bands[i].name, got)
			}
			quiet(b)
			b.ResetDUT()
			time.Sleep(3 * time.Second)
		}
		expose(b, 7e6, amperes(85), Modulation{})
		time.Sleep(3 * time.Second)
		if !b.State().Upset {
			t.Error("the monitor's own band does not show with the output held")
		}
	})
}

func TestALatchedWeigherSendsItsErrorUntilItHearsRESET(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := New(Config{Seed: 1})
		defer b.Close()
		c := dial(t, b, "dut")
		defer c.conn.Close()
		next := func() string {
			line, err := c.in.ReadString('\n')
			if err != nil {
				t.Fatal(err)
			}
			return line
		}
		latch := &b.plant.bands[1]
		expose(b, latch.builds[Original].centre, amperes(80), CarrierHeldAM)
		next()
		if got := next(); got != "ERR 07\r\n" {
			t.Errorf("line %q, want ERR 07", got)
		}
		quiet(b)
		time.Sleep(time.Second)
		next()
		if got := next(); got != "ERR 07\r\n" {
			t.Errorf("line %q after RF went off, want ERR 07", got)
		}
		c.send("reset")
		next()
		if got := next(); !strings.HasSuffix(got, " kg\r\n") {
			t.Errorf("line %q after RESET, want a reading", got)
		}
		if v := dial(t, b, "meter").number("READ?"); v < 3 {
			t.Errorf("analogue output %g V after RESET", v)
		}
	})
}

func TestTheReadingShiftsWithTheSquareOfTheEnvelope(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := New(Config{Seed: 2})
		defer b.Close()
		x := &b.plant.bands[0]
		hz := x.builds[Original].centre
		onset := b.Onset(Original, hz, Modulation{})
		shift := func(db float64) float64 {
			expose(b, hz, onset*ratio(db), Modulation{})
			time.Sleep(5 * time.Second)
			return b.State().Kilograms - weight
		}
		near(t, "shift 6.02 dB up over shift at 0.1 dB", shift(6.1206)/shift(0.1), 4, 0.01)
	})
}

func TestTheNoiseOfTheReadingIsWellInsideTheTolerance(t *testing.T) {
	b := open(t, Config{})
	for range 2000 {
		line, _ := b.productLine(b.faces["dut"])
		kg, err := strconv.ParseFloat(strings.TrimSpace(strings.TrimSuffix(line, "kg\r\n")), 64)
		if err != nil || math.Abs(kg-weight) > 0.2*tolerance+1e-9 {
			t.Fatalf("line %q, want %g kg within %g", line, weight, 0.2*tolerance)
		}
	}
}

func TestTimeConstantsRunFasterWithTheSpeed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		for _, speed := range []float64{1, 25} {
			b := New(Config{Speed: speed})
			x := &b.plant.bands[0]
			hz := x.builds[Original].centre
			// 3 dB above the onset the filtered square passes the threshold after τ·ln 2
			expose(b, hz, b.Onset(Original, hz, Modulation{})*math.Sqrt2, Modulation{})
			due := x.constant * math.Ln2 / speed
			time.Sleep(time.Duration(0.98 * due * 1e9))
			early := b.State().Upset
			time.Sleep(time.Duration(0.04 * due * 1e9))
			if late := b.State().Upset; early || !late {
				t.Errorf("speed %g: upset %v before and %v after τ·ln 2", speed, early, late)
			}
			b.Close()
		}
	})
}

func TestRFSecondsExposuresAndMaximaAreRecorded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := New(Config{Speed: 10, KeepHistory: true})
		defer b.Close()
		for _, db := range []float64{60, 75, 50} {
			expose(b, 1e6, amperes(db), Modulation{})
			time.Sleep(time.Second)
			quiet(b)
		}
		s, h := b.State(), b.HighestCurrent()
		near(t, "bench seconds with RF on", s.Seconds, 30, 1e-6)
		if s.Exposures != 3 || s.On {
			t.Errorf("exposures %d, on %v", s.Exposures, s.On)
		}
		near(t, "highest carrier on the cable in dBµA", dBuA(h.CableCarrier), 75, 0.01)
		if n := len(b.History()); n < 6 {
			t.Errorf("history of %d samples", n)
		}
		b.ForgetHighest()
		if h := b.HighestCurrent(); h != (Highest{}) {
			t.Errorf("after forgetting: %+v", h)
		}
	})
}
