// Package driver speaks to instruments by role: source, amplifier, analyser, power meter, meter,
// interlock. What an instrument family wants to hear is data, a command table; this package holds
// the built-in tables and turns roles into program messages. A method that raises RF takes a
// guard.Cleared and sends exactly what the permission says; a method that lowers RF takes nothing.
package driver

import (
	"context"

	"provoke/internal/bench/guard"
	"provoke/internal/units/rf"
)

// Source is a signal or function generator.
type Source interface {
	guard.SourceSilencer
	Identify(ctx context.Context) (string, error)
	// Apply brings the source to the setting that the permission holds and checks the error queue.
	// The order inside is never louder than the louder of the old and the new setting.
	Apply(ctx context.Context, c guard.Cleared) error
	// Lower sets a level that is not above the last one that was applied; it refuses otherwise.
	Lower(ctx context.Context, to rf.Power) error
	// Rest lowers the level like Lower and switches amplitude modulation off, in this order and in one
	// exchange. A pulse stays on: without it the mean power rises.
	Rest(ctx context.Context, to rf.Power) error
	Close() error
}

// Amplifier is an amplifier with a remote standby.
type Amplifier interface {
	guard.AmplifierSilencer
	Identify(ctx context.Context) (string, error)
	Operate(ctx context.Context, c guard.Cleared) error
	State(ctx context.Context) (AmplifierState, error)
	Close() error
}

// AnalyserSetup is what an analyser is told before a reading.
type AnalyserSetup struct {
	Frequency      rf.Frequency
	Bandwidth      rf.Frequency // resolution bandwidth
	ReferenceLevel rf.Power
	// Low and High are what the budget expects; a person who reads by eye is asked again beyond them.
	// Absent: nothing is expected.
	Low, High rf.Power
}

// Analyser reads the level of a CW carrier at its input.
type Analyser interface {
	Identify(ctx context.Context) (string, error)
	// Setup says what the next reading is to be; it is sent together with that reading.
	Setup(ctx context.Context, s AnalyserSetup) error
	// Read returns the level at the input: "at most" near the floor, "at least" when overloaded.
	Read(ctx context.Context) (rf.Power, error)
	// Trace returns the trace as swept.
	Trace(ctx context.Context) (Trace, error)
	Close() error
}

// PowerMeter reads the ports of a directional coupler, as the meter shows them.
type PowerMeter interface {
	Identify(ctx context.Context) (string, error)
	// Read returns the levels at the forward and at the reverse port, read in one exchange.
	Read(ctx context.Context, f rf.Frequency) (forward, reverse rf.Power, err error)
	Close() error
}

// Meter reads a number.
type Meter interface {
	Identify(ctx context.Context) (string, error)
	Read(ctx context.Context) (value float64, err error)
	Close() error
}

// Interlock is an input that must be closed while RF is on.
type Interlock interface {
	Closed(ctx context.Context) (bool, error)
	Close() error
}
