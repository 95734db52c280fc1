package tell

import (
	"fmt"
	"math"

	"provoke/internal/findings/analysis"
	"provoke/internal/units/rf"
)

// Chart is a drawing as data: what is drawn, where, and what the signs mean. Each face draws it in its own way.
type Chart struct {
	ID, Title, Caption string
	Number             int     // in print; 0 for none
	Tall               float64 // against the usual height
	X, Y               Axis
	// Series are drawn in their order, Bands and Tolerance first and below the grid.
	Series []Series
	Legend []Entry
}

// Axis is what a chart has along one side.
type Axis struct {
	// Labels say what it counts, with the unit; the first that has room is shown.
	Labels    []string
	Log       bool // of a frequency in hertz
	Low, High float64
	Ticks     int       // about how many; 0 for as many as belong to the axis
	At        []float64 // ticks at these whole numbers only; nil for where they fall
}

// Sign is how a value is drawn.
type Sign string

// The signs. A Dot and a Square that are no exact value are drawn open, with an arrow to where the value lies.
const (
	Dot    Sign = "dot"
	Square Sign = "square"
	Cross  Sign = "cross"
	// Triangle and Ring tell a third and a fourth run apart.
	Triangle Sign = "triangle"
	Ring     Sign = "ring"
	Line     Sign = "line"    // joins the spots; one without a number parts it
	Dash     Sign = "dash"    // the same, dashed
	Bar      Sign = "bar"     // from Y to To
	Whisker  Sign = "whisker" // the limits of a value, from Y to To
	Limits   Sign = "limits"  // lying limits, from X to To
	Span     Sign = "span"    // a level from X to To, never too short to be seen
	Band     Sign = "band"    // shaded over the whole height, from X to To
	Within   Sign = "within"  // shaded over the whole width, from Y to To
	Count    Sign = "count"   // 1, 2, 3 … at the top of the chart
	Bound    Sign = "bound"   // in legends: an open dot with its arrow
	Upright  Sign = "upright" // in legends: an upright line
)

// Paint is what a colour stands for.
type Paint string

// The paints.
const (
	Wanted  Paint = "wanted"
	Before  Paint = "before"
	After   Paint = "after"
	Upset   Paint = "upset"
	Lacking Paint = "missing" // from what was reached to what was wanted
	Higher  Paint = "higher"  // what a level may stand for besides
	RFOn    Paint = "rf"
	Calm    Paint = "calm"
	Soft    Paint = "soft"
	Trace   Paint = "trace" // what joins readings
	Event   Paint = "event"
	Ink     Paint = "ink"
	Third   Paint = "third" // of runs that lie over one another
	Fourth  Paint = "fourth"
	Failing Paint = "failing" // where bands fail
)

// Series are values of one kind.
type Series struct {
	Name  string
	Sign  Sign
	Paint Paint
	Spots []Spot
}

// Spot is one value. To is the other end of what reaches from one value to another.
type Spot struct {
	X, Y, To float64
	Bound    rf.Bound
	// Says is what is told of the value alone; Run is the run in which X can be looked at; "" and 0 for nothing.
	Says string
	Run  int
}

// Entry is a line of the legend.
type Entry struct {
	Text  string
	Sign  Sign
	Paint Paint
}

// everywhere is an end of what is drawn over the whole of an axis.
var everywhere = math.Inf(1)

// explain adds an entry to the legend where it is wanted.
func (c *Chart) explain(show bool, text string, s Sign, p Paint) {
	if show {
		c.Legend = append(c.Legend, Entry{text, s, p})
	}
}

// draw adds values.
func (c *Chart) draw(name string, s Sign, p Paint, spots []Spot) {
	if len(spots) > 0 {
		c.Series = append(c.Series, Series{name, s, p, spots})
	}
}

// spanOf holds the ranges of values.
type spanOf struct{ left, right, bottom, top float64 }

func newSpan() spanOf {
	return spanOf{math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1)}
}

func (s *spanOf) take(lists ...[]Spot) {
	for _, list := range lists {
		for _, m := range list {
			s.left, s.right = math.Min(s.left, m.X), math.Max(s.right, m.X)
			s.bottom, s.top = math.Min(s.bottom, m.Y), math.Max(s.top, m.Y)
		}
	}
}

// OverFrequency gives a chart the axes for values over frequency, with room around them; false when there are none.
func (c *Chart) OverFrequency(y string, lists ...[]Spot) bool {
	s := newSpan()
	s.take(lists...)
	if s.left > s.right {
		return false
	}
	room := math.Pow(s.right/s.left, 0.02)
	if s.right/s.left < 1.01 {
		room = 1.05
	}
	height := math.Max(s.top-s.bottom, 6)
	c.X = Axis{Labels: []string{"frequency (Hz)"}, Log: true, Low: s.left / room, High: s.right * room}
	c.Y = Axis{Labels: []string{y}, Low: s.bottom - 0.1*height, High: s.top + 0.16*height, Ticks: 7}
	return true
}

const onsetLabel = "onset of upset (dBµA)"

// spot is a value over frequency.
func spot[U rf.Unit](f rf.Frequency, l rf.Level[U]) Spot {
	return Spot{X: f.Hz(), Y: l.In(), Bound: l.Bound()}
}

// wantedSpots are the levels wanted over frequency.
func wantedSpots(points []analysis.Point) (out []Spot) {
	for _, p := range points {
		if p.Wanted.Known() {
			out = append(out, Spot{X: p.Frequency.Hz(), Y: p.Wanted.In()})
		}
	}
	return out
}

// onsetSpots are the onsets found, and the bounds of those not found.
func onsetSpots(f analysis.Findings) (out []Spot) {
	for _, p := range f.Points {
		if p.Onset.Known() {
			s := spot(p.Frequency, p.Onset)
			s.Run, s.Says = f.Run, fmt.Sprintf("%v, run %d: %s; wanted %v, margin %s", p.Frequency,
				f.Run, OnsetWords(p), p.Wanted, GainWords(p.Margin, p.MarginBound))
			out = append(out, s)
		}
	}
	return out
}
