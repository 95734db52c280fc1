package main

import (
	"io"
	"strings"
	"testing"
	"time"

	"provoke/internal/bench/simbench"
	"provoke/internal/faces/web/browser"
)

// off presses Esc and returns how long RF stayed on; the page has to say that it is off, by what was read back.
func (j *jobPage) off() time.Duration {
	j.t.Helper()
	for end := time.Now().Add(5 * time.Second); !j.sim.State().On; time.Sleep(time.Millisecond) {
		if time.Now().After(end) {
			j.t.Fatal("RF never came on")
		}
	}
	pressed := time.Now()
	j.Press("\u001b")
	for j.sim.State().On {
		if time.Since(pressed) > 5*time.Second {
			j.t.Fatalf("RF stays on; the page says %s", j.Text("body"))
		}
		time.Sleep(time.Millisecond)
	}
	took := time.Since(pressed)
	j.Wait(`document.querySelector("#off-said")?.dataset.state === "off"`)
	j.Click("#off-said button")
	return took
}

// A browser whose cookie is lost while RF is on, and one that has opened a second server on another port, switch it off
// by one key all the same; and one that was let out comes back by Enter in the terminal, while the run goes on.
func TestRFOffThroughALostCookieAndASecondServer(t *testing.T) {
	t.Parallel()
	p := browser.Open(t)
	s := serveDemo(t, simbench.Config{Speed: 20})
	j := &jobPage{p, s, t}
	p.Go(s.enter)
	p.Wait(`location.pathname === "/" && globalThis.provoke`)

	j.run("exposure.yaml", "the cookie is lost", "")
	p.LoseCookies()
	t.Logf("figure: without a cookie RF was off %d ms after Esc in the browser", j.off().Milliseconds())
	p.Go(s.address + "/live")
	p.Wait(`document.body.dataset.page === "locked"`)
	if text := p.Text("main"); !strings.Contains(text, "Press Enter in the terminal") {
		t.Errorf("the locked page says %q", text)
	}

	p.Go(s.pressEnter(t))
	p.Wait(`location.pathname === "/" && globalThis.provoke`)
	other := serveDemo(t, simbench.Config{Speed: 20})
	p.Go(other.enter)
	p.Wait(`location.pathname === "/" && globalThis.provoke`)
	p.Go(s.address + "/")
	p.Wait(`document.body.dataset.page === "job"`)
	j.run("exposure.yaml", "a second server", "")
	t.Logf("figure: beside a second server RF was off %d ms after Esc in the browser", j.off().Milliseconds())
}

// A watched run goes on while its browser shows another page of this server, and ends when it shows none.
func TestAWatchedRunMovesWithItsBrowser(t *testing.T) {
	t.Parallel()
	p := browser.Open(t)
	s := serveDemo(t, simbench.Config{Speed: 3})
	j := &jobPage{p, s, t}
	p.Go(s.enter)
	p.Wait(`location.pathname === "/" && globalThis.provoke`)
	j.run("exposure.yaml", "watched", "")
	for _, path := range []string{"/report", "/findings?run=1", "/words"} {
		p.Go(s.address + path)
		p.Wait(`document.body.dataset.fresh === "yes"`)
		time.Sleep(3 * time.Second)
	}
	if text := p.Text(".watched"); !strings.Contains(text, "You watch this run") {
		t.Errorf("the strip says %q", text)
	}
	select {
	case <-s.desk.Finished():
		t.Fatal("the run ended although its browser is here")
	default:
	}
	p.Go("about:blank")
	select {
	case <-s.desk.Finished():
	case <-time.After(10 * time.Second):
		t.Error("the run goes on although the last page is closed")
	}
	p.Go(s.address + "/live")
	p.Wait(`document.body.dataset.ended === "yes"`)
	if text := p.Text(".go-on button"); !strings.HasPrefix(text, "Go on at ") {
		t.Fatalf("the run cannot be gone on with: %q", text)
	}
	at := p.Text(".go-on button")
	p.Click(".go-on button")
	p.Wait(`location.pathname.startsWith("/arm/") && globalThis.provoke`)
	p.Click("main form button.go")
	p.Wait(`location.pathname === "/live" && document.body.dataset.fresh === "yes"`)
	p.Wait(`document.querySelector("#log").textContent.includes("goes on with run 1")`)
	t.Logf("figure: a run that was ended is gone on with: %q", at)
	j.off()
}

// pressEnter does so in the terminal that serves the page, and returns the address that is printed.
func (s *served) pressEnter(t *testing.T) string {
	t.Helper()
	io.WriteString(s.keys, "\n")
	for end := time.Now().Add(5 * time.Second); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		lines := strings.Fields(s.out.String())
		if last := lines[len(lines)-1]; strings.HasPrefix(last, "http") && last != s.enter {
			return last
		}
	}
	t.Fatalf("Enter prints no address: %s", s.out)
	return ""
}
