package web

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"provoke/internal/job/event"
	"provoke/internal/job/result"
	"provoke/internal/tell"
	"provoke/internal/units/rf"
)

// jobSource tells from the job that is served.
type jobSource struct{ s *Server }

// Heads are the runs as they were opened.
func (j jobSource) Heads() ([]result.Run, error) {
	infos, err := j.s.journal.runs()
	var out []result.Run
	for _, i := range infos {
		out = append(out, result.Run{Number: i.Run, Opened: i.Opened})
	}
	return out, err
}

// Run is the fold of a run.
func (j jobSource) Run(n int) (result.Run, error) { return j.s.journal.run(n) }

// Attachment reads a file of the job.
func (j jobSource) Attachment(hash string) ([]byte, error) {
	job, err := j.s.journal.open()
	if err != nil || job == nil {
		return nil, err
	}
	_, data, err := job.Attachment(hash)
	return data, err
}

// book begins a look at the job.
func (s *Server) book() *tell.Book { return tell.Open(jobSource{s}) }

// toldSection is a section as the page shows it.
type toldSection struct {
	tell.Section
	Blocks []toldBlock
}

// toldBlock is a block with its chart as the browser draws it.
type toldBlock struct {
	tell.Block
	Drawn chart
	Keys  []string     // what the numbers in the chart stand for
	Here  rf.Frequency // whose rows are marked
	ID    string       // of the table on this page
}

// Shown is the block's table, if people are to read it.
func (b toldBlock) Shown() *tell.Table {
	if b.Table == nil || b.Table.FileOnly {
		return nil
	}
	return b.Table
}

// onPage prepares sections for a page; here is the frequency that is looked at, 0 for none.
func onPage(sections []tell.Section, here rf.Frequency) []toldSection {
	var out []toldSection
	used := map[string]bool{}
	unique := func(id, within string) string {
		if used[id] { // another comparison on the same page has one too
			id += "-" + within
		}
		used[id] = true
		return id
	}
	for _, s := range tell.Reaching(tell.OnPage, sections) {
		told := toldSection{Section: s}
		for _, b := range s.Blocks {
			if b.Brief {
				continue
			}
			t := toldBlock{Block: b, Here: here}
			if b.Chart != nil {
				t.Drawn = chartOf(*b.Chart)
				t.Drawn.ID = unique(t.Drawn.ID, s.ID)
				if b.Chart.X.Log && here.Known() {
					t.Drawn.Mark = inMHz(here)
				}
				for _, e := range b.Chart.Legend {
					if e.Sign == tell.Upright {
						t.Keys = append(t.Keys, e.Text)
					}
				}
			}
			if b.Table != nil {
				t.ID = unique(b.Table.ID, s.ID)
			}
			told.Blocks = append(told.Blocks, t)
		}
		out = append(out, told)
	}
	return out
}

// paints are the colours of the page's style for what a series tells.
var paints = map[tell.Paint]string{tell.Wanted: "wanted", tell.Ink: "wanted", tell.Before: "first",
	tell.After: "second", tell.Third: "third", tell.Fourth: "fourth",
	tell.Upset: "upset", tell.Higher: "second", tell.Calm: "calm"}

// chartOf makes of a chart what the browser draws: values by x, so that series of different x share one axis. A bound
// is
// an arrow and not a dot.
func chartOf(c tell.Chart) chart {
	scale := 1.0
	out := chart{ID: c.ID, Title: c.Title, X: axis{Label: c.X.Labels[0]}, Y: axis{Label: c.Y.Labels[0]}}
	out.Y.Least = least(out.Y.Label)
	if c.X.Log {
		scale = megahertz
		out.X = axis{Label: strings.Replace(c.X.Labels[0], "(Hz)", "(MHz)", 1), Log: true, Kind: "frequency"}
	}
	g := gathering{scale: scale, at: map[float64][]*float64{}, tips: map[float64][]string{},
		links: map[float64]string{}}
	for _, s := range c.Series {
		g.take(&out, s)
	}
	if c.Y.At != nil { // the axis shows the whole of what was swept
		for _, end := range []float64{c.X.Low, c.X.High} {
			if x := end / scale; g.at[x] == nil {
				g.at[x] = []*float64{}
			}
		}
	}
	for x := range g.at {
		out.At = append(out.At, x)
	}
	slices.Sort(out.At)
	linked := false
	for _, x := range out.At {
		for i := range g.series {
			var y *float64
			if i < len(g.at[x]) {
				y = g.at[x][i]
			}
			g.series[i].Y = append(g.series[i].Y, y)
		}
		out.Tips = append(out.Tips, strings.Join(g.tips[x], " · "))
		out.Links = append(out.Links, g.links[x])
		linked = linked || g.links[x] != ""
	}
	if !linked {
		out.Links = nil
	}
	out.Series = g.series
	return out.bare()
}

// least is the smallest span of an axis of levels: what scatters by less is not drawn as if it were a signal.
func least(label string) float64 {
	switch {
	case strings.Contains(label, "(dBµA)"), strings.Contains(label, "(dBm)"):
		return 6
	case strings.Contains(label, "(dB)"):
		return 3
	}
	return 0
}

// gathering gathers values by x.
type gathering struct {
	scale  float64
	series []chartSeries
	at     map[float64][]*float64
	tips   map[float64][]string
	links  map[float64]string
}

// add begins a series and returns its number.
func (g *gathering) add(name, sign, paint string) int {
	g.series = append(g.series, chartSeries{Name: name, Sign: sign, Paint: paint})
	return len(g.series) - 1
}

// put places a value; two values of a series at one x stand beside each other.
func (g *gathering) put(series int, hz, y float64, s tell.Spot) {
	x := hz / g.scale
	for len(g.at[x]) > series && g.at[x][series] != nil {
		x += math.Max(math.Abs(x)*1e-6, 1e-9)
	}
	row := g.at[x]
	for len(row) <= series {
		row = append(row, nil)
	}
	row[series] = &y
	g.at[x] = row
	if s.Says != "" {
		g.tips[x] = append(g.tips[x], s.Says)
	}
	if s.Run != 0 && g.links[x] == "" {
		g.links[x] = pointLink(s.Run, rf.Frequency(s.X))
	}
}

// take adds a series to a chart. What only a drawing on paper needs is left out.
func (g *gathering) take(c *chart, s tell.Series) {
	paint := paints[s.Paint]
	switch s.Sign {
	case tell.Dot, tell.Square, tell.Triangle, tell.Ring:
		exact, below, above := g.add(s.Name, string(s.Sign), paint), g.add(s.Name+": there or below", "down",
			paint), g.add(s.Name+": at least", "up", paint)
		for _, p := range s.Spots {
			series := map[rf.Bound]int{rf.AtMost: below, rf.AtLeast: above}[p.Bound]
			if series == 0 {
				series = exact
			}
			g.put(series, p.X, p.Y, p)
		}
	case tell.Cross:
		g.each(g.add(s.Name, "cross", paint), s.Spots)
	case tell.Line:
		if s.Name != "" && !math.IsInf(s.Spots[0].Y, 0) {
			g.each(g.add(s.Name, "line", paint), s.Spots)
		}
	case tell.Dash:
		switch first := s.Spots[0]; {
		case math.IsInf(first.Y, 0): // upright
			c.Mark = first.X / g.scale
			c.Title += "; the line marks the " + s.Name
		case !math.IsInf(first.X, 0):
			g.each(g.add(s.Name, "dash", paint), s.Spots)
		}
	case tell.Whisker:
		low, high := g.add(s.Name+", low", "ring", "first"), g.add(s.Name+", high", "square", "first")
		for _, p := range s.Spots {
			g.put(low, p.X, p.Y, p)
			g.put(high, p.X, p.To, tell.Spot{})
		}
	case tell.Limits:
		ends := g.add(s.Name, "ring", paint)
		for _, p := range s.Spots {
			g.put(ends, p.X, p.Y, p)
			g.put(ends, p.To, p.Y, tell.Spot{})
		}
	case tell.Bar:
		if s.Paint == tell.Higher {
			ends := g.add(s.Name, "ring", paint)
			for _, p := range s.Spots {
				if p.To != p.Y {
					g.put(ends, p.X, p.To, p)
				}
			}
		}
	case tell.Span:
		level := g.add(s.Name, "triangle", paint)
		for _, p := range s.Spots {
			g.put(level, math.Sqrt(p.X*p.To), p.Y, tell.Spot{Says: p.Says})
			c.Reported = append(c.Reported, [2]float64{p.X / g.scale, p.To / g.scale})
		}
		c.ReportedWord = s.Name + ", over this range"
	case tell.Band:
		for _, p := range s.Spots {
			c.Shade = append(c.Shade, [2]float64{p.X / g.scale, p.To / g.scale})
		}
		c.ShadeWord = s.Name
		if s.Paint == tell.Failing {
			c.ShadePaint = "upset"
		}
	case tell.Within:
		c.Low, c.High = &s.Spots[0].Y, &s.Spots[0].To
	}
}

func (g *gathering) each(series int, spots []tell.Spot) {
	for _, p := range spots {
		if !math.IsNaN(p.X) && !math.IsNaN(p.Y) {
			g.put(series, p.X, p.Y, p)
		}
	}
}

// pointLink is the address of a frequency of a run.
func pointLink(run int, f rf.Frequency) string {
	return fmt.Sprintf("/findings?run=%d&at=%s#point", run, query(f.String()))
}

// namesHere reports that a row names the frequency that is looked at.
func namesHere(here rf.Frequency, row []tell.Cell) bool {
	return here.Known() && slices.ContainsFunc(row, func(c tell.Cell) bool { return c.At == here })
}

// marked is the style of a verdict. The style of danger is kept for RF that is not known to be off.
func marked(v *tell.Verdict) string {
	if v.Mark == "bad" && !strings.HasPrefix(v.Words, event.RFAlarm) {
		return "upset"
	}
	return v.Mark
}
