package analysis

import (
	"fmt"
	"math"
	"strings"

	"provoke/internal/job/event"
	"provoke/internal/job/result"
	"provoke/internal/model/level"
	"provoke/internal/units/rf"
)

// conclude gives the verdict with its reasons. Worse comes before not shown, not shown before no difference shown,
// that before shown. The decision is the last of the reasons.
func (c *Comparison) conclude(before, after result.Run) {
	c.reserve(before, after)
	defer func() {
		if c.Decision != nil {
			c.Reasons = append(c.Reasons, c.Decision.Says())
		}
	}()
	if why := uncomparable(before, after); why != "" {
		c.Verdict, c.Reasons = NotShown, []string{why}
		return
	}
	if worse := c.worse(); len(worse) > 0 {
		c.Verdict, c.Reasons = Worse, append(worse, c.notShown()...)
		return
	}
	if reasons := c.notShown(); len(reasons) > 0 {
		c.Verdict, c.Reasons = NotShown, reasons
		if c.onlyNoDifference() {
			c.Verdict = NoDifference
		}
		return
	}
	c.Verdict = Shown
	c.Reasons = []string{c.shown()}
}

// onlyNoDifference reports that everything that stands against "shown" is that a difference was not shown.
func (c *Comparison) onlyNoDifference() bool {
	for _, d := range c.Differences {
		if d.Forbids {
			return false
		}
	}
	for _, p := range c.Points {
		if p.standsAgainst() && p.Verdict != NoDifference {
			return false
		}
	}
	return len(c.Before.Bands) > 0 && c.After.Unexposed() == ""
}

// standsAgainst reports that a frequency forbids "shown".
func (p ComparedPoint) standsAgainst() bool {
	failedBefore := p.Before != nil && p.Before.Upset
	failsNow := p.After != nil && p.After.Upset
	open := p.Verdict == NotShown || p.Verdict == NoDifference || p.Verdict == Worse
	if !open || p.excused() || p.counts() || !(failedBefore || failsNow) {
		return false
	}
	// What upsets only above what is wanted, and did not before, is no fault of the change.
	return failedBefore || p.Replayed || !clears(p.After.Onset, p.Wanted())
}

// worse names the frequencies that got worse below the level wanted.
func (c *Comparison) worse() []string {
	var out []string
	var at []rf.Frequency
	for _, p := range c.Points {
		if p.counts() {
			at = append(at, p.Frequency)
		}
	}
	if len(at) == 0 {
		return nil
	}
	for _, b := range c.Bands {
		if b.Fate == Moved {
			out = append(out, fmt.Sprintf("the band %v is gone from there but upsets at %v now: the band moved",
				Span(*b.Before), Span(*b.After)))
		}
	}
	var worst ComparedPoint
	for _, p := range c.Points {
		if p.counts() && (worst.After == nil || p.Gain < worst.Gain) {
			worst = p
		}
	}
	return append(out, fmt.Sprintf("worse at %s; most at %v: %s", frequencies(at), worst.Frequency, worst.Why))
}

// counts reports that a frequency got worse where it matters: its onset is below the level wanted,
// or no level is known to be wanted.
func (p ComparedPoint) counts() bool {
	return p.Verdict == Worse && (!p.Wanted().Known() || p.Replayed || !clears(p.After.Onset, p.Wanted()))
}

// notShown gives the reasons that forbid "shown".
func (c *Comparison) notShown() []string {
	var out []string
	for _, d := range c.Differences {
		if d.Forbids {
			out = append(out, "the runs differ in "+d.String())
		}
	}
	if len(c.Before.Bands) == 0 {
		return append(out, "nothing upset before: there is nothing to show")
	}
	if left := c.After.Unexposed(); left != "" {
		out = append(out, fmt.Sprintf("%s in run %d, which did not get through: %s", left, c.After.Run,
			c.After.Unfinished()))
	}
	for _, group := range c.unproven() {
		out = append(out, fmt.Sprintf("at %s: %s", frequencies(group.at), group.why))
	}
	return out
}

type unproven struct {
	at  []rf.Frequency
	why string
}

// unproven gathers the frequencies that stand against "shown", those with the same reason together. What still
// upsets, and what upsets where it was not exposed before, is told at once, with its worst.
func (c *Comparison) unproven() []unproven {
	var out []unproven
	for _, of := range []struct {
		words string
		takes func(ComparedPoint) bool
	}{
		{"still upsets", ComparedPoint.stillUpsets},
		{"not exposed before, upsets", func(p ComparedPoint) bool {
			return p.Verdict == NotShown && p.Before == nil &&
				p.below()
		}},
	} {
		if x := c.gather(of.words, of.takes); len(x.at) > 1 {
			out = append(out, x)
		}
	}
	told := map[rf.Frequency]bool{}
	for _, x := range out {
		for _, f := range x.at {
			told[f] = true
		}
	}
	for _, p := range c.Points {
		if !p.standsAgainst() || told[p.Frequency] {
			continue
		}
		if n := len(out); n > 0 && out[n-1].why == p.Why {
			out[n-1].at = append(out[n-1].at, p.Frequency)
			continue
		}
		out = append(out, unproven{[]rf.Frequency{p.Frequency}, p.Why})
	}
	const most = 8
	if len(out) > most {
		var rest unproven
		for _, u := range out[most:] {
			rest.at = append(rest.at, u.at...)
		}
		rest.why = "not shown either"
		out = append(out[:most:most], rest)
	}
	return out
}

// gather tells points of one kind at once: by how much the change helped there, and where most is missing.
func (c *Comparison) gather(words string, takes func(ComparedPoint) bool) unproven {
	var of []ComparedPoint
	var out unproven
	for _, p := range c.Points {
		if p.standsAgainst() && takes(p) {
			of = append(of, p)
			out.at = append(out.at, p.Frequency)
		}
	}
	if out.why = words; len(of) > 0 {
		if s := Helped(of); s != "" {
			out.why += "; " + s
		}
		if s := Missing(of); s != "" {
			out.why += "; " + s
		}
	}
	return out
}

// below reports an upset below what is required.
func (p ComparedPoint) below() bool {
	return !p.InDrive && !p.Replayed && p.After != nil && p.After.Upset && p.After.Onset.Known() &&
		p.Required.Known() && !clears(p.After.Onset, p.Required)
}

func (p ComparedPoint) stillUpsets() bool {
	return p.Verdict == NotShown && p.Before != nil && p.Before.Upset && p.below()
}

// Helped words the gains of points as a range: "helped 2.5 dB to at least 9.0 dB"; empty without any.
func Helped(points []ComparedPoint) string {
	low, high, lowBound, highBound := GainRange(points)
	if !low.Finite() {
		return ""
	}
	from, to := low.Quantity(lowBound).Text, high.Quantity(highBound).Text
	if from == to {
		return "helped " + from
	}
	return "helped " + from + " to " + to
}

// GainRange returns the least and the most gain of points, each with its bound; NaN without any.
func GainRange(points []ComparedPoint) (low, high rf.Gain, lowBound, highBound rf.Bound) {
	low, high = rf.Gain(math.NaN()), rf.Gain(math.NaN())
	for _, p := range points {
		if !p.Gain.Finite() || p.Before == nil || !p.Before.Upset {
			continue
		}
		if !(p.Gain >= low) {
			low, lowBound = p.Gain, p.GainBound
		}
		if !(p.Gain <= high) {
			high, highBound = p.Gain, p.GainBound
		}
	}
	return low, high, lowBound, highBound
}

// Missing words where the onset after lies furthest below what is required: "1.9 dB missing at 41.00725 MHz".
func Missing(points []ComparedPoint) string {
	most, at := rf.Gain(0), rf.Frequency(0)
	for _, p := range points {
		if p.below() {
			if by, _ := p.Required.Minus(p.After.Onset.WithBound(rf.Exactly)); by > most {
				most, at = by, p.Frequency
			}
		}
	}
	if at == 0 {
		return ""
	}
	return fmt.Sprintf("%v missing at %v", most, at)
}

func (c *Comparison) shown() string {
	var spans []string
	for _, b := range c.Before.Bands {
		spans = append(spans, Span(b))
	}
	level := "the level required"
	if Replays(c.Before.Opened) && Replays(c.After.Opened) {
		level = "the drive required"
	}
	s := "at every frequency that upset before (" + strings.Join(spans, ", ") + ") the product stood " + level +
		", further above what upset before than the set-up explains (" + c.SetUp.Says() + ")"
	if c.Margin > 0 {
		s += fmt.Sprintf(", which is at least %v above the onset before", c.Margin)
	}
	return s
}

// reserve lists what weakens the verdict without changing it.
func (c *Comparison) reserve(before, after result.Run) {
	add := func(format string, args ...any) {
		c.Reservations = append(c.Reservations, fmt.Sprintf(format, args...))
	}
	for _, d := range c.Differences {
		if !d.Forbids {
			add("the runs differ in %v", d)
		}
	}
	for _, r := range []result.Run{before, after} {
		if who := r.Opened.OverTest; who != "" {
			add("run %d exposed the product to more than the level wanted where that was needed, %s", r.Number, who)
		}
		if !r.Ended() {
			add("run %d was not closed", r.Number)
		} else if r.Verdict != event.Done && r.Verdict != event.DoneUpset {
			add("run %d ended: %s", r.Number, r.Verdict)
		}
	}
	var less, missing, edges, asked, above []rf.Frequency
	for _, p := range c.Points {
		switch {
		case p.excused():
			edges = append(edges, p.Frequency)
		case p.Before != nil && !p.Before.Upset && (p.After == nil || !p.After.Tested()):
			missing = append(missing, p.Frequency)
		case p.Verdict == Unchanged && p.Why != "" && p.Before != nil:
			less = append(less, p.Frequency)
		case p.Verdict == Worse && !p.counts():
			above = append(above, p.Frequency)
		case p.Verdict == Shown && p.After.OnsetOrigin == result.Asked:
			asked = append(asked, p.Frequency)
		}
	}
	for _, x := range []struct {
		at   []rf.Frequency
		text string
	}{
		{above, "less margin than before, though above the level wanted, at %s"},
		{less, "the after-run exposed the product to less than before at %s"},
		{missing, "not exposed in the after-run at %s, where nothing upset before"},
		{edges, "the edges of the bands, at %s, were not exposed again"},
		{asked, "the current was asked for, not measured, at %s"},
	} {
		if len(x.at) > 0 {
			add(x.text, frequencies(x.at))
		}
	}
	for _, f := range []Findings{c.After, c.Before} {
		if mark := f.Opened.Profile.Mark(); mark == level.Unverified {
			add("the level profile is %s", mark)
			break
		}
	}
}

// Span prints the outermost frequencies of a band.
func Span(b Band) string {
	if b.Low.Frequency == b.High.Frequency {
		return b.Low.Frequency.String()
	}
	return b.Low.Frequency.String() + " to " + b.High.Frequency.String()
}

// frequencies prints a short list, or how many there are between which ends.
func frequencies(at []rf.Frequency) string {
	if len(at) > 4 {
		return fmt.Sprintf("%d frequencies from %v to %v", len(at), at[0], at[len(at)-1])
	}
	var out []string
	for _, f := range at {
		out = append(out, f.String())
	}
	return strings.Join(out, ", ")
}
