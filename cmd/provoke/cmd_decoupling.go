package main

import (
	"fmt"

	"provoke/internal/faces/calculator/models"
	"provoke/internal/model/cable"
	"provoke/internal/run/session"
	"provoke/internal/terminal"
)

// decouplingCommand judges the decoupling toward the auxiliary equipment.
type decouplingCommand struct {
	File string   `arg:"" name:"decoupling.yaml" help:"Decoupling file; it names the cable file."`
	At   []string `sep:"none" placeholder:"FREQUENCY" help:"Print this frequency, e.g. \"27.12 MHz\"; may be repeated."`
	SVG  string   `name:"svg" placeholder:"FILE" help:"Draw impedance of the stack and of its parts over frequency."`
	JSON bool     `name:"json" help:"Print as JSON."`
}

// Help is the long help.
func (decouplingCommand) Help() string {
	return `Computes a stack of ferrites from the clamp toward the auxiliary equipment: the impedance of the stack (complex impedances are added,
ferrites of different families may resonate), the current that goes to the AE against that into the DUT with and without the stack, and
what the stack does to both at the same forward power. A net direct current through the holes lowers the permeability: by 1/(1 + (H/H½)²),
H½ from the file or guessed (common practice, not verified). Another order of the stack is advised only where the worst current into the
AE becomes at least 1 dB lower. Where a material is not tabulated only a lower bound of the impedance is given.
provoke new DIR --models writes a commented example.

--json prints {"name","file","sha256","bias","stack":[{"name","material","distance_m","turns","half_at_a_per_m","half_at_guessed",
"field_a_per_m","permeability_left"}],"points":[{"hz","whole","missing","at_least_ohm","stack_ohm":[re,im],"each_ohm":[[re,im],...],
"wrong_way_db","wrong_way_bare_db","share_ae","share_ae_bare","dut_db","ae_db"}],"judgement":[...],"advice":{"order":[...],"gain_db","text"},
"remarks":[...],"warnings":[...]}. What is not known is null.`
}

// Run computes and prints.
func (c *decouplingCommand) Run(w *terminal.World) error {
	data, err := terminal.ReadText(c.File)
	if err != nil {
		return fmt.Errorf("read the decoupling file: %w", err)
	}
	d, list := cable.ParseDecoupling(c.File, data, session.Beside(c.File))
	if err := list.Err(); err != nil {
		return err
	}
	s, err := models.OfDecoupling(d, list.Warnings(), c.At)
	if err != nil {
		return err
	}
	if c.SVG != "" {
		if err := writeFigure(c.SVG, s.Draw); err != nil {
			return err
		}
	}
	if c.JSON {
		return terminal.PrintJSON(w.Stdout, s.Shape(len(c.At) > 0))
	}
	for _, p := range s.Warnings {
		fmt.Fprintln(w.Stderr, p)
	}
	return terminal.OnPage(w.Stdout, s.Print)
}
