package sight_test

import (
	"bytes"
	"image"
	"image/color"
	"image/jpeg"
	"math"
	"math/rand/v2"
	"os"
	"strings"
	"testing"
	"time"

	"golang.org/x/image/font"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"

	"provoke/internal/model/sight"
)

// The scenes that the tests look at are drawn here, by code that knows nothing of the reader's.

const maskW, maskH = 48, 72

// mask is how much of a place is ink.
type mask [maskW * maskH]float32

// face is a way of writing: each place's ink by its text, as "5" or "5.".
type face struct {
	name     string
	ownPoint bool
	made     map[string]*mask
	draw     func(cell string) *mask
}

func (f *face) of(cell string) *mask {
	if m := f.made[cell]; m != nil {
		return m
	}
	m := f.draw(cell)
	f.made[cell] = m
	return m
}

// typeface is a display whose characters are those of a font: places of equal width, the point in one of its own.
func typeface(t testing.TB, name string, size float64, files ...string) *face {
	t.Helper()
	for _, file := range files {
		content, err := os.ReadFile(file)
		if err != nil {
			continue
		}
		parsed, err := opentype.Parse(content)
		if err != nil {
			t.Fatal(err)
		}
		set, err := opentype.NewFace(parsed, &opentype.FaceOptions{Size: size, DPI: 72})
		if err != nil {
			t.Fatal(err)
		}
		return &face{name, true, map[string]*mask{}, func(cell string) *mask {
			m := &mask{}
			if cell == " " {
				return m
			}
			a := image.NewAlpha(image.Rect(0, 0, maskW, maskH))
			wide := font.MeasureString(set, cell)
			d := font.Drawer{Dst: a, Src: image.Opaque, Face: set,
				Dot: fixed.Point26_6{X: fixed.I(maskW/2) - wide/2, Y: fixed.I(59)}}
			d.DrawString(cell)
			for i, v := range a.Pix {
				m[i] = float32(v) / 255
			}
			return m
		}}
	}
	t.Skipf("outside check skipped: no font %s: install fonts-dejavu-core and fonts-liberation", name)
	return nil
}

func dejavu(t testing.TB) *face {
	return typeface(t, "DejaVu Sans", 62, "/usr/share/fonts/truetype/dejavu/DejaVuSans.ttf")
}

func liberation(t testing.TB) *face {
	return typeface(t, "Liberation Serif", 66, "/usr/share/fonts/truetype/liberation/LiberationSerif-Regular.ttf",
		"/usr/share/fonts/truetype/liberation2/LiberationSerif-Regular.ttf")
}

// segments are which of a to g are lit.
var segments = map[rune]string{'0': "abcdef", '1': "bc", '2': "abged", '3': "abgcd", '4': "fgbc", '5': "afgcd",
	'6': "afgedc", '7': "abc", '8': "abcdefg", '9': "abcdfg", '-': "g", ' ': ""}

// sevenSegments are polygons, slanted as displays are.
func sevenSegments() *face {
	return &face{"seven segments", false, map[string]*mask{}, func(cell string) *mask {
		type seg struct{ x0, y0, x1, y1 float64 }
		const l, r, top, mid, low, half = 9., 33., 8., 35., 62., 3.2
		places := map[rune]seg{'a': {l, top, r, top}, 'b': {r, top, r, mid}, 'c': {r, mid, r, low}, 'd': {l, low, r,
			low},
			'e': {l, mid, l, low}, 'f': {l, top, l, mid}, 'g': {l, mid, r, mid}, 'h': {19, 40, 19, 58}, 'i': {24, 40,
				24, 58}}
		m := &mask{}
		for i := range m {
			y := float64(i/maskW) + 0.5
			x := float64(i%maskW) + 0.5 - (mid-y)*0.1
			for _, s := range segments[rune(cell[0])] {
				p := places[s]
				along, across := x, y
				from, to, line := p.x0, p.x1, p.y0
				if p.x0 == p.x1 {
					along, across, from, to, line = y, x, p.y0, p.y1, p.x0
				}
				away := math.Abs(across - line)
				ends := min(along-from, to-along) - 1.2 - away // pointed ends
				m[i] = max(m[i], float32(min(max(min(half-away, ends)+0.5, 0), 1)))
			}
			if strings.HasSuffix(cell, ".") {
				m[i] = max(m[i], float32(min(max(3.6-math.Hypot(x-41, y-low)+0.5, 0), 1)))
			}
		}
		return m
	}}
}

// dots are the rows of 5 × 7 dots, from the left.
var dots = map[string][7]string{
	"0": {".###.", "#...#", "#..##", "#.#.#", "##..#", "#...#", ".###."},
	"1": {"..#..", ".##..", "..#..", "..#..", "..#..", "..#..", ".###."},
	"2": {".###.", "#...#", "....#", "...#.", "..#..", ".#...", "#####"},
	"3": {"#####", "...#.", "..#..", "...#.", "....#", "#...#", ".###."},
	"4": {"...#.", "..##.", ".#.#.", "#..#.", "#####", "...#.", "...#."},
	"5": {"#####", "#....", "####.", "....#", "....#", "#...#", ".###."},
	"6": {"..##.", ".#...", "#....", "####.", "#...#", "#...#", ".###."},
	"7": {"#####", "....#", "...#.", "..#..", ".#...", ".#...", ".#..."},
	"8": {".###.", "#...#", "#...#", ".###.", "#...#", "#...#", ".###."},
	"9": {".###.", "#...#", "#...#", ".####", "....#", "...#.", ".##.."},
	"-": {"", "", "", "#####", "", "", ""}, ".": {"", "", "", "", "", ".##..", ".##.."}, " ": {},
}

func dotMatrix() *face {
	return &face{"5 × 7 dots", true, map[string]*mask{}, func(cell string) *mask {
		m := &mask{}
		for i := range m {
			x, y := float64(i%maskW)+0.5-5, float64(i/maskW)+0.5-7
			cx, cy := int(math.Floor(x/7.6)), int(math.Floor(y/8.3))
			if cx < 0 || cy < 0 || cy > 6 || cx >= len(dots[cell][cy]) || dots[cell][cy][cx] != '#' {
				continue
			}
			dx, dy := x-float64(cx)*7.6, y-float64(cy)*8.3
			if dx < 6.6 && dy < 7.2 {
				m[i] = 1
			}
		}
		return m
	}}
}

// scene is one picture of a product.
type scene struct {
	w, h              int
	display           image.Rectangle // where the display lies when the camera stands as it was put
	box               image.Rectangle // what the engineer drew
	face              *face
	text              string
	places            int
	ink, ground       float64 // grey levels
	tilt, slant, size float64 // of the camera; size 1 is as it was put
	x, y              float64 // the camera moved by so many pixels
	light, dim        float64 // 1: as in the baseline; dim: of the display alone
	shade             float64 // grey levels from left to right
	noise             float64
	blur              int        // pixels on either side that are averaged
	glare             [4]float64 // x, y, radius, grey levels
	hand              image.Rectangle
	quality           int                     // of the JPEG; 0: none
	share             func(place int) float64 // lit share of a multiplexed place
	print             uint64                  // what is printed on the panel
	lamp              color.RGBA              // its light; black: off
	rf                float64                 // grey levels of stripes over the whole picture
	sub               int                     // samples of a pixel on either side; 0: few, and one of the panel
	at                time.Duration
}

// usual is a display of five places in good light.
func usual(f *face) scene {
	return scene{w: 200, h: 96, display: image.Rect(40, 30, 160, 66), box: image.Rect(40, 30, 160, 66), face: f,
		places: 5,
		text:   "", ink: 190, ground: 45, size: 1, light: 1, dim: 1, noise: 1.5, quality: 0, print: 1}
}

// cells parts a text into places, from the right.
func (s *scene) cells() []string {
	var out []string
	for _, c := range s.text {
		if c == '.' && !s.face.ownPoint {
			out[len(out)-1] += "."
		} else {
			out = append(out, string(c))
		}
	}
	for len(out) < s.places {
		out = append([]string{" "}, out...)
	}
	return out
}

// gauss are normal values; a picture takes them from a place of its own.
var gauss = func() []float32 {
	rng := rand.New(rand.NewPCG(1, 2))
	v := make([]float32, 1<<17)
	for i := range v {
		v[i] = float32(rng.NormFloat64())
	}
	return v
}()

// printed is the panel: rectangles in shades, of no period.
func printed(seed uint64, x, y float64) float64 {
	g := 105.0
	for k := range 3 {
		size := [3]float64{34, 19, 11}[k]
		i, j := int64(math.Floor(x/size)), int64(math.Floor(y/size))
		h := (uint64(i)*0x9E3779B97F4A7C15 ^ uint64(j)*0xC2B2AE3D27D4EB4F ^ seed*0x165667B19E3779F9) + uint64(k)
		h ^= h >> 29
		h *= 0xBF58476D1CE4E5B9
		h ^= h >> 32
		g += [3]float64{40, 24, 14}[k] * (float64(h&0xFFFF)/0xFFFF - 0.5)
	}
	return g
}

// sheet is a picture in grey levels before noise: what costs most, and is the same in many frames.
func (s *scene) sheet() []float32 {
	v := make([]float32, s.w*s.h)
	cells := s.cells()
	masks := make([]*mask, len(cells))
	for i, c := range cells {
		masks[i] = s.face.of(c)
	}
	d := s.display
	cx, cy := float64(d.Min.X+d.Max.X)/2, float64(d.Min.Y+d.Max.Y)/2
	pitch := float64(d.Dx()) / float64(s.places)
	frame := d.Inset(-6)
	for j := range s.h {
		for i := range s.w {
			var g float64
			n := max(2, s.sub)
			for k := range n * n {
				x := float64(i) + (0.5+float64(k%n))/float64(n) - s.x - cx
				y := float64(j) + (0.5+float64(k/n))/float64(n) - s.y - cy
				u := (x-s.slant*y)/s.size + cx
				w := (y-s.tilt*x)/s.size + cy
				if u < float64(frame.Min.X) || w < float64(frame.Min.Y) || u > float64(frame.Max.X) ||
					w > float64(frame.Max.Y) {
					if s.sub == 0 {
						g += float64(n*n) * printed(s.print, u, w)
						break
					}
					g += printed(s.print, u, w)
					continue
				}
				ink := 0.0
				if p := (u - float64(d.Min.X)) / pitch; p >= 0 && p < float64(s.places) && w > float64(d.Min.Y) &&
					w < float64(d.Max.Y) {
					place := int(p)
					mx := int((p - float64(place)) * maskW)
					my := int((w - float64(d.Min.Y)) / float64(d.Dy()) * maskH)
					ink = float64(masks[place][min(my, maskH-1)*maskW+min(mx, maskW-1)]) * s.dim
					if s.share != nil {
						ink *= s.share(place)
					}
				}
				g += s.ground + (s.ink-s.ground)*ink
			}
			g = g/float64(n*n)*s.light + s.shade*(float64(i)/float64(s.w)-0.5)
			if s.glare[3] > 0 {
				r := math.Hypot(float64(i)-s.glare[0], float64(j)-s.glare[1]) / s.glare[2]
				g += s.glare[3] * math.Exp(-r*r/2)
			}
			if image.Pt(i, j).In(s.hand) {
				g = 130 + 12*math.Sin(float64(i)*0.21+float64(j)*0.13)
			}
			v[j*s.w+i] = float32(g)
		}
	}
	for range s.blur {
		v = smooth(v, s.w, s.h)
	}
	return v
}

func smooth(v []float32, w, h int) []float32 {
	a := append([]float32(nil), v...)
	for j := range h {
		for i := 1; i+1 < w; i++ {
			a[j*w+i] = (v[j*w+i-1] + v[j*w+i] + v[j*w+i+1]) / 3
		}
	}
	b := append([]float32(nil), a...)
	for j := 1; j+1 < h; j++ {
		for i := range w {
			b[j*w+i] = (a[(j-1)*w+i] + a[j*w+i] + a[(j+1)*w+i]) / 3
		}
	}
	return b
}

// expose takes a picture of a sheet.
func (s *scene) expose(sheet []float32, rng *rand.Rand) sight.Frame {
	m := image.NewYCbCr(image.Rect(0, 0, s.w, s.h), image.YCbCrSubsampleRatio420)
	for i := range m.Cb {
		m.Cb[i], m.Cr[i] = 128, 128
	}
	s.onto(m, sheet, rng)
	if s.lamp != (color.RGBA{}) {
		s.light7(m)
	}
	if s.quality > 0 {
		var b bytes.Buffer
		if err := jpeg.Encode(&b, m, &jpeg.Options{Quality: s.quality}); err != nil {
			panic(err)
		}
		back, err := jpeg.Decode(&b)
		if err != nil {
			panic(err)
		}
		return sight.FromImage(back, s.at)
	}
	return sight.FromImage(m, s.at)
}

// onto fills the luminance of a picture that is there.
func (s *scene) onto(m *image.YCbCr, sheet []float32, rng *rand.Rand) {
	noise := float32(s.noise)
	for j := range s.h {
		from := rng.IntN(len(gauss) - s.w)
		g := gauss[from:][:s.w]
		row, to := sheet[j*s.w:][:s.w], m.Y[j*m.YStride:][:s.w]
		stripe := float32(0.5)
		if s.rf > 0 {
			stripe += float32(s.rf * math.Sin(float64(j)*0.45))
		}
		for i, v := range row {
			to[i] = uint8(min(max(v+noise*g[i]+stripe, 0), 255))
		}
	}
}

// lampAt is where the lamp stands.
var lampAt = image.Rect(172, 12, 188, 28)

// light7 is a lamp of 7 pixels' radius, with a halo.
func (s *scene) light7(m *image.YCbCr) {
	cx, cy := float64(lampAt.Min.X+lampAt.Max.X)/2, float64(lampAt.Min.Y+lampAt.Max.Y)/2
	for j := lampAt.Min.Y - 4; j < lampAt.Max.Y+4; j++ {
		for i := lampAt.Min.X - 4; i < lampAt.Max.X+4; i++ {
			r := math.Hypot(float64(i)+0.5-cx, float64(j)+0.5-cy)
			a := math.Exp(-r * r / 50)
			k, c := m.YOffset(i, j), m.COffset(i, j)
			y, cb, cr := color.RGBToYCbCr(s.lamp.R, s.lamp.G, s.lamp.B)
			m.Y[k] = uint8(min(255, float64(m.Y[k])+a*float64(y)))
			m.Cb[c] = uint8(128 + a*(float64(cb)-128))
			m.Cr[c] = uint8(128 + a*(float64(cr)-128))
		}
	}
}

func (s scene) shoot(rng *rand.Rand) sight.Frame { return s.expose(s.sheet(), rng) }

// lessonTexts hold every digit, sign, blank and points.
var lessonTexts = []string{"12.345", "-67.89", "100.23", "9876.0", "-4.51", "55.566"}

// fit drops a digit where the point takes a place.
func (s scene) typed(text string) string {
	if s.face.ownPoint {
		for len(text) > s.places {
			text = text[:len(text)-1]
		}
	}
	return text
}

func (s scene) digits() sight.Region {
	return sight.Region{Name: "display", Kind: sight.Digits, Box: s.box,
		Digits: sight.DigitsRegion{Places: s.places, OwnPoint: s.face.ownPoint}}
}

// taught teaches the display of a scene from pictures in its light.
func (s scene) taught(t testing.TB, rng *rand.Rand) sight.Region {
	return s.taughtAs(t, rng, s.digits())
}

func (s scene) taughtAs(t testing.TB, rng *rand.Rand, as sight.Region) sight.Region {
	t.Helper()
	var lessons []sight.Lesson
	texts := lessonTexts
	if s.face.ownPoint {
		texts = append(append([]string(nil), texts...), "31728")
	}
	for _, text := range texts {
		s.text = s.typed(text)
		for range 2 {
			lessons = append(lessons, sight.Lesson{Frame: s.shoot(rng), Text: s.text})
		}
	}
	r, err := sight.Teach(as, lessons)
	if err != nil {
		t.Fatalf("%s: %v", s.face.name, err)
	}
	return r
}
