package uncertainty

import (
	"errors"
	"fmt"
	"strings"

	"provoke/internal/files/catalog"
	"provoke/internal/findings/analysis"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/units/rf"
)

// DefaultConfidence is that of findings and reports.
const DefaultConfidence rf.Fraction = 0.95

// Onset is how well an onset is known. The DUT stood one level and upset at the next, so its onset lies
// between the two; and both currents are known as well as Current says, by the same gear, so that they are off
// together.
type Onset struct {
	Current
	// Low to High holds the onset with the confidence. Low is absent where no level below the upset was
	// stood: the onset is then at High or below.
	Low, High rf.Current
}

// OfOnset returns the uncertainty of an onset as a run found it. repeated may be nil. It refuses an onset whose
// current is only predicted by the budget: how far that may lie off is the budget's stated range, no uncertainty.
func OfOnset(b *catalog.Bench, mode plan.Mode, p analysis.Point, repeated func(rf.Frequency) (rf.Gain, int),
	confidence rf.Fraction) (Onset, error) {
	c := Conditions{Means: MeansOfCurrent(mode, p.OnsetOrigin), Repeated: repeated}
	if c.Means == "" {
		return Onset{}, errors.New("the current was not measured, so its uncertainty is not known")
	}
	u, err := OfCurrent(b, p.Frequency, c, confidence)
	if err != nil {
		return Onset{}, err
	}
	o := Onset{Current: u}
	return o, o.bracket(p, confidence)
}

// MeansOfCurrent returns how a run of a mode knows a current of an origin; empty where it does not.
func MeansOfCurrent(mode plan.Mode, from result.Origin) Means {
	switch {
	case mode == plan.Substitution && (from == result.Asked || from == result.Measured):
		return Replayed
	case from == result.Measured:
		return Measured
	}
	return ""
}

// bracket works out the limits: the onset is as likely anywhere between the level that was stood and the one that
// upset, and what is not known of the current comes on top.
func (o *Onset) bracket(p analysis.Point, confidence rf.Fraction) error {
	at := p.Onset.WithBound(rf.Exactly)
	if !p.Upset || !at.Known() {
		return nil
	}
	width := p.Bracket
	if p.Below.Exact() && p.OnsetOrigin == result.Measured {
		width, _ = at.Minus(p.Below)
	}
	budget := o.Budget()
	if !width.Finite() || width <= 0 || p.Onset.Bound() == rf.AtMost {
		i, err := budget.Interval(2*confidence - 1) // one-sided
		o.High = at.Add(rf.Gain(i.High))
		return err
	}
	budget.Inputs = append(budget.Inputs, Limits("between stood and upset", width.DB()/2, Rectangular))
	i, err := budget.Interval(confidence)
	middle := at.Sub(width / 2)
	o.Low, o.High = middle.Add(rf.Gain(i.Low)), middle.Add(rf.Gain(i.High))
	return err
}

// Between words the limits: "71.4 to 74.2 dBµA", "at most 74.2 dBµA".
func (o Onset) Between() string {
	switch {
	case !o.High.Known():
		return "–"
	case !o.Low.Known():
		return o.High.WithBound(rf.AtMost).String()
	}
	return fmt.Sprintf("%.1f to %v", o.Low.In(), o.High)
}

// Says words the uncertainty: "± 1.9 dB (k = 1.96, confidence 95 %)".
func (c Current) Says() string {
	return fmt.Sprintf("± %s (k = %.2f, confidence %v)", c.U().Text(1), c.K(), c.Expanded.Confidence)
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
	return fmt.Sprintf("%d of %d contributions are assumed, not from the bench's own data: %s", len(assumed),
		len(c.Components), strings.Join(names, ", "))
}
