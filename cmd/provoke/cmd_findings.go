package main

import (
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"provoke/internal/findings/analysis"
	"provoke/internal/findings/evidence"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/job/store"
	"provoke/internal/tell"
	"provoke/internal/terminal"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

type findingsCommand struct {
	Job         string `arg:"" help:"Job file."`
	Number      int    `name:"run" help:"Run number; the newest exposure when not given." placeholder:"N"`
	JSON        bool   `name:"json" help:"Print the findings as JSON."`
	All         bool   `help:"Print every upset; without it each failing band with its lowest onset."`
	FailOnUpset bool   `help:"End with exit code 10 when the DUT upset."`
}

func (c *findingsCommand) Help() string {
	return "Prints failing bands, then every upset with its threshold, then what was never upset. A value marked \"at least\" or \"at most\" was not bracketed."
}

// Run prints the findings of one run.
func (c *findingsCommand) Run(w *terminal.World) error {
	job, err := store.OpenReadOnly(c.Job)
	if err != nil {
		return damage(err)
	}
	defer job.Close()
	tellLeftBehind(w, job)
	r, control, err := readChosen(w, job, c.Number)
	if err != nil {
		return fmt.Errorf("findings of %s: %w", c.Job, err)
	}
	f := analysis.Of(r, control)
	known := onsetsOf(w, job, r, &f)
	if c.JSON {
		j := tell.Findings(f)
		known.fill(&j)
		err = terminal.PrintJSON(w.Stdout, j)
	} else {
		err = terminal.OnPage(w.Stdout, func(out io.Writer) error {
			err := printFindings(out, r, f, known, c.All)
			if err == nil {
				printEvidence(out, job, r, control)
			}
			return err
		})
	}
	if err == nil && c.FailOnUpset && f.Upsets > 0 {
		return terminal.WithCode(terminal.ExitUpset, fmt.Errorf("the DUT upset at %s in run %d", english.Count(f.Upsets, "frequency", "frequencies"), f.Run))
	}
	return err
}

// printEvidence prints what this run and its control show about the cause of each failing band; the
// other runs of the job may show more.
func printEvidence(w io.Writer, job *store.Job, r result.Run, control *result.Run) {
	runs := []result.Run{r}
	if control != nil {
		runs = append(runs, *control)
		slices.SortFunc(runs, func(a, b result.Run) int { return a.Number - b.Number })
	}
	bench, err := evidence.BenchOf(r, func(hash string) ([]byte, error) { _, data, err := job.Attachment(hash); return data, err })
	if err != nil {
		bench = nil // then nothing is known of the amplifier's harmonics, and no line says anything of them
	}
	e, err := evidence.Explain(runs, r.Number, evidence.OfAmplifier(bench))
	if err != nil {
		return
	}
	lines := 0
	for _, b := range e.Bands {
		for _, l := range b.Lines {
			if lines++; lines == 1 {
				fmt.Fprintln(w, "\nwhat this run shows about the cause (provoke explain compares it with the other runs of the job)")
			}
			fmt.Fprintf(w, "  %s  %s, for %s: %s\n", analysis.Span(b.Band), l.Strength, l.For, event.Printable(l.Compared))
		}
	}
}

// readChosen folds the run with a number, or the newest exposure, and the control run it is compared
// with; the other runs of the job are not read.
func readChosen(w *terminal.World, job *store.Job, number int) (r result.Run, control *result.Run, err error) {
	infos, err := job.Runs()
	if err != nil {
		return r, nil, damage(err)
	}
	var known []result.Run
	for _, i := range infos {
		known = append(known, result.Run{Number: i.Run, Opened: i.Opened})
	}
	if r, err = pickRun(known, number); err != nil {
		return r, nil, err
	}
	control = analysis.ControlFor(known, r)
	if r, err = readRun(w, job, r.Number); err != nil || control == nil {
		return r, nil, err
	}
	whole, err := readRun(w, job, control.Number)
	return r, &whole, err
}

// readRuns folds every run of a job, in order of number.
func readRuns(w *terminal.World, job *store.Job) ([]result.Run, error) {
	infos, err := job.Runs()
	if err != nil {
		return nil, damage(err)
	}
	var out []result.Run
	for _, i := range infos {
		r, err := readRun(w, job, i.Run)
		if err != nil {
			return nil, err
		}
		out = append(out, r)
	}
	return out, nil
}

// readRun folds one run and says on stderr when records of it could not be read.
func readRun(w *terminal.World, job *store.Job, number int) (result.Run, error) {
	r, err := result.All(job.Records(number, 1))
	if err != nil {
		return r, fmt.Errorf("read run %d of %s: %w", number, job.Path(), damage(err))
	}
	if r.Unreadable > 0 {
		fmt.Fprintf(w.Stderr, "provoke: %s of run %d cannot be read by this program and are passed over; see provoke journal\n", english.Count(r.Unreadable, "record", "records"), number)
	}
	return r, nil
}

// pickRun returns the run with a number, or the newest exposure, or the newest run of any kind.
func pickRun(runs []result.Run, number int) (result.Run, error) {
	if len(runs) == 0 {
		return result.Run{}, errors.New("the job holds no run yet; make one with provoke run")
	}
	newest := runs[len(runs)-1]
	for _, r := range runs {
		if number != 0 && r.Number == number {
			return r, nil
		}
		if r.Opened.RunKind == plan.Exposure {
			newest = r
		}
	}
	if number != 0 {
		return result.Run{}, fmt.Errorf("there is no run %d; the job holds %s", number, runNumbers(runs))
	}
	return newest, nil
}

func runNumbers(runs []result.Run) string {
	var out []int
	for _, r := range runs {
		out = append(out, r.Number)
	}
	return numbersOf(out)
}

func printFindings(w io.Writer, r result.Run, f analysis.Findings, known onsets, all bool) error {
	if r.Laboratory != nil {
		printLaboratory(w, r)
		return nil
	}
	tells := f.FalseAlarms == nil && f.Swept == nil && f.Exposed() && r.Opened.RunKind != plan.Calibration
	headline, _ := tell.Headline(f)
	fmt.Fprintln(w, headline)
	if tells {
		if worst, upset := f.Worst(); upset && known.words(worst.Frequency) != "" {
			fmt.Fprintf(w, "the onset there lies from %s with a confidence of 95 %%\n", strings.Join(strings.Fields(known.words(worst.Frequency)), " "))
		}
		fmt.Fprintf(w, "%s of %s exposed; highest current %v\n", soundWords(f), english.Count(len(r.Points()), "frequency", "frequencies"), r.HighestCurrent)
	}
	fmt.Fprintln(w)
	printRunHead(w, r)
	if tells {
		printBands(w, f)
		if all {
			printUpsets(w, f, known)
		} else if f.Upsets > 1 {
			fmt.Fprintf(w, "--all prints each of the %d frequencies that upset\n\n", f.Upsets)
		}
		printShort(w, f)
	}
	if r.Armed != nil {
		for _, x := range r.Armed.Unproved {
			fmt.Fprintf(w, "level not proved in the dwell: %s\n", x)
		}
	}
	printRemarks(w, f)
	printSureness(w, f, known)
	return nil
}

// printRunHead says what the run was, in a few lines.
func printRunHead(w io.Writer, r result.Run) {
	o := r.Opened
	fmt.Fprintf(w, "run %d", r.Number)
	if o.Label != "" {
		fmt.Fprintf(w, " %q", o.Label)
	}
	verdict := "not closed, " + string(r.State)
	if r.Ended() {
		verdict = string(r.Verdict)
	}
	fmt.Fprintf(w, ": %s, %s, %s; %s\n", o.RunKind, o.Mode, r.OpenedAt.Format("2006-01-02 15:04"), verdict)
	if r.RFNotKnownOff() {
		fmt.Fprintln(w, "*** RF IS NOT KNOWN TO BE OFF: switch the amplifier off by hand and look ***")
	}
	if o.Changed != "" {
		fmt.Fprintf(w, "changed: %s\n", event.Printable(o.Changed))
	}
	fmt.Fprintf(w, "level: %s\n", event.Printable(profileWords(o.Profile)))
	fmt.Fprintf(w, "%s; dwell %v; resolution %v\n", analysis.Modulation(o.Modulation), o.Dwell, o.Resolution)
	fmt.Fprintf(w, "%s, %s\n\n", english.Count(r.Exposures, "exposure", "exposures"), english.Count(len(r.Points()), "frequency", "frequencies"))
}

// printLaboratory prints what a laboratory reported, as it was entered.
func printLaboratory(w io.Writer, r result.Run) {
	fmt.Fprintf(w, "run %d: reported by %s, %s\n", r.Number, orDash(r.Laboratory.Laboratory), orDash(r.Laboratory.Report))
	t := terminal.Table(w)
	fmt.Fprintln(t, "  from\tto\tlevel\tmodulation\twhat happened")
	for _, x := range r.Laboratory.Failures {
		fmt.Fprintf(t, "  %v\t%v\t%s\t%s\t%s\n", x.From, x.To, orDash(x.Level), orDash(x.Modulation), orDash(x.What))
	}
	t.Flush()
}

func orDash(s string) string {
	if s == "" {
		return "–"
	}
	return event.Printable(s)
}

func profileWords(p event.Profile) string {
	s := p.Title
	if s == "" {
		s = p.ID
	}
	if s == "" {
		return "none named"
	}
	if mark := p.Mark(); mark != "" {
		s += " (" + mark + ")"
	}
	return s
}

func printBands(w io.Writer, f analysis.Findings) {
	if len(f.Bands) == 0 {
		return
	}
	fmt.Fprintf(w, "%s (%s)\n", english.Count(len(f.Bands), "failing band", "failing bands"), plan.MonotoneAssumed)
	t := terminal.Table(w)
	fmt.Fprintln(t, "  band\tlowest onset\tat\t"+tell.MarginTo(f)+"\tclass\tlow edge\thigh edge\tlow check\texposures")
	for _, b := range f.Bands {
		fmt.Fprintf(t, "  %s\t%v\t%v\t%s\t%s\t%s\t%s\t%s\t%d\n", analysis.Span(b), b.Lowest.Onset, b.Lowest.Frequency,
			gainWords(b.Lowest.Margin, b.Lowest.MarginBound), classWords(b.Class, b.InControl),
			tell.EdgeWords(b.Low, "below"), tell.EdgeWords(b.High, "above"), tell.MonotoneWords(b.Monotone), b.Exposures)
	}
	t.Flush()
	fmt.Fprintln(w)
}

func printUpsets(w io.Writer, f analysis.Findings, known onsets) {
	if f.Upsets == 0 {
		return
	}
	fmt.Fprintln(w, "upsets")
	t := terminal.Table(w)
	fmt.Fprintln(t, "  frequency\tonset\tfrom … to\trecovery\twanted\t"+tell.MarginTo(f)+"\tclass\tupsets at onset\texposures")
	for _, p := range f.Points {
		if !p.Upset {
			continue
		}
		fmt.Fprintf(t, "  %v\t%s\t%s\t%v\t%v\t%s\t%s\t%d of %d\t%d\n", p.Frequency, tell.OnsetWords(p), known.words(p.Frequency), tell.RecoveryWords(p), p.Wanted,
			gainWords(p.Margin, p.MarginBound), classWords(p.Class, p.InControl), p.UpsetsAtOnset, p.TrialsAtOnset, p.Exposures)
	}
	t.Flush()
	fmt.Fprintln(w)
}

// soundWords says where nothing upset.
func soundWords(f analysis.Findings) string {
	sound := 0
	for _, p := range f.Points {
		if !p.Upset && !p.NotReached && p.Tested() {
			sound++
		}
	}
	return fmt.Sprintf("no upset up to the level wanted at %d", sound)
}

// mostShort is how many frequencies are told of those at which the level wanted was not reached.
const mostShort = 8

// printShort says where less than the level wanted was reached, and what held it.
func printShort(w io.Writer, f analysis.Findings) {
	var short []analysis.Point
	for _, p := range f.Points {
		if !p.Upset && (p.NotReached || !p.Tested()) {
			short = append(short, p)
		}
	}
	if len(short) == 0 {
		return
	}
	fmt.Fprintf(w, "the level wanted was not reached at %s\n", english.Count(len(short), "frequency", "frequencies"))
	t := terminal.Table(w)
	fmt.Fprintln(t, "  frequency\tonset\twanted\tshort of it by\twhy")
	for i, p := range short {
		if i == mostShort && len(short) > mostShort+1 {
			fmt.Fprintf(t, "  and %d more; --json tells all\n", len(short)-i)
			break
		}
		missing, b := p.Wanted.Minus(p.Onset.WithBound(rf.Exactly))
		fmt.Fprintf(t, "  %v\t%v\t%v\t%s\t%s\n", p.Frequency, p.Onset, p.Wanted, gainWords(missing, b), event.Printable(p.Limited))
	}
	t.Flush()
}

func printRemarks(w io.Writer, f analysis.Findings) {
	if s := tell.LevelWords(f); s != "" {
		fmt.Fprintln(w, event.Printable(s))
	}
	if f.Control != 0 {
		fmt.Fprintf(w, "compared with control run %d: upsets that it shows too are marked %q\n", f.Control, analysis.MonitorOrAE)
	}
	for _, d := range f.Drift {
		if d.Exceeds() {
			fmt.Fprintf(w, "drift: %s moved by %+.4g %s without RF, more than half its tolerance of %g %s\n", event.Printable(d.Monitor), d.Largest, event.Printable(d.Unit), d.Tolerance, event.Printable(d.Unit))
		}
	}
}

// printSureness says what the uncertainties rest on, and where an onset is no single level.
func printSureness(w io.Writer, f analysis.Findings, known onsets) {
	if s := known.remark(); s != "" {
		fmt.Fprintln(w, s)
	}
	const most = 8
	for i, n := range f.NotDeterministic {
		if i == most {
			fmt.Fprintf(w, "not deterministic at %s more\n", english.Count(len(f.NotDeterministic)-most, "frequency", "frequencies"))
			break
		}
		fmt.Fprintf(w, "not deterministic at %v: %s; a staircase finds the level of a chosen upset probability (provoke study threshold)\n", n.Frequency, n.Why)
	}
	if s := f.Stability; s != nil {
		if known.check.Components != nil {
			fmt.Fprintln(w, s.Says(known.check.U()))
		} else {
			fmt.Fprintf(w, "the current at the check point %v moved by %s at most at the same drive\n", s.Frequency, s.Drift.Text(2))
		}
	}
}

func gainWords(g rf.Gain, b rf.Bound) string { return tell.GainWords(g, b) }

func classWords(c event.Class, inControl bool) string {
	if inControl {
		c += "; " + analysis.MonitorOrAE
	}
	return event.Printable(string(c))
}
