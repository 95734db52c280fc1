package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"provoke/internal/simbench"
	"provoke/internal/web/browser"
)

// served is the simulated bench with its page, as demo --serve makes them.
type served struct {
	sim     *simbench.Bench
	dir     string
	address string // of the page, without the token
	enter   string
	desk    *desk
	errors  *safeBuffer
}

// safeBuffer is written by one goroutine and read by another.
type safeBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (s *safeBuffer) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(p)
}

func (s *safeBuffer) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.String()
}

// serveDemo serves the demo's folder until the test ends.
func serveDemo(t *testing.T, speed float64) *served {
	t.Helper()
	var out safeBuffer
	errs := &safeBuffer{}
	ctx, cancel := context.WithCancel(t.Context())
	signals := make(chan os.Signal)
	w := &world{ctx: ctx, stdin: strings.NewReader(""), stdout: &out, stderr: errs, now: time.Now, signals: signals}
	d := &demo{w: w, sim: simbench.New(simbench.Config{Seed: 1, Speed: speed}), dir: t.TempDir()}
	t.Cleanup(func() { d.sim.Close() })
	if err := d.prepare(&demoCommand{Speed: speed}); err != nil {
		t.Fatal(err)
	}
	job := filepath.Join(d.dir, "belt-weigher.provoke")
	s := &served{sim: d.sim, dir: d.dir, desk: newDesk(w, d.dir, job), errors: errs}
	done := make(chan error, 1)
	page := serveCommand{Job: job, Dir: d.dir, Listen: "127.0.0.1:0"}
	go func() { done <- page.serve(w, s.desk, d.hands()) }()
	t.Cleanup(func() {
		cancel()
		select {
		case err := <-done:
			if err != nil {
				t.Error(err)
			}
		case <-time.After(20 * time.Second):
			t.Error("the page did not end")
		}
	})
	for end := time.Now().Add(5 * time.Second); s.enter == "" && time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		if text := out.String(); strings.Contains(text, "\n") {
			s.enter, _, _ = strings.Cut(text, "\n")
		}
	}
	s.address, _, _ = strings.Cut(s.enter, "/enter")
	if s.address == "" {
		t.Fatalf("no address was printed: %s", errs)
	}
	return s
}

// The whole job on the page, on the simulated bench: import, check, arm, run, RF off in mid-run,
// findings, compare, report.
func TestTheWholeJobOnThePage(t *testing.T) {
	p := browser.Open(t)
	s := serveDemo(t, 20)
	p.Size(1280, 720)
	p.Go(s.enter)
	p.Wait(`location.pathname === "/" && document.querySelector("h1")?.textContent.includes("belt-weigher")`)

	// A baseline without RF.
	p.Go(s.address + "/plan?file=baseline.yaml")
	p.Fill("#label", "no RF")
	p.Click("form.arm button.go")
	p.Wait(`location.pathname.startsWith("/arm/")`)
	p.Click("main form button.go")
	p.Wait(`location.pathname === "/live"`)
	p.Wait(`document.body.dataset.fresh === "yes"`)
	p.Wait(`document.body.dataset.ended === "yes"`)

	// The exposure, stopped with RF off in the middle.
	p.Go(s.address + "/plan?file=exposure.yaml")
	p.Shot("../../out/plan.png", true)
	p.Fill("#label", "as received")
	p.Click("form.arm button.go")
	p.Wait(`location.pathname.startsWith("/arm/")`)
	p.Shot("../../out/arm.png", true)
	p.Click("main form button.go")
	p.Wait(`document.querySelector(".big.rf")?.dataset.rf === "on"`)
	time.Sleep(3 * time.Second)
	p.Shot("../../out/live.png", false)
	p.Press("\u001b")
	p.Wait(`document.body.dataset.ended === "yes"`)
	if st := s.sim.State(); st.On || st.Operating {
		t.Errorf("after RF off: %+v", st)
	}
	p.Shot("../../out/off.png", false)
	t.Log(p.Complaints())
}
