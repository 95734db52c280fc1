package web_test

import (
	"path/filepath"
	"strings"
	"testing"

	"provoke/internal/web"
	"provoke/internal/web/browser"
)

const shotsDir = "../../out"

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
				if dark && size.width < 600 && strings.HasPrefix(name, "state-") {
					continue // the phone's dark states differ from the light ones in colour only
				}
				p.Go(s.URL + path)
				p.Wait(`document.readyState === "complete" && globalThis.provoke`)
				if over := browser.Value[float64](p, `document.documentElement.scrollWidth - innerWidth`); over > 0 {
					t.Errorf("%s, %s: the page is %g px wider than the window", name, size.name, over)
				}
				p.Shot(filepath.Join(shotsDir, name+"-"+size.name+"-"+tone+".png"), !strings.HasPrefix(name, "state-") || size.width < 600)
			}
		}
	}
	for _, c := range p.Complaints() {
		if !strings.Contains(c, "404") { // the page that is not there
			t.Error(c)
		}
	}
}
