package web

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strconv"

	"provoke/internal/findings/analysis"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/tell"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// studyPart is a study of a run as the findings show it: the report's words and tables, and charts.
type studyPart struct {
	tell.Study
	Charts []chart
}

// Shown are the tables for people.
func (s studyPart) Shown() []tell.Table { return shownTables(s.Tables) }

// shownTables leaves out the tables that are too long for people.
func shownTables(all []tell.Table) []tell.Table {
	return slices.DeleteFunc(slices.Clone(all), func(t tell.Table) bool { return t.FileOnly })
}

// studiesOf returns what a run was made to study.
func (s *Server) studiesOf(r result.Run) ([]studyPart, error) {
	infos, err := s.journal.runs()
	if err != nil {
		return nil, err
	}
	var known, others []result.Run
	for _, i := range infos {
		known = append(known, result.Run{Number: i.Run, Opened: i.Opened})
	}
	modulated := analysis.OneOfEachModulation(known, r)
	for _, k := range known {
		if r.Opened.RunKind == plan.FreeSweepRun && analysis.Stepping(r.Opened, k.Opened) || len(modulated) > 1 && slices.Contains(modulated, r.Number) && slices.Contains(modulated, k.Number) {
			m, err := s.journal.run(k.Number)
			if err != nil {
				return nil, err
			}
			others = append(others, m)
		}
	}
	var out []studyPart
	for _, study := range tell.Studies(r, others) {
		p := studyPart{Study: study}
		for i, x := range study.Random {
			p.Charts = append(p.Charts, randomChart(fmt.Sprintf("%s-%d", study.ID, i), x))
		}
		for i, d := range study.Dwell {
			if len(d.Times) > 0 {
				p.Charts = append(p.Charts, dwellChart(fmt.Sprintf("%s-%d", study.ID, i), d))
			}
		}
		if study.Swept != nil {
			p.Charts = append(p.Charts, sweptChart(*study.Swept))
		}
		out = append(out, p)
	}
	return out, nil
}

// columns gathers values by x, so that series of different x share one axis.
type columns struct {
	names []chartSeries
	at    map[float64][]*float64
}

func newColumns(series ...chartSeries) *columns {
	return &columns{series, map[float64][]*float64{}}
}

func (c *columns) put(x float64, series int, y float64) {
	if c.at[x] == nil {
		c.at[x] = make([]*float64, len(c.names))
	}
	c.at[x][series] = &y
}

// into writes the columns into a chart, with the same words for every series at an x.
func (c *columns) into(ch *chart, tip func(x float64, y []*float64) string) {
	for x := range c.at {
		ch.At = append(ch.At, x)
	}
	sort.Float64s(ch.At)
	for _, x := range ch.At {
		for i := range c.names {
			c.names[i].Y = append(c.names[i].Y, c.at[x][i])
		}
		ch.Tips = append(ch.Tips, tip(x, c.at[x]))
	}
	ch.Series = c.names
}

// finely is how many places a fitted curve is drawn through.
const finely = 100

// randomChart is how often the product upset over the level, with the fitted curve.
func randomChart(id string, x analysis.Random) chart {
	c := chart{ID: id, Title: fmt.Sprintf("Upsets over the level at %v", x.Frequency), X: axis{Label: "level (dBµA)"}, Y: axis{Label: "upsets (%)"}}
	cols := newColumns(chartSeries{Name: "share of upsets", Sign: "dot", Paint: "upset"}, chartSeries{Name: "exact limit below", Sign: "ring", Paint: "first"},
		chartSeries{Name: "exact limit above", Sign: "square", Paint: "first"}, chartSeries{Name: "fitted curve", Sign: "line", Paint: "second"})
	low, high := math.Inf(1), math.Inf(-1)
	words := map[float64]string{}
	for _, a := range x.At {
		if !a.Current.Known() {
			continue
		}
		l := a.Current.In()
		low, high = min(low, l), max(high, l)
		cols.put(l, 0, 100*float64(a.Upsets)/float64(a.Trials))
		cols.put(l, 1, 100*float64(a.Low))
		cols.put(l, 2, 100*float64(a.High))
		words[l] = fmt.Sprintf("%v: %d of %d upset; the share lies between %.1f %% and %.1f %%", a.Current, a.Upsets, a.Trials, 100*float64(a.Low), 100*float64(a.High))
	}
	if x.Fit != nil {
		for i := range finely + 1 {
			l := low + (high-low)*float64(i)/finely
			cols.put(l, 3, 100*x.Fit.Probability(l))
		}
	}
	cols.into(&c, func(l float64, y []*float64) string {
		if w := words[l]; w != "" {
			return w
		}
		return fmt.Sprintf("%.1f dBµA: %.0f %% by the fitted curve", l, *y[3])
	})
	return c.bare()
}

// dwellChart is how many of the exposures had upset by a time.
func dwellChart(id string, d analysis.DwellAt) chart {
	c := chart{ID: id, Title: fmt.Sprintf("Time to upset at %v", d.Frequency), X: axis{Label: "seconds since RF came to the level"}, Y: axis{Label: "upset by then (%)"}}
	cols := newColumns(chartSeries{Name: "upset by then", Sign: "dot", Paint: "upset"}, chartSeries{Name: "fitted distribution", Sign: "line", Paint: "second"})
	for i, t := range d.Times {
		cols.put(t, 0, 100*float64(i+1)/float64(d.Exposures))
	}
	longest := max(d.Longest, d.Times[len(d.Times)-1])
	if s := d.Needed.Seconds; !math.IsNaN(s) {
		c.Mark, longest = s, max(longest, s)
		c.Title += "; the line marks the dwell needed, " + tell.SecondsWords(s)
	}
	if !math.IsNaN(d.Shape) && !math.IsNaN(d.Scale) {
		for i := range finely + 1 {
			t := longest * float64(i) / finely
			cols.put(t, 1, -100*math.Expm1(-math.Pow(t/d.Scale, d.Shape)))
		}
	}
	cols.into(&c, func(t float64, y []*float64) string {
		if y[0] != nil {
			return fmt.Sprintf("%s: %.0f %% of %s had upset", tell.SecondsWords(t), *y[0], english.Count(d.Exposures, "exposure", "exposures"))
		}
		return strconv.FormatFloat(t, 'g', 3, 64) + " s"
	})
	return c.bare()
}

// sweptChart is where the clock puts each upset of a source that sweeps by itself, pass by pass.
func sweptChart(r result.Run) chart {
	c := chart{ID: fmt.Sprintf("swept-%d", r.Number), Title: fmt.Sprintf("Upsets of the passes of run %d", r.Number), X: axis{Label: "apparent frequency (MHz)", Log: true}, Y: axis{Label: "pass"}}
	cols := newColumns(chartSeries{Name: "upset in a pass up", Sign: "dot", Paint: "first"}, chartSeries{Name: "upset in a pass down", Sign: "square", Paint: "second"})
	words := map[float64]string{}
	for _, p := range r.Passes {
		for _, end := range []rf.Frequency{p.From, p.To} { // the axis shows the whole sweep
			if x := inMHz(end); cols.at[x] == nil {
				cols.at[x], words[x] = make([]*float64, len(cols.names)), fmt.Sprintf("end of the sweep: %v", end)
			}
		}
		series := 0
		if p.From > p.To {
			series = 1
		}
		for _, u := range p.Upsets {
			x := inMHz(u.Apparent)
			for cols.at[x] != nil { // two upsets at one place stand beside each other
				x *= 1 + 1e-6
			}
			cols.put(x, series, float64(p.Pass))
			words[x] = fmt.Sprintf("pass %d, %v to %v: %s upset at an apparent %v", p.Pass, p.From, p.To, u.Monitor, u.Apparent)
		}
	}
	cols.into(&c, func(x float64, _ []*float64) string { return words[x] })
	if r.Bands != nil && len(r.Bands.Bands) > 0 {
		for _, b := range r.Bands.Bands {
			c.Shade = append(c.Shade, [2]float64{inMHz(max(b.Low-b.Within, 0)), inMHz(b.High + b.Within)})
		}
		c.ShadeWord = "band within its limits"
	}
	return c.bare()
}
