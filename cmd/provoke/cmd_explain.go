package main

import (
	"fmt"
	"io"

	"provoke/internal/files/trace"
	"provoke/internal/findings/analysis"
	"provoke/internal/findings/evidence"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/tell"
	"provoke/internal/terminal"
	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

type explainCommand struct {
	Job    string `arg:"" help:"Job file."`
	Number int    `name:"run" help:"Run number; the newest exposure in which the product upset when not given, else the newest exposure." placeholder:"N"`
	Second string `placeholder:"FILE.csv" help:"Second harmonic at the clamp's input against the carrier, as measured: f/MHz;level/dB, levels below 0 dB." type:"path"`
	Third  string `placeholder:"FILE.csv" help:"Third harmonic likewise." type:"path"`
	Try    int    `placeholder:"N" help:"Put that try of a fixing loop beside the prediction that remedy --attach kept with the run: does what it measured agree?"`
	Loop   int    `placeholder:"RUN" help:"With --try: the run of the fixing loop; the newest when not given."`
	JSON   bool   `name:"json" help:"Print as JSON."`
}

// Help says what is compared.
func (explainCommand) Help() string {
	return `For each failing band, what the runs of the job show about its cause. Only runs of the same state of the product count: from the
last --changed up to the run, to the next one after it.
  fundamental or harmonic   the current of the second and third harmonic at the onset, against the onset known at their frequencies
  cable or product          the current for the same forward power over the band, against how the onset current dips there
  DUT or AE                 the control run
  modulation                onsets with CW, AM and pulse, as levels and at the crest
Strong is from 10 dB of distance, moderate from 6 dB, weak from 3 dB; without evidence there is no line.

--json prints {"run","considered":[...],"bands":[{"low_hz","high_hz","lowest_hz","onset","lines":[{"topic","for","strength","compared","runs":[...]}]}]}; with --try also "tried", as of provoke remedy.`
}

func (c *explainCommand) Run(w *terminal.World) error {
	book, close, err := terminal.OpenBook(w, c.Job)
	if err != nil {
		return err
	}
	defer close()
	runs, err := book.All()
	if err != nil {
		return err
	}
	number, upset := c.Number, upsetRuns(runs)
	if number == 0 && len(upset) > 0 {
		number = upset[len(upset)-1]
	}
	number, err = book.Choose(number)
	if err != nil {
		return fmt.Errorf("explain %s: %w", c.Job, err)
	}
	r, err := book.Run(number)
	if err != nil {
		return err
	}
	harmonics, err := c.harmonics(w, book, r)
	if err != nil {
		return err
	}
	e, err := book.Explain(number, harmonics)
	if err != nil {
		return err
	}
	told := struct {
		evidence.Explanation
		Tried *tell.TriedBeside `tell:"tried,omit"`
	}{Explanation: e}
	if c.Try != 0 || c.Loop != 0 {
		if told.Tried, err = c.beside(book, r); err != nil {
			return fmt.Errorf("explain %s: %w", c.Job, err)
		}
	}
	if c.JSON {
		return terminal.PrintShape(w.Stdout, told)
	}
	err = terminal.OnPage(w.Stdout, func(out io.Writer) error {
		printExplanation(out, e, upset,
			c.Number == 0)
		return nil
	})
	if err != nil || told.Tried == nil {
		return err
	}
	fmt.Fprintln(w.Stdout)
	return terminal.Sections(w.Stdout, []tell.Section{told.Tried.Section()}, true)
}

// beside puts a try beside the prediction that is kept with a run.
func (c *explainCommand) beside(book *tell.Book, r result.Run) (*tell.TriedBeside, error) {
	p, err := book.Predicted(r)
	if err == nil && p == nil {
		err = fmt.Errorf("no prediction is kept with run %d that a try could speak for or against: provoke remedy "+
			"PARTS.yaml --job JOB --run %d --attach keeps one", r.Number, r.Number)
	}
	if err != nil {
		return nil, err
	}
	tried, err := book.Tried(*p, c.Try, c.Loop)
	return &tried, err
}

// harmonics are those measured, then those of the amplifier's data in the bench file of the run.
func (c *explainCommand) harmonics(w *terminal.World, book *tell.Book, r result.Run) (evidence.Harmonics, error) {
	var measured [2]curve.Curve[rf.Gain]
	for i, name := range []string{c.Second, c.Third} {
		if name == "" {
			continue
		}
		data, err := terminal.ReadTable(name)
		if err != nil {
			return nil, fmt.Errorf("read the harmonics: %w", err)
		}
		p, list := trace.Curve[rf.Gain](name, data, trace.Declared{})
		if err := list.Err(); err != nil {
			return nil, err
		}
		measured[i] = p
	}
	bench, err := book.Bench(r)
	if err != nil {
		fmt.Fprintf(w.Stderr, "provoke: nothing is known of the amplifier's harmonics: %v\n", err)
		bench = nil
	}
	return evidence.Measured(measured[0], measured[1], evidence.OfAmplifier(bench)), nil
}

// upsetRuns lists the exposures in which the product upset.
func upsetRuns(runs []result.Run) (out []int) {
	for _, r := range runs {
		if r.Opened.RunKind == plan.Exposure && r.Upsets > 0 {
			out = append(out, r.Number)
		}
	}
	return out
}

// failuresIn says which runs have failures, after a sentence that says that this one has none.
func failuresIn(upset []int) string {
	if len(upset) == 0 {
		return "; the product upset in no exposure of this job"
	}
	return fmt.Sprintf("; the product upset in %s: name one with --run N", tell.RunNumbers(upset))
}

func printExplanation(w io.Writer, e evidence.Explanation, upset []int, chosen bool) {
	which := ""
	if chosen && len(upset) > 0 {
		which = ", the newest exposure in which the product upset"
	}
	fmt.Fprintf(w, "run %d%s; compared with %s of the same state of the product\n", e.Run, which,
		tell.RunNumbers(e.Considered))
	if len(e.Bands) == 0 {
		fmt.Fprintln(w, "no upset in this run, nothing to explain"+failuresIn(upset))
	}
	for _, b := range e.Bands {
		fmt.Fprintf(w, "\n%s, lowest onset %v at %v\n", analysis.Span(b.Band), b.Lowest.Onset, b.Lowest.Frequency)
		if len(b.Lines) == 0 {
			fmt.Fprintln(w, "  nothing in this job bears on its cause")
			continue
		}
		t := terminal.Table(w)
		for _, l := range b.Lines {
			fmt.Fprintf(t, "  %s\t%s\t%s\t%s\n", l.Topic, l.Strength, "for "+l.For, event.Printable(l.Compared))
		}
		t.Flush()
	}
}
