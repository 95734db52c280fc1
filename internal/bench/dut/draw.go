package dut

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"

	"golang.org/x/image/font"
	"golang.org/x/image/font/basicfont"
	"golang.org/x/image/math/fixed"

	"provoke/internal/bench/camera"
	"provoke/internal/model/sight"
)

// drawn is a picture with its regions and what was read in them drawn on.
func drawn(picture []byte, regions []sight.Region, seen []sight.Seen) ([]byte, error) {
	m, err := camera.Decode(picture)
	if err != nil {
		return nil, err
	}
	out := image.NewRGBA(m.Rect)
	draw.Draw(out, out.Rect, m, m.Rect.Min, draw.Src)
	for i, r := range regions {
		ink := color.RGBA{0, 200, 0, 255}
		switch seen[i].State {
		case sight.Changed:
			ink = color.RGBA{255, 60, 0, 255}
		case sight.CannotSee, sight.NotRead, sight.Frozen:
			ink = color.RGBA{255, 210, 0, 255}
		}
		frame(out, r.Box.Inset(-2), ink)
		label(out, r.Box, fmt.Sprintf("%s: %s", r.Name, orText(seen[i].Text, string(seen[i].State))), ink)
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, out, &jpeg.Options{Quality: 88}); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

// frame draws a box's outline, two pixels wide.
func frame(m *image.RGBA, r image.Rectangle, ink color.Color) {
	for _, side := range []image.Rectangle{
		{r.Min, image.Pt(r.Max.X, r.Min.Y+2)}, {image.Pt(r.Min.X, r.Max.Y-2), r.Max},
		{r.Min, image.Pt(r.Min.X+2, r.Max.Y)}, {image.Pt(r.Max.X-2, r.Min.Y), r.Max}} {
		draw.Draw(m, side, image.NewUniform(ink), image.Point{}, draw.Src)
	}
}

// label writes above a box, or below one at the upper edge, on a dark ground.
func label(m *image.RGBA, r image.Rectangle, text string, ink color.Color) {
	face := basicfont.Face7x13
	wide := font.MeasureString(face, text).Ceil()
	at := image.Pt(max(min(r.Min.X, m.Rect.Max.X-wide-2), m.Rect.Min.X+1), r.Min.Y-6)
	if at.Y < m.Rect.Min.Y+12 {
		at.Y = r.Max.Y + 14
	}
	draw.Draw(m, image.Rect(at.X-1, at.Y-11, at.X+wide+1, at.Y+3), image.NewUniform(color.RGBA{A: 255}), image.Point{},
		draw.Src)
	d := font.Drawer{Dst: m, Src: image.NewUniform(ink), Face: face, Dot: fixed.P(at.X, at.Y)}
	d.DrawString(text)
}

// widestOfThree is how wide each picture of SideBySide is at most, in pixels.
const widestOfThree = 640

// SideBySide is one picture of several moments, from left to right, with regions and readings drawn on. Large ones
// are made smaller by leaving pixels out.
func SideBySide(shots []Shot) ([]byte, error) {
	var pictures []image.Image
	wide, high := 0, 0
	for _, s := range shots {
		data, err := s.Drawn()
		if err != nil {
			return nil, err
		}
		m, err := jpeg.Decode(bytes.NewReader(data))
		if err != nil {
			return nil, err
		}
		pictures = append(pictures, m)
		by := (m.Bounds().Dx() + widestOfThree - 1) / widestOfThree
		wide, high = wide+m.Bounds().Dx()/by+gapOfThree, max(high, m.Bounds().Dy()/by)
	}
	out := image.NewRGBA(image.Rect(0, 0, wide-gapOfThree, high))
	draw.Draw(out, out.Rect, image.White, image.Point{}, draw.Src)
	x := 0
	for _, m := range pictures {
		by := (m.Bounds().Dx() + widestOfThree - 1) / widestOfThree
		size := m.Bounds().Size().Div(by)
		for j := range size.Y {
			for i := range size.X {
				out.Set(x+i, j, m.At(m.Bounds().Min.X+i*by, m.Bounds().Min.Y+j*by))
			}
		}
		x += size.X + gapOfThree
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, out, &jpeg.Options{Quality: 88}); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

const gapOfThree = 8 // pixels between them
