package session_test

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"provoke/internal/bench/dut"
	"provoke/internal/bench/simbench"
	"provoke/internal/files/catalog"
	"provoke/internal/run/session"
	"provoke/internal/terminal"
)

// A camera that is set up is read as its regions were taught, is on while somebody asks for its picture, and goes off
// by itself then.
func TestACameraThatIsSetUpIsOnOnlyWhileItIsLookedAt(t *testing.T) {
	t.Parallel()
	sim, file := cameraBench(t, simbench.CameraView{Rate: 25})
	b, _, err := session.LoadBench(file)
	if err != nil {
		t.Fatal(err)
	}
	m := *session.CameraOf(b, "CAM1")
	w := &terminal.World{Ctx: t.Context(), Stdout: io.Discard, Stderr: io.Discard, Now: time.Now}
	d := session.NewDesk(w, filepath.Dir(file), filepath.Join(filepath.Dir(file), "job.provoke"))
	look := func(as string, m catalog.Monitor, enough func(dut.Shot) bool) (last error) {
		for end := time.Now().Add(15 * time.Second); time.Now().Before(end); time.Sleep(100 * time.Millisecond) {
			var shot dut.Shot
			if shot, last = d.See(as, m); last == nil && enough(shot) {
				return nil
			}
		}
		return errors.Join(errors.New("not within 15 s"), last)
	}
	if err := look("taught", m, func(s dut.Shot) bool {
		return len(s.Seen) == 3 && strings.HasPrefix(s.Seen[0].Text, "12.3")
	}); err != nil {
		t.Error("taught:", err)
	}
	untaught := m
	untaught.Regions = nil
	if err := look("without regions", untaught, func(s dut.Shot) bool {
		return len(s.Seen) == 0 && len(s.JPEG) > 1000
	}); err != nil {
		t.Error("without regions:", err)
	}
	if n := sim.CameraLookers(); n != 1 {
		t.Errorf("%d connections to the camera while one is set up", n)
	}
	gone := time.Now()
	for sim.CameraLookers() > 0 && time.Since(gone) < 10*time.Second {
		time.Sleep(50 * time.Millisecond)
	}
	if n := sim.CameraLookers(); n > 0 {
		t.Errorf("%d connections to the camera when nobody has looked for %v", n, time.Since(gone))
	}
	t.Logf("figure: a camera that was set up went off %v after the page was left",
		time.Since(gone).Round(100*time.Millisecond))
	m.URL = "http://127.0.0.1:1/stream"
	told := ""
	for end := time.Now().Add(5 * time.Second); !strings.Contains(told, "reach the camera") &&
		time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
		if _, err := d.See("nobody there", m); err == nil {
			t.Fatal("a camera that is not there gives a picture")
		} else if told = err.Error(); told == "" {
			t.Error("a camera that is not there is told without a word")
		}
	}
	if !strings.Contains(told, "reach the camera") {
		t.Errorf("a camera that is not there: %s", told)
	}
}

// At a terminal nobody sends the pictures of a browser: the run is refused before it is armed.
func TestARunByTheBrowsersCameraIsRefusedWhereNoPageIsServed(t *testing.T) {
	_, file := cameraBench(t, simbench.CameraView{Rate: 12})
	dir := filepath.Dir(file)
	edit(t, file, func(text string) string {
		for l := range strings.Lines(text) {
			if strings.HasPrefix(strings.TrimSpace(l), "url: ") {
				text = strings.Replace(text, l, "    url: browser\n", 1)
			}
		}
		return text
	})
	if err := os.WriteFile(filepath.Join(dir, "plan.yaml"), []byte("provoke: plan 1\nname: no RF\nbench: bench.yaml\n"+
		"kind: baseline\nlevel: iec-61000-4-6/level-2\ngrid:\n  - {from: 1 MHz, to: 2 MHz, step: 50 %}\ndwell: 1 s\n"),
		0o644); err != nil {
		t.Fatal(err)
	}
	w := &terminal.World{Ctx: t.Context(), Stdin: strings.NewReader(""), Stdout: io.Discard, Stderr: io.Discard,
		Now: time.Now}
	_, err := session.Perform(w, session.Order{PlanFile: filepath.Join(dir, "plan.yaml"),
		JobFile: filepath.Join(dir, "job.provoke"), Armed: true})
	if !errors.Is(err, dut.ErrNoPage) {
		t.Errorf("%v", err)
	}
	if _, err := os.Stat(filepath.Join(dir, "job.provoke")); err == nil {
		t.Error("a job was left")
	}
}
