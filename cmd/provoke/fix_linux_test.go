package main

import (
	"fmt"
	"io"
	"os"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"provoke/internal/bench/simbench"
	"provoke/internal/job/event"
	"provoke/internal/job/result"
	"provoke/internal/job/store"
	"provoke/internal/terminal"
)

// keyboardOf opens a pseudo terminal: what is typed into keyboard is read from line.
func keyboardOf(t *testing.T) (keyboard, line *os.File) {
	t.Helper()
	keyboard, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Skip("no pseudo terminals here:", err)
	}
	t.Cleanup(func() { keyboard.Close() })
	number, err := unix.IoctlGetInt(int(keyboard.Fd()), unix.TIOCGPTN)
	if err == nil {
		err = unix.IoctlSetPointerInt(int(keyboard.Fd()), unix.TIOCSPTLCK, 0)
	}
	if err == nil {
		err = unix.IoctlSetWinsize(int(keyboard.Fd()), unix.TIOCSWINSZ, &unix.Winsize{Row: 40, Col: 150})
	}
	if err != nil {
		t.Fatal(err)
	}
	line, err = os.OpenFile(fmt.Sprintf("/dev/pts/%d", number), os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { line.Close() })
	return keyboard, line
}

// shownAt gathers what a program shows on the terminal of a keyboard.
func shownAt(keyboard *os.File) *watchedOutput {
	shown := &watchedOutput{}
	go io.Copy(shown, keyboard)
	return shown
}

// At a terminal by single keys: no tap and no foot switch goes on, a key that is held for a second does, and any key
// ends the countdown.
func TestTheFixingLoopByKeys(t *testing.T) {
	t.Parallel()
	b := newWorkbench(t, simbench.Config{Seed: 2, Speed: 60})
	b.plan("plan.yaml", 1e6, 60e6, "6 %", exposureLines)
	keyboard, line := keyboardOf(t)
	shown := shownAt(keyboard)
	ended := make(chan int, 1)
	go func() {
		w := &terminal.World{Ctx: t.Context(), Stdin: line, Stdout: terminal.Screen{File: line},
			Stderr: terminal.Screen{File: line}, Terminal: true, Now: time.Now}
		ended <- run(w, []string{"fix", b.path("plan.yaml"), "--job", b.path("j.provoke"), "--arm", "--at", "3.82MHz",
			"--hands-in-key", "F9"})
	}()
	press := func(keys string) {
		if _, err := keyboard.WriteString(keys); err != nil {
			t.Fatal(err)
		}
	}
	hold := func(key string) {
		press(key)
		time.Sleep(400 * time.Millisecond)
		for range 24 {
			press(key)
			time.Sleep(30 * time.Millisecond)
		}
	}
	const in, counts = "Hands in: RF off, read back", "RF comes on after the countdown"
	shown.waits(t, "hands in ·", 1)
	press("\x1b[20~") // F9, the foot switch
	shown.waits(t, in, 1)
	dark := time.Now()
	press("\x1b[20~\x1b[20~\r ") // no foot switch, no Enter and no space goes on
	press("g")
	time.Sleep(time.Second)
	press("g")
	time.Sleep(500 * time.Millisecond)
	if strings.Contains(shown.String(), counts) {
		t.Error("two taps begin the countdown")
	}
	press("c")
	time.Sleep(100 * time.Millisecond)
	press("wire moved\r")
	hold("g")
	shown.waits(t, counts, 1)
	press("x")
	shown.waits(t, in, 2)
	if b.sim.RFOnBetween(dark, time.Now()) {
		t.Error("RF was on while hands were in")
	}
	hold("g")
	shown.waits(t, "in place: wire moved", 1)
	press("b")
	shown.waits(t, "BY HAND", 1)
	press("\x1b[B\x1b[B") // down twice
	time.Sleep(500 * time.Millisecond)
	press("q")
	select {
	case code := <-ended:
		if code != terminal.ExitDone {
			t.Fatalf("code %d\n%s", code, shown.String())
		}
	case <-time.After(30 * time.Second):
		t.Fatalf("it does not end:\n%s", shown.String())
	}
	job, err := store.OpenReadOnly(b.path("j.provoke"))
	if err != nil {
		t.Fatal(err)
	}
	defer job.Close()
	r, err := result.All(job.Records(1, 1))
	if err != nil {
		t.Fatal(err)
	}
	var hands []string
	for _, rec := range r.Fixing {
		switch e := rec.Event.(type) {
		case event.HandsIn:
			hands = append(hands, "in by "+e.By)
		case event.HandsOut:
			hands = append(hands, "out by "+e.By+", "+e.Did())
		}
	}
	if got := strings.Join(hands, "; "); got != "in by foot switch; out by key, wire moved put in" {
		t.Errorf("the journal has %q", got)
	}
}
