package main

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"provoke/internal/bench/simbench"
	"provoke/internal/job/fixing"
	"provoke/internal/job/result"
	"provoke/internal/job/store"
	"provoke/internal/terminal"
)

// watchedOutput is what a command prints, and tells when a text has appeared so many times.
type watchedOutput struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (o *watchedOutput) Write(p []byte) (int, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.text.Write(p)
}

func (o *watchedOutput) String() string {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.text.String()
}

// waits until a text has been printed n times.
func (o *watchedOutput) waits(t *testing.T, text string, n int) {
	t.Helper()
	for end := time.Now().Add(60 * time.Second); strings.Count(o.String(), text) < n; time.Sleep(2 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("%q was not printed %d times:\n%s", text, n, o.String())
		}
	}
}

// fixes runs the fixing loop by lines; does types them. Each time hands are in it may change the product.
func (b *workbench) fixes(t *testing.T, does func(typed func(string), in func(int)), args ...string) (int, string) {
	t.Helper()
	lines, keyboard := io.Pipe()
	out := &watchedOutput{}
	w := &terminal.World{Ctx: t.Context(), Stdin: lines, Stdout: out, Stderr: out, Now: time.Now, Simulated: true}
	ended := make(chan int, 1)
	go func() {
		ended <- run(w, append([]string{"fix", b.path("plan.yaml"), "--job", b.path("j.provoke"), "--arm"}, args...))
		lines.Close()
	}()
	does(func(line string) { fmt.Fprintln(keyboard, line) },
		func(n int) { out.waits(t, "Hands in: RF off, read back", n) })
	keyboard.Close()
	select {
	case code := <-ended:
		return code, out.String()
	case <-time.After(60 * time.Second):
		t.Fatalf("the loop does not end:\n%s", out.String())
		return 0, ""
	}
}

// A part that helps here and hurts there, one that does nothing, and the first taken out again: what the loop says of
// each holds what the simulator knows, and a loop that was ended goes on with all its tries.
func TestTheFixingLoopSaysWhatEachPartDoes(t *testing.T) {
	t.Parallel()
	b := newWorkbench(t, simbench.Config{Seed: 2, Speed: 60})
	b.plan("plan.yaml", 1e6, 60e6, "6 %", exposureLines)
	b.must(terminal.ExitDone, "run", "plan.yaml", "--job", "j.provoke", "--arm")
	put := func(part string, on bool) {
		if err := b.sim.PutOn(part, on); err != nil {
			t.Fatal(err)
		}
	}
	code, out := b.fixes(t, func(typed func(string), in func(int)) {
		typed("wait")
		typed("in")
		in(1)
		put("ferrite", true)
		typed("out ferrite at the transmitter")
		typed("wait")
		typed("in")
		in(2)
		put("clip-on", true)
		typed("out ?")
		typed("wait")
		typed("end")
	})
	if code != terminal.ExitDone || !strings.Contains(out, "a try takes about") {
		t.Fatalf("code %d\n%s", code, out)
	}
	code, out = b.fixes(t, func(typed func(string), in func(int)) {
		typed("wait")
		typed("in")
		in(1)
		put("ferrite", false)
		typed("out -2") // of the changes told, the newest first
		typed("wait")
		typed("end")
	}, "--resume")
	if code != terminal.ExitDone || !strings.Contains(out, "ferrite at the transmitter taken out") ||
		!strings.Contains(out, "there is nothing to prove yet") || !strings.Contains(out, "j.provoke --run 3\n") {
		t.Fatalf("code %d\n%s", code, out)
	}
	if _, _, errs := b.do("run", "plan.yaml", "--job", "j.provoke", "--arm", "--resume"); !strings.Contains(errs,
		"run 1 is done: there is nothing to resume") {
		t.Errorf("a run is gone on with behind a loop: %s", errs)
	}
	job, err := store.OpenReadOnly(b.path("j.provoke"))
	if err != nil {
		t.Fatal(err)
	}
	defer job.Close()
	r, err := result.All(job.Records(3, 1))
	if err != nil {
		t.Fatal(err)
	}
	loop := fixing.Of(&r)
	if in := loop.In(); !slices.Equal(in, []string{"change 2"}) {
		t.Errorf("in place: %q", in)
	}
	parts := map[string]simbench.Part{}
	for _, p := range b.sim.Parts() {
		parts[p.Name] = p
	}
	for _, e := range loop.Effects() {
		name := map[string]string{"ferrite at the transmitter": "ferrite", "change 2": "clip-on"}[e.What]
		if name == "" {
			t.Errorf("%q was never tried", e.What)
			continue
		}
		for i, p := range e.Places {
			truth := parts[name].EffectDB(loop.Places[i].Point.Frequency.Hz())
			t.Logf("figure: %s at %v: %+.1f dB (%.1f to %.1f, open %v %v) from %d pairs; the simulator's %+.1f dB",
				e.What,
				loop.Places[i].Point.Frequency, p.Middle, p.Low, p.High, p.LowOpen, p.HighOpen, p.Pairs, truth)
			if p.Pairs == 0 || !p.LowOpen && p.Low-0.3 > truth || !p.HighOpen && p.High+0.3 < truth {
				t.Errorf("%s at %v: not what the simulator knows", e.What, loop.Places[i].Point.Frequency)
			}
			if math.Abs(truth) < 0.05 && p.Shown() {
				t.Errorf("%s does nothing at %v, and a difference is shown", e.What, loop.Places[i].Point.Frequency)
			}
		}
	}
}

func TestWhatAFixingLoopRefuses(t *testing.T) {
	b := newWorkbench(t, simbench.Config{Seed: 1})
	b.plan("plan.yaml", 5e6, 5.5e6, "4 %", exposureLines)
	for args, want := range map[string]string{
		"": "the job has no exposure that upset: name up to 8 frequencies to follow with " +
			"--at",
		"--of 3":                     "the job has no run 3",
		"--level 70dBuA":             "--level is the level of --hold",
		"--alone 2h":                 "RF goes off after 1 s to 1 h",
		"--hands-in-key g":           "has a meaning already",
		"--hands-in-key Wolke":       "Wolke",
		"--resume":                   "no such file",
		"--hold 5MHz --level 90dBuA": "above the level wanted, 80.0 dBµA",
		"--at 1MHz,2MHz,3MHz,4MHz,5MHz,6MHz,7MHz,8MHz,9MHz": "9 frequencies to follow are too many",
	} {
		code, out, errs := b.do(append([]string{"fix", "plan.yaml", "--job", "j.provoke", "--arm"},
			strings.Fields(args)...)...)
		if code == terminal.ExitDone || !strings.Contains(out+errs, want) {
			t.Errorf("fix %s: code %d, it does not say %q:\n%s%s", args, code, want, out, errs)
		}
	}
	b.must(terminal.ExitDone, "run", "plan.yaml", "--job", "j.provoke", "--arm")
	if _, _, errs := b.do("fix", "plan.yaml", "--job", "j.provoke", "--arm", "--resume"); !strings.Contains(errs,
		"run 1, is no fixing loop") {
		t.Error(errs)
	}
}
