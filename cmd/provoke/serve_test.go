package main

import (
	"bytes"
	"context"
	"io"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"provoke/internal/bench/simbench"
	"provoke/internal/faces/demo"
	"provoke/internal/faces/web/browser"
	"provoke/internal/run/session"
	"provoke/internal/terminal"
)

// served is the simulated bench with its page, as demo --serve makes them.
type served struct {
	sim     *simbench.Bench
	dir     string
	address string // of the page, without the token
	enter   string
	desk    *session.Desk
	errors  *safeBuffer
	out     *safeBuffer
	keys    io.Writer // of its terminal
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
func serveDemo(t *testing.T, bench simbench.Config) *served {
	t.Helper()
	out := &safeBuffer{}
	typed, keys := io.Pipe()
	t.Cleanup(func() { keys.Close() })
	errs := &safeBuffer{}
	ctx, cancel := context.WithCancel(t.Context())
	signals := make(chan os.Signal)
	w := &terminal.World{Ctx: ctx, Stdin: typed, Stdout: out, Stderr: errs, Now: time.Now,
		Signals: signals}
	bench.Seed, bench.Serial = 1, serialOfItsOwn()
	d := &demo.Demo{World: w, Sim: simbench.New(bench), Dir: t.TempDir(), Type: run}
	t.Cleanup(func() { d.Sim.Close() })
	if err := d.Prepare(bench.Speed, ""); err != nil {
		t.Fatal(err)
	}
	coarser(t, filepath.Join(d.Dir, "exposure.yaml"))
	job := filepath.Join(d.Dir, "belt-weigher.provoke")
	s := &served{sim: d.Sim, dir: d.Dir, desk: session.NewDesk(w, d.Dir, job), errors: errs, out: out, keys: keys}
	done := make(chan error, 1)
	page := serveCommand{Job: job, Dir: d.Dir, Listen: "127.0.0.1:0"}
	go func() { done <- page.serve(w, s.desk, d.Hands()) }()
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
	for end := time.Now().Add(5 * time.Second); s.enter == "" &&
		time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
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

// coarser makes the demo's grid wider, for the sake of the test's time.
func coarser(t *testing.T, plan string) {
	t.Helper()
	data, err := os.ReadFile(plan)
	if err == nil {
		err = os.WriteFile(plan, bytes.Replace(data, []byte("step: 5 %"), []byte("step: 10 %"), 1), 0o644)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// job is the page of the demo in a browser.
type jobPage struct {
	*browser.Page
	*served
	t *testing.T
}

// run checks a plan on the page, arms it and begins it.
func (j *jobPage) run(plan, label, changed string) {
	j.t.Helper()
	j.Go(j.address + "/plan?file=" + plan)
	j.Wait(`globalThis.provoke && document.querySelector("#verdict .good")`)
	j.Fill("#label", label)
	j.Fill("#changed", changed)
	// the run before may still be ending, and what "RF off" said of it stands for six seconds
	j.Wait(`document.querySelector(".arm button.go:enabled") && !document.querySelector("#off-said")`)
	j.Click(".arm button.go")
	j.Wait(`location.pathname.startsWith("/arm/") && globalThis.provoke`)
	j.Shot("../../out/arm-demo-"+strings.TrimSuffix(plan, ".yaml")+".png", false)
	if below := browser.Value[[]string](j.Page, `[...document.querySelectorAll("main .card")].filter(e =>
		e.getBoundingClientRect().bottom > document.querySelector("main .foot").getBoundingClientRect().top).map(e => e.id)`); len(
		below) > 0 {
		j.t.Errorf("out of sight when arming %s: %q", plan, below)
	}
	j.Click("main form button.go")
	j.Wait(`location.pathname === "/live" && document.body.dataset.fresh === "yes"`)
}

// end waits for the end of a run and returns its verdict.
func (j *jobPage) end() string {
	j.t.Helper()
	for range 4 { // an exposure takes longer than what a page is waited for
		if browser.Value[bool](j.Page,
			`new Promise(r => { const t0 = Date.now(), t = setInterval(() => { if (document.body.dataset.ended === "yes" || Date.now() - t0 > 12000) { clearInterval(t); r(document.body.dataset.ended === "yes"); } }, 50); })`) {
			break
		}
	}
	j.Wait(`document.body.dataset.ended === "yes" && document.querySelector(".next a")`)
	return j.Text(".big.rf .far") + " " + j.Text(".big.rf .below")
}

// The whole job on the page, on the simulated bench: what the laboratory reported is imported, plans
// are checked, armed and run, RF goes off in mid-run by one key, thresholds are found, a fix goes
// in, runs are compared, and the report is kept.
func TestTheWholeJobOnThePage(t *testing.T) {
	t.Parallel()
	p := browser.Open(t)
	s := serveDemo(t, simbench.Config{Speed: 40})
	j := &jobPage{p, s, t}
	p.Size(1280, 720)
	p.Go(s.enter)
	p.Wait(`location.pathname === "/" && globalThis.provoke && document.querySelector("h1").textContent.includes("belt-weigher")`)

	// What the laboratory reported, from a file.
	file := filepath.Join(t.TempDir(), "failures.csv")
	if err := os.WriteFile(file, []byte("from;level;modulation;what\n27,12 MHz;3 V emf;AM 80 % 1 kHz;error latches\n"),
		0o644); err != nil {
		t.Fatal(err)
	}
	p.Upload("#lab-file", file)
	p.Click(`form[enctype] button`)
	p.Wait(`document.querySelector("#laboratory")?.textContent.includes("error latches")`)

	j.run("baseline.yaml", "no RF", "")
	if v := j.end(); !strings.Contains(v, "done") {
		t.Fatalf("the baseline: %s", v)
	}
	rfOffByOneKey(j)
	exposeAndCompare(j)
	if a := s.sim.Abuses(); len(a) > 0 {
		t.Errorf("the simulated bench was abused: %v", a)
	}
	if c := p.Complaints(); len(c) > 0 {
		t.Errorf("scripts complained: %v", c)
	}
	if text := s.errors.String(); strings.Contains(text, "ERROR") {
		t.Errorf("the server complained: %s", text)
	}
}

// rfOffByOneKey begins an exposure and switches RF off in the middle of it.
func rfOffByOneKey(j *jobPage) {
	j.t.Helper()
	j.run("exposure.yaml", "to be stopped", "")
	j.Wait(`document.querySelector(".big.rf").dataset.rf === "on"`)
	for end := time.Now().Add(5 * time.Second); !j.sim.State().On; time.Sleep(time.Millisecond) {
		if time.Now().After(end) {
			j.t.Fatal("RF never came on")
		}
	}
	j.Eval(`document.querySelector("#note-text").focus()`) // wherever the focus is
	pressed := time.Now()
	j.Press("\u001b")
	for end := time.Now().Add(5 * time.Second); j.sim.State().On; time.Sleep(time.Millisecond) {
		if time.Now().After(end) {
			j.t.Fatal("RF stayed on")
		}
	}
	j.t.Logf("figure: RF was off %d ms after Esc in the browser", time.Since(pressed).Milliseconds())
	if v := j.end(); !strings.Contains(v, "stopped by the operator") {
		j.t.Errorf("the verdict is %q", v)
	}
	if st := j.sim.State(); st.On || st.Operating {
		j.t.Errorf("after the end the bench is %+v", st)
	}
	if words := j.Text(".big.rf .label"); !strings.HasSuffix(words, "RF off") {
		j.t.Errorf("the page says %q", words)
	}
}

// exposeAndCompare does the exposure before and after a fix, with hold, note and mark on the way.
func exposeAndCompare(j *jobPage) {
	j.t.Helper()
	j.run("exposure.yaml", "as received", "")
	j.Wait(`document.querySelector(".big.rf").dataset.rf === "on"`)
	j.Wait(`/^RF ON [0-9.]+ [kM]Hz – Live/.test(document.title) && document.querySelectorAll("#nearest .fill").length === 3`)
	j.Click(`form[action="/hold"] button`)
	j.Wait(`document.querySelector(".big.rf .below").textContent.startsWith("held") && document.title.startsWith("Live")`)
	if text := j.Text(".current .far") + j.Text("#nearest"); text != "––" {
		j.t.Errorf("held, and the page shows %q", text)
	}
	if j.sim.State().On {
		j.t.Error("RF is on in a hold")
	}
	j.Fill("#note-text", "cable moved by 20 mm")
	j.Click(`form[action="/note"] button`)
	j.Wait(`document.querySelector("#log").textContent.includes("cable moved")`)
	j.Click(`form[action="/go"] button`)
	j.Wait(`document.querySelector(".big.rf").dataset.rf === "on"`)
	j.Eval(`document.activeElement.blur()`)
	j.Press(" ")
	j.Wait(`document.querySelector("#log").textContent.includes("marked")`)
	j.Shot("../../out/live-run.png", false)
	if v := j.end(); !strings.Contains(v, "with upsets") {
		j.t.Errorf("as received: %s", v)
	}

	j.Go(j.address + "/")
	j.Click(`form[action="/hands/1"] button`)
	j.Wait(`document.querySelector("main.small h1")?.textContent === "Done"`) // not the page before, which names the ferrite too
	j.run("exposure.yaml", "second fix", "capacitors and a ferrite sleeve (invented)")
	if v := j.end(); !strings.Contains(v, "done") {
		j.t.Errorf("with the fix: %s", v)
	}

	// A point of the findings leads to its attempts.
	j.Go(j.address + "/findings?run=4")
	j.Wait(`globalThis.provoke?.charts["figure-profile-4"]`)
	j.Click(`table a[href*="at="]`)
	j.Wait(`document.querySelector("#point") && provoke.charts.readings`)
	if text := j.Text("#point"); !strings.Contains(text, "onset") && !strings.Contains(text, "sweep") {
		j.t.Errorf("the point says %.300s", text)
	}

	j.Go(j.address + "/compare")
	j.Fill(`#margin`, "0 dB")
	j.Eval(`(() => { document.querySelector("select[name=before]").value = "4"; document.querySelector("select[name=after]").value = "5"; })()`)
	j.Click(`form[action="/compare"] button`)
	j.Wait(`location.search.includes("before=4") && globalThis.provoke?.charts["figure-compare"]`)
	if text := j.Text(".judgement"); !strings.Contains(text, "Run 4 before, run 5 after") {
		j.t.Errorf("the judgement is %q", text)
	}

	j.Go(j.address + "/report")
	j.Wait(`document.querySelector("iframe")`)
	kept := browser.Value[string](j.Page,
		`fetch([...document.querySelectorAll("a[download]")].find(a => a.download === "report.html").href).then(r => r.text())`)
	if !strings.Contains(kept, "second fix") || strings.Contains(kept, "<script") {
		j.t.Error("the report is not the one of this job")
	}
}

// A second browser sees the same and cannot begin a second run; an attended run ends when its page
// is closed.
func TestTwoBrowsersOnOneJob(t *testing.T) {
	t.Parallel()
	first := browser.Open(t)
	s := serveDemo(t, simbench.Config{Speed: 20})
	first.Go(s.enter)
	first.Wait(`location.pathname === "/" && globalThis.provoke`)
	first.Click(`form[action="/entrances"] button`)
	first.Wait(`document.querySelector("main a[href*='/enter']")`)
	address := browser.Value[string](first, `document.querySelector("main a[href*='/enter']").href`)
	second := browser.Open(t)
	second.Go(address)
	second.Wait(`location.pathname === "/" && globalThis.provoke`)

	(&jobPage{first, s, t}).run("exposure.yaml", "one run", "")
	second.Go(s.address + "/live")
	second.Wait(`document.querySelector(".big.rf").dataset.rf === "on" && document.body.dataset.fresh === "yes"`)
	second.Go(s.address + "/plan?file=exposure.yaml")
	if !browser.Value[bool](second, `document.querySelector(".arm button.go").disabled`) {
		t.Error("a second run can be armed")
	}
	first.Go("about:blank") // the page that attends is closed
	second.Go(s.address + "/live")
	second.Wait(`document.body.dataset.ended === "yes"`)
	if st := s.sim.State(); st.On || st.Operating {
		t.Errorf("after the attending page was closed: %+v", st)
	}
	second.Wait(`document.querySelector("#log").textContent.includes("the last page of the browser that watched the run was closed")`)
}
