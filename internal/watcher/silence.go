package watcher

import (
	"context"
	"errors"
	"time"

	"provoke/internal/catalog"
	"provoke/internal/chain"
	"provoke/internal/driver"
	"provoke/internal/guard"
	"provoke/internal/rf"
)

// Silence brings the instruments of a bench to off and reads that back, whoever drives them. at is
// where the probe looks for RF; absent means the middle of the source's band. The error tells which
// instruments could not be opened; the report says whether RF is known to be off.
func Silence(ctx context.Context, b *catalog.Bench, at rf.Frequency, why string) (guard.Report, error) {
	opening, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	rig, err := driver.OpenBench(opening, b, driver.Options{ForSilencing: true, Timeout: exchange})
	if rig == nil {
		return guard.Report{How: "RF not known to be off"}, err
	}
	defer rig.Close()
	g := silencer(rig, err, b, func() rf.Frequency { return at })
	g.Suspect() // whoever ran before may have left a command on its way
	return g.Silence(ctx, why), err
}

// silencer makes a guard of what could be opened; what could not fails whenever it is asked, with why.
func silencer(rig *driver.Rig, why error, b *catalog.Bench, at func() rf.Frequency) *guard.Guard {
	if why == nil && rig.Source == nil {
		why = errors.New("the bench file names no source that can be reached")
	}
	cfg := guard.Config{Chain: chain.New(b), Source: missingSource{why}}
	if rig.Source != nil {
		cfg.Source = rig.Source
	}
	if b.Amplifier != nil && b.Amplifier.Present() {
		cfg.Amplifier = missingAmplifier{why}
		if rig.Amplifier != nil {
			cfg.Amplifier = rig.Amplifier
		}
	}
	if rig.Analyser != nil {
		cfg.Witness = driver.FloorWitness(rig.Analyser, func() driver.AnalyserSetup {
			f := at()
			if !f.Known() {
				f = (b.Source.Band.Low + b.Source.Band.High) / 2
			}
			return driver.AnalyserSetup{Frequency: f}
		})
	}
	return guard.New(cfg)
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
