package tell

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"provoke/internal/findings/analysis"
	"provoke/internal/job/event"
	"provoke/internal/job/result"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// gap parts a line.
var gap = Spot{X: math.NaN()}

// reachedChart shows the current that a run reached against the level wanted.
func reachedChart(f analysis.Findings) (Chart, bool) {
	var reached, upset, short []Spot
	for _, p := range f.Points {
		if !p.Reached.Known() {
			continue
		}
		m := spot(p.Frequency, p.Reached)
		m.Run, m.Says = f.Run, fmt.Sprintf("%v: %v reached, %v wanted", p.Frequency, p.Reached, p.Wanted)
		switch {
		case p.Upset:
			upset = append(upset, m)
		case p.NotReached:
			short = append(short, m)
		default:
			reached = append(reached, m)
		}
	}
	wanted := wantedSpots(f.Points)
	c := Chart{
		ID:    fmt.Sprintf("figure-reached-%d", f.Run),
		Title: fmt.Sprintf("Current reached against the level wanted, run %d", f.Run),
		Caption: "Highest current at each frequency" + originWords(f.Points) +
			". Where the product upset, RF went off at once.", Tall: 1,
	}
	if !c.OverFrequency("current on the cable (dBµA)", reached, upset, short, wanted) ||
		len(reached)+len(upset)+len(short) == 0 {
		return c, false
	}
	c.draw("missing", Bar, Lacking, missingBars(f.Points, func(p analysis.Point) (rf.Current, bool) {
		return p.Reached,
			p.NotReached
	}))
	c.draw("reached, no upset", Dot, After, reached)
	c.draw("level not reached", Square, Before, short)
	c.draw(WantedWords(f), Dash, Wanted, wanted)
	c.draw("upset on the way or there", Cross, Upset, upset)
	c.explain(len(wanted) > 0, WantedWords(f), Dash, Wanted)
	c.explain(len(reached) > 0, "reached, no upset", Dot, After)
	c.explain(len(short) > 0, "level not reached", Square, Before)
	c.explain(len(upset) > 0, "upset on the way or there", Cross, Upset)
	return c, true
}

// originWords says how many currents of a figure were not measured.
func originWords(points []analysis.Point) string {
	n := 0
	for _, p := range points {
		if p.Reached.Known() && p.ReachedOrigin != result.Measured {
			n++
		}
	}
	if n == 0 {
		return ""
	}
	return fmt.Sprintf(" (at %s not measured but asked for or predicted, see the table)",
		english.Count(n, "frequency", "frequencies"))
}

// missingBars are bars from a level to the one wanted.
func missingBars(points []analysis.Point, from func(analysis.Point) (rf.Current, bool)) (out []Spot) {
	for _, p := range points {
		if l, show := from(p); show && l.Known() && p.Wanted.Known() {
			out = append(out, Spot{X: p.Frequency.Hz(), Y: l.In(), To: p.Wanted.In()})
		}
	}
	return out
}

func profileID(run int) string { return fmt.Sprintf("figure-profile-%d", run) }

// profileChart shows the immunity profile of a run, and of a second one after a change.
func profileChart(b analysis.Findings, a *analysis.Findings) (Chart, bool) {
	first, wanted := onsetSpots(b), wantedSpots(b.Points)
	var second []Spot
	c := Chart{
		ID: profileID(b.Run), Title: fmt.Sprintf("Immunity profile, run %d", b.Run),
		Caption: "Onset of upset against frequency. An open sign with an arrow is a bound: up, the product upsets " +
			"above it " +
			"or not at all; down, at it or below.",
		Tall: 1.12,
	}
	name := fmt.Sprintf("run %d", b.Run)
	if a != nil {
		c.ID, c.Title = "figure-compare", fmt.Sprintf("Immunity profile before (run %d) and after (run %d)",
			b.Run, a.Run)
		name = "before"
		if second = onsetSpots(*a); len(wanted) == 0 {
			wanted = wantedSpots(a.Points)
		}
	}
	if !c.OverFrequency(onsetLabel, first, second, wanted) {
		return c, false
	}
	if a == nil {
		c.draw("failing band", Band, Failing, bandSpots(b.Bands))
	}
	c.draw("missing to the level wanted", Bar, Lacking,
		missingBars(b.Points, func(p analysis.Point) (rf.Current, bool) {
			return p.Onset, p.Upset && p.Margin < 0 && p.Onset.In() < p.Wanted.In()
		}))
	c.draw(name, Dot, Before, first)
	c.draw("after", Square, After, second)
	c.draw(WantedWords(b), Dash, Wanted, wanted)
	c.explain(len(wanted) > 0, WantedWords(b), Dash, Wanted)
	c.explain(true, name, Dot, Before)
	c.explain(a != nil, "after", Square, After)
	c.explain(true, "bound", Bound, Soft)
	c.explain(a == nil && len(bandSpots(b.Bands)) > 0, "failing band", Band, Failing)
	c.explain(b.Upsets > 0, "missing to the level wanted", Bar, Lacking)
	return c, true
}

// bandSpots are failing bands as stretches of frequency.
func bandSpots(bands []analysis.Band) (out []Spot) {
	for _, b := range bands {
		const least = 1.01 // a band of one frequency is seen too
		low, high := b.Low.Frequency.Hz(), b.High.Frequency.Hz()
		if high < low*least {
			low, high = low/math.Sqrt(least), high*math.Sqrt(least)
		}
		out = append(out, Spot{X: low, To: high})
	}
	return out
}

// readingCharts shows the DUT's readings around one upset of each failing band: the first in the journal with
// numbers.
func readingCharts(r result.Run, f analysis.Findings) []Chart {
	var out []Chart
	for _, b := range f.Bands {
		if step, monitor := telling(r, b); step != nil {
			out = append(out, readingChart(r, step, monitor))
		}
	}
	return out
}

// telling returns the step of a band, and the monitor, with the most numbers to show. A descent is
// taken only where there is no single exposure.
func telling(r result.Run, b analysis.Band) (best *result.Step, by event.Monitor) {
	for _, descents := range []bool{false, true} {
		most := 1
		for _, s := range r.Steps {
			if !s.Outcome.Upset || (len(s.Descend) > 0) != descents || !b.Contains(s.Step.Point.Frequency) {
				continue
			}
			for _, m := range r.Monitors {
				if n := numbersOf(s, m.ID); n > most {
					best, by, most = s, m, n
				}
			}
		}
		if best != nil {
			return best, by
		}
	}
	return nil, by
}

func numbersOf(s *result.Step, monitor string) (n int) {
	for _, x := range s.Readings {
		if x.Monitor == monitor && x.HasValue {
			n++
		}
	}
	return n
}

// series are the readings of one step by one monitor.
type series struct {
	good, bad, all []Spot
	events         []event.Reading // without a number: error lines, silence
	on, off        float64         // seconds, RF at the level
}

func seriesOf(s *result.Step, monitor string) series {
	out := series{on: 0, off: s.OnFor.Std().Seconds()}
	for _, x := range s.Readings {
		at := x.After.Std().Seconds()
		switch {
		case x.Monitor != monitor && !x.Bad:
			continue
		case !x.HasValue || x.Monitor != monitor:
			if x.Bad {
				out.events = append(out.events, x)
			}
			continue
		}
		if x.RFOn {
			out.on, out.off = math.Min(out.on, at), math.Max(out.off, at)
		}
		m := Spot{X: at, Y: x.Value}
		out.all = append(out.all, m)
		if x.Bad {
			out.bad = append(out.bad, m)
		} else {
			out.good = append(out.good, m)
		}
	}
	return out
}

// joined are the readings as a line that is parted where an error line or silence lies between two of them.
func (s series) joined() (out []Spot) {
	for i, m := range s.all {
		if i > 0 && s.interrupted(s.all[i-1].X, m.X) {
			out = append(out, gap)
		}
		out = append(out, m)
	}
	return out
}

func (s series) interrupted(from, to float64) bool {
	for _, x := range s.events {
		if at := x.After.Std().Seconds(); at > from && at < to {
			return true
		}
	}
	return false
}

func readingChart(r result.Run, s *result.Step, m event.Monitor) Chart {
	data := seriesOf(s, m.ID)
	span := newSpan()
	span.take(data.all)
	span.left, span.right = math.Min(span.left, data.on), math.Max(span.right, data.off)
	for _, x := range data.events {
		at := x.After.Std().Seconds()
		span.left, span.right = math.Min(span.left, at), math.Max(span.right, at)
	}
	if m.HasBaseline {
		span.bottom, span.top = math.Min(span.bottom, m.Baseline-m.Tolerance), math.Max(span.top,
			m.Baseline+m.Tolerance)
	}
	level, _ := s.Level()
	c := Chart{
		ID:      fmt.Sprintf("figure-reading-%d-%d", r.Number, s.Step.Number),
		Title:   fmt.Sprintf("DUT reading around an upset at %v, run %d", s.Step.Point.Frequency, r.Number),
		Caption: fmt.Sprintf("Step %d (%s) at %v; %s.", s.Step.Number, s.Step.Purpose, level, s.Class), Tall: 0.86,
	}
	whole, unit := m.ID, ""
	if m.Unit != "" {
		unit = " (" + m.Unit + ")"
		whole += unit
	}
	width := math.Max(span.right-span.left, 1e-3)
	height := span.top - span.bottom
	if height <= 0 {
		height = math.Max(math.Abs(span.top)*0.01, 1e-9)
	}
	c.X = Axis{Labels: []string{"time since RF came to the level (s)"}, Low: span.left - 0.03*width,
		High: span.right + 0.03*width, Ticks: 9}
	c.Y = Axis{Labels: []string{whole, "reading" + unit, "reading"}, Low: span.bottom - 0.08*height,
		High: span.top + 0.24*height, Ticks: 5}
	tolerance := m.HasBaseline && m.Tolerance > 0
	if tolerance {
		c.draw("baseline and tolerance", Within,
			Calm, []Spot{{Y: m.Baseline - m.Tolerance, To: m.Baseline + m.Tolerance}})
	}
	c.draw("RF on", Band, RFOn, []Spot{{X: data.on, To: data.off}})
	if m.HasBaseline {
		c.draw("baseline", Dash, Soft, []Spot{{X: -everywhere, Y: m.Baseline}, {X: everywhere, Y: m.Baseline}})
	}
	c.draw("", Line, Trace, data.joined())
	c.draw("reading", Dot, After, data.good)
	c.draw("outside the tolerance", Dot, Upset, data.bad)
	c.explain(true, "RF on", Band, RFOn)
	c.explain(tolerance, "baseline and tolerance", Within, Calm)
	c.explain(true, "reading", Dot, After)
	c.explain(len(data.bad) > 0, "outside the tolerance", Dot, Upset)
	c.explain(len(data.events) > 0, "error or silence", Upright, Event)
	c.events(data.events, fmt.Sprintf("readings-run-%d.csv", r.Number))
	return c
}

// mostMessages is how many different messages a chart of readings explains.
const mostMessages = 6

// events marks error lines and silence, and numbers the first of each of the first few messages: words would lie
// over each other.
func (c *Chart) events(events []event.Reading, file string) {
	var lines, numbered []Spot
	var messages []string
	for _, x := range slices.SortedStableFunc(slices.Values(events),
		func(a, b event.Reading) int { return cmp.Compare(a.After, b.After) }) {
		at := x.After.Std().Seconds()
		lines = append(lines, Spot{X: at, Y: -everywhere}, Spot{X: at, Y: everywhere}, gap)
		if text := cmp.Or(x.Why, x.Text, "no text"); !slices.Contains(messages, text) {
			if messages = append(messages, text); len(messages) <= mostMessages {
				numbered = append(numbered, Spot{X: at})
			}
		}
	}
	c.draw("error or silence", Line, Event, lines)
	c.draw("", Count, Upset, numbered)
	for i, text := range messages {
		if i == mostMessages {
			c.explain(true, fmt.Sprintf("and %s, in %s",
				english.Count(len(messages)-i, "further message", "further messages"), file), Upright, Event)
			break
		}
		if r := []rune(text); len(r) > 240 {
			text = string(r[:240]) + " (goes on in " + file + ")"
		}
		c.explain(true, fmt.Sprintf("%d: %s", i+1, event.Printable(text)), Upright, Event)
	}
}
