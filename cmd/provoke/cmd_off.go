package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"provoke/internal/catalog"
	"provoke/internal/chain"
	"provoke/internal/driver"
	"provoke/internal/guard"
	"provoke/internal/rf"
)

type offCommand struct {
	Bench string       `arg:"" help:"Bench file." type:"path"`
	At    rf.Frequency `help:"Frequency at which the probe looks for RF; the middle of the source's band otherwise." placeholder:"FREQ"`
}

// Help says what it does and what it cannot do.
func (c *offCommand) Help() string {
	return `Switches the source's output off, takes the amplifier to standby, sets the source to its minimum, reads that
back and, where the bench has an analyser, measures. Every step is tried whatever came of the one before.
Exit code 21 when it could not be confirmed that RF is off.`
}

func (c *offCommand) Run(w *world) error {
	// A bench file with problems is still good enough to find the instruments in.
	b, _, loadErr := loadBench(c.Bench)
	if b == nil {
		return loadErr
	}
	rep, openErr := silence(w.ctx, b, c.At, "the off command")
	for _, s := range rep.Steps {
		fmt.Fprintf(w.stdout, "%s: %s\n", s.What, s.Result)
	}
	if !rep.Quiet {
		return withCode(exitRFUnknown, errors.Join(errors.New(rep.How), openErr))
	}
	fmt.Fprintf(w.stdout, "RF %s (%v)\n", rep.How, rf.Duration(rep.Took.Round(time.Millisecond)))
	if b.Amplifier != nil && !b.Amplifier.Present() {
		fmt.Fprintf(w.stdout, "the amplifier %s has no remote interface: switch it off by hand\n", b.Amplifier.ID)
	}
	return nil
}

// silence brings the instruments of a bench to off and reads that back, whoever drives them. at is
// where the probe looks for RF; absent means the middle of the source's band. The error tells which
// instruments could not be opened; the report says whether RF is known to be off.
func silence(ctx context.Context, b *catalog.Bench, at rf.Frequency, why string) (guard.Report, error) {
	if !at.Known() {
		at = (b.Source.Band.Low + b.Source.Band.High) / 2
	}
	opening, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	rig, openErr := driver.OpenBench(opening, b, driver.Options{ForSilencing: true, Timeout: time.Second})
	if rig == nil {
		return guard.Report{How: "RF not known to be off"}, openErr
	}
	defer rig.Close()
	cfg := guard.Config{Chain: chain.New(b), Source: missingSource{openErr}}
	if rig.Source != nil {
		cfg.Source = rig.Source
	}
	if b.Amplifier != nil && b.Amplifier.Present() {
		cfg.Amplifier = missingAmplifier{openErr}
		if rig.Amplifier != nil {
			cfg.Amplifier = rig.Amplifier
		}
	}
	if rig.Analyser != nil {
		cfg.Witness = driver.FloorWitness(rig.Analyser, func() driver.AnalyserSetup { return driver.AnalyserSetup{Frequency: at} })
	}
	g := guard.New(cfg)
	g.Suspect() // whoever ran before may have left a command on its way
	return g.Silence(ctx, why), openErr
}

// missingSource stands for a source that could not be opened.
type missingSource struct{ err error }

func (m missingSource) OutputOff(context.Context) error { return m.err }
func (m missingSource) Minimum(context.Context) error   { return m.err }
func (m missingSource) State(context.Context) (guard.SourceState, error) {
	return guard.SourceState{}, m.err
}

// missingAmplifier stands for an amplifier that could not be opened.
type missingAmplifier struct{ err error }

func (m missingAmplifier) Standby(context.Context) error           { return m.err }
func (m missingAmplifier) Operating(context.Context) (bool, error) { return false, m.err }
