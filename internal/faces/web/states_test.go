package web

import (
	"bytes"
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"
	"time"

	"provoke/internal/files/catalog"
	"provoke/internal/job/event"
	"provoke/internal/job/fixing"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/model/chain"
	"provoke/internal/model/level"
	"provoke/internal/run/engine"
	"provoke/internal/units/rf"
)

// Every state of the live page from canned folds, so that each can be pictured and checked without a
// bench. They are served by the servers of tests only. The product is an invented belt weigher.

// cannedState is one state of the live page.
type cannedState struct {
	Name, Says string
	run        func(*canned)
	under      underway
	notLive    bool
	none       bool // no run at all
}

var cannedAt = time.Date(2026, 11, 25, 14, 30, 0, 0, time.UTC)

func phase(p string, on bool) engine.Status {
	return engine.Status{Phase: p, RFOn: on, Frequency: 27.12e6, Drive: rf.DBm(-13.4), Current: rf.DBuA(79.9), Done: 31,
		Known: 84, CurrentAt: cannedAt.Add(-240 * time.Millisecond), Forward: rf.DBm(24.2), Reverse: rf.DBm(21.7),
		Modulation: level.Modulation{Kind: level.AM, Depth: 0.8, Rate: 1e3, Hold: level.CarrierHeld},
		Step: plan.Step{Purpose: plan.Sweep, Point: plan.Point{Frequency: 27.12e6, Target: rf.DBuA(80),
			Wanted: level.Ask{Current: rf.DBuA(83)}}}}
}

func here(s engine.Status, looks ...engine.Look) underway {
	return underway{Here: true, Status: s, Looks: looks, Began: cannedAt.Add(-3 * time.Minute)}
}

func dwelling(s engine.Status) engine.Status {
	s.DwellFrom, s.DwellUntil = cannedAt.Add(-600*time.Millisecond), cannedAt.Add(1400*time.Millisecond)
	return s
}

// byHand asks for something that a person has to do.
func byHand(s engine.Status) engine.Status {
	p := &engine.Prompt{Number: 7}
	p.Title, p.Instrument, p.Wants = "SET THE SOURCE", "source GEN1", "done"
	p.Lines = []string{"frequency 27.12 MHz", "level 617.3 mVpp (set for 50 Ω)", "modulation off, output on"}
	s.Prompt, s.CannotSwitchOff = p, "provoke cannot switch this source off: use its own switch"
	return s
}

func lookAt(value float64, bad bool, on bool) engine.Look {
	l := engine.Look{At: cannedAt, Reading: event.Reading{Monitor: "SHOWN", Value: value, HasValue: true, Bad: bad,
		RFOn: on}}
	if bad {
		l.Why = "1.31 kg above the baseline; tolerance 0.05 kg"
	}
	return l
}

var errorLine = engine.Look{At: cannedAt, Reading: event.Reading{Monitor: "LINES", Text: "ERR 17 LOAD CELL",
	Bad: true, Why: "a line of the error pattern"}}

// cannedStates are every state, in the order of a run.
var cannedStates = []cannedState{
	{Name: "no-run", Says: "no run yet", none: true},
	{Name: "could-not-begin", Says: "the last run could not begin", none: true,
		under: underway{Failed: "open the bench: source GEN1 does not answer"}},
	{Name: "quieting", Says: "the bench is brought to off before a run", run: (*canned).open,
		under: here(engine.Status{Phase: "quieting the bench"})},
	{Name: "watching", Says: "the product is watched without RF", run: (*canned).open,
		under: here(engine.Status{Phase: "watching the product without RF"}, lookAt(12.5, false, false))},
	{Name: "arming", Says: "armed, first light", run: (*canned).arm,
		under: here(phase("first light", true), lookAt(12.5, false, true))},
	{Name: "by-hand", Says: "a person is asked to set the source", run: (*canned).half,
		under: here(byHand(phase("levelling", true)), lookAt(12.5, false, true))},
	{Name: "levelling", Says: "the level is brought up", run: (*canned).half,
		under: here(phase("levelling", true), lookAt(12.5, false, true))},
	{Name: "exposing", Says: "an exposure, the product is well", run: (*canned).half,
		under: here(dwelling(phase("exposing", true)), lookAt(12.52, false, true))},
	{Name: "upset", Says: "the product has upset, RF is off", run: (*canned).half,
		under: here(phase("upset: waiting for the product to recover", false), lookAt(13.81, true, false), errorLine)},
	{Name: "needs-a-person", Says: "the product did not recover", run: (*canned).half,
		under: here(phase("RF off: the product did not recover; reset or power-cycle it", false), errorLine)},
	{Name: "held", Says: "held by the operator", run: (*canned).hold,
		under: here(phase("held, RF off", false), lookAt(12.5, false, false))},
	{Name: "tripping", Says: "tripped, RF is being switched off", run: (*canned).trip,
		under: here(phase("exposing", true), lookAt(12.5, false, true))},
	{Name: "silencing", Says: "the bench is being silenced", run: (*canned).half,
		under: here(phase("silencing", false), lookAt(12.5, false, false))},
	{Name: "baseline", Says: "a baseline without RF", run: (*canned).baseline,
		under: here(engine.Status{Phase: "watching without RF", Frequency: 4.2e6, Done: 12, Known: 56},
			lookAt(12.5, false, false))},
	{Name: "elsewhere", Says: "another program does the run", run: (*canned).half, under: underway{Elsewhere: true}},
	{Name: "cut-off", Says: "the program that did the run ended in the middle of it", run: (*canned).half},
	{Name: "cut-off-watched", Says: "the same, and its watcher silenced the bench", run: (*canned).half,
		under: underway{Left: &Left{Run: 3, At: cannedAt, Begun: true, Done: true, Safed: watcherSafed}}},
	{Name: "not-live", Says: "the stream has stopped", run: (*canned).half,
		under: here(dwelling(phase("exposing", true)), lookAt(12.52, false, true)), notLive: true},
	{Name: "done", Says: "done, no upset", run: func(c *canned) { c.sweep(84, false); c.end(event.Done, "", true) }},
	{Name: "done-upset", Says: "done, with upsets",
		run: func(c *canned) { c.sweep(84, true); c.end(event.DoneUpset, "", true) }},
	{Name: "incomplete", Says: "not every point was closed",
		run: func(c *canned) { c.half(); c.end(event.Incomplete, "3 steps did not reach their level", true) }},
	{Name: "stopped", Says: "stopped by the operator",
		run: func(c *canned) { c.half(); c.end(event.Stopped, "stopped by the operator", true) }},
	{Name: "tripped", Says: "tripped, RF off verified",
		run: func(c *canned) { c.trip(); c.end(event.TrippedEnd, tripCause, true) }},
	{Name: "failed", Says: "failed, RF off verified", run: func(c *canned) {
		c.half()
		c.end(event.Failed, "read the analyser SA1: no answer within 1 s", true)
	}},
	{Name: "not-known-off", Says: "RF not known to be off",
		run: func(c *canned) { c.half(); c.end(event.RFNotKnownOff, "set the source: no answer", false) }},
	{Name: "loop-new", Says: "a fixing loop begins", run: func(c *canned) { followed(c, 2, -1) },
		under: here(inLoop("", true), lookAt(12.5, false, true))},
	{Name: "loop", Says: "the onset is followed", run: func(c *canned) { followed(c, 3, 2) },
		under: here(inLoop("", true), lookAt(12.52, false, true))},
	{Name: "loop-many", Says: "eight frequencies, forty tries", run: func(c *canned) { followed(c, 8, 40) },
		under: here(inLoop("", true), lookAt(12.52, false, true))},
	{Name: "hands-going-in", Says: "RF is being switched off for hands", run: func(c *canned) { followed(c, 3, 2) },
		under: here(inLoop(engine.HandsGoingIn, true), lookAt(12.5, false, false))},
	{Name: "hands-in", Says: "hands are in", run: func(c *canned) { followed(c, 8, 2); c.add(event.HandsIn{}) },
		under: here(inLoop(engine.HandsAreIn, false), lookAt(12.5, false, false))},
	{Name: "countdown", Says: "RF comes on", run: func(c *canned) { followed(c, 3, 2); c.add(event.HandsIn{}) },
		under: here(inLoop(engine.HandsGoOut, false), lookAt(12.5, false, false))},
	{Name: "held-by-hand", Says: "one point is held by hand", run: func(c *canned) { followed(c, 3, 1) },
		under: here(heldAt(-9, false), lookAt(12.5, false, true))},
	{Name: "held-upset", Says: "it upset at the point by hand", run: func(c *canned) { followed(c, 3, 1) },
		under: here(heldAt(-7, true), lookAt(13.8, true, false))},
	{Name: "loop-not-live", Says: "the stream has stopped with hands in",
		run:   func(c *canned) { followed(c, 3, 2); c.add(event.HandsIn{}) },
		under: here(inLoop(engine.HandsAreIn, false)), notLive: true},
	{Name: "loop-ended", Says: "a fixing loop has ended",
		run: func(c *canned) { followed(c, 4, 3); c.end(event.DoneUpset, "", true) }},
	{Name: "loop-not-known-off", Says: "hands in was asked for and RF is not known to be off", run: func(c *canned) {
		followed(c, 3, 1)
		c.end(event.RFNotKnownOff, "KEEP HANDS OFF: hands in was asked for, and RF is not known to be off", false)
	}},
}

const tripCause = "measured current 6.4 dB above the prediction at 27.12 MHz"

// Nothing is shown that is not there: what was on the cable last looks like what is on it now.
func TestWithRFOffNoLevelIsShown(t *testing.T) {
	on := 0
	for _, st := range cannedStates {
		v := st.page().View
		if v.RF == rfOn {
			on++
			if v.Frequency == "–" || v.Current == "–" || v.Large != short(v.Frequency) && v.Large != keepOff ||
				!strings.HasPrefix(v.Tab, "RF ON ") {
				t.Errorf("%s: %+v", st.Name, v)
			}
			continue
		}
		for what, text := range map[string]string{"current": v.Current, "drive": v.Drive, "forward": v.Forward,
			"reflected": v.Reverse, "modulation": v.Modulation} {
			if text != "–" {
				t.Errorf("%s: %s %s with RF %s", st.Name, what, text, v.RF)
			}
		}
		if len(v.Nearest) > 0 || v.Setting != "" || v.Read != "" && st.under.Here {
			t.Errorf("%s: RF %s and %+v", st.Name, v.RF, v)
		}
	}
	if on < 4 {
		t.Errorf("%d states with RF on", on)
	}
}

// A reading of another level is gone with it, and an old one says so.
func TestAReadingSaysHowOldItIs(t *testing.T) {
	c := &canned{at: cannedAt.Add(-3 * time.Minute)}
	c.half()
	u := here(phase("exposing", true))
	for age, old := range map[time.Duration]bool{200 * time.Millisecond: false, 11 * time.Second: true} {
		u.Status.CurrentAt = cannedAt.Add(-age)
		if v := liveOf(&c.run, u, cannedAt); v.CurrentOld != old || v.Read != fmt.Sprintf("read %.1f s ago",
			age.Seconds()) {
			t.Errorf("%v: %q, old %v", age, v.Read, v.CurrentOld)
		}
	}
}

var watcherSafed = event.Safed{Cause: "the program has ended", Quiet: true, By: "watcher", Took: 31e6,
	How: "read back as off and measured at the floor: at most -130.0 dBm at 27.12 MHz",
	Steps: []event.SafeStep{{What: "source output off", Result: "done"}, {What: "amplifier to standby", Result: "done"},
		{What: "source to minimum", Result: "done"}, {What: "measured", Result: "done"}}}

// canned builds a fold by journalling to nobody.
type canned struct {
	run result.Run
	at  time.Time
	log []logLine
	seq int64
	n   int // steps so far
}

func (c *canned) add(events ...event.Event) {
	for _, e := range events {
		c.seq++
		c.at = c.at.Add(900 * time.Millisecond)
		rec := event.Record{Run: 3, Seq: c.seq, At: c.at, Event: e}
		c.run.Apply(rec)
		c.log = append(c.log, lineOf(rec))
	}
}

func (c *canned) open() { c.opened(plan.Exposure) }

func (c *canned) opened(kind plan.RunKind) {
	monitors := []event.Monitor{{ID: "SHOWN", Kind: "text", Unit: "kg", Tolerance: 0.05, Baseline: 12.5,
		HasBaseline: true}, {ID: "LINES", Kind: "text"}}
	c.add(event.Opened{Version: 1, Program: "canned", RunKind: kind, Mode: plan.ClosedLoop, Fixture: "cable",
		Label:      "belt weigher (invented), as received",
		Modulation: level.Modulation{Kind: level.AM, Depth: 0.8, Rate: 1e3, Hold: level.CarrierHeld}, Dwell: 2e9,
		Resolution: 0.5, Range: 40, Points: 84, Monitors: monitors},
		event.Watching{Monitors: monitors})
}

func (c *canned) arm() {
	c.open()
	c.add(event.Armed{By: "A. Invented", DeadMan: 2e9}, event.FirstLight{Frequency: 150e3, Drive: rf.DBm(-37.4),
		Predicted: rf.DBuA(60), Low: rf.DBuA(56), High: rf.DBuA(64), Measured: rf.DBuA(60.7), Passed: true})
}

func (c *canned) half() { c.sweep(31, true) }

func (c *canned) hold() {
	c.half()
	c.add(event.Hold{Why: "the operator asked for it"})
}

func (c *canned) trip() {
	c.half()
	c.add(event.Tripped{Cause: tripCause, By: "guard"})
}

func (c *canned) baseline() {
	c.opened(plan.Baseline)
	for i := range 12 {
		c.step(cannedFrequency(i), false, true)
	}
}

// cannedFrequency spreads 84 frequencies over 150 kHz to 80 MHz.
func cannedFrequency(i int) rf.Frequency {
	return rf.Frequency(150e3 * math.Pow(80e6/150e3, float64(i)/83))
}

// sweep closes a number of frequencies; some of them upset when asked to.
func (c *canned) sweep(n int, upsets bool) {
	c.arm()
	for i := range n {
		c.step(cannedFrequency(i), upsets && i > 24 && i < 29, false)
	}
	if n < 84 {
		c.add(event.Intent{Step: plan.Step{Number: c.n + 1, Purpose: plan.Sweep,
			Point: plan.Point{Frequency: 27.12e6, Target: rf.DBuA(80), Drive: rf.DBm(-13)}}, Attempt: 1})
	}
}

func (c *canned) step(f rf.Frequency, upset, quiet bool) {
	c.n++
	step := plan.Step{Number: c.n, Purpose: plan.Sweep, Point: plan.Point{Frequency: f, Target: rf.DBuA(80),
		Wanted: level.Ask{Current: rf.DBuA(80)}}}
	e := event.StepClosed{Step: step, Attempt: 1, Drive: rf.DBm(-13.4), Current: rf.DBuA(79.9),
		Outcome: plan.Outcome{Number: c.n, Exposures: 1}, OnFor: 2e9}
	if quiet {
		e.Current, e.Drive = rf.Current{}, rf.Power{}
	}
	if upset {
		e.Outcome.Upset, e.Class, e.Note = true, event.DuringOnly, "SHOWN 1.31 kg above the baseline"
		e.Current = rf.DBuA(72.5)
	}
	c.add(event.Intent{Step: step, Attempt: 1}, e)
}

func (c *canned) end(v event.Verdict, why string, quiet bool) {
	if why != "" {
		c.add(event.Stopping{Cause: why, ByOperator: v == event.Stopped})
	}
	how := "read back as off and measured at the floor: at most -120.0 dBm"
	if !quiet {
		how = "RF not known to be off: the source does not answer"
	}
	c.add(event.Safed{Cause: why, Quiet: quiet, How: how, Took: 4e8}, event.Closed{Verdict: v, Why: why, Count: c.seq})
}

// followed is a state of a fixing loop with so many frequencies and tries.
func followed(c *canned, places, tries int) {
	o := event.Fixing{Alone: rf.Duration(10 * time.Minute), Of: 3}
	onset := func(i int) float64 { return 70 + float64(i%4) }
	for i := range places {
		o.At = append(o.At, event.Tracked{Point: loopPoint(i)})
	}
	monitors := []event.Monitor{{ID: "SHOWN", Kind: "text", Unit: "kg", Tolerance: 0.05, Baseline: 12.5,
		HasBaseline: true}}
	c.add(event.Opened{Version: 1, Program: "canned", RunKind: plan.Fixing, Mode: plan.ClosedLoop, Fixture: "cable",
		Label: "belt weigher (invented), ferrites at the connector", Resolution: 0.5, Range: 40, Points: places,
		Modulation: level.Modulation{Kind: level.AM, Depth: 0.8, Rate: 1e3, Hold: level.CarrierHeld}, Dwell: 2e9,
		Monitors: monitors, Fixing: &o, Levelling: event.Levelling{Spread: 0.1}}, event.Watching{Monitors: monitors})
	gain := 0.0
	for try := range tries + 1 {
		if try > 0 {
			name := fmt.Sprintf("ferrite sleeve of NiZn over cable W1 at the connector, %d turns", try/2)
			c.add(event.HandsIn{By: "page", How: "read back as off"}, event.HandsOut{By: "page", Try: try, What: name,
				Out: try%2 == 1})
			gain = float64(try%5) * 0.7
		}
		for k := range 6 * places {
			i := k % places
			at := onset(i) + gain + []float64{-2.1, 0.4, -0.3, 0.3, -0.4, 1.4}[k/places%6]
			c.loopStep(i, at, at > onset(i)+gain)
		}
	}
}

func loopPoint(i int) plan.Point {
	return plan.Point{Frequency: cannedFrequency(10*i + 3), Target: rf.DBuA(80), Drive: rf.DBm(-13),
		Wanted: level.Ask{Current: rf.DBuA(78)}}
}

// loopStep is an exposure of a fixing loop.
func (c *canned) loopStep(i int, at float64, upset bool) {
	c.n++
	e := event.StepClosed{Step: plan.Step{Number: c.n, Purpose: plan.Tracking, Point: loopPoint(i),
		Offset: rf.Gain(at - 80)}, Attempt: 1, Drive: rf.DBm(-13.4), Current: rf.DBuA(at), OnFor: 2e9,
		Outcome: plan.Outcome{Number: c.n, Exposures: 1, Upset: upset},
	}
	for k := range 4 {
		e.Readings = append(e.Readings, event.Reading{Monitor: "SHOWN", After: rf.Duration(4e8 * (k + 1)), RFOn: true,
			Value: 12.5 + 0.002*(at-60) + 0.001*float64(k%2), HasValue: true})
	}
	c.add(event.Intent{Step: e.Step, Attempt: 1}, e)
}

func inLoop(hands engine.Hands, on bool) engine.Status {
	s := engine.Status{Phase: "exposing", RFOn: on, Hands: hands, Frequency: loopPoint(1).Frequency,
		Drive: rf.DBm(-23.4), Current: rf.DBuA(71.2), CurrentAt: cannedAt.Add(-200 * time.Millisecond),
		Modulation: level.Modulation{Kind: level.AM, Depth: 0.8, Rate: 1e3, Hold: level.CarrierHeld},
		Step:       plan.Step{Purpose: plan.Tracking, Point: loopPoint(1), Offset: -9}}
	switch hands {
	case engine.HandsGoingIn:
		s.Phase = "hands off: switching RF off for hands in"
	case engine.HandsAreIn:
		s.Phase, s.HandsHow = engine.HandsInWords, "read back as off and measured at the floor: at most -130.0 dBm"
	case engine.HandsGoOut:
		s.Phase, s.HandsUntil = "RF comes on after the countdown: any key ends it", cannedAt.Add(2300*time.Millisecond)
	}
	return s
}

func heldAt(offset rf.Gain, waits bool) engine.Status {
	s := dwelling(inLoop("", !waits))
	s.Step.Purpose, s.Step.Offset = plan.HeldPoint, offset
	s.Point = &engine.HeldPoint{Point: loopPoint(1), Offset: offset, Waits: waits}
	return s
}

// ServeStates has a server of a test show the states too, each at /_states/NAME.
func ServeStates(s *Server) {
	m := http.NewServeMux()
	m.Handle("/", s.routes())
	for _, st := range cannedStates {
		m.HandleFunc("GET /_states/"+st.Name, func(w http.ResponseWriter, r *http.Request) {
			if data, err := s.folder.read("bench.yaml"); err == nil {
				b, _ := catalog.Parse("bench.yaml", data, s.folder.beside)
				st.under.Chain, st.under.Fixture = chain.New(b), catalog.OnCable
			}
			p := st.page()
			live := p.View
			p.Frame = s.frameFor(r, "Live")
			p.Frame.Live, p.Frame.Title = live, "Canned state: "+st.Says
			drawn := httptest.NewRecorder()
			if err := s.draw(drawn, "live", p); err != nil {
				http.Error(w, err.Error(), http.StatusInternalServerError)
				return
			}
			// A state has no stream that could say that it is true, or make it another one.
			body := ownStream.ReplaceAll(drawn.Body.Bytes(), nil)
			if !st.notLive {
				body = bytes.Replace(body, []byte(`data-fresh="no"`), []byte(`data-fresh="yes"`), 1)
			}
			w.Header().Set("Content-Type", drawn.Header().Get("Content-Type"))
			w.Write(body)
		})
	}
	s.handler = s.guarded(m)
}

var ownStream = regexp.MustCompile(` data-stream="[^"]*"`)

// page makes the live page of a state.
func (st cannedState) page() livePage {
	p := livePage{Chart: chart{ID: "growing"}}
	if st.none {
		p.View = liveOf(nil, st.under, cannedAt)
		return p
	}
	c := &canned{at: cannedAt.Add(-3 * time.Minute)}
	st.run(c)
	if c.run.Opened.Fixing != nil {
		st.under.Loop = fixing.Of(&c.run)
	}
	p.fillLoop(&c.run, st.under.Loop)
	p.View = liveOf(&c.run, st.under, cannedAt)
	p.Chart, p.StripChart = liveChart(&c.run), stripChart(&c.run)
	p.Chart.X.From, p.Chart.X.To = 0.15, 80
	p.Log = c.log[max(0, len(c.log)-keptLog):]
	p.NoRF = c.run.Opened.RunKind == plan.Baseline
	p.StripChart.fill(st.under)
	return p
}

// fill draws invented readings of the last seconds.
func (c *chart) fill(u underway) {
	if !u.Here {
		return
	}
	low, high := 12.45, 12.55
	c.Low, c.High = &low, &high
	for i := range 200 {
		t, v := float64(i)/10, 12.5+0.012*math.Sin(float64(i*i))
		c.At = append(c.At, t)
		good, bad := &v, (*float64)(nil)
		if u.Status.Phase != "exposing" && len(u.Looks) > 0 && u.Looks[0].Bad && i > 185 {
			*good = 13.2 + 0.04*float64(i-185)
			good, bad = bad, good
		}
		c.Series[0].Y, c.Series[1].Y = append(c.Series[0].Y, good), append(c.Series[1].Y, bad)
	}
	if u.Status.RFOn || u.Status.Step.Purpose != "" {
		c.Shade = [][2]float64{{0, 1.9}, {2.6, 6.2}, {6.8, 12.4}, {13.1, 18.5}}
	}
}

// StateNames returns the names of the states, as /_states/NAME shows them.
func StateNames() []string {
	var out []string
	for _, st := range cannedStates {
		out = append(out, st.Name)
	}
	return out
}

// The view of a long run is made ten times a second for everybody who looks, beside the run: 6,271 frequencies are a
// sweep of 1 % steps thrice as fine.
func BenchmarkTheViewOfALongRun(b *testing.B) {
	c := &canned{at: cannedAt.Add(-3 * time.Minute)}
	c.arm()
	for i := range 6271 {
		c.step(rf.Frequency(150e3+12e3*float64(i)), i%50 == 0, false)
	}
	u := here(dwelling(phase("exposing", true)))
	for b.Loop() {
		liveOf(&c.run, u, cannedAt)
	}
}

// "Hands in" in large words is said only where the engine says that RF was read back as off for hands, of a run that is
// being done here and now.
func TestHandsInIsSaidOnlyWhereRFWasReadBackAsOff(t *testing.T) {
	said := 0
	for _, st := range cannedStates {
		v := st.page().View
		in := st.under.Here && st.under.Status.Hands == engine.HandsAreIn
		if got := v.Large == engine.HandsInWords; got != in {
			t.Errorf("%s: %q stands largest", st.Name, v.Large)
		} else if got {
			said++
		}
		for name, text := range map[string]string{"label": v.Label, "below": v.Below, "tab": v.Tab} {
			if !in && strings.Contains(text, "hands in: RF off") {
				t.Errorf("%s: %s says %q", st.Name, name, text)
			}
		}
	}
	if said < 2 {
		t.Errorf("%d states say it", said)
	}
	c := &canned{at: cannedAt}
	followed(c, 2, 1)
	c.add(event.HandsIn{})
	for name, u := range map[string]underway{"another program's": {Elsewhere: true}, "cut off": {}} {
		u.Loop = fixing.Of(&c.run)
		if v := liveOf(&c.run, u, cannedAt); strings.Contains(v.Large+v.Label+v.Below, "hands in: RF off") ||
			v.RF == rfOff {
			t.Errorf("%s run: %q, %q, %q", name, v.Large, v.Label, v.Below)
		}
	}
}
