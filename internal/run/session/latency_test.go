package session_test

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"provoke/internal/bench/simbench"
	"provoke/internal/run/session"
	"provoke/internal/terminal"
)

// cameraBench is a simulated bench with a camera, and its file with a relay that feeds the product.
func cameraBench(t *testing.T, v simbench.CameraView) (*simbench.Bench, string) {
	t.Helper()
	sim := simbench.New(simbench.Config{Seed: 1, Speed: 10, Camera: &v})
	t.Cleanup(func() { sim.Close() })
	if err := sim.Listen("127.0.0.1:0"); err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	writeLessons(t, dir, sim)
	file := filepath.Join(dir, "bench.yaml")
	if err := os.WriteFile(file, fmt.Appendf(sim.BenchFile(), "power_relay: {id: K1, address: %q, table: relay, "+
		"off_for: 100 ms, starts_in: 50 ms, cycles: 500}\n", sim.Address("interlock")), 0o644); err != nil {
		t.Fatal(err)
	}
	return sim, file
}

func writeLessons(t *testing.T, dir string, sim *simbench.Bench) {
	t.Helper()
	for _, l := range sim.CameraLessons() {
		file := filepath.Join(dir, l.File)
		if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, l.Picture, 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

// tried is what trying the camera prints.
func tried(t *testing.T, file string, latency bool) string {
	t.Helper()
	b, list, err := session.LoadBench(file)
	if err != nil {
		t.Fatal(err, list)
	}
	var out bytes.Buffer
	w := &terminal.World{Ctx: t.Context(), Stdin: strings.NewReader(""), Stdout: &out, Stderr: &out, Now: time.Now}
	if err := session.TryCamera(w, b, *session.CameraOf(b, "cam1"), latency, ""); err != nil {
		t.Fatalf("%v\n%s", err, out.String())
	}
	return out.String()
}

func TestAKnownDelayIsFoundWithinOnePicture(t *testing.T) {
	t.Parallel()
	const delay, rate = 230 * time.Millisecond, 20.0
	_, file := cameraBench(t, simbench.CameraView{Rate: rate, Delay: delay})
	text := tried(t, file, true)
	found := regexp.MustCompile(`latency: (\d+) ms ± (\d+) ms`).FindStringSubmatch(text)
	if found == nil {
		t.Fatal(text)
	}
	got, _ := time.ParseDuration(found[1] + "ms")
	t.Logf("figure: delay %v at %g pictures a second: %s", delay, rate, found[0])
	if off := got - delay; off.Abs() > time.Duration(float64(time.Second)/rate) {
		t.Errorf("a delay of %v was found as %v", delay, got)
	}
}

func TestTryingACameraTellsWhatEachRegionReadsAndThatItIsOn(t *testing.T) {
	t.Parallel()
	sim, file := cameraBench(t, simbench.CameraView{Rate: 25})
	text := tried(t, file, false)
	for _, want := range []string{"camera CAM1 is on: pictures from " + sim.CameraURL() + "/stream", "12.3",
		"error lamp",
		"off", "320 × 192", "camera CAM1 is off"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is missing:\n%s", want, text)
		}
	}
}
