package session

import (
	"fmt"
	"io"
	"sync"
	"time"

	"provoke/internal/run/engine"
	"provoke/internal/terminal"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// statusLine shows what a run is doing: on a terminal one line that is overwritten; elsewhere one plain line for
// each step that closed.
type statusLine struct {
	mu    sync.Mutex
	w     io.Writer
	block *terminal.Block
	label string
	last  string
	begun time.Time
	// interlock is what was told of its reaction.
	interlock string
	prompted  int  // number of the prompt that was shown last
	warned    bool // that provoke cannot switch this off
}

func newStatusLine(w *terminal.World, label string) *statusLine {
	return &statusLine{w: w.Stderr, block: terminal.NewBlock(w, 0), label: label, begun: time.Now()}
}

// show is the engine's Progress.
func (l *statusLine) show(s engine.Status) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.ask(s)
	if s.Interlock != "" && s.Interlock != l.interlock {
		l.interlock = s.Interlock
		fmt.Fprintln(l.w, s.Interlock)
	}
	if !l.block.Live() {
		if s.Last != "" && s.Last != l.last {
			l.last = s.Last
			fmt.Fprintf(l.w, "%s: %d of %d frequencies, %s\n", l.label, s.Done, s.Known, s.Last)
		}
		return
	}
	if s.Prompt != nil { // what somebody types stands on the line below the prompt
		return
	}
	light := "RF off"
	if s.RFOn {
		light = "RF ON "
	}
	left := ""
	if s.Done > 3 && s.Known > s.Done {
		each := time.Since(l.begun) / time.Duration(s.Done)
		left = ", about " + rf.Duration((each * time.Duration(s.Known-s.Done)).Round(time.Second)).String() + " left"
	}
	if limit := s.TimeLeft(time.Now()); limit != "" {
		left = ", " + limit
	}
	where := fmt.Sprintf("  %v  %v  %d/%d, %s", s.Frequency, s.Current, s.Done, s.Known,
		english.Count(s.Upsets, "exposure", "exposures")+" upset")
	phase := "  " + s.Phase
	text := ""
	for _, text = range []string{light + "  " + l.label + where + left + phase, light + where + left + phase,
		light + where + phase} {
		if l.block.Fits(text) {
			break
		}
	}
	l.block.Show(text)
}
