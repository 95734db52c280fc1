package main

import (
	"fmt"
	"os"

	"provoke/internal/faces/calculator/models"
	"provoke/internal/files/problem"
	"provoke/internal/job/result"
	"provoke/internal/model/cable"
	"provoke/internal/run/session"
	"provoke/internal/terminal"
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
	sheet := models.OfCable(file, list.Warnings())
	if c.Fit != "" {
		r, err := c.run(w)
		if err != nil {
			return err
		}
		if err := sheet.Fit(r, c.Fit, c.Free, c.Confidence); err != nil {
			return err
		}
	}
	if err := sheet.Compute(c.At, c.Along, c.Places); err != nil {
		return err
	}
	if c.SVG != "" {
		if err := writeFigure(c.SVG, sheet.Draw); err != nil {
			return err
		}
	}
	if c.JSON {
		return terminal.PrintJSON(w.Stdout, sheet.Shape(len(c.At) > 0))
	}
	for _, p := range sheet.Warnings {
		fmt.Fprintln(w.Stderr, p)
	}
	return terminal.OnPage(w.Stdout, sheet.Print)
}

// run reads the run that the cable is estimated from.
func (c *cableCommand) run(w *terminal.World) (result.Run, error) {
	book, close, err := terminal.OpenBook(w, c.Fit)
	if err != nil {
		return result.Run{}, err
	}
	defer close()
	number, err := book.Choose(c.Number)
	var r result.Run
	if err == nil {
		r, err = book.Run(number)
	}
	if err != nil {
		return r, fmt.Errorf("cable from %s: %w", c.Fit, err)
	}
	return r, nil
}

// loadCable reads a cable file with everything that it names.
func loadCable(file string) (*cable.Cable, problem.List, error) {
	data, err := terminal.ReadText(file)
	if err != nil {
		return nil, nil, fmt.Errorf("read the cable file: %w", err)
	}
	c, list := cable.Parse(file, data, session.Beside(file))
	return c, list, list.Err()
}

// writeFigure draws into a file.
func writeFigure(name string, draw func() ([]byte, error)) error {
	svg, err := draw()
	if err != nil {
		return err
	}
	if err := os.WriteFile(name, svg, 0o644); err != nil {
		return fmt.Errorf("write the figure: %w", err)
	}
	return nil
}
