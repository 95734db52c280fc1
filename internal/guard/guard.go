// Package guard is the only maker of a permission to raise RF. It computes every request through
// the chain and compares the peak with every rating; it trips on what is measured; it holds the
// latch, the dead-man and the one function that silences a bench. Budget and plan check advise;
// guard refuses. A refusal is an error, never a silent clip.
package guard

import (
	"context"

	"provoke/internal/level"
	"provoke/internal/rf"
)

// Setting is the whole state of the source that a permission allows.
type Setting struct {
	Frequency  rf.Frequency
	Level      rf.Power // available into 50 Ω, unmodulated carrier
	Modulation level.Modulation
	Output     bool
}

// Cleared is a permission to raise RF. Only this package makes one that works: the zero value is
// refused. It is good once, for a short time, and for one Setting.
type Cleared struct{ permit *permit }

// SourceState is what a source says of itself when asked.
type SourceState struct {
	Setting
	// Settled is false when the source answers that it is still changing.
	Settled bool
}

// SourceSilencer is the part of a source that can only lower RF.
type SourceSilencer interface {
	OutputOff(ctx context.Context) error
	Minimum(ctx context.Context) error
	State(ctx context.Context) (SourceState, error)
}

// AmplifierSilencer is the part of an amplifier that can only lower RF.
type AmplifierSilencer interface {
	Standby(ctx context.Context) error
	Operating(ctx context.Context) (bool, error)
}

// Witness measures whether RF is there, independently of the source's word.
type Witness interface {
	// Quiet measures once: the level, and whether it is at the floor of the meter.
	Quiet(ctx context.Context) (text string, quiet bool, err error)
}
