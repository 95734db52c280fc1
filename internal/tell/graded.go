package tell

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"provoke/internal/findings/analysis"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// notExposed is said wherever an estimate from graded readings is told.
const notExposed = "An estimate from readings that moved before they left their tolerance: no onset, exposed " +
	"nowhere, and " +
	"in no verdict; the product may upset in a way that this reading knows nothing of."

// mostGraded is how many estimates are told of a run before all of them in the annex.
const mostGraded = 6

// graded tells what readings show beyond what was exposed.
func (t RunTold) graded(s *Section) {
	g := t.Findings.Graded
	if g == nil {
		return
	}
	nearest := slices.SortedStableFunc(slices.Values(g.Points), func(a, b analysis.GradedPoint) int {
		return strings.Compare(rank(a), rank(b))
	})
	table := gradedTable(t.Findings.Run, nearest[:min(len(nearest), mostGraded)])
	table.Title = "Beyond what was exposed, from graded readings"
	table.Note = notExposed
	if n := len(g.Points) - len(table.Rows); n > 0 {
		table.Note += fmt.Sprintf(" And %d more, among every frequency of the run.", n)
	}
	s.table(table)
	for _, r := range g.Readings {
		if words := readingWords(r); words != "" && (r.Why == "" || t.Findings.Upsets > 0) {
			s.say("of", words)
		}
	}
	if len(g.Finer) > 0 {
		var at []string
		for _, f := range g.Finer[:min(len(g.Finer), 3)] {
			at = append(at, fmt.Sprintf("%v to %v (%s rises towards it from both sides; onset in between %s, an "+
				"estimate)",
				f.From, f.To, f.Monitor, about(f.Estimate)))
		}
		s.say("warning", "A finer grid is worth most from "+strings.Join(at, ", from ")+".")
	}
}

// rank sorts estimates: those near the level first, those that are only bounds last.
func rank(p analysis.GradedPoint) string {
	return fmt.Sprintf("%v %09.3f %015.0f", p.Estimate.Bound() == rf.AtLeast, 500+p.Estimate.In()-p.Exposed.In(),
		p.Frequency.Hz())
}

// about words an estimate: "about 82.4 dBµA", or its bound.
func about(c rf.Current) string {
	if c.Exact() {
		return "about " + c.String()
	}
	return c.String()
}

// GradedWords words an estimate: "DMM1 moved 1.8 of 3.2 mV at 80.1 dBµA: onset about 82.4 dBµA (81.6 to 83.5)".
func GradedWords(p analysis.GradedPoint) string {
	words := fmt.Sprintf("%s moved %.2g of about %.2g %s at %v: onset %s", p.Monitor, math.Abs(p.Moved), p.Critical,
		p.Unit,
		p.Exposed.WithBound(rf.Exactly), about(p.Estimate))
	if p.Low.Known() {
		words += fmt.Sprintf(" (%.1f to %.1f)", p.Low.In(), p.High.In())
	}
	return words
}

// readingWords say how much a monitor's readings say.
func readingWords(r analysis.GradedReading) string {
	if r.Why != "" {
		return fmt.Sprintf("No estimate from readings of %s: %s.", r.Monitor, r.Why)
	}
	words := fmt.Sprintf("%s: the product upsets where it has moved about %.2g %s (noise %.1g %s); it goes with the "+
		"current to the "+
		"power of %.1f", r.Monitor, r.Critical, r.Unit, r.Noise, r.Unit, r.Exponent)
	if r.Narrowest > 0 {
		words += fmt.Sprintf(". A resonance between two frequencies that just upsets at its peak would have moved it "+
			"visibly "+
			"at both, if it is wider than %s between its 3 dB points", stepWords(r.Narrowest))
	}
	return words + "."
}

// gradedTable lists estimates.
func gradedTable(run int, points []analysis.GradedPoint) Table {
	t := Table{ID: fmt.Sprintf("graded-run-%d", run), Columns: []Column{
		FrequencyIn("frequency"), currentIn("stood"), words("reading moved"), currentIn("onset, estimated"),
		words("limits, 95 %"),
	}}
	for _, p := range points {
		limits := say("")
		if p.Low.Known() {
			limits = keep(fmt.Sprintf("%.1f to %.1f dBµA", p.Low.In(), p.High.In()))
		}
		estimate := Amount(p.Estimate)
		if p.Estimate.Exact() {
			estimate = keep("about " + p.Estimate.String())
		}
		t.Add(at(run, p.Frequency), Amount(p.Exposed), say(fmt.Sprintf("%s %.2g of about %.2g %s", p.Monitor,
			math.Abs(p.Moved),
			p.Critical, p.Unit)), estimate, limits)
	}
	return t
}

// gradedChart is the margin map: what was exposed, and apart from it what readings point to.
func gradedChart(f analysis.Findings) (Chart, bool) {
	if f.Graded == nil || len(f.Graded.Points) == 0 {
		return Chart{}, false
	}
	var stood, estimates, least, limits []Spot
	for _, p := range f.Points {
		if !p.Upset && p.Onset.Known() {
			stood = append(stood, spot(p.Frequency, p.Onset.WithBound(rf.Exactly)))
		}
	}
	for _, p := range f.Graded.Points {
		m := spot(p.Frequency, p.Estimate)
		m.Run, m.Says = f.Run, fmt.Sprintf("%v: %s; an estimate", p.Frequency, GradedWords(p))
		if !p.Estimate.Exact() {
			least = append(least, m)
			continue
		}
		estimates = append(estimates, m)
		limits = append(limits, Spot{X: p.Frequency.Hz(), Y: p.Low.In(), To: p.High.In()})
	}
	upset, wanted := []Spot(nil), wantedSpots(f.Points)
	for _, p := range f.Points {
		if p.Upset && p.Onset.Known() {
			upset = append(upset, spot(p.Frequency, p.Onset))
		}
	}
	c := Chart{ID: fmt.Sprintf("figure-graded-%d", f.Run), Title: fmt.Sprintf("Margin from graded readings, run %d",
		f.Run),
		Caption: notExposed, Tall: 1}
	if !c.OverFrequency("current on the cable (dBµA)", stood, estimates, least, upset, wanted) {
		return c, false
	}
	c.draw("stood", Dot, After, stood)
	c.draw("limits of an estimate, 95 %", Whisker, Third, limits)
	c.draw("estimate", Square, Third, append(estimates, least...))
	c.draw("upset, exposed", Cross, Upset, upset)
	c.draw(WantedWords(f), Dash, Wanted, wanted)
	c.explain(true, "stood", Dot, After)
	c.explain(true, "estimate with limits, not exposed", Square, Third)
	c.explain(len(least) > 0, "estimate, at least", Bound, Soft)
	c.explain(len(upset) > 0, "onset, exposed", Cross, Upset)
	c.explain(len(wanted) > 0, WantedWords(f), Dash, Wanted)
	return c, true
}

// movedTable lists by how much readings moved less, or more, in the second of two runs.
func movedTable(c analysis.Comparison, most int) Table {
	t := Table{ID: "shifts", Title: "Where both runs stood the level, readings moved by another amount",
		Columns: []Column{
			FrequencyIn("frequency"), currentIn("at"), words("monitor"), words("before"), words("after"),
			words("shift"),
			words("limits, 95 %"), words("more than set-ups differ by"),
		}}
	for _, x := range c.Shifts[:min(most, len(c.Shifts))] {
		beyond := say("no")
		if x.Beyond {
			beyond = say("yes")
		}
		before, after := keep(fmt.Sprintf("%.2g %s", x.Before, x.Unit)), keep(fmt.Sprintf("%.2g %s", x.After, x.Unit))
		switch x.Bound {
		case rf.AtLeast:
			after = say("within the noise")
		case rf.AtMost:
			before = say("within the noise")
		}
		t.Add(at(c.After.Run, x.Frequency), Amount(x.Level), say(x.Monitor), before, after, keep(fell(x)),
			keep(fellLimits(x)), beyond)
	}
	return t
}

// fell words a change of a shift: "fell 6.1 dB".
func fell(x analysis.ShiftChange) string {
	verb, by, bound := "fell", x.Fell, x.Bound
	if by < 0 {
		verb, by = "rose", -by
	}
	if bound != rf.Exactly {
		return fmt.Sprintf("%s at least %s", verb, by.Text(1))
	}
	return fmt.Sprintf("%s %s", verb, by.Text(1))
}

func fellLimits(x analysis.ShiftChange) string {
	if x.Bound != rf.Exactly {
		return ""
	}
	low, high := math.Abs(float64(x.Low)), math.Abs(float64(x.High))
	if x.Low < 0 && x.High > 0 {
		return fmt.Sprintf("%.1f to %.1f dB", float64(x.Low), float64(x.High))
	}
	return fmt.Sprintf("%.1f to %.1f dB", min(low, high), max(low, high))
}

// shifts tell what readings show of a change where the product passed before and after.
func (c CompareTold) shifts(s *Section) {
	if len(c.Shifts) == 0 {
		return
	}
	fellAt, roseAt := 0, 0
	for _, x := range c.Shifts {
		switch {
		case x.Beyond && x.Fell > 0:
			fellAt++
		case x.Beyond:
			roseAt++
		}
	}
	if fellAt+roseAt == 0 {
		return
	}
	x := c.Shifts[slices.IndexFunc(c.Shifts, func(x analysis.ShiftChange) bool { return x.Beyond })]
	s.say("of", fmt.Sprintf("Where both runs stood the level, readings moved less in run %d at %s and more at %d, by "+
		"more "+
		"than set-ups differ by; most at %v: the shift of %s %s. That is no onset and in no verdict.", c.After.Run,
		english.Count(fellAt, "frequency", "frequencies"), roseAt, x.Frequency, x.Monitor, fell(x)))
	s.table(movedTable(c.Comparison, mostGraded))
}
