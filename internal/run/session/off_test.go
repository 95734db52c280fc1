package session

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"provoke/internal/bench/simbench"
	"provoke/internal/run/engine"
	"provoke/internal/terminal"
)

func TestRFOffOnThePageDoesNotRelyOnARunThatListens(t *testing.T) {
	sim := simbench.New(simbench.Config{Seed: 1})
	defer sim.Close()
	if err := sim.Listen("127.0.0.1:0"); err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "bench.yaml"), sim.BenchFile(), 0o644); err != nil {
		t.Fatal(err)
	}
	for face, message := range map[string]string{"amplifier": "OUTP 1;:OUTP?",
		"source": "FREQ 5E6;:VOLT 0.01;:OUTP 1;:OUTP?"} {
		c, err := sim.Dial(t.Context(), face)
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprintln(c, message)
		c.Read(make([]byte, 64))
		c.Close()
	}
	if !sim.State().On {
		t.Fatal("RF is not on")
	}
	d := NewDesk(&terminal.World{Ctx: t.Context(), Stdin: strings.NewReader(""), Stdout: io.Discard, Stderr: io.Discard,
		Now: time.Now}, dir, filepath.Join(dir, "j.provoke"))
	d.operator = make(chan engine.Command) // nobody reads it
	words, err := d.Off(context.Background(), "the test")
	if sim.State().On {
		t.Error("RF is on")
	}
	if err == nil || !strings.Contains(err.Error(), "takes no wishes") ||
		!strings.Contains(strings.Join(words, " "), "RF ") {
		t.Errorf("%q: %v", words, err)
	}
}

// Another job is opened between runs only, and what was checked for the job before is not begun in it.
func TestARunIsBegunInTheJobThatItWasCheckedFor(t *testing.T) {
	dir := t.TempDir()
	d := NewDesk(&terminal.World{Ctx: t.Context(), Stdin: strings.NewReader(""), Stdout: io.Discard, Stderr: io.Discard,
		Now: time.Now}, dir, filepath.Join(dir, "first.provoke"))
	pr, _ := d.Prepare(Request{PlanFile: filepath.Join(dir, "none.yaml")})
	d.state.Underway = true
	if err := d.Open(filepath.Join(dir, "second.provoke")); !errors.Is(err, ErrUnderway) {
		t.Errorf("opened during a run: %v", err)
	}
	if err := d.Idle(func() error { t.Error("done during a run"); return nil }); !errors.Is(err, ErrUnderway) {
		t.Errorf("done during a run: %v", err)
	}
	d.state.Underway = false
	if err := d.Open(filepath.Join(dir, "second.provoke")); err != nil {
		t.Fatal(err)
	}
	_, err := d.Start(pr, Wishes{})
	if err == nil || !strings.Contains(err.Error(), "checked for the job first.provoke") {
		t.Errorf("begun in another job: %v", err)
	}
	if d.State().Underway {
		t.Error("a run is underway")
	}
}
