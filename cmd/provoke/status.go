package main

import (
	"fmt"
	"io"
	"strings"
	"sync"
	"time"

	"provoke/internal/engine"
	"provoke/internal/rf"
)

// statusLine shows what a run is doing: on a terminal one line that is overwritten, at most ten
// times a second; elsewhere one plain line for each step that closed.
type statusLine struct {
	mu       sync.Mutex
	w        io.Writer
	terminal bool
	label    string
	drawn    time.Time
	width    int
	last     string
	begun    time.Time
	prompted int  // number of the prompt that was shown last
	warned   bool // that provoke cannot switch this off
}

func newStatusLine(w *world, label string) *statusLine {
	return &statusLine{w: w.stderr, terminal: w.terminal, label: label, begun: time.Now()}
}

// show is the engine's Progress.
func (l *statusLine) show(s engine.Status) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.ask(s)
	if !l.terminal {
		if s.Last != "" && s.Last != l.last {
			l.last = s.Last
			fmt.Fprintf(l.w, "%s: %d of %d frequencies, %s\n", l.label, s.Done, s.Known, s.Last)
		}
		return
	}
	if time.Since(l.drawn) < 100*time.Millisecond && !strings.HasPrefix(s.Phase, "RF off:") {
		return
	}
	l.drawn = time.Now()
	light := "RF off"
	if s.RFOn {
		light = "RF ON "
	}
	left := ""
	if s.Done > 3 && s.Known > s.Done {
		each := time.Since(l.begun) / time.Duration(s.Done)
		left = ", about " + rf.Duration((each * time.Duration(s.Known-s.Done)).Round(time.Second)).String() + " left"
	}
	l.draw(fmt.Sprintf("%s  %s  %v  %v  %d/%d, %s%s  %s", light, l.label, s.Frequency, s.Current, s.Done, s.Known, count(s.Upsets, "upset", "upsets"), left, s.Phase))
}

func (l *statusLine) draw(text string) {
	if runes := []rune(text); len(runes) > 110 {
		text = string(runes[:110])
	}
	n := len([]rune(text))
	pad := max(l.width-n, 0)
	overwrite(l.w, text+strings.Repeat(" ", pad))
	l.width = n
}

// clear wipes the line before something else is printed.
func (l *statusLine) clear() {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.terminal && l.width > 0 {
		overwrite(l.w, strings.Repeat(" ", l.width))
		overwrite(l.w, "")
		l.width = 0
	}
}
