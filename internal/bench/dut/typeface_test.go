package dut

import (
	"bytes"
	"flag"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"math"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/image/draw"
	"golang.org/x/image/font"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/f64"
	"golang.org/x/image/math/fixed"

	"provoke/internal/files/catalog"
	"provoke/internal/units/rf"
)

var long = flag.Bool("long", false, "as much as docs/confidence.md tells")

// panel is a display in a typeface, before a camera.
type panel struct {
	face   font.Face
	tilt   float64 // of the camera, radians
	slant  float64 // sideways for each pixel upwards
	chance *rand.Rand
	drawn  map[string]*image.Gray // without noise
}

const (
	panelLarger = 3 // times the size of a picture, in which it is drawn
	cellWide    = 26
	cellHigh    = 40
	panelPlaces = 6
)

var (
	panelSize = image.Rect(0, 0, 320, 192)
	panelRow  = image.Rect(80, 76, 80+panelPlaces*cellWide, 76+cellHigh)
)

// shoot is a picture of a text.
func (p *panel) shoot(t *testing.T, text string) []byte {
	if p.drawn[text] == nil {
		p.drawn = map[string]*image.Gray{text: p.draw(text)}
	}
	m := image.NewGray(panelSize)
	for i, v := range p.drawn[text].Pix {
		m.Pix[i] = uint8(min(max(float64(v)+2*p.chance.NormFloat64(), 0), 255))
	}
	var out bytes.Buffer
	if err := jpeg.Encode(&out, m, &jpeg.Options{Quality: 85}); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// draw is a text, set to the right; every character has a place.
func (p *panel) draw(text string) *image.Gray {
	large := image.NewGray(image.Rectangle{Max: panelSize.Max.Mul(panelLarger)})
	for i := range large.Pix {
		x, y := float64(i%large.Stride)/panelLarger, float64(i/large.Stride)/panelLarger
		large.Pix[i] = uint8(108 + 14*math.Sin(x/9)*math.Sin(y/7))
		if image.Pt(int(x), int(y)).In(panelRow.Inset(-10)) {
			large.Pix[i] = 30
		}
	}
	cells := []rune(text)
	for i, c := range cells {
		place := panelPlaces - len(cells) + i
		left := (panelRow.Min.X + place*cellWide) * panelLarger
		wide := font.MeasureString(p.face, string(c))
		d := font.Drawer{Dst: large, Src: image.NewUniform(color.Gray{205}), Face: p.face, Dot: fixed.Point26_6{
			X: fixed.I(left+cellWide*panelLarger/2) - wide/2, Y: fixed.I((panelRow.Max.Y - 6) * panelLarger)}}
		d.DrawString(string(c))
	}
	m := image.NewGray(panelSize)
	centre := panelRow.Min.Add(panelRow.Max).Div(2)
	cx, cy := float64(centre.X), float64(centre.Y)
	sin, cos := math.Sincos(p.tilt)
	a, b := cos/panelLarger, (-sin-cos*p.slant)/panelLarger
	c, d := sin/panelLarger, (cos-sin*p.slant)/panelLarger
	draw.BiLinear.Transform(m, f64.Aff3{a, b, cx - panelLarger*(a*cx+b*cy), c, d, cy - panelLarger*(c*cx+d*cy)}, large,
		large.Rect, draw.Src, nil)
	return m
}

// Digits of typefaces that the display of a product may have, taught once and met at other angles, go over HTTP as a
// camera's pictures do and come out of the monitor as readings.
func TestDigitsOfTypefacesAtAnglesAreReadByTheMonitor(t *testing.T) {
	values := 5
	if *long {
		values = 150
	}
	for name, file := range map[string]string{"DejaVu Serif": "dejavu/DejaVuSerif.ttf",
		"Liberation Mono": "liberation/LiberationMono-Bold.ttf"} {
		t.Run(name, func(t *testing.T) {
			data, err := os.ReadFile("/usr/share/fonts/truetype/" + file)
			if err != nil {
				if os.Getenv("CI") == "true" {
					t.Fatal(err)
				}
				t.Skipf("outside check skipped: %v", err)
			}
			parsed, err := opentype.Parse(data)
			must(t, err)
			face, err := opentype.NewFace(parsed, &opentype.FaceOptions{Size: 34 * panelLarger, DPI: 72})
			must(t, err)
			read, wrong, unread := 0, 0, 0
			for _, angle := range [][2]float64{{0, 0}, {-2, 0.05}, {-1, -0.05}, {1, 0.05}, {2, -0.05}} {
				r, w, u := readAt(t, face, angle[0]*math.Pi/180, angle[1], values)
				t.Logf("%s, tilted by %g°, slanted by %g: %d values read, %d wrongly, %d not", name, angle[0], angle[1],
					r, w, u)
				read, wrong, unread = read+r, wrong+w, unread+u
			}
			t.Logf("figure: %s: of %d values at five angles %d were read, %d readings were wrong", name, read+unread,
				read, wrong)
			if wrong > 0 || unread > (read+unread)/20 {
				t.Errorf("%d values read, %d readings wrong, %d values not read", read, wrong, unread)
			}
		})
	}
}

// readAt shows values one after the other and counts those that were read, those that were not, and readings of what
// neither stood there nor just before.
func readAt(t *testing.T, face font.Face, tilt, slant float64, values int) (read, wrong, unread int) {
	const each, learnt = 4, 40 // pictures of a value, and before the first
	chance := rand.New(rand.NewPCG(11, uint64(1000+1000*tilt)))
	spec := catalog.Monitor{Identity: catalog.Identity{ID: "CAM"}, Kind: catalog.MonitorCamera, Unit: "kg",
		Tolerance: 0.05, Every: rf.Duration(time.Second / 60)}
	region := catalog.CameraRegion{Name: "weight", LookFor: catalog.LookForDigits, Box: panelRow, Join: 1,
		Places: panelPlaces, OwnPoint: true}
	teacher := &panel{face: face, chance: chance}
	for _, text := range []string{"12.34", "56.78", "90.12", "-345.6", "789.01"} {
		region.Lessons = append(region.Lessons, catalog.CameraLesson{File: text, Shows: text,
			Picture: teacher.shoot(t, text)})
	}
	spec.Regions = []catalog.CameraRegion{region}
	texts := slices.Repeat([]string{"12.34"}, learnt)
	for range values {
		text := fmt.Sprintf("%.2f", float64(chance.IntN(110000)-10000)/100)
		texts = append(texts, slices.Repeat([]string{text}, each)...)
	}
	display := &panel{face: face, tilt: tilt, slant: slant, chance: chance}
	var mu sync.Mutex
	shown := 0
	over := make(chan struct{})
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		mu.Lock()
		defer mu.Unlock()
		if shown == len(texts)-1 {
			select {
			case <-over:
			default:
				close(over)
			}
		} else {
			shown++
		}
		w.Write(display.shoot(t, texts[shown]))
	}))
	defer server.Close()
	spec.URL = server.URL
	m, err := New(spec, Options{})
	must(t, err)
	seen := map[int]bool{}
	must(t, m.Start(t.Context(), func(s Sample) {
		if !s.HasValue {
			return
		}
		mu.Lock()
		defer mu.Unlock()
		got := strings.TrimPrefix(s.Text, "weight ")
		for back := range 3 { // pictures that are on their way
			if at := shown - back; at >= 0 && texts[at] == got {
				if at >= learnt {
					seen[(at-learnt)/each] = true
				}
				return
			}
		}
		wrong++
		t.Logf("read %q where %q stands", s.Text, texts[shown])
	}))
	select {
	case <-over:
	case <-time.After(time.Duration(len(texts)) * time.Second):
		t.Error("the camera is asked for no more pictures")
	}
	time.Sleep(200 * time.Millisecond)
	must(t, m.Close())
	return len(seen), wrong, values - len(seen)
}
