package web_test

import (
	"context"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"provoke/internal/faces/web"
	"provoke/internal/faces/web/browser"
)

// axeCore returns the source of axe-core, installed by npm into a folder of the test. It is used by
// this test only and never becomes part of the program.
func axeCore(t *testing.T) string {
	t.Helper()
	missing := func(why string) {
		if os.Getenv("CI") == "true" {
			t.Fatal(why)
		}
		t.Skip("outside check skipped: " + why)
	}
	if _, err := exec.LookPath("npm"); err != nil {
		missing("there is no npm to install axe-core with")
	}
	dir := t.TempDir()
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, "npm", "install", "--no-audit", "--no-fund", "--ignore-scripts", "--prefix",
		dir, "axe-core@4")
	cmd.WaitDelay = time.Second // npm's own children may hold its output
	if out, err := cmd.CombinedOutput(); err != nil {
		missing(fmt.Sprintf("npm could not install axe-core: %v: %.300s", err, out))
	}
	source, err := os.ReadFile(filepath.Join(dir, "node_modules", "axe-core", "axe.min.js"))
	if err != nil {
		missing(err.Error())
	}
	return string(source)
}

var everything = flag.Bool("everything", false,
	"check every state with axe-core, and soak the live page with an hour's points; takes minutes")

// different are the states that differ in more than words.
const different = "no-run loop-many hands-in countdown held-by-hand loop-ended " +
	"exposing upset needs-a-person tripping baseline elsewhere not-live done-upset not-known-off "

// violation is one finding of axe-core.
type violation struct {
	ID, Impact, Help string
	Nodes            []struct {
		HTML           string
		FailureSummary string
	}
}

func TestNoPageHasAnAccessibilityViolation(t *testing.T) {
	if testing.Short() {
		t.Skip("a browser on every page, and npm")
	}
	t.Parallel()
	axe := axeCore(t)
	p := browser.Open(t)
	s := serve(t, true)
	s.enter(p)
	paths := map[string]string{"arm": "", "bench with problems": "/bench?file=broken.yaml",
		"plan with problems": "/plan?file=refused.yaml", "what the laboratory reported": "/"}
	write(t, s.dir, "broken.yaml", []byte("provoke: bench 1\nname: broken\nsource: {kind: x}\n"))
	write(t, s.dir, "refused.yaml", []byte(exposurePlan+"mode: constant drive\ndrive: 10 dBm\n"))
	for name, path := range pagePaths {
		paths[name] = path
	}
	for name, path := range s.studies(t) {
		paths[name] = path
	}
	s.sweeps(t)
	paths["sweep"] = "/sweep?file=sweep.yaml"
	paths["camera with regions"] = s.withCamera(t)
	for _, name := range web.StateNames() {
		paths["state "+name] = "/_states/" + name
	}
	paths["arm"], _ = s.arm(t, "exposure.yaml")
	paths["sweep with problems"] = "/sweep?file=loud.yaml"
	write(t, s.dir, "loud.yaml", []byte(strings.Replace(sweepFile, "drive: -30 dBm", "drive: 30 dBm", 1)))
	looks := []struct {
		name          string
		width, height int
		dark          bool
		rules         string
	}{
		{"wide, light", 1280, 720, false,
			`{type: "tag", values: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}`},
		{"wide, dark", 1280, 720, true, `{type: "rule", values: ["color-contrast"]}`},
		{"phone, light", 390, 844, false,
			`{type: "rule", values: ["target-size", "scrollable-region-focusable", "region", "label"]}`},
	}
	checked := 0
	for name, path := range paths {
		state := strings.HasPrefix(name, "state ")
		if !*everything && state && !strings.Contains(different, name[len("state "):]+" ") {
			continue // differs from one of those in its words only
		}
		p.Size(looks[0].width, looks[0].height)
		p.Dark(looks[0].dark)
		p.Go(s.URL + path)
		p.Wait(`document.readyState === "complete" && globalThis.provoke`)
		p.Eval(`document.querySelectorAll("details").forEach(d => d.open = true)`)
		p.Run(axe)
		for _, look := range looks {
			if look.width < 600 && state {
				continue // the same elements as at the other width
			}
			p.Size(look.width, look.height)
			p.Dark(look.dark)
			p.Eval(drawnAgain)
			rules := `axe.run(document, {runOnly: ` + look.rules +
				`, resultTypes: ["violations"], iframes: false}).then(r => r.violations.map(v => ({ID: v.id, Impact: v.impact, Help: v.help, Nodes: v.nodes.slice(0, 3).map(n => ({HTML: n.html.slice(0, 200), FailureSummary: n.failureSummary}))})))`
			for _, v := range browser.Value[[]violation](p, rules) {
				for _, n := range v.Nodes {
					t.Errorf("%s, %s: %s: %s\n%s\n%s", name, look.name, v.ID, v.Help, n.HTML, n.FailureSummary)
				}
			}
			checked++
		}
	}
	t.Logf("figure: axe-core found nothing to object to on %d renderings", checked)
}
