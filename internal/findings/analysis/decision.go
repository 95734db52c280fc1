package analysis

import (
	"fmt"
	"math"

	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/units/rf"
)

// Known is how well a current is known: the standard uncertainty and the expanded one. Assumed: there is no bench
// file to work it out from.
type Known struct {
	Standard, U rf.Gain
	Assumed     bool
}

// Decision is what a level that the product stood says of the level asked for, in the sense of JCGM 106:2012
// (cited from memory): the rule by which it is accepted, and the risk that it is accepted wrongly.
type Decision struct {
	Frequency rf.Frequency
	// Among are the frequencies of which this is the one with the greatest risk; "" where it is told alone.
	Among        string
	Stood, Asked rf.Current
	Known
	Rule plan.DecisionRule
	// Guard is how far above the level asked for the rule wants what was stood to be.
	Guard rf.Gain
}

// Holds reports that the rule accepts.
func (d Decision) Holds() bool {
	over, _ := d.Stood.WithBound(rf.Exactly).Minus(d.Asked)
	return over >= d.Guard-sameFloat
}

// sameFloat is what adding up decibels may round by.
const sameFloat rf.Gain = 1e-6

// Risk is the probability that the true level was below the one asked for.
func (d Decision) Risk() rf.Fraction {
	short, _ := d.Asked.Minus(d.Stood.WithBound(rf.Exactly))
	switch {
	case d.Standard > 0:
		return rf.Fraction(math.Erfc(-float64(short)/float64(d.Standard)/math.Sqrt2) / 2)
	case short > 0:
		return 1
	}
	return 0
}

// Says is the line that a client reads: "stood 80.2 of 80.0 dBµA at 27 MHz; U 2.8 dB; simple acceptance; risk that the
// true
// level was below: 44 %". What was stood is rounded down.
func (d Decision) Says() string {
	u := "U " + d.U.Text(1)
	if d.Assumed {
		u += " (assumed: no bench file)"
	}
	rule := string(d.Rule.OrDefault())
	if d.Guard > 0 {
		rule += fmt.Sprintf(" (%s)", d.Guard.Text(1))
		if !d.Holds() {
			rule += " not kept"
		}
	}
	stood := math.Floor(d.Stood.In()*10+1e-4) / 10
	at := d.Frequency.String()
	if d.Among != "" {
		at += " (greatest risk " + d.Among + ")"
	}
	return fmt.Sprintf("stood %.1f of %v at %s; %s; %s; risk that the true level was below: %s", stood, d.Asked,
		at, u, rule, percentOf(d.Risk()))
}

// percentOf words a risk in whole percent, and never as none.
func percentOf(risk rf.Fraction) string {
	if risk < 0.01 {
		return "less than 1 %"
	}
	return fmt.Sprintf("%.0f %%", 100*float64(risk))
}

// stoodLevel is what a run showed the product to stand at a frequency: the current, or with inDrive what the drive is
// calibrated for. Absent where nothing is shown.
func stoodLevel(p *Point, inDrive bool) rf.Current {
	switch {
	case p == nil:
		return rf.Current{}
	case inDrive && !p.Upset && p.OfDrive.Known() && p.OfDrive.Bound != rf.AtMost:
		return p.Wanted.Add(p.OfDrive.Gain).WithBound(rf.Exactly)
	case inDrive && p.Upset && p.OfDrive.Known() && p.Bracket.Finite():
		return p.Wanted.Add(p.OfDrive.Gain - p.Bracket).WithBound(rf.Exactly)
	case inDrive:
		return rf.Current{}
	case p.Upset && p.Below.Exact():
		return p.Below
	case p.Upset || p.Onset.Bound() == rf.AtMost:
		return rf.Current{}
	}
	return p.Onset.WithBound(rf.Exactly)
}

// decide returns the decision at a frequency; ok is false where nothing was asked for or shown, or the level is
// only predicted.
func decide(p *Point, replays bool, rule plan.DecisionRule, known func(Point) Known) (d Decision, ok bool) {
	stood := stoodLevel(p, replays)
	if known == nil || !stood.Known() || !p.Wanted.Known() || p.OnsetOrigin == result.Predicted && !replays {
		return d, false
	}
	d = Decision{Frequency: p.Frequency, Stood: stood, Asked: p.Wanted.WithBound(rf.Exactly), Known: known(*p),
		Rule: rule}
	d.Guard = rule.Guard(d.Standard, d.U)
	return d, true
}

// Decide works out the decision of a run in which nothing upset: that of the frequency with the greatest risk.
func (f *Findings) Decide(known func(Point) Known) {
	if f.Upsets > 0 || f.Opened.RunKind != plan.Exposure {
		return
	}
	for i := range f.Points {
		if d, ok := decide(&f.Points[i], Replays(f.Opened), f.Opened.DecisionRule, known); ok &&
			(f.Decision == nil || d.Risk() > f.Decision.Risk()) {
			d.Among = "of all frequencies"
			f.Decision = &d
		}
	}
}
