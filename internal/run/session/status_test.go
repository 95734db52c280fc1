package session

import (
	"bytes"
	"io"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"provoke/internal/bench/driver"
	"provoke/internal/run/engine"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

// What was measured of the interlock at arming is told once, above the line that is overwritten.
func TestTheInterlocksReactionIsToldOnceAtArming(t *testing.T) {
	const words = "interlock asked every 150 ms while RF is on, answers in 20 ms"
	for _, at := range []bool{false, true} {
		var out bytes.Buffer
		l := newStatusLine(&terminal.World{Terminal: at, Stderr: &terminal.Writer{To: columnsOf{&out, 120}}}, "run 1")
		l.show(engine.Status{Phase: "arming"})
		for range 3 {
			l.show(engine.Status{Phase: "first light", Interlock: words})
		}
		l.block.Close()
		if n := strings.Count(out.String(), words+"\n"); n != 1 {
			t.Errorf("terminal %v: told %d times: %q", at, n, out.String())
		}
	}
}

func TestTheStatusLineFitsTheTerminal(t *testing.T) {
	for _, columns := range []int{60, 80, 110, 160} {
		var out bytes.Buffer
		l := newStatusLine(&terminal.World{Terminal: true, Stderr: &terminal.Writer{To: columnsOf{&out, columns}}},
			"run 12")
		l.begun = time.Now().Add(-time.Hour)
		l.show(engine.Status{RFOn: true, Frequency: rf.Frequency(1943254), Done: 40, Known: 142, Upsets: 3,
			Phase: "RF off: waiting for the product to recover after an upset, the operator was asked to reset it " +
				"by hand"})
		line := strings.TrimSuffix(strings.TrimPrefix(out.String(), "\r"), "\x1b[J")
		if n := utf8.RuneCountInString(line); n >= columns {
			t.Errorf("%d columns: the line takes %d, and a terminal that is full goes on below: %q", columns, n, line)
		}
		if !strings.HasPrefix(line, "RF ON") || !strings.Contains(line, "40/142") ||
			!strings.Contains(line, "3 exposures upset") {
			t.Errorf("%d columns: what matters is missing in %q", columns, line)
		}
	}
}

func TestAPromptIsShownInLargeWordsOnce(t *testing.T) {
	var out bytes.Buffer
	l := newStatusLine(&terminal.World{Stderr: &out}, "run 1")
	s := engine.Status{CannotSwitchOff: "provoke cannot switch this off: use switch S1",
		Prompt: &engine.Prompt{Number: 7,
			Prompt: driver.Prompt{Instrument: "source GEN1", Title: "SET THE SOURCE",
				Lines: []string{"frequency 4.2 MHz", "level 1.234 Vpp (set for high-Z)"}, Wants: "done"}}}
	l.show(s)
	l.show(s)
	text := out.String()
	if strings.Count(text, "SET THE SOURCE") != 1 || strings.Count(text, "PROVOKE CANNOT SWITCH THIS OFF") != 1 ||
		!strings.Contains(text, "2. level 1.234 Vpp (set for high-Z)") {
		t.Errorf("shown:\n%s", text)
	}
}

// columnsOf is an output of a given width.
type columnsOf struct {
	io.Writer
	n int
}

func (o columnsOf) Columns() int { return o.n }

// How much of a plan's time is left stands in place of a guess.
func TestTheStatusLineSaysHowMuchOfTheTimeIsLeft(t *testing.T) {
	for until, want := range map[time.Duration]string{90 * time.Second: "1 min 30 s until the time is up",
		-time.Second: "time is up"} {
		var out bytes.Buffer
		l := newStatusLine(&terminal.World{Terminal: true, Stderr: &terminal.Writer{To: columnsOf{&out, 160}}},
			"run 12")
		l.begun = time.Now().Add(-time.Hour)
		l.show(engine.Status{RFOn: true, Done: 40, Known: 142, Until: time.Now().Add(until + 200*time.Millisecond)})
		if !strings.Contains(out.String(), want) || strings.Contains(out.String(), " left") {
			t.Errorf("%q", out.String())
		}
	}
}
