package main

import (
	"fmt"
	"io"
	"math"
	"math/cmplx"
	"os"
	"slices"
	"strings"

	"provoke/internal/faces/report"
	"provoke/internal/files/problem"
	"provoke/internal/job/store"
	"provoke/internal/model/cable"
	"provoke/internal/model/twoport"
	"provoke/internal/terminal"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// cableCommand computes the cable under test.
type cableCommand struct {
	File       string      `arg:"" name:"cable.yaml" help:"Cable file."`
	At         []string    `sep:"none" placeholder:"FREQUENCY" help:"Print this frequency, e.g. \"27.12 MHz\"; may be repeated."`
	Along      []string    `sep:"none" placeholder:"FREQUENCY" help:"Print the current along the cable at this frequency; may be repeated."`
	Places     int         `default:"21" placeholder:"N" help:"Places along the cable (${default})."`
	Fit        string      `placeholder:"JOB" help:"Estimate the cable from a run of this job that measured current and forward power."`
	Number     int         `name:"run" placeholder:"N" help:"Run to estimate from; the newest exposure when not given."`
	Free       []string    `sep:"," placeholder:"NAME,..." help:"What to estimate: length to AE, DUT capacitance, loss, DUT resistance, AE resistance, AE inductance, velocity, offset."`
	Confidence rf.Fraction `default:"95 %" placeholder:"PERCENT" help:"Confidence of the limits (${default})."`
	SVG        string      `name:"svg" placeholder:"FILE" help:"Draw the currents over frequency."`
	JSON       bool        `name:"json" help:"Print as JSON."`
}

// Help is the long help.
func (cableCommand) Help() string {
	return `Computes the current on a cable over the reference plane with clamp and probe: at the DUT's connector, at the probe, into the AE,
and against the 50 Ω jig at the same forward power (the error of calibrating in the jig and replaying the power). The correction is
what is added to the probe's reading to give the connector's current; its range is that of the probe's place within the tolerance.
Resonances are named with their cause. provoke new DIR --models writes a commented example.

--fit compares the file's cable with a run and moves the quantities of --free until modelled and measured current agree best (least
squares in dB). The limits hold if the model is right and readings err independently of each other.

--json prints {"name","file","sha256","forward","impedance_ohm","length_m","model_to_hz","clamp","points":[{"hz","dut","probe","clamp",
"ae","jig","over_jig_db","correction_db","correction_low_db","correction_high_db","correction_db_per_cm"}],"resonances":[{"hz",
"kind","over_jig_db","prominence_db","wavelengths_to_dut","wavelengths_to_ae","cause"}],"along":[{"hz","places":[{"m","current"}]}],
"estimate":{"run","confidence","quantities":[{"name","unit","start","value","low","high"}],"rms_db","worst_db","worst_hz","used","left",
"converged","correlated":[...]},"remarks":[...],"warnings":[...]}. Currents are quantities; every frequency of the file is printed, or
with --at only those. What is not known is null; an estimate that has no upper limit has "high" null.`
}

// Run computes and prints.
func (c *cableCommand) Run(w *terminal.World) error {
	file, list, err := loadCable(c.File)
	if err != nil {
		return err
	}
	sheet := cableSheet{warnings: list.Warnings(), cable: file}
	if c.Fit != "" {
		if err := sheet.fit(w, c); err != nil {
			return err
		}
	}
	if err := sheet.compute(c.At, c.Along, c.Places); err != nil {
		return err
	}
	if c.SVG != "" {
		if err := sheet.draw(c.SVG); err != nil {
			return err
		}
	}
	if c.JSON {
		return terminal.PrintJSON(w.Stdout, sheet.json(len(c.At) > 0))
	}
	for _, p := range sheet.warnings {
		fmt.Fprintln(w.Stderr, p)
	}
	return terminal.OnPage(w.Stdout, sheet.print)
}

// loadCable reads a cable file with everything that it names.
func loadCable(file string) (*cable.Cable, problem.List, error) {
	data, err := terminal.ReadText(file)
	if err != nil {
		return nil, nil, fmt.Errorf("read the cable file: %w", err)
	}
	c, list := cable.Parse(file, data, beside(file))
	return c, list, list.Err()
}

// cableSheet is a cable as it is printed.
type cableSheet struct {
	cable      *cable.Cable
	warnings   problem.List
	run        int
	estimate   *cable.Estimate
	whole      *cable.Response // over the file's grid
	shown      *cable.Response // at the frequencies of the table
	sensitive  []cable.Sensitivity
	resonances []cable.Resonance
	along      []alongSheet
}

type alongSheet struct {
	at     rf.Frequency
	places []cable.Along
}

// fit estimates the cable from a run; what follows is computed with the estimated one.
func (s *cableSheet) fit(w *terminal.World, c *cableCommand) error {
	job, err := store.OpenReadOnly(c.Fit)
	if err != nil {
		return damage(err)
	}
	defer job.Close()
	tellLeftBehind(w, job)
	r, _, err := readChosen(w, job, c.Number)
	if err != nil {
		return fmt.Errorf("cable from %s: %w", c.Fit, err)
	}
	var readings []cable.Reading
	predicted := 0
	for _, step := range r.Steps {
		if step.ForwardPredicted {
			predicted++
		}
		readings = append(readings, cable.Reading{At: step.Step.Point.Frequency, Current: step.Current, Forward: step.Forward})
	}
	var free []cable.Quantity
	for _, q := range c.Free {
		free = append(free, cable.Quantity(strings.TrimSpace(q)))
	}
	if s.estimate, err = s.cable.Estimate(readings, free, float64(c.Confidence)); err != nil {
		return fmt.Errorf("run %d of %s: %w", r.Number, c.Fit, err)
	}
	s.run, s.cable = r.Number, s.estimate.Cable
	if predicted > 0 {
		s.warnings = append(s.warnings, problem.Problem{File: c.Fit, Warning: true,
			What: fmt.Sprintf("run %d: the forward power of %s was not measured but predicted by the budget: its errors stand in the estimate", r.Number, english.Count(predicted, "step", "steps")),
			Hint: "a directional coupler and power meter at the clamp would measure it"})
	}
	return nil
}

func parseFrequencies(texts []string) ([]rf.Frequency, error) {
	var out []rf.Frequency
	for _, t := range texts {
		f, err := rf.ParseFrequency(t)
		if err != nil {
			return nil, err
		}
		out = append(out, f)
	}
	slices.Sort(out)
	return slices.Compact(out), nil
}

func (s *cableSheet) compute(at, along []string, places int) error {
	g, err := s.cable.Grid()
	if err != nil {
		return err
	}
	if s.whole, err = s.cable.Compute(g); err != nil {
		return err
	}
	s.resonances = s.cable.Resonances(s.whole)
	asked, err := parseFrequencies(at)
	if err != nil {
		return fmt.Errorf("--at: %w", err)
	}
	if len(asked) == 0 {
		asked = tableFrequencies(s.cable.Low, s.cable.High)
	}
	table, err := twoport.NewGrid(asked)
	if err != nil {
		return err
	}
	if s.shown, err = s.cable.Compute(table); err != nil {
		return err
	}
	if s.sensitive, err = s.cable.Sensitivity(table); err != nil {
		return err
	}
	lines, err := parseFrequencies(along)
	if err != nil {
		return fmt.Errorf("--along: %w", err)
	}
	for _, f := range lines {
		p, err := s.cable.Profile(f, places)
		if err != nil {
			return err
		}
		s.along = append(s.along, alongSheet{f, p})
	}
	return nil
}

// tableFrequencies are the ends of a band and 1-2-5 steps between them.
func tableFrequencies(low, high rf.Frequency) []rf.Frequency {
	out := []rf.Frequency{low}
	for decade := math.Floor(math.Log10(low.Hz())); decade <= math.Log10(high.Hz()); decade++ {
		for _, digit := range []float64{1, 2, 5} {
			if f := rf.Frequency(digit * math.Pow(10, decade)); f > low*(1+1e-9) && f < high*(1-1e-9) {
				out = append(out, f)
			}
		}
	}
	return append(out, high)
}

// amperes returns the level of a phasor.
func amperes(z complex128) rf.Current { return rf.Amperes(cmplx.Abs(z)) }

// gainText prints a gain that may be of nothing.
func gainText(g rf.Gain, decimals int) string {
	if !g.Finite() {
		return "–"
	}
	return g.Text(decimals)
}

func (s *cableSheet) print(out io.Writer) error {
	c := s.cable
	fmt.Fprintf(out, "%s: %v from DUT to AE, %v line, clamp %v and probe %v from the DUT, %s forward\n", c.Name, c.Length(), c.Line.Impedance, c.ClampToDUT, c.ProbeToDUT, c.Forward.Linear())
	fmt.Fprintf(out, "by place: the correction with the probe up to %v to either side of where it should be\n", s.cable.Give())
	fmt.Fprintf(out, "clamp: %s. Every figure is computed from the model, an estimate of the cable.\n", c.ClampWhat)
	s.printEstimate(out)
	fmt.Fprintln(out)
	tw := terminal.Table(out)
	fmt.Fprintln(tw, "frequency\tat the DUT\tat the probe\tinto the AE\tin the jig\tDUT over jig\tprobe to DUT\tby place")
	for i := range s.shown.Grid.Len() {
		r := s.shown
		correction, _ := r.Correction(i)
		x := s.sensitive[i]
		place := fmt.Sprintf("%s to %s", gainText(x.Low, 2), gainText(x.High, 2))
		fmt.Fprintf(tw, "%v\t%v\t%v\t%v\t%v\t%s\t%s\t%s\n", r.Grid.Frequency(i), amperes(r.DUT[i]), amperes(r.Probe[i]), amperes(r.AE[i]), rf.Amperes(r.Jig[i]), gainText(r.OverJig(i), 1), gainText(correction, 2), place)
	}
	if err := tw.Flush(); err != nil {
		return err
	}
	s.printResonances(out)
	if err := s.printAlong(out); err != nil {
		return err
	}
	for _, x := range c.Remarks {
		fmt.Fprintln(out, "note:", x)
	}
	return nil
}

func (s *cableSheet) printResonances(out io.Writer) {
	if len(s.resonances) == 0 {
		fmt.Fprintf(out, "\nno resonance in which the current at the DUT stands out by %s or more\n", cable.LeastProminence.Text(0))
		return
	}
	fmt.Fprintln(out, "\nresonances of the current at the DUT")
	for _, x := range s.resonances {
		kind := "low "
		if x.Peak {
			kind = "high"
		}
		fmt.Fprintf(out, "  %s at %v, %s over the jig: %s\n", kind, x.At, gainText(x.OverJig, 1), x.Cause)
	}
}

func (s *cableSheet) printAlong(out io.Writer) error {
	for _, a := range s.along {
		fmt.Fprintf(out, "\nalong the cable at %v\n", a.at)
		tw := terminal.Table(out)
		fmt.Fprintln(tw, "from the DUT\tcurrent\t")
		for _, p := range a.places {
			mark := ""
			if p.At == s.cable.ClampToDUT {
				mark = "clamp"
			}
			fmt.Fprintf(tw, "%v\t%v\t%s\n", p.At, amperes(p.Current), mark)
		}
		if err := tw.Flush(); err != nil {
			return err
		}
	}
	return nil
}

func (s *cableSheet) printEstimate(out io.Writer) {
	e := s.estimate
	if e == nil {
		return
	}
	fmt.Fprintf(out, "\nestimated from run %d (%s used, %d left out), limits with %v confidence\n", s.run, english.Count(e.Used, "reading", "readings"), e.Left, rf.Fraction(e.Confidence))
	tw := terminal.Table(out)
	for _, q := range e.Quantities {
		value, limits := "–", "the readings do not tell"
		if q.Known() {
			value = estimatedText(q.Value, q.Unit)
			limits = fmt.Sprintf("%s to %s", estimatedText(q.Low, q.Unit), estimatedText(q.High, q.Unit))
		}
		fmt.Fprintf(tw, "  %s\t%s\t%s\tset out from %s\n", q.Quantity, value, limits, estimatedText(q.Start, q.Unit))
	}
	tw.Flush()
	fmt.Fprintf(out, "  measured and modelled current differ by %s rms, %s at worst (at %v)\n", e.RMS.Text(2), e.Worst.Text(1), e.WorstAt)
	for _, x := range e.Correlated {
		fmt.Fprintf(out, "  hardly told apart: %s\n", x)
	}
	if lost := e.Lost(); lost != "" {
		fmt.Fprintf(out, "  the file's cable does not describe this run: %s; check clamp, distances and ends in the file\n", lost)
	}
	if !e.Converged {
		fmt.Fprintln(out, "  the search did not settle: set out from better figures in the cable file")
	}
}

// estimatedText prints an estimated figure with its unit.
func estimatedText(x float64, unit string) string {
	switch unit {
	case "m":
		return rf.Length(x).String()
	case "F":
		return rf.Capacitance(x).String()
	case "H":
		return rf.Inductance(x).String()
	case "Ω":
		return rf.Resistance(x).String()
	case "dB":
		return rf.Gain(x).Text(2)
	case "dB/m":
		return rf.Gain(x).Text(3) + "/m at 50 MHz"
	}
	return rf.Fraction(x).String() + " of that of light"
}

// draw writes the currents over frequency.
func (s *cableSheet) draw(name string) error {
	r := s.whole
	series := []report.Curve{{Name: "at the DUT's connector"}, {Name: "at the probe"}, {Name: "into the AE"}, {Name: "in the 50 Ω jig"}}
	for i := range r.Grid.Len() {
		for k, x := range []float64{cmplx.Abs(r.DUT[i]), cmplx.Abs(r.Probe[i]), cmplx.Abs(r.AE[i]), r.Jig[i]} {
			series[k].Hz = append(series[k].Hz, r.Grid.Hz(i))
			series[k].Y = append(series[k].Y, rf.Amperes(x).In())
		}
	}
	return writeFigure(name, fmt.Sprintf("current at %s forward (dBµA)", s.cable.Forward.Linear()), series)
}

func writeFigure(name, y string, series []report.Curve) error {
	svg, err := report.Curves(y, series...)
	if err != nil {
		return err
	}
	if err := os.WriteFile(name, svg, 0o644); err != nil {
		return fmt.Errorf("write the figure: %w", err)
	}
	return nil
}
