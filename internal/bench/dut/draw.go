package dut

import (
	"bytes"
	"image"
	"image/color"
	"image/jpeg"
	"slices"
	"strings"
	"sync"

	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"golang.org/x/image/draw"
	"golang.org/x/image/font"
	"golang.org/x/image/font/opentype"
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
	var boxes []image.Rectangle
	var names, readings []string
	for i, r := range regions {
		boxes, names = append(boxes, r.Box), append(names, r.Name)
		readings = append(readings, orText(seen[i].Text, string(seen[i].State)))
	}
	face := inkOf(out.Rect)
	labels := placedLabels(out.Rect, boxes, names, readings, face)
	for i, box := range boxes {
		ink := color.RGBA{0, 200, 0, 255}
		switch seen[i].State {
		case sight.Changed:
			ink = color.RGBA{255, 60, 0, 255}
		case sight.CannotSee, sight.NotRead, sight.Frozen:
			ink = color.RGBA{255, 210, 0, 255}
		}
		frame(out, box.Inset(-2), 2*lettersOf(out.Rect)/leastLetters, ink)
		draw.Draw(out, labels[i].at, image.NewUniform(color.RGBA{A: 255}), image.Point{}, draw.Src)
		d := font.Drawer{Dst: out, Src: image.NewUniform(ink), Face: face,
			Dot: fixed.P(labels[i].at.Min.X+1, labels[i].at.Min.Y+face.Metrics().Ascent.Ceil())}
		d.DrawString(labels[i].text)
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, out, &jpeg.Options{Quality: 88}); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

// frame draws a box's outline.
func frame(m *image.RGBA, r image.Rectangle, thick int, ink color.Color) {
	for _, side := range []image.Rectangle{
		{r.Min, image.Pt(r.Max.X, r.Min.Y+thick)}, {image.Pt(r.Min.X, r.Max.Y-thick), r.Max},
		{r.Min, image.Pt(r.Min.X+thick, r.Max.Y)}, {image.Pt(r.Max.X-thick, r.Min.Y), r.Max}} {
		draw.Draw(m, side, image.NewUniform(ink), image.Point{}, draw.Src)
	}
}

// leastLetters is the height of letters in a picture of widestOfThree pixels or less. In larger ones they are larger,
// so that they can still be read when it is made smaller.
const leastLetters = 12

func lettersOf(picture image.Rectangle) int {
	return leastLetters * max(picture.Dx(), widestOfThree) / widestOfThree
}

// letters is a typeface that is part of the program.
var letters = sync.OnceValue(func() *opentype.Font {
	f, _ := opentype.Parse(liberationsansregular.TTF)
	return f
})

// inkOf is the typeface of a picture's labels.
func inkOf(picture image.Rectangle) font.Face {
	face, _ := opentype.NewFace(letters(), &opentype.FaceOptions{Size: float64(lettersOf(picture)), DPI: 72,
		Hinting: font.HintingFull})
	return face
}

// placed is a label and where it stands.
type placed struct {
	at   image.Rectangle
	text string
}

// placedLabels puts a label at each box, above it or else as near as there is room: within the picture, not over
// another label and, as long as that goes, over no box. A name that is too long is shortened, a reading is not.
func placedLabels(picture image.Rectangle, boxes []image.Rectangle, names, readings []string,
	face font.Face) (out []placed) {
	high := face.Metrics().Ascent.Ceil() + face.Metrics().Descent.Ceil()
	wide := func(text string) int { return font.MeasureString(face, text).Ceil() + 2 }
	var frames []image.Rectangle
	for _, box := range boxes {
		frames = append(frames, box.Inset(-2))
	}
	for i, box := range boxes {
		name, text := []rune(names[i]), names[i]+": "+readings[i]
		for len(name) > 0 && wide(text) > picture.Dx() {
			name = name[:len(name)-1]
			text = strings.TrimSpace(string(name)) + "…: " + readings[i]
		}
		x := max(min(box.Min.X, picture.Max.X-wide(text)), picture.Min.X)
		free := func(y int, among []image.Rectangle) bool {
			at := image.Rect(x, y, x+wide(text), y+high)
			return at.In(picture) && !slices.ContainsFunc(among, at.Overlaps)
		}
		var taken []image.Rectangle
		for _, l := range out {
			taken = append(taken, l.at)
		}
		y := box.Min.Y - 2 - high
		for _, among := range [][]image.Rectangle{slices.Concat(taken, frames), taken} {
			y = nearest(y, box.Max.Y+2, picture, func(y int) bool { return free(y, among) })
			if free(y, among) {
				break
			}
		}
		out = append(out, placed{image.Rect(x, y, x+wide(text), y+high), text})
	}
	return out
}

// nearest is the place nearest to one above or one below that is free; above where none is.
func nearest(above, below int, picture image.Rectangle, free func(int) bool) int {
	for d := range picture.Dy() {
		for _, y := range []int{above - d, below + d, above + d, below - d} {
			if free(y) {
				return y
			}
		}
	}
	return above
}

// widestOfThree is how wide each picture of SideBySide is at most, in pixels.
const widestOfThree = 640

// SideBySide is one picture of several moments, from left to right, with regions and readings drawn on. Large ones
// are made smaller.
func SideBySide(shots []Shot) ([]byte, error) {
	var pictures []image.Image
	var sizes []image.Point
	wide, high := -gapOfThree, 0
	for _, s := range shots {
		data, err := s.Drawn()
		if err != nil {
			return nil, err
		}
		m, err := jpeg.Decode(bytes.NewReader(data))
		if err != nil {
			return nil, err
		}
		size := m.Bounds().Size()
		if size.X > widestOfThree {
			size = image.Pt(widestOfThree, max(size.Y*widestOfThree/size.X, 1))
		}
		pictures, sizes = append(pictures, m), append(sizes, size)
		wide, high = wide+size.X+gapOfThree, max(high, size.Y)
	}
	out := image.NewRGBA(image.Rect(0, 0, wide, high))
	draw.Draw(out, out.Rect, image.White, image.Point{}, draw.Src)
	x := 0
	for i, m := range pictures {
		draw.BiLinear.Scale(out, image.Rect(x, 0, x+sizes[i].X, sizes[i].Y), m, m.Bounds(), draw.Src, nil)
		x += sizes[i].X + gapOfThree
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, out, &jpeg.Options{Quality: 88}); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

const gapOfThree = 8 // pixels between them
