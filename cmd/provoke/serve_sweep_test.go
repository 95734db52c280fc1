package main

import (
	"context"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"provoke/internal/bench/simbench"
	"provoke/internal/faces/web/browser"
	"provoke/internal/run/session"
	"provoke/internal/terminal"
)

// A free sweep from the page, on the simulated bench: the page says in large words what to set, a
// bystander sets it at the bench's own front and answers on the page, the band that is found stands in
// the findings, and the plan that steps around it in the folder.
func TestAFreeSweepIsDoneOnThePage(t *testing.T) {
	t.Parallel()
	p := browser.Open(t)
	sim := simbench.New(simbench.Config{Seed: 3, Speed: 20})
	defer sim.Close()
	if err := sim.Listen("127.0.0.1:0"); err != nil {
		t.Fatal(err)
	}
	hand := regexp.MustCompile(`(?m)^(source:\n(?:  .*\n)*?)  address: .*\n  table: .*\n`).ReplaceAllString(
		string(sim.BenchFile()), "${1}  by_hand: true\n  hardware_off: switch S1\n")
	dir := writeAll(t, map[string]string{"bench.yaml": hand,
		"sweep.yaml": strings.NewReplacer("within: 50 ms", "within: 200 ms", "1500 ms", "2 s", "law: log",
			"law: log\ndead_man: 10 s").Replace(sweepFile)})
	enter, d := servePage(t, dir)

	p.Size(1280, 720)
	p.Go(enter)
	p.Wait(`location.pathname === "/" && globalThis.provoke`)
	address, _, _ := strings.Cut(enter, "/enter")
	p.Go(address + "/sweep?file=sweep.yaml")
	p.Wait(`globalThis.provoke && document.querySelector("#verdict .good")`)
	p.Fill("#operator", "A. Engineer")
	p.Click(".arm button.go")
	p.Wait(`location.pathname.startsWith("/arm/") && globalThis.provoke`)
	p.Click("main form button.go")
	p.Wait(`location.pathname === "/live" && document.body.dataset.fresh === "yes"`)

	_, typed := io.Pipe()
	b := &bystander{sim: sim, in: typed, pass: 2 * time.Second}
	answered, pictured := 0, false
	for end := time.Now().Add(60 * time.Second); time.Now().Before(end) &&
		d.State().Underway; time.Sleep(10 * time.Millisecond) {
		prompt := d.State().Status.Prompt
		if prompt == nil || prompt.Number == answered {
			continue
		}
		text := prompt.Title + "\n" + strings.Join(prompt.Lines, "\n")
		p.Wait(`document.querySelector("#prompt:not([hidden]) h2")?.textContent === ` + "`" + prompt.Title + "`")
		if strings.Contains(prompt.Title, "START THE SWEEP") && !pictured {
			pictured = true
			p.Shot("../../out/live-sweep.png", false)
		}
		if prompt.Title == "START THE SWEEP" { // both hands at once
			p.Eval(`document.querySelector("#prompt form").requestSubmit()`)
			b.does(text)
		} else {
			p.Fill("#answer", b.does(text))
			p.Click("#prompt button")
		}
		answered = prompt.Number
	}
	if d.State().Underway {
		t.Fatalf("the run does not end: %+v", d.State().Status)
	}
	if f := d.State().Failed; f != "" {
		t.Errorf("the run failed: %s", f)
	}
	p.Wait(`document.body.dataset.ended === "yes"`)
	if s := sim.State(); s.On || s.Exposures != 2 {
		t.Errorf("RF on %v, %d times", s.On, s.Exposures)
	}
	p.Go(address + "/findings")
	p.Wait(`location.pathname === "/findings" && globalThis.provoke`)
	text := p.Text("main")
	for _, want := range []string{"Free sweep, run 1", "Passes of run 1"} {
		if !strings.Contains(text, want) {
			t.Errorf("the findings do not say %q:\n%.1500s", want, text)
		}
	}
	// How many bands the passes make depends on how well both hands kept time; each is one to step through.
	found := regexp.MustCompile(`in 2 passes, (\d+) bands? found`).FindStringSubmatch(text)
	if found == nil || (found[1] != "0") != strings.Contains(text, "not stepped through yet") {
		t.Errorf("found %q in\n%.1500s", found, text)
	}
	if data, err := os.ReadFile(filepath.Join(dir, "sweep-stepped.yaml")); found != nil && found[1] != "0" &&
		(err != nil || !strings.Contains(string(data), "mode: constant drive")) {
		t.Errorf("the stepped plan: %v\n%s", err, data)
	}
	if c := p.Complaints(); len(c) > 0 {
		t.Errorf("scripts complained: %v", c)
	}
}

// servePage serves a folder until the test ends and returns the address that lets a browser in.
func servePage(t *testing.T, dir string) (enter string, d *session.Desk) {
	t.Helper()
	var out, errs safeBuffer
	ctx, cancel := context.WithCancel(t.Context())
	w := &terminal.World{Ctx: ctx, Stdin: strings.NewReader(""), Stdout: &out, Stderr: &errs, Now: time.Now,
		Signals: make(chan os.Signal)}
	job := filepath.Join(dir, "j.provoke")
	d = session.NewDesk(w, dir, job)
	done := make(chan error, 1)
	page := serveCommand{Job: job, Dir: dir, Listen: "127.0.0.1:0"}
	go func() { done <- page.serve(w, d, nil) }()
	t.Cleanup(func() {
		cancel()
		select {
		case <-done:
		case <-time.After(20 * time.Second):
			t.Error("the page did not end")
		}
	})
	for end := time.Now().Add(5 * time.Second); enter == "" &&
		time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		if text := out.String(); strings.Contains(text, "\n") {
			enter, _, _ = strings.Cut(text, "\n")
		}
	}
	if enter == "" {
		t.Fatalf("no address was printed: %s", errs.String())
	}
	return enter, d
}
