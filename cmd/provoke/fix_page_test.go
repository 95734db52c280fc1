package main

import (
	"strings"
	"testing"
	"time"

	"provoke/internal/bench/simbench"
	"provoke/internal/faces/web/browser"
	"provoke/internal/job/fixing"
	"provoke/internal/job/result"
	"provoke/internal/job/store"
	"provoke/internal/run/engine"
	"provoke/internal/tell"
)

// From the findings of an exposure to a whole try by keyboard alone, on the simulated bench: a part goes on while hands
// are in, with RF off at the cable for as long as the page says so, and the page tells the gain that the journal holds.
func TestATryOnThePageByKeyboardAlone(t *testing.T) {
	t.Parallel()
	p := browser.Open(t)
	s := serveDemo(t, simbench.Config{Speed: 40, Seed: 2})
	j := &jobPage{p, s, t}
	p.Size(1280, 720)
	p.Go(s.enter)
	p.Wait(`location.pathname === "/" && globalThis.provoke`)
	j.run("exposure.yaml", "as received", "")
	if v := j.end(); !strings.Contains(v, "with upsets") {
		t.Fatalf("as received: %s", v)
	}
	p.Go(s.address + "/findings")
	p.Wait(`globalThis.provoke && document.querySelector(".fix-start button.go:enabled")`)
	c := &counted{Page: p, t: t}
	c.press(".fix-start button.go")
	p.Wait(`location.pathname.startsWith("/arm/") && globalThis.provoke`)
	if text := p.Text("#time"); !strings.Contains(text, "fixing loop") {
		t.Errorf("what is armed is %q", text)
	}
	c.press("main form button.go")
	p.Wait(`location.pathname === "/live" && document.querySelector(".big.rf").dataset.rf === "on"`)
	settled := `[...document.querySelectorAll(".place .less")].every(e => /^(deterministic|random), \d+ exposures$/.test(e.textContent))`
	p.Wait(settled)
	p.Shot("../../out/live-loop.png", true)

	p.Press("h")
	p.Wait(`document.querySelector(".big.rf .far").innerText === "` + engine.HandsInWords + `" && document.activeElement.id === "what"`)
	in := time.Now()
	if s.sim.State().On {
		t.Error("RF is on while the page says hands in")
	}
	p.Shot("../../out/live-hands-in.png", true)
	if err := s.sim.PutOn("ferrite", true); err != nil {
		t.Fatal(err)
	}
	p.Press("ferrite at the connector")
	c.to("#rf-again")
	p.Eval(`document.activeElement.dispatchEvent(new KeyboardEvent("keydown", {key: "Enter", bubbles: true, cancelable: true}))`)
	p.Wait(`/^RF on in/.test(document.querySelector(".big.rf .far").innerText)`)
	if s.sim.RFOnSince(in) {
		t.Error("RF was on while hands were in")
	}
	p.Wait(`document.querySelector(".big.rf").dataset.rf === "on"`)
	p.Wait(`[...document.querySelectorAll("#tries tbody tr:first-child td")].slice(3).every(e => /^[+−].*\(.*\)$/.test(e.textContent))`)
	p.Press("r")
	p.Eval(`document.querySelector("form[action='/stop'] button").focus()`)
	p.Press("\r")
	if v := j.end(); !strings.Contains(v, "done") {
		t.Errorf("the loop ended: %s", v)
	}
	job, err := store.OpenReadOnly(s.dir + "/belt-weigher.provoke")
	if err != nil {
		t.Fatal(err)
	}
	defer job.Close()
	r, err := result.All(job.Records(2, 1))
	if err != nil {
		t.Fatal(err)
	}
	tries := fixing.Of(&r).Tries()
	if len(tries) != 1 || tries[0].What != "ferrite at the connector" {
		t.Fatalf("the journal holds the tries %+v", tries)
	}
	var ferrite simbench.Part
	for _, part := range s.sim.Parts() {
		if part.Name == "ferrite" {
			ferrite = part
		}
	}
	for i, g := range tries[0].Gains {
		at := r.Opened.Fixing.At[i].Point.Frequency
		if truth := ferrite.EffectDB(at.Hz()); g.LowOpen || g.HighOpen || truth < g.Low || truth > g.High {
			t.Errorf("at %v the part does %+.2f dB, and the page says %s", at, truth, tell.Changed(g))
		}
		if want := tell.Changed(g); !strings.Contains(p.Text("#tries"), want) {
			t.Errorf("the page does not tell the gain %s: %s", want, p.Text("#tries"))
		}
	}
	t.Logf("figure: the page says %s", strings.Join(strings.Fields(p.Text("#tries tbody")), " "))
	for _, c := range p.Complaints() {
		t.Error(c)
	}
}
