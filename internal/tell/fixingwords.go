package tell

import (
	"fmt"
	"strings"

	"provoke/internal/job/fixing"
	"provoke/internal/model/tracking"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// AtOffset is a level at a place of the fixing loop, against its target: "72.4 dBµA", or where no current is asked for
// "−7.6 dB of the plan's drive".
func AtOffset(p *fixing.Place, offset float64) string {
	if p.Point.Target.Exact() {
		return p.Point.Target.Add(rf.Gain(offset)).Text(1)
	}
	return signed(offset) + " of the plan's drive"
}

// signed writes a number of decibel with its sign.
func signed(db float64) string {
	text := fmt.Sprintf("%+.1f dB", db)
	if text == "-0.0 dB" {
		text = "+0.0 dB"
	}
	return strings.ReplaceAll(text, "-", "−")
}

// Onset words an onset with its interval: "72.4 dBµA (71.9 to 72.9)".
func Onset(p *fixing.Place, e tracking.Estimate) string {
	unit := func(offset float64) string { // the number alone: the unit stands before it
		number, _, _ := strings.Cut(AtOffset(p, offset), " ")
		return number
	}
	switch {
	case e.Nothing():
		return "not known yet"
	case e.LowOpen && e.HighOpen:
		return "not known yet: " + english.Count(e.Exposures, "exposure", "exposures")
	case e.HighOpen:
		return "at least " + AtOffset(p, e.Low)
	case e.LowOpen:
		return "at most " + AtOffset(p, e.High)
	}
	return fmt.Sprintf("%s (%s to %s)", AtOffset(p, e.Level), unit(e.Low), unit(e.High))
}

// Margin words how far an onset lies from the level wanted: "−7.6 dB to the level wanted".
func Margin(p *fixing.Place, e tracking.Estimate) string {
	over := 0.0
	if g, _ := p.Point.Target.Minus(p.Point.Wanted.Current); g.Finite() {
		over = float64(g)
	}
	switch {
	case e.Nothing() || e.LowOpen && e.HighOpen:
		return ""
	case e.HighOpen:
		return "at least " + signed(e.Low+over)
	case e.LowOpen:
		return "at most " + signed(e.High+over)
	}
	return signed(e.Level + over)
}

// Changed words a change with its limits: "+4.2 dB (+3.1 to +5.3)". Where the limits hold zero no difference is shown.
func Changed(c tracking.Change) (text string) {
	bare := func(db float64) string { return strings.TrimSuffix(signed(db), " dB") }
	switch {
	case !c.Known():
		return "not known"
	case c.HighOpen:
		text = "at least " + signed(c.Low)
	case c.LowOpen:
		text = "at most " + signed(c.High)
	default:
		text = fmt.Sprintf("%s (%s to %s)", signed(c.Middle), bare(c.Low), bare(c.High))
	}
	if !c.Shown() {
		text = "no difference shown: " + text
	}
	return text
}

// StillNeeded words how many exposures an onset still needs, as estimated; empty where it needs none.
func StillNeeded(e tracking.Estimate) string {
	if e.More == 0 {
		return ""
	}
	return fmt.Sprintf(", about %s more", english.Count(e.More, "exposure", "exposures"))
}

// InPlace words what is in place.
func InPlace(in []string) string {
	if len(in) == 0 {
		return "nothing added"
	}
	return strings.Join(in, ", ")
}

// Moved words how far a reading moves with RF where the product is well, and what it did before at that level.
func Moved(p *fixing.Place, s fixing.Shift) string {
	by := func(m fixing.Moved) string {
		return strings.ReplaceAll(fmt.Sprintf("%+.3g %s", m.By, m.Unit), "-", "−")
	}
	text := fmt.Sprintf("%s moved %s at %s", s.Monitor, by(s.Moved), AtOffset(p, s.At))
	if s.Was != nil {
		text += fmt.Sprintf(", %s before", by(*s.Was))
	}
	return text
}
