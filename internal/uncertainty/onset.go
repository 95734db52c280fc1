package uncertainty

import (
	"errors"
	"fmt"

	"provoke/internal/analysis"
	"provoke/internal/catalog"
	"provoke/internal/plan"
	"provoke/internal/result"
	"provoke/internal/rf"
)

// DefaultConfidence is that of findings and reports.
const DefaultConfidence rf.Fraction = 0.95

// OfOnset returns the uncertainty of an onset as a run found it: of the current by the way that it was
// known, and of the step between the onset and the level below it that passed. repeated may be nil.
// It refuses an onset whose current is only predicted by the budget: how far that may lie off is the
// budget's stated range, no uncertainty.
func OfOnset(b *catalog.Bench, mode plan.Mode, p analysis.Point, repeated func(rf.Frequency) (rf.Gain, int), confidence rf.Fraction) (Current, error) {
	c := Conditions{Means: Measured, Repeated: repeated}
	switch {
	case p.OnsetOrigin == result.Measured:
	case p.OnsetOrigin == result.Asked && mode == plan.Substitution:
		c.Means = Replayed
	default:
		return Current{}, errors.New("the current was not measured, so its uncertainty is not known")
	}
	if p.Upset && p.Bracket.Finite() && p.Bracket > 0 {
		c.Extra = append(c.Extra, Component{Input: Limits("step of the search", p.Bracket.DB()/2, Rectangular),
			Source: fmt.Sprintf("the onset lies within %s below the level that is stated", p.Bracket.Text(2))})
	}
	return OfCurrent(b, p.Frequency, c, confidence)
}

// Says words the uncertainty: "± 1.9 dB (k = 1.96, confidence 95 %)".
func (c Current) Says() string {
	return fmt.Sprintf("± %s (k = %.2f, confidence %v)", c.U().Text(1), c.Expanded.K, c.Expanded.Confidence)
}

// Rests words what the figure rests on: how many of its contributions are the bench's own data, and
// which are assumed.
func (c Current) Rests() string {
	assumed := c.Assumed()
	if len(assumed) == 0 {
		return "every contribution is from the bench's own data"
	}
	var names []string
	for _, x := range assumed {
		names = append(names, x.Name)
	}
	return fmt.Sprintf("%d of %d contributions are assumed, not from the bench's own data: %s", len(assumed), len(c.Components), joined(names))
}
