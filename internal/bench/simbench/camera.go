package simbench

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"io"
	"math"
	"math/rand/v2"
	"net"
	"net/http"
	"slices"
	"strings"
	"time"

	"provoke/internal/units/rf"
)

// CameraView is a camera that looks at the weigher's display and lamp. The zero value is none.
type CameraView struct {
	Rate    float64       // pictures a second, 5 to 60
	Delay   time.Duration // from the exposure of a picture to its first byte, in time of the wall
	Trouble []string      // of CameraTroubles
}

// CameraTroubles is what a camera's picture can suffer from.
var CameraTroubles = []string{"glare", "noise", "drift", "blur", "multiplex", "hand"}

// Check refuses a view that cannot be drawn.
func (v CameraView) Check() error {
	if !(v.Rate >= 5 && v.Rate <= 60) {
		return fmt.Errorf("a camera of %g pictures a second: 5 to 60 are drawn", v.Rate)
	}
	if v.Delay < 0 || v.Delay > longestDelay {
		return fmt.Errorf("a camera that is %v late: 0 s to %v are simulated", v.Delay, rf.Duration(longestDelay))
	}
	for _, t := range v.Trouble {
		if !slices.Contains(CameraTroubles, t) {
			return fmt.Errorf("a camera has no trouble %q; it has %s", t, strings.Join(CameraTroubles, ", "))
		}
	}
	return nil
}

// The scene in pixels: a grey panel with a dark window for the display, a lamp and a printed label.
var (
	pictureSize = image.Rect(0, 0, 320, 192)
	windowBox   = image.Rect(40, 56, 200, 120)
	rowBox      = image.Rect(50, 64, 190, 112) // of five places
	lampBox     = image.Rect(232, 72, 256, 96)
	labelBox    = image.Rect(40, 144, 104, 168)
)

const (
	places      = 5
	placeWidth  = 28 // of rowBox
	placeHeight = 48
	slant       = 0.12 // sideways for each pixel upwards
	oversampled = 3    // samples of a pixel, each way
)

// lit is which segments show a character: a at the top, then clockwise, g in the middle.
var lit = map[rune]string{'0': "abcdef", '1': "bc", '2': "abdeg", '3': "abcdg", '4': "bcfg", '5': "acdfg",
	'6': "acdefg",
	'7': "abc", '8': "abcdefg", '9': "abcdfg", 'E': "adefg", 'r': "eg", '-': "g", ' ': ""}

type point struct{ x, y float64 }

// segmentPolygons are the seven segments and the point h of a place, before they are slanted.
var segmentPolygons = func() map[byte][]point {
	const l, r, top, mid, low, w, gap = 5.0, 19.0, 6.0, 23.0, 40.0, 2.0, 0.6
	across := func(y float64) []point {
		return []point{{l + gap, y}, {l + gap + w, y - w}, {r - gap - w, y - w}, {r - gap, y}, {r - gap - w, y + w},
			{l + gap + w, y + w}}
	}
	down := func(x, from, to float64) []point {
		return []point{{x, from + gap}, {x + w, from + gap + w}, {x + w, to - gap - w}, {x, to - gap},
			{x - w, to - gap - w}, {x - w, from + gap + w}}
	}
	return map[byte][]point{'a': across(top), 'b': down(r, top, mid), 'c': down(r, mid, low), 'd': across(low),
		'e': down(l, mid, low), 'f': down(l, top, mid), 'g': across(mid),
		'h': {{22.5, 38}, {25, 38}, {26, 40}, {25, 42}, {22.5, 42}, {21.5, 40}}}
}()

// inside reports whether a point lies within a convex polygon that goes clockwise.
func inside(p point, polygon []point) bool {
	for i, a := range polygon {
		b := polygon[(i+1)%len(polygon)]
		if (b.x-a.x)*(p.y-a.y)-(b.y-a.y)*(p.x-a.x) < 0 {
			return false
		}
	}
	return true
}

// segmentMasks are how much of each pixel of a place each segment covers.
var segmentMasks = func() map[byte][]float64 {
	out := map[byte][]float64{}
	for name, polygon := range segmentPolygons {
		mask := make([]float64, placeWidth*placeHeight)
		for i := range mask {
			for k := range oversampled * oversampled {
				y := float64(i/placeWidth) + (float64(k/oversampled)+0.5)/oversampled
				x := float64(i%placeWidth) + (float64(k%oversampled)+0.5)/oversampled
				if inside(point{x - (placeHeight/2-y)*slant, y}, polygon) {
					mask[i] += 1.0 / (oversampled * oversampled)
				}
			}
		}
		out[name] = mask
	}
	return out
}()

// shown is what there is to be seen of the weigher at one moment.
type shown struct {
	text string
	lamp bool
}

// look is what display and lamp show now.
func (w *weigher) look(bands []band, noise func() float64) shown {
	if w.off {
		return shown{}
	}
	kg, failed := w.kilograms(bands)
	if failed {
		return shown{"Err07", true}
	}
	return shown{fmt.Sprintf("%.2f", kg+0.006*noise()), false}
}

// eye draws pictures. It is used by one goroutine.
type eye struct {
	CameraView
	chance *rand.Rand
	number int // of pictures drawn
	noise  []float64
}

func newEye(v CameraView, seed uint64) *eye {
	e := &eye{CameraView: v, chance: rand.New(rand.NewPCG(seed, 0x63616d)), noise: make([]float64, 4096)}
	for i := range e.noise {
		e.noise[i] = e.chance.NormFloat64()
	}
	return e
}

func (e *eye) has(trouble string) bool { return slices.Contains(e.Trouble, trouble) }

// draw is the picture of a moment, at a time since the camera was switched on.
func (e *eye) draw(s shown, at time.Duration) []byte {
	luminance := make([]float64, pictureSize.Dx()*pictureSize.Dy())
	e.panel(luminance)
	e.digits(luminance, s.text)
	if e.has("blur") {
		blur(luminance)
	}
	e.light(luminance, at)
	m := image.NewYCbCr(pictureSize, image.YCbCrSubsampleRatio420)
	sigma, from := 1.5, e.chance.IntN(len(e.noise))
	if e.has("noise") {
		sigma = 6
	}
	for i, v := range luminance {
		if i%61 == 0 {
			from = e.chance.IntN(len(e.noise))
		}
		m.Y[i] = uint8(min(max(v+sigma*e.noise[(from+i)%len(e.noise)]+0.5, 0), 255))
	}
	for i := range m.Cb {
		m.Cb[i], m.Cr[i] = 128, 128
	}
	if s.lamp {
		e.lamp(m)
	}
	if e.has("hand") {
		hand(m, at)
	}
	e.number++
	var out bytes.Buffer
	if err := jpeg.Encode(&out, m, &jpeg.Options{Quality: 88}); err != nil {
		return nil
	}
	return out.Bytes()
}

// panel draws what never changes: the panel with its grain, the window, the lamp's glass, the label.
func (e *eye) panel(luminance []float64) {
	for i := range luminance {
		at := image.Pt(i%pictureSize.Dx(), i/pictureSize.Dx())
		switch {
		case at.In(windowBox):
			luminance[i] = 32
		case at.In(lampBox):
			luminance[i] = 52
		case at.In(labelBox):
			luminance[i] = 90 + 70*float64((at.X/4+at.Y/6)%2)
		default:
			luminance[i] = 108 + 8*math.Sin(float64(at.X)/9)*math.Sin(float64(at.Y)/7)
		}
	}
}

// digits lights the segments of a text that is set to the right. Of a multiplexed display two places in five are lit
// at a time.
func (e *eye) digits(luminance []float64, text string) {
	var cells []string
	for _, c := range text {
		if c == '.' && len(cells) > 0 {
			cells[len(cells)-1] += "h"
			continue
		}
		cells = append(cells, lit[c])
	}
	for i, segments := range cells {
		place := places - len(cells) + i
		if place < 0 || e.has("multiplex") && (place+e.number)%3 == 0 {
			continue
		}
		corner := rowBox.Min.Add(image.Pt(place*placeWidth, 0))
		for _, s := range []byte(segments) {
			for k, share := range segmentMasks[s] {
				luminance[(corner.Y+k/placeWidth)*pictureSize.Dx()+corner.X+k%placeWidth] += 175 * share
			}
		}
	}
}

// light is what room and sun make of the picture.
func (e *eye) light(luminance []float64, at time.Duration) {
	gain := 1.0
	if e.has("drift") {
		gain = 1 + 0.12*math.Sin(2*math.Pi*at.Seconds()/20)
	}
	glare := e.has("glare")
	x, y := 70+20*math.Sin(at.Seconds()/7), 150+6*math.Cos(at.Seconds()/5)
	for i := range luminance {
		luminance[i] *= gain
		if glare {
			dx, dy := float64(i%pictureSize.Dx())-x, float64(i/pictureSize.Dx())-y
			luminance[i] += 70 * math.Exp(-(dx*dx+dy*dy)/(2*28*28))
		}
	}
}

// blur averages three pixels each way.
func blur(v []float64) {
	w := pictureSize.Dx()
	for _, step := range []int{1, w} {
		before := slices.Clone(v)
		for i := step; i < len(v)-step; i++ {
			v[i] = (before[i-step] + before[i] + before[i+step]) / 3
		}
	}
}

// lamp lights the lamp, red.
func (e *eye) lamp(m *image.YCbCr) {
	y, cb, cr := color.RGBToYCbCr(255, 60, 40)
	centre := lampBox.Min.Add(lampBox.Size().Div(2))
	for py := lampBox.Min.Y; py < lampBox.Max.Y; py++ {
		for px := lampBox.Min.X; px < lampBox.Max.X; px++ {
			if d := image.Pt(px, py).Sub(centre); d.X*d.X+d.Y*d.Y <= 100 {
				m.Y[m.YOffset(px, py)] = y + 40
				m.Cb[m.COffset(px, py)], m.Cr[m.COffset(px, py)] = cb, cr
			}
		}
	}
}

// A hand passes before the camera once in handEvery, and takes handTakes for it.
const (
	handEvery = 8 * time.Second
	handTakes = 700 * time.Millisecond
)

// hand puts the hand into the picture while it passes.
func hand(m *image.YCbCr, at time.Duration) {
	into := at%handEvery - (handEvery - handTakes)
	if into < 0 {
		return
	}
	const wide = 150
	left := int(float64(pictureSize.Dx()+wide)*into.Seconds()/handTakes.Seconds()) - wide
	for y := range pictureSize.Dy() {
		for x := max(left, 0); x < min(left+wide, pictureSize.Dx()); x++ {
			m.Y[m.YOffset(x, y)] = uint8(140 + (x-left)%30)
			m.Cb[m.COffset(x, y)], m.Cr[m.COffset(x, y)] = 112, 150
		}
	}
}

// exposes takes one picture now.
func (b *Bench) exposes(e *eye) []byte {
	at := time.Since(b.began)
	b.mu.Lock()
	b.plant.advance(b.benchTime())
	s := b.plant.product.look(b.plant.bands, func() float64 { return 2*e.chance.Float64() - 1 })
	b.mu.Unlock()
	return e.draw(s, at)
}

// late has something taken once a period and gives it to send when it is so much older, until done or the bench's end;
// send returns false to end it.
func (b *Bench) late(done <-chan struct{}, period, delay time.Duration, take func() []byte, send func([]byte) bool) {
	type taken struct {
		due  time.Time
		what []byte
	}
	tick := time.NewTicker(period)
	defer tick.Stop()
	var way []taken
	due := time.NewTimer(time.Hour)
	defer due.Stop()
	for {
		select {
		case <-done:
			return
		case <-b.ctx.Done():
			return
		case <-tick.C:
			at := time.Now().Add(delay)
			if way = append(way, taken{at, take()}); len(way) == 1 {
				due.Reset(time.Until(at))
			}
		case <-due.C:
			if !send(way[0].what) {
				return
			}
			if way = way[1:]; len(way) > 0 {
				due.Reset(time.Until(way[0].due))
			}
		}
	}
}

// serveCamera serves the camera on loopback: /stream without end, /still one picture.
func (b *Bench) serveCamera(address string) error {
	l, err := net.Listen("tcp", address)
	if err != nil {
		return fmt.Errorf("camera: %w", err)
	}
	pages := http.NewServeMux()
	pages.HandleFunc("GET /stream", func(w http.ResponseWriter, r *http.Request) {
		b.lookers.Add(1)
		defer b.lookers.Add(-1)
		w.Header().Set("Content-Type", "multipart/x-mixed-replace; boundary=picture")
		v := *b.config.Camera
		e := newEye(v, b.config.Seed)
		b.late(r.Context().Done(), time.Duration(float64(time.Second)/v.Rate), v.Delay,
			func() []byte { return b.exposes(e) }, func(p []byte) bool {
				_, err := fmt.Fprintf(w, "--picture\r\nContent-Type: image/jpeg\r\nContent-Length: %d\r\n\r\n%s\r\n",
					len(p), p)
				return err == nil && http.NewResponseController(w).Flush() == nil
			})
	})
	pages.HandleFunc("GET /still", func(w http.ResponseWriter, r *http.Request) {
		due := time.Now().Add(b.config.Camera.Delay)
		p := b.exposes(newEye(*b.config.Camera, uint64(time.Since(b.began))))
		b.wait(time.Until(due))
		w.Header().Set("Content-Type", "image/jpeg")
		w.Write(p)
	})
	server := &http.Server{Handler: pages, ReadHeaderTimeout: 5 * time.Second}
	b.running.Go(func() { server.Serve(l) })
	b.mu.Lock()
	b.cameraURL = "http://" + l.Addr().String()
	b.mu.Unlock()
	return b.closeLater(func() { server.Close() })
}

// CameraLookers is how many streams of the camera are being sent.
func (b *Bench) CameraLookers() int { return int(b.lookers.Load()) }

// CameraURL is where the camera is served; "" without one.
func (b *Bench) CameraURL() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.cameraURL
}

// CameraLesson is a picture of a known text.
type CameraLesson struct {
	File, Shows string
	Picture     []byte
}

// CameraLessons are pictures of the display with what it shows, as somebody takes them with weights on the belt; a
// multiplexed display needs more of each.
func (b *Bench) CameraLessons() (out []CameraLesson) {
	e := newEye(*b.config.Camera, b.config.Seed+1)
	e.Trouble = slices.DeleteFunc(slices.Clone(e.Trouble), func(t string) bool { return t == "hand" })
	each := 1
	if e.has("multiplex") {
		each = 6
	}
	for _, text := range []string{"12.34", "56.78", "90.12", "34.56", "78.90", "Err07"} {
		for i := range each {
			out = append(out, CameraLesson{fmt.Sprintf("lessons/%s-%d.jpg", strings.ReplaceAll(text, ".", "_"), i+1),
				text, e.draw(shown{text, text == "Err07"}, 0)})
		}
	}
	return out
}

// FilmRate is how many pictures of a film stand for a second.
const FilmRate = 30

// Film writes a film of the display, picture after picture as JPEG, in which it shows each text for so long. Without a
// text it shows what the product shows now.
func (b *Bench) Film(to io.Writer, each time.Duration, texts ...string) error {
	e := newEye(*b.config.Camera, b.config.Seed+2)
	if len(texts) == 0 {
		b.mu.Lock()
		b.plant.advance(b.benchTime())
		texts = []string{b.plant.product.look(b.plant.bands, func() float64 { return 0 }).text}
		b.mu.Unlock()
	}
	n := int(each.Seconds() * FilmRate)
	for i, text := range texts {
		for k := range n {
			at := time.Duration(i*n+k) * time.Second / FilmRate
			if _, err := to.Write(e.draw(shown{text, strings.HasPrefix(text, "E")}, at)); err != nil {
				return fmt.Errorf("write the film of the display: %w", err)
			}
		}
	}
	return nil
}

// camera writes the monitor that looks through the camera.
func (w *benchWriter) camera() {
	box := func(r image.Rectangle) string {
		return fmt.Sprintf("[%d, %d, %d, %d]", r.Min.X, r.Min.Y, r.Dx(), r.Dy())
	}
	v := w.b.config.Camera
	w.line("  - id: CAM1")
	w.line("    kind: camera")
	w.line("    description: the weigher's display and lamp, as a camera sees them")
	w.line("    url: %s/stream", w.b.CameraURL())
	w.line("    every: %v", w.scaled(w.b.config.Speed/v.Rate, time.Millisecond))
	w.line("    tolerance: %g kg", tolerance)
	w.line("    silence: %v", w.scaled(2, 2*time.Second))
	w.line("    latency: %v", w.scaled(w.b.config.Speed*v.Delay.Seconds(), time.Millisecond))
	w.line("    regions:")
	w.line("      - name: weight")
	w.line("        look_for: digits")
	w.line("        at: %s", box(rowBox))
	w.line("        places: %d", places)
	w.line("        lessons:")
	for _, l := range w.b.CameraLessons() {
		w.line("          - {file: %s, shows: %q}", l.File, l.Shows)
	}
	w.line("      - {name: error lamp, look_for: lamp, at: %s}", box(lampBox))
	w.line("      - {name: label, look_for: reference, at: %s}", box(labelBox))
}
