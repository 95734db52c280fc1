package tell

import (
	"math"
	"regexp"
	"strings"

	"provoke/internal/findings/analysis"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/units/rf"
)

// none stands where there is nothing to print.
const none = "–"

// GainWords prints a gain with its bound: "at least 6.0 dB"; "–" where it is not known.
func GainWords(g rf.Gain, b rf.Bound) string {
	if q := g.Quantity(b); q != nil {
		return q.Text
	}
	return none
}

// RecoveryWords says at which level a product was well again, or why there is none: it upset but
// was not asked (as at the points that only seek a band's edge), it had to be reset, or it was asked
// and was well at no level.
func RecoveryWords(p analysis.Point) string {
	switch {
	case p.Recovery.Known():
		return p.Recovery.String()
	case !p.Upset:
		return none
	case p.Latched:
		return "needs a reset"
	case p.RecoverySought:
		return "not found"
	}
	return "not asked"
}

// MarginTo is the heading of a column of margins: "margin", or "margin to the calibrated drive" where
// the run replayed a calibration.
func MarginTo(f analysis.Findings) string {
	if f.Level() == analysis.LevelWanted {
		return "margin"
	}
	return "margin to " + f.Level()
}

// LevelWords says what the numbers of a run are where that does not go without saying: of one that replayed a
// calibration, and of one that exposed to more than the level wanted; "" for others.
func LevelWords(f analysis.Findings) string {
	var out []string
	if f.Level() != analysis.LevelWanted {
		out = append(out,
			"substitution: the level is the calibrated drive, and the margin is in dB against that drive; onset and "+
				"recovery are the currents measured on the cable, "+
				"and wanted is the matched-loop current that the drive was calibrated for, not a current to be "+
				"reached "+
				"on the cable")
	}
	if f.Opened.OverTest != "" {
		out = append(out,
			"over-test: where showing a difference or a guard band needs it, the product was exposed to more than "+
				"the level wanted; "+f.Opened.OverTest)
	}
	return strings.Join(out, "; ")
}

// InDrive says of a comparison of two runs that replayed a calibration what its numbers are; "" for
// others.
func InDrive(c analysis.Comparison) string {
	if c.Before.Level() == analysis.LevelWanted || c.After.Level() == analysis.LevelWanted {
		return ""
	}
	return "substitution: gains are of the drive, in dB; what is required is the calibrated drive, given as the " +
		"matched-loop current that it was calibrated for; " +
		"onsets are the currents measured on the cable"
}

// MarginWords says where an onset lies: "12.1 dB below the level wanted"; level is what the margin is
// counted from, Findings.Level.
func MarginWords(g rf.Gain, b rf.Bound, level string) string {
	wanted := " " + level
	if !g.Finite() || b == rf.Unknown {
		return "at an unknown distance from" + wanted
	}
	if g >= 0 {
		return GainWords(g, b) + " above" + wanted
	}
	switch b {
	case rf.AtLeast:
		b = rf.AtMost
	case rf.AtMost:
		b = rf.AtLeast
	}
	return GainWords(-g, b) + " below" + wanted
}

// EdgeWords says where a band ends: "24.8 MHz stood (0.8 %)", or that this was not found out. side is
// "below" for a low edge and "above" for a high one.
func EdgeWords(e analysis.Edge, side string) string {
	switch {
	case !e.Outside.Known():
		return "nothing tested " + side
	case e.Gap:
		return "not exposed " + side + ", as far as " + e.Outside.String() + ", which upset too"
	case !e.Shown:
		return "may go on " + side + ": level not reached at " + e.Outside.String()
	}
	return e.Outside.String() + " stood (" + percent(e.Resolution()) + ")"
}

func percent(f rf.Fraction) string {
	return rf.Fraction(math.Round(float64(f)*1e3) / 1e3).String()
}

// MonotoneWords says what is known of weaker levels that might upset too.
func MonotoneWords(m plan.Monotony) string {
	switch m {
	case plan.MonotoneChecked:
		return "passed"
	case plan.NotMonotone:
		return "not monotone: a lower level upsets, or a higher one does not"
	}
	return "not made"
}

// OnsetWords prints an onset and, where it was not measured, how it came about.
func OnsetWords(p analysis.Point) string {
	s := p.Onset.String()
	if p.Onset.Known() && p.OnsetOrigin != result.Measured {
		s += " (" + string(p.OnsetOrigin) + ")"
	}
	return s
}

// VerdictWords prints the verdict of a comparison, with a word on reservations.
func VerdictWords(c analysis.Comparison) string {
	if c.Verdict == analysis.Shown && len(c.Reservations) > 0 {
		return string(c.Verdict) + ", with reservations"
	}
	return string(c.Verdict)
}

// fixWords is a judgement as a report says it: what is shown, or not, is the fix.
func fixWords(j analysis.Judgement) string {
	if j == analysis.Shown || j == analysis.NotShown {
		return "fix " + string(j)
	}
	return string(j)
}

// SpanWords prints the outermost frequencies of a band; "–" for none.
func SpanWords(b *analysis.Band) string {
	if b == nil {
		return none
	}
	return analysis.Span(*b)
}

var numberAndUnit = regexp.MustCompile(`([0-9]) (dB|[kMG]?Hz|[mµ]?s\b|min\b|h\b|[mµ]?[VAW]\b|%|[mk]?Ω|[mc]?m\b|kg\b|°C)`)

// Tie keeps a number and its unit on one line, and makes what would hide or turn text visible.
func Tie(s string) string {
	s = event.Printable(strings.Join(strings.Fields(s), " "))
	return numberAndUnit.ReplaceAllString(s, "$1\u00a0$2")
}

// LimitWords prints the limits of a current, an open end as a bound.
func LimitWords(low, high rf.Current) string {
	switch {
	case low.Known() && high.Known():
		return low.String() + " to " + high.String()
	case low.Known():
		return "at least " + low.String()
	case high.Known():
		return "at most " + high.String()
	}
	return "not bounded"
}
