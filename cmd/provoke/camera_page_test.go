package main

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"provoke/internal/bench/simbench"
	"provoke/internal/faces/web/browser"
	"provoke/internal/job/event"
	"provoke/internal/job/result"
	"provoke/internal/job/store"
	"provoke/internal/terminal"
)

// film is the simulated display as a file that shows each text for two seconds.
func film(t *testing.T, texts ...string) string {
	t.Helper()
	dir := t.TempDir()
	c := simulateCommand{Speed: 1, Camera: true, Pictures: 25, BenchOut: filepath.Join(dir, "bench.yaml"),
		Film: filepath.Join(dir, "film.mjpeg"), Shows: texts, Listen: "127.0.0.1:0", Transport: []string{"raw"},
		Address: "first", Fixture: "cable", Generator: "function"}
	w := &terminal.World{Ctx: t.Context(), Stdout: io.Discard, Stderr: io.Discard, Now: time.Now}
	b, err := c.made()
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	if err := b.Serve(c.serving()); err != nil {
		t.Fatal(err)
	}
	if err := c.write(w, b); err != nil {
		t.Fatal(err)
	}
	return c.Film
}

// watchedByBrowser serves the demo, its product watched by the browser's camera alone. more are further lines of the
// monitor.
func watchedByBrowser(t *testing.T, more string) *served {
	t.Helper()
	s := serveDemo(t, simbench.Config{Speed: 40, Camera: &simbench.CameraView{Rate: 25}})
	for _, l := range s.sim.CameraLessons() {
		file := filepath.Join(s.dir, filepath.FromSlash(l.File))
		if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, l.Picture, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	change(t, filepath.Join(s.dir, "bench.yaml"), func(text string) string {
		head, rest, _ := strings.Cut(text, "monitors:\n")
		_, cam, _ := strings.Cut(rest, "  - id: CAM1\n")
		cam, rest, _ = strings.Cut(cam, "interlock:")
		lines := strings.Split(cam, "\n")
		for i, l := range lines {
			switch key, _, _ := strings.Cut(strings.TrimSpace(l), ":"); key {
			case "url":
				lines[i] = "    url: browser"
			case "every", "silence", "latency":
				lines[i] = ""
			}
		}
		return head + "monitors:\n  - id: CAM1\n" + strings.Join(lines, "\n") + more + "interlock:" + rest
	})
	return s
}

func change(t *testing.T, file string, how func(string) string) {
	t.Helper()
	data, err := os.ReadFile(file)
	if err == nil {
		err = os.WriteFile(file, []byte(how(string(data))), 0o644)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// readings are those of CAM1 in the journal of a run, in their order.
func (s *served) readings(t *testing.T, run int) (out []string) {
	t.Helper()
	job, err := store.OpenReadOnly(filepath.Join(s.dir, "belt-weigher.provoke"))
	if err != nil {
		t.Fatal(err)
	}
	defer job.Close()
	for rec, err := range job.Records(run, 1) {
		if err != nil {
			t.Fatal(err)
		}
		step, _ := rec.Event.(event.StepClosed)
		for _, x := range step.Readings {
			if x.Monitor == "CAM1" && x.HasValue {
				out = append(out, fmt.Sprintf("%.2f", x.Value))
			}
		}
	}
	return out
}

// What stands on the display before the browser's camera is what the journal holds: from the file that the browser
// takes for its camera, over page, server and run.
func TestTheBrowsersCameraIsReadIntoTheJournal(t *testing.T) {
	t.Parallel()
	shown := []string{"12.34", "12.31", "12.36"}
	p := browser.Open(t, browser.WithCamera(film(t, shown...))...)
	s := watchedByBrowser(t, "    every: 100 ms\n    silence: 4 s\n    latency: 100 ms\n")
	j := &jobPage{p, s, t}
	p.Size(1280, 720)
	p.Go(s.enter)
	p.Wait(`location.pathname === "/" && globalThis.provoke`)
	if !browser.Value[bool](p, `document.querySelector("#camera").hidden`) {
		t.Errorf("without a run that wants it the page says %q", p.Text("#camera"))
	}
	change(t, filepath.Join(s.dir, "baseline.yaml"), func(text string) string {
		for _, l := range strings.Split(text, "\n") {
			if strings.HasPrefix(l, "dwell:") {
				text = strings.Replace(text, l, "dwell: 2 s", 1)
			}
			if strings.Contains(l, "{from:") {
				text = strings.Replace(text, l, "  - {from: 1 MHz, to: 5 MHz, step: 50 %}", 1)
			}
		}
		return text
	})
	p.Go(s.address + "/camera?file=bench.yaml&monitor=CAM1")
	p.Wait(`globalThis.provoke && document.querySelectorAll("[data-region]").length === 3`)
	p.Click("#camera [data-do=on]")
	p.Wait(`/^reads: 12\.3[146]$/.test(document.querySelector("[data-reads]").textContent)`)
	p.Go(s.address + "/plan?file=baseline.yaml")
	p.Wait(`globalThis.provoke && document.querySelector("#camera").dataset.on === "no"`)
	time.Sleep(time.Second) // the camera that was set up is still wanted for a while
	if browser.Value[bool](p, `!!document.querySelector("#camera video").srcObject`) {
		t.Error("the camera is on after the page that sets it up was left")
	}
	p.Wait(`globalThis.provoke && document.querySelector(".arm button.go:enabled")`)
	p.Click(".arm button.go")
	p.Wait(`location.pathname.startsWith("/arm/") && globalThis.provoke`)
	if text := p.Text("main"); !strings.Contains(text, "CAM1, pictures from the camera of the browser") {
		t.Errorf("arming does not say which camera: %s", text)
	}
	p.Click("#camera [data-do=on]")
	p.Wait(`document.querySelector("#camera").dataset.on === "yes" && document.querySelector("#camera video").videoWidth === 320`)
	p.Click("main form button.go")
	p.Wait(`location.pathname === "/live" && document.querySelector("#camera")?.innerText.includes("its pictures go to the run")`)
	began := time.Now()
	p.Wait(`/weight: 12\.3[146]\n/.test(document.querySelector(".view .sees")?.innerText)`)
	p.Shot("../../out/live-camera.png", true)
	if v := j.end(); !strings.Contains(v, "done") {
		t.Fatalf("the run: %s", v)
	}
	took := time.Since(began)
	p.Wait(`document.querySelector("#camera").hidden && !document.querySelector("#camera video").srcObject`)
	got := s.readings(t, 1)
	counts := map[string]int{}
	for _, x := range got {
		counts[x]++
	}
	t.Logf("figure: browser's camera: %d readings journalled in a run of %v: %v", len(got),
		took.Round(100*time.Millisecond), counts)
	for x := range counts {
		if !slices.Contains(shown, x) {
			t.Errorf("the journal holds %s, which the display never showed", x)
		}
	}
	for _, x := range shown {
		if counts[x] == 0 {
			t.Errorf("the journal does not hold %s", x)
		}
	}
	turns := slices.Compact(slices.Clone(got))
	for i := 1; i < len(turns); i++ { // in the order of the film, which is shown again and again
		if at := slices.Index(shown, turns[i-1]); turns[i] != shown[(at+1)%len(shown)] {
			t.Errorf("%s follows on %s", turns[i], turns[i-1])
		}
	}
	for _, c := range p.Complaints() {
		t.Error(c)
	}
}

// A page that is loaded again in a dwell costs a second of its pictures; a camera that is taken away holds the run with
// RF off until it is back; one that stands still is silence, and that is an upset.
func TestWhatHappensToTheBrowsersCameraInARun(t *testing.T) {
	t.Parallel()
	p := browser.Open(t, browser.WithCamera(film(t, "12.34"))...)
	s := watchedByBrowser(t, "    every: 100 ms\n    silence: 3 s\n    latency: 100 ms\n")
	j := &jobPage{p, s, t}
	p.Size(1280, 720)
	p.Go(s.enter)
	p.Wait(`location.pathname === "/" && globalThis.provoke`)
	change(t, filepath.Join(s.dir, "exposure.yaml"), func(text string) string {
		for _, l := range strings.Split(text, "\n") {
			if strings.HasPrefix(l, "dwell:") {
				text = strings.Replace(text, l, "dwell: 4 s", 1)
			}
			if strings.HasPrefix(l, "recover_within:") {
				text = strings.Replace(text, l, "recover_within: 10 s", 1)
			}
			if strings.Contains(l, "{from: 150 kHz") {
				text = strings.Replace(text, l, "  - {from: 1 MHz, to: 50 MHz, step: 50 %}", 1)
			}
		}
		return text
	})
	p.Go(s.address + "/plan?file=exposure.yaml")
	p.Wait(`globalThis.provoke && document.querySelector(".arm button.go:enabled")`)
	p.Click(".arm button.go")
	p.Wait(`location.pathname.startsWith("/arm/") && globalThis.provoke`)
	p.Click("#camera [data-do=on]")
	p.Wait(`document.querySelector("#camera").dataset.on === "yes"`)
	p.Click("main form button.go")
	p.Wait(`location.pathname === "/live" && document.querySelector(".big.rf")?.dataset.rf === "on"`)

	p.Go(s.address + "/live")
	p.Wait(`document.querySelector("#camera")?.innerText.includes("its pictures go to the run")`)
	p.Wait(`document.querySelector(".big.rf").dataset.rf === "on"`)
	time.Sleep(2 * time.Second)
	if held := s.holds(t, 1); len(held) > 0 {
		t.Errorf("after the page was loaded again: %q", held)
	}

	p.Eval(`(() => { const [track] = document.querySelector("#camera video").srcObject.getVideoTracks(); track.stop(); track.dispatchEvent(new Event("ended")); })()`)
	p.Wait(`document.querySelector("#camera").innerText.includes("unplugged") && document.querySelector("#camera").dataset.on === "no"`)
	p.Wait(`document.querySelector(".big.rf").dataset.rf === "off" && document.querySelector(".big.rf .below").innerText.includes("unplugged")`)
	if s.sim.State().On {
		t.Error("RF is on while nobody sees the product")
	}
	p.Click("#camera [data-do=on]")
	p.Wait(`document.querySelector(".big.rf").dataset.rf === "on"`)

	p.Eval(`document.querySelector("#camera video").pause()`)
	p.Wait(`document.querySelector(".big.rf").dataset.rf === "off" && document.querySelector(".dut").dataset.dut === "upset"`)
	p.Eval(`document.querySelector("#camera video").play()`)
	p.Wait(`document.querySelector("#log .upset")`)
	p.Click(`form[action="/stop"] button`)
	j.end()
	held := s.holds(t, 1)
	if len(held) != 1 || !strings.Contains(held[0], "the camera was unplugged or taken away") {
		t.Errorf("the journal holds the interruptions %q", held)
	}
	job, err := store.OpenReadOnly(filepath.Join(s.dir, "belt-weigher.provoke"))
	if err != nil {
		t.Fatal(err)
	}
	defer job.Close()
	r, err := result.All(job.Records(1, 1))
	if err != nil {
		t.Fatal(err)
	}
	for _, step := range r.Steps {
		if step.Outcome.Upset != strings.Contains(step.Note, "silent for 3") {
			t.Errorf("at %v: upset %v: %s", step.Step.Point.Frequency, step.Outcome.Upset, step.Note)
		}
	}
	if r.Upsets == 0 {
		t.Error("a camera that stood still was no upset")
	}
	for _, c := range p.Complaints() {
		t.Error(c)
	}
}

// holds are why a run was held.
func (s *served) holds(t *testing.T, run int) (why []string) {
	t.Helper()
	job, err := store.OpenReadOnly(filepath.Join(s.dir, "belt-weigher.provoke"))
	if err != nil {
		t.Fatal(err)
	}
	defer job.Close()
	for rec, err := range job.Records(run, 1) {
		if err != nil {
			t.Fatal(err)
		}
		if h, ok := rec.Event.(event.Hold); ok {
			why = append(why, h.Why)
		}
	}
	return why
}
