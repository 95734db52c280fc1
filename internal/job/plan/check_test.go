package plan

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"provoke/internal/files/catalog"
	"provoke/internal/files/problem"
	"provoke/internal/model/chain"
	"provoke/internal/model/level"
	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

// testBench is a plain invented bench: generator, 40 dB amplifier, clamp with 7 dB insertion loss, and
// a cable whose current is what the jig has. Its figures make the working below short.
// testBench has round numbers: its figures have no uncertainty.
func testBench() *catalog.Bench {
	exactly := catalog.Uncertainty{Spread: catalog.SpreadRectangular}
	everywhere := func(g rf.Gain) curve.Curve[rf.Gain] { return curve.Flat(g, 0, 0, "invented") }
	band := catalog.Band{Low: 100e3, High: 100e6}
	return &catalog.Bench{
		File: "bench.yaml",
		Source: catalog.Source{
			Identity: catalog.Identity{ID: "GEN1"}, Band: band, Uncertainty: exactly,
			Minimum: rf.DBm(-70), Maximum: rf.DBm(13), Resolution: 0.01, CountsIn: catalog.CountsDBm,
		},
		Amplifier: &catalog.Amplifier{
			Identity: catalog.Identity{ID: "AMP1"}, Quality: catalog.Quality{Uncertainty: exactly},
			GainMeasured: time.Date(2026, 10, 2, 0, 0, 0, 0, time.UTC), Band: band, Gain: everywhere(40),
			Compression: curve.Flat(rf.DBm(47), 0, 0, "invented"), Saturation: rf.DBm(50),
			MaximumInput: rf.DBm(3), ReflectedLimit: rf.DBm(50),
		},
		Clamp: catalog.Clamp{
			Identity: catalog.Identity{ID: "CLAMP1"}, Quality: catalog.Quality{Uncertainty: exactly},
			InsertionLoss: everywhere(7), ReturnLoss: everywhere(20),
			SeriesImpedance: curve.Flat(rf.Ohms(10), 0, 0, "invented"), MaximumForward: rf.Watts(50),
		},
		Cable: catalog.Cable{
			Identity: catalog.Identity{ID: "W1"}, MaximumCurrent: rf.Amperes(0.5), ExpectedLow: -20, ExpectedHigh: 10,
		},
		Monitors: []catalog.Monitor{{Identity: catalog.Identity{ID: "SHOWN"},
			Latency: rf.Duration(600 * time.Millisecond)}},
	}
}

func checkedPlan(change func(*Plan)) *Plan {
	profile, _ := level.Constant(rf.Amperes(0.06))
	p := &Plan{
		File: "plan.yaml", Kind: Exposure, Mode: ClosedLoop, Fixture: catalog.OnCable, Profile: profile,
		Grid: []rf.Frequency{1e6, 10e6, 30e6}, Search: DefaultSearch(), Levelling: DefaultLevelling(),
		Modulation: level.Modulation{Kind: level.AM, Depth: 0.8, Rate: 1000, Hold: level.CarrierHeld},
		Dwell:      rf.Duration(2 * time.Second), Settle: rf.Duration(50 * time.Millisecond),
		RecoverWithin: DefaultRecoverWithin,
	}
	if change != nil {
		change(p)
	}
	return p
}

func near(t *testing.T, what string, got rf.Power, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got.In()-want) <= tolerance) {
		t.Errorf("%s is %v, want %.2f dBm", what, got.Text(3), want)
	}
}

func TestInClosedLoopTheLevelIsACurrentAndTheCeilingSixDecibelsAboveItsNeed(t *testing.T) {
	at, err := Points(checkedPlan(nil), chain.New(testBench()), nil)
	if err != nil {
		t.Fatal(err)
	}
	p, err := at(10e6)
	if err != nil {
		t.Fatal(err)
	}
	// 60 mA in the jig: 50 Ω·(60 mA)² = 0.18 W = 22.55 dBm in a port, 7 dB more at the clamp, 40 dB less at
	// the generator: -10.45 dBm. 29.55 dBm is 17 dB below compression, so gain is down by 0.00 dB.
	near(t, "the drive", p.Drive, -10.447, 0.01)
	if d, _ := p.Ceiling.Minus(p.Drive); d > 6+1e-9 || d < 0 {
		t.Errorf("the ceiling is %v above the drive", d)
	}
	if p.Target != rf.Amperes(0.06) {
		t.Errorf("the target is %v", p.Target)
	}
}

// With peak held the level is the crest: set unmodulated it is the same current as with carrier held,
// and the crest is nothing above it; the safe drive is 5.1 dB higher.
func TestWithPeakHeldTheCrestIsTheLevel(t *testing.T) {
	held := level.Modulation{Kind: level.AM, Depth: 0.8, Rate: 1000, Hold: level.PeakHeld}
	if c := chain.CrestOfLevel(held); math.Abs(float64(c.OverCarrier)) > 1e-9 || c.Mean != 0 {
		t.Errorf("crest %+v", c)
	}
	carrier := held
	carrier.Hold = level.CarrierHeld
	// 20·log10(1.8) = 5.105 dB, 10·log10(1 + 0.8²/2) = 1.206 dB.
	if c := chain.CrestOfLevel(carrier); math.Abs(float64(c.OverCarrier)-5.105) > 1e-3 ||
		math.Abs(float64(c.Mean)-1.206) > 1e-3 {
		t.Errorf("crest %+v", c)
	}
}

func TestAPlanThatExceedsARatingIsRefusedWithRatingFrequencyPeakAndDecibels(t *testing.T) {
	p := checkedPlan(func(p *Plan) {
		p.Mode, p.Fixture, p.Drive = ConstantDrive, catalog.Jig50, rf.DBm(0)
	})
	bench := testBench()
	// A carrier of 0 dBm with AM 80 % has its crest at 5.1 dBm: 2.1 dB above an input rated 3 dBm.
	c, list := Check(p, chain.New(bench), nil)
	if list.Err() == nil || len(c.Refusals) != 1 {
		t.Fatalf("refusals %v, problems %v", c.Refusals, list)
	}
	text := c.Refusals[0].String()
	for _, want := range []string{"AMP1", "amplifier input", "1 MHz", "5.1 dBm at the envelope's crest is 2.1 dB above",
		"3.0 dBm"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q does not name %q", text, want)
		}
	}
	p.Drive = rf.DBm(-2.2) // crest at 2.9 dBm
	if c, list := Check(p, chain.New(bench), nil); list.Err() != nil || len(c.Refusals) > 0 {
		t.Errorf("refused: %v", list)
	}
}

func TestARatingThatIsAbsentRefusesThePlan(t *testing.T) {
	for _, mode := range []Mode{ConstantDrive, ClosedLoop} {
		bench := testBench()
		bench.Clamp.MaximumForward = rf.Power{}
		c, list := Check(checkedPlan(func(p *Plan) { p.Mode, p.Drive = mode, rf.DBm(-30) }), chain.New(bench), nil)
		if list.Err() == nil || len(c.Refusals) != 1 || c.Refusals[0].ID != "CLAMP1" || c.Refusals[0].Over.Finite() {
			t.Errorf("%s: refusals %v, problems %v", mode, c.Refusals, list)
		}
	}
}

// In closed loop the measured current is held, so the high end of the cable's range (+10 dB here) does
// not refuse a level that the cable stands; the ceiling keeps even that end within the rating.
func TestInClosedLoopTheCeilingAndNotARefusalGuardsTheHighEndOfTheCablesRange(t *testing.T) {
	bench := testBench()
	bench.Cable.MaximumCurrent = rf.Amperes(0.2) // the crest of 60 mA is 108 mA; with 10 dB 341 mA
	c, list := Check(checkedPlan(nil), chain.New(bench), nil)
	if list.Err() != nil {
		t.Fatal(list.Err())
	}
	for _, p := range c.Points {
		if p.Ceiling.Above(p.Safe) {
			t.Errorf("%v: the ceiling %v is above the safe drive %v", p.Frequency, p.Ceiling, p.Safe)
		}
	}
	for _, w := range c.Worst {
		if !w.Node.Within {
			t.Errorf("%s, %s: the worst case is over the rating by %v", w.Node.ID, w.Node.Place, -w.Node.Headroom)
		}
	}
	if len(c.Unreachable) != 3 || c.Unreachable[0].Reach.Bound() != rf.AtMost {
		t.Errorf("unreachable %+v", c.Unreachable)
	}
	bench.Cable.MaximumCurrent = rf.Amperes(0.1) // below the crest of the level itself
	if c, list := Check(checkedPlan(nil), chain.New(bench), nil); list.Err() == nil || len(c.Refusals) != 1 ||
		c.Refusals[0].ID != "W1" {
		t.Errorf("refusals %v, problems %v", c.Refusals, list)
	} else if over := c.Refusals[0].Over; math.Abs(float64(over)-0.968) > 0.01 {
		// 20·log10(108 mA / 100 mA) = 0.668 dB, and the loop may stop 0.3 dB above the level
		t.Errorf("over by %v, want 0.97 dB", over.Text(3))
	}
}

func TestALevelThatTheChainCannotReachIsListedAsABound(t *testing.T) {
	p := checkedPlan(func(p *Plan) {
		p.Profile, _ = level.Constant(rf.Amperes(5))
		p.Modulation = level.Modulation{}
	})
	bench := testBench()
	bench.Cable.MaximumCurrent = rf.Amperes(100)
	c, list := Check(p, chain.New(bench), nil)
	if list.Err() != nil {
		t.Fatal(list.Err())
	}
	if len(c.Unreachable) != len(p.Grid) {
		t.Fatalf("unreachable: %+v", c.Unreachable)
	}
	u := c.Unreachable[0]
	if u.Reach.Bound() != rf.AtMost || u.Short <= 0 || !warned(list, "not reached at 3 of 3") {
		t.Errorf("%+v, %v", u, list)
	}
}

func warned(list problem.List, words string) bool {
	for _, w := range list {
		if w.Warning && strings.Contains(w.What, words) {
			return true
		}
	}
	return false
}

func calibration(loop rf.Resistance) *Calibrated {
	return &Calibrated{Run: 1, Loop: loop, Points: []CalibratedAt{
		{Frequency: 1e6, Drive: rf.DBm(-30), Current: rf.Amperes(0.06)}, // calibrated once more below
		{Frequency: 1e6, Drive: rf.DBm(-10), Current: rf.Amperes(0.06)},
		{Frequency: 10e6, Drive: rf.DBm(-8), Current: rf.Amperes(0.06)},
		{Frequency: 20e6, Drive: rf.DBm(-8), Current: rf.Amperes(0.06).WithBound(rf.AtMost)},
		{Frequency: 30e6, Drive: rf.DBm(-5), Current: rf.Amperes(0.03)},
	}}
}

func TestACalibrationMadeWithAnotherBenchFileIsToldBeforeItIsReplayed(t *testing.T) {
	p := checkedPlan(func(p *Plan) { p.Mode = Substitution; p.Profile, _ = level.Constant(rf.Amperes(0.03)) })
	bench := testBench()
	bench.Bytes = []byte("provoke: bench 1\n")
	same := sha256.Sum256(bench.Bytes)
	const told = "calibration run 1 was made with another bench file"
	for hash, want := range map[string]bool{hex.EncodeToString(same[:]): false, "": false,
		strings.Repeat("0", 64): true} {
		cal := calibration(100)
		cal.Bench = hash
		if _, list := Check(p, chain.New(bench), cal); warned(list, told) != want {
			t.Errorf("of a calibration with the bench file %.8q… is told: %v", hash, list)
		}
	}
}

func TestSubstitutionReplaysTheCalibrationsDriveMovedToTheLevel(t *testing.T) {
	p := checkedPlan(func(p *Plan) { p.Mode = Substitution; p.Profile, _ = level.Constant(rf.Amperes(0.03)) })
	at, err := Points(p, chain.New(testBench()), calibration(100))
	if err != nil {
		t.Fatal(err)
	}
	// Half of 60 mA is 6.02 dB less drive; 30 mA at 30 MHz is what was calibrated there.
	for f, want := range map[rf.Frequency]float64{1e6: -16.02, 10e6: -14.02, 30e6: -5} {
		q, err := at(f)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "the drive at "+f.String(), q.Drive, want, 0.005)
		if q.Ceiling != q.Drive {
			t.Errorf("the ceiling at %v is %v", f, q.Ceiling)
		}
	}
	if _, err := at(40e6); err == nil {
		t.Error("a frequency outside the calibration was replayed")
	}
}

// A calibration in a 50 + 50 Ω jig is not one for an e.m.f. behind 150 Ω.
func TestReplayingACalibrationOfAnotherLoopIsRefusedOrConverted(t *testing.T) {
	p := checkedPlan(func(p *Plan) { p.Mode = Substitution; p.Profile, _ = level.ConstantEMF(rf.Volts(18)) })
	budget := chain.New(testBench())
	at, err := Points(p, budget, calibration(100))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := at(1e6); !errors.Is(err, chain.ErrLoop) {
		t.Errorf("replayed in another loop: %v", err)
	}
	if _, list := Check(p, budget, calibration(100)); list.Err() == nil {
		t.Error("the check passed")
	}
	// 18 V / 300 Ω = 60 mA. The same loop needs the calibration's drive.
	if at, _ := Points(p, budget, calibration(300)); at != nil {
		q, err := at(1e6)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "the drive", q.Drive, -10, 0.005)
	}
	// Converted with 10 Ω in series: (300+10)/(100+10) = 9.00 dB for a resistance,
	// √(300²+10²)/√(100²+10²) = 9.50 dB for a reactance; the middle is 9.25 dB more drive.
	p.ConvertCalibration = true
	q, err := at(1e6)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "the converted drive", q.Drive, -10+9.25, 0.01)
}

func TestReplayingACalibrationForMoreCurrentThanItWasMadeWithIsWarnedOf(t *testing.T) {
	for current, want := range map[float64]bool{0.03: false, 0.06: true} { // 30 MHz was calibrated with 30 mA
		p := checkedPlan(func(p *Plan) { p.Mode = Substitution; p.Profile, _ = level.Constant(rf.Amperes(current)) })
		_, list := Check(p, chain.New(testBench()), calibration(100))
		if got := warned(list, "6.0 dB more current than it was made with (worst at 30 MHz)"); got != want {
			t.Errorf("%v A: warned %v\n%v", current, got, list)
		}
	}
}

func TestSubstitutionWithoutACalibrationIsRefusedByPointsAndEstimatedInADryRun(t *testing.T) {
	p := checkedPlan(func(p *Plan) { p.Mode = Substitution })
	if _, err := Points(p, chain.New(testBench()), nil); err == nil {
		t.Error("substitution without a calibration was accepted")
	}
	c, list := Check(p, chain.New(testBench()), nil)
	if list.Err() != nil || len(c.Points) != 3 || len(c.Notes) != 1 || !warned(list, "budget's estimate") {
		t.Errorf("%v, notes %v", list, c.Notes)
	}
}

func TestWhatTheUserShouldKnowIsWarnedOf(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*Plan)
		bench  func(*catalog.Bench)
		want   string
	}{
		{"dwell below the standard's", func(p *Plan) {
			p.Profile, _ = level.Lookup("iec-61000-4-6/level-1")
			p.Dwell = rf.Duration(100 * time.Millisecond)
		}, nil, "shorter than 500 ms"},
		{"dwell of just the monitor's latency", func(p *Plan) { p.Dwell = rf.Duration(600 * time.Millisecond) },
			nil, "monitor SHOWN"},
		{"dwell below the monitor's latency", func(p *Plan) { p.Dwell = rf.Duration(500 * time.Millisecond) },
			nil, "monitor SHOWN"},
		{"steps wider than the standard's", func(p *Plan) { p.Profile, _ = level.Lookup("iec-61000-4-6/level-1") }, nil,
			"wider than"},
		{"peak held against carrier held", func(p *Plan) {
			p.Profile, _ = level.Lookup("iec-61000-4-6/level-1")
			p.Modulation.Hold = level.PeakHeld
		}, nil, "peak held"},
		{"another modulation", func(p *Plan) {
			p.Profile, _ = level.Lookup("iec-61000-4-6/level-1")
			p.Modulation = level.Modulation{}
		}, nil, "is not one that goes with"},
		{"e.m.f. in closed loop on a cable", func(p *Plan) { p.Profile, _ = level.Lookup("iec-61000-4-6/level-1") },
			nil, "the level is an e.m.f."},
		{"e.m.f. calibrated in the wrong jig", func(p *Plan) {
			p.Profile, _ = level.Lookup("iec-61000-4-6/level-1")
			p.Kind, p.Fixture = Calibration, catalog.Jig50
		}, nil, "loop of 300 Ω"},
		{"listed frequency not in the grid", func(p *Plan) {
			p.Profile, _ = level.List([]level.Listed{{At: 5e6, Current: rf.Amperes(0.06)}}, 0.99)
			p.Grid = []rf.Frequency{4e6, 6e6}
		}, nil, "the first is 5 MHz"},
		{"no monitors", nil, func(b *catalog.Bench) { b.Monitors = nil }, "no DUT monitors"},
		{"search below the generator's minimum", nil, func(b *catalog.Bench) { b.Source.Minimum = rf.DBm(-40) },
			"below the generator's minimum"},
	} {
		t.Run(c.name, func(t *testing.T) {
			bench := testBench()
			if c.bench != nil {
				c.bench(bench)
			}
			_, list := Check(checkedPlan(c.change), chain.New(bench), nil)
			if list.Err() != nil || !warned(list, c.want) {
				t.Errorf("want a warning with %q; got\n%v", c.want, list)
			}
		})
	}
}

func TestAFrequencyBeyondTheBenchIsAProblemOfThePlan(t *testing.T) {
	p := checkedPlan(func(p *Plan) { p.Grid = append(p.Grid, 200e6) })
	if _, list := Check(p, chain.New(testBench()), nil); list.Err() == nil || !strings.Contains(list.Err().Error(),
		"1 of 4 frequencies") {
		t.Errorf("%v", list)
	}
	if at, err := Points(p, chain.New(testBench()), nil); err == nil {
		if _, err := NewProgram(p, at); err == nil {
			t.Error("a program was made of it")
		}
	}
}

func TestALevellingWindowThatTheBenchCannotHitOrTheSearchCannotTellApartIsRefused(t *testing.T) {
	for _, c := range []struct {
		step, spread, window, resolution rf.Gain
		kind                             RunKind
		told                             string // empty: accepted
	}{
		{0.1, 0, 0.2, 0.5, Exposure, ""},
		{0.1, 0, 0.19, 0.5, Exposure,
			"the source's step of 0.10 dB and twice the spread of readings of 0.05 dB (assumed, common practice) " +
				"make 0.20 dB; write levelling: {window: 0.20 dB}"},
		{0.1, 0.02, 0.15, 0.5, Exposure, ""},
		{0.1, 0.1, 0.25, 0.5, Exposure, "twice the spread of readings of 0.10 dB make 0.30 dB"},
		{0.1, 0.05, 0.3, 0.3, Exposure, "not less than the search's resolution of 0.30 dB"},
		{0.1, 0.05, 0.3, 0.3, Calibration, ""},
		{0.45, 0.05, 0.5, 1, Exposure, "a source with finer steps"},
		{0.45, 0.05, 0.5, 1, Baseline, ""},
	} {
		bench := testBench()
		bench.Source.Resolution, bench.Analyser = c.step, &catalog.Analyser{ReadingSpread: c.spread}
		p := checkedPlan(func(p *Plan) {
			p.Kind, p.Levelling.Window, p.Search.Onset, p.Search.Resolution = c.kind, c.window, true, c.resolution
		})
		_, list := Check(p, chain.New(bench), nil)
		if told := fmt.Sprint(list.Err()); (c.told == "") != (list.Err() == nil) || !strings.Contains(told, c.told) &&
			c.told != "" {
			t.Errorf("%+v: told %s", c, told)
		}
	}
}

// A constant drive through an amplifier whose gain nobody measured, with nothing that measures what runs
// into the clamp, is refused until one of them is measured or the bench file accepts it.
func TestAConstantDriveNeedsAMeasuredGainOrAPowerMeter(t *testing.T) {
	for name, c := range map[string]struct {
		change  func(*Plan, *catalog.Bench)
		refused bool
	}{
		"nothing is measured": {func(*Plan, *catalog.Bench) {}, true},
		"the gain is measured": {func(_ *Plan, b *catalog.Bench) {
			b.Amplifier.GainMeasured = time.Date(2026, 10, 2, 0, 0, 0, 0, time.UTC)
		}, false},
		"it is accepted": {func(_ *Plan, b *catalog.Bench) { b.UnmeasuredGain = true }, false},
		"a coupler alone": {func(_ *Plan, b *catalog.Bench) {
			b.Coupler = &catalog.Coupler{MaximumPower: rf.Watts(
				100)}
		}, true},
		"no amplifier": {func(p *Plan, b *catalog.Bench) { b.Amplifier, p.Drive = nil, rf.DBm(-30) }, false},
		"another mode": {func(p *Plan, _ *catalog.Bench) { p.Mode = ClosedLoop }, false},
	} {
		b := testBench()
		b.Amplifier.GainMeasured, b.Amplifier.Quality = time.Time{}, catalog.Quality{}
		p := checkedPlan(func(p *Plan) { p.Mode, p.Drive = ConstantDrive, rf.DBm(-20) })
		c.change(p, b)
		_, list := Check(p, chain.New(b), nil)
		text := ""
		for _, x := range list {
			text += x.String() + "\n"
		}
		said := strings.Contains(text, "whose gain nobody has measured") &&
			strings.Contains(text, "a power meter at the clamp regains 1.") &&
			strings.Contains(text, "accept_unmeasured_gain: true")
		if said != c.refused || (list.Err() != nil) != c.refused {
			t.Errorf("%s: %s", name, text)
		}
	}
}

// An instrument that may take longer for an answer than the dead-man waits for a sign of life would trip the
// run: refused, with both figures.
func TestADeadManShorterThanAStatedTimeoutIsRefused(t *testing.T) {
	for _, c := range []struct {
		timeout, deadMan time.Duration
		kind             RunKind
		refused          bool
	}{
		{6 * time.Second, 2 * time.Second, Exposure, true},
		{6 * time.Second, 6 * time.Second, Exposure, false},
		{0, 2 * time.Second, Exposure, false},
		{6 * time.Second, 2 * time.Second, Baseline, false},
	} {
		b := testBench()
		b.Source.Address, b.Source.Timeout = "TCPIP::127.0.0.1::5025::SOCKET", rf.Duration(c.timeout)
		_, list := Check(checkedPlan(func(p *Plan) { p.Kind, p.DeadMan = c.kind, rf.Duration(c.deadMan) }),
			chain.New(b), nil)
		said := false
		for _, x := range list {
			said = said || !x.Warning && x.Field == "dead_man" && strings.Contains(x.What, "GEN1 may take 6 s") &&
				strings.Contains(x.What, "trips after 2 s") && strings.Contains(x.Hint, "dead_man: 6.6 s")
		}
		if said != c.refused {
			t.Errorf("timeout %v, dead-man %v, %s: %v", c.timeout, c.deadMan, c.kind, list)
		}
	}
}

// A free sweep is a constant drive too.
func TestAFreeSweepNeedsAMeasuredGainOrAPowerMeter(t *testing.T) {
	b := testBench()
	b.Source.ByHand = true
	s := &FreeSweep{Plan: checkedPlan(func(p *Plan) {
		p.Mode, p.Drive, p.Kind = ConstantDrive, rf.DBm(-20),
			FreeSweepRun
	})}
	if _, list := CheckSweep(s, chain.New(b)); list.Err() != nil {
		t.Errorf("with a measured gain: %v", list)
	}
	b.Amplifier.GainMeasured = time.Time{}
	if _, list := CheckSweep(s, chain.New(b)); list.Err() == nil || !strings.Contains(list.Err().Error(),
		"whose gain nobody has measured") {
		t.Errorf("without: %v", list)
	}
}

// A cable that may carry 10 dB more than the jig, and a rating 12.6 dB above the level's crest: the rating once stood
// in the way although the loop reads what is on the cable. 30 mA with 80 % AM has a crest of 54 mA; with 60 mA
// allowed the level is reached, and the ceiling is held by the rating at 60/54 = 0.92 dB above.
func TestTheHighEndOfTheCablesRangeIsNotCountedTwiceInAClosedLoop(t *testing.T) {
	b := testBench()
	b.Cable.MaximumCurrent = rf.Amperes(0.06)
	everywhere := func(g rf.Gain) curve.Curve[rf.Gain] { return curve.Flat(g, 0, 0, "invented") }
	b.Probe = &catalog.Probe{Identity: catalog.Identity{ID: "PROBE1"},
		TransferImpedance: curve.Flat(rf.Ohms(5), 0, 0, "invented"), MaximumCurrent: rf.Amperes(1)}
	b.ToAnalyser = []catalog.Passive{{Identity: catalog.Identity{ID: "PAD2"}, Kind: "pad", Loss: everywhere(20),
		MaximumPower: rf.Watts(1)}}
	b.Analyser = &catalog.Analyser{Identity: catalog.Identity{ID: "SA1"}, Band: b.Source.Band, MaximumInput: rf.DBm(20),
		MixerLimit: rf.DBm(-10), Floor: rf.DBm(-110)}
	p := checkedPlan(func(p *Plan) { p.Profile, _ = level.Constant(rf.Amperes(0.03)) })
	got, list := Check(p, chain.New(b), nil)
	if err := list.Err(); err != nil || len(got.Unreachable) > 0 {
		t.Fatalf("%v; not reached: %+v", err, got.Unreachable)
	}
	point := got.Points[0].Point
	over, _ := point.Ceiling.Minus(point.Drive)
	if math.Abs(over.DB()-0.915) > 0.02 || !strings.Contains(point.HeldBy, "W1") {
		t.Errorf("the ceiling is %v above the need, held by %q", over, point.HeldBy)
	}
	// Without a loop nobody reads the current, and the high end counts.
	p.Mode, p.Drive = ConstantDrive, point.Drive
	if _, list := Check(p, chain.New(b), nil); !strings.Contains(fmt.Sprint(list.Err()), "W1") {
		t.Errorf("constant drive: %v", list.Err())
	}
}

// What holds the ceiling is named with its key, and what the ratings would allow beside it.
func TestTheCeilingNamesWhatHoldsIt(t *testing.T) {
	for key, change := range map[string]func(*Plan){
		"levelling.above_budget, 6.0 dB":    func(p *Plan) { p.Levelling.AboveBudget, p.Levelling.Ceiling = 6, 20 },
		"levelling.forward_ceiling, 4.0 dB": func(p *Plan) { p.Levelling.AboveBudget, p.Levelling.Ceiling = 20, 4 },
	} {
		p := checkedPlan(func(p *Plan) { p.Profile, _ = level.Constant(rf.Amperes(0.01)); change(p) })
		at, err := Points(p, chain.New(testBench()), nil)
		if err != nil {
			t.Fatal(err)
		}
		q, err := at(10e6)
		if err != nil {
			t.Fatal(err)
		}
		more, _ := q.Safe.Minus(q.Ceiling)
		if says := q.More(q.Ceiling); !strings.Contains(says, "held at "+q.Ceiling.String()+" by "+key) ||
			!strings.Contains(says, "allow "+more.Text(1)+" more") || more < 1 {
			t.Errorf("%s: %q (%v)", key, says, more)
		}
	}
}

func TestAChangeOfAMonitorThatTheBenchDoesNotHaveChangesNone(t *testing.T) {
	p := checkedPlan(func(p *Plan) {
		p.Monitors = map[string]MonitorChange{"OTHER": {Silence: rf.Duration(5e9), Latency: rf.Duration(5e9)}}
	})
	m, wrong := p.MonitorsOf(testBench())
	if wrong.Err() == nil || len(m) != 1 || m[0].Silence != testBench().Monitors[0].Silence ||
		m[0].Latency != testBench().Monitors[0].Latency {
		t.Errorf("%+v, %v", m, wrong)
	}
}
