package models

import (
	"fmt"
	"io"
	"math"
	"math/cmplx"

	"provoke/internal/faces/calculator"
	"provoke/internal/faces/report"
	"provoke/internal/files/problem"
	"provoke/internal/model/cable"
	"provoke/internal/model/twoport"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

// Decoupling is a decoupling as it is printed.
type Decoupling struct {
	*cable.Decoupling
	Warnings     problem.List
	whole, shown []cable.Decoupled
	advice       cable.Advice
}

// OfDecoupling computes a decoupling with the warnings of its file, for the table at some frequencies.
func OfDecoupling(d *cable.Decoupling, warnings problem.List, at []string) (*Decoupling, error) {
	s := &Decoupling{Decoupling: d, Warnings: warnings}
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
	asked, err := calculator.Ascending("--at", at)
	if err != nil {
		return nil, err
	}
	if len(asked) == 0 {
		asked = calculator.Steps(d.Cable.Low, d.Cable.High, 1, 2, 5)
	}
	table, err := twoport.NewGrid(asked)
	if err != nil {
		return nil, err
	}
	s.shown, err = d.Compute(table)
	return s, err
}

// Print writes the decoupling for a person.
func (s *Decoupling) Print(out io.Writer) error {
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
		fmt.Fprintf(tw, "%v\t%v (%.0f°)\t%s\t%s\t%.0f %%\t%s\t%s\n", x.At, rf.Resistance(cmplx.Abs(x.Stack)),
			cmplx.Phase(x.Stack)*180/math.Pi,
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

// Draw draws the magnitudes of the impedances.
func (s *Decoupling) Draw() ([]byte, error) {
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
	return report.Curves("impedance (dBΩ)", series...)
}
