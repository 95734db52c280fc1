package main

import (
	"context"
	"fmt"
	"io"
	"strings"
	"testing"
	"time"

	"provoke/internal/bench/simbench"
	"provoke/internal/run/engine"
	"provoke/internal/terminal"
)

func TestRFOffOnThePageDoesNotRelyOnARunThatListens(t *testing.T) {
	b := newWorkbench(t, simbench.Config{Seed: 1})
	for face, message := range map[string]string{"amplifier": "OUTP 1;:OUTP?", "source": "FREQ 5E6;:VOLT 0.01;:OUTP 1;:OUTP?"} {
		c, err := b.sim.Dial(t.Context(), face)
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprintln(c, message)
		c.Read(make([]byte, 64))
		c.Close()
	}
	if !b.sim.State().On {
		t.Fatal("RF is not on")
	}
	d := newDesk(&terminal.World{Ctx: t.Context(), Stdin: strings.NewReader(""), Stdout: io.Discard, Stderr: io.Discard, Now: time.Now}, b.dir, b.path("j.provoke"))
	d.operator = make(chan engine.Command) // nobody reads it
	words, err := d.Off(context.Background(), "the test")
	if b.sim.State().On {
		t.Error("RF is on")
	}
	if err == nil || !strings.Contains(err.Error(), "takes no wishes") || !strings.Contains(strings.Join(words, " "), "RF ") {
		t.Errorf("%q: %v", words, err)
	}
}
