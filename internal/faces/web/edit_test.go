package web_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"provoke/internal/faces/web"
	"provoke/internal/faces/web/browser"
	"provoke/internal/run/engine"
)

func TestEditingInTheBrowser(t *testing.T) {
	t.Parallel()
	p := browser.Open(t)
	s := serve(t, true)
	p.Size(1280, 720)
	s.enter(p)

	// A problem shows beside its line as it is typed, and leads to it.
	p.Go(s.URL + "/bench?file=bench.yaml")
	p.Wait(`globalThis.provoke`)
	p.Eval(`(() => { const t = document.querySelector("#text"); t.value = t.value.replace("maximum_power: 2 W", "maximum_power: 2"); t.dispatchEvent(new Event("input", {bubbles: true})); })()`)
	p.Wait(`document.querySelector("#besides .fault") && document.querySelector("#problems .problem")`)
	line := browser.Value[int](p,
		`[...document.querySelectorAll("#besides li")].findIndex(l => l.querySelector(".fault")) + 1`)
	want := browser.Value[int](p,
		`document.querySelector("#text").value.split("\n").findIndex(l => l.endsWith("maximum_power: 2")) + 1`)
	if line != want || line == 0 {
		t.Errorf("the problem of line %d stands beside line %d", want, line)
	}
	if text := p.Text("#chain"); !strings.Contains(text, "no problem") {
		t.Errorf("the chain of a bench with a problem: %s", text)
	}
	p.Click(`#problems a[data-line]`)
	if chosen := browser.Value[string](p,
		`(() => { const t = document.activeElement; return t.value.slice(t.selectionStart, t.selectionEnd); })()`); !strings.Contains(chosen, "maximum_power: 2") {
		t.Errorf("the problem leads to %q", chosen)
	}
	p.Eval(`(() => { const t = document.querySelector("#text"); t.value = t.value.replace(/maximum_power: 2$/m, "maximum_power: 3 W"); t.dispatchEvent(new Event("input", {bubbles: true})); })()`)
	p.Wait(`!document.querySelector("#besides .fault") && document.querySelector("#unsaved b")`)
	p.Click(`form#edit button:not([formaction])`)
	p.Wait(`location.search === "?file=bench.yaml" && !document.querySelector("#unsaved b") && globalThis.provoke`)
	if data := string(must(os.ReadFile(filepath.Join(s.dir, "bench.yaml")))); !strings.Contains(data,
		"maximum_power: 3 W") {
		t.Error("the change was not saved")
	}

	// The slider asks the server; the address follows and can be pasted.
	before := p.Text("#chain")
	p.Eval(`(() => { const i = document.querySelector("#i"); i.value = 40; i.dispatchEvent(new Event("input", {bubbles: true})); })()`)
	p.Wait(`location.search.includes("i=40") && !document.querySelector("#chain").innerText.includes(` + "`" +
		before[:40] + "`" + `)`)
	if at := browser.Value[string](p, `document.querySelector("#at").value`); !strings.HasSuffix(at, "kHz") {
		t.Errorf("the frequency beside the slider is %q", at)
	}

	// A curve that is dropped on its block is read by the server and named in the file.
	curve := filepath.Join(t.TempDir(), "pad.s2p")
	write(t, filepath.Dir(curve), "pad.s2p", []byte(
		"# MHz S DB R 50\n0.1 -30 0 -10 0 -10 0 -30 0\n100 -28 0 -10.2 0 -10.2 0 -28 0\n"))
	p.Eval(`document.querySelector("[data-block='to_amplifier[0]']").open = true`)
	p.Upload(`input[name="file.to_amplifier[0].loss"]`, curve)
	p.Click(`button[name=into][value="to_amplifier[0].loss"]`)
	p.Wait(`document.querySelector("#imported figure.chart canvas")`)
	if text := browser.Value[string](p, `document.querySelector("#text").value`); !strings.Contains(text,
		`touchstone: "pad.s2p"`) {
		t.Error("the curve was not put at the cursor")
	}
	p.Eval(`window.addEventListener("beforeunload", e => e.stopImmediatePropagation(), true)`)

	// Dropped on the block itself, it is the block's first curve; a field that is refused says so at once, and the
	// block counts it; the file beside follows.
	p.Eval(`(() => { const dt = new DataTransfer(); dt.items.add(new File(["f/MHz;loss/dB\n0,1;8\n100;9\n"], "clamp.csv"));
		document.querySelector("[data-block=clamp] summary").dispatchEvent(new DragEvent("drop", {bubbles: true, cancelable: true, dataTransfer: dt})); })()`)
	p.Wait(`document.querySelector("#text")?.value.includes('insertion_loss: {csv: "clamp.csv"}') && globalThis.provoke`)
	p.Eval(`document.querySelector("[data-block=source]").open = true`)
	p.Fill(`[name="f.source.maximum"]`, "7")
	p.Wait(`document.getElementById("p-source.maximum").querySelector(".problem") && document.getElementById("n-source").textContent.includes("1 problem") && document.querySelector("#text").value.includes("maximum: 7\n")`)
	p.Eval(`window.addEventListener("beforeunload", e => e.stopImmediatePropagation(), true)`)

	// A field of a plan changes the file's text, and the chart follows.
	p.Go(s.URL + "/plan?file=exposure.yaml")
	p.Wait(`globalThis.provoke && document.querySelector("#trial canvas")`)
	p.Fill("#f-level", "10 V emf")
	p.Wait(`document.querySelector("#text").value.includes("level: 10 V emf") && document.querySelector("#trial canvas") && document.querySelector("#trial").innerText.includes("10.0 V")`)
	p.Fill("#f-dwell", "7")
	p.Wait(`document.querySelector("#p-dwell .problem") && document.querySelector("#verdict .warn")`)
	p.Eval(`window.addEventListener("beforeunload", e => e.stopImmediatePropagation(), true)`)
	if c := p.Complaints(); len(c) > 0 {
		t.Error(c)
	}
}

// When the stream stops, the page says since when, and greys its numbers; RF off still works.
func TestAPageWhoseStreamStopsSaysSo(t *testing.T) {
	t.Parallel()
	p := browser.Open(t)
	s := serve(t, true)
	s.runner.state = web.State{Underway: true, Run: 3, Began: time.Now(),
		Status: engine.Status{Phase: "exposing", RFOn: true, Frequency: 27.12e6}}
	p.Size(1280, 720)
	s.enter(p)
	p.Go(s.URL + "/live?run=4")
	p.Wait(`document.body.dataset.fresh === "yes"`)
	if p.Text(".stale") != "" && browser.Value[bool](p,
		`getComputedStyle(document.querySelector(".stale")).display !== "none"`) {
		t.Error("a live page says that it is not live")
	}
	// The stream is gone for this page, as when the program or the computer hangs.
	s.blockStreams.Store(true)
	s.CloseClientConnections()
	p.Wait(`document.title.startsWith("NOT LIVE") && document.body.dataset.fresh === "no" && /not live since \d\d:\d\d:\d\d/.test(document.querySelector(".stale").innerText)`)
	if colour := browser.Value[[]string](p,
		`[getComputedStyle(document.querySelector(".cockpit .far")).color, getComputedStyle(document.querySelector(".cockpit .label")).color]`); colour[0] != colour[1] {
		t.Errorf("the numbers are not greyed: %v", colour)
	}
	p.Press("\u001b")
	for end := time.Now().Add(5 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		s.runner.mu.Lock()
		offs := s.runner.offs
		s.runner.mu.Unlock()
		if offs == 1 {
			break
		}
		if time.Now().After(end) {
			t.Fatal("RF off did not arrive")
		}
	}
}

// Everything can be reached with the keyboard alone: a tab goes through every control, the first is
// the way past the navigation, and the focus is always seen.
func TestEveryControlIsReachedWithTheKeyboard(t *testing.T) {
	t.Parallel()
	p := browser.Open(t)
	s := serve(t, true)
	p.Size(1280, 720)
	s.enter(p)
	for _, path := range []string{"/live?run=3", "/plan?file=exposure.yaml", "/bench", "/compare", s.withCamera(t)} {
		p.Go(s.URL + path)
		p.Wait(`globalThis.provoke`)
		total := browser.Value[int](p,
			`[...document.querySelectorAll("a[href], button:not(:disabled), input:not([type=hidden]):not(:disabled), select, textarea, summary, .plot")].filter(e => e.checkVisibility() && e.tabIndex >= 0 && !(e.type === "radio" && !e.checked)).length`)
		p.Press("\t")
		if first := browser.Value[string](p, `document.activeElement.className`); first != "skip" {
			t.Errorf("%s: the first tab leads to %q", path, first)
		}
		seen := browser.Value[int](p, `(globalThis.reached = new Set([document.activeElement])).size`)
		for range total + 20 {
			p.Press("\t")
			seen = browser.Value[int](p, `reached.add(document.activeElement).size`)
			if browser.Value[bool](p, `document.activeElement === document.body`) {
				break
			}
		}
		if seen < total {
			t.Errorf("%s: %d of %d controls were reached", path, seen, total)
		}
	}
}
