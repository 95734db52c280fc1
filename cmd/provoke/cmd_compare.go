package main

import (
	"errors"
	"fmt"
	"io"
	"regexp"
	"strings"

	"provoke/internal/files/catalog"
	"provoke/internal/findings/analysis"
	"provoke/internal/findings/remedy"
	"provoke/internal/findings/uncertainty"
	"provoke/internal/job/event"
	"provoke/internal/job/result"
	"provoke/internal/job/store"
	"provoke/internal/tell"
	"provoke/internal/terminal"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

type compareCommand struct {
	Job    string  `arg:"" help:"Job file."`
	Before int     `arg:"" optional:"" help:"Run before the change."`
	After  int     `arg:"" optional:"" help:"Run after the change; when neither is given, the newest run before which something was changed and the one that it exposes again."`
	Margin rf.Gain `help:"What the after-run has to stand above the onset before, beside the level wanted." default:"0 dB" placeholder:"'N dB'"`

	Laboratory string      `placeholder:"FILE" help:"Hold the after-run to a laboratory's report too (YAML or CSV; \"job\" for what the job holds): the margin that lets the laboratory pass."`
	Confidence rf.Fraction `default:"95 %" help:"Confidence that the laboratory passes, with --laboratory."`
	Cable      string      `placeholder:"CABLE.yaml" help:"Model of the cable: how the laboratory's e.m.f. drives this product, with --laboratory."`

	All  bool `help:"Print every frequency that upset in one of the runs; without it neighbours that say the same are folded."`
	JSON bool `name:"json" help:"Print the comparison as JSON."`
}

func (c *compareCommand) Help() string {
	return "The verdict is \"shown\" only where the after-run stood the level wanted, and the onset before plus the margin, at every frequency that upset before; it is never \"fixed\"."
}

// Run compares two runs of a job.
func (c *compareCommand) Run(w *terminal.World) error {
	if c.Before == c.After && c.Before != 0 {
		return terminal.WithCode(terminal.ExitUsage, fmt.Errorf("compare run %d with itself: name the run before the change and the run after it", c.Before))
	}
	if c.Margin < 0 {
		return terminal.WithCode(terminal.ExitUsage, fmt.Errorf("margin %v is below 0 dB: it asks for less than the product stood", c.Margin))
	}
	job, err := store.OpenReadOnly(c.Job)
	if err != nil {
		return damage(err)
	}
	defer job.Close()
	tellLeftBehind(w, job)
	if err := c.choose(job); err != nil {
		return err
	}
	var pair [2]result.Run
	for i, number := range []int{c.Before, c.After} {
		if pair[i], err = readRun(w, job, number); err != nil {
			return err
		}
	}
	repeats, err := mayRepeat(job)
	if err != nil {
		return err
	}
	benchOf := func(r result.Run) (*catalog.Bench, error) { return benchOfRun(job, r) }
	cmp := analysis.Compare(pair[0], pair[1], uncertainty.BasisOf(pair[0], pair[1], repeats, benchOf, c.Margin))
	if c.Laboratory != "" {
		file := c.Laboratory
		if file == "job" {
			file = ""
		}
		lab, err := besideLaboratory(w, job, pair[0], file, c.Cable, c.Confidence)
		if err != nil {
			return err
		}
		cmp.HoldToLaboratory(lab, pair[1])
	}
	predicted, err := remedy.Kept(pair[0], func(hash string) ([]byte, error) { _, data, err := job.Attachment(hash); return data, err })
	if err != nil {
		fmt.Fprintf(w.Stderr, "provoke: nothing predicted is shown: %v\n", err)
	}
	if c.JSON {
		out := tell.Comparison(cmp)
		out.Predicted = tell.Predicted(predicted, cmp)
		return terminal.PrintJSON(w.Stdout, out)
	}
	return terminal.OnPage(w.Stdout, func(out io.Writer) error {
		printComparison(out, cmp, c.All)
		printPredicted(out, predicted, cmp)
		return nil
	})
}

// choose fills in the runs where none are named.
func (c *compareCommand) choose(job *store.Job) error {
	switch {
	case c.After != 0:
		return nil
	case c.Before != 0:
		return terminal.WithCode(terminal.ExitUsage, errors.New("name the run before the change and the run after it, or neither"))
	}
	infos, err := job.Runs()
	if err != nil {
		return damage(err)
	}
	var runs []result.Run
	for _, i := range infos {
		runs = append(runs, result.Run{Number: i.Run, Opened: i.Opened})
	}
	if c.Before, c.After = analysis.Pair(runs); c.After == 0 {
		return fmt.Errorf("compare the runs of %s: it holds no exposure before which something was changed, with one before it: expose with --again N --changed \"what was changed\"", c.Job)
	}
	return nil
}

// printPredicted prints what was predicted before the change beside what was measured after it.
func printPredicted(w io.Writer, p *remedy.Prediction, c analysis.Comparison) {
	if p == nil {
		return
	}
	fmt.Fprintf(w, "\npredicted before the change, for %s:\n", event.Printable(strings.Join(p.Change, " + ")))
	beside := remedy.PredictedBeside(*p, c)
	if len(beside) == 0 {
		fmt.Fprintln(w, "  at no frequency can it be compared with what was measured")
		return
	}
	t := terminal.Table(w)
	fmt.Fprintln(t, "frequency\tpredicted gain\tband\tmeasured\tagreement")
	for _, b := range beside {
		fmt.Fprintf(t, "%v\t%v\t%v to %v\t%s\t%s\n", b.Frequency, b.Predicted, b.Low, b.High, gainWords(b.Measured, b.Bound), b.Agreement)
	}
	t.Flush()
}

func printComparison(w io.Writer, c analysis.Comparison, all bool) {
	for _, s := range c.InShort() {
		fmt.Fprintln(w, event.Printable(s))
	}
	for _, s := range c.Reservations {
		fmt.Fprintf(w, "  reservation: %s\n", event.Printable(s))
	}
	fmt.Fprintf(w, "\nbefore: run %d %s\nafter:  run %d %s\n", c.Before.Run, labelWords(c.Before), c.After.Run, labelWords(c.After))
	for _, d := range c.Differences {
		mark := "differs: "
		if d.Forbids {
			mark = "differs, and forbids a verdict: "
		}
		fmt.Fprintln(w, mark+event.Printable(d.String()))
	}
	for _, s := range c.Reasons {
		if c.Decision == nil || s != c.Decision.Says() { // that was said above
			fmt.Fprintf(w, "  %s\n", event.Printable(s))
		}
	}
	fmt.Fprintln(w)
	printComparedBands(w, c)
	printComparedPoints(w, c, all)
}

func labelWords(f analysis.Findings) string {
	s := fmt.Sprintf("%q", f.Opened.Label)
	if f.Opened.Changed != "" {
		s += ", changed: " + event.Printable(f.Opened.Changed)
	}
	return s
}

func printComparedBands(w io.Writer, c analysis.Comparison) {
	if len(c.Bands) == 0 {
		return
	}
	t := terminal.Table(w)
	fmt.Fprintln(t, "band before\tband after\twhat became of it\tgain")
	for _, b := range c.Bands {
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\n", tell.SpanWords(b.Before), tell.SpanWords(b.After), b.Fate, tell.GainRangeWords(b))
	}
	t.Flush()
	fmt.Fprintln(w)
}

// printComparedPoints prints the frequencies that upset in one of the runs; neighbours with the same verdict, and
// the same kind of reason, in one row unless all are asked for.
func printComparedPoints(w io.Writer, c analysis.Comparison, all bool) {
	t := terminal.Table(w)
	fmt.Fprintln(t, "frequency\tonset before\tonset after\tgain\trequired\tverdict\twhy")
	rest, apart := 0, 0
	var group []analysis.ComparedPoint
	flush := func() {
		if len(group) > 0 {
			printComparedGroup(t, group)
		}
		group = nil
	}
	for _, p := range c.Points {
		if !p.Telling() {
			if p.Verdict == analysis.NotCompared {
				apart++
			} else {
				rest++
			}
			flush() // what stood between is not in a group
			continue
		}
		if n := len(group); n > 0 && (all || !alike(group[n-1], p)) {
			flush()
		}
		group = append(group, p)
	}
	flush()
	t.Flush()
	if s := tell.InDrive(c); s != "" {
		fmt.Fprintln(w, s)
	}
	if rest > 0 {
		fmt.Fprintf(w, "%s: no upset in either run\n", english.Count(rest, "other frequency", "other frequencies"))
	}
	if apart > 0 {
		fmt.Fprintf(w, "%s: exposed in only one of the runs, no upset there\n", english.Count(apart, "other frequency", "other frequencies"))
	}
}

// alike reports that two rows say the same but for their figures.
func alike(a, b analysis.ComparedPoint) bool {
	kind := func(p analysis.ComparedPoint) string {
		before, after := p.Onsets()
		return fmt.Sprint(p.Verdict, before.Bound(), after.Bound(), before.Known(), after.Known(), p.GainBound, p.Gain.Finite(), anyFigure.ReplaceAllString(p.Why, "#"))
	}
	return kind(a) == kind(b)
}

var anyFigure = regexp.MustCompile(`\d+(\.\d+)?`)

func printComparedGroup(t io.Writer, group []analysis.ComparedPoint) {
	p := group[0]
	before, after := p.Onsets()
	if len(group) == 1 {
		fmt.Fprintf(t, "%v\t%v\t%v\t%s\t%v\t%s\t%s\n", p.Frequency, before, after, gainWords(p.Gain, p.GainBound), p.Required, p.Verdict, p.Why)
		return
	}
	low, high := [2]rf.Current{before, after}, [2]rf.Current{before, after}
	worst, least := p, p.Gain
	most := p.Gain
	for _, q := range group {
		b, a := q.Onsets()
		for i, x := range []rf.Current{b, a} {
			low[i], high[i] = low[i].Lower(x), higher(high[i], x)
		}
		if q.Gain < least {
			least = q.Gain
		}
		most = max(most, q.Gain)
		if x, y := onsetAfter(q), onsetAfter(worst); y.Above(x) {
			worst = q
		}
	}
	span := func(a, b fmt.Stringer) string {
		if a.String() == b.String() {
			return a.String()
		}
		return fmt.Sprintf("%v to %v", a, b)
	}
	gain := gainWords(least, p.GainBound)
	if s := gainWords(most, rf.Exactly); !strings.HasSuffix(gain, s) {
		gain += " to " + s
	}
	why := worst.Why
	if worst.Frequency != 0 && !strings.Contains(why, "at "+worst.Frequency.String()) {
		why += fmt.Sprintf(" (the lowest, at %v)", worst.Frequency)
	}
	fmt.Fprintf(t, "%v to %v (%d)\t%s\t%s\t%s\t%v\t%s\t%s\n", p.Frequency, group[len(group)-1].Frequency, len(group), span(low[0], high[0]),
		span(low[1], high[1].WithBound(rf.Exactly)), gain, p.Required, p.Verdict, why)
}

func onsetAfter(p analysis.ComparedPoint) rf.Current {
	_, after := p.Onsets()
	return after.WithBound(rf.Exactly)
}

func higher(a, b rf.Current) rf.Current {
	if b.Above(a) {
		return b
	}
	return a
}
