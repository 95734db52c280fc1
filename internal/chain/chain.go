// Package chain is the only path between a level here and a level there: from the generator's
// setting through pads, amplifier and clamp to the current on the cable, and from an analyser's
// reading back to that current. Budget, levelling, guard and report all compute through it. It
// holds no state and touches no instrument.
//
// A drive is the power that the generator makes available into 50 Ω, as the r.m.s. of its
// unmodulated carrier, whatever unit the generator counts in.
package chain

import (
	"errors"

	"provoke/internal/catalog"
	"provoke/internal/rf"
)

// Value is a level at a node: a power in the coaxial part, a current on the cable. One is known.
type Value struct {
	Power   rf.Power
	Current rf.Current
}

// Node is one place along the chain at one frequency, drive and crest factor.
type Node struct {
	ID      string // catalog id of the piece whose rating applies
	Place   string // "amplifier input", "clamp forward power", "cable current", …
	Carrier Value  // r.m.s. of the unmodulated carrier
	Peak    Value  // r.m.s. at the crest of the envelope, at the high end of the stated range
	Mean    Value  // r.m.s. over the modulation
	// Rating is what the piece stands; absent forbids. RatedAs says what it is compared with.
	Rating  Value
	RatedAs string // "peak" or "average"
	// Headroom is Rating over what it is compared with; NaN where the rating is absent.
	Headroom rf.Gain
	Within   bool
	// Note says why the node refuses where it is not a matter of decibel ("no rating given").
	Note string
}

// Prediction is the whole chain at one frequency, drive and crest.
type Prediction struct {
	Frequency rf.Frequency
	Fixture   catalog.Fixture
	Drive     rf.Power
	Nodes     []Node
	Forward   rf.Power   // at the clamp's input
	Current   rf.Current // expected
	// Low and High are the stated range of the current.
	Low, High rf.Current
	// Reading is the expected level at the analyser's input.
	Reading     rf.Power
	Compression rf.Gain // how far the amplifier's gain has dropped at the crest
}

// Crest describes the envelope of the modulation that the limits are compared with.
type Crest struct {
	OverCarrier rf.Gain // crest against unmodulated carrier
	Mean        rf.Gain // mean power against unmodulated carrier
}

// ErrUnreachable is wrapped by DriveFor when the chain cannot reach a current.
var ErrUnreachable = errors.New("the chain cannot reach this current")

// Chain computes along one bench.
type Chain struct {
	bench *catalog.Bench
}

// New makes the chain of a bench that was read without problems.
func New(b *catalog.Bench) *Chain { return &Chain{bench: b} }

// Bench returns the bench.
func (c *Chain) Bench() *catalog.Bench { return c.bench }
