package guard_test

import (
	"context"
	"errors"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"pgregory.net/rapid"

	"provoke/internal/bench/guard"
	"provoke/internal/model/chain"
	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

// peaky is the round bench with an amplifier that has 8 dB more gain in a narrow place at 31 MHz.
func peaky(t testing.TB) *chain.Chain {
	t.Helper()
	b := bench()
	gain, err := curve.New([]curve.Point[rf.Gain]{{At: 100e3, Value: 40}, {At: 30e6, Value: 40}, {At: 31e6, Value: 48},
		{At: 32e6, Value: 40}, {At: 100e6, Value: 40}}, "one peak")
	if err != nil {
		t.Fatal(err)
	}
	b.Amplifier.Gain = gain
	return chain.New(b)
}

func TestASweepIsClearedAtTheWorstFrequencyOfItsWholeSpan(t *testing.T) {
	log := &[]string{}
	g := guard.New(guard.Config{Chain: peaky(t), Fixture: "jig50", Source: &fakeSource{log: log}})
	if err := g.Arm(); err != nil {
		t.Fatal(err)
	}
	defer g.Disarm()
	ctx := context.Background()
	// The clamp stands 10 W, +40 dBm: 0 dBm at the generator is just that, and 8 dB too much at 31 MHz.
	s := guard.Setting{Frequency: 1e6, To: 20e6, Level: rf.DBm(-0.5), Output: true}
	c, err := g.ClearSpan(ctx, s)
	if err != nil {
		t.Fatalf("a span without the peak: %v", err)
	}
	if got, err := c.Take(); err != nil || got.To != s.To {
		t.Errorf("the permission holds %+v, %v", got, err)
	}
	s.To = 50e6
	if _, err := g.ClearSpan(ctx, s); !errors.Is(err, guard.ErrRefused) || !strings.Contains(err.Error(), "31 MHz") &&
		!strings.Contains(err.Error(), "30.") {
		t.Errorf("a span over the peak: %v", err)
	}
	s.Level = rf.DBm(-8.5)
	if _, err := g.ClearSpan(ctx, s); err != nil {
		t.Errorf("8 dB less: %v", err)
	}
	if _, err := g.ClearSpan(ctx, guard.Setting{Frequency: 1e6, Level: rf.DBm(-60)}); err == nil {
		t.Error("a sweep without an end is cleared")
	}
}

func TestNoFrequencyOfAClearedSpanIsRefusedByItself(t *testing.T) {
	c := peaky(t)
	rapid.Check(t, func(r *rapid.T) {
		log := &[]string{}
		g := guard.New(guard.Config{Chain: c, Fixture: "jig50", Source: &fakeSource{log: log}})
		g.Arm()
		defer g.Disarm()
		from := rf.Frequency(rapid.Float64Range(1e6, 40e6).Draw(r, "from"))
		to := rf.Frequency(rapid.Float64Range(1e6, 40e6).Draw(r, "to"))
		if from == to {
			return
		}
		s := guard.Setting{Frequency: from, To: to, Level: rf.DBm(rapid.Float64Range(-12, 0).Draw(r, "level")),
			Output: true}
		if g.WithinSpan(s) != nil {
			return
		}
		for range 50 {
			at := s
			at.Frequency, at.To = rf.Frequency(rapid.Float64Range(float64(min(from, to)),
				float64(max(from, to))).Draw(r, "f")), 0
			at.Level = at.Level.Sub(0.01)
			if _, err := g.Clear(context.Background(), at); err != nil {
				r.Fatalf("%v is refused inside a cleared span: %v", at.Frequency, err)
			}
		}
	})
}

// person is a source that a person switches off after some time, or never.
type person struct {
	after time.Time
	never bool
}

func (p *person) OutputOff(ctx context.Context) error {
	if p.never || time.Now().Before(p.after) {
		<-ctx.Done()
		return errors.New("nobody has confirmed it")
	}
	return nil
}
func (p *person) Minimum(context.Context) error { return nil }
func (p *person) State(context.Context) (guard.SourceState, error) {
	return guard.SourceState{}, errors.New("nobody has said")
}

// floor is a meter that sees RF until a time.
type floor struct{ until time.Time }

func (f floor) Quiet(context.Context) (string, bool, error) {
	return "-110 dBm at 1 MHz", !time.Now().Before(f.until), nil
}

func silencedByHand(t *testing.T, change func(*guard.Config)) (rep guard.Report) {
	synctest.Test(t, func(t *testing.T) {
		c := guard.Config{Chain: chain.New(bench()), Fixture: "jig50", Unswitched: guard.Unswitched{Named: "switch S1"},
			PersonWithin: 20 * time.Second}
		change(&c)
		rep = guard.New(c).Silence(context.Background(), "test")
	})
	return rep
}

func TestASourceByHandIsOffByTheOperatorsWord(t *testing.T) {
	log := &[]string{}
	rep := silencedByHand(t, func(c *guard.Config) {
		c.Source, c.Amplifier = &person{after: time.Now().Add(7 * time.Second)}, &fakeAmplifier{log: log, on: true}
	})
	if !rep.Quiet || rep.How != "off by the operator's word" || rep.Took < 7*time.Second {
		t.Errorf("%+v", rep)
	}
	if len(*log) == 0 || (*log)[0] != "amplifier standby" || rep.Steps[0].What != "amplifier to standby" {
		t.Errorf("the amplifier does not go first: %v, %v", *log, rep.Steps)
	}
}

func TestASourceByHandThatNobodySwitchesOffIsNotKnownToBeOff(t *testing.T) {
	rep := silencedByHand(t, func(c *guard.Config) { c.Source = &person{never: true} })
	if rep.Quiet || !strings.Contains(rep.How, "RF not known to be off") || !strings.Contains(rep.How, "switch S1") ||
		rep.Took < 20*time.Second {
		t.Errorf("%+v", rep)
	}
}

func TestAMeterAtTheFloorStandsForTheOperatorUnlessTheSourceSweeps(t *testing.T) {
	rep := silencedByHand(t, func(c *guard.Config) {
		c.Source, c.Witness = &person{never: true}, floor{time.Now().Add(3 * time.Second)}
	})
	if !rep.Quiet || !strings.Contains(rep.How, "measured at the floor; the operator has not confirmed") {
		t.Errorf("%+v", rep)
	}
	// A meter that listens at one frequency says nothing of a sweep.
	rep = silencedByHand(t, func(c *guard.Config) {
		c.Source, c.Witness, c.Unswitched.Sweeps = &person{never: true}, floor{}, true
	})
	if rep.Quiet {
		t.Errorf("a sweep is off by a meter at one frequency: %+v", rep)
	}
}

func TestAMeterThatSeesRFOverrulesTheOperator(t *testing.T) {
	rep := silencedByHand(t, func(c *guard.Config) {
		c.Source, c.Witness = &person{}, floor{time.Now().Add(time.Hour)}
	})
	if rep.Quiet {
		t.Errorf("the operator says off while the meter reads RF: %+v", rep)
	}
}
