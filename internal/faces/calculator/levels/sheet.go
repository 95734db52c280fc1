package levels

import (
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"provoke/internal/files/problem"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

// Work reads what was asked and works it out. What cannot be read, and what has no effect, is a problem.
func Work(pieces []Piece) ([]Sheet, problem.List) {
	asked, list := read(pieces)
	if list.Err() != nil {
		return nil, list
	}
	return asked.work()
}

// Sheet is the working of one subject.
type Sheet struct {
	Input    string   `json:"input"`
	With     []string `json:"with,omitempty"` // gear that entered
	Kind     string   `json:"kind"`
	Lines    []line   `json:"lines"`
	Cautions []string `json:"cautions,omitempty"`
}

// line is one step: a stable name, what it is, the quantity, the same in plain units, and how
// it came about.
type line struct {
	Name     string       `json:"name"`
	What     string       `json:"what"`
	Quantity *rf.Quantity `json:"quantity"`
	Linear   string       `json:"linear,omitempty"`
	Working  string       `json:"working,omitempty"`
}

// addLevel adds a level in its logarithmic unit, three decimals, and in plain units.
func addLevel[U rf.Unit](s *Sheet, name, what string, l rf.Level[U], working string) {
	q := l.Quantity()
	if q != nil {
		q.Text = l.Text(3)
		// A level is kept in decibel; the way to the SI unit costs the last of the sixteen digits.
		q.Value, _ = strconv.ParseFloat(strconv.FormatFloat(q.Value, 'g', 12, 64), 64)
	}
	s.Lines = append(s.Lines, line{name, what, q, l.Linear(), working})
}

func (s *Sheet) gain(name, what string, g rf.Gain, working string) {
	s.bounded(name, what, g, rf.Exactly, working)
}

func (s *Sheet) bounded(name, what string, g rf.Gain, b rf.Bound, working string) {
	q := g.Quantity(b)
	if q != nil {
		q.Text = strings.TrimSpace(b.String() + " " + g.Text(3))
	}
	s.Lines = append(s.Lines, line{name, what, q, "", working})
}

func (s *Sheet) number(name, what string, x float64, text, unit, working string) {
	s.Lines = append(s.Lines, line{name, what, &rf.Quantity{Text: text, Value: x, Unit: unit}, "", working})
}

// peakToPeak adds a sine's peak-to-peak voltage, which has no logarithmic unit.
func (s *Sheet) peakToPeak(name, what string, v rf.Voltage, working string) {
	pp := v.SI() * 2 * math.Sqrt2
	scale, prefix := 1.0, ""
	switch {
	case pp < 1e-4:
		scale, prefix = 1e6, "µ"
	case pp < 0.1:
		scale, prefix = 1e3, "m"
	}
	q := &rf.Quantity{Text: fourDigits(pp*scale) + " " + prefix + "Vpp", Value: pp, Unit: "Vpp",
		Bound: v.Bound().String()}
	if q.Bound != "" {
		q.Text = q.Bound + " " + q.Text
	}
	s.Lines = append(s.Lines, line{name, what, q, "", working})
}

func (s *Sheet) caution(text string) { s.Cautions = append(s.Cautions, text) }

// fourDigits prints a positive number with four significant digits and no exponent.
func fourDigits(x float64) string {
	if x == 0 || math.IsNaN(x) || math.IsInf(x, 0) {
		return strconv.FormatFloat(x, 'g', 4, 64)
	}
	rounded, _ := strconv.ParseFloat(strconv.FormatFloat(x, 'e', 3, 64), 64)
	return strconv.FormatFloat(x, 'f', max(0, 3-int(math.Floor(math.Log10(rounded)))), 64)
}

// Print writes one sheet as a table: what, in decibel, in plain units, how it came about.
func (s Sheet) Print(out io.Writer) error {
	fmt.Fprintln(out, strings.Join(append([]string{s.Input}, s.With...), ", "))
	tw := terminal.ExactTable(out)
	for _, l := range s.Lines {
		linear := l.Linear
		text := "–"
		if l.Quantity != nil {
			text = l.Quantity.Text
		}
		working := ""
		if l.Working != "" {
			working = "= " + l.Working
		}
		row := fmt.Sprintf("  %s\t%s\t%s\t%s", l.What, text, linear, working)
		fmt.Fprintln(tw, strings.TrimRight(row, "\t"))
	}
	if err := tw.Flush(); err != nil {
		return err
	}
	for _, c := range s.Cautions {
		fmt.Fprintln(out, "  note: "+c)
	}
	return nil
}
