package simbench

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// partOf is a part of a bench by its name.
func partOf(t *testing.T, b *Bench, name string) Part {
	t.Helper()
	for _, p := range b.Parts() {
		if p.Name == name {
			return p
		}
	}
	t.Fatalf("no part %q in %+v", name, b.Parts())
	return Part{}
}

// centres are the frequencies at which the bench's first two bands are worst.
func centres(b *Bench) [2]float64 {
	return [2]float64{b.plant.bands[0].builds[Original].centre, b.plant.bands[1].builds[Original].centre}
}

func TestEverySeedHasAPartThatHelpsHereAndHurtsThereAndOneThatDoesNothing(t *testing.T) {
	for seed := range uint64(51) {
		b := open(t, Config{Seed: seed})
		at := centres(b)
		both := func(name string) (low, high float64) {
			p := partOf(t, b, name)
			x, y := p.EffectDB(at[0]), p.EffectDB(at[1])
			return math.Min(x, y), math.Max(x, y)
		}
		if hurts, helps := both("ferrite"); helps < 4 || helps > 10.1 || hurts > -1.9 || hurts < -5.1 {
			t.Errorf("seed %d: the ferrite does %.2f and %.2f dB", seed, hurts, helps)
		}
		if little, much := both("capacitor"); much < 15 || math.Abs(little) > 0.5 {
			t.Errorf("seed %d: the capacitor does %.2f and %.2f dB", seed, little, much)
		}
		if low, high := both("strap"); low < 0.9 || high > 3 {
			t.Errorf("seed %d: the strap does %.2f and %.2f dB", seed, low, high)
		}
		clip := partOf(t, b, "clip-on")
		for hz := 9e3; hz < 400e6; hz *= 1.05 {
			if db := clip.EffectDB(hz); db != 0 {
				t.Fatalf("seed %d: the clip-on does %g dB at %g Hz", seed, db, hz)
			}
		}
		for _, p := range b.Parts() {
			if p.On {
				t.Errorf("seed %d: %s is on from the start", seed, p.Name)
			}
			for hz := 100e3; hz < 100e6; hz *= 1.01 { // smooth: no jump from one per cent to the next
				if d := math.Abs(p.EffectDB(hz*1.01) - p.EffectDB(hz)); d > 0.4 {
					t.Fatalf("seed %d: %s jumps by %.2f dB at %g Hz", seed, p.Name, d, hz)
				}
			}
		}
	}
}

// rise raises a carrier without modulation by 0.05 dB from far below until the product says on the faces that it is
// upset, and returns the analyser's dBm there; false where it never does.
func rise(t *testing.T, b *Bench, hz float64) (float64, bool) {
	t.Helper()
	source, meter, analyser := dial(t, b, "source"), dial(t, b, "meter"), dial(t, b, "analyser")
	defer source.conn.Close()
	defer meter.conn.Close()
	defer analyser.conn.Close()
	analyser.send(fmt.Sprintf("INIT:CONT OFF;:FREQ:CENT %f;:FREQ:SPAN 0;:BAND 10E3", hz))
	source.ask(fmt.Sprintf("OUTP:LOAD 50;:VOLT:UNIT DBM;:FREQ %f;:VOLT -35;:OUTP 1;*OPC?", hz))
	defer source.ask("OUTP 0;*OPC?")
	well := meter.number("READ?")
	for dbm := -35.0; dbm < 9.5; dbm += 0.05 {
		source.ask(fmt.Sprintf("VOLT %.2f;*OPC?", dbm))
		time.Sleep(3 * time.Second)
		// 0.05 kg at 0.2 V a kilogram, and the error's own voltage far below
		if math.Abs(meter.number("READ?")-well) > 0.01 {
			return analyser.number("READ:POW?"), true
		}
	}
	return 0, false
}

func TestAPartMovesTheOnsetThatTheInstrumentsSeeByWhatTheTableSays(t *testing.T) {
	if testing.Short() {
		t.Skip("many rises")
	}
	worst, compared := 0.0, 0
	for seed := range uint64(3) {
		for _, build := range []Build{Original, Fixed} {
			synctest.Test(t, func(t *testing.T) {
				b := New(Config{Seed: seed, Steady: true})
				defer b.Close()
				b.SetBuild(build)
				hand := dial(t, b, "hand")
				defer hand.conn.Close()
				amplifier := dial(t, b, "amplifier")
				defer amplifier.conn.Close()
				amplifier.ask("OUTP 1;OUTP?")
				for i, hz := range centres(b) {
					hz *= 1.02 // beside the centre of band and effect
					measure := func(on ...string) (float64, bool) {
						for _, name := range on {
							hand.ask("PART " + name + ",ON;*OPC?")
						}
						level, found := rise(t, b, hz)
						for _, name := range on {
							hand.ask("PART " + name + ",OFF;*OPC?")
						}
						hand.ask("DUT:RES;*OPC?")
						time.Sleep(3 * time.Second)
						return level, found
					}
					before, found := measure()
					if !found {
						continue // the fix put it out of reach
					}
					for _, on := range [][]string{{"ferrite"}, {"capacitor"}, {"strap"}, {"clip-on"},
						{"ferrite", "strap"}} {
						after, found := measure(on...)
						want := 0.0
						for _, name := range on {
							want += partOf(t, b, name).EffectDB(hz)
						}
						if !found {
							if want < 10 {
								t.Errorf("seed %d, %s, band %d: no upset with %v", seed, build, i, on)
							}
							continue
						}
						compared++
						off := math.Abs(after - before - want)
						worst = math.Max(worst, off)
						if off > 0.2 {
							t.Errorf("seed %d, %s, band %d: %v moved the onset by %.2f dB, the table says %.2f", seed,
								build, i, on, after-before, want)
						}
					}
				}
				if a := b.Abuses(); len(a) > 0 {
					t.Errorf("seed %d: %v", seed, a)
				}
			})
		}
	}
	t.Logf("figure: %d differences measured through the instruments lie at most %.2f dB off the table", compared, worst)
	if compared < 25 {
		t.Errorf("only %d differences were compared", compared)
	}
}

func TestPartsChangeTheProductAndNotTheCable(t *testing.T) {
	b := open(t, Config{Seed: 4, MonitorBand: true})
	drive(t, b, 7e6, -10)
	monitor := b.Onset(Original, 7e6, Modulation{})
	before, cable := b.State(), b.Truth().Bands
	for _, p := range b.Parts() {
		if err := b.PutOn(p.Name, true); err != nil {
			t.Fatal(err)
		}
	}
	if now := b.State(); now.Carrier != before.Carrier || now.DUTCarrier != before.DUTCarrier ||
		now.Forward != before.Forward {
		t.Errorf("with every part on: %+v, before: %+v", now, before)
	}
	if now := b.Onset(Original, 7e6, Modulation{}); now != monitor {
		t.Errorf("parts on the product moved the onset of the monitor from %g to %g A", monitor, now)
	}
	for i, x := range b.Truth().Bands {
		if x.Cases[0].LowestDBuA != cable[i].Cases[0].LowestDBuA {
			t.Errorf("band %s is told with the parts that are on", x.Name)
		}
	}
	err := b.PutOn("toaster", true)
	if err == nil {
		t.Fatal("a toaster was put on")
	}
	for _, p := range b.Parts() {
		if !strings.Contains(err.Error(), p.Name) {
			t.Errorf("%q does not tell of %s", err, p.Name)
		}
	}
}

// With a part on that lowers an onset, the second and third harmonic must not upset before the carrier does.
func TestNoHarmonicUpsetsWithThePartThatHurts(t *testing.T) {
	if testing.Short() {
		t.Skip("many benches")
	}
	for seed := range uint64(51) {
		g := drawGear(seed)
		for i := range g.parts {
			g.parts[i].On = g.parts[i].Name == "ferrite"
		}
		for hz := 150e3; hz < 80e6; hz *= 1.02 {
			for order := 2; order <= 3; order++ {
				if g.harmonicUpsets(hz*float64(order), order, amperes(90.457)) {
					t.Fatalf("seed %d: harmonic %d of %g Hz upsets", seed, order, hz)
				}
			}
		}
	}
}

func TestTheTruthTellsThePartsAndTheOnsetAsItIsNow(t *testing.T) {
	b := open(t, Config{Seed: 9})
	c := dial(t, b, "hand")
	hz := centres(b)[1]
	before := b.OnsetNow(hz, CarrierHeldAM)
	near(t, "onset in dBµA", before, dBuA(b.Onset(Original, hz, CarrierHeldAM)), 1e-9)
	c.ask("PART FERRITE,ON;PART strap,1;*OPC?")
	want := before + partOf(t, b, "ferrite").EffectDB(hz) + partOf(t, b, "strap").EffectDB(hz)
	near(t, "onset with two parts in dBµA", b.OnsetNow(hz, CarrierHeldAM), want, 0.05)
	near(t, "the same over the wire", c.number(fmt.Sprintf("ONS? %f HZ,80", hz)), b.OnsetNow(hz, CarrierHeldAM), 1e-6)
	near(t, "without modulation", c.number(fmt.Sprintf("ONS? %f", hz)), b.OnsetNow(hz, Modulation{}), 1e-6)
	if got := c.number("ONS? 100 KHZ"); got != 9.9e37 {
		t.Errorf("where it is never upset the onset is %g", got)
	}
	c.send("TRUT?")
	var told Truth
	if err := json.Unmarshal(c.readBlock(), &told); err != nil || len(told.Parts) != 4 {
		t.Fatalf("%v: %+v", err, told.Parts)
	}
	for _, p := range told.Parts {
		if p.On != (p.Name == "ferrite" || p.Name == "strap") {
			t.Errorf("%s on: %v", p.Name, p.On)
		}
		if p.Is == "" {
			t.Errorf("%s is told as %+v", p.Name, p)
		}
		want := 0.0 // by the formula of the documents
		for _, h := range p.Humps {
			want += h.DB * math.Exp(-0.5*math.Pow(math.Log(1.3*hz/h.CentreHz)/h.Width, 2))
		}
		near(t, p.Name, partOf(t, b, p.Name).EffectDB(1.3*hz), want, 1e-9)
	}
	b.SetBuild(Cured) // the cure raises the onset to at least 100 dBµA; parts count from there
	near(t, "cured, with parts", b.OnsetNow(hz, Modulation{})-b.plant.bands[1].builds[Cured].lowest,
		want-before, 0.01)
}

func TestTheHandRefusesWhatItDoesNotKnow(t *testing.T) {
	b := open(t, Config{Seed: 2})
	c := dial(t, b, "hand")
	for bad, code := range map[string]string{
		"PART": "-109", "PART ferrite": "-109", "PART ferrite,ON,1": "-108", "PART toaster,ON": "-224",
		"PART ferrite,PERHAPS": "-224", "WAND": "-109", "WAND X": "-104",
		"WAND 21": "-222", "WAND -1": "-222", "WAND 2,1": "-222", "WAND 2,600,1,1": "-108", "SPR": "-109",
		"SPR -1": "-222", "SPR 2,-1": "-222", "SPR 2,1,1": "-108", "ONS?": "-109", "ONS? 1 VPP": "-131",
		"ONS? 1 MHZ,120": "-222",
	} {
		c.send(bad)
		if got := c.ask("SYST:ERR?"); !strings.HasPrefix(got, code+",") {
			t.Errorf("%s: %s, want %s", bad, got, code)
		}
	}
	if got := c.ask("PART toaster,1;:SYST:ERR?"); !strings.Contains(got, "capacitor") {
		t.Errorf("an unknown part is refused with %s", got)
	}
	converse(t, c, []exchange{
		{"PART:LIST?", `"ferrite",0,"capacitor",0,"strap",0,"clip-on",0`},
		{"PART 'clip-on',ON;:PART Ferrite,1;:PART:LIST?", `"ferrite",1,"capacitor",0,"strap",0,"clip-on",1`},
		{"PART clip-on,OFF;:PART:LIST?", `"ferrite",1,"capacitor",0,"strap",0,"clip-on",0`},
		{"WAND?;SPR?;:SYST:ERR?", "0;0;" + noError},
		{"WAND 2;WAND?;WAND 0;WAND?", "2;0"},
		{"SPR 2;SPR?;SPR 0;SPR?", "2;0"},
		{"WAND 1.5 DB,900,7;SPR 1,3;:SYST:ERR?", noError},
	})
}

func TestASpreadFromTheHandIsThatOfTheBench(t *testing.T) {
	var shifts [3]float64
	for i, set := range []func(*Bench, *client){
		func(b *Bench, _ *client) { b.RandomOnset(2, 77) },
		func(_ *Bench, c *client) { c.ask("SPR 2,77;SPR?") },
		func(_ *Bench, c *client) { c.ask("SPR 2;SPR?") }, // the bench's own seed
	} {
		b := open(t, Config{Seed: 6})
		set(b, dial(t, b, "hand"))
		expose(b, centres(b)[0], amperes(90), Modulation{})
		shifts[i] = b.plant.chance.shift[0]
	}
	if shifts[0] == 0 || shifts[0] != shifts[1] || shifts[2] == 0 || shifts[2] == shifts[0] {
		t.Errorf("shifts %v", shifts)
	}
}

func TestAProductThatWandersIsBoundedAndTheSameEachTime(t *testing.T) {
	const wide, period = 2.0, 20 * time.Minute
	walk := func(seed uint64) (out []float64) {
		synctest.Test(t, func(t *testing.T) {
			b := New(Config{Seed: 3, Speed: 60})
			defer b.Close()
			hz := centres(b)[0]
			still := b.OnsetNow(hz, Modulation{})
			time.Sleep(7 * time.Second) // it counts from when it begins
			b.Wander(wide, period, seed)
			time.Sleep(time.Millisecond)
			near(t, "at its beginning", b.OnsetNow(hz, Modulation{}), still, 0.01)
			for range 240 {
				time.Sleep(time.Second) // a minute of the bench
				out = append(out, b.OnsetNow(hz, Modulation{})-still)
			}
			b.Wander(0, period, seed)
			near(t, "after its end", b.OnsetNow(hz, Modulation{}), still, 1e-6)
		})
		return out
	}
	first, again, other := walk(1), walk(1), walk(2)
	low, high, differs := 0.0, 0.0, false
	for i := range first {
		if first[i] != again[i] {
			t.Fatalf("after %d minutes %g dB and %g dB", i+1, first[i], again[i])
		}
		differs = differs || math.Abs(first[i]-other[i]) > 0.1
		low, high = math.Min(low, first[i]), math.Max(high, first[i])
		if i > 0 && math.Abs(first[i]-first[i-1]) > wide { // 20 minutes, not one
			t.Errorf("%.2f dB within a minute", first[i]-first[i-1])
		}
	}
	if low < -wide-1e-6 || high > wide+1e-6 || low > -wide/2 || high < wide/2 || !differs {
		t.Errorf("it wanders from %.2f to %.2f dB; another seed differs: %v", low, high, differs)
	}
}

// RF stays at one level and nobody asks anything: the onset comes down to it by itself.
func TestAnOnsetThatWandersDownToAHeldLevelUpsetsTheProduct(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := New(Config{Seed: 3})
		defer b.Close()
		hz := centres(b)[1] // it latches: what happened meanwhile is seen at the end
		still := b.Onset(Original, hz, Modulation{})
		b.Wander(2, 20*time.Minute, 5)
		expose(b, hz, still*ratio(-0.8), Modulation{})
		if b.State().Upset {
			t.Fatal("upset 0.8 dB below the onset")
		}
		time.Sleep(20 * time.Minute) // a whole turn of the slowest part, in one go
		if !b.State().Upset {
			t.Error("not upset although the onset went down by more than 0.8 dB")
		}
		quiet(b)
		b.ResetDUT()
		b.Wander(0, time.Hour, 5)
		expose(b, hz, still*ratio(-0.8), Modulation{})
		time.Sleep(20 * time.Minute)
		if b.State().Upset {
			t.Error("upset without wandering")
		}
	})
}

func TestTheRecordOfRFSaysWhenItWasOnAndWhenNot(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := New(Config{Seed: 1, Speed: 10})
		defer b.Close()
		start := time.Now()
		at := func(s float64) time.Time { return start.Add(time.Duration(s * float64(time.Second))) }
		source, amplifier, hand := dial(t, b, "source"), dial(t, b, "amplifier"), dial(t, b, "hand")
		for _, c := range []*client{source, amplifier, hand} {
			defer c.conn.Close()
		}
		source.ask("FREQ 5 MHZ;:VOLT 0.02;*OPC?")
		amplifier.ask("OUTP 1;OUTP?") // RF needs both
		time.Sleep(time.Second)
		source.ask("OUTP 1;*OPC?") // on at 1 s
		time.Sleep(time.Second)
		source.ask("VOLT 0.03;*OPC?") // on all the same
		time.Sleep(time.Second)
		if !b.RFOnSince(at(2.9)) || hand.ask("RF:CABL?") != "1" {
			t.Error("RF is on and nobody says so")
		}
		source.ask("OUTP 0;*OPC?") // off at 3 s
		time.Sleep(2 * time.Second)
		for _, c := range []struct {
			from, to float64
			want     bool
		}{{0, 0.9, false}, {0.5, 1.5, true}, {1.5, 1.6, true}, {2.5, 4, true}, {3.1, 5, false}, {0, 5, true}} {
			if got := b.RFOnBetween(at(c.from), at(c.to)); got != c.want {
				t.Errorf("RF on between %g and %g s: %v", c.from, c.to, got)
			}
		}
		if b.RFOnSince(at(3.1)) || !b.RFOnSince(at(2.9)) || hand.ask("RF:CABL?") != "0" {
			t.Error("RF is off since 3 s and nobody says so")
		}
		log := b.RFLog()
		if len(log) != 2 || !log[0].On || log[1].On {
			t.Fatalf("log %+v", log)
		}
		for i, s := range []float64{1, 3} {
			near(t, "wall time of a change in s", log[i].Wall.Sub(start).Seconds(), s, 1e-3)
			near(t, "bench time of a change in s", log[i].At.Seconds(), 10*s, 1e-2)
		}
	})
}

// What leaks through an amplifier in standby is on the cable too, once it can be measured.
func TestRFInTheRecordIsACurrentAndNotASwitch(t *testing.T) {
	b := open(t, Config{Seed: 1})
	source := dial(t, b, "source")
	source.ask("FREQ 5 MHZ;:VOLT:UNIT DBM;:VOLT -50;:OUTP 1;*OPC?")
	if s := b.State(); !s.On || dBuA(s.Crest) > -20 || len(b.RFLog()) != 0 {
		t.Errorf("%.1f dBµA in standby is in the log %+v", dBuA(s.Crest), b.RFLog())
	}
	source.ask("VOLT 5;*OPC?")
	if s := b.State(); dBuA(s.Crest) < 20 || len(b.RFLog()) != 1 {
		t.Errorf("%.1f dBµA in standby is not in the log %+v", dBuA(s.Crest), b.RFLog())
	}
}

func TestTheRecordOfRFIsBoundedAndSaysNothingOfWhatItForgot(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := New(Config{})
		defer b.Close()
		start := time.Now()
		time.Sleep(time.Second)
		if b.RFOnBetween(start, time.Now()) {
			t.Error("on before anything was done")
		}
		expose(b, 1e6, amperes(60), Modulation{})
		for range longestRFLog {
			b.do(func(p *plant) { p.generator.on = true })
			time.Sleep(time.Millisecond)
			quiet(b)
			time.Sleep(time.Millisecond)
		}
		if n := len(b.RFLog()); n > longestRFLog || n < longestRFLog/2 {
			t.Errorf("%d changes are kept of %d", n, 2*longestRFLog)
		}
		if !b.RFOnBetween(start, start.Add(time.Millisecond)) {
			t.Error("what was forgotten is told as off")
		}
		off := b.RFLog()[len(b.RFLog())-1].Wall
		if b.RFOnSince(off) {
			t.Error("on since it went off")
		}
	})
}
