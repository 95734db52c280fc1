// Package chain is the only path between a level here and a level there: from the generator's
// setting through pads, amplifier and clamp to the current on the cable, and from an analyser's
// reading back to that current. Budget, levelling, guard and report all compute through it. It
// holds no state and touches no instrument.
//
// A drive is the power that the generator makes available into 50 Ω, as the r.m.s. of its
// unmodulated carrier, whatever unit the generator counts in. All pieces between generator and
// clamp count as matched to 50 Ω; mismatch belongs into the uncertainty, not into the level.
//
// The amplifier follows the Rapp model with p = 2, placed so that its 1 dB compression is where the
// bench file says. What the clamp puts into a 50 + 50 Ω jig follows from its insertion loss; in a
// 150 + 150 Ω jig and on a cable the same clamp gives another current, and a Prediction says how far
// it may lie from the expected one.
package chain

import (
	"errors"
	"fmt"
	"math"

	"provoke/internal/files/catalog"
	"provoke/internal/units/rf"
)

// Value is a level at a node: a power in the coaxial part, a current on the cable. One is known.
type Value struct {
	Power   rf.Power
	Current rf.Current
}

// String prints the one that is known: "12.3 dBm", "80.0 dBµA", or "–".
func (v Value) String() string {
	if v.Current.Absent() {
		return v.Power.String()
	}
	return v.Current.String()
}

// Absent reports that neither is known.
func (v Value) Absent() bool { return v.Power.Absent() && v.Current.Absent() }

// Quantity returns the one that is known for --json; nil when absent.
func (v Value) Quantity() *rf.Quantity {
	if v.Current.Absent() {
		return v.Power.Quantity()
	}
	return v.Current.Quantity()
}

// Node is one place along the chain at one frequency, drive and crest factor.
type Node struct {
	ID      string // catalog id of the piece whose rating applies
	Place   string // "amplifier input", "clamp forward power", "cable current", …
	Carrier Value  // r.m.s. of the unmodulated carrier, as expected
	Peak    Value  // r.m.s. at the crest of the envelope, at the high end of the stated range
	Mean    Value  // r.m.s. over the modulation, at the high end of the stated range
	// Rating is what the piece stands; absent forbids. RatedAs says what it is compared with.
	Rating  Value
	RatedAs string // RatedPeak or RatedAverage
	// Unsure is what is added to the level before it is compared: the one-sided 95 % uncertainty of that
	// part of the path that is not measured at the rating; 0 dB where all of it is.
	Unsure rf.Gain
	// Regain says what measuring there would take off Unsure; empty where there is nothing to gain.
	Regain string
	// By is the meter that reads the level there; empty where none does.
	By Meter
	// Headroom is Rating over what it is compared with, Unsure included; NaN where the rating is absent.
	Headroom rf.Gain
	Within   bool
	// Note says why the node refuses where it is not a matter of decibel ("no rating is given"),
	// or, on a node that is Within, what the user should know.
	Note string
}

// Meter is what reads the level at a node.
type Meter string

// The meters of a bench.
const (
	ByPowerMeter Meter = "power meter"
	ByAnalyser   Meter = "analyser"
)

// What a rating is compared with.
const (
	RatedPeak    = "peak"
	RatedAverage = "average"
)

// Counted says in words how a level that a rating is compared with counts: a current as its r.m.s.
// value at the crest of the modulation's envelope, a power as the power there (peak envelope power),
// or either as an average over the modulation.
func Counted(ratedAs string, v Value) string {
	switch {
	case ratedAs == RatedAverage:
		return "average"
	case v.Current.Absent():
		return atCrest
	}
	return "r.m.s. " + atCrest
}

// atCrest are the words for RatedPeak.
const atCrest = "at the envelope's crest"

// Counted says in words how the node's level counts.
func (n Node) Counted() string { return Counted(n.RatedAs, n.Peak) }

// Allowing words what is added to a level before it is compared, behind that level; empty for nothing.
func Allowing(unsure rf.Gain) string {
	if !(unsure >= 0.05) {
		return ""
	}
	return fmt.Sprintf(" with %v for what is not measured", unsure)
}

func (n Node) regain() string {
	if n.Regain == "" {
		return ""
	}
	return "; " + n.Regain
}

// Margin words the headroom: "1.2 dB, with 1.9 dB for what is not measured".
func (n Node) Margin() string {
	if a := Allowing(n.Unsure); a != "" && n.Headroom.Finite() {
		return n.Headroom.String() + "," + a
	}
	return n.Headroom.String()
}

// Remark is the note, with what the level was compared with where that is more than the level.
func (n Node) Remark() string {
	a := Allowing(n.Unsure)
	switch {
	case a == "" || !n.Headroom.Finite():
		return n.Note
	case n.Note == "":
		return "compared" + a
	}
	return n.Note + "; compared" + a
}

// Compared returns the level that the rating is compared with, once Unsure is added.
func (n Node) Compared() Value {
	if n.RatedAs == RatedAverage {
		return n.Mean
	}
	return n.Peak
}

// Prediction is the whole chain at one frequency, drive and crest.
type Prediction struct {
	Frequency rf.Frequency
	Fixture   catalog.Fixture
	Drive     rf.Power
	Nodes     []Node
	Forward   rf.Power   // at the clamp's input, unmodulated carrier
	Current   rf.Current // expected, unmodulated carrier
	// Low and High are the stated range of the current.
	Low, High rf.Current
	// Reading is the expected level at the analyser's input, unmodulated carrier; absent without
	// probe and analyser.
	Reading     rf.Power
	Compression rf.Gain // how far the amplifier's gain has dropped at the crest, 0 dB or more
	// Estimate says what the current rests on where it is not a figure of the bench file alone;
	// empty otherwise.
	Estimate string
}

// Within reports that every node is within its rating.
func (p Prediction) Within() bool {
	for _, n := range p.Nodes {
		if !n.Within {
			return false
		}
	}
	return true
}

// Surplus is by how much readings of the unmodulated carrier lie above a prediction: of the forward power, and
// of the current above the high end of its range.
type Surplus struct{ Forward, Current rf.Gain }

// String says it: "the forward power is 5.0 dB above the prediction".
func (s Surplus) String() string {
	switch {
	case s.Forward > 0 && s.Current > 0:
		return fmt.Sprintf("the forward power is %v above the prediction and the current %v above the high end of "+
			"its range", s.Forward, s.Current)
	case s.Current > 0:
		return fmt.Sprintf("the current is %v above the high end of its range", s.Current)
	}
	return fmt.Sprintf("the forward power is %v above the prediction", s.Forward)
}

// With returns the prediction with every level that is read by a meter raised by that meter's surplus. An
// amplifier gives it less as it compresses, which is not counted on. A current that was read below the high end
// of its range lowers what is predicted for it, down to what is expected and never below: a reading that is too
// low, for a loose connector or a pad too many, cannot raise the drive further than that.
func (p Prediction) With(s Surplus) Prediction {
	if spread, _ := p.High.Minus(p.Current); s.Current < 0 && spread.Finite() {
		s.Current = max(s.Current, -max(0, spread))
	} else {
		s.Current = max(0, s.Current)
	}
	nodes := append([]Node(nil), p.Nodes...)
	for i := range nodes {
		n, by := &nodes[i], rf.Gain(0)
		switch n.By {
		case ByPowerMeter:
			by = s.Forward
		case ByAnalyser:
			by = s.Current
		}
		if by == 0 || by < 0 && (n.By != ByAnalyser || !n.Headroom.Finite()) {
			continue
		}
		for _, v := range []*Value{&n.Carrier, &n.Peak, &n.Mean} {
			v.Power, v.Current = v.Power.Add(by), v.Current.Add(by)
		}
		n.Headroom -= by
		if n.Headroom.Finite() && n.Within != (n.Headroom >= 0) {
			n.Within, n.Note = n.Headroom >= 0, ""
		}
	}
	p.Nodes = nodes
	return p
}

// Looped returns the prediction of a drive to which a closed loop came, reading the current on its way: behind
// the clamp the expected current counts and not the high end of its range.
func (p Prediction) Looped() Prediction { return p.With(Surplus{Current: rf.Gain(math.Inf(-1))}) }

// Tightest returns the node that stands in the way first: one without a rating, else the one with
// the least headroom. The zero Node when there are none.
func (p Prediction) Tightest() Node {
	var tight Node
	for i, n := range p.Nodes {
		if !n.Headroom.Finite() && !n.Within {
			return n
		}
		if i == 0 || !tight.Headroom.Finite() || n.Headroom < tight.Headroom {
			tight = n
		}
	}
	return tight
}

// Crest describes the envelope of the modulation that the limits are compared with. The zero value
// is an unmodulated carrier.
type Crest struct {
	OverCarrier rf.Gain // crest against unmodulated carrier
	Mean        rf.Gain // mean power against unmodulated carrier
}

// Modulation is what the chain has to know of a modulation.
type Modulation interface {
	CrestOverCarrier() rf.Gain // crest against unmodulated carrier
	MeanOverCarrier() rf.Gain  // mean power against unmodulated carrier
	CarrierOverLevel() rf.Gain // where the carrier is set against the level asked for
}

// CrestOf returns the envelope of a modulation against the carrier that is set, as the guard looks at one setting.
func CrestOf(m Modulation) Crest {
	return Crest{OverCarrier: m.CrestOverCarrier(), Mean: m.MeanOverCarrier()}
}

// CrestOfLevel returns the same against the level asked for, as plan and budget look at a step: the level is first set
// as an unmodulated carrier, then modulated, so crest and mean are the greater of both.
func CrestOfLevel(m Modulation) Crest {
	c, carrier := CrestOf(m), m.CarrierOverLevel()
	return Crest{OverCarrier: max(0, carrier+c.OverCarrier), Mean: max(0, carrier+c.Mean)}
}

// Errors that a caller may branch on.
var (
	// ErrUnreachable is wrapped by DriveFor and DriveForForward when the chain cannot reach a level.
	ErrUnreachable = errors.New("the chain cannot reach this level")
	// ErrForbidden is wrapped by SafeDrive when no setting of the generator is shown to be safe.
	ErrForbidden = errors.New("no generator setting is shown to be safe")
	// ErrLoop is wrapped by CheckLoop when a calibration does not fit the level.
	ErrLoop = errors.New("the calibration was made in another loop than the level is defined in")
)

// Chain computes along one bench.
type Chain struct {
	bench *catalog.Bench
}

// New makes the chain of a bench that was read without problems.
func New(b *catalog.Bench) *Chain { return &Chain{bench: b} }

// Bench returns the bench.
func (c *Chain) Bench() *catalog.Bench { return c.bench }
