package web

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strconv"

	"provoke/internal/analysis"
	"provoke/internal/report"
	"provoke/internal/result"
)

// studyPart is a study of a run as the findings show it: the report's words and tables, and charts.
type studyPart struct {
	report.Study
	Charts []chart
}

// Shown are the tables for people.
func (s studyPart) Shown() []report.Table { return shownTables(s.Tables) }

// shownTables leaves out the tables that are too long for people.
func shownTables(all []report.Table) []report.Table {
	return slices.DeleteFunc(slices.Clone(all), func(t report.Table) bool { return t.FileOnly })
}

// studiesOf returns what a run was made to study.
func (s *Server) studiesOf(r result.Run) ([]studyPart, error) {
	infos, err := s.journal.runs()
	if err != nil {
		return nil, err
	}
	var known, modulated []result.Run
	for _, i := range infos {
		known = append(known, result.Run{Number: i.Run, Opened: i.Opened})
	}
	if list := analysis.OneOfEachModulation(known, r); len(list) > 1 && slices.Contains(list, r.Number) {
		for _, n := range list {
			m, err := s.journal.run(n)
			if err != nil {
				return nil, err
			}
			modulated = append(modulated, m)
		}
	}
	var out []studyPart
	for _, study := range report.Studies(r, modulated) {
		p := studyPart{Study: study}
		for i, x := range study.Random {
			p.Charts = append(p.Charts, randomChart(fmt.Sprintf("%s-%d", study.ID, i), x))
		}
		for i, d := range study.Dwell {
			if len(d.Times) > 0 {
				p.Charts = append(p.Charts, dwellChart(fmt.Sprintf("%s-%d", study.ID, i), d))
			}
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
		c.Title += "; the line marks the dwell needed, " + report.SecondsWords(s)
	}
	if !math.IsNaN(d.Shape) && !math.IsNaN(d.Scale) {
		for i := range finely + 1 {
			t := longest * float64(i) / finely
			cols.put(t, 1, -100*math.Expm1(-math.Pow(t/d.Scale, d.Shape)))
		}
	}
	cols.into(&c, func(t float64, y []*float64) string {
		if y[0] != nil {
			return fmt.Sprintf("%s: %.0f %% of %s had upset", report.SecondsWords(t), *y[0], plural(d.Exposures, "exposure", "exposures"))
		}
		return strconv.FormatFloat(t, 'g', 3, 64) + " s"
	})
	return c.bare()
}
