package main

import (
	"context"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"provoke/internal/faces/web/browser"
	"provoke/internal/terminal"
)

// counted is a person at the page without a mouse: every field that is filled in and every key that does something
// counts as one; keys that only go on to the next control do not.
type counted struct {
	*browser.Page
	t *testing.T
	n int
}

// to goes on from control to control until it is at the one that is meant.
func (c *counted) to(selector string) {
	c.t.Helper()
	here := `document.activeElement?.matches(` + strconv.Quote(selector) + `) ?? false`
	for range 250 {
		if browser.Value[bool](c.Page, here) {
			return
		}
		c.Press("\t")
	}
	c.t.Fatalf("no key leads to %s; the focus is at %s", selector,
		browser.Value[string](c.Page, `document.activeElement?.outerHTML.slice(0, 200) ?? "nothing"`))
}

func (c *counted) press(selector string) { c.n++; c.to(selector); c.Press("\r") }
func (c *counted) fill(selector, value string) {
	c.n++
	c.to(selector)
	c.Press(value)
}

// run arms what the form shows and waits for the run's end.
func (c *counted) run() {
	c.Wait(`document.querySelector(".arm button.go:enabled") && document.querySelector("#verdict .good") && ` +
		`globalThis.provoke`)
	c.press(".arm button.go")
	c.Wait(`location.pathname.startsWith("/arm/") && globalThis.provoke`)
	c.press("main form button.go")
	c.Wait(`location.pathname === "/live" && document.body.dataset.ended !== undefined`)
}

// From an empty folder to a first run on the simulated bench without a shell and without a mouse: no file is written by
// hand, and at most 30 fields and keys are needed. Then the rest of the job: an exposure before a change and one
// after it, findings, comparison and report.
func TestFromAnEmptyFolderToAFirstRunOnThePage(t *testing.T) {
	t.Parallel()
	b := browser.Open(t)
	dir, out := t.TempDir(), &safeBuffer{}
	ctx, cancel := context.WithCancel(t.Context())
	w := &terminal.World{Ctx: ctx, Stdin: strings.NewReader(""), Stdout: out, Stderr: io.Discard, Now: time.Now,
		Signals: make(chan os.Signal)}
	serve := func() (enter string, end func()) {
		done, from := make(chan error, 1), len(out.String())
		one, stop := context.WithCancel(ctx)
		here := *w
		here.Ctx = one
		go func() { done <- (&serveCommand{Dir: dir, Listen: "127.0.0.1:0"}).Run(&here) }()
		for end := time.Now().Add(5 * time.Second); !strings.Contains(out.String()[from:], "\n"); {
			if time.Sleep(10 * time.Millisecond); time.Now().After(end) {
				t.Fatal("no address was printed")
			}
		}
		enter, _, _ = strings.Cut(out.String()[from:], "\n")
		return enter, func() {
			stop()
			if err := <-done; err != nil {
				t.Error(err)
			}
		}
	}
	t.Cleanup(cancel)
	enter, end := serve()

	p := &counted{Page: b, t: t}
	p.Size(1280, 720)
	p.n++ // the address
	p.Go(enter)
	p.Wait(`location.pathname === "/" && globalThis.provoke`)
	p.fill(`#new-job [name="name"]`, "Belt weigher, customer A/S 3")
	for _, x := range [][2]string{{"client", "Invented A/S"}, {"sample.type", "conveyor belt weigher (invented)"},
		{"sample.serial", "SIM-0008"}, {"sample.operating_mode", "weighing 20 kg"},
		{"sample.auxiliary_equipment", "none"}, {"criteria.no_upset", "A"}, {"criteria.during", "B"},
		{"criteria.reset", "C"}} {
		p.fill(`#new-job [name="f.`+x[0]+`"]`, x[1])
	}
	p.press("#new-job form button")
	p.Wait(`document.querySelector("h1").textContent.includes("Belt-weigher-customer-A-S-3") && globalThis.provoke`)
	p.press(`form[action="/simulated"] button`)
	p.Wait(`location.pathname === "/bench" && document.querySelector("h1").textContent.includes("at most") && globalThis.provoke`)
	p.press(`nav a[href="/plan"]`)
	p.Wait(`location.pathname === "/plan"`)
	p.run()
	p.Wait(`document.querySelector("#now").dataset.rf === "on"`)
	t.Logf("figure: %d fields and keys from an empty folder to RF on the simulated bench", p.n)
	if p.n > 30 {
		t.Errorf("%d fields and keys", p.n)
	}
	p.Press("\u001b")
	p.Wait(`document.querySelector("#now").dataset.rf === "off" && document.body.dataset.ended === "yes"`)

	for i, x := range [][2]string{{"as received", ""}, {"with capacitors", "capacitors at the connector (invented)"}} {
		p.Go(strings.TrimSuffix(enter[:strings.Index(enter, "/enter")], "/") + "/plan")
		p.Wait(`document.querySelector("#verdict .good") && globalThis.provoke`)
		if i == 0 {
			p.fill(`[name="g.0.from"]`, "20 MHz")
			p.fill(`[name="g.0.to"]`, "30 MHz")
			p.fill(`[name="g.0.step"]`, "20 %")
		}
		p.fill("#label", x[0])
		if x[1] != "" {
			p.fill("#changed", x[1])
		}
		p.run()
		for range 4 {
			if browser.Value[bool](p.Page, `new Promise(r => { const t0 = Date.now(), t = setInterval(() => { if (document.body.dataset.ended === "yes" || Date.now() - t0 > 12000) { clearInterval(t); r(document.body.dataset.ended === "yes"); } }, 50); })`) {
				break
			}
		}
		p.Wait(`document.body.dataset.ended === "yes" && document.querySelector(".next a") && globalThis.provoke`)
	}
	p.press(`.next a[href^="/findings"]`)
	p.Wait(`document.querySelector("h1 .verdict") && document.querySelector("select#run") && globalThis.provoke`)
	p.press(`nav a[href="/compare"]`)
	p.Wait(`document.querySelector(".judgement")?.textContent.includes("Run 1 before, run 3 after") && globalThis.provoke`)
	p.press(`nav a[href="/report"]`)
	p.Wait(`document.querySelector("h1").textContent.includes("Runs 1 and 3 compared") && document.querySelector("iframe")`)
	p.to(`a[download$=".pdf"]`)
	t.Logf("figure: %d fields and keys for the whole job", p.n)

	for _, x := range [][]string{{"bench", "simulated-bench.yaml"}, {"plan", "simulated-plan.yaml"}} {
		if code := run(w, []string{x[0], filepath.Join(dir, x[1])}); code != terminal.ExitDone {
			t.Errorf("provoke %s: exit code %d", x, code)
		}
	}
	job := filepath.Join(dir, "Belt-weigher-customer-A-S-3")
	for late := time.Now().Add(10 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		if code := run(w, []string{"journal", job + ".provoke", "--verify"}); code == terminal.ExitDone {
			break
		} else if time.Now().After(late) {
			t.Fatalf("the journal: exit code %d", code)
		}
	}
	report := filepath.Join(t.TempDir(), "r.html")
	if code := run(w, []string{"report", job + ".provoke", "--about", job + ".about.yaml", "-o", report}); code != 0 {
		t.Errorf("the report: exit code %d", code)
	}
	if data, err := os.ReadFile(report); err != nil || !strings.Contains(string(data), "Invented A/S") {
		t.Errorf("the report does not name the customer: %v", err)
	}
	// The next day: the same job is open, and "RF off" reaches the simulated bench, which is up again.
	p.Go("about:blank")
	end()
	if enter, end = serve(); enter == "" {
		t.Fatal("no address")
	}
	defer end()
	p.Go(enter)
	p.Wait(`document.querySelector("h1").textContent.includes("Belt-weigher-customer-A-S-3: 3 runs") && globalThis.provoke`)
	p.Press("\u001b")
	p.Wait(`document.querySelector("#off-said")?.textContent.includes("RF is off")`)
	if c := p.Complaints(); len(c) > 0 {
		t.Errorf("scripts complained: %v", c)
	}
}
