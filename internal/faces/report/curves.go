package report

import (
	"bytes"
	"errors"
	"fmt"
	"image/color"
	"math"

	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgsvg"

	"provoke/internal/tell"
)

// Curve is one curve of a figure of computed values over frequency: Y[k] at Hz[k]. A value that is
// not finite leaves a gap.
type Curve struct {
	Name  string
	Hz, Y []float64
}

// seriesStyles tell up to six curves apart by colour and by dashes.
var seriesStyles = []struct {
	color  color.Color
	dashes []vg.Length
}{
	{rgb(0x0b6f8a), nil}, {rgb(0xb4451f), []vg.Length{6, 2}}, {rgb(0x3d6b2d), []vg.Length{2, 2}},
	{rgb(0x6a3d8f), []vg.Length{8, 2, 2, 2}}, {rgb(0x1b2730), []vg.Length{1, 2}}, {rgb(0x8a6d00), []vg.Length{4, 4}},
}

// Curves draws computed values over a logarithmic frequency axis as one SVG file that stands alone,
// with the names of the curves in its legend. y is the name of the vertical axis with its unit. The
// same figures give the same bytes.
func Curves(y string, series ...Curve) ([]byte, error) {
	var axes tell.Chart
	var all []tell.Spot
	for _, s := range series {
		for _, run := range runs(s) {
			all = append(all, run...)
		}
	}
	if !axes.OverFrequency(y, all) {
		return nil, errors.New("draw the curves: there is no finite value")
	}
	p := plotOf(axes, y)
	if len(series) > len(seriesStyles) {
		return nil, fmt.Errorf("draw %d curves: at most %d can be told apart", len(series), len(seriesStyles))
	}
	p.Add(grid())
	p.Y.Max += (p.Y.Max - p.Y.Min) * 0.07 * float64(len(series)) // for the legend
	p.Legend.Top = true
	p.Legend.TextStyle.Font = lettering(8.5)
	for i, s := range series {
		style := draw.LineStyle{Color: seriesStyles[i].color, Width: 1.2, Dashes: seriesStyles[i].dashes}
		for _, run := range runs(s) {
			p.Add(line(run, style))
		}
		thumbnail, err := plotter.NewLine(plotter.XYs{{X: axes.X.Low, Y: axes.Y.Low}, {X: axes.X.High, Y: axes.Y.High}})
		if err != nil {
			return nil, fmt.Errorf("draw the curves: %w", err)
		}
		thumbnail.LineStyle = style
		p.Legend.Add(printable(s.Name, 48), thumbnail)
	}
	canvas := vgsvg.New(figureWidth, figureHeight)
	p.Draw(draw.New(canvas))
	var b bytes.Buffer
	if _, err := canvas.WriteTo(&b); err != nil {
		return nil, fmt.Errorf("draw the curves: %w", err)
	}
	return b.Bytes(), nil
}

// runs cuts a curve where it has a gap.
func runs(s Curve) [][]tell.Spot {
	var out [][]tell.Spot
	open := false
	for k, hz := range s.Hz {
		if v := s.Y[k]; math.IsInf(v, 0) || math.IsNaN(v) {
			open = false
			continue
		}
		if !open {
			out, open = append(out, nil), true
		}
		out[len(out)-1] = append(out[len(out)-1], tell.Spot{X: hz, Y: s.Y[k]})
	}
	return out
}
