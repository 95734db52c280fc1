package engine

import (
	"context"
	"fmt"
	"math"
	"strings"
	"testing"
	"testing/synctest"

	"provoke/internal/bench/driver"
	"provoke/internal/bench/guard"
	"provoke/internal/bench/simbench"
	"provoke/internal/files/catalog"
	"provoke/internal/model/chain"
	"provoke/internal/model/level"
	"provoke/internal/units/rf"
)

// lowered is a source that notes how far it was lowered.
type lowered struct {
	driver.Source
	to []rf.Power
}

func (s *lowered) Lower(_ context.Context, to rf.Power) error {
	s.to = append(s.to, to)
	return nil
}

// onBench is a bare run with the file of a simulated bench and a guard that has armed.
func onBench(t *testing.T) (*run, *lowered) {
	t.Helper()
	sim := simbench.New(simbench.Config{Seed: 2})
	defer sim.Close()
	b, list := catalog.Parse("bench.yaml", sim.BenchFile(),
		func(string) ([]byte, error) { return nil, fmt.Errorf("no files") })
	if err := list.Err(); err != nil {
		t.Fatal(err)
	}
	r, s := bare(), &lowered{}
	r.bench, r.cfg.Chain, r.cfg.Rig.Source = b, chain.New(b), s
	r.cfg.Plan.Fixture, r.cfg.Plan.DeadMan, r.cfg.Plan.Grid = catalog.OnCable, 2e9, []rf.Frequency{f1}
	r.guard = guard.New(guard.Config{Chain: r.cfg.Chain, Fixture: catalog.OnCable, DeadMan: 2e9, Source: s})
	if err := r.guard.Arm(); err != nil {
		t.Fatal(err)
	}
	return r, s
}

// refused says whether a rating forbids a drive at a frequency.
func (r *run) refused(t *testing.T, f rf.Frequency, drive rf.Power) bool {
	t.Helper()
	p, err := r.cfg.Chain.Predict(f, drive, chain.CrestOf(level.Modulation{}), catalog.OnCable)
	if err != nil {
		t.Fatal(err)
	}
	return guard.NodesError(p) != nil
}

// A drive that is allowed at one frequency and not at another keeps the run from the other one, until the level was
// lowered. The guard takes note of that.
func TestALowerLevelLetsTheFrequencyChange(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, _ := onBench(t)
		defer r.guard.Disarm()
		var from, to rf.Frequency
		var drive rf.Power
		for db := -30.0; db < 10 && !drive.Known(); db += 0.25 {
			var allowed, forbidden rf.Frequency
			for f := 1e6; f < 70e6; f *= 1.6 {
				if r.refused(t, rf.Frequency(f), rf.DBm(db)) {
					forbidden = rf.Frequency(f)
				} else {
					allowed = rf.Frequency(f)
				}
			}
			if allowed.Known() && forbidden.Known() {
				from, to, drive = allowed, forbidden, rf.DBm(db)
			}
		}
		if !drive.Known() {
			t.Fatal("the ratings of this bench forbid the same at every frequency")
		}
		at := func(f rf.Frequency, p rf.Power) error {
			c, err := r.guard.Clear(t.Context(), guard.Setting{Frequency: f, Level: p, Output: true})
			if err == nil {
				_, err = c.Take()
			}
			return err
		}
		if err := at(from, drive); err != nil {
			t.Fatal(err)
		}
		if err := at(to, drive.Sub(30)); err == nil || !strings.Contains(err.Error(), "go to a lower level first") {
			t.Errorf("from %v at %v to %v: %v", drive, from, to, err)
		}
		if err := r.lower(t.Context(), drive.Sub(30)); err != nil {
			t.Fatal(err)
		}
		if err := at(to, drive.Sub(30)); err != nil {
			t.Errorf("lowered by 30 dB before the frequency changed: %v", err)
		}
	})
}

// A step that cannot be held says so with what was read, and leaves 30 dB less behind, or the source's minimum.
func TestAStepThatIsGivenUpLeavesALowLevelBehind(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, s := onBench(t)
		defer r.guard.Disarm()
		minimum := r.bench.Source.Minimum
		for _, c := range []struct{ drive, left rf.Power }{
			{rf.DBm(-10), rf.DBm(-40)},
			{minimum.Add(10), minimum},
			{minimum, rf.Power{}}, // there is nothing lower
		} {
			s.to = nil
			at, err := r.notHeld(t.Context(), reached{drive: c.drive, current: rf.DBuA(81)}, rf.DBuA(80))
			if err != nil || !at.skip || !strings.Contains(at.limited,
				"cannot be held at 80.0 dBµA: it reads 81.0 dBµA at a drive of "+c.drive.String()) {
				t.Errorf("%+v, %v", at, err)
			}
			switch {
			case c.left.Absent() && len(s.to) > 0:
				t.Errorf("from %v lowered to %v", c.drive, s.to)
			case c.left.Known() && (len(s.to) != 1 || math.Abs(s.to[0].In()-c.left.In()) > 0.011): // the source's step
				t.Errorf("from %v lowered to %v, want %v", c.drive, s.to, c.left)
			}
		}
	})
}

// What the budget says that the amplifier takes off at the crest is allowed for in a dwell with modulation.
func TestADwellAllowsForTheCompressionOfTheCrest(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, _ := onBench(t)
		defer r.guard.Disarm()
		r.cfg.Plan.Modulation = level.Modulation{Kind: level.AM, Depth: 0.8, Rate: 1000}
		r.cfg.Rig.Analyser, r.bench.Analyser.ByHand = nil, true
		drive := rf.DBm(-60)
		var p chain.Prediction
		for p.Compression < 0.5 {
			drive = drive.Add(1)
			var err error
			if p, err = r.cfg.Chain.Predict(f1, drive, chain.CrestOf(r.cfg.Plan.Modulation),
				catalog.OnCable); err != nil {
				t.Fatal(err)
			}
		}
		r.at = guard.Setting{Frequency: f1, Level: drive, Output: true}
		for fell, held := range map[rf.Gain]bool{2.9: true, 3 + p.Compression - 0.1: true,
			3 + p.Compression + 0.1: false} {
			d, err := r.watchMeters(t.Context(), reached{drive: drive, current: rf.DBuA(80)})
			if err != nil {
				t.Fatal(err)
			}
			d.compareWith(guard.Measurement{Current: rf.DBuA(80).Sub(fell)}, 0, response{ofCurrent: true})
			if said := d.notHeld(); (said == "") != held {
				t.Errorf("the budget takes %v off the crest, and the current fell by %v: %q", p.Compression, fell, said)
			}
		}
	})
}

// An amplifier without an interface is taken to operate by a person; where there is none, or one that is wired, nobody
// is asked.
func TestOnlyAnAmplifierByHandIsAskedFor(t *testing.T) {
	for what, a := range map[string]*catalog.Amplifier{"none": nil, "wired": {},
		"by hand": {Connection: catalog.Connection{ByHand: true}}} {
		synctest.Test(t, func(t *testing.T) {
			r := bare()
			r.bench.Amplifier, r.cfg.Desk = a, NewDesk()
			done := make(chan error, 1)
			go func() { done <- r.operateByHand(t.Context()) }()
			synctest.Wait()
			p, asked := r.cfg.Desk.Pending()
			if asked != (what == "by hand") || asked && p.Title != "TAKE THE AMPLIFIER TO OPERATE" {
				t.Errorf("%s: asked %t, %q", what, asked, p.Title)
			}
			if asked {
				r.cfg.Desk.Reply(0, "done")
			}
			if err := <-done; err != nil {
				t.Errorf("%s: %v", what, err)
			}
		})
	}
}

// An answer that comes as the operator's word reaches the prompt that it names.
func TestAnAnswerByTheOperatorsChannelReachesItsPrompt(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := bare()
		operator := make(chan Command)
		r.cfg.Operator, r.cfg.Desk = operator, NewDesk()
		ended, done := make(chan struct{}), make(chan struct{})
		go r.listen(ended, done)
		answer := make(chan string, 1)
		go func() {
			a, err := r.cfg.Desk.Ask(t.Context(), driver.Prompt{Title: "READ THE METER"})
			answer <- fmt.Sprint(a, err)
		}()
		synctest.Wait()
		operator <- Command{Want: Reply, Prompt: 7, Text: "wrong"} // of a prompt that is not shown
		operator <- Command{Want: Reply, Prompt: 1, Text: "12 kg"}
		if got := <-answer; got != "12 kg<nil>" {
			t.Errorf("answered %q", got)
		}
		close(ended)
		<-done
	})
}
