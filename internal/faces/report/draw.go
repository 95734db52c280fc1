package report

import (
	"bytes"
	"errors"
	"fmt"
	"html"
	"html/template"
	"image/color"
	"math"
	"regexp"
	"strconv"
	"strings"
	"unicode"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgsvg"

	"provoke/internal/tell"
	"provoke/internal/units/rf"
)

// The colours of the figures. Before and after differ in shape as well, for print without colour
// and for eyes that do not tell red from green.
var (
	ink    = rgb(0x1b2730)
	faint  = rgb(0xdfe4e8)
	soft   = rgb(0x6b7a86)
	before = rgb(0xb4451f)
	after  = rgb(0x0b6f8a)
	alarm  = rgb(0xb3201f)
	rfOn   = rgb(0xfbe7cf)
	calm   = rgb(0xe4efe9)
)

func rgb(x uint32) color.RGBA {
	return color.RGBA{R: uint8(x >> 16), G: uint8(x >> 8), B: uint8(x), A: 255}
}

const (
	// The page draws a figure to its own width, about 180 mm in print; lettering shrinks with it.
	figureWidth  = 225 * vg.Millimeter
	figureHeight = 84 * vg.Millimeter
)

func lettering(size float64) font.Font {
	return font.Font{Typeface: "Liberation", Variant: "Sans", Size: font.Points(size)}
}

// newPlot returns an empty plot in the report's style.
func newPlot(x, y string) *plot.Plot {
	p := plot.New()
	p.BackgroundColor = color.White
	for _, a := range []struct {
		axis *plot.Axis
		name string
	}{{&p.X, x}, {&p.Y, y}} {
		a.axis.Label.Text = a.name
		a.axis.Label.TextStyle.Font = lettering(9)
		a.axis.Label.TextStyle.Color = ink
		a.axis.Label.Padding = 3
		a.axis.Tick.Label.Font = lettering(8.5)
		a.axis.Tick.Label.Color = ink
		a.axis.LineStyle = draw.LineStyle{Color: soft, Width: 0.6}
		a.axis.Tick.LineStyle = draw.LineStyle{Color: soft, Width: 0.5}
		a.axis.Tick.Length = 3
		a.axis.Padding = 0
	}
	return p
}

func grid() *plotter.Grid {
	g := plotter.NewGrid()
	g.Vertical = draw.LineStyle{Color: faint, Width: 0.5}
	g.Horizontal = g.Vertical
	return g
}

// drawing is a plotter made of a function.
type drawing struct {
	do func(c draw.Canvas, x, y func(float64) vg.Length)
}

// Plot draws.
func (d drawing) Plot(c draw.Canvas, p *plot.Plot) {
	x, y := p.Transforms(&c)
	d.do(c, x, y)
}

// marks draws values: a filled sign where exact, an open one with an arrow where only a bound.
func marks(list []tell.Spot, col color.Color, square bool) drawing {
	const many = 70 // bounds: their signs would join to a bar, so that only arrows are drawn
	bounds := 0
	for _, m := range list {
		if m.Bound != rf.Exactly {
			bounds++
		}
	}
	return drawing{do: func(c draw.Canvas, x, y func(float64) vg.Length) {
		for _, m := range list {
			at := vg.Point{X: x(m.X), Y: y(m.Y)}
			size := signSize
			if m.Bound == rf.AtLeast || m.Bound == rf.AtMost {
				arrow(c, at, m.Bound == rf.AtLeast, col)
				size *= 0.75
				if bounds > many {
					continue
				}
			}
			sign(c, at, size, square, m.Bound == rf.Exactly, col)
		}
	}}
}

const signSize = vg.Length(2.4)

func sign(c draw.Canvas, at vg.Point, size vg.Length, square, filled bool, col color.Color) {
	var path vg.Path
	if square {
		s := size * 0.9
		path.Move(vg.Point{X: at.X - s, Y: at.Y - s})
		path.Line(vg.Point{X: at.X + s, Y: at.Y - s})
		path.Line(vg.Point{X: at.X + s, Y: at.Y + s})
		path.Line(vg.Point{X: at.X - s, Y: at.Y + s})
		path.Close()
	} else {
		path.Move(vg.Point{X: at.X + size, Y: at.Y})
		path.Arc(at, size, 0, 2*math.Pi)
		path.Close()
	}
	fill := col
	if !filled {
		fill = color.RGBA{255, 255, 255, 255}
	}
	c.SetColor(fill)
	c.Fill(path)
	c.SetLineStyle(draw.LineStyle{Color: col, Width: 0.9})
	c.Stroke(path)
}

// arrow points from a bound to where the value lies.
func arrow(c draw.Canvas, at vg.Point, up bool, col color.Color) {
	d := vg.Length(1)
	if !up {
		d = -1
	}
	tip := vg.Point{X: at.X, Y: at.Y + d*8}
	c.SetLineStyle(draw.LineStyle{Color: col, Width: 0.8})
	var path vg.Path
	path.Move(at)
	path.Line(tip)
	path.Move(vg.Point{X: tip.X - 1.8, Y: tip.Y - d*2.6})
	path.Line(tip)
	path.Line(vg.Point{X: tip.X + 1.8, Y: tip.Y - d*2.6})
	c.Stroke(path)
}

// crosses draws a cross at each value.
func crosses(list []tell.Spot, col color.Color) drawing {
	return drawing{do: func(c draw.Canvas, x, y func(float64) vg.Length) {
		c.SetLineStyle(draw.LineStyle{Color: col, Width: 1.3})
		for _, m := range list {
			at := vg.Point{X: x(m.X), Y: y(m.Y)}
			const s = 2.6
			var path vg.Path
			path.Move(vg.Point{X: at.X - s, Y: at.Y - s})
			path.Line(vg.Point{X: at.X + s, Y: at.Y + s})
			path.Move(vg.Point{X: at.X - s, Y: at.Y + s})
			path.Line(vg.Point{X: at.X + s, Y: at.Y - s})
			c.Stroke(path)
		}
	}}
}

// bars draws a bar from each value to another at the same place.
func bars(list []tell.Spot, style draw.LineStyle) drawing {
	return drawing{do: func(c draw.Canvas, x, y func(float64) vg.Length) {
		for _, m := range list {
			c.StrokeLine2(style, x(m.X), y(m.Y), x(m.X), y(m.To))
		}
	}}
}

// line joins values in their order.
func line(list []tell.Spot, style draw.LineStyle) drawing {
	return drawing{do: func(c draw.Canvas, x, y func(float64) vg.Length) {
		var points []vg.Point
		for _, m := range list {
			points = append(points, vg.Point{X: x(m.X), Y: y(m.Y)})
		}
		c.StrokeLines(style, c.ClipLinesXY(points)...)
	}}
}

// shade fills a rectangle in the units of the plot.
func shade(x0, x1, y0, y1 float64, col color.Color) drawing {
	return drawing{do: func(c draw.Canvas, x, y func(float64) vg.Length) {
		var path vg.Path
		path.Move(vg.Point{X: x(x0), Y: y(y0)})
		path.Line(vg.Point{X: x(x1), Y: y(y0)})
		path.Line(vg.Point{X: x(x1), Y: y(y1)})
		path.Line(vg.Point{X: x(x0), Y: y(y1)})
		path.Close()
		c.SetColor(col)
		c.Fill(path)
	}}
}

// numbers writes 1, 2, 3 … at rising x below the top of the plot, each on a light ground beside its x and
// below those that it would lie over. The legend says what they stand for.
func numbers(at []tell.Spot, col color.Color) drawing {
	style := draw.TextStyle{Color: col, Font: lettering(8.5), YAlign: draw.YTop, Handler: textHandler}
	return drawing{do: func(c draw.Canvas, tx, _ func(float64) vg.Length) {
		var taken []vg.Length // right end of the last number of each row
		for i, m := range at {
			text := fmt.Sprint(i + 1)
			w := style.Width(text)
			left := min(tx(m.X)+3, c.Max.X-w-1)
			row := 0
			for row < len(taken) && taken[row] > left-3 {
				row++
			}
			if row == len(taken) {
				taken = append(taken, 0)
			}
			taken[row] = left + w
			top := c.Max.Y - 3 - 11*vg.Length(row)
			fillBox(c, left-1, top-10, w+2, 10.5, color.NRGBA{0xff, 0xff, 0xff, 0xd8})
			c.FillText(style, vg.Point{X: left, Y: top}, text)
		}
	}}
}

// limitBar draws a lying line with ends.
func limitBar(from, to, at float64) drawing {
	return drawing{do: func(c draw.Canvas, x, y func(float64) vg.Length) {
		style := draw.LineStyle{Color: ink, Width: 1.5}
		c.StrokeLine2(style, x(from), y(at), x(to), y(at))
		for _, end := range []float64{from, to} {
			c.StrokeLine2(style, x(end), y(at)-3, x(end), y(at)+3)
		}
	}}
}

// spanned draws a level over a range of frequencies, never shorter than can be seen.
func spanned(low, high, y float64) drawing {
	return drawing{do: func(c draw.Canvas, tx, ty func(float64) vg.Length) {
		from, to := tx(low), tx(high)
		if short := 7 - (to - from); short > 0 {
			from, to = from-short/2, to+short/2
		}
		c.StrokeLine2(draw.LineStyle{Color: ink, Width: 2.2}, from, ty(y), to, ty(y))
	}}
}

// fitting returns the first of some labels that fits along an axis; the last where none does.
func fitting(room vg.Length, labels ...string) string {
	style := draw.TextStyle{Font: lettering(9), Handler: textHandler}
	for _, l := range labels {
		if style.Width(l) <= room {
			return l
		}
	}
	return labels[len(labels)-1]
}

// printable replaces what is not printable and shortens.
func printable(s string, most int) string {
	s = strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return '·'
		}
		return r
	}, s)
	if r := []rune(s); len(r) > most {
		return string(r[:most-1]) + "…"
	}
	return s
}

var (
	svgHead = regexp.MustCompile(`(?s)^.*?<svg width="[^"]*" height="[^"]*" (viewBox="[^"]*")[^>]*>`)
	svgText = regexp.MustCompile(`(<text x="[^"]*" y="[^"]*" [^>]*style="font-size:([0-9.]+)px[^>]*)>([^<]+)</text>`)
	svgFont = regexp.MustCompile(`font-family:[^;"]*;(font-variant:[^;"]*;)?(font-weight:[^;"]*;)?(font-style:[^;"]*;?)?`)
)

// svg makes an element of a drawing. The type is the page's, whose widths agree with Liberation
// Sans. A drawing with a name is read out by it, one without is passed over.
func svg(do func(draw.Canvas), w, h vg.Length, class, name string) (template.HTML, error) {
	canvas := vgsvg.New(w, h)
	do(draw.New(canvas))
	var b bytes.Buffer
	if _, err := canvas.WriteTo(&b); err != nil {
		return "", fmt.Errorf("draw a figure: %w", err)
	}
	said := `aria-hidden="true"`
	if name != "" {
		said = `role="img" aria-label="` + html.EscapeString(printable(name, 120)) + `"`
	}
	head := svgHead.FindStringSubmatchIndex(b.String())
	if head == nil {
		return "", errors.New("draw a figure: the drawing has no head")
	}
	s := fmt.Sprintf(`<svg class="%s" %s %s>`, class, said, b.String()[head[2]:head[3]]) + b.String()[head[1]:]
	return template.HTML(svgText.ReplaceAllStringFunc(svgFont.ReplaceAllString(s, ""), fixedWidth)), nil
}

// fixedWidth makes a text as wide in whatever typeface the reader has as it was when the figure was laid out.
func fixedWidth(element string) string {
	m := svgText.FindStringSubmatch(element)
	size, _ := strconv.ParseFloat(m[2], 64)
	style := draw.TextStyle{Font: lettering(size), Handler: textHandler}
	return fmt.Sprintf(`%s textLength="%.4g" lengthAdjust="spacingAndGlyphs">%s</text>`,
		m[1], style.Width(html.UnescapeString(m[3])).Points(), m[3])
}

// textHandler measures and draws the lettering of figures.
var textHandler = plot.DefaultTextHandler
