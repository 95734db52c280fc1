package main

import (
	"errors"
	"fmt"
	"io"
	"path/filepath"

	"provoke/internal/findings/analysis"
	"provoke/internal/findings/uncertainty"
	"provoke/internal/job/event"
	"provoke/internal/job/result"
	"provoke/internal/job/store"
	"provoke/internal/model/twoport"
	"provoke/internal/tell"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

type laboratoryCommand struct {
	Job        string      `arg:"" help:"Job file."`
	File       string      `arg:"" optional:"" help:"What the laboratory reported: YAML or CSV. Left out: what the job holds of it."`
	Number     int         `name:"run" placeholder:"N" help:"Run of the product as the laboratory had it; when not given, the exposure with the most frequencies before which nothing was changed."`
	Confidence rf.Fraction `default:"95 %" help:"Confidence that the laboratory passes."`
	Cable      string      `placeholder:"CABLE.yaml" help:"Model of the cable: how the laboratory's e.m.f. drives this product, in place of a range."`
	JSON       bool        `name:"json" help:"Print the documented JSON shape."`
}

// Help is the long help.
func (laboratoryCommand) Help() string {
	return `Each failure of the laboratory beside the run: reproduced or not, at what current, how many mA per volt of e.m.f. or
per V/m that implies with the published range beside it; what was never exposed here; what was found here and not there.
Then the current that a fixed product has to stand on this bench, so that the laboratory passes with the confidence,
given both uncertainties: k·√(u(bench)² + u(laboratory)² + u(coupling)²), k one-sided. How an e.m.f. or a field drives
this cable is known from a model of it (--cable) or only as a range, which is then printed without a confidence.
"provoke compare --laboratory" holds a run to it.

A YAML file begins with "provoke: laboratory 1" and has laboratory, report, uncertainty: {expanded: 1.9 dB, k: 2},
tested: [{from, to, level, modulation}], failures: [{from, to, level, modulation, class, what, onset, required}]. The
columns of a CSV file are from; to; level; modulation; what; class; onset; required. Levels are "10 V emf", "10 V/m" or
"60 mA"; "onset: true" says that the laboratory lowered its level to where the failure begins.

--json prints {"run","laboratory","report","confidence","factor","laboratory_u_db","laboratory_u_assumed","bench_u_assumed",
"failures":[{"from_hz","to_hz","level","modulation","class","what","fate","exposed","upset","at_hz","onset","asks","asks_high",
"indicative","per_unit","unit","published_low","published_high","published_source","beside","base","base_from","margin_db",
"required_low","required","no_confidence","notes":[...]}],"bench_only":[{"low_hz","high_hz","onset","tested","tested_at","why"}]}. per_unit is ampere per
unit ("V" of e.m.f., "V/m").`
}

// Run holds the report against a run.
func (c *laboratoryCommand) Run(w *terminal.World) error {
	job, err := store.OpenReadOnly(c.Job)
	if err != nil {
		return damage(err)
	}
	defer job.Close()
	tellLeftBehind(w, job)
	r, err := c.chosen(w, job)
	if err != nil {
		return fmt.Errorf("laboratory beside %s: %w", c.Job, err)
	}
	l, err := besideLaboratory(w, job, r, c.File, c.Cable, c.Confidence)
	if err != nil {
		return err
	}
	if c.JSON {
		return terminal.PrintJSON(w.Stdout, laboratoryShape(l))
	}
	return terminal.OnPage(w.Stdout, func(out io.Writer) error { return printBeside(out, l) })
}

// chosen reads the run of the product as the laboratory had it.
func (c *laboratoryCommand) chosen(w *terminal.World, job *store.Job) (result.Run, error) {
	number := c.Number
	if number == 0 {
		infos, err := job.Runs()
		if err != nil {
			return result.Run{}, damage(err)
		}
		var known []result.Run
		for _, i := range infos {
			known = append(known, result.Run{Number: i.Run, Opened: i.Opened})
		}
		if number = analysis.AsReceived(known); number == 0 {
			return result.Run{}, errors.New("the job holds no exposure of the product: run a plan of kind exposure first")
		}
	}
	r, _, err := readChosen(w, job, number)
	return r, err
}

// besideLaboratory reads a report, or takes the job's newest, and holds it against a run.
func besideLaboratory(w *terminal.World, job *store.Job, r result.Run, file, cableFile string, confidence rf.Fraction) (analysis.BesideLaboratory, error) {
	lab, err := reported(w, job, file)
	if err != nil {
		return analysis.BesideLaboratory{}, err
	}
	certain, err := certaintyOf(w, job, r, lab, confidence)
	if err == nil && cableFile != "" {
		certain.Coupling, err = coupledBy(cableFile)
	}
	if err != nil {
		return analysis.BesideLaboratory{}, err
	}
	return analysis.CompareLaboratory(lab, r, certain)
}

// reported reads what the laboratory reported.
func reported(w *terminal.World, job *store.Job, file string) (event.LaboratoryFailures, error) {
	if file == "" {
		infos, err := job.Runs()
		if err != nil {
			return event.LaboratoryFailures{}, damage(err)
		}
		for i := len(infos) - 1; i >= 0; i-- {
			if infos[i].Opened.RunKind != event.LaboratoryKind {
				continue
			}
			r, err := readRun(w, job, infos[i].Run)
			if err != nil {
				return event.LaboratoryFailures{}, err
			}
			if r.Laboratory != nil {
				return *r.Laboratory, nil
			}
		}
		return event.LaboratoryFailures{}, errors.New("the job holds nothing that a laboratory reported: name a file, YAML or CSV")
	}
	data, err := terminal.ReadText(file)
	if err != nil {
		return event.LaboratoryFailures{}, fmt.Errorf("read the laboratory's report: %w", err)
	}
	lab, list := analysis.ParseLaboratory(filepath.Base(file), data)
	for _, p := range list.Warnings() {
		fmt.Fprintln(w.Stderr, p)
	}
	return lab, list.Err()
}

// certaintyOf gathers how well both levels are known.
func certaintyOf(w *terminal.World, job *store.Job, r result.Run, lab event.LaboratoryFailures, confidence rf.Fraction) (analysis.Certainty, error) {
	bench, err := benchOfRun(job, r)
	var same []result.Run
	if err != nil {
		bench = nil // both levels are then told as assumed
	} else if same, err = repeatsOf(w, job, r); err != nil {
		return analysis.Certainty{}, err
	}
	c, err := uncertainty.CertaintyOf(bench, r, same, lab, confidence)
	if err != nil {
		return c, terminal.WithCode(terminal.ExitUsage, fmt.Errorf("--confidence: %w", err))
	}
	return c, nil
}

// setUpSpread is by how much a current that a model of the cable gives for the laboratory's set-up may lie off to
// either side: its cable lies otherwise (common practice, no single source).
const setUpSpread rf.Gain = 2

// coupledBy returns how a laboratory's e.m.f. drives the product, by a model of the cable.
func coupledBy(file string) (func(rf.Frequency) (over, half rf.Gain, source string, err error), error) {
	model, _, err := loadCable(file)
	if err != nil {
		return nil, err
	}
	return func(f rf.Frequency) (rf.Gain, rf.Gain, string, error) {
		g, err := twoport.NewGrid([]rf.Frequency{f})
		if err != nil {
			return 0, 0, "", err
		}
		r, err := model.Compute(g)
		if err != nil {
			return 0, 0, "", err
		}
		return r.OverMatchedLoop(0), setUpSpread, fmt.Sprintf("by the model of the cable in %s it drives %s more than into a matched loop", file, r.OverMatchedLoop(0).Text(1)), nil
	}, nil
}

func printBeside(out io.Writer, l analysis.BesideLaboratory) error {
	fmt.Fprintf(out, "%s, %s beside run %d %q\n", orDash(l.Report.Laboratory), orDash(l.Report.Report), l.Run, event.Printable(l.Opened.Label))
	assumed := ""
	if l.Certainty.AssumedLaboratory {
		assumed = " (ASSUMED: its report gives none)"
	}
	fmt.Fprintf(out, "confidence %v, factor %.2f one-sided; laboratory's level known to %s standard%s", l.Certainty.Confidence, l.Certainty.Factor, l.Certainty.Laboratory.Text(2), assumed)
	if l.Certainty.AssumedBench {
		fmt.Fprintf(out, "; bench to %s (ASSUMED: the job holds no bench file)", l.Certainty.Bench(rf.Megahertz).Text(2))
	}
	fmt.Fprint(out, "\n\n")
	t := terminal.Table(out)
	fmt.Fprintln(t, "laboratory failed at\tlevel\tstands for\ton the bench\tonset\tat\timplies\tpublished\ta fix must show\tof that margin")
	for _, p := range l.Points {
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%v\t%v\t%s\t%s\t%v\t%s\n", p.Span(), orDash(p.LaboratoryFailure.Level), tell.AsksWords(p), tell.FateWords(p), p.Onset, p.At,
			tell.PerUnitWords(p), tell.PublishedWords(p), p.RequiredWords(), p.Margin.Text(1))
	}
	if err := t.Flush(); err != nil {
		return err
	}
	for _, p := range l.Points {
		if p.Beside != "" {
			fmt.Fprintf(out, "%s: the current per unit lies %s (%s)\n", p.Span(), p.Beside, p.PublishedSource)
		}
		fmt.Fprintf(out, "%s: what a fix must show rests on: %s\n", p.Span(), p.BaseFrom)
		if p.Indicative != "" {
			fmt.Fprintf(out, "%s: %s\n", p.Span(), p.Indicative)
		}
		for _, n := range p.Notes {
			fmt.Fprintf(out, "%s: %s\n", p.Span(), event.Printable(n))
		}
	}
	if len(l.BenchOnly) > 0 {
		fmt.Fprintln(out, "\nfound on the bench and not reported by the laboratory")
	}
	for _, b := range l.BenchOnly {
		fmt.Fprintf(out, "  %s, lowest onset %v at %v: %s\n", analysis.Span(b.Band), b.Lowest.Onset, b.Lowest.Frequency, b.Why)
	}
	return nil
}

// The shapes of --json.
type (
	laboratoryJSON struct {
		Run        int                     `json:"run"`
		Laboratory string                  `json:"laboratory"`
		Report     string                  `json:"report"`
		Confidence float64                 `json:"confidence"`
		Factor     float64                 `json:"factor"`
		LabU       *float64                `json:"laboratory_u_db"`
		LabAssumed bool                    `json:"laboratory_u_assumed"`
		BenchGuess bool                    `json:"bench_u_assumed"`
		Failures   []laboratoryFailureJSON `json:"failures"`
		BenchOnly  []benchOnlyJSON         `json:"bench_only"`
	}
	laboratoryFailureJSON struct {
		From          *float64     `json:"from_hz"`
		To            *float64     `json:"to_hz"`
		Level         string       `json:"level"`
		Modulation    string       `json:"modulation"`
		Class         string       `json:"class"`
		What          string       `json:"what"`
		Fate          string       `json:"fate"`
		Exposed       int          `json:"exposed"`
		Upset         int          `json:"upset"`
		At            *float64     `json:"at_hz"`
		Onset         *rf.Quantity `json:"onset"`
		Asks          *rf.Quantity `json:"asks"`
		AsksHigh      *rf.Quantity `json:"asks_high"`
		Indicative    string       `json:"indicative,omitempty"`
		PerUnit       *rf.Quantity `json:"per_unit"`
		Unit          string       `json:"unit"`
		PublishedLow  *rf.Quantity `json:"published_low"`
		PublishedHigh *rf.Quantity `json:"published_high"`
		Published     string       `json:"published_source,omitempty"`
		Beside        string       `json:"beside,omitempty"`
		Base          *rf.Quantity `json:"base"`
		BaseFrom      string       `json:"base_from"`
		Margin        *float64     `json:"margin_db"`
		RequiredLow   *rf.Quantity `json:"required_low"`
		Required      *rf.Quantity `json:"required"`
		NoConfidence  string       `json:"no_confidence,omitempty"`
		Notes         []string     `json:"notes"`
	}
	benchOnlyJSON struct {
		Low      float64      `json:"low_hz"`
		High     float64      `json:"high_hz"`
		Onset    *rf.Quantity `json:"onset"`
		Tested   bool         `json:"tested"`
		TestedAt string       `json:"tested_at"`
		Why      string       `json:"why"`
	}
)

func laboratoryShape(l analysis.BesideLaboratory) laboratoryJSON {
	out := laboratoryJSON{Run: l.Run, Laboratory: l.Report.Laboratory, Report: l.Report.Report, Confidence: rounded(float64(l.Certainty.Confidence)),
		Factor: rounded(l.Certainty.Factor), LabU: rf.OrNull(l.Certainty.Laboratory, 3), LabAssumed: l.Certainty.AssumedLaboratory, BenchGuess: l.Certainty.AssumedBench,
		Failures: []laboratoryFailureJSON{}, BenchOnly: []benchOnlyJSON{}}
	for _, p := range l.Points {
		x := p.LaboratoryFailure
		out.Failures = append(out.Failures, laboratoryFailureJSON{hertz(x.From), hertz(x.To), x.Level, x.Modulation, x.Class, x.What, string(p.Fate), p.Exposed, p.Upset,
			hertz(p.At), p.Onset.Quantity(), p.Asks.Quantity(), p.AsksHigh.Quantity(), p.Indicative, p.PerUnit.Quantity(), p.Unit, p.PublishedLow.Quantity(), p.PublishedHigh.Quantity(),
			p.PublishedSource, p.Beside, p.Base.Quantity(), p.BaseFrom, rf.OrNull(p.Margin, 3), p.RequiredLow.Quantity(), p.Required.Quantity(), p.NoConfidence, append([]string{}, p.Notes...)})
	}
	for _, b := range l.BenchOnly {
		out.BenchOnly = append(out.BenchOnly, benchOnlyJSON{b.Low.Frequency.Hz(), b.High.Frequency.Hz(), b.Lowest.Onset.Quantity(), b.Tested, b.TestedAt, b.Why})
	}
	return out
}
