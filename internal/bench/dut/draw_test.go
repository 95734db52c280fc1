package dut

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"strings"
	"testing"
	"unicode/utf8"

	"provoke/internal/model/sight"
)

func TestLabelsAreNeitherCutNorOverEachOtherAndKeepTheReading(t *testing.T) {
	long := "Störungsleuchte H3 neben dem Not-Halt-Taster der Bedienseite, " + strings.Repeat("links oben ", 20)
	for _, c := range []struct {
		size  image.Point
		boxes []image.Rectangle
	}{
		{image.Pt(320, 192), []image.Rectangle{image.Rect(50, 64, 190, 112), image.Rect(232, 72, 256, 96),
			image.Rect(40, 144, 104, 168)}},
		{image.Pt(320, 192), []image.Rectangle{image.Rect(0, 0, 30, 10), image.Rect(290, 0, 320, 12),
			image.Rect(0, 170, 40, 192), image.Rect(300, 180, 320, 192), image.Rect(100, 80, 200, 120)}},
		{image.Pt(1280, 720), []image.Rectangle{image.Rect(1200, 20, 1270, 60), image.Rect(1180, 30, 1260, 90)}},
		{image.Pt(160, 120), []image.Rectangle{image.Rect(10, 10, 150, 110)}},
	} {
		bounds := image.Rectangle{Max: c.size}
		var names, readings []string
		for i := range c.boxes {
			names = append(names, []string{long, "weight", "äöüß µ Ω"}[i%3])
			readings = append(readings, fmt.Sprint("12.3", i))
		}
		face := inkOf(bounds)
		placed := placedLabels(bounds, c.boxes, names, readings, face)
		for i, l := range placed {
			if !strings.HasSuffix(l.text, ": "+readings[i]) || !utf8.ValidString(l.text) {
				t.Errorf("label %d says %q", i, l.text)
			}
			if !strings.HasPrefix(l.text, names[i]) && !strings.Contains(l.text, "…") {
				t.Errorf("label %d is cut without a sign: %q", i, l.text)
			}
			if l.at.Empty() || !l.at.In(bounds) {
				t.Errorf("label %d at %v is not in the picture %v", i, l.at, bounds)
			}
			for k, other := range placed[:i] {
				if l.at.Overlaps(other.at) {
					t.Errorf("labels %d and %d overlap: %v, %v", k, i, other.at, l.at)
				}
			}
		}
	}
}

func TestThreeMomentsStandSideBySideHoweverLargeTheCamerasPicturesAre(t *testing.T) {
	shot := func(size image.Point, level uint8, state sight.State) Shot {
		m := image.NewYCbCr(image.Rectangle{Max: size}, image.YCbCrSubsampleRatio420)
		for i := range m.Y {
			m.Y[i] = level
		}
		for i := range m.Cb {
			m.Cb[i], m.Cr[i] = 128, 128
		}
		var b bytes.Buffer
		if err := jpeg.Encode(&b, m, &jpeg.Options{Quality: 90}); err != nil {
			t.Fatal(err)
		}
		regions := []sight.Region{{Name: "weight", Kind: sight.Change,
			Box: image.Rectangle{Min: size.Div(4), Max: size.Div(2)}}}
		seen := []sight.Seen{{Region: "weight", State: state, Text: "12.34"}}
		return Shot{JPEG: b.Bytes(), Drawn: func() ([]byte, error) { return drawn(b.Bytes(), regions, seen) }}
	}
	for _, size := range []image.Point{{320, 192}, {640, 480}, {1300, 700}, {3840, 2160}} {
		data, err := SideBySide([]Shot{shot(size, 60, sight.Same), shot(size, 120, sight.Changed),
			shot(size, 200, sight.Same)})
		if err != nil {
			t.Fatal(err)
		}
		m, err := jpeg.Decode(bytes.NewReader(data))
		if err != nil {
			t.Fatal(err)
		}
		each := min(size.X, widestOfThree)
		if w := m.Bounds().Dx(); w != 3*each+2*gapOfThree {
			t.Errorf("%v: %d pixels wide", size, w)
		}
		for i, want := range []uint8{60, 120, 200} {
			x := i*(each+gapOfThree) + each - 8
			if y := color.GrayModel.Convert(m.At(x, m.Bounds().Dy()-8)).(color.Gray).Y; y < want-6 || y > want+6 {
				t.Errorf("%v: picture %d is %d bright, want %d", size, i, y, want)
			}
		}
	}
}
