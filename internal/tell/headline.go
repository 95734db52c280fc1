package tell

import (
	"fmt"
	"slices"

	"provoke/internal/findings/analysis"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/units/english"
)

// Headline says in a line what a run showed, the worst of it first, and how that is marked: "bad" where an upset
// was seen, "warn" where less was shown than was asked for, "good" only where everything asked for was stood. Every
// face shows it before anything else.
func Headline(f analysis.Findings) (text, mark string) {
	text, mark = seen(f)
	worse := func(more string) {
		text += "; " + more
		if mark == "good" || mark == "" {
			mark = "warn"
		}
	}
	if short := notReached(f); short > 0 {
		worse("level not reached at " + english.Count(short, "frequency", "frequencies"))
	}
	if how := f.Unfinished(); how != "" {
		if left := f.Unexposed(); left != "" && f.Exposed() {
			how += "; " + left
		}
		worse(how)
	}
	if d := f.Decision; d != nil && d.Holds() {
		text += "; " + d.Says()
	} else if d != nil {
		worse(d.Says())
	}
	if f.RFNotKnownOff {
		return event.RFAlarm + "; " + text, "bad"
	}
	return text, mark
}

// seen is the headline but for how far the run came.
func seen(f analysis.Findings) (text, mark string) {
	if a := f.FalseAlarms; a != nil {
		if a.Alarms > 0 {
			mark = "warn"
		}
		return english.Count(a.Alarms, "false alarm", "false alarms") + " in " + english.Count(a.Dwells, "dwell",
			"dwells") + " without RF", mark
	}
	if f.Loop != nil {
		return seenInLoop(f.Loop)
	}
	if s := f.Swept; s != nil {
		text = fmt.Sprintf("%s in %s, %s found", english.Count(s.Upsets, "upset", "upsets"),
			english.Count(s.Passes, "pass", "passes"), english.Count(s.Bands, "band", "bands"))
		if s.Upsets > 0 {
			return text, "bad"
		}
		return text, "warn" // a pass that sweeps by shows little where nothing upset
	}
	w, upset := f.Worst()
	switch {
	case upset:
		text = english.Count(len(f.Bands), "failing band", "failing bands")
		if w.Onset.Known() {
			text += fmt.Sprintf("; onset %s at %v", OnsetWords(w), w.Frequency)
		}
		if w.Margin.Finite() {
			text += ", " + MarginWords(w.Margin, w.MarginBound, f.Level())
		}
		return text, "bad"
	case f.Marks > 0 && f.Elsewhere == 0:
		return english.Count(f.Marks, "upset was",
			"upsets were") + " marked by the operator, none in a step that was closed", "bad"
	case f.Elsewhere > 0:
		return english.Count(f.Elsewhere, "upset",
			"upsets") + " at the check point for drift, far below the level wanted, and none elsewhere", "bad"
	case !f.Exposed():
		return "the product was not exposed", "warn"
	case f.Opened.RunKind == plan.Calibration:
		return "calibrated at " + english.Count(len(f.Points), "frequency", "frequencies"), ""
	}
	text, mark = "no upset up to "+f.Level(), "good"
	if slices.ContainsFunc(f.Points, func(p analysis.Point) bool {
		return p.NotReached || !p.Tested() ||
			!p.Wanted.Known()
	}) {
		text = "no upset up to the levels reached"
	}
	if f.Covered.Coarse() { // what shows little is not called good
		return text + " in steps of up to " + stepWords(f.Covered.Widest()), "warn"
	}
	return text, mark
}
