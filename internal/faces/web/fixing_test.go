package web_test

import (
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"provoke/internal/faces/web"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/store"
	"provoke/internal/run/engine"
	"provoke/internal/units/rf"
)

// A fixing loop is begun from what a run found: its worst frequencies are picked, others can be, one can be held by
// hand; what is armed is what the arming page shows, and what is asked for above the level wanted is refused.
func TestAFixingLoopIsBegunFromFindings(t *testing.T) {
	s := serve(t, true)
	page := s.follow(t, "GET", "/findings?run=3", nil).page
	form := formTo(page, "/fix")
	if form == nil || len(form["at"]) != 2 {
		t.Fatalf("the findings of a run with two failing bands offer %v", form["at"])
	}
	form.Set("more", "27,12 MHz; 1M5 Hz")
	form.Set("hold_at", "41 MHz")
	form.Set("hold_level", "71 dBµA")
	got := s.follow(t, "POST", "/fix", form)
	if !strings.HasPrefix(got.path, "/arm/") {
		t.Fatalf("%d at %s: %s", got.status, got.path, wordsOf(got.page))
	}
	shown := byID(got.page, "time")
	for _, want := range []string{"5", "1.5 MHz", "27.12 MHz", "41 MHz", "held by hand at 71.0 dBµA", "10 min"} {
		if !strings.Contains(shown, want) {
			t.Errorf("the arming page does not show %q: %s", want, shown)
		}
	}
	if got := s.follow(t, "POST", "/start", formTo(got.page, "/start")); !strings.HasPrefix(got.path, "/live") {
		t.Fatalf("%d at %s: %s", got.status, got.path, wordsOf(got.page))
	}
	asked := s.runner.prepared.Fix
	if asked == nil || asked.Of != 3 || len(asked.At) != 5 || !slices.Contains(asked.At, rf.Frequency(41e6)) {
		t.Fatalf("begun is %+v", asked)
	}
	told := s.runner.told
	if len(told) != 1 || told[0].Want != engine.MovePoint || told[0].Point.At != 41e6 ||
		told[0].Point.Offset == nil || *told[0].Point.Offset > -8.9 || *told[0].Point.Offset < -9.1 {
		t.Errorf("told was %+v", told)
	}
}

func TestAFixingLoopThatCannotBeIsRefusedInWords(t *testing.T) {
	s := serve(t, true)
	form := formTo(s.follow(t, "GET", "/findings?run=3", nil).page, "/fix")
	for what, c := range map[string]struct {
		change map[string]string
		words  string
	}{
		"nine":  {map[string]string{"more": "1 MHz; 2 MHz; 3 MHz; 4 MHz; 5 MHz; 6 MHz; 7 MHz"}, "pick 1 to 8"},
		"none":  {map[string]string{"at": ""}, "follow a frequency"},
		"above": {map[string]string{"hold_at": "41 MHz", "hold_level": "90 dBµA"}, "above the level wanted"},
		"unit":  {map[string]string{"more": "27 volts"}, "follow a frequency"},
	} {
		f := url.Values{}
		for k, v := range form {
			f[k] = slices.Clone(v)
		}
		for k, v := range c.change {
			f.Set(k, v)
		}
		got := s.follow(t, "POST", "/fix", f)
		if got.status < 400 || !strings.Contains(wordsOf(got.page), c.words) {
			t.Errorf("%s: %d at %s: %.300s", what, got.status, got.path, wordsOf(got.page))
		}
	}
}

// looping makes a fixing loop that is being done here, as far as pages can see.
func (s *site) looping(t *testing.T, hands engine.Hands) *store.Writer {
	t.Helper()
	j := must(store.Open(s.job))
	t.Cleanup(func() { j.Close() })
	s.runner.running = j
	at := func(f rf.Frequency) event.Tracked {
		return event.Tracked{Point: plan.Point{Frequency: f, Target: rf.DBuA(80)}}
	}
	w := must(j.NewRun(time.Now(), event.Opened{Program: "test", RunKind: plan.Fixing, Mode: plan.ClosedLoop,
		Label: "a loop", Points: 2, Resolution: 0.5, Range: 40,
		Fixing: &event.Fixing{At: []event.Tracked{at(41e6), at(27.12e6)}}}))
	s.runner.mu.Lock()
	defer s.runner.mu.Unlock()
	s.runner.state = web.State{Underway: true, Run: w.Run(), Began: time.Now(), Status: engine.Status{
		Phase: "exposing", RFOn: hands == engine.HandsAreOut, Hands: hands, Frequency: 41e6,
		Step: plan.Step{Purpose: plan.Tracking, Point: plan.Point{Frequency: 41e6, Target: rf.DBuA(80)}}}}
	return w
}

// hands puts the engine's word into the status.
func (s *site) hands(h engine.Hands, change ...func(*engine.Status)) {
	s.runner.mu.Lock()
	defer s.runner.mu.Unlock()
	st := &s.runner.state.Status
	st.Hands, st.RFOn, st.HandsUntil = h, h == engine.HandsAreOut, time.Time{}
	if h == engine.HandsGoOut {
		st.HandsUntil = time.Now().Add(3 * time.Second)
	}
	for _, f := range change {
		f(st)
	}
}

// wants returns what was told of one kind.
func (s *site) wants(w engine.Want) (out []engine.Command) {
	s.runner.mu.Lock()
	defer s.runner.mu.Unlock()
	for _, c := range s.runner.told {
		if c.Want == w {
			out = append(out, c)
		}
	}
	return out
}

// Hands are out only after they were in, with what they did: the number by itself, an earlier name as it was spelled.
func TestWhatHandsDidIsTakenOnlyAfterTheyWereIn(t *testing.T) {
	s := serve(t, true)
	w := s.looping(t, engine.HandsAreOut)
	out := func(form url.Values) int {
		return s.ask(t, s.client, "POST", "/fixing/out", form, s.own()).StatusCode
	}
	if n := out(url.Values{"did": {"in"}}); n != http.StatusConflict || len(s.wants(engine.HandsOut)) > 0 {
		t.Errorf("hands were out before they were in: %d", n)
	}
	s.hands(engine.HandsAreIn)
	must(w.Append(time.Now(), event.HandsIn{}, event.HandsOut{Try: 1, What: "Ferrite"}, event.HandsIn{}))
	for _, c := range []struct{ did, what, want string }{
		{"in", "", "change 2 put in"}, {"out", "ferrite", "Ferrite taken out"}, {"nothing", "x", "nothing changed"},
		{"in", "  100 nF at X1 ", "100 nF at X1 put in"},
	} {
		out(url.Values{"did": {c.did}, "what": {c.what}})
		told := s.wants(engine.HandsOut)
		if len(told) == 0 || told[len(told)-1].Did.Did() != c.want {
			t.Errorf("%q, %q: told %+v, want %q", c.did, c.what, told, c.want)
		}
	}
	for _, form := range []url.Values{{"did": {"out"}}, {"did": {"?"}}, {}} {
		if n := out(form); n != http.StatusBadRequest {
			t.Errorf("%v: %d", form, n)
		}
	}
}
