package session_test

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"provoke/internal/bench/simbench"
	"provoke/internal/faces/demo"
	"provoke/internal/job/result"
	"provoke/internal/run/watcher"
	"provoke/internal/terminal"
)

// TestMain lets this test binary be the second process of a run.
func TestMain(m *testing.M) {
	if len(os.Args) > 1 && os.Args[1] == "watch" {
		if watcher.Serve(watcher.Deaf(context.Background()), os.Stdin, os.Stdout, time.Now) != nil {
			os.Exit(terminal.ExitError)
		}
		os.Exit(terminal.ExitDone)
	}
	os.Exit(m.Run())
}

// lab is the simulated bench with the files of the demo, of which the exposure is made shorter.
type lab struct {
	w   *terminal.World
	sim *simbench.Bench
	dir string
}

func newLab(t *testing.T) *lab {
	t.Helper()
	w := &terminal.World{Ctx: t.Context(), Stdin: strings.NewReader(""), Stdout: io.Discard, Stderr: io.Discard,
		Now: time.Now}
	const speed = 40
	d := &demo.Demo{World: w, Sim: simbench.New(simbench.Config{Seed: 1, Speed: speed, Steady: true}), Dir: t.TempDir()}
	t.Cleanup(func() { d.Sim.Close() })
	if err := d.Prepare(speed, ""); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(d.Dir, "exposure.yaml")
	data, err := os.ReadFile(file)
	if err == nil {
		shorter := strings.NewReplacer("step: 5 %", "step: 10 %", "from: 150 kHz, to: 79 MHz",
			"from: 20 MHz, to: 60 MHz")
		err = os.WriteFile(file, []byte(shorter.Replace(string(data))), 0o644)
	}
	if err != nil {
		t.Fatal(err)
	}
	return &lab{w: w, sim: d.Sim, dir: d.Dir}
}

// found is what a run found, without what differs from one to the next.
func found(r *result.Run) string {
	var b strings.Builder
	for _, s := range r.Steps {
		fmt.Fprintf(&b, "%v %v %v upset %t\n", s.Step.Point.Frequency, s.Step.Purpose, s.Step.Offset, s.Outcome.Upset)
	}
	return b.String()
}
