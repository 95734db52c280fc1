package report

import (
	"fmt"
	"html/template"
	"image/color"
	"math"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"provoke/internal/tell"
)

// Figure is a drawing with its caption and the meaning of its signs. The same drawing goes into the
// HTML as SVG and into the PDF as vectors.
type Figure struct {
	ID, Title, Caption string
	Number             int
	Legend             []LegendSign
	Width, Height      vg.Length
	Fixed              bool // drawn for this size and no other
	draw               func(draw.Canvas)
}

// SVG returns the figure as an element for the middle of an HTML file; every text in it is escaped.
func (f Figure) SVG() (template.HTML, error) { return svg(f.draw, f.Width, f.Height, "plot", f.Title) }

// LegendSign is one entry of a figure's legend.
type LegendSign struct {
	Text string
	draw func(draw.Canvas)
}

// SVG returns the sign as an element for the middle of an HTML file.
func (s LegendSign) SVG() (template.HTML, error) {
	return svg(s.draw, signWidth, signHeight, "sign", "")
}

// plotted is the drawing of a plot.
func plotted(p *plot.Plot) func(draw.Canvas) { return func(c draw.Canvas) { p.Draw(c) } }

// paints are the colours in which what is told stands in print.
var paints = map[tell.Paint]color.Color{
	tell.Wanted: ink, tell.Ink: ink, tell.Before: before, tell.After: after, tell.Upset: alarm,
	tell.Lacking: rgb(0xf1dccf), tell.Higher: rgb(0xcfdfe6),
	tell.RFOn: color.NRGBA{0xf2, 0xa3, 0x3c, 0x48}, tell.Calm: calm, tell.Soft: soft, tell.Trace: rgb(0x9db4bf),
	tell.Third: rgb(0x7a4fb0), tell.Event: rgb(0xd98a88), tell.Failing: color.NRGBA{0x7a, 0x12, 0x78, 0x1c},
}

// strokes are how thick lines are.
var strokes = map[tell.Paint]vg.Length{tell.Wanted: 1.1, tell.Ink: 1.1, tell.Soft: 1.2, tell.Trace: 0.9,
	tell.Event: 0.8, tell.Before: 1.4}

// signPaint is the colour of a sign in a legend; light ones stand on white there.
func signPaint(p tell.Paint) color.Color {
	switch p {
	case tell.RFOn:
		return rfOn
	case tell.Event:
		return alarm
	}
	return paints[p]
}

// figureOf draws the chart or the sketch of a block; nil where it has none.
func figureOf(b tell.Block) *Figure {
	switch {
	case b.Chart != nil:
		return chartFigure(*b.Chart)
	case b.Sketch != nil:
		f := sketch(b.Sketch.Bench, b.Sketch.Fixture)
		f.Number = b.Sketch.Number
		return &f
	}
	return nil
}

func chartFigure(c tell.Chart) *Figure {
	f := &Figure{ID: c.ID, Title: c.Title, Caption: c.Caption, Number: c.Number, Width: figureWidth,
		Height: figureHeight * vg.Length(c.Tall)}
	label := fitting(f.Height-62, c.Y.Labels...)
	if long := c.Y.Labels[0]; label != long {
		f.Caption += " The reading is that of " + long + "."
	}
	p := plotOf(c, label)
	ruled := false
	for _, s := range c.Series {
		if shaded := s.Sign == tell.Band || s.Sign == tell.Within; !shaded && !ruled {
			p.Add(grid())
			ruled = true
		}
		p.Add(plotters(s, p)...)
	}
	f.draw = plotted(p)
	for _, e := range c.Legend {
		f.Legend = append(f.Legend, LegendSign{e.Text, signOf(e)})
	}
	return f
}

// plotOf is an empty plot with the axes of a chart.
func plotOf(c tell.Chart, label string) *plot.Plot {
	p := newPlot(c.X.Labels[0], label)
	if c.X.Log {
		p.X.Scale, p.X.Tick.Marker = plot.LogScale{}, frequencyTicks{}
	} else {
		p.X.Tick.Marker = linearTicks{float64(c.X.Ticks)}
	}
	p.Y.Tick.Marker = linearTicks{float64(c.Y.Ticks)}
	if c.Y.At != nil {
		var ticks []plot.Tick
		for _, y := range c.Y.At {
			ticks = append(ticks, plot.Tick{Value: y, Label: fmt.Sprint(y)})
		}
		p.Y.Tick.Marker = plot.ConstantTicks(ticks)
	}
	p.X.Min, p.X.Max, p.Y.Min, p.Y.Max = c.X.Low, c.X.High, c.Y.Low, c.Y.High
	return p
}

// plotters draw a series.
func plotters(s tell.Series, p *plot.Plot) (out []plot.Plotter) {
	col := paints[s.Paint]
	switch s.Sign {
	case tell.Dot, tell.Square:
		return append(out, marks(s.Spots, col, s.Sign == tell.Square))
	case tell.Cross:
		return append(out, crosses(s.Spots, col))
	case tell.Bar:
		return append(out, bars(s.Spots, draw.LineStyle{Color: col, Width: 2.4}))
	case tell.Whisker:
		return append(out, bars(s.Spots, draw.LineStyle{Color: col, Width: 0.9}))
	case tell.Count:
		return append(out, numbers(s.Spots, col))
	}
	for _, part := range unbroken(s.Spots) {
		switch s.Sign {
		case tell.Line:
			out = append(out, line(within(part, p), draw.LineStyle{Color: col, Width: strokes[s.Paint]}))
		case tell.Dash:
			out = append(out, line(within(part, p), dashed(s.Paint)))
		}
		for _, a := range part {
			switch s.Sign {
			case tell.Limits:
				out = append(out, limitBar(a.X, a.To, a.Y))
			case tell.Span:
				out = append(out, spanned(a.X, a.To, a.Y))
			case tell.Band:
				out = append(out, shade(a.X, a.To, p.Y.Min, p.Y.Max, col))
			case tell.Within:
				out = append(out, shade(p.X.Min, p.X.Max, a.Y, a.To, col))
			}
		}
	}
	return out
}

// within brings ends that lie everywhere to the edges of a plot.
func within(list []tell.Spot, p *plot.Plot) (out []tell.Spot) {
	to := func(x, low, high float64) float64 {
		if math.IsInf(x, 0) {
			return math.Max(low, math.Min(x, high))
		}
		return x
	}
	for _, s := range list {
		out = append(out, tell.Spot{X: to(s.X, p.X.Min, p.X.Max), Y: to(s.Y, p.Y.Min, p.Y.Max)})
	}
	return out
}

// signOf draws the sign of an entry of a legend.
func signOf(e tell.Entry) func(draw.Canvas) {
	col := signPaint(e.Paint)
	switch e.Sign {
	case tell.Square:
		return squareSign(col)
	case tell.Cross:
		return crossSign(col)
	case tell.Dash:
		return dashSign()
	case tell.Line:
		return levelSign(col)
	case tell.Bound:
		return dotSign(col, false)
	case tell.Upright:
		return lineSign(col)
	case tell.Bar, tell.Band, tell.Within, tell.Span:
		return barSign(col)
	}
	return dotSign(col, true)
}

func dashed(p tell.Paint) draw.LineStyle {
	if p == tell.Soft {
		return draw.LineStyle{Color: soft, Width: 0.7, Dashes: []vg.Length{3, 2}}
	}
	return draw.LineStyle{Color: paints[p], Width: strokes[p], Dashes: []vg.Length{5, 2.5}}
}

// unbroken parts values where one has no number.
func unbroken(list []tell.Spot) (out [][]tell.Spot) {
	open := false
	for _, s := range list {
		if math.IsNaN(s.X) || math.IsNaN(s.Y) {
			open = false
			continue
		}
		if !open {
			out, open = append(out, nil), true
		}
		out[len(out)-1] = append(out[len(out)-1], s)
	}
	return out
}
