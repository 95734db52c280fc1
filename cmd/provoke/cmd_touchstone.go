package main

import (
	"fmt"

	"provoke/internal/faces/calculator"
	"provoke/internal/faces/calculator/readings"
	"provoke/internal/files/touchstone"
	"provoke/internal/terminal"
)

// touchstoneCommand prints what an S-parameter file holds.
type touchstoneCommand struct {
	File string   `arg:"" help:"Touchstone file, version 1.0, 1.1, 2.0 or 2.1; the ending .sNp gives the ports of a version 1 file."`
	At   []string `sep:"none" placeholder:"FREQUENCY" help:"Print the S-parameters at this frequency, e.g. \"27.12 MHz\"; may be repeated."`
	JSON bool     `name:"json" help:"Print the documented JSON shape."`
}

// Help is the long help.
func (touchstoneCommand) Help() string {
	return `Prints band, points, reference, remarks on reciprocity and passivity, and S-parameters in dB and degree: at the frequencies
of --at, else at up to eleven points spread over the file. Between the points of the file they are straight in real and imaginary
part over linear frequency, and marked so; beyond its ends there are none.

--json prints {"ports","parameter","format","reference":[ohm...],"points":[{"hz","s":[[[re,im],...],...]}],
"noise":[{"hz","minimum_noise_figure_db","optimum_reflection":[re,im],"resistance_ohm"}],"warnings":["file:line:column: ..."]}. s is the
S-matrix, row after row, at the file's reference, whatever parameter and format the file has. All points are printed, or with --at
only those.

A file with a problem is refused with exit code 3, all its problems at once.`
}

// Run reads the file and prints it.
func (c *touchstoneCommand) Run(w *terminal.World) error {
	asked, err := calculator.Frequencies("--at", c.At)
	if err != nil {
		return terminal.WithCode(terminal.ExitUsage, err)
	}
	data, err := terminal.ReadTable(c.File)
	if err != nil {
		return fmt.Errorf("cannot read the Touchstone file: %w", err)
	}
	n, problems := touchstone.Parse(c.File, data)
	if err := problems.Err(); err != nil {
		return err
	}
	points, err := readings.NetworkPoints(n, asked, c.JSON)
	if err != nil {
		return err
	}
	if c.JSON {
		return readings.NetworkJSON(w.Stdout, n, points)
	}
	for _, p := range n.Warnings {
		fmt.Fprintln(w.Stderr, p)
	}
	return readings.PrintNetwork(w.Stdout, n, points, len(asked) > 0)
}
