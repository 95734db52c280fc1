package models

import (
	"fmt"
	"io"
	"strings"

	"provoke/internal/faces/calculator"
	"provoke/internal/findings/remedy"
	"provoke/internal/model/cable"
	"provoke/internal/tell"
	"provoke/internal/terminal"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// Print writes the combinations for a person.
func (s *Remedy) Print(w io.Writer) error {
	c := s.file.Cable
	fmt.Fprintf(w, "%s, on %s\n", s.file.Name, c.Name)
	if e := s.estimate; e != nil {
		fmt.Fprintf(w, "cable estimated from run %d: %s r.m.s. between model and measurement over %s\n", s.Run,
			e.RMS.Text(1), english.Count(e.Used, "reading", "readings"))
	}
	for _, m := range s.file.Materials {
		if m.Invented {
			fmt.Fprintf(w, "material %s is invented\n", m.Name)
		}
	}
	failing := 0
	worst := remedy.Need{}
	for _, n := range s.needs {
		if n.Failing {
			failing++
			if n.Margin < worst.Margin {
				worst = n
			}
		}
	}
	fmt.Fprintf(w, "missing at %s, most at %v: %v; asked for above that: %v\n",
		english.Count(failing, "frequency", "frequencies"), worst.Frequency, -worst.Margin, s.search.Margin)
	fmt.Fprintf(w, "effects count for the %s; %s looked at\n\n", s.search.Reference,
		english.Count(s.outcome.Total, "combination", "combinations"))
	t := terminal.Table(w)
	fmt.Fprintln(t, "\tcombination\tworst margin left\tlow end\tat\tcloses the gap\tmakes worse")
	for i, x := range s.outcome.Best {
		fmt.Fprintf(t, "%d\t%s\t%s\t%s\t%v\t%s\t%s\n", i+1, strings.Join(x.Names(), " + "), x.Worst.Text(1),
			s.limit(x.WorstLow), x.WorstAt, s.closesWords(x), worseWords(x))
	}
	t.Flush()
	s.printFirst(w)
	for _, r := range s.remarks {
		fmt.Fprintf(w, "remark: %s\n", r)
	}
	if s.kept {
		fmt.Fprintf(w, "the prediction is kept with run %d; after the change: provoke compare\n", s.Run)
	}
	return nil
}

// limit prints a limit, where there is one.
func (s *Remedy) limit(ends ...rf.Gain) string {
	if !s.search.Spread.Known() {
		return "none"
	}
	words := ends[0].Text(1)
	for _, e := range ends[1:] {
		words += " to " + e.Text(1)
	}
	return words
}

func (s *Remedy) closesWords(c remedy.Combination) string {
	switch {
	case c.Closes && !s.search.Spread.Known():
		return "yes, as modelled"
	case c.Surely:
		return "yes, over the whole spread"
	case c.Closes:
		return "yes, in the middle of the spread"
	}
	return "no"
}

func worseWords(c remedy.Combination) string {
	if len(c.Worse) == 0 {
		return "–"
	}
	w := c.Worse[0]
	for _, x := range c.Worse {
		if x.Effect < w.Effect {
			w = x
		}
	}
	s := fmt.Sprintf("%v by %v", w.Frequency, -w.Effect)
	if len(c.Worse) > 1 {
		s += fmt.Sprintf(" (worst of %d frequencies)", len(c.Worse))
	}
	return s
}

// printFirst prints the first combination over the failing frequencies.
func (s *Remedy) printFirst(w io.Writer) {
	if len(s.outcome.Best) == 0 {
		return
	}
	x := s.outcome.Best[0]
	fmt.Fprintf(w, "\n%s\n", strings.Join(x.Names(), " + "))
	t := terminal.Table(w)
	fmt.Fprintln(t, "frequency\tmissing\tsame drive\tband\tsame probe current\tband\tmargin left")
	var failing []int
	for i, n := range s.needs {
		if n.Failing {
			failing = append(failing, i)
		}
	}
	for _, k := range calculator.Spread(len(failing), 20) {
		i := failing[k]
		e, b := x.Effects[i], x.Bands[i]
		fmt.Fprintf(t, "%v\t%s\t%s\t%s\t%s\t%s\t%s\n", s.needs[i].Frequency, (-s.needs[i].Margin).Text(1),
			e.SameDrive.Text(1), s.limit(b.Low.SameDrive, b.High.SameDrive),
			e.SameProbe.Text(1), s.limit(b.Low.SameProbe, b.High.SameProbe),
			(s.needs[i].Margin + s.search.Reference.Of(e)).Text(1))
	}
	t.Flush()
}

// remedyShape is what --json prints. Effects are positive for better.
type remedyShape struct {
	File     *remedy.File       `tell:"cable=File.Cable.Name cable_sha256=File.Cable.Hash parts_sha256=File.Hash"`
	Run      int                `tell:"run,null"`
	Search   remedy.Search      `tell:"reference=Search.Reference margin_db=Search.Margin"`
	Outcome  remedy.Outcome     `tell:"combinations=Outcome.Total"`
	Missing  []remedy.Need      `tell:"missing"`
	Best     []combinationShape `tell:"best"`
	Estimate *cable.Estimate    `tell:"estimate"`
	Remarks  []string           `tell:"remarks"`
	Tried    *tell.TriedBeside  `tell:"tried,omit"`
}

type combinationShape struct {
	remedy.Combination `tell:"choices=Names closes=Closes surely=Surely worst_db=Worst"`
	Low                *rf.Gain      `tell:"worst_low_db"` // nil without a spread, as all limits
	_                  struct{}      `tell:"worst_hz=WorstAt worse=Worse"`
	Points             []effectShape `tell:"points"`
}

type effectShape struct {
	At     rf.Frequency `tell:"hz"`
	Effect remedy.Effect
	Band   *remedy.Range
	_      struct{} `tell:"same_drive_db=Effect.SameDrive same_drive_low_db=Band.Low.SameDrive"`
	_      struct{} `tell:"same_drive_high_db=Band.High.SameDrive same_probe_db=Effect.SameProbe"`
	_      struct{} `tell:"same_probe_low_db=Band.Low.SameProbe same_probe_high_db=Band.High.SameProbe"`
}

// Shape is the same for --json.
func (s *Remedy) Shape() any {
	out := remedyShape{File: s.file, Run: s.Run, Search: s.search, Outcome: s.outcome, Estimate: s.estimate,
		Remarks: s.remarks, Tried: s.Tried}
	for _, n := range s.outcome.Needs {
		if n.Failing {
			out.Missing = append(out.Missing, n)
		}
	}
	for _, c := range s.outcome.Best {
		x := combinationShape{Combination: c}
		for i, e := range c.Effects {
			x.Points = append(x.Points, effectShape{At: s.outcome.Needs[i].Frequency, Effect: e})
			if s.search.Spread.Known() {
				x.Low, x.Points[i].Band = &c.WorstLow, &c.Bands[i]
			}
		}
		out.Best = append(out.Best, x)
	}
	return out
}
