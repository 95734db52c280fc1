package models

import (
	"fmt"
	"io"

	"provoke/internal/model/cable"
	"provoke/internal/terminal"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// Print writes the cable for a person.
func (s *Cable) Print(out io.Writer) error {
	c := s.cable
	fmt.Fprintf(out, "%s: %v from DUT to AE, %v line, clamp %v and probe %v from the DUT, %s forward\n", c.Name,
		c.Length(), c.Line.Impedance, c.ClampToDUT, c.ProbeToDUT, c.Forward.Linear())
	fmt.Fprintf(out, "by place: the correction with the probe up to %v to either side of where it should be\n",
		s.cable.Give())
	fmt.Fprintf(out, "clamp: %s. Every figure is computed from the model, an estimate of the cable.\n", c.ClampWhat)
	s.printEstimate(out)
	fmt.Fprintln(out)
	tw := terminal.Table(out)
	fmt.Fprintln(tw, "frequency\tat the DUT\tat the probe\tinto the AE\tin the jig\tDUT over jig\tprobe to DUT\tby "+
		"place")
	for i := range s.shown.Grid.Len() {
		r := s.shown
		correction, _ := r.Correction(i)
		x := s.sensitive[i]
		place := fmt.Sprintf("%s to %s", gainText(x.Low, 2), gainText(x.High, 2))
		fmt.Fprintf(tw, "%v\t%v\t%v\t%v\t%v\t%s\t%s\t%s\n", r.Grid.Frequency(i), amperes(r.DUT[i]), amperes(r.Probe[i]),
			amperes(r.AE[i]), rf.Amperes(r.Jig[i]), gainText(r.OverJig(i), 1), gainText(correction, 2), place)
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

func (s *Cable) printResonances(out io.Writer) {
	if len(s.resonances) == 0 {
		fmt.Fprintf(out, "\nno resonance in which the current at the DUT stands out by %s or more\n",
			cable.LeastProminence.Text(0))
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

func (s *Cable) printAlong(out io.Writer) error {
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

func (s *Cable) printEstimate(out io.Writer) {
	e := s.estimate
	if e == nil {
		return
	}
	fmt.Fprintf(out, "\nestimated from run %d (%s used, %d left out), limits with %v confidence\n", s.run,
		english.Count(e.Used, "reading", "readings"), e.Left, rf.Fraction(e.Confidence))
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
	fmt.Fprintf(out, "  measured and modelled current differ by %s rms, %s at worst (at %v)\n", e.RMS.Text(2),
		e.Worst.Text(1), e.WorstAt)
	for _, x := range e.Correlated {
		fmt.Fprintf(out, "  hardly told apart: %s\n", x)
	}
	if lost := e.Lost(); lost != "" {
		fmt.Fprintf(out, "  the file's cable does not describe this run: %s; check clamp, distances and ends in the "+
			"file\n", lost)
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
