package web_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image"
	"image/png"
	"maps"
	"math"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"provoke/internal/bench/camera"
	dutwatch "provoke/internal/bench/dut"
	"provoke/internal/bench/simbench"
	"provoke/internal/faces/recall"
	"provoke/internal/faces/web"
	"provoke/internal/faces/web/browser"
	"provoke/internal/files/catalog"
	"provoke/internal/job/archive"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/store"
	"provoke/internal/model/chain"
	"provoke/internal/run/engine"
	"provoke/internal/units/rf"
)

// Everything here is about an invented belt weigher on the simulated bench's file.

const exposurePlan = `provoke: plan 1
name: belt weigher (invented), 3 V e.m.f.
bench: bench.yaml
kind: exposure
level: iec-61000-4-6/level-2
grid:
  - {from: 150 kHz, to: 79 MHz, step: 5 %}
modulation: AM 80 % 1 kHz carrier held
dwell: 1 s
settle: 1 ms
edges: 1 %
`

const baselinePlan = `provoke: plan 1
name: no RF
bench: bench.yaml
kind: baseline
level: iec-61000-4-6/level-2
grid:
  - {from: 150 kHz, to: 79 MHz, step: 20 %}
dwell: 1 s
`

// fakeRunner stands for cmd/provoke: it drives no bench.
type fakeRunner struct {
	job string

	mu      sync.Mutex
	state   web.State
	told    []engine.Command
	offs    int
	started int
	wishes  web.Wishes // of the run that was started last
	// prepared is what the run that was started last is of.
	prepared web.Prepared
	looks    []engine.Look
	seen     uint64
	running  *store.Job // lent while a test writes a run

	left *web.Left

	page  camera.Handed
	shots map[string]dutwatch.Shot // of the cameras of the run

	calibration *plan.Calibrated // that a substitution replays
}

func (f *fakeRunner) Prepare(r web.Request) (web.Prepared, error) {
	dir := filepath.Dir(r.PlanFile)
	read := func(name string) ([]byte, error) { return os.ReadFile(filepath.Join(dir, name)) }
	data, err := os.ReadFile(r.PlanFile)
	if err != nil {
		return web.Prepared{}, err
	}
	if bytes.HasPrefix(data, []byte("provoke: sweep")) {
		return prepareSweep(r, data, read)
	}
	p, list := plan.Parse(r.PlanFile, data, read)
	if list.Err() != nil {
		return web.Prepared{}, list.Err()
	}
	benchData, err := read(p.BenchFile)
	if err != nil {
		return web.Prepared{}, err
	}
	b, list := catalog.Parse(p.BenchFile, benchData, read)
	if list.Err() != nil {
		return web.Prepared{}, list.Err()
	}
	c := chain.New(b)
	if r.Fix != nil {
		p.Grid = append(p.Grid, r.Fix.At...)
		slices.Sort(p.Grid)
		p.Grid = slices.Compact(p.Grid)
	}
	checked, list := plan.Check(p, c, nil)
	out := web.Prepared{Request: r, Plan: p, Bench: b, Chain: c, Checked: checked, Warnings: list.Warnings()}
	if r.Fix != nil {
		out.Fixing = &event.Fixing{Of: r.Fix.Of, Alone: rf.Duration(10 * time.Minute)}
		for _, q := range checked.Points {
			if slices.Contains(r.Fix.At, q.Frequency) {
				out.Fixing.At = append(out.Fixing.At, event.Tracked{Point: q.Point})
			}
		}
	}
	return out, list.Err()
}

func prepareSweep(r web.Request, data []byte, read func(string) ([]byte, error)) (web.Prepared, error) {
	s, list := plan.ParseFreeSweep(r.PlanFile, data)
	if list.Err() != nil {
		return web.Prepared{}, list.Err()
	}
	benchData, err := read(s.Plan.BenchFile)
	if err != nil {
		return web.Prepared{}, err
	}
	b, list := catalog.Parse(s.Plan.BenchFile, benchData, read)
	if list.Err() != nil {
		return web.Prepared{}, list.Err()
	}
	c := chain.New(b)
	checked, list := plan.CheckSweep(s, c)
	return web.Prepared{Request: r, Sweep: s, Plan: s.Plan, Bench: b, Chain: c, Checked: checked,
		Warnings: list.Warnings()}, list.Err()
}

func (f *fakeRunner) Calibration(*plan.Plan) (*plan.Calibrated, error) {
	if f.calibration == nil {
		return nil, web.ErrIdle
	}
	return f.calibration, nil
}

func (f *fakeRunner) Start(p web.Prepared, wishes web.Wishes) (int, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.state.Underway {
		return 0, web.ErrUnderway
	}
	f.started++
	f.wishes, f.prepared = wishes, p
	f.state = web.State{Underway: true, Run: 2, Began: time.Now(), Status: engine.Status{Phase: "exposing", RFOn: true}}
	return 2, nil
}

func (f *fakeRunner) Tell(c engine.Command) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if !f.state.Underway {
		return web.ErrIdle
	}
	f.told = append(f.told, c)
	if c.Want == engine.Abort {
		f.state.Underway = false
	}
	return nil
}

func (f *fakeRunner) Answer(number int, text string) error {
	if number != 7 {
		return web.ErrIdle
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	f.told = append(f.told, engine.Command{Text: text})
	return nil
}

func (f *fakeRunner) Off(context.Context, string) ([]string, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.offs++
	if !f.state.Underway {
		return []string{"bench.yaml: RF read back as off"}, nil
	}
	f.state.Underway = false
	return nil, nil
}

func (f *fakeRunner) State() web.State {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.state
}

func (f *fakeRunner) Looks(after uint64) ([]engine.Look, uint64) {
	f.mu.Lock()
	defer f.mu.Unlock()
	n := min(f.seen-min(after, f.seen), uint64(len(f.looks)))
	return append([]engine.Look(nil), f.looks[uint64(len(f.looks))-n:]...), f.seen
}

func (f *fakeRunner) WithJob(do func(*store.Job) error) error {
	if f.running != nil {
		return do(f.running)
	}
	j, err := store.Open(f.job)
	if err != nil {
		return err
	}
	defer j.Close()
	return do(j)
}

func (f *fakeRunner) Handed() *camera.Handed { return &f.page }

func (f *fakeRunner) Cameras() []string { return slices.Sorted(maps.Keys(f.shots)) }

func (f *fakeRunner) Newest(monitor string) (dutwatch.Shot, bool) {
	s, ok := f.shots[monitor]
	return s, ok
}

func (f *fakeRunner) See(string, catalog.Monitor) (dutwatch.Shot, error) {
	if s, ok := f.shots["seen"]; ok {
		return s, nil
	}
	return dutwatch.Shot{}, errors.New("no picture yet")
}

func (f *fakeRunner) Left() *web.Left { return f.left }

func (f *fakeRunner) Open(job string) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.state.Underway {
		return web.ErrUnderway
	}
	f.job, f.state = job, web.State{}
	return nil
}

func (f *fakeRunner) Find(context.Context) ([]web.Found, error) {
	return []web.Found{{Address: "TCPIP::192.168.1.20::5025::SOCKET", Identity: "INVENTED,GENERATOR,1,0"}}, nil
}

func (f *fakeRunner) Written() bool { return store.Written(f.job) }

// site is the pages over a folder and a job that a test made.
type site struct {
	*httptest.Server
	runner *fakeRunner
	pages  *web.Server
	dir    string
	job    string
	client *http.Client // let in
	// blockStreams refuses every stream, as if the network were gone.
	blockStreams atomic.Bool
	// blockAll cuts every connection.
	blockAll atomic.Bool
}

// archiveFolder is an archive with the canned job.
var archiveFolder = sync.OnceValue(func() string {
	folder := filepath.Join(cannedFolder, "archive")
	ctx := context.Background()
	a := must(archive.Open(ctx, folder, "test", true))
	defer a.Close()
	j := must(store.OpenReadOnly(filepath.Join(cannedFolder, "belt-weigher.provoke")))
	defer j.Close()
	p := must(a.Push(ctx, j, archive.Pushing{Name: "belt-weigher.provoke", Who: "A. Engineer"}))
	f := must(recall.Derive(a.Source(ctx, p.Job)))
	for i := range f.Runs { // the canned bench says nothing of these
		r := &f.Runs[i]
		r.Product, r.Version = "conveyor belt weigher with a name that is as long as names in offices are",
			"firmware 1.4, board C"
		r.Cable, r.Operator = "RS-485, screened, two pairs, with a drain wire", "A. Engineer"
		for n := range 5 {
			r.Items = append(r.Items, archive.ItemFact{ID: "PROBE1", Description: "current monitoring probe, ten turns",
				Serial: fmt.Sprintf("SIM-%04d", n), Certificate: "certificate-of-calibration-2026-000471",
				Calibrated: "2026-03-02",
				Due:        "2026-03-01"})
			r.Curves = append(r.Curves, archive.CurveFact{Item: "PROBE1", Serial: "SIM-0000",
				What: "transfer impedance",
				Unit: "dBΩ", Calibrated: fmt.Sprintf("202%d-03-02", n), SHA256: fmt.Sprintf("%064d", n),
				Points: [][2]float64{{1e6, 14 + 0.1*float64(n)}, {1e7, 13}}})
		}
		for n := range 40 {
			r.Bands = append(r.Bands, archive.BandFact{Low: 1e6 * float64(n+1), High: 1.0321e6 * float64(n+1),
				Lowest:   78.25,
				LowestAt: 1.01e6 * float64(n+1), Margin: -1.75})
		}
	}
	if err := a.SetFacts(ctx, must(a.Find(ctx, "belt-weigher.provoke")), f); err != nil {
		panic(err)
	}
	return folder
})

func cannedArchive(ctx context.Context) (*archive.Archive, error) {
	return archive.Open(ctx, archiveFolder(), "test", false)
}

func serve(t testing.TB, withJob bool) *site {
	t.Helper()
	s := &site{dir: t.TempDir()}
	s.job = filepath.Join(s.dir, "belt-weigher.provoke")
	for _, name := range []string{"bench.yaml", "exposure.yaml", "baseline.yaml", "belt-weigher.provoke"} {
		if withJob || name != "belt-weigher.provoke" {
			write(t, s.dir, name, must(os.ReadFile(filepath.Join(cannedFolder, name))))
		}
	}
	s.runner = &fakeRunner{job: s.job}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	host := l.Addr().String()
	s.pages, err = web.New(web.Config{Runner: s.runner, JobFile: s.job, Dir: s.dir, Hosts: []string{host},
		Program: "test", Archive: web.Archive{At: "all jobs", Open: cannedArchive},
		Hands: []web.Hand{{Name: "Put the fix in", Do: func() (string, error) { return "The fix is in.", nil }}}})
	if err != nil {
		t.Fatal(err)
	}
	web.ServeStates(s.pages)
	s.Server = &httptest.Server{Listener: l, Config: &http.Server{Handler: http.HandlerFunc(func(w http.ResponseWriter,
		r *http.Request) {
		if s.blockStreams.Load() && r.URL.Path == "/live/stream" {
			http.Error(w, "gone", http.StatusServiceUnavailable)
			return
		}
		if s.blockAll.Load() {
			panic(http.ErrAbortHandler)
		}
		s.pages.ServeHTTP(w, r)
	}), ReadHeaderTimeout: 5 * time.Second}}
	s.Start()
	// Config.Close ends every connection and takes no new one: a page that is still open comes back to its
	// stream within a second, and Server.Close alone would wait for that one for ever.
	t.Cleanup(func() { s.Config.Close(); s.Close(); s.pages.Close() })
	s.client = s.letIn(t)
	return s
}

// cannedFolder holds the files that every test begins with; TestMain makes it.
var cannedFolder string

func TestMain(m *testing.M) {
	dir, err := os.MkdirTemp("", "provoke-web")
	if err != nil {
		panic(err)
	}
	cannedFolder = dir
	sim := simbench.New(simbench.Config{Seed: 1})
	if err := sim.Listen("127.0.0.1:0"); err != nil {
		panic(err)
	}
	for name, text := range map[string]string{"bench.yaml": string(sim.BenchFile()), "exposure.yaml": exposurePlan,
		"baseline.yaml": baselinePlan} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			panic(err)
		}
	}
	sim.Close()
	writeJob(filepath.Join(dir, "belt-weigher.provoke"), dir)
	code := m.Run()
	os.RemoveAll(dir)
	os.Exit(code)
}

func write(t testing.TB, dir, name string, data []byte) {
	t.Helper()
	if err := os.WriteFile(filepath.Join(dir, name), data, 0o644); err != nil {
		t.Fatal(err)
	}
}

// letIn returns a client with the session's cookie.
func (s *site) letIn(t testing.TB) *http.Client {
	t.Helper()
	r, err := http.Get(s.URL + s.pages.Entrance())
	if err != nil {
		t.Fatal(err)
	}
	r.Body.Close()
	cookies := r.Cookies()
	if len(cookies) != 1 {
		t.Fatalf("%d cookies after %s", len(cookies), r.Status)
	}
	return &http.Client{Transport: cookied{cookies[0]},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
}

// enter lets a browser in and waits until it is at the job.
func (s *site) enter(p *browser.Page) {
	p.Go(s.URL + s.pages.Entrance())
	p.Wait(`location.pathname === "/" && document.readyState === "complete" && globalThis.provoke`)
}

type cookied struct{ c *http.Cookie }

func (c cookied) RoundTrip(r *http.Request) (*http.Response, error) {
	r = r.Clone(r.Context())
	r.AddCookie(c.c)
	return http.DefaultTransport.RoundTrip(r)
}

// writeJob writes a job with a baseline, an exposure with upsets and one after a fix, and what an
// invented laboratory reported.
func writeJob(path, dir string) {
	j := must(store.Create(path))
	defer j.Close()
	w := must(j.NewRun(at(0), event.Opened{Program: "test", RunKind: event.LaboratoryKind,
		Label: "as the laboratory reported"}))
	must(w.Append(at(0), event.LaboratoryFailures{Laboratory: "an invented laboratory", Report: "R-17",
		Failures: []event.LaboratoryFailure{
			{From: 2.1e6, To: 2.4e6, Level: "3 V emf", Modulation: "AM 80 % 1 kHz",
				What: "reading off by more than 1 kg"},
			{From: 27.12e6, Level: "3 V emf", Modulation: "AM 80 % 1 kHz", What: "error latches"}}}))
	must(w.Close(at(1), event.Done, ""))
	writeRun(j, dir, "baseline.yaml", "no RF", "", nil)
	writeRun(j, dir, "exposure.yaml", "as received", "", dut{{2.2e6, 72, 0.12}, {27e6, 70, 0.1}})
	n := writeRun(j, dir, "exposure.yaml", "with the fix", "capacitors at the connector (invented)",
		dut{{2.2e6, 77, 0.12}})
	must(j.Annotate(n, at(5000), event.Note{By: "A. Invented", Text: "cable moved by 20 mm"}))
	var pic bytes.Buffer
	png.Encode(&pic, image.NewGray(image.Rect(0, 0, 40, 30)))
	a := must(j.Attach("cable.png", pic.Bytes()))
	must(j.Annotate(n, at(5001), event.Attached{Attachment: a, Caption: "the cable as it lay"}))
}

func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

func at(seconds float64) time.Time {
	return time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC).Add(time.Duration(seconds * 1e9))
}

// dut is an invented product: dips of immunity, each with centre, lowest onset in dBµA and width in
// decades.
type dut [][3]float64

func (d dut) onset(hz float64) float64 {
	lowest := math.Inf(1)
	for _, dip := range d {
		x := math.Log10(hz/dip[0]) / dip[2]
		lowest = min(lowest, dip[1]+12*x*x)
	}
	return lowest
}

// writeRun does a plan on an invented product and journals it as the engine would.
func writeRun(j *store.Job, dir, planFile, label, changed string, product dut) int {
	p := must((&fakeRunner{}).Prepare(web.Request{PlanFile: filepath.Join(dir, planFile)}))
	points := must(plan.Points(p.Plan, p.Chain, nil))
	program := must(plan.NewProgram(p.Plan, points))
	clock := 100.0
	monitors := []event.Monitor{{ID: "SHOWN", Kind: "text", Unit: "kg", Tolerance: 0.05, Baseline: 12.5,
		HasBaseline: true}}
	opened := event.Opened{Program: "test", RunKind: p.Plan.Kind, Mode: p.Plan.Mode, Fixture: string(p.Plan.Fixture),
		Label: label, Changed: changed, Operator: "A. Invented",
		Bench: must(j.Attach("bench.yaml", p.Bench.Bytes)), Plan: must(j.Attach(planFile, p.Plan.Bytes)),
		Modulation: p.Plan.Modulation, Dwell: p.Plan.Dwell,
		Profile: event.Profile{ID: p.Plan.Profile.ID, Title: p.Plan.Profile.Title, Source: p.Plan.Profile.Source,
			Confidence: p.Plan.Profile.Confidence, Means: p.Plan.Profile.Means},
		Resolution: p.Plan.Search.Resolution, Range: p.Plan.Search.Range, Edges: p.Plan.Edges, Points: len(p.Plan.Grid),
		Stretches: p.Plan.Stretches, Monitors: monitors}
	w := must(j.NewRun(at(clock), opened))
	must(w.Append(at(clock), event.Watching{Monitors: monitors}, event.Armed{By: "A. Invented", DeadMan: 2e9}))
	step, ok := program.Next(nil)
	for ok {
		clock += 1.2
		c := exposeInvented(p, step, product)
		must(w.Append(at(clock), event.Intent{Step: step, Attempt: 1}, c))
		step, ok = program.Next(&c.Outcome)
	}
	if err := program.Err(); err != nil {
		panic(err)
	}
	verdict := event.Done
	if len(product) > 0 {
		verdict = event.DoneUpset
	}
	must(w.Append(at(clock+1), event.Safed{Cause: "the run has ended", Quiet: true,
		How: "read back as off and measured at the floor", Took: 2e8}))
	must(w.Close(at(clock+2), verdict, ""))
	return w.Run()
}

// exposeInvented is one step on the invented product.
func exposeInvented(p web.Prepared, step plan.Step, product dut) event.StepClosed {
	c := event.StepClosed{Step: step, Attempt: 1, OnFor: 1e9, Means: "r.m.s. of the unmodulated carrier",
		Outcome: plan.Outcome{Number: step.Number, Exposures: 1}}
	upsets := func(offset rf.Gain) bool {
		return step.Point.Target.Add(offset).In() >= product.onset(step.Point.Frequency.Hz())
	}
	if p.Plan.Kind != plan.Baseline {
		c.Drive, c.Current = step.Point.Drive.Add(step.Offset), step.Point.Target.Add(step.Offset)
		c.Highest, c.Predicted = c.Current, c.Current
		c.Outcome.Upset = upsets(step.Offset)
	}
	if c.Outcome.Upset {
		c.Class, c.Note = event.DuringOnly, "SHOWN 1.3 kg above the baseline; tolerance 0.05 kg"
		for _, offset := range step.Descend {
			c.Outcome.Exposures++
			if !upsets(offset + 2) {
				o := offset
				c.Outcome.RecoveredAt = &o
				break
			}
		}
	}
	for i := range 12 {
		after := rf.Duration(-2e8 + 1e8*float64(i))
		r := event.Reading{Monitor: "SHOWN", After: after, Value: 12.5 + 0.01*math.Sin(float64(step.Number*i)),
			HasValue: true, RFOn: after >= 0 && p.Plan.Kind != plan.Baseline}
		if c.Outcome.Upset && i > 5 {
			r.Value, r.Bad, r.Why, r.RFOn = 13.8, true, "1.3 kg above the baseline; tolerance 0.05 kg", i < 7
		}
		c.Readings = append(c.Readings, r)
	}
	return c
}

// get asks for a page as somebody who is let in.
func (s *site) get(t testing.TB, path string) (int, string) {
	t.Helper()
	r, err := s.client.Get(s.URL + path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	var b bytes.Buffer
	b.ReadFrom(r.Body)
	if !strings.HasPrefix(r.Header.Get("Content-Type"), "text/html") {
		return r.StatusCode, b.String()
	}
	return r.StatusCode, lineEnds.ReplaceAllString(b.String(), " ") // a browser makes no difference between them
}

var lineEnds = regexp.MustCompile(`\n ?`)

// pagePaths are every page, with something in it.
var pagePaths = map[string]string{
	"job": "/", "bench": "/bench?at=27,12+MHz", "plan": "/plan?file=exposure.yaml", "live": "/live?run=3",
	"findings": "/findings?run=3&at=27.12+MHz",
	"compare":  "/compare?before=3&after=4", "laboratory": "/beside", "report": "/report", "words": "/words",
	"archive": "/archive?question=upsets&from=100+kHz",
	"camera":  "/camera?file=bench.yaml", "refused": "/nowhere",
}

// everyPage checks pagePaths against what the job holds.
func TestEveryPageIsThere(t *testing.T) {
	s := serve(t, true)
	for name, path := range pagePaths {
		want := http.StatusOK
		if name == "refused" {
			want = http.StatusNotFound
		}
		status, body := s.get(t, path)
		if status != want {
			t.Errorf("%s: %d: %.2000s", path, status, body)
		}
		for _, wrong := range []string{"NaN", "&lt;nil&gt;", "%!"} {
			if strings.Contains(body, wrong) {
				t.Errorf("%s holds %q", path, wrong)
			}
		}
	}
	empty := serve(t, false)
	for name, path := range map[string]string{"job": "/", "live": "/live", "findings": "/findings",
		"compare": "/compare", "report": "/report"} {
		if status, body := empty.get(t, path); status != http.StatusOK {
			t.Errorf("%s without a job: %d: %.2000s", name, status, body)
		}
	}
}
