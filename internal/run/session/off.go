package session

import (
	"errors"
	"fmt"
	"strings"

	"provoke/internal/bench/claim"
	"provoke/internal/bench/driver"
	"provoke/internal/bench/guard"
	"provoke/internal/files/catalog"
	"provoke/internal/run/watcher"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

// Off silences the bench of a file, whoever has it, and reads back that it is silent; the probe looks for RF at a
// frequency, or in the middle of the source's band.
func Off(w *terminal.World, file string, at rf.Frequency) error {
	// A bench file with problems is still good enough to find the instruments in.
	b, _, loadErr := LoadBench(file)
	if b == nil {
		return loadErr
	}
	if b.Source.ByHand {
		return offByHand(w, b, at)
	}
	if !b.Source.Present() && (b.Amplifier == nil || !b.Amplifier.Present()) &&
		(b.Analyser == nil || !b.Analyser.Present()) {
		none := errors.New("RF not known to be off: the bench file names no address of a source, amplifier or analyser")
		return terminal.WithCode(terminal.ExitRFUnknown, errors.Join(none, loadErr))
	}
	rep, openErr := silenceBench(w.Ctx, b, watcher.Silencing{At: at, Why: "the off command"}, claim.Silences,
		func(words string) { fmt.Fprintln(w.Stdout, words) })
	for _, s := range guard.Together(rep.Steps) {
		fmt.Fprintf(w.Stdout, "%s: %s\n", s.What, s.Result)
	}
	if !rep.Quiet {
		if loadErr != nil {
			openErr = errors.Join(openErr, fmt.Errorf("the bench file has problems: %v", loadErr))
		}
		return rfUnknown(rep, openErr)
	}
	fmt.Fprintf(w.Stdout, "RF %s (%v)\n", rep.How, rf.Milliseconds(rep.Took))
	if b.Amplifier != nil && !b.Amplifier.Present() {
		fmt.Fprintf(w.Stdout, "the amplifier %s has no remote interface: switch it off by hand\n", b.Amplifier.ID)
	}
	return nil
}

// offByHand asks for a source to be switched off that no program can reach, and then silences what
// has a remote interface.
func offByHand(w *terminal.World, b *catalog.Bench, at rf.Frequency) error {
	err := driver.NewHandSource(b.Source, atTerminal{w}).OutputOff(w.Ctx)
	if b.Amplifier != nil && b.Amplifier.Present() || b.Analyser != nil && b.Analyser.Present() {
		rep, _ := silenceBench(w.Ctx, b, watcher.Silencing{At: at, Why: "the off command"}, claim.Silences,
			func(words string) { fmt.Fprintln(w.Stdout, words) })
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

// rfUnknown says why a bench could not be brought to off; what was met on opening is told where it does not stand there
// already. What to do stands in the alarm that goes before it.
func rfUnknown(rep guard.Report, opening error) error {
	all := []error{errors.New(rep.How)}
	if opening != nil {
		for l := range strings.Lines(opening.Error()) {
			if l = strings.TrimSuffix(l, "\n"); !strings.Contains(rep.How, l) {
				all = append(all, errors.New(l))
			}
		}
	}
	return terminal.WithCode(terminal.ExitRFUnknown, errors.Join(all...))
}
