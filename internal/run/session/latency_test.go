package session_test

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
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
	sim := simbench.New(simbench.Config{Seed: 1, Speed: 10, Camera: &v, Sound: &simbench.SoundView{Delay: v.Delay}})
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

func writeLessons(t testing.TB, dir string, sim *simbench.Bench) {
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

// tried is what trying the camera, or the microphone, prints.
func tried(t *testing.T, file string, sound, latency bool) string {
	t.Helper()
	b, list, err := session.LoadBench(file)
	if err != nil {
		t.Fatal(err, list)
	}
	var out bytes.Buffer
	w := &terminal.World{Ctx: t.Context(), Stdin: strings.NewReader(""), Stdout: &out, Stderr: &out, Now: time.Now}
	if sound {
		err = session.TryMicrophone(w, b, *session.MicrophoneOf(b, "mic1"), latency)
	} else {
		err = session.TryCamera(w, b, *session.CameraOf(b, "cam1"), latency, "")
	}
	if err != nil {
		t.Fatalf("%v\n%s", err, out.String())
	}
	return out.String()
}

// measured is the latency that trying a monitor tells, and its limit.
func measured(t *testing.T, text string) (latency, limit time.Duration) {
	t.Helper()
	found := regexp.MustCompile(`latency: (\d+) ms ± (\d+) ms`).FindStringSubmatch(text)
	if found == nil {
		t.Fatal(text)
	}
	for i, into := range []*time.Duration{&latency, &limit} {
		ms, err := strconv.Atoi(found[i+1])
		if err != nil {
			t.Fatal(err)
		}
		*into = time.Duration(ms) * time.Millisecond
	}
	return latency, limit
}

// The delays are no multiples of the time between two pictures: what waits for a picture must not decide.
func TestAKnownDelayIsFoundWithinOnePicture(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		delay time.Duration
		rate  float64
	}{{15 * time.Millisecond, 25}, {150 * time.Millisecond, 25}, {230 * time.Millisecond, 20},
		{230 * time.Millisecond, 10}, {410 * time.Millisecond, 60}} {
		t.Run(fmt.Sprintf("%v at %g", c.delay, c.rate), func(t *testing.T) {
			t.Parallel()
			_, file := cameraBench(t, simbench.CameraView{Rate: c.rate, Delay: c.delay})
			got, limit := measured(t, tried(t, file, false, true))
			off := got - c.delay
			t.Logf("figure: delay %v at %g pictures a second: %v ± %v, off by %v", c.delay, c.rate, got, limit, off)
			if off.Abs() > time.Duration(float64(time.Second)/c.rate) || off.Abs() > limit+time.Millisecond {
				t.Errorf("a delay of %v was found as %v ± %v", c.delay, got, limit)
			}
		})
	}
}

func TestTryingACameraTellsWhatEachRegionReadsAndThatItIsOn(t *testing.T) {
	t.Parallel()
	sim, file := cameraBench(t, simbench.CameraView{Rate: 25})
	text := tried(t, file, false, false)
	for _, want := range []string{"camera CAM1 is on: pictures from " + sim.CameraURL() + "/stream", "12.3",
		"error lamp",
		"off", "320 × 192", "camera CAM1 is off"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is missing:\n%s", want, text)
		}
	}
}

// What the weigher's motor sounds like stops with its supply, and is heard a piece of 10 ms after it was made.
func TestAKnownDelayOfASoundIsFound(t *testing.T) {
	t.Parallel()
	const delay = 170 * time.Millisecond
	sim, file := cameraBench(t, simbench.CameraView{Rate: 5, Delay: delay})
	got, limit := measured(t, tried(t, file, true, true))
	off := got - delay - 5*time.Millisecond
	t.Logf("figure: a sound %v late: %v ± %v", delay, got, limit)
	if off.Abs() > 25*time.Millisecond || limit > 50*time.Millisecond {
		t.Errorf("a delay of %v was found as %v ± %v", delay, got, limit)
	}
	text := tried(t, file, true, false)
	for _, want := range []string{"microphone MIC1 is on: sound from " + sim.SoundAddress(),
		"2.7 kHz to 3.1 kHz over 40 ms: -7", "at most -33.", "scatters by 1.5 dB", "microphone MIC1 is off"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is missing:\n%s", want, text)
		}
	}
}
