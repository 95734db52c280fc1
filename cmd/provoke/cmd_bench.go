package main

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

type benchCommand struct {
	File string `arg:"" name:"bench.yaml" help:"Bench file."`
	JSON bool   `name:"json" help:"Print the documented JSON shape."`
}

// Help is the long help.
func (benchCommand) Help() string {
	return `Every problem of the file is told at once, with line, column and what to do; then nothing else is done. Without problems
the chain is printed in order: what each piece does to a level, and what it stands. A rating that is not given forbids
what it would have limited.

--json prints {"name","file","hash","band":{"low","high","lowest","highest"},"pieces":[{"place","id","what","serial",
"calibrated","due","certificate","address","table","does":[{"what","text","source","hash","low","high"}],
"stands":[{"what","rating","as"}]}],"overdue":[id...],"warnings":[{"file","line","column","what","hint"}]}. A rating is a
quantity, or null where it is not given; "as" is "peak", at the crest of the modulation's envelope (a current as its r.m.s.
value there), or "average".`
}

// Run checks the file and prints the bench.
func (c *benchCommand) Run(w *terminal.World) error {
	b, list, err := loadBench(c.File)
	if err != nil {
		return err
	}
	sheet := benchSheetOf(b, list, w.Now())
	if c.JSON {
		return terminal.PrintJSON(w.Stdout, sheet)
	}
	return terminal.OnPage(w.Stdout, sheet.print)
}

// benchSheet is a bench as it is printed.
type benchSheet struct {
	Name     string       `json:"name"`
	File     string       `json:"file"`
	Hash     string       `json:"hash"`
	Band     benchBand    `json:"band"`
	Pieces   []benchPiece `json:"pieces"`
	Overdue  []string     `json:"overdue"`
	Warnings problem.List `json:"warnings"`
}

// benchBand is where the whole chain can be computed, and what ends it.
type benchBand struct {
	Low     *rf.Quantity `json:"low"`
	High    *rf.Quantity `json:"high"`
	Lowest  string       `json:"lowest"`
	Highest string       `json:"highest"`
}

// benchPiece is one piece in the order of the chain.
type benchPiece struct {
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
	Stands      []benchRating `json:"stands"`
}

type benchFigure struct {
	What   string       `json:"what"`
	Text   string       `json:"text"`
	Source string       `json:"source,omitempty"`
	Hash   string       `json:"hash,omitempty"`
	Low    *rf.Quantity `json:"low,omitempty"`
	High   *rf.Quantity `json:"high,omitempty"`
}

type benchRating struct {
	What   string       `json:"what"`
	Rating *rf.Quantity `json:"rating"`
	As     string       `json:"as,omitempty"`
	linear string       // the same in ampere, for print
}

func benchSheetOf(b *catalog.Bench, list problem.List, now time.Time) benchSheet {
	s := benchSheet{Name: b.Name, File: b.File, Hash: b.Hash, Overdue: []string{}, Warnings: list.Warnings()}
	if s.Warnings == nil {
		s.Warnings = problem.List{}
	}
	band, lowest, highest := chain.New(b).Span(catalog.OnCable)
	s.Band = benchBand{band.Low.Quantity(), band.High.Quantity(), lowest, highest}
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
func (s *benchSheet) add(place, kind string, id catalog.Identity, c catalog.Connection) *benchPiece {
	what := id.Description
	if what == "" {
		what = kind
	}
	s.Pieces = append(s.Pieces, benchPiece{
		Place: place, ID: id.ID, What: what, Serial: id.Serial, Calibrated: day(id.Calibrated), Due: day(id.Due), Certificate: id.Certificate,
		Address: c.Address, Table: c.Table, Does: []benchFigure{}, Stands: []benchRating{},
	})
	return &s.Pieces[len(s.Pieces)-1]
}

func day(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.Format("2006-01-02")
}

func (p *benchPiece) says(what, text string) {
	p.Does = append(p.Does, benchFigure{What: what, Text: text})
}

func (p *benchPiece) band(b catalog.Band) {
	p.Does = append(p.Does, benchFigure{What: "band", Text: fmt.Sprintf("%v to %v", b.Low, b.High), Low: b.Low.Quantity(), High: b.High.Quantity()})
}

func (p *benchPiece) stands(what string, rating *rf.Quantity, as string) {
	p.Stands = append(p.Stands, benchRating{What: what, Rating: rating, As: as})
}

func (p *benchPiece) standsCurrent(limit rf.Current) {
	p.Stands = append(p.Stands, benchRating{What: "current", Rating: limit.Quantity(), As: chain.RatedPeak, linear: limit.Linear() + " = "})
}

// figure adds a curve: its least and greatest value, and where it holds.
func figure[V curve.Value](p *benchPiece, what string, c curve.Curve[V], text func(V) string, less func(a, b V) bool) {
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

func gainFigure(p *benchPiece, what string, c curve.Curve[rf.Gain]) {
	figure(p, what, c, func(g rf.Gain) string { return g.Text(2) }, func(a, b rf.Gain) bool { return a < b })
}

func powerFigure(p *benchPiece, what string, c curve.Curve[rf.Power]) {
	figure(p, what, c, rf.Power.String, func(a, b rf.Power) bool { return a.DB() < b.DB() })
}

func impedanceFigure(p *benchPiece, what string, c curve.Curve[rf.Transimpedance]) {
	text := func(z rf.Transimpedance) string { return z.String() + " (" + z.Linear() + ")" }
	figure(p, what, c, text, func(a, b rf.Transimpedance) bool { return a.DB() < b.DB() })
}

func (s *benchSheet) source(g catalog.Source) {
	p := s.add("source", g.Kind, g.Identity, g.Connection)
	p.band(g.Band)
	p.says("level", fmt.Sprintf("%s to %s (%v to %v into 50 Ω), steps of %v", g.Setting(g.Minimum), g.Setting(g.Maximum), g.Minimum, g.Maximum, g.Resolution.Text(2)))
	p.stands("maximum", g.Maximum.Quantity(), chain.RatedPeak)
	p.stands("reverse power", g.MaximumReverse.Quantity(), chain.RatedPeak)
}

func (s *benchSheet) passives(place string, ps []catalog.Passive) {
	for _, q := range ps {
		p := s.add(place, q.Kind, q.Identity, catalog.Connection{})
		gainFigure(p, "loss", q.Loss)
		p.stands("power", q.MaximumPower.Quantity(), chain.RatedAverage)
	}
}

func (s *benchSheet) amplifier(a *catalog.Amplifier) {
	if a == nil {
		return
	}
	p := s.add("amplifier", "amplifier", a.Identity, a.Connection)
	p.band(a.Band)
	gainFigure(p, "gain", a.Gain)
	powerFigure(p, "1 dB compression", a.Compression)
	p.stands("input", a.MaximumInput.Quantity(), chain.RatedPeak)
	p.stands("output", a.Saturation.Quantity(), chain.RatedPeak)
	p.stands("reflected power", a.ReflectedLimit.Quantity(), chain.RatedPeak)
	if a.MaximumDuty > 0 && a.MaximumDuty < 1 {
		p.says("duty", "at most "+a.MaximumDuty.String())
	}
}

func (s *benchSheet) atClamp(b *catalog.Bench) {
	if k := b.Coupler; k != nil {
		p := s.add("coupler", "directional coupler", k.Identity, catalog.Connection{})
		gainFigure(p, "forward coupling", k.Forward)
		gainFigure(p, "reverse coupling", k.Reverse)
		gainFigure(p, "loss", k.Loss)
		p.stands("power", k.MaximumPower.Quantity(), chain.RatedAverage)
	}
	if m := b.PowerMeter; m != nil {
		p := s.add("power meter", "power meter", m.Identity, m.Connection)
		p.says("floor", m.Floor.String())
		p.stands("input", m.MaximumInput.Quantity(), chain.RatedPeak)
	}
	k := b.Clamp
	p := s.add("clamp", "injection clamp", k.Identity, catalog.Connection{})
	gainFigure(p, "insertion loss", k.InsertionLoss)
	if k.ReturnLoss.Absent() {
		p.says("return loss", "not given: total reflection is assumed")
	}
	gainFigure(p, "return loss", k.ReturnLoss)
	impedanceFigure(p, "series impedance", k.SeriesImpedance)
	if k.MaximumTime > 0 {
		p.says("time", "at most "+k.MaximumTime.String())
	}
	if k.MaximumDuty > 0 {
		p.says("duty", "at most "+k.MaximumDuty.String())
	}
	p.stands("forward power", k.MaximumForward.Quantity(), chain.RatedAverage)
}

func (s *benchSheet) onCable(b *catalog.Bench) {
	w := b.Cable
	p := s.add("cable", "cable", w.Identity, catalog.Connection{})
	for _, l := range []struct {
		what   string
		length rf.Length
	}{{"length", w.Length}, {"height", w.Height}, {"clamp to DUT", w.ClampToDUT}, {"probe to DUT", w.ProbeToDUT}} {
		if l.length > 0 {
			p.says(l.what, l.length.String())
		}
	}
	if w.Decoupling != "" {
		p.says("decoupling", w.Decoupling)
	}
	p.says("current against the jig's", fmt.Sprintf("%v to %v", w.ExpectedLow, w.ExpectedHigh))
	p.standsCurrent(w.MaximumCurrent)
	d := s.add("DUT", "device under test", b.DUT.Identity, catalog.Connection{})
	if b.DUT.Port != "" {
		d.says("port", b.DUT.Port)
	}
	if q := b.Probe; q != nil {
		p := s.add("probe", "current monitoring probe", q.Identity, catalog.Connection{})
		impedanceFigure(p, "transfer impedance", q.TransferImpedance)
		p.standsCurrent(q.MaximumCurrent)
	}
}

func (s *benchSheet) analyser(a *catalog.Analyser) {
	if a == nil {
		return
	}
	p := s.add("analyser", "analyser", a.Identity, a.Connection)
	p.band(a.Band)
	p.says("reads", fmt.Sprintf("%v (floor) to %v (mixer limit)", a.Floor, a.MixerLimit))
	p.stands("input", a.MaximumInput.Quantity(), chain.RatedPeak)
}

func (s *benchSheet) watching(b *catalog.Bench) {
	for _, m := range b.Monitors {
		p := s.add("monitor", string(m.Kind), m.Identity, m.Connection)
		if m.Tolerance > 0 {
			p.says("tolerance", fmt.Sprintf("±%g %s", m.Tolerance, m.Unit))
		}
		if m.Silence > 0 {
			p.says("silence", "at most "+m.Silence.String())
		}
		if m.Latency > 0 {
			p.says("latency", m.Latency.String())
		}
	}
	if l := b.Interlock; l != nil {
		s.add("interlock", "interlock", l.Identity, l.Connection)
	}
}

// print writes the bench as a table, one line for each figure or rating.
func (s benchSheet) print(out io.Writer) error {
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
		fmt.Fprintf(out, "the whole chain is known from %s (%s) to %s (%s)\n", s.Band.Low.Text, s.Band.Lowest, s.Band.High.Text, s.Band.Highest)
	}
	if len(s.Overdue) > 0 {
		fmt.Fprintf(out, "calibration overdue: %s\n", strings.Join(s.Overdue, ", "))
	}
	for _, p := range s.Warnings {
		fmt.Fprintln(out, p)
	}
	return nil
}

func (r benchRating) text() string {
	if r.Rating == nil {
		if r.What == "reverse power" {
			return r.What + " not given"
		}
		return r.What + " NOT GIVEN: forbids"
	}
	words := chain.Counted(r.As, chain.Value{})
	if r.linear != "" && r.As == chain.RatedPeak {
		words = "r.m.s. " + words
	}
	return fmt.Sprintf("%s %s%s (%s)", r.What, r.linear, r.Rating.Text, words)
}
