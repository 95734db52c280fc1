package web_test

import (
	"net/http"
	"net/url"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp/kb"

	"provoke/internal/faces/web"
	"provoke/internal/faces/web/browser"
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

// A loop that was ended is gone on with through an arming step, as long as nothing was done since.
func TestAFixingLoopIsGoneOnWith(t *testing.T) {
	s := serve(t, true)
	j := must(store.Open(s.job))
	prepared := must(s.runner.Prepare(web.Request{PlanFile: filepath.Join(s.dir, "exposure.yaml")}))
	w := must(j.NewRun(time.Now(), event.Opened{Program: "test", RunKind: plan.Fixing, Label: "a loop", Points: 1,
		Fixing: &event.Fixing{Of: 3, At: []event.Tracked{{Point: plan.Point{Frequency: 41e6, Target: rf.DBuA(80)}}}},
		Plan:   must(j.Attach("exposure.yaml", prepared.Plan.Bytes))}))
	must(w.Close(time.Now(), event.DoneUpset, ""))
	j.Close()
	_, page := s.get(t, "/live")
	for _, want := range []string{"Go on with the fixing loop of run 5", "/plan?file=exposure.yaml&amp;again=3"} {
		if !strings.Contains(page, want) {
			t.Errorf("after its end the page does not offer %q", want)
		}
	}
	got := s.follow(t, "POST", "/resume", url.Values{"run": {"5"}, "job": {"belt-weigher"}})
	if !strings.HasPrefix(got.path, "/arm/") {
		t.Errorf("%d at %s: %.300s", got.status, got.path, wordsOf(got.page))
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

// A whole try by keyboard alone: H, the words only once the engine says them, what was changed, the key held for a
// second, signs of life in the countdown, and any key ends it. A dead stream shows no "hands in" and sends no sign.
func TestATryByKeyboardAlone(t *testing.T) {
	t.Parallel()
	p := browser.Open(t)
	s := serve(t, true)
	w := s.looping(t, engine.HandsAreOut)
	s.enter(p)
	p.Size(1280, 720)
	p.Go(s.URL + "/live")
	p.Wait(`globalThis.provoke && document.body.dataset.fresh === "yes" && !document.querySelector("#hands-in button").disabled`)
	said := func() bool { return strings.Contains(p.Text("main"), engine.HandsInWords) }
	key := func(kind, key, more string) {
		p.Eval(`(document.activeElement ?? document.body).dispatchEvent(new KeyboardEvent("` + kind + `", {key: "` + key +
			`", bubbles: true, cancelable: true` + more + `})) || true`)
	}
	count := func(w engine.Want, want int, when string) {
		t.Helper()
		for end := time.Now().Add(2 * time.Second); len(s.wants(w)) < want && time.Now().Before(end); {
			time.Sleep(10 * time.Millisecond)
		}
		if n := len(s.wants(w)); n != want {
			t.Errorf("%s: told %d times, want %d", when, n, want)
		}
	}
	key("keydown", "g", "") // RF is on: there is nothing to go on with
	p.Press("h")
	count(engine.HandsIn, 1, "H")
	p.Wait(`document.querySelector(".big.rf").innerText.includes("keep hands off")`)
	s.hands(engine.HandsGoingIn)
	time.Sleep(300 * time.Millisecond)
	if said() {
		t.Error("hands in is said before the engine says so")
	}
	must(w.Append(time.Now(), event.HandsIn{How: "read back as off"}))
	s.hands(engine.HandsAreIn, func(st *engine.Status) { st.HandsHow = "read back as off" })
	p.Wait(`document.querySelector(".big.rf").innerText.includes("hands in: RF off, read back") && document.activeElement.id === "what"`)
	p.Press("ferrite at the connector\r") // Enter in the name is no going on
	p.Eval(`document.querySelector("#rf-again").focus()`)

	// Held too short, repeated by the keyboard, or by the foot switch: nothing.
	key("keydown", "Enter", "")
	time.Sleep(600 * time.Millisecond)
	key("keyup", "Enter", "")
	for range 30 {
		key("keydown", "Enter", ", repeat: true")
	}
	time.Sleep(1200 * time.Millisecond)
	count(engine.HandsOut, 0, "a key that was not held")
	key("keydown", "Enter", "")
	time.Sleep(500 * time.Millisecond)
	key("keydown", "Enter", ", repeat: true")
	count(engine.HandsOut, 1, "a key that was held")
	key("keyup", "Enter", "")
	if did := s.wants(engine.HandsOut)[0].Did.Did(); did != "ferrite at the connector put in" {
		t.Errorf("hands did %q", did)
	}
	s.hands(engine.HandsGoOut)
	p.Wait(`/RF on in [123] s/.test(document.querySelector(".big.rf").innerText)`)
	time.Sleep(700 * time.Millisecond)
	if n := len(s.wants(engine.Present)); n < 2 {
		t.Errorf("%d signs of life in a second", n)
	}
	key("keydown", "Shift", "")
	count(engine.HandsIn, 1, "a modifier key")
	p.Press("x")
	count(engine.HandsIn, 2, "any key in the countdown")
	n := len(s.wants(engine.Present))
	time.Sleep(700 * time.Millisecond)
	if got := len(s.wants(engine.Present)); got > n+1 {
		t.Errorf("%d signs of life after the countdown was ended", got-n)
	}

	// The stream dies while hands are in, and in the countdown.
	s.hands(engine.HandsAreIn)
	p.Wait(`!document.querySelector("#rf-again").disabled && document.querySelector(".big.rf").innerText.includes("hands in: RF off")`)
	p.Eval(`document.activeElement.blur()`)
	key("keydown", "g", "")
	count(engine.HandsOut, 2, "G that was held")
	key("keyup", "g", "")
	s.hands(engine.HandsGoOut, func(st *engine.Status) { st.HandsUntil = time.Now().Add(time.Minute) })
	p.Wait(`/RF on in/.test(document.querySelector(".big.rf").innerText)`)
	s.hands(engine.HandsAreIn)
	p.Wait(`document.querySelector(".big.rf").innerText.includes("hands in: RF off")`)
	s.blockStreams.Store(true)
	s.CloseClientConnections()
	p.Wait(`document.body.dataset.fresh === "no"`)
	if said() {
		t.Error("hands in is said although the stream is dead")
	}
	n = len(s.wants(engine.HandsOut))
	key("keydown", "g", "")
	time.Sleep(1300 * time.Millisecond)
	if len(s.wants(engine.HandsOut)) != n {
		t.Error("RF was asked for from a page that is dead")
	}
	p.Complaints() // of the stream
}

// The foot switch is hands in where somebody chose that, ends the countdown, and never begins one.
func TestTheFootSwitchCanMeanHandsInAndNeverGoingOn(t *testing.T) {
	t.Parallel()
	p := browser.Open(t)
	s := serve(t, true)
	s.looping(t, engine.HandsAreOut)
	s.enter(p)
	p.Eval(`localStorage.setItem("mark-key", "g"), localStorage.setItem("foot-means", "hands in")`)
	p.Go(s.URL + "/live")
	p.Wait(`globalThis.provoke && document.body.dataset.fresh === "yes" && !document.querySelector("#hands-in button").disabled`)
	p.Press("g")
	for end := time.Now().Add(2 * time.Second); len(s.wants(engine.HandsIn)) == 0 && time.Now().Before(end); {
		time.Sleep(10 * time.Millisecond)
	}
	if in := s.wants(engine.HandsIn); len(in) != 1 || in[0].By != "foot switch" || s.marks() > 0 {
		t.Fatalf("told %+v, %d marks", in, s.marks())
	}
	s.hands(engine.HandsAreIn)
	p.Wait(`!document.querySelector("#rf-again").disabled`)
	p.Eval(`document.querySelector("#rf-again").focus(), document.activeElement.dispatchEvent(new KeyboardEvent("keydown", {key: "g", bubbles: true, cancelable: true}))`)
	time.Sleep(1400 * time.Millisecond)
	if n := len(s.wants(engine.HandsOut)); n > 0 {
		t.Errorf("the foot switch asked for RF %d times", n)
	}
}

// By hand: keys are steps, buttons the same; in a text field they write.
func TestAPointIsMovedByKeys(t *testing.T) {
	t.Parallel()
	p := browser.Open(t)
	s := serve(t, true)
	s.looping(t, engine.HandsAreOut)
	s.enter(p)
	p.Go(s.URL + "/live")
	p.Wait(`globalThis.provoke && document.body.dataset.fresh === "yes" && !document.querySelector("#hands-in button").disabled`)
	p.Press(kb.ArrowUp) // nothing is held yet: the page scrolls
	p.Press("b")
	offset := rf.Gain(-9)
	s.hands("", func(st *engine.Status) {
		st.Point = &engine.HeldPoint{Point: plan.Point{Frequency: 41e6, Target: rf.DBuA(80)}, Offset: offset}
	})
	p.Wait(`!document.querySelector(".by-hand > div").hidden && document.querySelector(".by-hand").innerText.includes("71.0 dBµA, 3.55 mA")`)
	for _, key := range []string{kb.ArrowUp, kb.ArrowDown, kb.PageUp, kb.PageDown, kb.ArrowLeft, kb.ArrowRight,
		"n", "p", "m", "t"} {
		p.Press(key)
	}
	p.Click(`[data-move="PageDown"]`)
	p.Click("#note-text")
	p.Press("nmt")
	want := []engine.Move{{At: 41e6}, {Steps: 1}, {Steps: -1}, {Steps: 6}, {Steps: -6}, {Along: -1}, {Along: 1},
		{Next: 1}, {Next: -1}, {Carrier: new(true)}, {Follow: true}, {Steps: -6}}
	for end := time.Now().Add(20 * time.Second); len(s.wants(engine.MovePoint)) < len(want) && time.Now().Before(end); {
		time.Sleep(10 * time.Millisecond)
	}
	var got []engine.Move
	for _, c := range s.wants(engine.MovePoint) {
		got = append(got, c.Point)
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("told %+v", got)
	}
}
