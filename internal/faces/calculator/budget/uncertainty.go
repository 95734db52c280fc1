package budget

import (
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"strings"
	"time"

	"provoke/internal/files/catalog"
	"provoke/internal/files/problem"
	"provoke/internal/findings/analysis"
	"provoke/internal/findings/uncertainty"
	"provoke/internal/job/plan"
	"provoke/internal/model/cable"
	"provoke/internal/model/twoport"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

// Asked is what the uncertainty is asked for.
type Asked struct {
	At         []rf.Frequency // looked at closely; the plan's or the bench's frequencies where there is none
	Conditions uncertainty.Conditions
	Confidence rf.Fraction
	Draws      int // of the Monte Carlo run at each frequency that is looked at closely
	Seed       uint64
}

// Uncertainty is what the command prints.
type Uncertainty struct {
	bench      *catalog.Bench
	conditions uncertainty.Conditions
	confidence rf.Fraction
	seed       uint64
	closely    bool
	points     []uncertainty.Current
	warnings   problem.List
}

// OfUncertainty works out the uncertainty of the current of a bench; the plan may be nil.
func OfUncertainty(bench *catalog.Bench, p *plan.Plan, o Asked, warnings problem.List) (*Uncertainty, error) {
	s := &Uncertainty{bench: bench, conditions: o.Conditions, confidence: o.Confidence, seed: o.Seed,
		closely: len(o.At) > 0, warnings: warnings}
	frequencies := Of(bench, p).frequencies(o.At)
	if len(frequencies) == 0 {
		return nil, errors.New("the pieces of the bench have no frequency in common")
	}
	for _, f := range frequencies {
		u, err := uncertainty.OfCurrent(bench, f, s.conditions, s.confidence)
		if err != nil {
			return nil, err
		}
		if s.closely && o.Draws > 0 {
			if err := u.Simulate(rand.New(rand.NewPCG(o.Seed, uint64(f))), o.Draws); err != nil {
				return nil, terminal.WithCode(terminal.ExitUsage, err)
			}
		}
		s.points = append(s.points, u)
	}
	return s, nil
}

// Overdue warns of pieces whose calibration was due.
func Overdue(bench *catalog.Bench, now time.Time) (out problem.List) {
	for _, id := range bench.Overdue(now) {
		out = append(out, problem.Problem{File: bench.File, Warning: true,
			What: fmt.Sprintf("the calibration of %s was due on %s: its uncertainty is not shown to hold", id.ID,
				day(id.Due))})
	}
	return out
}

// ConditionsOf returns how a plan, which may be nil, knows its current, with the repeatability of a job's runs.
func ConditionsOf(p *plan.Plan, runs []analysis.Outline) uncertainty.Conditions {
	c := uncertainty.Conditions{Means: uncertainty.Measured}
	if p != nil {
		switch p.Mode {
		case plan.ClosedLoop:
			c.Means, c.Window = uncertainty.Levelled, p.Levelling.Window
		case plan.Substitution:
			c.Means, c.Window = uncertainty.Replayed, p.Levelling.Window
		}
	}
	if runs != nil {
		c.Repeated = analysis.RepeatedTransfer(runs).At
	}
	return c
}

// PositionOn returns what the place of the probe does, by the model of the cable in a file.
func PositionOn(model *cable.Cable, file string) func(rf.Frequency, rf.Length) (rf.Gain, string, error) {
	return func(f rf.Frequency, tolerance rf.Length) (rf.Gain, string, error) {
		g, err := twoport.NewGrid([]rf.Frequency{f})
		if err != nil {
			return 0, "", err
		}
		m := *model
		m.Tolerance = tolerance
		s, err := m.Sensitivity(g)
		if err != nil {
			return 0, "", err
		}
		half := (s[0].High - s[0].Low) / 2
		if !half.Finite() {
			return 0, "", fmt.Errorf("by the model of the cable in %s the probe sees no current at %v", file, f)
		}
		return half, fmt.Sprintf("model of the cable in %s, probe at %v", file, m.ProbeToDUT), nil
	}
}

// Print writes the uncertainty for a person.
func (s *Uncertainty) Print(out io.Writer) error {
	fmt.Fprintf(out, "uncertainty of the current injected by %s, %s\nexpanded, confidence %v, in dB of current\n\n",
		s.bench.Name, s.conditions.Means, s.confidence)
	if s.closely {
		for _, p := range s.points {
			if err := s.printPoint(out, p); err != nil {
				return err
			}
		}
	} else if err := s.printTable(out); err != nil {
		return err
	}
	for _, p := range s.warnings.Folded() {
		fmt.Fprintln(out, p)
	}
	return nil
}

func (s *Uncertainty) printTable(out io.Writer) error {
	tw := terminal.Table(out)
	fmt.Fprintln(tw, "frequency\tU\tk\tlargest contribution\tits share\tassumed")
	assumed := false
	for _, p := range s.points {
		first := p.Combined.Contributions[0]
		n := len(p.Assumed())
		assumed = assumed || n > 0
		fmt.Fprintf(tw, "%v\t± %s\t%.2f\t%s\t%.0f %%\t%d of %d\n", p.Frequency, p.U().Text(2), p.K(),
			nameOf(p.Components[first.Index]), 100*first.Share, n, len(p.Components))
	}
	if err := tw.Flush(); err != nil {
		return err
	}
	fmt.Fprintln(out, "\n--at FREQUENCY shows every contribution and where its figure is from")
	if assumed {
		fmt.Fprintln(out, "figures that are ASSUMED are common practice, not this bench: write \"uncertainty\" and "+
			"\"vswr\" into the bench file")
	}
	return nil
}

func nameOf(c uncertainty.Component) string {
	if c.Item == "" {
		return c.Name
	}
	return c.Item + " " + c.Name
}

func (s *Uncertainty) printPoint(out io.Writer, p uncertainty.Current) error {
	fmt.Fprintf(out, "%v: U = ± %s (k = %.2f, confidence %v), standard uncertainty %s\n", p.Frequency, p.U().Text(2),
		p.K(), s.confidence, rf.Gain(p.Combined.Standard).Text(2))
	fmt.Fprintf(out, "by the law of propagation ± %s (k = %.2f", rf.Gain(p.Expanded.U).Text(2), p.Expanded.K)
	if !math.IsInf(p.Expanded.Freedom, 1) {
		fmt.Fprintf(out, ", %.0f degrees of freedom", p.Expanded.Freedom)
	}
	fmt.Fprintln(out, "), for comparison only")
	if m := p.Simulated; m != nil {
		fmt.Fprintf(out, "Monte Carlo, %d draws, seed %d: %s\n", m.Draws, s.seed, interval(m.Symmetric))
	}
	tw := terminal.Table(out)
	fmt.Fprintln(tw, "  contribution\tfigure\tdistribution\tu\tshare\tU without it\tfrom")
	for _, r := range p.Combined.Contributions {
		x := p.Components[r.Index]
		left, err := p.Without(r.Index)
		if err != nil {
			return err
		}
		from := x.Source
		if x.Assumed {
			from = "ASSUMED: " + strings.TrimPrefix(from, "assumed: ")
		}
		fmt.Fprintf(tw, "  %s\t± %s\t%s\t%s\t%.0f %%\t± %s\t%s\n", nameOf(x), rf.Gain(x.Half).Text(2), x.Distribution,
			rf.Gain(r.Standard).Text(2), 100*r.Share, left.Text(2), from)
	}
	if err := tw.Flush(); err != nil {
		return err
	}
	for _, n := range p.Notes {
		fmt.Fprintf(out, "  %s\n", n)
	}
	fmt.Fprintln(out)
	return nil
}

func interval(i uncertainty.Interval) string {
	return fmt.Sprintf("%+.2f dB to %+.2f dB", i.Low, i.High)
}
