package main

import (
	"errors"
	"fmt"
	"path/filepath"

	"provoke/internal/findings/analysis"
	"provoke/internal/job/event"
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
	book, close, err := terminal.OpenBook(w, c.Job)
	if err != nil {
		return err
	}
	defer close()
	number := c.Number
	if number == 0 {
		heads, err := book.Heads()
		if err != nil {
			return err
		}
		if number = analysis.AsReceived(heads); number == 0 {
			return fmt.Errorf("laboratory beside %s: the job holds no exposure of the product: run a plan of kind "+
				"exposure first", c.Job)
		}
	}
	if number, err = book.Choose(number); err != nil {
		return fmt.Errorf("laboratory beside %s: %w", c.Job, err)
	}
	l, err := besideLaboratory(w, book, number, c.File, c.Cable, c.Confidence)
	if err != nil {
		return err
	}
	if c.JSON {
		return terminal.PrintShape(w.Stdout, l)
	}
	_, f, err := book.Findings(number)
	if err != nil {
		return err
	}
	return terminal.Sections(w.Stdout, []tell.Section{tell.BesideSection(l, f, nil)}, false)
}

// besideLaboratory reads a report, or takes the job's newest, and holds it against a run.
func besideLaboratory(w *terminal.World, book *tell.Book, run int, file, cableFile string,
	confidence rf.Fraction) (analysis.BesideLaboratory, error) {
	var none analysis.BesideLaboratory
	lab, err := reported(w, book, file)
	if err != nil {
		return none, err
	}
	var coupling func(rf.Frequency) (over, half rf.Gain, source string, err error)
	if cableFile != "" {
		if coupling, err = coupledBy(cableFile); err != nil {
			return none, err
		}
	}
	l, err := book.Beside(lab, run, confidence, coupling)
	if errors.Is(err, tell.ErrConfidence) {
		return none, terminal.WithCode(terminal.ExitUsage, fmt.Errorf("--confidence: %w", err))
	}
	return l, err
}

// reported reads what the laboratory reported.
func reported(w *terminal.World, book *tell.Book, file string) (event.LaboratoryFailures, error) {
	if file == "" {
		lab, run, err := book.Laboratory()
		if err == nil && run == 0 {
			err = errors.New("the job holds nothing that a laboratory reported: name a file, YAML or CSV")
		}
		return lab, err
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
		return r.OverMatchedLoop(0), setUpSpread,
			fmt.Sprintf("by the model of the cable in %s it drives %s more than into a matched loop",
				file, r.OverMatchedLoop(0).Text(1)), nil
	}, nil
}
