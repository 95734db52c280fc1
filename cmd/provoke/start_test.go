package main

import (
	"context"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"provoke/internal/faces/web/browser"
	"provoke/internal/terminal"
)

// counted is a person at the page: every field that is filled in and every click counts.
type counted struct {
	*browser.Page
	n int
}

func (c *counted) click(selector string) { c.n++; c.Click(selector) }
func (c *counted) fill(name, value string) {
	c.n++
	c.Fill(`#new-job [name="`+name+`"]`, value)
}

// From an empty folder to a first run on the simulated bench without a shell: no file is written by hand, and at
// most 30 fields and clicks are needed.
func TestFromAnEmptyFolderToAFirstRunOnThePage(t *testing.T) {
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

	p := &counted{Page: b}
	p.Size(1280, 720)
	p.n++ // the address
	p.Go(enter)
	p.Wait(`location.pathname === "/" && globalThis.provoke`)
	p.fill("name", "Belt weigher, customer A/S 3")
	for name, value := range map[string]string{"client": "Invented A/S",
		"sample.type":   "conveyor belt weigher (invented)",
		"sample.serial": "SIM-0008", "sample.operating_mode": "weighing 20 kg", "sample.auxiliary_equipment": "none",
		"criteria.no_upset": "A", "criteria.during": "B", "criteria.reset": "C"} {
		p.fill("f."+name, value)
	}
	p.click("#new-job form button")
	p.Wait(`document.querySelector("h1").textContent.includes("Belt-weigher-customer-A-S-3") && globalThis.provoke`)
	p.click(`form[action="/simulated"] button`)
	p.Wait(`location.pathname === "/bench" && document.querySelector("h1").textContent.includes("at most") && globalThis.provoke`)
	p.click(`nav a[href="/plan"]`)
	p.Wait(`location.pathname === "/plan" && document.querySelector("#verdict .good") && globalThis.provoke`)
	p.Wait(`document.querySelector(".arm button.go:enabled")`)
	p.click(".arm button.go")
	p.Wait(`location.pathname.startsWith("/arm/") && globalThis.provoke`)
	p.click("main form button.go")
	p.Wait(`location.pathname === "/live" && document.querySelector("#now").dataset.rf === "on"`)
	t.Logf("figure: %d fields and clicks from an empty folder to RF on the simulated bench", p.n)
	if p.n > 30 {
		t.Errorf("%d fields and clicks", p.n)
	}
	p.Press("\u001b")
	p.Wait(`document.querySelector("#now").dataset.rf === "off"`)

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
	p.Wait(`document.querySelector("h1").textContent.includes("Belt-weigher-customer-A-S-3: 1 run") && globalThis.provoke`)
	p.Press("\u001b")
	p.Wait(`document.querySelector("#off-said")?.textContent.includes("RF is off")`)
	if c := p.Complaints(); len(c) > 0 {
		t.Errorf("scripts complained: %v", c)
	}
}
