package web_test

import (
	"net/http"
	"net/url"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"provoke/internal/faces/web"
	"provoke/internal/faces/web/browser"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/store"
	"provoke/internal/run/engine"
	"provoke/internal/units/rf"
)

// underway makes a run that is being done here, as far as pages can see.
func (s *site) underway(t *testing.T) {
	t.Helper()
	j := must(store.Open(s.job))
	t.Cleanup(func() { j.Close() })
	w := must(j.NewRun(time.Now(), event.Opened{Program: "test", RunKind: plan.Exposure, Label: "being done",
		Points: 10}))
	s.runner.mu.Lock()
	defer s.runner.mu.Unlock()
	s.runner.state = web.State{Underway: true, Run: w.Run(), Began: time.Now(),
		Status: engine.Status{Phase: "exposing", RFOn: true, Frequency: 27.12e6}}
}

func (s *site) marks() int {
	s.runner.mu.Lock()
	defer s.runner.mu.Unlock()
	n := 0
	for _, c := range s.runner.told {
		if c.Want == engine.Mark {
			n++
		}
	}
	return n
}

// Space says "it upset now" wherever the focus is, but in a text field and on a control that Space operates; then the
// page says so. The key of a foot switch counts in a text field too. It is confirmed at once, largely, with the time,
// and nothing moves.
func TestItUpsetNowCountsAndIsConfirmed(t *testing.T) {
	t.Parallel()
	p := browser.Open(t)
	s := serve(t, true)
	s.underway(t)
	s.enter(p)
	p.Size(1280, 720)
	p.Go(s.URL + "/live")
	p.Wait(`globalThis.provoke && document.body.dataset.fresh === "yes" && !document.querySelector("#mark button").disabled`)
	where := `(() => { const r = document.querySelector("#mark button").getBoundingClientRect(); return [r.x, r.y, r.width, r.height].join(" "); })()`
	place := browser.Value[string](p, where)
	focus := func(selector string) {
		p.Eval(`(() => { const e = document.querySelector(` + "`" + selector + "`" + `); document.activeElement.blur(); if (e !== document.body) e.focus({preventScroll: true}); scrollTo(0, 0); })()`)
	}
	counts := func(selector, key string, want bool) {
		t.Helper()
		focus(selector)
		before := s.marks()
		p.Press(key)
		time.Sleep(150 * time.Millisecond)
		if got := s.marks() > before; got != want {
			t.Errorf("%q on %s counts: %v, want %v", key, selector, got, want)
		}
	}
	counts("body", " ", true)
	p.Wait(`document.querySelector("#mark-said")?.dataset.state === "noted"`)
	if size := browser.Value[float64](p, `parseFloat(getComputedStyle(document.querySelector("#mark-said b")).fontSize)`); size < 30 ||
		!strings.Contains(p.Text("#mark-said"), "UPSET "+time.Now().Format("15:")) {
		t.Errorf("confirmed in letters of %g px: %q", size, p.Text("#mark-said"))
	}
	p.Shot(filepath.Join(shotsDir, "marked-wide.png"), false)
	for _, free := range []string{"nav a[href='/findings']", "#log", ".plot"} {
		counts(free, " ", true)
	}
	for _, taken := range []string{"#note-text", "form[action='/hold'] button", "details summary"} {
		counts(taken, " ", false)
		focus(taken)
		p.Wait(`document.querySelector("#mark-how").dataset.taken === "yes" && document.querySelector("#mark-how").innerText.includes("Space does not count now")`)
		p.Eval(`document.querySelector("form[action='/hold'] button").disabled = false`)
	}
	if now := browser.Value[string](p, where); now != place {
		t.Errorf("the button moved from %s to %s", place, now)
	}
	p.Shot(filepath.Join(shotsDir, "mark-taken-wide.png"), false)
	p.Size(390, 844)
	p.Shot(filepath.Join(shotsDir, "mark-taken-phone.png"), true)
	p.Size(1280, 720)

	// The key of a foot switch is set by keyboard, counts where Space does not, and outlives the page.
	focus("#mark-key")
	p.Press("\r")
	p.Wait(`document.querySelector("#mark-key").textContent.startsWith("Press the foot switch now")`)
	p.Eval(`document.activeElement.dispatchEvent(new KeyboardEvent("keydown", {key: "F13", bubbles: true}))`)
	p.Wait(`document.querySelector("#mark-key").textContent.includes("F13")`)
	p.Go(s.URL + "/live")
	p.Wait(`globalThis.provoke && document.querySelector("#mark-how").innerText.includes("Space or F13")`)
	p.Click("#note-text")
	before := s.marks()
	p.Eval(`document.activeElement.dispatchEvent(new KeyboardEvent("keydown", {key: "F13", bubbles: true, cancelable: true}))`)
	p.Wait(`document.querySelector("#mark-said")?.dataset.state === "noted"`)
	if s.marks() != before+1 {
		t.Errorf("the foot switch counted %d times", s.marks()-before)
	}
	p.Wait(`document.querySelector("#mark-how").innerText.includes("“Note”. F13 counts")`)
	counts("#note-text", "b", false)

	// What the run does not take is said as largely.
	s.runner.mu.Lock()
	s.runner.state.Underway = false
	s.runner.mu.Unlock()
	p.Press(" ")
	focus("body")
	p.Press(" ")
	p.Wait(`document.querySelector("#mark-said")?.innerText.includes("NOT NOTED")`)
	p.Complaints() // of the answer 409
}

// A run that was stopped is gone on with from Live and from the Job page, through an arming step; one that is done is
// not, nor one that is not the newest.
func TestARunThatWasStoppedIsGoneOnWithFromThePage(t *testing.T) {
	s := serve(t, true)
	if _, page := s.get(t, "/live?run=4"); strings.Contains(page, `action="/resume"`) {
		t.Error("a run that is done can be gone on with")
	}
	j := must(store.Open(s.job))
	prepared := must(s.runner.Prepare(web.Request{PlanFile: filepath.Join(s.dir, "exposure.yaml")}))
	w := must(j.NewRun(time.Now(), event.Opened{Program: "test", RunKind: plan.Exposure, Label: "stopped here",
		Operator: "A. Invented", Points: 130, Plan: must(j.Attach("exposure.yaml", prepared.Plan.Bytes))}))
	for i := range 85 {
		must(w.Append(time.Now(), event.StepClosed{Step: plan.Step{Number: i + 1,
			Point: plan.Point{Frequency: rf.Frequency(1e6 * (i + 1))}}, Attempt: 1}))
	}
	must(w.Close(time.Now(), event.Stopped, "stopped by the operator"))
	j.Close()
	for _, path := range []string{"/live", "/"} {
		if _, page := s.get(t, path); !strings.Contains(page, "<button>Go on at 86 of 130</button>") {
			t.Errorf("%s does not say how the run is gone on with", path)
		}
	}
	r := s.ask(t, s.client, "POST", "/resume", url.Values{"run": {"5"}}, s.own())
	_, page := s.get(t, r.Header.Get("Location"))
	if !strings.Contains(page, "stopped here") || !nonceField.MatchString(page) || s.runner.started != 0 {
		t.Errorf("%s leads to %.1000s", r.Status, page)
	}
	if r := s.ask(t, s.client, "POST", "/resume", url.Values{"run": {"4"}}, s.own()); r.StatusCode != 409 {
		t.Errorf("a run that is not the newest: %s", r.Status)
	}
	write(t, s.dir, "exposure.yaml", []byte(exposurePlan+"# changed\n"))
	if _, page := s.get(t, "/live"); !strings.Contains(page, "no plan file of this folder is the one") {
		t.Error("a plan that was changed is not told")
	}
}

// After a crash the page says what the watcher did and measured, beside "not known to be off", also in the strip.
func TestWhatTheWatcherDidIsSaidAfterACrash(t *testing.T) {
	s := serve(t, true)
	j := must(store.Open(s.job))
	w := must(j.NewRun(at(9000), event.Opened{Program: "test", RunKind: plan.Exposure, Label: "cut off", Points: 10}))
	j.Close()
	safed := event.Safed{Cause: "the program gave no sign of life", Quiet: true, By: "watcher", Took: 3e7,
		How:   "read back as off and measured at the floor: at most -130.0 dBm at 27.12 MHz",
		Steps: []event.SafeStep{{What: "source output off", Result: "done"}}}
	s.runner.left = &web.Left{Run: w.Run(), At: at(9010), Begun: true, Done: true, Safed: safed}
	const said = "Its watcher silenced the bench at "
	for _, path := range []string{"/live", "/findings?run=3"} {
		_, page := s.get(t, path)
		strip, _, _ := strings.Cut(page, "</header>")
		if !strings.Contains(page, `data-rf="unknown"`) || !strings.Contains(strip, said) ||
			!strings.Contains(strip, "at most -130.0 dBm at 27.12 MHz") {
			t.Errorf("the strip of %s: %.1500s", path, strip)
		}
	}
	if _, page := s.get(t, "/live"); !strings.Contains(page, "source output off: done") {
		t.Error("Live does not show what the watcher did")
	}
	s.runner.left.At = at(8000) // of a job that had this name before
	if _, page := s.get(t, "/live"); strings.Contains(page, said) {
		t.Error("the report of another job is told as this one's")
	}
	s.ask(t, s.client, "POST", "/off", url.Values{}, s.own())
	if _, page := s.get(t, "/live"); !strings.Contains(page, `id="now" data-rf="off"`) ||
		!strings.Contains(page, "by “RF off”") {
		t.Error("what RF off read back is not told")
	}
}

// A switch that bounces, and a double click, are one upset.
func TestADoubleClickIsOneUpset(t *testing.T) {
	s := serve(t, true)
	s.runner.state = web.State{Underway: true, Run: 3, Status: engine.Status{Phase: "exposing", RFOn: true}}
	for range 2 {
		if r := s.ask(t, s.client, "POST", "/mark", url.Values{}, s.own()); r.StatusCode >= http.StatusBadRequest {
			t.Fatal(r.Status)
		}
	}
	if n := s.marks(); n != 1 {
		t.Errorf("%d marks", n)
	}
	time.Sleep(150 * time.Millisecond)
	s.ask(t, s.client, "POST", "/mark", url.Values{}, s.own())
	if n := s.marks(); n != 2 {
		t.Errorf("%d marks after another one", n)
	}
}
