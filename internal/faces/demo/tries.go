package demo

import (
	"bytes"
	"fmt"
	"io"
	"sync"

	"provoke/internal/bench/simbench"
	"provoke/internal/run/engine"
	"provoke/internal/terminal"
)

// tries plays the person of the fixing loop: a part that does nothing is put on and taken off, then the one that helps.
func (d *Demo) tries(w *terminal.World) {
	in := &handsSeen{Writer: w.Stderr, seen: make(chan struct{}, 8)}
	lines, keyboard := io.Pipe()
	w.Stdin, w.Stderr, w.Simulated = lines, in, true
	hand := func(do func(), then string) {
		fmt.Fprintln(keyboard, "wait\nin")
		<-in.seen
		do()
		fmt.Fprintln(keyboard, "out "+then)
	}
	go func() {
		defer keyboard.Close()
		hand(func() { d.Sim.PutOn("clip-on", true) }, "clip-on ferrite")
		hand(func() { d.Sim.PutOn("clip-on", false) }, "-clip-on ferrite")
		hand(func() { d.Sim.SetBuild(simbench.Cured) }, "ferrite sleeve")
		fmt.Fprintln(keyboard, "wait\nend")
	}()
}

// handsSeen passes on what is printed and tells when hands may go in.
type handsSeen struct {
	io.Writer
	mu   sync.Mutex
	last []byte
	seen chan struct{}
}

var handsIn = []byte(engine.HandsInWords[1:])

func (h *handsSeen) Write(p []byte) (int, error) {
	h.mu.Lock()
	h.last = append(h.last, p...)
	if i := bytes.Index(h.last, handsIn); i >= 0 {
		h.last = append([]byte(nil), h.last[i+len(handsIn):]...)
		select {
		case h.seen <- struct{}{}:
		default:
		}
	}
	if over := len(h.last) - len(handsIn); over > 0 {
		h.last = append([]byte(nil), h.last[over:]...)
	}
	h.mu.Unlock()
	return h.Writer.Write(p)
}
