package budget

import (
	"fmt"
	"io"
	"strings"
	"time"

	"provoke/internal/files/catalog"
	"provoke/internal/files/problem"
	"provoke/internal/model/chain"
	"provoke/internal/terminal"
	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

// Bench is a bench as it is printed.
type Bench struct {
	Name     string       `json:"name"`
	File     string       `json:"file"`
	Hash     string       `json:"hash"`
	Band     wholeBand    `json:"band"`
	Pieces   []piece      `json:"pieces"`
	Overdue  []string     `json:"overdue"`
	Warnings problem.List `json:"warnings"`
}

// wholeBand is where the whole chain can be computed, and what ends it.
type wholeBand struct {
	Low     *rf.Quantity `json:"low"`
	High    *rf.Quantity `json:"high"`
	Lowest  string       `json:"lowest"`
	Highest string       `json:"highest"`
}

// piece is one piece in the order of the chain.
type piece struct {
	Place       string        `json:"place"`
	ID          string        `json:"id"`
	What        string        `json:"what"`
	Serial      string        `json:"serial,omitempty"`
	Calibrated  string        `json:"calibrated,omitempty"`
	Due         string        `json:"due,omitempty"`
	Certificate string        `json:"certificate,omitempty"`
	Address     string        `json:"address,omitempty"`
	Table       string        `json:"table,omitempty"`
	Does        []benchFigure `json:"does"`
	Stands      []standing    `json:"stands"`
}

type benchFigure struct {
	What   string       `json:"what"`
	Text   string       `json:"text"`
	Source string       `json:"source,omitempty"`
	Hash   string       `json:"hash,omitempty"`
	Low    *rf.Quantity `json:"low,omitempty"`
	High   *rf.Quantity `json:"high,omitempty"`
}

type standing struct {
	What   string       `json:"what"`
	Rating *rf.Quantity `json:"rating"`
	As     string       `json:"as,omitempty"`
	linear string       // the same in ampere, for print
}

// OfBench is a bench with the warnings of its file, on the day that says which calibrations are overdue.
func OfBench(b *catalog.Bench, list problem.List, now time.Time) Bench {
	s := Bench{Name: b.Name, File: b.File, Hash: b.Hash, Overdue: []string{}, Warnings: list.Warnings()}
	if s.Warnings == nil {
		s.Warnings = problem.List{}
	}
	band, lowest, highest := chain.New(b).Span(catalog.OnCable)
	s.Band = wholeBand{band.Low.Quantity(), band.High.Quantity(), lowest, highest}
	for _, p := range b.Overdue(now) {
		s.Overdue = append(s.Overdue, p.ID)
	}
	s.source(b.Source)
	s.passives("to the amplifier", b.ToAmplifier)
	s.amplifier(b.Amplifier)
	s.passives("to the clamp", b.ToClamp)
	s.atClamp(b)
	s.onCable(b)
	s.passives("to the analyser", b.ToAnalyser)
	s.analyser(b.Analyser)
	s.watching(b)
	return s
}

// add appends a piece and returns it, to be filled while it is the last one.
func (s *Bench) add(place, kind string, id catalog.Identity, c catalog.Connection) *piece {
	what := id.Description
	if what == "" {
		what = kind
	}
	s.Pieces = append(s.Pieces, piece{
		Place: place, ID: id.ID, What: what, Serial: id.Serial, Calibrated: day(id.Calibrated), Due: day(id.Due),
		Certificate: id.Certificate,
		Address:     c.Address, Table: c.Table, Does: []benchFigure{}, Stands: []standing{},
	})
	return &s.Pieces[len(s.Pieces)-1]
}

func day(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.Format("2006-01-02")
}

func (p *piece) says(what, text string) {
	p.Does = append(p.Does, benchFigure{What: what, Text: text})
}

func (p *piece) band(b catalog.Band) {
	p.Does = append(p.Does, benchFigure{What: "band", Text: fmt.Sprintf("%v to %v", b.Low, b.High),
		Low: b.Low.Quantity(), High: b.High.Quantity()})
}

func (p *piece) stands(what string, rating *rf.Quantity, as string) {
	p.Stands = append(p.Stands, standing{What: what, Rating: rating, As: as})
}

func (p *piece) standsCurrent(limit rf.Current) {
	p.Stands = append(p.Stands, standing{What: "current", Rating: limit.Quantity(), As: chain.RatedPeak,
		linear: limit.Linear() + " = "})
}

// figure adds a curve: its least and greatest value, and where it holds.
func figure[V curve.Value](p *piece, what string, c curve.Curve[V], text func(V) string, less func(a, b V) bool) {
	if c.Absent() {
		return
	}
	low, high := c.Band()
	f := benchFigure{What: what, Source: c.Source(), Hash: c.Hash(), Low: low.Quantity(), High: high.Quantity()}
	if !low.Known() {
		if v, err := c.At(rf.Megahertz); err == nil {
			f.Text = text(v)
		}
		p.Does = append(p.Does, f)
		return
	}
	points := c.Points()
	least, most := points[0].Value, points[0].Value
	for _, q := range points {
		if less(q.Value, least) {
			least = q.Value
		}
		if less(most, q.Value) {
			most = q.Value
		}
	}
	f.Text = text(least)
	if less(least, most) && text(least) != text(most) {
		f.Text += " to " + text(most)
	}
	f.Text += fmt.Sprintf(", %v to %v", low, high)
	p.Does = append(p.Does, f)
}

func gainFigure(p *piece, what string, c curve.Curve[rf.Gain]) {
	figure(p, what, c, func(g rf.Gain) string { return g.Text(2) }, func(a, b rf.Gain) bool { return a < b })
}

func powerFigure(p *piece, what string, c curve.Curve[rf.Power]) {
	figure(p, what, c, rf.Power.String, func(a, b rf.Power) bool { return a.DB() < b.DB() })
}

func impedanceFigure(p *piece, what string, c curve.Curve[rf.Transimpedance]) {
	text := func(z rf.Transimpedance) string { return z.String() + " (" + z.Linear() + ")" }
	figure(p, what, c, text, func(a, b rf.Transimpedance) bool { return a.DB() < b.DB() })
}

// Print writes the bench as a table, one line for each figure or rating.
func (s Bench) Print(out io.Writer) error {
	fmt.Fprintf(out, "%s\n%s, SHA-256 %.12s…\n\n", s.Name, s.File, s.Hash)
	tw := terminal.Table(out)
	fmt.Fprintln(tw, "place\tid\tdoes\tstands")
	for _, p := range s.Pieces {
		fmt.Fprintf(tw, "%s\t%s\t%s\t\n", p.Place, p.ID, p.What)
		for i := range max(len(p.Does), len(p.Stands)) {
			does, stands := "", ""
			if i < len(p.Does) {
				does = "  " + p.Does[i].What + " " + p.Does[i].Text
			}
			if i < len(p.Stands) {
				stands = p.Stands[i].text()
			}
			fmt.Fprintf(tw, "\t\t%s\t%s\n", does, stands)
		}
	}
	if err := tw.Flush(); err != nil {
		return err
	}
	fmt.Fprintln(out)
	if s.Band.Low == nil {
		fmt.Fprintf(out, "no frequency is left: %s begins above the end of %s\n", s.Band.Lowest, s.Band.Highest)
	} else {
		fmt.Fprintf(out, "the whole chain is known from %s (%s) to %s (%s)\n", s.Band.Low.Text, s.Band.Lowest,
			s.Band.High.Text, s.Band.Highest)
	}
	if len(s.Overdue) > 0 {
		fmt.Fprintf(out, "calibration overdue: %s\n", strings.Join(s.Overdue, ", "))
	}
	for _, p := range s.Warnings {
		fmt.Fprintln(out, p)
	}
	return nil
}

func (r standing) text() string {
	if r.Rating == nil {
		if r.What == "reverse power" {
			return r.What + " not given"
		}
		return r.What + " NOT GIVEN: forbids"
	}
	return fmt.Sprintf("%s %s%s (%s)", r.What, r.linear, r.Rating.Text, counted(r.As, r.Rating))
}
