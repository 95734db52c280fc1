package main

import (
	"fmt"
	"io"
	"math"
	"math/cmplx"

	"provoke/internal/faces/report"
	"provoke/internal/files/problem"
	"provoke/internal/model/cable"
	"provoke/internal/model/twoport"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
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
	d, list := cable.ParseDecoupling(c.File, data, beside(c.File))
	if err := list.Err(); err != nil {
		return err
	}
	s, err := decouplingSheetOf(d, list.Warnings(), c.At)
	if err != nil {
		return err
	}
	if c.SVG != "" {
		if err := s.draw(c.SVG); err != nil {
			return err
		}
	}
	if c.JSON {
		return terminal.PrintJSON(w.Stdout, s.json(len(c.At) > 0))
	}
	for _, p := range s.warnings {
		fmt.Fprintln(w.Stderr, p)
	}
	return terminal.OnPage(w.Stdout, s.print)
}

// decouplingSheet is a decoupling as it is printed.
type decouplingSheet struct {
	*cable.Decoupling
	warnings     problem.List
	whole, shown []cable.Decoupled
	advice       cable.Advice
}

func decouplingSheetOf(d *cable.Decoupling, warnings problem.List, at []string) (*decouplingSheet, error) {
	s := &decouplingSheet{Decoupling: d, warnings: warnings}
	g, err := d.Cable.Grid()
	if err != nil {
		return nil, err
	}
	if s.whole, err = d.Compute(g); err != nil {
		return nil, err
	}
	if s.advice, err = d.Advise(g); err != nil {
		return nil, err
	}
	asked, err := parseFrequencies(at)
	if err != nil {
		return nil, fmt.Errorf("--at: %w", err)
	}
	if len(asked) == 0 {
		asked = tableFrequencies(d.Cable.Low, d.Cable.High)
	}
	table, err := twoport.NewGrid(asked)
	if err != nil {
		return nil, err
	}
	s.shown, err = d.Compute(table)
	return s, err
}

func (s *decouplingSheet) print(out io.Writer) error {
	fmt.Fprintf(out, "%s on %s: every figure is computed from the model, an estimate\n\n", s.Name, s.Cable.Name)
	tw := terminal.Table(out)
	fmt.Fprintln(tw, "frequency\tstack\tAE over DUT\twithout stack\tshare to the AE\tDUT changes\tAE changes")
	for _, x := range s.shown {
		if !x.Whole {
			bound := "not known"
			if x.AtLeast > 0 {
				bound = fmt.Sprintf("at least %v", x.AtLeast)
			}
			fmt.Fprintf(tw, "%v\t%s\t–\t–\t–\t–\t–\n", x.At, bound)
			continue
		}
		fmt.Fprintf(tw, "%v\t%v (%.0f°)\t%s\t%s\t%.0f %%\t%s\t%s\n", x.At, rf.Resistance(cmplx.Abs(x.Stack)), cmplx.Phase(x.Stack)*180/math.Pi,
			gainText(x.WrongWay, 1), gainText(x.WrongWayBare, 1), 100*x.Share, gainText(x.DUT, 1), gainText(x.AE, 1))
	}
	if err := tw.Flush(); err != nil {
		return err
	}
	fmt.Fprintln(out)
	for _, x := range cable.Judge(s.whole) {
		fmt.Fprintln(out, x)
	}
	fmt.Fprintln(out, s.advice.Text)
	for _, x := range s.shown {
		if !x.Whole {
			fmt.Fprintln(out, "note:", x.Missing)
			break
		}
	}
	for _, x := range s.Remarks {
		fmt.Fprintln(out, "note:", x)
	}
	return nil
}

// draw writes the magnitudes of the impedances.
func (s *decouplingSheet) draw(name string) error {
	series := []report.Curve{{Name: "whole stack"}}
	for k, x := range s.Stack {
		if k < 5 {
			series = append(series, report.Curve{Name: x.Name})
		}
	}
	for _, x := range s.whole {
		for k := range series {
			y := math.NaN()
			if x.Whole && k == 0 {
				y = rf.Ohms(cmplx.Abs(x.Stack)).In()
			} else if x.Whole {
				y = rf.Ohms(cmplx.Abs(x.Each[k-1])).In()
			}
			series[k].Hz, series[k].Y = append(series[k].Hz, x.At.Hz()), append(series[k].Y, y)
		}
	}
	return writeFigure(name, "impedance (dBΩ)", series)
}

type decouplingJSON struct {
	Name      string               `json:"name"`
	File      string               `json:"file"`
	SHA256    string               `json:"sha256"`
	Bias      *rf.Quantity         `json:"bias"`
	Stack     []stackedJSON        `json:"stack"`
	Points    []decoupledJSON      `json:"points"`
	Judgement []string             `json:"judgement"`
	Advice    decouplingAdviceJSON `json:"advice"`
	Remarks   []string             `json:"remarks"`
	Warnings  problem.List         `json:"warnings"`
}

type stackedJSON struct {
	Name     string   `json:"name"`
	Material string   `json:"material"`
	Distance float64  `json:"distance_m"`
	Turns    int      `json:"turns"`
	HalfAt   *float64 `json:"half_at_a_per_m"`
	Guessed  bool     `json:"half_at_guessed"`
	Field    float64  `json:"field_a_per_m"`
	Left     float64  `json:"permeability_left"`
}

type decoupledJSON struct {
	Hz           float64      `json:"hz"`
	Whole        bool         `json:"whole"`
	Missing      string       `json:"missing,omitempty"`
	AtLeast      *float64     `json:"at_least_ohm"`
	Stack        *[2]float64  `json:"stack_ohm"`
	Each         [][2]float64 `json:"each_ohm"`
	WrongWay     *float64     `json:"wrong_way_db"`
	WrongWayBare *float64     `json:"wrong_way_bare_db"`
	Share        *float64     `json:"share_ae"`
	ShareBare    *float64     `json:"share_ae_bare"`
	DUT          *float64     `json:"dut_db"`
	AE           *float64     `json:"ae_db"`
}

type decouplingAdviceJSON struct {
	Order []string `json:"order"`
	Gain  *float64 `json:"gain_db"`
	Text  string   `json:"text"`
}

func (s *decouplingSheet) json(asked bool) decouplingJSON {
	out := decouplingJSON{Name: s.Name, File: s.File, SHA256: s.Hash, Bias: s.Bias.Quantity(), Judgement: append([]string{}, cable.Judge(s.whole)...),
		Advice: decouplingAdviceJSON{Gain: gainOrNull(s.advice.Gain), Text: s.advice.Text}, Remarks: append([]string{}, s.Remarks...), Warnings: append(problem.List{}, s.warnings...)}
	for _, k := range s.advice.Order {
		out.Advice.Order = append(out.Advice.Order, s.Stack[k].Name)
	}
	for _, x := range s.Stack {
		j := stackedJSON{Name: x.Name, Material: x.MaterialKey, Distance: float64(x.Distance), Turns: max(x.Ferrite.Turns, 1), Guessed: x.HalfAtGuess, Field: float64(x.Field), Left: x.Derating}
		if x.HalfAt > 0 {
			j.HalfAt = rf.OrNull(float64(x.HalfAt), -1)
		}
		out.Stack = append(out.Stack, j)
	}
	rows := s.whole
	if asked {
		rows = s.shown
	}
	for _, x := range rows {
		out.Points = append(out.Points, decoupledOf(x))
	}
	return out
}

func decoupledOf(x cable.Decoupled) decoupledJSON {
	j := decoupledJSON{Hz: x.At.Hz(), Whole: x.Whole, Missing: x.Missing, Each: [][2]float64{}}
	if !x.Whole {
		if x.AtLeast > 0 {
			j.AtLeast = rf.OrNull(float64(x.AtLeast), -1)
		}
		return j
	}
	j.Stack = &[2]float64{real(x.Stack), imag(x.Stack)}
	for _, z := range x.Each {
		j.Each = append(j.Each, [2]float64{real(z), imag(z)})
	}
	j.WrongWay, j.WrongWayBare, j.Share, j.ShareBare = gainOrNull(x.WrongWay), gainOrNull(x.WrongWayBare), rf.OrNull(x.Share, -1), rf.OrNull(x.ShareBare, -1)
	j.DUT, j.AE = gainOrNull(x.DUT), gainOrNull(x.AE)
	return j
}
