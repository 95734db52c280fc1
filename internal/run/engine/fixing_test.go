package engine_test

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"provoke/internal/bench/simbench"
	"provoke/internal/job/event"
	"provoke/internal/job/fixing"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/model/tracking"
	"provoke/internal/run/engine"
	"provoke/internal/units/rf"
)

// long takes the numbers of trials that the documents tell; without it, as many as fit into a test command.
var long = flag.Bool("long", false, "as many trials as the documents tell")

// worst is the frequency of a band's lowest onset.
func worst(sim *simbench.Bench, i int) rf.Frequency {
	low, high := bandOf(sim, i)
	best, at := math.Inf(1), 0.0
	for f := low; f < high; f *= 1.002 {
		if o := sim.Onset(simbench.Original, f, simbench.CarrierHeldAM); o < best {
			best, at = o, f
		}
	}
	return rf.Frequency(math.Round(at/1e3) * 1e3)
}

// following runs the loop at frequencies; what the person does is in does, called after each change of the loop in the
// run's own goroutine. It must not wait.
func (l *lab) following(at []rf.Frequency, alone time.Duration, does func(*fixing.Loop, engine.Status)) outcome {
	l.t.Helper()
	var now engine.Status
	l.progress = func(s engine.Status) { now = s; does(nil, s) }
	p, list := plan.Parse("plan.yaml", []byte(planText("{from: 200 kHz, to: 79 MHz, step: 15 %}")), nil)
	if err := list.Err(); err != nil {
		l.t.Fatal(err)
	}
	p.Grid = append(p.Grid, at...)
	l.change = func(c *engine.Config) {
		o := l.journal.records[0].Event.(event.Opened)
		o.RunKind, o.Mode = plan.Fixing, p.Mode
		o.Levelling.Spread = 0.1
		o.Fixing = &event.Fixing{Alone: rf.Duration(alone)}
		for _, f := range at {
			point, err := c.Points(f)
			if err != nil {
				l.t.Fatal(err)
			}
			o.Fixing.At = append(o.Fixing.At, event.Tracked{Point: point})
		}
		l.journal.records = nil
		l.journal.Append(time.Now(), o)
		c.Folded = &result.Run{}
		c.Folded.Apply(l.journal.records[0])
		c.Fixing = fixing.Of(c.Folded)
		c.Followed = func(x *fixing.Loop) { does(x, now) }
	}
	return l.doPlan(p, nil)
}

func (l *lab) say(c engine.Command) {
	select {
	case l.operator <- c:
	default:
		l.t.Error("the run takes no commands")
	}
}

// handsOut asks for RF and is there until it comes, as a page and a terminal are.
func (l *lab) handsOut(did event.HandsOut) {
	l.say(engine.Command{Want: engine.HandsOut, By: "key", Did: did})
	go func() {
		for range 12 {
			time.Sleep(300 * time.Millisecond)
			select {
			case l.operator <- engine.Command{Want: engine.Present}:
			default:
			}
		}
	}()
}

func TestALoopFollowsTheOnsetWhileTheProductIsChanged(t *testing.T) {
	inLab(t, simbench.Config{Seed: 1}, func(t *testing.T, l *lab) {
		at := []rf.Frequency{worst(l.sim, 0), worst(l.sim, 1)}
		truth := func(b simbench.Build, f rf.Frequency) float64 {
			return 20*math.Log10(l.sim.Onset(b, f.Hz(), simbench.CarrierHeldAM)) + 120
		}
		settled := func(x *fixing.Loop) bool {
			for _, p := range x.Places {
				if !p.Settled() {
					return false
				}
			}
			return true
		}
		var last *fixing.Loop
		asked, fitted := false, false
		o := l.following(at, 0, func(x *fixing.Loop, s engine.Status) {
			switch {
			case x == nil && s.Hands == engine.HandsAreIn && !fitted:
				if l.sim.State().On {
					t.Error("RF is on while hands are in")
				}
				fitted = true
				l.sim.SetBuild(simbench.Fixed)
				l.handsOut(event.HandsOut{What: "filter"})
			case x == nil:
			case !asked && settled(x):
				asked = true
				l.say(engine.Command{Want: engine.HandsIn, By: "key"})
			case fitted && len(x.Epochs) == 2 && settled(x):
				last = x
				l.say(engine.Command{Want: engine.Finish})
			}
		})
		if o.err != nil || o.Verdict != event.DoneUpset {
			t.Fatalf("%s: %v\n%s", o.Verdict, o.err, l.journal.kinds())
		}
		l.mustBeOff(o)
		if last == nil {
			t.Fatalf("it did not come to its end: %s", l.journal.kinds())
		}
		// What a page folds from the journal is what the run itself held.
		again := fixing.Of(&o.run)
		for i, p := range again.Places {
			gain := truth(simbench.Fixed, at[i]) - truth(simbench.Original, at[i])
			first, now := p.Onset(0), p.Onset(1)
			off := first.Level + p.Point.Target.In() - truth(simbench.Original, at[i])
			if off > 0.8 || off < -0.8 {
				t.Errorf("%v: the onset is %+.2f dB from the truth", at[i], off)
			}
			change := again.Tries()[0].Gains[i]
			if !change.HighOpen && (gain < change.Low || gain > change.High) || !change.LowOpen && change.Low > gain {
				t.Errorf("%v: the change is %+v, the truth %+.2f dB", at[i], change, gain)
			}
			t.Logf("figure: %v: onset %.2f dB (%.2f to %.2f) after %d exposures; change %+v, truth %+.2f dB, %s",
				at[i], now.Level, now.Low, now.High, len(p.Dots), change, gain, now.Kind)
			if got := last.Places[i].Onset(1); got != now {
				t.Errorf("folded again it is %+v, the run held %+v", now, got)
			}
		}
		if kinds := l.journal.kinds(); !strings.Contains(kinds, "hands-in watching hands-out first-light") {
			t.Errorf("hands in, a new baseline, hands out and first light do not follow each other: %s", kinds)
		}
	})
}

// handsTrial asks for hands in at some moment of a loop into which a fault is mixed, and looks at the simulator's own
// record: RF at the cable must be off before the words appear, and stay off as long as they stand.
func handsTrial(t *testing.T, seed uint64) (shown, ended int) {
	r := rand.New(rand.NewPCG(seed, 77))
	inLab(t, simbench.Config{Seed: 1 + seed%4}, func(t *testing.T, l *lab) {
		instruments := []string{"source", "amplifier", "analyser", "powermeter", "interlock", "dut"}
		kinds := slices.DeleteFunc(slices.Clone(simbench.FaultKinds), func(k simbench.FaultKind) bool {
			// Over the wire and in the instruments; what is wrong with the wiring of the probe or a pad is told at
			// first light.
			return slices.Contains([]simbench.FaultKind{simbench.FaultUnterminated, simbench.FaultUntrue}, k)
		})
		f := simbench.Fault{Kind: kinds[r.IntN(len(kinds))], Instrument: instruments[r.IntN(len(instruments))],
			After: r.IntN(3), Times: r.IntN(3)}
		phases := []string{"exposing", "levelling", "modulating", "upset: waiting for the product to recover"}
		phase, count := phases[r.IntN(len(phases))], 1+r.IntN(4)
		before, faulty := r.IntN(2) == 0, r.IntN(4) > 0
		var since time.Time
		tries := 0
		inject := func() {
			if faulty && l.sim.Inject(f.Instrument, f) != nil { // this one happens elsewhere only
				f.Kind = simbench.FaultSilent
				l.sim.Inject(f.Instrument, f)
			}
		}
		stood := func() {
			if !since.IsZero() && f.Kind != simbench.FaultSticky && l.sim.RFOnBetween(since, time.Now()) {
				t.Errorf("seed %d: RF was on while hands were in (%+v)", seed, f)
			}
			since = time.Time{}
		}
		o := l.following([]rf.Frequency{worst(l.sim, 0)}, 0, func(x *fixing.Loop, s engine.Status) {
			if s.Hands != engine.HandsAreIn {
				if !since.IsZero() {
					stood()
				}
			} else if since.IsZero() {
				since = time.Now()
				shown++
				// Where the source's relay sticks, its minimum passes through the amplifier's standby: less than a
				// microampere, below what any meter of this bench reads.
				stuck := f.Kind == simbench.FaultSticky && l.sim.State().Crest < 1e-6
				if !stuck && (l.sim.State().On || l.sim.RFOnBetween(since, since)) {
					t.Errorf("seed %d: the words appear and RF is on (%+v): %+v", seed, f, l.sim.State())
				}
				tries++
				go func() {
					time.Sleep(time.Duration(r.IntN(1500)) * time.Millisecond)
					if tries > 2 {
						l.say(engine.Command{Want: engine.Finish})
						return
					}
					l.handsOut(event.HandsOut{})
				}()
			}
			if x == nil && s.Phase == phase && s.Hands == engine.HandsAreOut {
				if count--; count == 0 {
					if before {
						inject()
					}
					l.say(engine.Command{Want: engine.HandsIn, By: "key"})
					if !before {
						inject()
					}
					count = 2 + r.IntN(3)
				}
			}
			if x != nil && len(x.Places[0].Dots) > 60 {
				l.say(engine.Command{Want: engine.Finish})
			}
		})
		stood()
		time.Sleep(10 * time.Second) // whoever still wants to say something
		if o.Verdict == event.RFNotKnownOff || o.err != nil {
			ended++
		}
		if o.Verdict != event.RFNotKnownOff && f.Kind != simbench.FaultSticky {
			l.mustBeOff(o)
		}
	})
	return shown, ended
}

func TestHandsAreInOnlyWithRFOffByTheSimulatorsRecord(t *testing.T) {
	trials := 100
	if *long {
		trials = 1000
	}
	shown, ended := 0, 0
	for seed := range uint64(trials) {
		s, e := handsTrial(t, seed)
		shown, ended = shown+s, ended+e
	}
	if shown < trials/2 {
		t.Errorf("the words appeared %d times only", shown)
	}
	t.Logf("figure: hands in asked for in %d loops, with faults of instruments in three of four: shown %d times, RF "+
		"off at "+
		"the cable before each and as long as it stood; %d loops ended by the fault", trials, shown, ended)
}

// Nothing is exposed above the level wanted and the levelling window, whatever is tried; a random product is told to be
// one, and its limits hold the truth.
func TestALoopStaysBelowTheLevelWanted(t *testing.T) {
	for _, spread := range []float64{0, 2} {
		inLab(t, simbench.Config{Seed: 3}, func(t *testing.T, l *lab) {
			at := worst(l.sim, 0)
			truth := 20*math.Log10(l.sim.Onset(simbench.Original, at.Hz(), simbench.CarrierHeldAM)) + 120
			l.sim.RandomOnset(spread, 5)
			var last *fixing.Loop
			o := l.following([]rf.Frequency{at}, 0, func(x *fixing.Loop, s engine.Status) {
				if x != nil && len(x.Places[0].Dots) == 60 {
					last = x
					l.say(engine.Command{Want: engine.Finish})
				}
			})
			if o.err != nil || last == nil {
				t.Fatalf("%s: %v", o.Verdict, o.err)
			}
			over := math.Inf(-1)
			for _, s := range l.sim.History() {
				if s.On {
					over = max(over, 20*math.Log10(s.Carrier/0.01))
				}
			}
			if over > 0.5 {
				t.Errorf("the carrier was %.2f dB above the 10 mA wanted", over)
			}
			p := last.Places[0]
			e := p.Track.Now()
			low, high := e.Low+p.Point.Target.In(), e.High+p.Point.Target.In()
			t.Logf("figure: spread %.0f dB: %s, onset %.2f to %.2f dBµA after 60 exposures, the truth %.2f; the "+
				"highest "+
				"current %+.2f dB against the target", spread, e.Kind, low, high, truth, over)
			want := tracking.Deterministic
			if spread > 0 {
				want = tracking.Random
			}
			if e.Kind != want {
				t.Errorf("it is told to be %s (%s)", e.Kind, e.Why)
			}
			if truth < low-0.35 || truth > high+0.35 {
				t.Errorf("the limits %.2f to %.2f do not hold %.2f", low, high, truth)
			}
		})
	}
}

func TestRFGoesOffWhereNobodyGivesASign(t *testing.T) {
	inLab(t, simbench.Config{Seed: 1}, func(t *testing.T, l *lab) {
		began := time.Now()
		var off time.Time
		o := l.following([]rf.Frequency{worst(l.sim, 0)}, 30*time.Second, func(x *fixing.Loop, s engine.Status) {
			if s.Hands == engine.HandsAreIn && off.IsZero() {
				off = time.Now()
				l.say(engine.Command{Want: engine.Finish})
			}
		})
		if took := off.Sub(began); o.err != nil || took < 30*time.Second || took > 36*time.Second {
			t.Errorf("%v: RF went off after %v, stated were 30 s", o.err, took)
		}
		if e, ok := l.journal.find("hands-in").(event.HandsIn); !ok || !strings.Contains(e.By,
			"nobody gave a sign for 30 s") {
			t.Errorf("%+v", e)
		}
	})
}

// find is the first event of a kind.
func (m *memory) find(kind string) event.Event {
	for _, r := range m.records {
		if r.Event.Kind() == kind {
			return r.Event
		}
	}
	return nil
}

// Any key ends the countdown, and so does silence of whoever asked: RF stays off.
func TestACountdownEnds(t *testing.T) {
	for name, during := range map[string]func(l *lab){
		"by a key":      func(l *lab) { l.say(engine.Command{Want: engine.HandsIn, By: "key"}) },
		"by a mark":     func(l *lab) { l.say(engine.Command{Want: engine.Mark}) },
		"by silence":    nil,
		"by the page":   func(l *lab) { l.say(engine.Command{Want: engine.HandsOut}) },
		"by a movement": func(l *lab) { l.say(engine.Command{Want: engine.MovePoint}) },
	} {
		inLab(t, simbench.Config{Seed: 1}, func(t *testing.T, l *lab) {
			asked, counted := false, false
			var in time.Time
			o := l.following([]rf.Frequency{worst(l.sim, 0)}, 0, func(x *fixing.Loop, s engine.Status) {
				switch {
				case x != nil && len(x.Places[0].Dots) == 3 && !asked:
					asked = true
					l.say(engine.Command{Want: engine.HandsIn, By: "key"})
				case s.Hands == engine.HandsAreIn && in.IsZero():
					in = time.Now()
					go func() {
						if during == nil {
							l.say(engine.Command{Want: engine.HandsOut})
						} else {
							l.handsOut(event.HandsOut{What: "filter"})
							time.Sleep(1500 * time.Millisecond)
							during(l)
						}
						time.Sleep(4 * time.Second)
						l.say(engine.Command{Want: engine.Finish})
					}()
				case s.Hands == engine.HandsGoOut:
					counted = true
				}
			})
			time.Sleep(10 * time.Second)
			if o.err != nil || !counted || l.sim.RFOnSince(in) || l.journal.find("hands-out") != nil {
				t.Errorf("ended %s: %v, counted down %v, RF since: %v, %s", name, o.err, counted, l.sim.RFOnSince(in),
					l.journal.kinds())
			}
		})
	}
}

// Hands that go in again after the countdown, while the product is watched before RF comes on, are heard.
func TestHandsGoInAgainBeforeRFComesOn(t *testing.T) {
	inLab(t, simbench.Config{Seed: 1}, func(t *testing.T, l *lab) {
		asked, again := false, false
		var in time.Time
		o := l.following([]rf.Frequency{worst(l.sim, 0)}, 0, func(x *fixing.Loop, s engine.Status) {
			switch {
			case x != nil && len(x.Places[0].Dots) == 3 && !asked:
				asked = true
				l.say(engine.Command{Want: engine.HandsIn, By: "key"})
			case s.Hands == engine.HandsAreIn && in.IsZero():
				in = time.Now()
				l.handsOut(event.HandsOut{What: "filter"})
			case s.Hands == engine.HandsGoOut && s.HandsUntil.IsZero() && !again:
				again = true
				l.say(engine.Command{Want: engine.HandsIn, By: "key"})
				go func() {
					time.Sleep(10 * time.Second)
					l.say(engine.Command{Want: engine.Finish})
				}()
			}
		})
		time.Sleep(10 * time.Second)
		if o.err != nil || !again || l.sim.RFOnSince(in) || l.journal.find("hands-out") != nil {
			t.Errorf("%v: asked again %v, RF since: %v, %s", o.err, again, l.sim.RFOnSince(in), l.journal.kinds())
		}
	})
}

// By hand at one point: levels by steps, never above the level wanted; an upset switches RF off until the next key.
func TestAPointIsHeldByHand(t *testing.T) {
	inLab(t, simbench.Config{Seed: 1}, func(t *testing.T, l *lab) {
		at := worst(l.sim, 0)
		low := rf.Gain(-25)
		carrier := true
		waited, held := 0, []engine.HeldPoint{}
		o := l.following([]rf.Frequency{at}, 0, func(x *fixing.Loop, s engine.Status) {
			if x != nil && len(held) == 0 && len(x.Places[0].Dots) == 1 {
				held = append(held, engine.HeldPoint{})
				go func() {
					for _, m := range []engine.Move{{At: at, Offset: &low}, {Steps: 3}, {Carrier: &carrier},
						{Steps: 100},
						{}, {Steps: -40}, {Along: 1}, {Follow: true}} {
						l.say(engine.Command{Want: engine.MovePoint, Point: m})
						time.Sleep(3 * time.Second)
						if s := l.sim.State(); s.On && 20*math.Log10(s.Carrier/0.01) > 0.5 {
							t.Errorf("%+v: %.2f dB above the level wanted", m, 20*math.Log10(s.Carrier/0.01))
						}
					}
					l.say(engine.Command{Want: engine.Finish})
				}()
			}
			if s.Point != nil && s.Point.Waits {
				waited++
				if l.sim.State().On {
					t.Errorf("RF is on after an upset by hand, before anybody said go on: %s, RF on by the run %v, %v",
						s.Phase, s.RFOn, s.Point)
				}
			}
		})
		time.Sleep(10 * time.Second)
		if o.err != nil {
			t.Fatalf("%s: %v", o.Verdict, o.err)
		}
		var told []string
		for _, s := range fixing.Of(&o.run).Held {
			told = append(told, fmt.Sprintf("%v %v %v %s", s.Step.Point.Frequency, s.Step.Offset, s.Outcome.Upset,
				s.Note))
		}
		all := strings.Join(told, "; ")
		for _, want := range []string{fmt.Sprintf("%v %v false ", at, low), "-23.5 dB false ",
			"-23.5 dB false without the plan's modulation", "0.0 dB true"} {
			if !strings.Contains(all, want) {
				t.Errorf("no %q in %s", want, all)
			}
		}
		if waited == 0 {
			t.Error("it did not wait after the upset")
		}
	})
}

// A product whose onset wanders by itself is followed: changes are noticed, and the onset is mostly known.
func TestALoopFollowsAnOnsetThatWanders(t *testing.T) {
	inLab(t, simbench.Config{Seed: 2}, func(t *testing.T, l *lab) {
		at := worst(l.sim, 0)
		l.sim.Wander(4, 8*time.Minute, 3) // of the bench's time, which runs 20 times faster
		near, within, held, noticed, n := 0, 0, 0, 0, 0
		o := l.following([]rf.Frequency{at}, 0, func(x *fixing.Loop, s engine.Status) {
			if x == nil || len(x.Places[0].Dots) <= 12 || len(x.Places[0].Dots) == n+12 {
				return
			}
			p := x.Places[0]
			d := p.Dots[len(p.Dots)-1]
			truth := l.sim.OnsetNow(at.Hz(), simbench.CarrierHeldAM) - p.Point.Target.In()
			n++
			if math.Abs(d.After.Level-truth) < 1.5 {
				near++
			}
			if math.Abs(d.After.Level-truth) < 1 {
				within++
			}
			if (d.After.LowOpen || d.After.Low-0.35 <= truth) && (d.After.HighOpen || truth <= d.After.High+0.35) {
				held++
			}
			if d.Changed {
				noticed++
			}
			if n == 400 {
				l.say(engine.Command{Want: engine.Finish})
			}
		})
		if o.err != nil || n < 400 {
			t.Fatalf("%s %v after %d", o.Verdict, o.err, n)
		}
		t.Logf("figure: an onset that wanders by ±4 dB: within 1 dB after %d of %d exposures, within 1.5 dB after "+
			"%d, the "+
			"limits hold it after %d, %d changes noticed", within, n, near, held, noticed)
		if near < n*8/10 || noticed == 0 {
			t.Error("it is not followed")
		}
	})
}
