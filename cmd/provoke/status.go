package main

import (
	"fmt"
	"io"
	"strings"
	"sync"
	"time"
	"unicode/utf8"

	"provoke/internal/run/engine"
	"provoke/internal/terminal"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
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
	// interlock is what was told of its reaction.
	interlock string
	prompted  int  // number of the prompt that was shown last
	warned    bool // that provoke cannot switch this off
}

func newStatusLine(w *terminal.World, label string) *statusLine {
	return &statusLine{w: w.Stderr, terminal: w.Terminal, label: label, begun: time.Now()}
}

// show is the engine's Progress.
func (l *statusLine) show(s engine.Status) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.ask(s)
	if s.Interlock != "" && s.Interlock != l.interlock {
		l.interlock = s.Interlock
		l.wipe()
		fmt.Fprintln(l.w, s.Interlock)
	}
	if !l.terminal {
		if s.Last != "" && s.Last != l.last {
			l.last = s.Last
			fmt.Fprintf(l.w, "%s: %d of %d frequencies, %s\n", l.label, s.Done, s.Known, s.Last)
		}
		return
	}
	if s.Prompt != nil { // what somebody types stands on the line below the prompt
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
	head := fmt.Sprintf("%s  %s", light, l.label)
	where := fmt.Sprintf("  %v  %v  %d/%d, %s", s.Frequency, s.Current, s.Done, s.Known, english.Count(s.Upsets, "exposure", "exposures")+" upset")
	phase := "  " + s.Phase
	room := terminal.ColumnsOf(l.w) - 1 // a terminal that is written full to the end goes on below
	for _, text := range []string{head + where + left + phase, light + where + left + phase, light + where + phase} {
		if utf8.RuneCountInString(text) <= room {
			l.draw(text)
			return
		}
	}
	l.draw(light + where + phase)
}

// draw overwrites the line with a text, cut where the terminal ends.
func (l *statusLine) draw(text string) {
	if room := terminal.ColumnsOf(l.w) - 1; utf8.RuneCountInString(text) > room {
		text = string([]rune(text)[:room-1]) + "…"
	}
	n := utf8.RuneCountInString(text)
	pad := min(max(l.width-n, 0), max(terminal.ColumnsOf(l.w)-1-n, 0))
	terminal.Overwrite(l.w, text+strings.Repeat(" ", pad))
	l.width = n
}

// clear wipes the line before something else is printed.
func (l *statusLine) clear() {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.terminal && l.width > 0 {
		terminal.Overwrite(l.w, strings.Repeat(" ", min(l.width, terminal.ColumnsOf(l.w)-1)))
		terminal.Overwrite(l.w, "")
		l.width = 0
	}
}
