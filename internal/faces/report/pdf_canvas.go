package report

import (
	"errors"
	"image"
	"image/color"
	"math"

	"codeberg.org/go-pdf/fpdf"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"
)

// canvas draws the plotting library's vectors on an open page. The library counts upwards from the
// lower left corner, the page downwards from its upper left one. Text goes through the embedded
// typeface, so that "dBµA" in a figure can be searched like any other.
type canvas struct {
	d     *printer
	f     *fpdf.Fpdf
	state canvasState
	stack []canvasState
}

type canvasState struct {
	m      matrix
	width  vg.Length
	dashes []vg.Length
	offset vg.Length
	col    color.Color
}

// matrix takes a point of the figure to the page: x' = a·x + c·y + e, y' = b·x + d·y + f.
type matrix struct{ a, b, c, d, e, f float64 }

// then returns the matrix that does n first and m after it.
func (m matrix) then(n matrix) matrix {
	return matrix{
		m.a*n.a + m.c*n.b, m.b*n.a + m.d*n.b, m.a*n.c + m.c*n.d, m.b*n.c + m.d*n.d,
		m.a*n.e + m.c*n.f + m.e, m.b*n.e + m.d*n.f + m.f,
	}
}

func (m matrix) point(p vg.Point) (x, y float64) {
	return m.a*float64(p.X) + m.c*float64(p.Y) + m.e, m.b*float64(p.X) + m.d*float64(p.Y) + m.f
}

// scale is by how much lengths grow.
func (m matrix) scale() float64 { return math.Hypot(m.a, m.b) }

// newCanvas is a canvas whose upper left corner is at x and y of the page.
func newCanvas(d *printer, x, y float64, height vg.Length, scale float64) *canvas {
	c := &canvas{d: d, f: d.f}
	c.state.m = matrix{scale, 0, 0, -scale, x, y + float64(height)*scale}
	vg.Initialize(c)
	return c
}

// SetLineWidth sets the width of stroked lines.
func (c *canvas) SetLineWidth(w vg.Length) { c.state.width = w }

// SetLineDash sets the dash pattern.
func (c *canvas) SetLineDash(pattern []vg.Length, offset vg.Length) {
	c.state.dashes, c.state.offset = pattern, offset
}

// SetColor sets the colour of lines, fills and text.
func (c *canvas) SetColor(col color.Color) { c.state.col = col }

// Rotate turns what is drawn after it, anticlockwise, by an angle in radian.
func (c *canvas) Rotate(rad float64) {
	sin, cos := math.Sincos(rad)
	c.state.m = c.state.m.then(matrix{cos, sin, -sin, cos, 0, 0})
}

// Translate moves what is drawn after it.
func (c *canvas) Translate(pt vg.Point) {
	c.state.m = c.state.m.then(matrix{1, 0, 0, 1, float64(pt.X), float64(pt.Y)})
}

// Scale stretches what is drawn after it.
func (c *canvas) Scale(x, y float64) { c.state.m = c.state.m.then(matrix{x, 0, 0, y, 0, 0}) }

// Push keeps the state.
func (c *canvas) Push() { c.stack = append(c.stack, c.state) }

// Pop takes back the state kept last.
func (c *canvas) Pop() {
	c.state = c.stack[len(c.stack)-1]
	c.stack = c.stack[:len(c.stack)-1]
}

// Stroke draws the outline of a path.
func (c *canvas) Stroke(p vg.Path) {
	if c.state.width <= 0 {
		return
	}
	scale := c.state.m.scale()
	c.f.SetLineWidth(float64(c.state.width) * scale)
	var dashes []float64
	for _, d := range c.state.dashes {
		dashes = append(dashes, float64(d)*scale)
	}
	dashed := len(dashes) > 0
	if dashed {
		c.f.SetDashPattern(dashes, float64(c.state.offset)*scale)
	}
	alpha := c.paint(c.f.SetDrawColor)
	c.trace(p)
	c.f.DrawPath("D")
	alpha()
	if dashed {
		c.f.SetDashPattern([]float64{}, 0)
	}
}

// Fill fills a path.
func (c *canvas) Fill(p vg.Path) {
	alpha := c.paint(c.f.SetFillColor)
	c.trace(p)
	c.f.DrawPath("F")
	alpha()
}

// paint sets the colour and returns what takes its transparency back.
func (c *canvas) paint(set func(r, g, b int)) (done func()) {
	n := color.NRGBAModel.Convert(c.state.col).(color.NRGBA)
	set(int(n.R), int(n.G), int(n.B))
	if n.A == 255 {
		return func() {}
	}
	c.f.SetAlpha(float64(n.A)/255, "Normal")
	return func() { c.f.SetAlpha(1, "Normal") }
}

func (c *canvas) trace(p vg.Path) {
	m := c.state.m
	for _, part := range p {
		x, y := m.point(part.Pos)
		switch part.Type {
		case vg.MoveComp:
			c.f.MoveTo(x, y)
		case vg.LineComp:
			c.f.LineTo(x, y)
		case vg.ArcComp:
			c.arc(part)
		case vg.CurveComp:
			c.curve(part)
		case vg.CloseComp:
			c.f.ClosePath()
		}
	}
}

func (c *canvas) curve(part vg.PathComp) {
	m := c.state.m
	x, y := m.point(part.Pos)
	x0, y0 := m.point(part.Control[0])
	if len(part.Control) == 1 {
		c.f.CurveTo(x0, y0, x, y)
		return
	}
	x1, y1 := m.point(part.Control[1])
	c.f.CurveBezierCubicTo(x0, y0, x1, y1, x, y)
}

// arc draws an arc of a circle by cubic curves of at most a quarter each, whose control points lie
// 4/3·tan(angle/4) radii along the tangents; the path has moved to its start already.
func (c *canvas) arc(part vg.PathComp) {
	m := c.state.m
	n := int(math.Ceil(math.Abs(part.Angle) / (math.Pi / 2)))
	if n == 0 {
		return
	}
	step := part.Angle / float64(n)
	k := 4.0 / 3 * math.Tan(step/4)
	at := func(angle, along float64) vg.Point {
		sin, cos := math.Sincos(angle)
		return vg.Point{X: part.Pos.X + part.Radius*vg.Length(cos-along*sin),
			Y: part.Pos.Y + part.Radius*vg.Length(sin+along*cos)}
	}
	for i := range n {
		from := part.Start + float64(i)*step
		x0, y0 := m.point(at(from, k))
		x1, y1 := m.point(at(from+step, -k))
		x, y := m.point(at(from+step, 0))
		c.f.CurveBezierCubicTo(x0, y0, x1, y1, x, y)
	}
}

// FillString writes text, its baseline beginning at pt.
func (c *canvas) FillString(f font.Face, pt vg.Point, text string) {
	if f.Font.Size == 0 || text == "" {
		return
	}
	m := c.state.m
	x, y := m.point(pt)
	n := color.NRGBAModel.Convert(c.state.col).(color.NRGBA)
	c.d.faces.set(style{regular, f.Font.Size.Points() * m.scale(), rgb(uint32(n.R)<<16 | uint32(n.G)<<8 | uint32(n.B))})
	text = c.d.faces.plain(text)
	angle := math.Atan2(-m.b, m.a) * 180 / math.Pi // anticlockwise as seen
	if math.Abs(angle) < 0.01 {
		c.f.Text(x, y, text)
		return
	}
	c.f.TransformBegin()
	c.f.TransformRotate(angle, x, y)
	c.f.Text(x, y, text)
	c.f.TransformEnd()
}

// DrawImage refuses: the figures of a report hold no pictures.
func (c *canvas) DrawImage(vg.Rectangle, image.Image) {
	c.f.SetError(errors.New("a figure holds a picture"))
}
