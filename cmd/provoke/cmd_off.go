package main

import (
	"errors"
	"fmt"
	"time"

	"provoke/internal/bench/claim"
	"provoke/internal/bench/guard"
	"provoke/internal/run/session"
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
	b, _, loadErr := session.LoadBench(c.Bench)
	if b == nil {
		return loadErr
	}
	if b.Source.ByHand {
		return session.OffByHand(w, b, c.At)
	}
	rep, openErr := session.SilenceBench(w.Ctx, b, watcher.Silencing{At: c.At, Why: "the off command"}, claim.Silences, func(words string) { fmt.Fprintln(w.Stdout, words) })
	for _, s := range guard.Together(rep.Steps) {
		fmt.Fprintf(w.Stdout, "%s: %s\n", s.What, s.Result)
	}
	if !rep.Quiet {
		if loadErr != nil {
			openErr = errors.Join(openErr, fmt.Errorf("the bench file has problems: %v", loadErr))
		}
		return session.RFUnknown(rep, openErr)
	}
	fmt.Fprintf(w.Stdout, "RF %s (%v)\n", rep.How, rf.Duration(rep.Took.Round(time.Millisecond)))
	if b.Amplifier != nil && !b.Amplifier.Present() {
		fmt.Fprintf(w.Stdout, "the amplifier %s has no remote interface: switch it off by hand\n", b.Amplifier.ID)
	}
	return nil
}
