package report

import (
	"cmp"
	"fmt"
	"html/template"
	"image/color"
	"math"
	"slices"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"provoke/internal/findings/analysis"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// Figure is a drawing with its caption and the meaning of its signs. The same drawing goes into the
// HTML as SVG and into the PDF as vectors.
type Figure struct {
	ID, Title, Caption string
	Number             int
	Legend             []Sign
	Width, Height      vg.Length
	Fixed              bool // drawn for this size and no other
	draw               func(draw.Canvas)
}

// SVG returns the figure as an element for the middle of an HTML file; every text in it is escaped.
func (f Figure) SVG() (template.HTML, error) { return svg(f.draw, f.Width, f.Height, "plot", f.Title) }

// Sign is one entry of a figure's legend.
type Sign struct {
	Text string
	draw func(draw.Canvas)
}

// SVG returns the sign as an element for the middle of an HTML file.
func (s Sign) SVG() (template.HTML, error) { return svg(s.draw, signWidth, signHeight, "sign", "") }

// plotted is the drawing of a plot.
func plotted(p *plot.Plot) func(draw.Canvas) { return func(c draw.Canvas) { p.Draw(c) } }

var wantedStyle = draw.LineStyle{Color: ink, Width: 1.1, Dashes: []vg.Length{5, 2.5}}

// wantedLine returns the level wanted over frequency.
func wantedLine(points []analysis.Point) []mark {
	var out []mark
	for _, p := range points {
		if p.Wanted.Known() {
			out = append(out, mark{p.Frequency.Hz(), p.Wanted.In(), rf.Exactly})
		}
	}
	return out
}

// frame holds the ranges of a figure over frequency.
type frame struct{ low, high, bottom, top float64 }

func newFrame() frame {
	return frame{math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1)}
}

func (f *frame) take(lists ...[]mark) {
	for _, list := range lists {
		for _, m := range list {
			f.low, f.high = math.Min(f.low, m.x), math.Max(f.high, m.x)
			f.bottom, f.top = math.Min(f.bottom, m.y), math.Max(f.top, m.y)
		}
	}
}

// plot returns an empty plot with room around the values; false when there are none.
func (f frame) plot(y string) (*plot.Plot, bool) {
	if f.low > f.high {
		return nil, false
	}
	room := math.Pow(f.high/f.low, 0.02)
	if f.high/f.low < 1.01 {
		room = 1.05
	}
	p := frequencyPlot(f.low/room, f.high*room, y)
	span := math.Max(f.top-f.bottom, 6)
	p.Y.Min, p.Y.Max = f.bottom-0.1*span, f.top+0.16*span
	return p, true
}

// reachedFigure shows the current that a run reached against the level wanted.
func reachedFigure(f analysis.Findings) (Figure, bool) {
	var reached, upset, short []mark
	for _, p := range f.Points {
		if !p.Reached.Known() {
			continue
		}
		m := mark{p.Frequency.Hz(), p.Reached.In(), p.Reached.Bound()}
		switch {
		case p.Upset:
			upset = append(upset, m)
		case p.NotReached:
			short = append(short, m)
		default:
			reached = append(reached, m)
		}
	}
	wanted := wantedLine(f.Points)
	fr := newFrame()
	fr.take(reached, upset, short, wanted)
	p, ok := fr.plot("current on the cable (dBµA)")
	if !ok || len(reached)+len(upset)+len(short) == 0 {
		return Figure{}, false
	}
	p.Add(grid(), shortBars(f.Points), marks(reached, after, false), marks(short, before, true), line(wanted, wantedStyle), crosses(upset, alarm))
	return Figure{
		ID: fmt.Sprintf("figure-reached-%d", f.Run), Title: fmt.Sprintf("Current reached against the level wanted, run %d", f.Run),
		Caption: "Highest current at each frequency" + originWords(f.Points) + ". Where the product upset, RF went off at once.",
		Legend:  legend(entry{len(wanted) > 0, wantedWords(f), dashSign()}, entry{len(reached) > 0, "reached, no upset", dotSign(after, true)}, entry{len(short) > 0, "level not reached", squareSign(before)}, entry{len(upset) > 0, "upset on the way or there", crossSign(alarm)}),
		Width:   figureWidth, Height: figureHeight, draw: plotted(p),
	}, true
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
	return fmt.Sprintf(" (at %s not measured but asked for or predicted, see the table)", english.Count(n, "frequency", "frequencies"))
}

// shortBars shows how much is missing where the level was not reached.
func shortBars(points []analysis.Point) drawing {
	var from []mark
	var to []float64
	for _, p := range points {
		if p.NotReached && p.Reached.Known() && p.Wanted.Known() {
			from = append(from, mark{p.Frequency.Hz(), p.Reached.In(), rf.Exactly})
			to = append(to, p.Wanted.In())
		}
	}
	return bars(from, to, rgb(0xf1dccf))
}

// immunity splits a profile into the onsets found and the lower bounds of those not found.
func immunity(points []analysis.Point) (out []mark) {
	for _, p := range points {
		if p.Onset.Known() {
			out = append(out, mark{p.Frequency.Hz(), p.Onset.In(), p.Onset.Bound()})
		}
	}
	return out
}

// profileFigure shows the immunity profile of a run, and of a second one after a change.
func profileFigure(b analysis.Findings, a *analysis.Findings) (Figure, bool) {
	first := immunity(b.Points)
	wanted := wantedLine(b.Points)
	var second []mark
	if a != nil {
		second = immunity(a.Points)
		if len(wanted) == 0 {
			wanted = wantedLine(a.Points)
		}
	}
	fr := newFrame()
	fr.take(first, second, wanted)
	p, ok := fr.plot("onset of upset (dBµA)")
	if !ok {
		return Figure{}, false
	}
	p.Add(grid(), marginBars(b.Points), marks(first, before, false), marks(second, after, true), line(wanted, wantedStyle))
	f := Figure{
		ID: fmt.Sprintf("figure-profile-%d", b.Run), Title: fmt.Sprintf("Immunity profile, run %d", b.Run),
		Caption: "Onset of upset against frequency. An open sign with an arrow is a bound: up, the product upsets above it or not at all; down, at it or below. A bar is what is missing to the level wanted.",
		Width:   figureWidth, Height: figureHeight * 1.12, draw: plotted(p),
	}
	name := fmt.Sprintf("run %d", b.Run)
	if a != nil {
		f.ID, f.Title = "figure-compare", fmt.Sprintf("Immunity profile before (run %d) and after (run %d)", b.Run, a.Run)
		name = "before"
	}
	f.Legend = legend(entry{len(wanted) > 0, wantedWords(b), dashSign()}, entry{true, name, dotSign(before, true)}, entry{a != nil, "after", squareSign(after)},
		entry{true, "bound", dotSign(before, false)}, entry{b.Upsets > 0, "missing to the level wanted", barSign(rgb(0xf1dccf))})
	return f, true
}

// marginBars shows how much is missing to the level wanted.
func marginBars(points []analysis.Point) drawing {
	var from []mark
	var to []float64
	for _, p := range points {
		if p.Upset && p.Margin < 0 && p.Onset.Known() && p.Wanted.Known() && p.Onset.In() < p.Wanted.In() {
			from = append(from, mark{p.Frequency.Hz(), p.Onset.In(), rf.Exactly})
			to = append(to, p.Wanted.In())
		}
	}
	return bars(from, to, rgb(0xf1dccf))
}

// readingFigures shows the DUT's readings around one upset of each failing band: the first in the
// journal with numbers.
func readingFigures(r result.Run, f analysis.Findings) []Figure {
	var out []Figure
	for _, b := range f.Bands {
		step, monitor := telling(r, b)
		if step == nil {
			continue
		}
		out = append(out, readingFigure(r, step, monitor))
	}
	return out
}

// telling returns the step of a band, and the monitor, with the most numbers to show. A descent is
// taken only where there is no single exposure.
func telling(r result.Run, b analysis.Band) (best *result.Step, by event.Monitor) {
	for _, descents := range []bool{false, true} {
		most := 1
		for _, s := range r.Steps {
			if !s.Outcome.Upset || (s.Step.Purpose == plan.Recover) != descents || !b.Contains(s.Step.Point.Frequency) {
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
	good, bad, all []mark
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
		m := mark{at, x.Value, rf.Exactly}
		out.all = append(out.all, m)
		if x.Bad {
			out.bad = append(out.bad, m)
		} else {
			out.good = append(out.good, m)
		}
	}
	return out
}

// parts splits the readings where an error line or silence lies between two of them.
func (s series) parts() (out [][]mark) {
	var part []mark
	for _, m := range s.all {
		if len(part) > 0 && s.interrupted(part[len(part)-1].x, m.x) {
			out, part = append(out, part), nil
		}
		part = append(part, m)
	}
	return append(out, part)
}

func (s series) interrupted(from, to float64) bool {
	for _, x := range s.events {
		if at := x.After.Std().Seconds(); at > from && at < to {
			return true
		}
	}
	return false
}

func readingFigure(r result.Run, s *result.Step, m event.Monitor) Figure {
	data := seriesOf(s, m.ID)
	fr := newFrame()
	fr.take(data.all)
	fr.low, fr.high = math.Min(fr.low, data.on), math.Max(fr.high, data.off)
	for _, x := range data.events {
		at := x.After.Std().Seconds()
		fr.low, fr.high = math.Min(fr.low, at), math.Max(fr.high, at)
	}
	if m.HasBaseline {
		fr.bottom, fr.top = math.Min(fr.bottom, m.Baseline-m.Tolerance), math.Max(fr.top, m.Baseline+m.Tolerance)
	}
	const figureTall = figureHeight * 0.86
	whole, unit := m.ID, ""
	if m.Unit != "" {
		unit = " (" + m.Unit + ")"
		whole += unit
	}
	p := newPlot("time since RF came to the level (s)", fitting(figureTall-62, whole, "reading"+unit, "reading"))
	p.X.Tick.Marker, p.Y.Tick.Marker = linearTicks{9}, linearTicks{5}
	width := math.Max(fr.high-fr.low, 1e-3)
	p.X.Min, p.X.Max = fr.low-0.03*width, fr.high+0.03*width
	height := fr.top - fr.bottom
	if height <= 0 {
		height = math.Max(math.Abs(fr.top)*0.01, 1e-9)
	}
	p.Y.Min, p.Y.Max = fr.bottom-0.08*height, fr.top+0.24*height
	messages := addReadings(p, data, m)
	level, _ := s.Level()
	f := Figure{
		ID:      fmt.Sprintf("figure-reading-%d-%d", r.Number, s.Step.Number),
		Title:   fmt.Sprintf("DUT reading around an upset at %v, run %d", s.Step.Point.Frequency, r.Number),
		Caption: fmt.Sprintf("Step %d (%s) at %v; %s.", s.Step.Number, s.Step.Purpose, level, s.Class),
		Legend: legend(entry{true, "RF on", barSign(rfOn)}, entry{m.HasBaseline && m.Tolerance > 0, "baseline and tolerance", barSign(calm)},
			entry{true, "reading", dotSign(after, true)}, entry{len(data.bad) > 0, "outside the tolerance", dotSign(alarm, true)}, entry{len(data.events) > 0, "error or silence", lineSign(alarm)}),
		Width: figureWidth, Height: figureTall, draw: plotted(p),
	}
	if p.Y.Label.Text != whole {
		f.Caption += " The reading is that of " + whole + "."
	}
	file := fmt.Sprintf("readings-run-%d.csv", r.Number)
	for i, text := range messages {
		if i == mostMessages {
			f.Legend = append(f.Legend, Sign{fmt.Sprintf("and %s, in %s", english.Count(len(messages)-i, "further message", "further messages"), file), lineSign(alarm)})
			break
		}
		if r := []rune(text); len(r) > 240 {
			text = string(r[:240]) + " (goes on in " + file + ")"
		}
		f.Legend = append(f.Legend, Sign{fmt.Sprintf("%d: %s", i+1, event.Printable(text)), lineSign(alarm)})
	}
	return f
}

// mostMessages is how many different messages a figure of readings explains.
const mostMessages = 6

// addReadings draws the readings and returns the different messages among them, in their order.
func addReadings(p *plot.Plot, data series, m event.Monitor) []string {
	if m.HasBaseline && m.Tolerance > 0 {
		p.Add(shade(p.X.Min, p.X.Max, m.Baseline-m.Tolerance, m.Baseline+m.Tolerance, calm))
	}
	p.Add(shade(data.on, data.off, p.Y.Min, p.Y.Max, color.NRGBA{0xf2, 0xa3, 0x3c, 0x48}))
	p.Add(grid())
	if m.HasBaseline {
		at := []mark{{p.X.Min, m.Baseline, rf.Exactly}, {p.X.Max, m.Baseline, rf.Exactly}}
		p.Add(line(at, draw.LineStyle{Color: soft, Width: 0.7, Dashes: []vg.Length{3, 2}}))
	}
	for _, part := range data.parts() {
		p.Add(line(part, draw.LineStyle{Color: rgb(0x9db4bf), Width: 0.9}))
	}
	p.Add(marks(data.good, after, false), marks(data.bad, alarm, false))
	return addEvents(p, data.events)
}

// addEvents marks error lines and silence, and numbers the first of each of the first few messages: words
// would lie over each other.
func addEvents(p *plot.Plot, events []event.Reading) (messages []string) {
	var numbered []float64
	for _, x := range slices.SortedStableFunc(slices.Values(events), func(a, b event.Reading) int { return cmp.Compare(a.After, b.After) }) {
		at := x.After.Std().Seconds()
		p.Add(line([]mark{{at, p.Y.Min, rf.Exactly}, {at, p.Y.Max, rf.Exactly}}, draw.LineStyle{Color: rgb(0xd98a88), Width: 0.8}))
		if text := firstOf(x.Why, x.Text, "no text"); !slices.Contains(messages, text) {
			if messages = append(messages, text); len(messages) <= mostMessages {
				numbered = append(numbered, at)
			}
		}
	}
	p.Add(numbers(numbered, alarm))
	return messages
}

func firstOf(texts ...string) string {
	for _, t := range texts {
		if t != "" {
			return t
		}
	}
	return ""
}
