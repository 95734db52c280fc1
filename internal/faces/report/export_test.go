package report

import (
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/recorder"

	"provoke/internal/tell"
)

// Label is one text of a figure with the box that its letters fill.
type Label struct {
	Text                     string
	Left, Bottom, Right, Top float64
}

// LabelsOf returns the labels of a figure drawn at a width, from what it tells a canvas to draw.
func LabelsOf(f Figure, w, h vg.Length) (out []Label) {
	var rec recorder.Canvas
	f.draw(draw.NewCanvas(&rec, w, h))
	m := matrix{a: 1, d: 1}
	var stack []matrix
	var c canvas
	for _, a := range rec.Actions {
		c.state.m = m
		switch x := a.(type) {
		case *recorder.Push:
			stack = append(stack, m)
		case *recorder.Pop:
			c.state.m, stack = stack[len(stack)-1], stack[:len(stack)-1]
		case *recorder.Rotate:
			c.Rotate(x.Angle)
		case *recorder.Translate:
			c.Translate(x.Point)
		case *recorder.Scale:
			c.Scale(x.X, x.Y)
		case *recorder.FillString:
			size := x.Size
			style := draw.TextStyle{Font: lettering(size.Points()), Handler: textHandler}
			l := Label{Text: x.String}
			x0, y0 := m.point(vg.Point{X: x.Point.X, Y: x.Point.Y - 0.18*size})
			x1, y1 := m.point(vg.Point{X: x.Point.X + style.Width(x.String), Y: x.Point.Y + 0.7*size})
			l.Left, l.Right, l.Bottom, l.Top = min(x0, x1), max(x0, x1), min(y0, y1), max(y0, y1)
			out = append(out, l)
		}
		m = c.state.m
	}
	return out
}

// Sized is a figure with the size that it is drawn at.
type Sized struct {
	Figure
	W, H vg.Length
}

// FiguresOf returns every figure of a job's report, as the page and as the document draw it.
func FiguresOf(j tell.Job) (out []Sized, err error) {
	p, err := tell.Tell(j)
	if err != nil {
		return nil, err
	}
	for _, s := range p.Sections {
		for _, b := range s.Blocks {
			if f := figureOf(b); f != nil {
				out = append(out, Sized{*f, f.Width, f.Height})
				if !f.Fixed {
					size, _ := A4.size()
					out = append(out, Sized{*f, vg.Length((size.Wd - 2*marginSide) / figureShrink), f.Height})
				}
			}
		}
	}
	return out, nil
}
