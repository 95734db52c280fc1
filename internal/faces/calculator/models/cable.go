// Package models is what the commands print that compute gear and cables: a probe and a clamp from measurements, a
// clamp
// before it is wound, the current on the cable under test, its decoupling, and what would cure a product.
package models

import (
	"fmt"
	"math/cmplx"
	"strings"

	"provoke/internal/faces/calculator"
	"provoke/internal/faces/report"
	"provoke/internal/files/problem"
	"provoke/internal/job/result"
	"provoke/internal/model/cable"
	"provoke/internal/model/twoport"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// OfCable is a cable with the warnings of its file.
func OfCable(c *cable.Cable, warnings problem.List) *Cable {
	return &Cable{cable: c, Warnings: warnings}
}

// Cable is a cable as it is printed.
type Cable struct {
	cable      *cable.Cable
	Warnings   problem.List
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

// Fit estimates the cable from a run of a job; what follows is computed with the estimated one.
func (s *Cable) Fit(r result.Run, jobFile string, names []string, confidence rf.Fraction) error {
	readings, predicted := readingsOf(r)
	var free []cable.Quantity
	for _, q := range names {
		free = append(free, cable.Quantity(strings.TrimSpace(q)))
	}
	var err error
	if s.estimate, err = s.cable.Estimate(readings, free, float64(confidence)); err != nil {
		return fmt.Errorf("run %d of %s: %w", r.Number, jobFile, err)
	}
	s.run, s.cable = r.Number, s.estimate.Cable
	if predicted > 0 {
		s.Warnings = append(s.Warnings, problem.Problem{File: jobFile, Warning: true,
			What: fmt.Sprintf("run %d: the forward power of %s was not measured but predicted by the budget: its "+
				"errors stand in the estimate", r.Number, english.Count(predicted, "step", "steps")),
			Hint: "a directional coupler and power meter at the clamp would measure it"})
	}
	return nil
}

// readingsOf gathers current and forward power of a run's steps, and how many forward powers were predicted only.
func readingsOf(r result.Run) (out []cable.Reading, predicted int) {
	for _, s := range r.Steps {
		if s.ForwardPredicted {
			predicted++
		}
		out = append(out, cable.Reading{At: s.Step.Point.Frequency, Current: s.Current, Forward: s.Forward})
	}
	return out, predicted
}

// Compute computes over the whole band, at frequencies for the table, and at so many places along the cable.
func (s *Cable) Compute(at, along []string, places int) error {
	g, err := s.cable.Grid()
	if err != nil {
		return err
	}
	if s.whole, err = s.cable.Compute(g); err != nil {
		return err
	}
	s.resonances = s.cable.Resonances(s.whole)
	asked, err := calculator.Ascending("--at", at)
	if err != nil {
		return err
	}
	if len(asked) == 0 {
		asked = calculator.Steps(s.cable.Low, s.cable.High, 1, 2, 5)
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
	lines, err := calculator.Ascending("--along", along)
	if err != nil {
		return err
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

// amperes returns the level of a phasor.
func amperes(z complex128) rf.Current { return rf.Amperes(cmplx.Abs(z)) }

// gainText prints a gain that may be of nothing.
func gainText(g rf.Gain, decimals int) string {
	if !g.Finite() {
		return "–"
	}
	return g.Text(decimals)
}

// Draw draws the currents over frequency.
func (s *Cable) Draw() ([]byte, error) {
	r := s.whole
	series := []report.Curve{{Name: "at the DUT's connector"}, {Name: "at the probe"}, {Name: "into the AE"},
		{Name: "in the 50 Ω jig"}}
	for i := range r.Grid.Len() {
		for k, x := range []float64{cmplx.Abs(r.DUT[i]), cmplx.Abs(r.Probe[i]), cmplx.Abs(r.AE[i]), r.Jig[i]} {
			series[k].Hz = append(series[k].Hz, r.Grid.Hz(i))
			series[k].Y = append(series[k].Y, rf.Amperes(x).In())
		}
	}
	return report.Curves(fmt.Sprintf("current at %s forward (dBµA)", s.cable.Forward.Linear()), series...)
}
