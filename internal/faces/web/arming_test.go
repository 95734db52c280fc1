package web_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"provoke/internal/faces/web/browser"
)

// What is typed is what is armed, in the browser too: the level is changed in its field, checked, and armed without
// being saved. Then the file changes on the disk, and the button refuses.
func TestTheBrowserArmsWhatTheFormShows(t *testing.T) {
	t.Parallel()
	p := browser.Open(t)
	s := serve(t, true)
	p.Size(1280, 720)
	s.enter(p)
	file := filepath.Join(s.dir, "exposure.yaml")
	arm := func(level, want string) {
		t.Helper()
		p.Go(s.URL + "/plan?file=exposure.yaml")
		p.Wait(`globalThis.provoke && document.querySelector("#trial canvas")`)
		p.Fill("#f-level", level)
		p.Wait(`document.querySelector("#text").value.includes("level: ` + level + `")`)
		p.Click(".arm button.go")
		p.Wait(`location.pathname.startsWith("/arm/") && globalThis.provoke`)
		if text := p.Text("#wanted"); !strings.Contains(text, want) {
			t.Errorf("%s was typed, and the arming page shows %s", level, text)
		}
	}
	arm("60 dBµA", "60.0 dBµA")
	if data := string(must(os.ReadFile(file))); !strings.Contains(data, "level: 60 dBµA") {
		t.Error("what is armed was not saved")
	}
	write(t, s.dir, "exposure.yaml", []byte(exposurePlan))
	p.Click("main form button.go")
	p.Wait(`location.pathname === "/start" && document.readyState === "complete"`)
	if text := p.Text("main"); !strings.Contains(text, "exposure.yaml changed since") ||
		!strings.Contains(text, "nothing was switched on") || s.runner.started != 0 {
		t.Errorf("the file changed, and the page says %s", text)
	}
	arm("70 dBµA", "70.0 dBµA")
	p.Eval(`document.querySelector("main form button.go").click(), document.querySelector("main form button.go").click()`)
	p.Wait(`location.pathname === "/live"`)
	if s.runner.started != 1 || !strings.Contains(string(s.runner.prepared.Plan.Bytes), "level: 70 dBµA") {
		t.Errorf("%d runs began", s.runner.started)
	}
	if c := p.Complaints(); len(c) > 0 && !strings.Contains(c[0], "409") {
		t.Error(c)
	}
}

// Everything that is accepted is on one screen with the button, and at a phone's width the button follows it.
func TestEverythingThatIsAcceptedIsOnOneScreen(t *testing.T) {
	t.Parallel()
	p := browser.Open(t)
	s := serve(t, true)
	s.enter(p)
	s.sweeps(t)
	for _, size := range [][2]int{{1280, 720}, {1920, 1080}, {390, 844}} {
		for _, file := range []string{"plan?file=exposure.yaml", "sweep?file=sweep.yaml", "plan?file=baseline.yaml"} {
			p.Size(size[0], size[1])
			p.Go(s.URL + "/" + file)
			p.Wait(`globalThis.provoke`)
			p.Fill("#label", "first fix")
			p.Fill("#changed", "a capacitor of 1 nF between each conductor of the cable and the housing, at its plug")
			name := fmt.Sprintf("%s-%d", file[strings.Index(file, "=")+1:len(file)-5], size[0])
			for _, dark := range []bool{false, true} {
				p.Dark(dark)
				p.Shot(filepath.Join(shotsDir, fmt.Sprintf("form-%s-%v.png", name, dark)), true)
			}
			p.Click(".arm button.go")
			p.Wait(`location.pathname.startsWith("/arm/") && globalThis.provoke`)
			for _, dark := range []bool{true, false} {
				p.Dark(dark)
				p.Shot(filepath.Join(shotsDir, fmt.Sprintf("arm-%s-%v.png", name, dark)), size[0] < 600)
			}
			if size[0] > 600 {
				below := browser.Value[[]string](p, `[...document.querySelectorAll("main h1, main .card, main .card > *, main .foot *")].
					filter(e => { const b = e.getBoundingClientRect(); return b.top < 0 || b.bottom > (e.closest(".foot") ? innerHeight : document.querySelector(".foot").getBoundingClientRect().top) + .5; }).
					map(e => e.innerText.slice(0, 60))`)
				if len(below) > 0 {
					t.Errorf("%s: out of sight are %q", name, below)
				}
			} else if !browser.Value[bool](p, `[...document.querySelectorAll("main .card")].every(e => e.getBoundingClientRect().bottom <= document.querySelector("main form button.go").getBoundingClientRect().top)`) {
				t.Errorf("%s: the button comes before what is accepted", name)
			}
			if cut := browser.Value[[]string](p, cutText); len(cut) > 0 {
				t.Errorf("%s: text outside its box: %q", name, cut)
			}
		}
	}
}

// cutText finds elements whose words reach out of their box, or out of the window.
const cutText = `[...document.querySelectorAll("main *")].filter(e => e.checkVisibility() && !e.closest(".wide[role], .editor, .uplot, svg, .say, textarea") &&
	(e.scrollWidth > e.clientWidth + 1 && getComputedStyle(e).display !== "inline" && e.clientWidth > 0 && e.tagName !== "INPUT" && e.tagName !== "SELECT" || e.getBoundingClientRect().right > innerWidth + .5)).map(e => e.outerHTML.slice(0, 100)).slice(0, 4)`
