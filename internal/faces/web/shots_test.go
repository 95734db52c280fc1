package web_test

import (
	"flag"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"provoke/internal/faces/web"
	"provoke/internal/faces/web/browser"
	"provoke/internal/job/event"
	"provoke/internal/job/store"
)

const shotsDir = "../../../out"

var pictures = flag.Bool("pictures", false, "keep a picture of every page, size and scheme in out/")

// fit finds text that somebody cannot read: beyond the window, outside the box it stands in, cut off, or over another
// text. What scrolls on purpose is let be, and so is what is there for screen readers only.
const fit = `(() => {
  const found = [], seen = new Set(), texts = [];
  const say = (what, e, extra) => { const key = what + e.className + e.tagName; if (seen.has(key) || found.length > 5) return; seen.add(key); found.push(what + ": <" + e.tagName.toLowerCase() + (e.className && e.className.baseVal === undefined ? " class=" + e.className : "") + "> " + e.textContent.trim().replace(/\s+/g, " ").slice(0, 70) + (extra ?? "")); };
  const over = document.documentElement.scrollWidth - innerWidth;
  if (over > 0) found.push("the page is " + over + " px wider than the window");
  const scrolls = s => /auto|scroll/.test(s.overflowX);
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let node; node = walk.nextNode();) {
    if (!node.data.trim()) continue;
    const e = node.parentElement;
    if (e.closest("script, .say, .skip, option, textarea, noscript, svg, .u-legend, .uplot") || !e.checkVisibility({ visibilityProperty: true, contentVisibilityAuto: true })) continue;
    const range = document.createRange();
    range.selectNodeContents(node);
    const rects = [...range.getClientRects()].filter(r => r.width > 0.5 && r.height > 0.5);
    if (!rects.length) continue;
    let stuck = false, rolled = false;
    for (let a = e; a && a !== document.body; a = a.parentElement) {
      const s = getComputedStyle(a), box = a.getBoundingClientRect();
      if (s.position === "fixed" || s.position === "sticky") stuck = true;
      if (rolled || s.display === "inline" || s.display === "contents") { if (scrolls(s)) rolled = true; continue; }
      if (/^table-cell/.test(s.display) && Math.max(...rects.map(r => r.right)) > box.right + 1.5) say("outside its cell", e);
      if (scrolls(s) || /auto|scroll/.test(s.overflowY)) { rolled = true; continue; }
      const right = Math.max(...rects.map(r => r.right)), left = Math.min(...rects.map(r => r.left)), bottom = Math.max(...rects.map(r => r.bottom)), top = Math.min(...rects.map(r => r.top));
      const bordered = parseFloat(s.borderLeftWidth) + parseFloat(s.borderTopWidth) > 0 || s.backgroundColor !== "rgba(0, 0, 0, 0)";
      if (s.overflowX === "hidden" || s.overflowX === "clip") {
        if (right > box.right + 1.5 || bottom > box.bottom + 3) say("cut", e);
        rolled = true;
        continue;
      }
      if (bordered && (right > box.right + 1.5 || left < box.left - 1.5 || bottom > box.bottom + 3 || top < box.top - 3)) say("outside its box", e, " (" + [left - box.left, box.right - right, top - box.top, box.bottom - bottom].map(Math.round) + ")");
      if (s.position === "fixed") break;
    }
    if (!rolled && Math.max(...rects.map(r => r.right)) > innerWidth + 1) say("beyond the window", e);
    if (!stuck && !rolled) for (const r of rects) texts.push([r.top, r.bottom, r.left, r.right, e]);
  }
  texts.sort((a, b) => a[0] - b[0]);
  for (let i = 0; i < texts.length; i++) for (let j = i + 1; j < texts.length && texts[j][0] < texts[i][1] - 5; j++) {
    const [a, b] = [texts[i], texts[j]];
    if (a[4] === b[4] || a[4].contains(b[4]) || b[4].contains(a[4])) continue;
    if (Math.min(a[3], b[3]) - Math.max(a[2], b[2]) > 4 && Math.min(a[1], b[1]) - Math.max(a[0], b[0]) > 5) say("over another text", b[4], " | " + a[4].textContent.trim().slice(0, 40));
  }
  return found;
})()`

// looks are the sizes at which every page is measured.
var sizes = []struct {
	name          string
	width, height int
}{{"phone", 390, 844}, {"laptop", 1280, 720}, {"wide", 1920, 1080}}

// drawnAgain waits until a change of size or scheme is on the screen.
const drawnAgain = `new Promise(r => requestAnimationFrame(() => requestAnimationFrame(r)))`

const longName = "belt weigher (invented), third sample with the long shield, as the customer's electrician left " +
	"it at line 4b"

// fill adds to the job what a long day adds: runs with long names, upsets without number, notes and files.
func (s *site) fill(t testing.TB) {
	t.Helper()
	j := must(store.Open(s.job))
	defer j.Close()
	many := dut{}
	for i := range 8 {
		many = append(many, [3]float64{2.2e5 * []float64{1, 2.1, 4.3, 9, 19, 40, 84, 177}[i], 66 + float64(i), 0.045})
	}
	last := 0
	for i := range 4 {
		last = writeRun(j, s.dir, "exposure.yaml", fmt.Sprintf("%s, try %d", longName, i+1),
			"ferrite sleeve of NiZn over cable W1 at the connector, two turns, and the shield clamped to the "+
				"plate "+
				"(invented)", many)
	}
	note := event.Note{By: "A. Invented-Surname-that-does-not-end",
		Text: strings.Repeat("the cable was moved by 20 mm; ", 12)}
	must(j.Annotate(last, at(5000), note))
	must(j.Annotate(last, at(5001), event.Attached{Attachment: must(j.Attach(strings.Repeat("cable_as_it_lay_",
		8)+".txt",
		[]byte("invented"))), Caption: "the cable as it lay, from the generator's side, with the clamp at 0.3 m"}))
}

// Every page and every state of the live page, filled, at three widths, and dark at one: nobody has to guess a word.
// The schemes differ in colours; the dark one is measured at one width to notice if they ever differ in more.
// With -pictures each is kept as a picture for people to look at (go test ./internal/faces/web -run TestNoText -args
// -pictures).
func TestNoTextLeavesItsBox(t *testing.T) {
	t.Parallel()
	p := browser.Open(t)
	s := serve(t, true)
	s.enter(p)
	paths := maps.Clone(pagePaths)
	maps.Copy(paths, s.studies(t))
	s.sweeps(t)
	paths["sweep"] = "/sweep?file=sweep.yaml"
	paths["camera-regions"] = s.withCamera(t)
	s.fill(t)
	paths["filled-live"], paths["filled-findings"] = "/live?run=13", "/findings?run=13"
	paths["filled-compare"], paths["filled-report"] = "/compare?before=12&after=13", "/report?run=12&run=13"
	for _, name := range web.StateNames() {
		paths["state-"+name] = "/_states/" + name
	}
	paths["arm"], _ = s.arm(t, "exposure.yaml")
	places := 0
	stranger := serve(t, false)
	paths["locked"] = stranger.URL + "/"
	for _, name := range slices.Sorted(maps.Keys(paths)) {
		if address := paths[name]; strings.HasPrefix(address, "/") {
			p.Go(s.URL + address)
			p.Wait(`globalThis.provoke`)
		} else {
			p.Go(address)
		}
		p.Wait(`document.readyState === "complete"`)
		for _, size := range sizes {
			p.Size(size.width, size.height)
			for _, dark := range []bool{false, true} {
				if dark && size.name != "laptop" && !*pictures {
					continue
				}
				p.Dark(dark)
				p.Eval(drawnAgain)
				tone := map[bool]string{false: "light", true: "dark"}[dark]
				for _, what := range browser.Value[[]string](p, fit) {
					t.Errorf("%s, %s, %s: %s", name, size.name, tone, what)
				}
				places++
				if *pictures {
					p.Shot(filepath.Join(shotsDir, name+"-"+size.name+"-"+tone+".png"), true)
				}
			}
		}
	}
	t.Logf("figure: %d pages and states measured, at three widths, dark at one or more: %d looks", len(paths), places)
	for _, c := range p.Complaints() {
		if !strings.Contains(c, "404") && !strings.Contains(c, "401") { // what is not there, or closed
			t.Error(c)
		}
	}
}
