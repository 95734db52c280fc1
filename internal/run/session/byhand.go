package session

import (
	"context"
	"fmt"
	"io"
	"strings"

	"provoke/internal/bench/driver"
	"provoke/internal/bench/dut"
	"provoke/internal/files/catalog"
	"provoke/internal/run/engine"
	"provoke/internal/terminal"
)

// deskFor returns where a person is asked, for a bench on which something is set or read by hand; nil
// for any other.
func deskFor(b *catalog.Bench) *engine.Desk {
	hand := b.Source.ByHand || b.Amplifier != nil && b.Amplifier.ByHand || b.Analyser != nil && b.Analyser.ByHand ||
		b.PowerMeter != nil && b.PowerMeter.ByHand
	for _, m := range b.Monitors {
		hand = hand || m.ByHand
	}
	if !hand {
		return nil
	}
	return engine.NewDesk()
}

// resetterOf returns what power-cycles the product; nil where nothing can.
func resetterOf(b *catalog.Bench, rig *driver.Rig, w *terminal.World) engine.Resetter {
	if b.PowerRelay == nil || rig.PowerRelay == nil {
		return nil
	}
	return &dut.PowerCycle{Relay: *b.PowerRelay, Output: rig.PowerRelay, Told: func(cycle, of int) {
		fmt.Fprintf(w.Stderr, "\nthe product is power-cycled by relay %s, %d of at most %d times\n", b.PowerRelay.ID,
			cycle, of)
	}}
}

// ask shows a prompt in large words, once.
func (l *statusLine) ask(s engine.Status) {
	if s.CannotSwitchOff != "" && !l.warned {
		l.warned = true
		fmt.Fprintf(l.w, "\n*** %s ***\n\n", strings.ToUpper(s.CannotSwitchOff))
	}
	if s.Prompt == nil || s.Prompt.Number == l.prompted {
		return
	}
	l.prompted = s.Prompt.Number
	printPrompt(l.w, s.Prompt.Prompt)
}

// printPrompt prints what a person is asked.
func printPrompt(w io.Writer, p driver.Prompt) {
	bar := strings.Repeat("=", max(24, len([]rune(p.Title))+6))
	fmt.Fprintf(w, "\n%s\n   %s\n%s\n   %s\n", bar, p.Title, bar, p.Instrument)
	for i, line := range p.Lines {
		fmt.Fprintf(w, "   %d. %s\n", i+1, line)
	}
	if p.Doubt != "" {
		fmt.Fprintf(w, "   !! %s\n", p.Doubt)
	}
	fmt.Fprintf(w, "   answer: %s\n> ", p.Wants)
}

// atTerminal asks the person at the terminal, without a run.
type atTerminal struct{ w *terminal.World }

// Ask prints the prompt and takes the next line.
func (a atTerminal) Ask(ctx context.Context, p driver.Prompt) (string, error) {
	printPrompt(a.w.Stderr, p)
	line, ok := a.w.Line(ctx)
	if !ok {
		if cause := context.Cause(ctx); cause != nil {
			return "", cause
		}
		return "", engine.ErrNobody
	}
	return strings.TrimSpace(line), nil
}
