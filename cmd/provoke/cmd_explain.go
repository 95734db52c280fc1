package main

import (
	"fmt"
	"io"

	"provoke/internal/analysis"
	"provoke/internal/curve"
	"provoke/internal/event"
	"provoke/internal/evidence"
	"provoke/internal/report"
	"provoke/internal/result"
	"provoke/internal/rf"
	"provoke/internal/store"
	"provoke/internal/trace"
)

type explainCommand struct {
	Job    string `arg:"" help:"Job file."`
	Number int    `name:"run" help:"Run number; the newest exposure when not given." placeholder:"N"`
	Second string `placeholder:"FILE.csv" help:"Second harmonic at the clamp's input against the carrier, as measured: f/MHz;level/dB, levels below 0 dB." type:"path"`
	Third  string `placeholder:"FILE.csv" help:"Third harmonic likewise." type:"path"`
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

--json prints {"run","considered":[...],"bands":[{"low_hz","high_hz","lowest_hz","onset","lines":[{"topic","for","strength","compared","runs":[...]}]}]}.`
}

func (c *explainCommand) Run(w *world) error {
	job, err := store.OpenReadOnly(c.Job)
	if err != nil {
		return damage(err)
	}
	defer job.Close()
	tellLeftBehind(w, job)
	runs, err := readRuns(w, job)
	if err != nil {
		return err
	}
	r, err := pickRun(runs, c.Number)
	if err != nil {
		return fmt.Errorf("explain %s: %w", c.Job, err)
	}
	harmonics, err := c.harmonics(w, job, r)
	if err != nil {
		return err
	}
	e, err := evidence.Explain(runs, r.Number, harmonics)
	if err != nil {
		return err
	}
	if c.JSON {
		return printJSON(w.stdout, report.Explanation(e))
	}
	return onPage(w.stdout, func(out io.Writer) error { printExplanation(out, e); return nil })
}

// harmonics are those measured, then those of the amplifier's data in the bench file of the run.
func (c *explainCommand) harmonics(w *world, job *store.Job, r result.Run) (evidence.Harmonics, error) {
	var measured [2]curve.Curve[rf.Gain]
	for i, name := range []string{c.Second, c.Third} {
		if name == "" {
			continue
		}
		data, err := readTable(name)
		if err != nil {
			return nil, fmt.Errorf("read the harmonics: %w", err)
		}
		p, list := trace.Curve[rf.Gain](name, data, trace.Declared{})
		if err := list.Err(); err != nil {
			return nil, err
		}
		measured[i] = p
	}
	bench, err := evidence.BenchOf(r, func(hash string) ([]byte, error) { _, data, err := job.Attachment(hash); return data, err })
	if err != nil {
		fmt.Fprintf(w.stderr, "provoke: nothing is known of the amplifier's harmonics: %v\n", err)
		bench = nil
	}
	return evidence.Measured(measured[0], measured[1], evidence.OfAmplifier(bench)), nil
}

func printExplanation(w io.Writer, e evidence.Explanation) {
	fmt.Fprintf(w, "run %d; compared with %s of the same state of the product\n", e.Run, numbersOf(e.Considered))
	if len(e.Bands) == 0 {
		fmt.Fprintln(w, "no upset in this run, nothing to explain")
	}
	for _, b := range e.Bands {
		fmt.Fprintf(w, "\n%s, lowest onset %v at %v\n", analysis.Span(b.Band), b.Lowest.Onset, b.Lowest.Frequency)
		if len(b.Lines) == 0 {
			fmt.Fprintln(w, "  nothing in this job bears on its cause")
			continue
		}
		t := table(w)
		for _, l := range b.Lines {
			fmt.Fprintf(t, "  %s\t%s\t%s\t%s\n", l.Topic, l.Strength, "for "+l.For, event.Printable(l.Compared))
		}
		t.Flush()
	}
}
