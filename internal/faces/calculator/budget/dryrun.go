package budget

import (
	"fmt"
	"io"

	"provoke/internal/files/catalog"
	"provoke/internal/files/problem"
	"provoke/internal/job/plan"
	"provoke/internal/model/chain"
	"provoke/internal/model/level"
	"provoke/internal/terminal"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// DryRun is a plan with what its check found.
type DryRun struct {
	plan *plan.Plan
	// calibration is the run that a substitution replays; nil where no job was named.
	calibration *plan.Calibrated
	bench       *catalog.Bench
	checked     plan.Checked
	list        problem.List
}

// DryRunOf checks a plan on its bench; list holds the problems of their files.
func DryRunOf(p *plan.Plan, b *catalog.Bench, cal *plan.Calibrated, list problem.List) DryRun {
	checked, more := plan.Check(p, chain.New(b), cal)
	return DryRun{plan: p, calibration: cal, bench: b, checked: checked, list: append(list, more...)}
}

// Refusal is why the plan cannot be run; nil where it can.
func (d DryRun) Refusal() error {
	var faults problem.List
	for _, x := range d.list {
		if !x.Warning {
			faults = append(faults, x)
		}
	}
	if len(d.checked.Refusals) > 0 {
		return terminal.WithCode(terminal.ExitRefused,
			fmt.Errorf("refused before RF: the plan would exceed a rating\n%w", faults.Err()))
	}
	return faults.Err()
}

// Print writes the dry run for a person, with points every frequency of it.
func (d DryRun) Print(out io.Writer, points bool) error {
	p := d.plan
	d.answer(out)
	fmt.Fprintf(out, "\n%s: dry run, nothing is switched on\n\n", p.Name)
	t := terminal.Table(out)
	row := func(name, format string, args ...any) { fmt.Fprintf(t, "%s\t%s\n", name, fmt.Sprintf(format, args...)) }
	row("run", "%s, %s, %s", p.Kind, p.Mode, p.Fixture.Words())
	row("bench", "%s (%s)", d.bench.Name, d.bench.File)
	if p.Replays() {
		if d.calibration != nil {
			row("replays", "%v", d.calibration)
		} else {
			row("replays", "not known: --job JOB names the job whose calibration run is replayed")
		}
	}
	d.printLevel(row)
	row("frequencies", "%d: %s; %s", len(p.Grid), p.GridText, order(p))
	row("dwell", "%v, settling %v after every change of level", p.Dwell, p.Settle)
	d.printSearch(row)
	if p.Kind != plan.Baseline {
		d.printDrive(row)
	}
	row("duration", "%v", d.checked.Duration)
	row("", "%s", d.checked.Duration.Words())
	if r := d.checked.Reach; r != nil {
		row("time limit", "%v", *r)
	}
	t.Flush()
	d.printUnreachable(out)
	if len(d.checked.Worst) > 0 {
		fmt.Fprintln(out)
		terminal.PrintWorst(out, d.checked)
	}
	if points {
		d.printPoints(out)
	}
	for _, x := range d.list.Warnings().Folded() {
		fmt.Fprintf(out, "\n%v\n", x)
	}
	return nil
}

// answer is the plan in three lines: may it run, does it reach its level, how long does it take.
func (d DryRun) answer(out io.Writer) {
	c := d.checked
	switch {
	case len(c.Refusals) > 0:
		fmt.Fprintf(out, "refused: %s\n", c.Refusals[0])
	case d.list.Err() != nil:
		fmt.Fprintln(out, "not possible as it stands: see what is listed")
	case len(c.Worst) > 0:
		n := c.Worst[0]
		fmt.Fprintf(out, "within every rating; least headroom %v, %s %s at %v\n", n.Node.Margin(), n.Node.ID,
			n.Node.Place, n.Frequency)
	}
	if d.plan.Kind != plan.Baseline {
		var worst plan.Unreachable
		why := ""
		for _, u := range c.Unreachable {
			if why == "" || u.Short > worst.Short {
				worst, why = u, " ("+u.Why+")"
			}
		}
		fmt.Fprintf(out, "by the budget %s%s\n", reach(len(c.Unreachable), len(d.plan.Grid), worst.Frequency.String(),
			worst.Short), why)
	}
	if c.Reach != nil {
		fmt.Fprintf(out, "%v\neverything: ", *c.Reach)
	}
	fmt.Fprintf(out, "%v\n", c.Duration)
}

// order is in which order the frequencies are visited.
func order(p *plan.Plan) string {
	order := "ascending"
	if p.Descending {
		order = "descending"
	}
	if p.TimeLimit > 0 {
		order = "from coarse to fine, " + order + " in each round"
	}
	if len(p.First) > 0 {
		return fmt.Sprintf("first %s, then %s", plan.Listed(p.First), order)
	}
	return order
}

func (d DryRun) printLevel(row func(string, string, ...any)) {
	p := d.plan
	if p.Profile.ID != "" {
		row("level", "%s", p.Profile.Title)
		if source := p.Profile.Source; source != "" {
			if p.Profile.Confidence != source {
				source += " (" + p.Profile.Confidence + ")"
			}
			row("", "%s", source)
		}
		if mark := p.Profile.Mark(); mark != "" {
			row("", "%s", mark)
		}
		row("means", "%s", p.Profile.Means)
		for _, note := range p.Profile.Notes {
			row("", "%s", note)
		}
	}
	if p.Kind == plan.Baseline {
		return
	}
	m := p.Modulation
	row("modulation", "%s", m)
	if !m.IsCW() {
		row("", "crest %v against the level, %v against the carrier in the dwell; mean power %v against that carrier",
			m.CrestOverLevel(), m.CrestOverCarrier(), m.MeanOverCarrier())
	}
	if m.Hold == level.PeakHeld && !m.IsCW() {
		row("", "the level is the crest: it is set unmodulated, then the carrier goes down by %v",
			-m.CarrierOverLevel())
	}
}

func (d DryRun) printSearch(row func(string, string, ...any)) {
	p, s := d.plan, d.plan.Search
	if p.Kind != plan.Exposure && p.Kind != plan.Control {
		return
	}
	if !s.Onset {
		row("after an upset", "it is recorded; no threshold is looked for")
		return
	}
	text := "onset"
	if s.Recovery {
		text += " and recovery"
	}
	row("after an upset", "%s to %v, down to %v below the level; %s; low check %v below onset", text, s.Resolution,
		s.Range,
		english.Count(s.Confirm, "confirmation", "confirmations"), s.Window)
	if stated := s.Stated(); stated != "" {
		row("", "%s", stated)
	}
	if d := p.Drift; d.At.Known() {
		row("drift", "checked at %v, %v below the level, at the start, after every %s and at the end", d.At, d.Below,
			english.Count(d.Every, "frequency", "frequencies"))
	}
	if p.Edges > 0 {
		row("", "edges of failing bands to %v", p.Edges)
	}
}

func (d DryRun) printDrive(row func(string, string, ...any)) {
	var low, high, ceiling rf.Power
	for _, q := range d.checked.Points {
		low = low.Lower(q.Drive)
		if high.Absent() || q.Drive.Above(high) {
			high = q.Drive
		}
		if ceiling.Absent() || q.Ceiling.Above(ceiling) {
			ceiling = q.Ceiling
		}
	}
	if low.Absent() {
		return
	}
	drives := low.String()
	if high.String() != drives {
		drives += " to " + high.String()
	}
	how := "by the budget"
	if p := d.plan; p.Mode == plan.ConstantDrive || p.Mode == plan.Substitution && len(d.checked.Notes) == 0 {
		how = "as " + map[plan.Mode]string{plan.ConstantDrive: "the plan says", plan.Substitution: "calibrated"}[p.Mode]
	}
	row("generator", "%s into 50 Ω, %s; never above %v", drives, how, ceiling)
	for _, note := range d.checked.Notes {
		row("", "%s", note)
	}
}

// printUnreachable prints the frequencies at which the level is not reached, neighbours of the grid
// with the same reason as one line.
func (d DryRun) printUnreachable(out io.Writer) {
	if len(d.checked.Unreachable) == 0 {
		return
	}
	fmt.Fprint(out, "\nWhere the level is not reached by the budget, a pass is a bound:\n")
	t := terminal.Table(out)
	fmt.Fprintln(t, "from\tto\tworst at\treach\twanted\tshort\twhy")
	for _, g := range d.gathered() {
		fmt.Fprintf(t, "%v\t%v\t%v\t%v\t%v\t%v\t%s\n", g.low, g.high, g.worst.Frequency, g.worst.Reach, g.worst.Wanted,
			g.worst.Short, g.worst.Why)
	}
	t.Flush()
}

type stretch struct {
	low, high rf.Frequency
	worst     plan.Unreachable
}

func (d DryRun) gathered() []stretch {
	next := map[rf.Frequency]rf.Frequency{}
	for i := 1; i < len(d.plan.Grid); i++ {
		next[d.plan.Grid[i-1]] = d.plan.Grid[i]
	}
	var out []stretch
	for _, u := range d.checked.Unreachable {
		if n := len(out); n > 0 && next[out[n-1].high] == u.Frequency && out[n-1].worst.Why == u.Why {
			out[n-1].high = u.Frequency
			if u.Short > out[n-1].worst.Short {
				out[n-1].worst = u
			}
			continue
		}
		out = append(out, stretch{u.Frequency, u.Frequency, u})
	}
	return out
}

func (d DryRun) printPoints(out io.Writer) {
	fmt.Fprintln(out)
	t := terminal.Table(out)
	fmt.Fprintln(t, "frequency\tlevel\tgenerator\tceiling\tforward power\texpected current\tits range\tceiling set by "+
		"the ratings")
	for _, q := range d.checked.Points {
		if d.plan.Kind == plan.Baseline {
			fmt.Fprintf(t, "%v\t%v\toff\t–\t–\t–\t–\t–\n", q.Frequency, q.Wanted.Current)
			continue
		}
		x := q.Predicted
		fmt.Fprintf(t, "%v\t%v\t%v\t%v\t%v\t%v\t%s\t%v (%s)\n", q.Frequency, q.Wanted.Current, q.Drive.Text(2),
			q.Ceiling.Text(2), x.Forward, x.Current, rangeText(x.Low.Quantity(), x.High.Quantity()), q.Safe.Text(2),
			q.LimitedBy)
	}
	t.Flush()
}
