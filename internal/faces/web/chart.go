package web

import (
	"sort"
	"strconv"

	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/units/rf"
)

// chart is what the browser draws: numbers in the units that the labels name, with nothing left to
// convert. Every series has one value per x, nil where there is none.
type chart struct {
	ID     string        `json:"id"`
	Title  string        `json:"title"`
	X      axis          `json:"x"`
	Y      axis          `json:"y"`
	At     []float64     `json:"at"`
	Series []chartSeries `json:"series"`
	// Tips are the words for each x, Links where a click on it leads; both may be empty.
	Tips  []string `json:"tips,omitempty"`
	Links []string `json:"links,omitempty"`
	// Shade are stretches of x that are marked, with one word for all of them.
	Shade     [][2]float64 `json:"shade,omitempty"`
	ShadeWord string       `json:"shadeWord,omitempty"`
	// ShadePaint is the colour of these stretches; empty for that of what is not reached.
	ShadePaint string `json:"shadePaint,omitempty"`
	// Reported are stretches that somebody else reported, marked at the foot of the chart.
	Reported     [][2]float64 `json:"reported,omitempty"`
	ReportedWord string       `json:"reportedWord,omitempty"`
	// Mark is an x with a line of its own, 0 for none.
	Mark float64 `json:"mark,omitempty"`
	// Low and High are a tolerance on the y axis; nil for none.
	Low  *float64 `json:"low,omitempty"`
	High *float64 `json:"high,omitempty"`

	open bool // the last stretch of Shade goes on
}

// bare drops the series that have no value at all, so that the legend names only what is drawn.
func (c chart) bare() chart {
	var kept []chartSeries
	for _, s := range c.Series {
		for _, y := range s.Y {
			if y != nil {
				kept = append(kept, s)
				break
			}
		}
	}
	c.Series = kept
	return c
}

// mostRows is how many rows of a chart's table a page shows; the CSV file has them all.
const mostRows = 1000

// Rows are the chart's numbers as its table shows them.
func (c chart) Rows() [][]string {
	var out [][]string
	for i, x := range c.At {
		if i == mostRows {
			break
		}
		row := []string{strconv.FormatFloat(x, 'g', 7, 64)}
		for _, s := range c.Series {
			text := "–"
			if i < len(s.Y) && s.Y[i] != nil {
				text = strconv.FormatFloat(*s.Y[i], 'f', 1, 64)
			}
			row = append(row, text)
		}
		out = append(out, row)
	}
	return out
}

// axis is how one direction of a chart counts. Kind is "frequency" for megahertz that are written as a person writes
// them, "ago" for seconds that are shown before the newest, Last of them. From and To are a span that is always shown,
// Least the smallest span: noise is not drawn as if it were a signal.
type axis struct {
	Label string  `json:"label"`
	Log   bool    `json:"log,omitempty"`
	Kind  string  `json:"kind,omitempty"`
	From  float64 `json:"from,omitempty"`
	To    float64 `json:"to,omitempty"`
	Least float64 `json:"least,omitempty"`
	Last  float64 `json:"last,omitempty"`
}

// chartSeries is a line or a row of signs. Sign is "line", "dash", "dot", "ring", "square",
// "cross", "up" or "down": the sign tells the meaning, the colour only helps. Paint names a colour
// of the page's style.
type chartSeries struct {
	Name  string `json:"name"`
	Sign  string `json:"sign"`
	Paint string `json:"paint"`
	// Apart: the line ends where there is no value.
	Apart bool       `json:"apart,omitempty"`
	Y     []*float64 `json:"y"`
}

const megahertz = 1e6

// inMHz returns a frequency as the x axes count it.
func inMHz(f rf.Frequency) float64 { return f.Hz() / megahertz }

var frequencyAxis = axis{Label: "frequency (MHz)", Log: true, Kind: "frequency"}

var currentAxis = axis{Label: "current on the cable (dBµA)", Least: 6}

// number returns what a chart draws of a level; nil where there is no number.
func number[U rf.Unit](l rf.Level[U]) *float64 {
	if !l.Known() || l.IsOff() {
		return nil
	}
	x := l.In()
	return &x
}

// chartSpot is one closed step as the live chart adds it.
type chartSpot struct {
	X      float64  `json:"x"`
	Y      *float64 `json:"y"`
	Wanted *float64 `json:"wanted"`
	Upset  bool     `json:"upset"`
}

func spotOf(s *result.Step) *chartSpot {
	if s.Outcome.Skipped {
		return nil
	}
	current, _ := s.Level()
	spot := chartSpot{X: inMHz(s.Step.Point.Frequency), Y: number(current), Wanted: number(s.Step.Point.Wanted.Current),
		Upset: s.Outcome.Upset}
	if spot.Y == nil {
		return nil
	}
	return &spot
}

// liveChart is current and upsets over frequency: at each frequency the highest current without an
// upset and the lowest that upset.
func liveChart(r *result.Run) chart {
	c := chart{ID: "growing", Title: "Current and upsets over frequency", X: frequencyAxis, Y: currentAxis}
	if r.Opened.RunKind == plan.Baseline {
		return c
	}
	spots := map[float64]*[3]*float64{}
	for _, st := range r.Steps {
		spot := spotOf(st)
		if spot == nil {
			continue
		}
		p := spots[spot.X]
		if p == nil {
			p = &[3]*float64{}
			spots[spot.X] = p
			c.At = append(c.At, spot.X)
		}
		p[0] = spot.Wanted
		switch {
		case spot.Upset && (p[2] == nil || *spot.Y < *p[2]):
			p[2] = spot.Y
		case !spot.Upset && (p[1] == nil || *spot.Y > *p[1]):
			p[1] = spot.Y
		}
	}
	sort.Float64s(c.At)
	c.Series = []chartSeries{
		{Name: "wanted", Sign: "dash", Paint: "wanted"},
		{Name: "no upset", Sign: "ring", Paint: "calm"},
		{Name: "upset", Sign: "cross", Paint: "upset"},
	}
	for _, x := range c.At {
		for i := range c.Series {
			c.Series[i].Y = append(c.Series[i].Y, spots[x][i])
		}
	}
	return c
}
