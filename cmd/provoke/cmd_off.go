package main

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"provoke/internal/bench/claim"
	"provoke/internal/bench/driver"
	"provoke/internal/bench/guard"
	"provoke/internal/files/catalog"
	"provoke/internal/run/watcher"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

type offCommand struct {
	Bench string       `arg:"" help:"Bench file." type:"path"`
	At    rf.Frequency `help:"Frequency at which the probe looks for RF; the middle of the source's band otherwise." placeholder:"FREQ"`
}

// Help says what it does and what it cannot do.
func (c *offCommand) Help() string {
	return `Switches the source's output off, takes the amplifier to standby, sets the source to its minimum, reads that
back and, where the bench has an analyser, measures. Every step is tried whatever came of the one before. A run
that has the bench, on this computer and whoever started it, is tripped first; a watcher that an earlier run left
at it ends once RF is read back as off. A run on another computer is not seen from here.
Exit code 21 when it could not be confirmed that RF is off.`
}

func (c *offCommand) Run(w *terminal.World) error {
	// A bench file with problems is still good enough to find the instruments in.
	b, _, loadErr := loadBench(c.Bench)
	if b == nil {
		return loadErr
	}
	if b.Source.ByHand {
		return offByHand(w, b, c.At)
	}
	rep, openErr := silenceBench(w.Ctx, b, watcher.Silencing{At: c.At, Why: "the off command"}, claim.Silences, func(words string) { fmt.Fprintln(w.Stdout, words) })
	for _, s := range guard.Together(rep.Steps) {
		fmt.Fprintf(w.Stdout, "%s: %s\n", s.What, s.Result)
	}
	if !rep.Quiet {
		if loadErr != nil {
			openErr = errors.Join(openErr, fmt.Errorf("the bench file has problems: %v", loadErr))
		}
		return rfUnknown(rep, openErr)
	}
	fmt.Fprintf(w.Stdout, "RF %s (%v)\n", rep.How, rf.Duration(rep.Took.Round(time.Millisecond)))
	if b.Amplifier != nil && !b.Amplifier.Present() {
		fmt.Fprintf(w.Stdout, "the amplifier %s has no remote interface: switch it off by hand\n", b.Amplifier.ID)
	}
	return nil
}

// switchOffByHand is what to do before reading why RF is not known to be off.
const switchOffByHand = "take RF away by hand now: mains switch of the amplifier, or of the generator where there is none; touch nothing on the cable before"

// rfUnknown says what to do where a bench could not be brought to off, and why; what was met on opening is told where
// it does not stand there already.
func rfUnknown(rep guard.Report, opening error) error {
	all := []error{errors.New(switchOffByHand), errors.New(rep.How)}
	if opening != nil {
		for l := range strings.Lines(opening.Error()) {
			if l = strings.TrimSuffix(l, "\n"); !strings.Contains(rep.How, l) {
				all = append(all, errors.New(l))
			}
		}
	}
	return terminal.WithCode(terminal.ExitRFUnknown, errors.Join(all...))
}

// offByHand asks for a source to be switched off that no program can reach, and then silences what
// has a remote interface.
func offByHand(w *terminal.World, b *catalog.Bench, at rf.Frequency) error {
	err := driver.NewHandSource(b.Source, atTerminal{w}).OutputOff(w.Ctx)
	if b.Amplifier != nil && b.Amplifier.Present() || b.Analyser != nil && b.Analyser.Present() {
		rep, _ := silenceBench(w.Ctx, b, watcher.Silencing{At: at, Why: "the off command"}, claim.Silences, func(words string) { fmt.Fprintln(w.Stdout, words) })
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
