package session_test

import (
	"bytes"
	"flag"
	"fmt"
	"image/jpeg"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"provoke/internal/bench/dut"
	"provoke/internal/bench/simbench"
	"provoke/internal/faces/demo"
	"provoke/internal/findings/analysis"
	"provoke/internal/job/event"
	"provoke/internal/job/result"
	"provoke/internal/job/store"
	"provoke/internal/run/session"
	"provoke/internal/terminal"
)

var long = flag.Bool("long", false, "the whole band by camera and by text, for a minute")

// watched runs the demo's exposure over a grid with the product watched by one monitor alone: SHOWN is its text output.
// before is what stands between the camera and the run; nil for nothing.
func watched(t testing.TB, grid, monitor string, before func(camera string) string) (result.Run, *store.Job) {
	t.Helper()
	return trial{plan: "exposure", grid: grid, monitors: []string{monitor}, before: before, steady: true}.run(t)
}

// trial is a plan of the demo that is run.
type trial struct {
	plan, grid string
	dwell      string   // "" for the plan's own
	monitors   []string // those of the bench that watch
	before     func(camera string) string
	steady     bool
}

func (x trial) run(t testing.TB) (result.Run, *store.Job) {
	t.Helper()
	const speed = 10
	sim := simbench.New(simbench.Config{Seed: 1, Speed: speed, Steady: x.steady,
		Camera: &simbench.CameraView{Rate: 40, Delay: 60 * time.Millisecond},
		Sound:  &simbench.SoundView{Delay: 60 * time.Millisecond}})
	w := &terminal.World{Ctx: t.Context(), Stdin: strings.NewReader(""), Stdout: io.Discard, Stderr: io.Discard,
		Now: time.Now}
	d := &demo.Demo{World: w, Sim: sim, Dir: t.TempDir()}
	t.Cleanup(func() { sim.Close() })
	if err := d.Prepare(speed, ""); err != nil {
		t.Fatal(err)
	}
	writeLessons(t, d.Dir, sim)
	plan := filepath.Join(d.Dir, x.plan+".yaml")
	edit(t, plan, func(text string) string {
		lines := strings.Split(text, "\n")
		for i, l := range lines {
			switch {
			case strings.Contains(l, "{from: 150 kHz"):
				lines[i] = "  - " + x.grid
			case x.dwell != "" && strings.HasPrefix(l, "dwell:"):
				lines[i] = "dwell: " + x.dwell
			}
		}
		return strings.Join(lines, "\n")
	})
	edit(t, filepath.Join(d.Dir, "bench.yaml"), func(text string) string {
		head, rest, _ := strings.Cut(text, "monitors:\n")
		all, rest, _ := strings.Cut(rest, "interlock:")
		head += "monitors:\n"
		for _, monitor := range x.monitors {
			_, kept, found := strings.Cut(all, "  - id: "+monitor+"\n")
			if !found {
				t.Fatalf("the bench has no monitor %s", monitor)
			}
			kept, _, _ = strings.Cut(kept, "  - id: ")
			if x.before != nil {
				kept = strings.Replace(kept, sim.CameraURL(), x.before(sim.CameraURL()), 1)
			}
			head += "  - id: " + monitor + "\n" + strings.TrimRight(kept, "\n") + "\n"
		}
		return head + "interlock:" + rest +
			fmt.Sprintf("power_relay: {id: K1, address: %q, table: relay, off_for: 100 ms, starts_in: 50 ms, "+
				"cycles: 500}\n", sim.Address("interlock"))
	})
	job := filepath.Join(d.Dir, "job.provoke")
	began := time.Now()
	if res, err := session.Perform(w, session.Order{PlanFile: plan, JobFile: job, Armed: true}); err != nil {
		t.Fatalf("%v: %v", res.Verdict, err)
	}
	t.Logf("figure: by %v: the run took %v", x.monitors, time.Since(began).Round(100*time.Millisecond))
	j, err := store.Open(job)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { j.Close() })
	r, err := result.All(j.Records(1, 1))
	if err != nil {
		t.Fatal(err)
	}
	return r, j
}

func edit(t testing.TB, file string, how func(string) string) {
	t.Helper()
	data, err := os.ReadFile(file)
	if err == nil {
		err = os.WriteFile(file, []byte(how(string(data))), 0o644)
	}
	if err != nil {
		t.Fatal(err)
	}
}

func TestCameraAndMicrophoneFindWhatTheTextOutputFinds(t *testing.T) {
	grid := "{from: 2.5 MHz, to: 2.6 MHz, step: 20 %}"
	if *long {
		grid = "{from: 300 kHz, to: 60 MHz, step: 10 %}"
	}
	runs := map[string]*result.Run{"SHOWN": {}, "CAM1": {}, "MIC1": {}}
	t.Run("runs", func(t *testing.T) { // beside each other
		for monitor, r := range runs {
			t.Run(monitor, func(t *testing.T) {
				t.Parallel()
				var job *store.Job
				*r, job = watched(t, grid, monitor, nil)
				if monitor == "CAM1" {
					showsItsUpsets(t, *r, job)
				}
			})
		}
	})
	a := analysis.Of(*runs["SHOWN"], nil)
	for _, monitor := range []string{"CAM1", "MIC1"} {
		b := analysis.Of(*runs[monitor], nil)
		if len(a.Bands) == 0 || len(a.Bands) != len(b.Bands) {
			t.Fatalf("%d bands by the text output, %d by %s", len(a.Bands), len(b.Bands), monitor)
		}
		for i, x := range a.Bands {
			y := b.Bands[i]
			t.Logf("figure: band %d: %v to %v, onset %v by text; %v to %v, onset %v by %s", i+1, x.Low.Frequency,
				x.High.Frequency, x.Lowest.Onset, y.Low.Frequency, y.High.Frequency, y.Lowest.Onset, monitor)
			if !overlaps(x, y) {
				t.Errorf("band %d by %s lies elsewhere", i+1, monitor)
			}
			if off, _ := x.Lowest.Onset.Minus(y.Lowest.Onset); off > 1 || off < -1 {
				t.Errorf("band %d: onset %v by the text output, %v by %s", i+1, x.Lowest.Onset, y.Lowest.Onset, monitor)
			}
		}
	}
}

// showsItsUpsets checks that the job holds what the camera saw of each upset.
func showsItsUpsets(t *testing.T, r result.Run, job *store.Job) {
	t.Helper()
	shown, raw := 0, 0
	for _, x := range r.Attachments {
		if !strings.HasPrefix(x.Name, "CAM1-upset-") {
			continue
		}
		_, data, err := job.Attachment(x.SHA256)
		if err != nil {
			t.Fatal(err)
		}
		m, err := jpeg.DecodeConfig(bytes.NewReader(data))
		if err != nil {
			t.Fatalf("%s: %v", x.Name, err)
		}
		if x.Raw {
			raw++
			continue
		}
		if shown++; m.Width < 3*320 || !strings.Contains(x.Caption, " before, 0 s after and ") {
			t.Errorf("%s is %d pixels wide: %s", x.Name, m.Width, x.Caption)
		}
	}
	if shown != r.Upsets || raw < 3*shown || raw > 12*shown {
		t.Errorf("%d upsets, %d of them with a picture that shows before, during and after, %d kept as they came",
			r.Upsets, shown, raw)
	}
}

func overlaps(a, b analysis.Band) bool {
	return a.Low.Frequency <= b.High.Frequency && b.Low.Frequency <= a.High.Frequency
}

// What troubles a camera is no upset, with the product well all the time; a hand hides it and nothing more.
func TestNothingThatTroublesACameraIsAnUpset(t *testing.T) {
	t.Parallel()
	troubles := []string{"hand"}
	if *long {
		troubles = simbench.CameraTroubles
	}
	for _, trouble := range troubles {
		t.Run(trouble, func(t *testing.T) {
			t.Parallel()
			_, file := cameraBench(t, simbench.CameraView{Rate: 12, Trouble: []string{trouble}})
			b, _, err := session.LoadBench(file)
			if err != nil {
				t.Fatal(err)
			}
			spec := *session.CameraOf(b, "CAM1")
			m, err := dut.New(spec, dut.Options{})
			if err != nil {
				t.Fatal(err)
			}
			defer m.Close()
			judge := dut.Judge{Monitor: spec, Baseline: 12.34, HasBaseline: true}
			var looks, hidden, unread atomic.Int64
			if err := m.Start(t.Context(), func(s dut.Sample) {
				switch why, bad := judge.Bad(s); {
				case bad:
					t.Errorf("%s", why)
				case s.Blind && !strings.Contains(s.Missed, "learnt"):
					hidden.Add(1)
				case s.Missed != "" && !s.Blind:
					unread.Add(1)
				case s.HasValue:
					looks.Add(1)
				}
			}); err != nil {
				t.Fatal(err)
			}
			time.Sleep(9 * time.Second)
			t.Logf("figure: %s: %d looks, %d hidden, %d not read", trouble, looks.Load(), hidden.Load(), unread.Load())
			if looks.Load() < 20 || hidden.Load() == 0 && trouble == "hand" || hidden.Load() > looks.Load() {
				t.Errorf("%d looks, %d hidden, %d not read", looks.Load(), hidden.Load(), unread.Load())
			}
		})
	}
}

// A camera that is pulled out in the middle of a run holds it with RF off, and the step is asked again.
func TestACameraThatIsUnpluggedCostsTimeAndNothingElse(t *testing.T) {
	t.Parallel()
	var pulled atomic.Bool
	var pull sync.Once
	r, job := watched(t, "{from: 2.5 MHz, to: 2.6 MHz, step: 20 %}", "CAM1", func(camera string) string {
		s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			if pulled.Load() {
				w.WriteHeader(http.StatusServiceUnavailable)
				return
			}
			asked, err := http.NewRequestWithContext(r.Context(), http.MethodGet, camera+r.URL.Path, nil)
			if err != nil {
				return
			}
			answer, err := http.DefaultClient.Do(asked)
			if err != nil {
				return
			}
			defer answer.Body.Close()
			w.Header().Set("Content-Type", answer.Header.Get("Content-Type"))
			pull.Do(func() {
				time.AfterFunc(4*time.Second, func() {
					pulled.Store(true)
					answer.Body.Close()
					time.AfterFunc(3*time.Second, func() { pulled.Store(false) })
				})
			})
			buf := make([]byte, 4096)
			for err == nil {
				var n int
				n, err = answer.Body.Read(buf)
				w.Write(buf[:n])
				w.(http.Flusher).Flush()
			}
		}))
		t.Cleanup(func() { s.CloseClientConnections(); s.Close() })
		return s.URL
	})
	var why []string
	for record, err := range job.Records(1, 1) {
		if err != nil {
			t.Fatal(err)
		}
		if h, ok := record.Event.(event.Hold); ok {
			why = append(why, h.Why)
		}
	}
	if !pulled.CompareAndSwap(false, true) || len(why) != 1 || !strings.Contains(why[0],
		"CAM1 has not seen the product") {
		t.Errorf("held for %q", why)
	}
	if !strings.HasPrefix(string(r.Verdict), "done") || len(analysis.Of(r, nil).Bands) != 1 {
		t.Errorf("%v with %d bands", r.Verdict, len(analysis.Of(r, nil).Bands))
	}
}

// A run without RF has no upset, whatever watches.
func TestAllMonitorsAreQuietWhereNothingHappens(t *testing.T) {
	t.Parallel()
	x := trial{plan: "baseline", grid: "{from: 150 kHz, to: 79 MHz, step: 20 %}", dwell: "150 ms",
		monitors: []string{"SHOWN", "CAM1", "MIC1"}}
	if *long {
		x.grid, x.dwell = "{from: 150 kHz, to: 79 MHz, step: 1.3 %}", "1 s"
	}
	r, job := x.run(t)
	for _, s := range r.Steps {
		if s.Outcome.Upset {
			t.Errorf("at %v: %s", s.At.Format(time.TimeOnly), s.Note)
		}
	}
	for record, err := range job.Records(1, 1) {
		if err != nil {
			t.Fatal(err)
		}
		if h, ok := record.Event.(event.Hold); ok {
			t.Errorf("at %v: held: %s", record.At.Format(time.TimeOnly), h.Why)
		}
	}
	t.Logf("figure: %d upsets in %d dwells of %s without RF", r.Upsets, len(r.Steps), x.dwell)
	if r.Upsets > 0 || len(r.Holds) > 0 || len(r.Steps) < 30 {
		t.Errorf("%d upsets and %d holds in %d dwells without RF", r.Upsets, len(r.Holds), len(r.Steps))
	}
}

// What a point takes longer that a camera or a microphone watches besides the text output.
func BenchmarkAPointThatIsWatched(b *testing.B) {
	for _, more := range []string{"", "CAM1", "MIC1"} {
		monitors := []string{"SHOWN"}
		if more != "" {
			monitors = append(monitors, more)
		}
		b.Run(strings.Join(monitors, "+"), func(b *testing.B) {
			took, points := 0.0, 0
			for b.Loop() {
				r, _ := trial{plan: "exposure", grid: "{from: 300 kHz, to: 800 kHz, step: 2 %}", monitors: monitors,
					steady: true}.run(b)
				n := len(r.Steps) - 1
				took += r.Steps[n].At.Sub(r.Steps[0].At).Seconds()
				points += n
			}
			b.ReportMetric(1e3*took/float64(points), "ms/point")
			b.ReportMetric(0, "ns/op")
		})
	}
}
