package web_test

import (
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"provoke/internal/faces/web"
	"provoke/internal/faces/web/browser"
	"provoke/internal/run/engine"
)

func bodyOf(r *http.Response) string {
	b, _ := io.ReadAll(r.Body)
	return lineEnds.ReplaceAllString(string(b), " ")
}

// Somebody whose cookie is lost switches RF off from a page of this computer, and learns whether it is off and nothing
// else of the bench.
func TestRFOffNeedsNoSessionFromThisComputersOwnPage(t *testing.T) {
	s := serve(t, true)
	stranger := &http.Client{}
	s.runner.state = web.State{Underway: true, Run: 3, Status: engine.Status{Phase: "exposing", RFOn: true}}
	for name, x := range map[string]struct {
		header map[string]string
		status int
	}{
		"no origin":      {nil, http.StatusUnauthorized},
		"another origin": {map[string]string{"Origin": "http://elsewhere.example"}, http.StatusForbidden},
		"another site":   {map[string]string{"Origin": s.URL, "Sec-Fetch-Site": "cross-site"}, http.StatusForbidden},
		"another host": {map[string]string{"Origin": s.URL, "Host": "bench.example"},
			http.StatusMisdirectedRequest},
	} {
		if r := s.ask(t, stranger, "POST", "/off", url.Values{}, x.header); r.StatusCode != x.status {
			t.Errorf("%s: %s", name, r.Status)
		}
	}
	if s.runner.offs != 0 {
		t.Fatal("it was switched off by somebody else")
	}
	r := s.ask(t, stranger, "POST", "/off", url.Values{}, s.own())
	body := bodyOf(r)
	if r.StatusCode != http.StatusOK || s.runner.offs != 1 || !strings.Contains(body, "RF is off") {
		t.Errorf("%s, %d times: %s", r.Status, s.runner.offs, body)
	}
	for _, leak := range []string{"belt", "bench.yaml", "run 3", "measured", "exposing", "/findings"} {
		if strings.Contains(body, leak) {
			t.Errorf("the answer says %q to somebody who was not let in", leak)
		}
	}
}

// Where other computers reach the server RF off needs the session or the token, and the page asks for it.
func TestRFOffBeyondThisComputerNeedsTheToken(t *testing.T) {
	const token = "a standing token of a test"
	s := serve(t, true)
	host := strings.TrimPrefix(s.URL, "http://")
	pages, err := web.New(web.Config{Runner: s.runner, JobFile: s.job, Dir: s.dir, Hosts: []string{host}, Token: token,
		Beyond: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { pages.Close() })
	s.Config.Handler = pages
	stranger := &http.Client{}
	r := s.ask(t, stranger, "POST", "/off", url.Values{}, s.own())
	if body := bodyOf(r); r.StatusCode != http.StatusUnauthorized || s.runner.offs != 0 ||
		!strings.Contains(body, `action="/off"><label>Token`) {
		t.Errorf("%s, %d times: %s", r.Status, s.runner.offs, body)
	}
	if r := s.ask(t, stranger, "POST", "/off", url.Values{"token": {token}}, s.own()); r.StatusCode != http.StatusOK ||
		s.runner.offs != 1 {
		t.Errorf("with the token: %s, %d times", r.Status, s.runner.offs)
	}
}

// The button, and what to do when no answer comes, stand on every page: also on those for nobody.
func TestRFOffHasAPlaceOnEveryPage(t *testing.T) {
	s := serve(t, true)
	html := map[string]string{"Accept": "text/html"}
	check := func(what string, r *http.Response) {
		t.Helper()
		if body := bodyOf(r); strings.Count(body, `action="/off"><button class="off"`) != 1 ||
			!strings.Contains(body, "Amplifier off by hand") || !strings.Contains(body, "/static/off.js") {
			t.Errorf("%s (%s) has no RF off: %.1500s", what, r.Status, body)
		}
	}
	for name, path := range pagePaths {
		check(name, s.ask(t, s.client, "GET", path, nil, html))
		check(name+" without a session", s.ask(t, &http.Client{}, "GET", path, nil, html))
	}
	check("entered", s.ask(t, &http.Client{}, "GET", s.pages.Entrance(), nil, html))
	check("a used address", s.ask(t, &http.Client{}, "GET", "/enter?token=0", nil, html))
	check("a wrong method", s.ask(t, s.client, "PUT", "/live", nil, s.own()))
	check("a refused form", s.ask(t, s.client, "POST", "/hold", url.Values{}, s.own()))
	check("what RF off came to", s.ask(t, s.client, "POST", "/off", url.Values{}, s.own()))
	if r := s.ask(t, &http.Client{}, "GET", "/static/off.js", nil, nil); r.StatusCode != http.StatusOK {
		t.Errorf("the script that a stranger needs: %s", r.Status)
	}
}

// RF off is answered with what the run read back.
func TestRFOffIsAnsweredWithWhatWasReadBack(t *testing.T) {
	s := serve(t, true)
	s.runner.state = web.State{Underway: true, Run: 3, Status: engine.Status{Phase: "exposing", RFOn: true}}
	if body := bodyOf(s.ask(t, s.client, "POST", "/off", url.Values{}, s.own())); !strings.Contains(body,
		"run 3 was ended; RF read back as off and measured at the floor, within 200 ms") {
		t.Error(body)
	}
	script := s.own()
	script["Accept"] = "application/json"
	r := s.ask(t, s.client, "POST", "/off", url.Values{}, script)
	if body := bodyOf(r); !strings.HasPrefix(body, `{"off":true,"title":"RF is off","text":"Read back at `) {
		t.Error(body)
	}
}

// Browsers keep cookies by host: two servers on two ports leave each other's alone.
func TestTwoServersOnOneHostKeepTheirSessions(t *testing.T) {
	one, two := serve(t, true), serve(t, true)
	jar, _ := cookiejar.New(nil)
	both := &http.Client{Jar: jar}
	for _, s := range []*site{one, two} {
		s.ask(t, both, "GET", s.pages.Entrance(), nil, nil)
	}
	for _, s := range []*site{one, two} {
		if r := s.ask(t, both, "GET", "/", nil, nil); r.StatusCode != http.StatusOK {
			t.Errorf("%s: %s", s.URL, r.Status)
		}
	}
}

// When nobody answers, Esc says so in the page, largely, and the button stays; it is sent again by itself.
func TestRFOffThatIsNotDeliveredIsSaidInThePage(t *testing.T) {
	t.Parallel()
	p := browser.Open(t)
	s := serve(t, true)
	s.enter(p)
	p.Go(s.URL + "/live?run=3")
	p.Wait(`globalThis.provoke && document.body.dataset.fresh === "yes"`)
	s.blockAll.Store(true) // as if the program were gone
	s.CloseClientConnections()
	pressed := time.Now()
	p.Press("\u001b")
	p.Wait(`document.querySelector("#off-said")?.innerText.includes("NOT DELIVERED")`)
	t.Logf("figure: %d ms after Esc the page says that nobody took it", time.Since(pressed).Milliseconds())
	if text := p.Text("#off-said"); !strings.Contains(text, "Switch the amplifier off by hand") {
		t.Errorf("it says %q", text)
	}
	if large := browser.Value[float64](p, `parseFloat(getComputedStyle(document.querySelector("#off-said h2")).fontSize)`); large < 30 {
		t.Errorf("it is said in letters of %g px", large)
	}
	if where := browser.Value[string](p, `location.pathname`); where != "/live" {
		t.Errorf("the page went to %s", where)
	}
	p.Wait(`document.querySelector("#rf-off button").getBoundingClientRect().height > 0 && document.body.dataset.fresh === "no"`)
	for name, size := range map[string][2]int{"phone": {390, 844}, "wide": {1280, 720}} {
		p.Size(size[0], size[1])
		p.Shot(filepath.Join(shotsDir, "not-delivered-"+name+".png"), false)
	}
	s.blockAll.Store(false)
	p.Wait(`document.querySelector("#off-said")?.dataset.state === "off"`)
	if s.runner.offs == 0 {
		t.Error("it says off, and nobody was asked")
	}
	p.Complaints() // of what could not be loaded
}

// A person without a session, and one without scripts, find the button and what came of it.
func TestRFOffFromTheLockedPageAndWithoutScripts(t *testing.T) {
	t.Parallel()
	p := browser.Open(t)
	s := serve(t, true)
	p.Go(s.URL + "/live")
	p.Wait(`document.body.dataset.page === "locked"`)
	p.Shot(filepath.Join(shotsDir, "locked-wide.png"), false)
	p.Press("\u001b")
	p.Wait(`document.querySelector("#off-said")?.dataset.state === "off"`)
	p.Size(390, 844)
	p.Shot(filepath.Join(shotsDir, "locked-off-phone.png"), false)
	p.Scripts(false)
	s.runner.state = web.State{Underway: true, Run: 3, Status: engine.Status{Phase: "exposing", RFOn: true}}
	p.Go(s.URL + s.pages.Entrance())
	p.Wait(`location.pathname === "/" && document.readyState === "complete"`)
	p.Go(s.URL + "/findings?run=3")
	p.Click("#rf-off button")
	p.Wait(`location.pathname === "/off" && document.querySelector(".off-answer")`)
	if text := p.Text("main"); !strings.Contains(text, "RF is off") || !strings.Contains(text, "run 3 was ended") {
		t.Errorf("it says %q", text)
	}
	p.Shot(filepath.Join(shotsDir, "off-plain-phone.png"), false)
}

// The preview of the report is a frame that runs no script: it must not keep Esc.
func TestEscSwitchesRFOffAfterAClickIntoTheReport(t *testing.T) {
	t.Parallel()
	p := browser.Open(t)
	s := serve(t, true)
	p.Size(1280, 720)
	s.enter(p)
	p.Go(s.URL + "/report")
	p.Wait(`document.readyState === "complete" && globalThis.provoke`)
	p.Eval(`document.querySelector("iframe").scrollIntoView()`)
	p.Click("iframe")
	p.Eval(`new Promise(r => setTimeout(r, 200))`)
	p.Press("\u001b")
	p.Wait(`document.querySelector("#off-said")?.textContent.includes("RF is off")`)
}
