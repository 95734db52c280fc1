package session

import (
	"fmt"
	"strings"

	"provoke/internal/bench/claim"
	"provoke/internal/bench/driver"
	"provoke/internal/files/catalog"
	"provoke/internal/run/watcher"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

// OffByHand asks for a source to be switched off that no program can reach, and then silences what
// has a remote interface.
func OffByHand(w *terminal.World, b *catalog.Bench, at rf.Frequency) error {
	err := driver.NewHandSource(b.Source, atTerminal{w}).OutputOff(w.Ctx)
	if b.Amplifier != nil && b.Amplifier.Present() || b.Analyser != nil && b.Analyser.Present() {
		rep, _ := SilenceBench(w.Ctx, b, watcher.Silencing{At: at, Why: "the off command"}, claim.Silences, func(words string) { fmt.Fprintln(w.Stdout, words) })
		for _, s := range rep.Steps {
			if !strings.HasPrefix(s.What, "source ") && !strings.HasPrefix(s.What, "operator ") {
				fmt.Fprintf(w.Stdout, "%s: %s\n", s.What, s.Result)
			}
		}
	}
	if err != nil {
		return terminal.WithCode(terminal.ExitRFUnknown, fmt.Errorf("RF not known to be off: %w", err))
	}
	fmt.Fprintln(w.Stdout, "RF off by the operator's word")
	return nil
}
