package main

import (
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"slices"
	"strings"

	"provoke/internal/files/catalog"
	"provoke/internal/files/problem"
	"provoke/internal/findings/analysis"
	"provoke/internal/findings/uncertainty"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/job/store"
	"provoke/internal/model/chain"
	"provoke/internal/model/twoport"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

type uncertaintyCommand struct {
	Bench      string         `arg:"" name:"bench.yaml" help:"Bench file."`
	At         []rf.Frequency `placeholder:"FREQUENCY" help:"Print the whole budget at this frequency. May be repeated."`
	Plan       string         `placeholder:"PLAN.yaml" help:"Plan file: how the level is set, the levelling window, the frequencies."`
	Cable      string         `placeholder:"CABLE.yaml" help:"Model of the cable: what the places of clamp and probe do, in place of an estimate."`
	Job        string         `placeholder:"JOB" help:"Job file: the spread of its repeated runs replaces the assumed repeatability."`
	Confidence rf.Fraction    `default:"95 %" help:"Confidence of the expanded uncertainty."`
	Draws      int            `default:"200000" help:"Draws of the Monte Carlo run with --at; 0 for none."`
	Seed       uint64         `default:"1" help:"Seed of the Monte Carlo run."`
	JSON       bool           `name:"json" help:"Print the documented JSON shape."`
}

// Help is the long help.
func (uncertaintyCommand) Help() string {
	return `Works out how well the injected current is known, from what the bench file says of each piece ("uncertainty", "vswr",
"position_tolerance", "harmonics"). Where it says nothing a figure of common practice stands and is marked ASSUMED.
Without --at: U over frequency. With --at: every contribution, ranked, with the U that would be left without it, and a
Monte Carlo run after JCGM 101. U is half the interval of the sum of the contributions, each spread as it says: what the
Monte Carlo run finds but for its scatter, and what findings and report state; the law of propagation (GUM) stands beside it.

--json prints {"bench","hash","means","confidence","seed","points":[{"frequency","u_db","k","freedom","standard_db",
"assumed","largest","simulated":{"draws","symmetric_db":[low,high],"shortest_db":[low,high],"differs"},"components":
[{"name","item","distribution","half_db","divisor","freedom","sensitivity","standard_db","share","left_db","source",
"assumed"}],"notes":[...]}],"warnings":[...]}. Freedom is null where it is infinite; simulated is null without --at.`
}

// Run works out and prints the uncertainty.
func (c *uncertaintyCommand) Run(w *terminal.World) error {
	s, err := c.sheet(w)
	if err != nil {
		return err
	}
	if c.JSON {
		return terminal.PrintJSON(w.Stdout, s.json())
	}
	return terminal.OnPage(w.Stdout, s.print)
}

// uncertaintySheet is what the command prints.
type uncertaintySheet struct {
	bench      *catalog.Bench
	conditions uncertainty.Conditions
	confidence rf.Fraction
	seed       uint64
	closely    bool
	points     []uncertainty.Current
	warnings   problem.List
}

func (c *uncertaintyCommand) sheet(w *terminal.World) (*uncertaintySheet, error) {
	bench, list, err := loadBench(c.Bench)
	if err != nil {
		return nil, err
	}
	s := &uncertaintySheet{bench: bench, confidence: c.Confidence, seed: c.Seed, closely: len(c.At) > 0, warnings: list.Warnings()}
	var p *plan.Plan
	if c.Plan != "" {
		if p, list, err = loadPlanAlone(c.Plan); err != nil {
			return nil, err
		}
		s.warnings = append(s.warnings, list.Warnings()...)
	}
	if s.conditions, err = conditionsOf(p, c.Job); err != nil {
		return nil, err
	}
	if c.Cable != "" {
		if s.conditions.Position, err = positionOn(c.Cable); err != nil {
			return nil, err
		}
	}
	for _, id := range bench.Overdue(w.Now()) {
		s.warnings = append(s.warnings, problem.Problem{File: bench.File, Warning: true,
			What: fmt.Sprintf("the calibration of %s was due on %s: its uncertainty is not shown to hold", id.ID, id.Due.Format("2006-01-02"))})
	}
	frequencies := (&budget{bench: bench, chain: chain.New(bench), plan: p, fixture: catalog.OnCable}).frequencies(c.At)
	if len(frequencies) == 0 {
		return nil, errors.New("the pieces of the bench have no frequency in common")
	}
	for _, f := range frequencies {
		u, err := uncertainty.OfCurrent(bench, f, s.conditions, c.Confidence)
		if err != nil {
			return nil, err
		}
		if s.closely && c.Draws > 0 {
			if err := u.Simulate(rand.New(rand.NewPCG(c.Seed, uint64(f))), c.Draws); err != nil {
				return nil, terminal.WithCode(terminal.ExitUsage, err)
			}
		}
		s.points = append(s.points, u)
	}
	return s, nil
}

// conditionsOf returns how a plan knows its current, with the repeatability of a job's runs.
func conditionsOf(p *plan.Plan, jobFile string) (uncertainty.Conditions, error) {
	c := uncertainty.Conditions{Means: uncertainty.Measured}
	if p != nil {
		switch p.Mode {
		case plan.ClosedLoop:
			c.Means, c.Window = uncertainty.Levelled, p.Levelling.Window
		case plan.Substitution:
			c.Means, c.Window = uncertainty.Replayed, p.Levelling.Window
		}
	}
	if jobFile == "" {
		return c, nil
	}
	job, err := store.OpenReadOnly(jobFile)
	if err != nil {
		return c, err
	}
	defer job.Close()
	runs, err := allRuns(job)
	if err != nil {
		return c, err
	}
	spread := analysis.RepeatedTransfer(runs)
	c.Repeated = spread.At
	return c, nil
}

// positionOn returns what the place of the probe does, by a model of the cable.
func positionOn(file string) (func(rf.Frequency, rf.Length) (rf.Gain, string, error), error) {
	model, _, err := loadCable(file)
	if err != nil {
		return nil, err
	}
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
	}, nil
}

// allRuns folds every run of a job.
func allRuns(job *store.Job) ([]result.Run, error) {
	list, err := job.Runs()
	if err != nil {
		return nil, err
	}
	var out []result.Run
	for _, i := range list {
		r, err := result.All(job.Records(i.Run, 1))
		if err != nil {
			return nil, fmt.Errorf("read run %d: %w", i.Run, err)
		}
		out = append(out, r)
	}
	return out, nil
}

func (s *uncertaintySheet) print(out io.Writer) error {
	fmt.Fprintf(out, "uncertainty of the current injected by %s, %s\nexpanded, confidence %v, in dB of current\n\n", s.bench.Name, s.conditions.Means, s.confidence)
	if s.closely {
		for _, p := range s.points {
			if err := s.printPoint(out, p); err != nil {
				return err
			}
		}
	} else if err := s.printTable(out); err != nil {
		return err
	}
	for _, p := range folded(s.warnings) {
		fmt.Fprintln(out, p)
	}
	return nil
}

func (s *uncertaintySheet) printTable(out io.Writer) error {
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
		fmt.Fprintln(out, "figures that are ASSUMED are common practice, not this bench: write \"uncertainty\" and \"vswr\" into the bench file")
	}
	return nil
}

func nameOf(c uncertainty.Component) string {
	if c.Item == "" {
		return c.Name
	}
	return c.Item + " " + c.Name
}

func (s *uncertaintySheet) printPoint(out io.Writer, p uncertainty.Current) error {
	fmt.Fprintf(out, "%v: U = ± %s (k = %.2f, confidence %v), standard uncertainty %s\n", p.Frequency, p.U().Text(2), p.K(), s.confidence, rf.Gain(p.Combined.Standard).Text(2))
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
		fmt.Fprintf(tw, "  %s\t± %s\t%s\t%s\t%.0f %%\t± %s\t%s\n", nameOf(x), rf.Gain(x.Half).Text(2), x.Distribution, rf.Gain(r.Standard).Text(2), 100*r.Share, left.Text(2), from)
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

// The shapes of --json.
type (
	uncertaintyJSON struct {
		Bench      string                 `json:"bench"`
		Hash       string                 `json:"hash"`
		Means      string                 `json:"means"`
		Confidence float64                `json:"confidence"`
		Seed       uint64                 `json:"seed"`
		Points     []uncertaintyPointJSON `json:"points"`
		Warnings   problem.List           `json:"warnings"`
	}
	uncertaintyPointJSON struct {
		Frequency  *rf.Quantity               `json:"frequency"`
		U          *float64                   `json:"u_db"`
		K          float64                    `json:"k"`
		Freedom    *float64                   `json:"freedom"`
		Standard   *float64                   `json:"standard_db"`
		Assumed    int                        `json:"assumed"`
		Largest    string                     `json:"largest"`
		Simulated  *simulatedJSON             `json:"simulated"`
		Components []uncertaintyComponentJSON `json:"components"`
		Notes      []string                   `json:"notes"`
	}
	simulatedJSON struct {
		Draws     int        `json:"draws"`
		Symmetric [2]float64 `json:"symmetric_db"`
		Shortest  [2]float64 `json:"shortest_db"`
		Differs   bool       `json:"differs"`
	}
	uncertaintyComponentJSON struct {
		Name         string   `json:"name"`
		Item         string   `json:"item,omitempty"`
		Distribution string   `json:"distribution"`
		Half         *float64 `json:"half_db"`
		Divisor      float64  `json:"divisor"`
		Freedom      *float64 `json:"freedom"`
		Sensitivity  float64  `json:"sensitivity"`
		Standard     *float64 `json:"standard_db"`
		Share        float64  `json:"share"`
		Left         *float64 `json:"left_db"`
		Source       string   `json:"source"`
		Assumed      bool     `json:"assumed"`
	}
)

func (s *uncertaintySheet) json() uncertaintyJSON {
	out := uncertaintyJSON{Bench: s.bench.Name, Hash: s.bench.Hash, Means: string(s.conditions.Means), Confidence: rounded(float64(s.confidence)), Seed: s.seed,
		Points: []uncertaintyPointJSON{}, Warnings: slices.Clip(s.warnings)}
	if out.Warnings == nil {
		out.Warnings = problem.List{}
	}
	for _, p := range s.points {
		out.Points = append(out.Points, uncertaintyPoint(p))
	}
	return out
}

func uncertaintyPoint(p uncertainty.Current) uncertaintyPointJSON {
	q := uncertaintyPointJSON{Frequency: p.Frequency.Quantity(), U: rf.OrNull(p.U(), 3), K: rounded(p.K()), Freedom: rf.OrNull(p.Combined.Freedom, 4),
		Standard: rf.OrNull(rf.Gain(p.Combined.Standard), 3), Assumed: len(p.Assumed()), Notes: append([]string{}, p.Notes...),
		Largest: nameOf(p.Components[p.Combined.Contributions[0].Index])}
	if m := p.Simulated; m != nil {
		q.Simulated = &simulatedJSON{m.Draws, ends(m.Symmetric), ends(m.Shortest), p.Comparison.Differs}
	}
	for _, r := range p.Combined.Contributions {
		x := p.Components[r.Index]
		left, _ := p.Without(r.Index)
		freedom := rf.OrNull(x.Freedom, 4)
		if x.Freedom == 0 {
			freedom = nil
		}
		q.Components = append(q.Components, uncertaintyComponentJSON{x.Name, x.Item, string(x.Distribution), rf.OrNull(rf.Gain(x.Half), 3), rounded(divisorOf(x)),
			freedom, x.Sensitivity, rf.OrNull(rf.Gain(r.Standard), 3), rounded(r.Share), rf.OrNull(left, 3), x.Source, x.Assumed})
	}
	return q
}

// divisorOf returns what the figure is divided by to give the standard uncertainty.
func divisorOf(x uncertainty.Component) float64 {
	if s := x.Standard(); s > 0 {
		return x.Half / s
	}
	return 1
}

// rounded leaves four decimals.
func rounded(x float64) float64 { return math.Round(x*1e4) / 1e4 }

func ends(i uncertainty.Interval) [2]float64 { return [2]float64{rounded(i.Low), rounded(i.High)} }
