package web_test

import (
	"fmt"
	"path/filepath"
	"strings"
	"testing"

	"provoke/internal/faces/web"
	"provoke/internal/faces/web/browser"
)

const shotsDir = "../../../out"

// Pictures of every page and every state of the live page, at the two widths, light and dark, in a
// folder that git ignores. They are for people to look at; the test holds what can be said of
// them: nothing is wider than the window, and no script complains.
func TestPicturesOfEveryPage(t *testing.T) {
	t.Parallel()
	p := browser.Open(t)
	s := serve(t, true)
	s.enter(p)
	paths := map[string]string{}
	for name, path := range pagePaths {
		paths[name] = path
	}
	for name, path := range s.studies(t) {
		paths[name] = path
	}
	s.sweeps(t)
	paths["sweep"] = "/sweep?file=sweep.yaml"
	for _, name := range web.StateNames() {
		paths["state-"+name] = "/_states/" + name
	}
	for _, size := range []struct {
		name          string
		width, height int
	}{{"wide", 1280, 720}, {"phone", 390, 844}} {
		p.Size(size.width, size.height)
		for _, dark := range []bool{false, true} {
			p.Dark(dark)
			tone := map[bool]string{false: "light", true: "dark"}[dark]
			for name, path := range paths {
				if state, ok := strings.CutPrefix(name, "state-"); ok &&
					dark && (size.width < 600 || !*everything && !strings.Contains(different, state+" ")) {
					continue // differs from the light one, or from one that is pictured, in colour or words only
				}
				p.Go(s.URL + path)
				p.Wait(`document.readyState === "complete" && globalThis.provoke`)
				if name == "live" {
					p.Wait(`document.body.dataset.fresh === "yes"`)
				}
				if over := browser.Value[float64](p,
					`document.documentElement.scrollWidth`) - float64(size.width); over > 0 {
					who := browser.Value[[]string](p,
						`[...document.querySelectorAll("body *")].filter(e => e.getBoundingClientRect().right > `+
							fmt.Sprint(size.width)+
							`.5 && !e.closest(".wide, .editor, .uplot")).map(e => e.outerHTML.slice(0, 90)).slice(0, 4)`)
					t.Errorf("%s, %s: the page is %g px wider than the window: %q", name, size.name, over, who)
				}
				p.Shot(filepath.Join(shotsDir, name+"-"+size.name+"-"+tone+".png"),
					!strings.HasPrefix(name, "state-") || size.width < 600)
			}
		}
	}
	for _, c := range p.Complaints() {
		if !strings.Contains(c, "404") { // the page that is not there
			t.Error(c)
		}
	}
}
