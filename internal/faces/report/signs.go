package report

import (
	"image/color"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// The place of a sign in a legend.
const (
	signWidth  = vg.Length(22)
	signHeight = vg.Length(12)
)

// dotSign is a filled dot, or the open one with an arrow that stands for a bound.
func dotSign(c color.Color, filled bool) func(draw.Canvas) {
	return func(to draw.Canvas) {
		if filled {
			sign(to, vg.Point{X: 11, Y: 6}, 3.2, false, true, c)
			return
		}
		arrow(to, vg.Point{X: 11, Y: 3.5}, true, soft)
		sign(to, vg.Point{X: 11, Y: 3.5}, 2.4, false, false, soft)
	}
}

func squareSign(c color.Color) func(draw.Canvas) {
	return func(to draw.Canvas) { sign(to, vg.Point{X: 11, Y: 6}, 3.2, true, true, c) }
}

func crossSign(c color.Color) func(draw.Canvas) {
	return func(to draw.Canvas) {
		const s = 3.4
		to.StrokeLine2(draw.LineStyle{Color: c, Width: 1.7}, 11-s, 6-s, 11+s, 6+s)
		to.StrokeLine2(draw.LineStyle{Color: c, Width: 1.7}, 11-s, 6+s, 11+s, 6-s)
	}
}

func dashSign() func(draw.Canvas) {
	return func(to draw.Canvas) {
		to.StrokeLine2(draw.LineStyle{Color: ink, Width: 1.5, Dashes: []vg.Length{6, 2.5}}, 0, 6, 22, 6)
	}
}

func barSign(c color.Color) func(draw.Canvas) {
	return func(to draw.Canvas) { fillBox(to, 3, 1, 16, 10, c) }
}

func lineSign(c color.Color) func(draw.Canvas) {
	return func(to draw.Canvas) { to.StrokeLine2(draw.LineStyle{Color: c, Width: 1.6}, 11, 0, 11, 12) }
}

// levelSign is a lying line: a curve, or a level.
func levelSign(c color.Color) func(draw.Canvas) {
	return func(to draw.Canvas) { to.StrokeLine2(draw.LineStyle{Color: c, Width: 1.6}, 0, 6, 22, 6) }
}

// box is the outline of a rectangle from its lower left corner.
func box(x, y, w, h vg.Length) vg.Path {
	var p vg.Path
	p.Move(vg.Point{X: x, Y: y})
	p.Line(vg.Point{X: x + w, Y: y})
	p.Line(vg.Point{X: x + w, Y: y + h})
	p.Line(vg.Point{X: x, Y: y + h})
	p.Close()
	return p
}

func fillBox(c draw.Canvas, x, y, w, h vg.Length, col color.Color) {
	c.SetColor(col)
	c.Fill(box(x, y, w, h))
}
