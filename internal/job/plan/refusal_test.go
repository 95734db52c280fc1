package plan

import (
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

// The ceiling is the lower of what the drive and what the forward power may rise by, and of the safe drive. That is
// -2.11 dBm: the crest, 5.105 dB above it, may be 3 dBm at the amplifier's input, and the generator counts in 0.01 dB.
// The
// need is -10.447 dBm, 8.337 dB less.
func TestTheCeilingIsTheLowestOfThree(t *testing.T) {
	for _, c := range []struct{ above, ceiling, want rf.Gain }{{3, 6, 3}, {6, 3, 3}, {0, 6, 0}, {20, 20, 8.337}} {
		b := testBench()
		b.Cable.MaximumCurrent = rf.Amperes(100)
		at, err := Points(checkedPlan(func(p *Plan) {
			p.Levelling.AboveBudget, p.Levelling.Ceiling = c.above,
				c.ceiling
		}), chain.New(b), nil)
		if err != nil {
			t.Fatal(err)
		}
		p, err := at(10e6)
		if err != nil {
			t.Fatal(err)
		}
		near(t, fmt.Sprintf("the ceiling for %v and %v", c.above, c.ceiling), p.Ceiling, -10.447+float64(c.want), 0.01)
	}
}

// A level that is raised is the target, and drive and ceiling are computed for it; a raise below the level does
// nothing.
func TestARaisedLevelIsTheTarget(t *testing.T) {
	for raised, more := range map[rf.Current]float64{rf.Amperes(0.12): 6.02, rf.Amperes(0.03): 0, {}: 0} {
		at, err := Points(checkedPlan(func(p *Plan) { p.Raised = map[rf.Frequency]rf.Current{10e6: raised} }),
			chain.New(testBench()), nil)
		if err != nil {
			t.Fatal(err)
		}
		p, err := at(10e6)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "the drive", p.Drive, -10.447+more, 0.01)
		if want := rf.Amperes(0.06).Add(rf.Gain(more)); math.Abs(p.Target.DB()-want.DB()) > 0.01 ||
			p.Wanted.Current != rf.Amperes(0.06) {
			t.Errorf("raised to %v: target %v, wanted %v", raised, p.Target, p.Wanted.Current)
		}
	}
}

// Any loop that a calibration records is one; none is not.
func TestACalibrationSaysItsLoop(t *testing.T) {
	p := checkedPlan(func(p *Plan) { p.Mode = Substitution })
	for loop, want := range map[rf.Resistance]bool{0: false, 0.5: true, 100: true} {
		if _, err := Points(p, chain.New(testBench()), calibration(loop)); (err == nil) != want {
			t.Errorf("a loop of %v: %v", loop, err)
		}
	}
}

func text(list problem.List) string {
	var b strings.Builder
	for _, p := range list {
		fmt.Fprintf(&b, "%s|%s|%s\n", p.Field, p.What, p.Hint)
	}
	return b.String()
}

// The refusal stands at the key that sets how much is asked for, says at how many frequencies, and what can be done;
// what a power meter would regain is said where it would.
func TestWhatARefusalSays(t *testing.T) {
	for name, c := range map[string]struct {
		plan  func(*Plan)
		bench func(*catalog.Bench)
		want  []string
		not   []string
	}{
		"constant drive": {func(p *Plan) { p.Mode, p.Fixture, p.Drive = ConstantDrive, catalog.Jig50, rf.DBm(0) }, nil,
			[]string{"drive|AMP1, amplifier input: ",
				"; exceeded at 3 frequencies|lower the level, or leave these frequencies out\n"}, []string{"level|"}},
		"closed loop": {nil, func(b *catalog.Bench) { b.Amplifier.MaximumInput = rf.DBm(-15) },
			[]string{"level|AMP1, amplifier input: ",
				"; exceeded at 3 frequencies|lower the level, or leave these frequencies out\n"}, []string{"drive|"}},
		"at one frequency": {func(p *Plan) { p.Grid = p.Grid[:1] },
			func(b *catalog.Bench) { b.Amplifier.MaximumInput = rf.DBm(-15) },
			[]string{"above the rating of -15.0 dBm|"}, []string{"exceeded at"}},
		"no rating": {nil, func(b *catalog.Bench) { b.Amplifier.MaximumInput = rf.Power{} },
			[]string{"no rating is given; exceeded at 3 frequencies|write the rating into the bench file\n"}, nil},
		"worst at the second of three": {nil, func(b *catalog.Bench) {
			b.Amplifier.MaximumInput, b.Clamp.InsertionLoss = rf.DBm(-15), sloping()
		}, []string{"level|AMP1, amplifier input: at 10 MHz ", "; exceeded at 3 frequencies|"},
			[]string{"at 1 MHz", "at 30 MHz"}},
		// Of the gain nothing but a data sheet's 2 dB is known: 1.645·2/√3 = 1.90 dB, of which a meter's
		// 1.645·√((0.5² + 0.3²)/3) = 0.55 dB would stay. 29.55 dBm of need are 30.76 dBm on average.
		"an unmeasured gain": {nil, func(b *catalog.Bench) {
			b.Amplifier.GainMeasured, b.Amplifier.Quality, b.Clamp.MaximumForward = time.Time{}, catalog.Quality{},
				rf.DBm(31)
		}, []string{"level|CLAMP1, clamp forward power: ",
			"average with 1.9 dB for what is not measured is 1.7 dB above the rating of 31.0 dBm",
			"|lower the level, or leave these frequencies out; a power meter at the clamp regains 1.3 dB\n"}, nil},
	} {
		b := testBench()
		if c.bench != nil {
			c.bench(b)
		}
		_, list := Check(checkedPlan(c.plan), chain.New(b), nil)
		got := text(list)
		for _, want := range c.want {
			if !strings.Contains(got, want) {
				t.Errorf("%s: no %q in\n%s", name, want, got)
			}
		}
		for _, not := range c.not {
			if strings.Contains(got, not) {
				t.Errorf("%s: %q in\n%s", name, not, got)
			}
		}
	}
}

// Behind the clamp's cable, known to 1.5 dB, a power meter regains 1.645·√((2² + 1.5²)/3) − 0.55 = 1.82 dB; in front
// of it less.
func TestWhatAMeterRegainsIsToldForTheClamp(t *testing.T) {
	b := testBench()
	b.Amplifier.GainMeasured, b.Amplifier.Quality = time.Time{}, catalog.Quality{}
	coax := catalog.Passive{Identity: catalog.Identity{ID: "COAX1"}, Kind: "coax", Loss: b.Clamp.InsertionLoss,
		MaximumPower: rf.Watts(100)}
	coax.Uncertainty = catalog.Uncertainty{Spread: catalog.SpreadRectangular, Value: 1.5}
	b.ToClamp, b.Amplifier.ReflectedLimit = []catalog.Passive{coax}, rf.DBm(20)
	_, list := Check(checkedPlan(func(p *Plan) { p.Mode, p.Drive = ConstantDrive, rf.DBm(-20) }), chain.New(b), nil)
	if got := text(list); !strings.Contains(got,
		"at the clamp; a power meter at the clamp regains 1.8 dB; accept_unmeasured_gain") {
		t.Error(got)
	}
}

// 60 mA need -10.45 dBm. A constant drive of -15 dBm gives 4.55 dB less, one of -10.4 dBm what is wanted.
func TestAConstantDriveThatGivesLessIsListed(t *testing.T) {
	for drive, want := range map[float64]float64{-15: 4.553, -10.4: 0, -10.46: 0} {
		c, list := Check(checkedPlan(func(p *Plan) { p.Mode, p.Drive = ConstantDrive, rf.DBm(drive) }),
			chain.New(testBench()), nil)
		if want == 0 {
			if len(c.Unreachable) > 0 {
				t.Errorf("%v dBm: %+v", drive, c.Unreachable)
			}
			continue
		}
		if len(c.Unreachable) != 3 || c.Unreachable[0].Why != "the constant drive gives less" ||
			math.Abs(float64(c.Unreachable[0].Short)-want) > 0.01 || !strings.Contains(text(list),
			"drive|by the budget the level wanted is not reached at 3 of 3") {
			t.Errorf("%v dBm: %+v\n%s", drive, c.Unreachable, text(list))
		}
	}
	// In closed loop it is the raised target that is not reached: 60 mA are within the cable's rating, ten times as
	// much
	// is not.
	b := testBench()
	b.Cable.MaximumCurrent, b.Amplifier.Saturation, b.Amplifier.Compression = rf.Amperes(100), rf.DBm(36),
		curve.Flat(rf.DBm(30), 0, 0, "invented")
	p := checkedPlan(func(p *Plan) {
		p.Modulation = level.Modulation{}
		p.Raised = map[rf.Frequency]rf.Current{1e6: rf.Amperes(0.6)}
	})
	if c, _ := Check(p, chain.New(b), nil); len(c.Unreachable) != 1 || c.Unreachable[0].Frequency != 1e6 ||
		c.Unreachable[0].Wanted != rf.Amperes(0.6) {
		t.Errorf("%+v", c.Unreachable)
	}
}

// Five frequencies are told, the rest counted.
func TestFrequenciesThatCannotBeComputedAreCounted(t *testing.T) {
	for n, more := range map[int]string{1: "", 5: "", 7: "and 2 more"} {
		p := checkedPlan(nil)
		for i := range n {
			p.Grid = append(p.Grid, rf.Frequency(200e6+1e6*float64(i)))
		}
		_, list := Check(p, chain.New(testBench()), nil)
		got := fmt.Sprint(list.Err())
		if !strings.Contains(got, fmt.Sprintf("no level can be computed at %d of %d frequencies", n, n+3)) ||
			strings.Count(got, "is outside its band") != min(n, 5) ||
			strings.Contains(got, "more") != (more != "") || !strings.Contains(got, more) {
			t.Errorf("%d: %s", n, got)
		}
	}
}

// Each instrument that is asked while RF is on is compared with the dead-man.
func TestTheDeadManIsComparedWithEachInstrument(t *testing.T) {
	slow := catalog.Connection{Address: "TCPIP::127.0.0.1::5025::SOCKET", Timeout: rf.Duration(6e9)}
	for id, set := range map[string]func(*catalog.Bench){
		"GEN1": func(b *catalog.Bench) { b.Source.Connection = slow },
		"AMP1": func(b *catalog.Bench) { b.Amplifier.Connection = slow },
		"PM1": func(b *catalog.Bench) {
			b.PowerMeter = &catalog.PowerMeter{Identity: catalog.Identity{ID: "PM1"}, MaximumInput: rf.DBm(20),
				Connection: slow}
		},
		"SA1": func(b *catalog.Bench) {
			b.Analyser = &catalog.Analyser{Identity: catalog.Identity{ID: "SA1"}, Connection: slow}
		},
	} {
		// 0: there is none
		for limit, refused := range map[rf.Duration]bool{rf.Duration(2e9): true, rf.Duration(6e9): false, 1: true,
			0: false} {
			b := testBench()
			set(b)
			_, list := Check(checkedPlan(func(p *Plan) { p.DeadMan = limit }), chain.New(b), nil)
			if got := strings.Contains(text(list), "dead_man|"+id+" may take 6 s for an answer"); got != refused {
				t.Errorf("%s, %v: told %v\n%s", id, limit, got, text(list))
			}
		}
	}
}

// The lowest level of a search: the drive of -10.45 dBm less the range of 40 dB. Only where a threshold is looked for.
func TestTheLowestLevelOfASearchIsComparedWithTheGenerator(t *testing.T) {
	for kind, want := range map[RunKind]bool{Exposure: true, Control: true, Baseline: false, Calibration: false} {
		b := testBench()
		b.Source.Minimum = rf.DBm(-49)
		_, list := Check(checkedPlan(func(p *Plan) {
			if p.Kind = kind; kind == Calibration {
				p.Fixture = catalog.Jig50
			}
		}), chain.New(b), nil)
		if got := warned(list, "up to 1.4 dB below the generator's minimum of -49.0 dBm"); got != want {
			t.Errorf("%s: %v\n%s", kind, got, text(list))
		}
	}
	// 0.45 dB above the lowest, and 0.05 dB below
	for minimum, want := range map[float64]bool{-50: true, -50.5: false} {
		b := testBench()
		b.Source.Minimum = rf.DBm(minimum)
		_, list := Check(checkedPlan(nil), chain.New(b), nil)
		if got := warned(list, "below the generator's minimum"); got != want {
			t.Errorf("%v dBm: %v\n%s", minimum, got, text(list))
		}
	}
}

// 99 steps to a decade, 1 % and 100 kHz: at the step of the rule nothing is told, a tenth wider all.
func TestStepsThatAreTooWideAreCountedFromTheFirst(t *testing.T) {
	for name, band := range map[string]level.StepBand{
		"relative": {Low: 1e6, High: 1e9, Relative: 0.01}, "linear": {Low: 1e6, High: 1e9, Linear: 1e5},
		"decade": {Low: 1e6, High: 1e9, PerDecade: 99},
	} {
		for _, wider := range []float64{0.999, 1, 1.1} {
			grid := []rf.Frequency{500e3, 900e3, 10e6} // no rule below 1 MHz
			for range 4 {
				last := grid[len(grid)-1]
				next := map[string]rf.Frequency{
					"relative": last * rf.Frequency(1+0.01*wider), "linear": last + rf.Frequency(1e5*wider),
					"decade": last * rf.Frequency(math.Pow(10, wider/99)),
				}[name]
				grid = append(grid, next)
			}
			n, first := tooWide(level.StepRule{Bands: []level.StepBand{band}}, grid)
			if wider <= 1 && n != 0 || wider > 1 && (n != 4 || first != 10e6) {
				t.Errorf("%s, %v: %d, the first above %v", name, wider, n, first)
			}
		}
	}
}

// A budget that forbids everything is told by the ratings, not as a frequency that cannot be computed.
func TestALowestLevelThatIsTooMuchIsRefused(t *testing.T) {
	b := testBench()
	b.Amplifier.MaximumInput = rf.DBm(-80)
	_, list := Check(checkedPlan(nil), chain.New(b), nil)
	// -70 dBm with 5.1 dB of crest are 15.1 dB above -80 dBm.
	if got := text(list); !strings.Contains(got,
		"-64.9 dBm at the envelope's crest is 15.1 dB above the rating of -80.0 dBm; exceeded at 3 frequencies") ||
		strings.Contains(got, "no level can be computed") {
		t.Error(got)
	}
	if _, _, err := chain.New(b).SafeDrive(1e6, chain.Crest{}, catalog.OnCable); !errors.Is(err, chain.ErrForbidden) {
		t.Error(err)
	}
}

// No RF, nothing that a rating could refuse: a drive that an exposure is refused for is none of a baseline.
func TestABaselineIsNotComparedWithRatings(t *testing.T) {
	for kind, refused := range map[RunKind]bool{Exposure: true, Baseline: false} {
		c, list := Check(checkedPlan(func(p *Plan) { p.Kind, p.Mode, p.Drive = kind, ConstantDrive, rf.DBm(0) }),
			chain.New(testBench()), nil)
		if (list.Err() != nil) != refused || len(c.Points) != 3 || (len(c.Worst) > 0) != refused {
			t.Errorf("%s: %d points, %v", kind, len(c.Points), list)
		}
	}
}

// In constant drive too a frequency that cannot be computed is told, and once.
func TestAFrequencyThatCannotBeComputedIsToldOnce(t *testing.T) {
	p := checkedPlan(func(p *Plan) { p.Mode, p.Drive, p.Grid = ConstantDrive, rf.DBm(-30), append(p.Grid, 200e6) })
	if _, list := Check(p, chain.New(testBench()), nil); list.Err() == nil || !strings.Contains(list.Err().Error(),
		"no level can be computed at 1 of 4 frequencies") ||
		strings.Count(list.Err().Error(), "outside its band") != 1 {
		t.Error(list)
	}
}

// sloping is the loss of a clamp that needs most at 10 MHz.
func sloping() curve.Curve[rf.Gain] {
	c, _ := curve.New([]curve.Point[rf.Gain]{{At: 1e6, Value: 7}, {At: 10e6, Value: 10}, {At: 30e6, Value: 8}},
		"invented")
	return c
}

// The clamp needs 3 dB more at 10 MHz than at 1 MHz: there the amplifier gets most.
func TestTheWorstCaseOfARunIsThatOfTheWorstFrequency(t *testing.T) {
	b := testBench()
	b.Clamp.InsertionLoss = sloping()
	c, list := Check(checkedPlan(nil), chain.New(b), nil)
	if list.Err() != nil {
		t.Fatal(list)
	}
	last := math.Inf(-1)
	for _, w := range c.Worst {
		if (w.Node.ID == "AMP1" || w.Node.ID == "CLAMP1") && w.Frequency != 10e6 {
			t.Errorf("%s %s: worst at %v", w.Node.ID, w.Node.Place, w.Frequency)
		}
		if h := float64(w.Node.Headroom); h < last {
			t.Errorf("%s %s is out of order", w.Node.ID, w.Node.Place)
		} else {
			last = h
		}
	}
	if len(c.Worst) == 0 {
		t.Error("no worst case")
	}
}

// What prints as 0.1 dB is said, and a calibration is trusted for half a decibel more than it was made with.
func TestFromWhereALevelIsToldAsShort(t *testing.T) {
	need, err := chain.New(testBench()).DriveFor(1e6, rf.Amperes(0.06), catalog.OnCable)
	if err != nil {
		t.Fatal(err)
	}
	for short, want := range map[rf.Gain]int{0.07: 3, 0.03: 0} {
		c, _ := Check(checkedPlan(func(p *Plan) { p.Mode, p.Drive = ConstantDrive, need.Sub(short) }),
			chain.New(testBench()), nil)
		if len(c.Unreachable) != want {
			t.Errorf("%v short: %+v", short, c.Unreachable)
		}
	}
	for above, want := range map[rf.Gain]bool{0.7: true, 0.4: false} { // of the 30 mA that 30 MHz was calibrated with
		p := checkedPlan(func(p *Plan) {
			p.Mode = Substitution
			p.Profile,
				_ = level.Constant(rf.Amperes(0.03).Add(above))
		})
		_, list := Check(p, chain.New(testBench()), calibration(100))
		if got := warned(list, "more current than it was made with"); got != want {
			t.Errorf("%v more: warned %v\n%v", above, got, list)
		}
	}
}

// A level's usual modulations are told, also where it has no convention of its own.
func TestAModulationThatIsNotUsualIsToldWithThoseThatAre(t *testing.T) {
	for _, hold := range []level.Convention{"", level.CarrierHeld} {
		_, list := Check(checkedPlan(func(p *Plan) {
			p.Profile.ID, p.Profile.Hold = "own", hold
			p.Profile.Modulations = []level.Modulation{{Kind: level.CW}, {Kind: level.AM, Depth: 0.5, Rate: 400}}
		}), chain.New(testBench()), nil)
		if !warned(list, "is not one that goes with own (CW; AM 50 % 400 Hz)") {
			t.Errorf("%v", list)
		}
	}
	if _, list := Check(checkedPlan(nil), chain.New(testBench()), nil); warned(list, "modulation") {
		t.Errorf("a level without usual ones: %v", list)
	}
}

// A frequency where two bands of a rule meet belongs to the upper one, and a step counts once.
func TestACornerOfARuleBelongsToTheUpperBand(t *testing.T) {
	rule := level.StepRule{Bands: []level.StepBand{{Low: 1e6, High: 10e6, Relative: 0.1},
		{Low: 10e6, High: 100e6, Relative: 0.01}, {Low: 10e6, High: 100e6, Relative: 0.01}}}
	if n, first := tooWide(rule, []rf.Frequency{9.5e6, 10e6, 10.5e6}); n != 1 || first != 10e6 {
		t.Errorf("%d, the first above %v", n, first)
	}
}
