package sight

import (
	"cmp"
	"fmt"
	"image"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
)

// LampRegion is how bright a lamp is; both 0: not taught.
type LampRegion struct {
	// Off and On are the most above its surroundings that it was when off, and the least when lit.
	Off, On float64
}

const (
	lampOff, lampOn = 20.0, 40.0       // grey levels above the surroundings of a lamp that was not taught
	blinkWindow     = 12 * time.Second // of the pictures that a rate is taken from
	maxLooks        = 1024
	leastEdges      = 3    // times that a lamp was lit anew before a rate is told
	unevenness      = 0.35 // by which its periods may differ
)

// glance is a lamp in one picture.
type glance struct {
	at     time.Duration
	excess float64
	state  string // off, a colour, or empty where it is between
}

// lampHistory is a lamp in the pictures of the last seconds.
type lampHistory struct{ looks []glance }

func (r Region) lampLimits() (off, on float64) {
	if off, on = r.Lamp.Off, r.Lamp.On; on > off {
		return off + (on-off)/3, off + (on-off)*2/3
	}
	return lampOff, lampOn
}

// look takes a picture in.
func (h *lampHistory) look(r Region, f Frame) {
	g := glance{at: f.At}
	var rgb [3]float64
	rgb, g.excess = shine(f.Image, r.Box)
	off, on := r.lampLimits()
	switch {
	case g.excess <= off:
		g.state = "off"
	case g.excess >= on:
		g.state = colourOf(rgb)
	}
	if n := len(h.looks); n > 0 && f.At <= h.looks[n-1].at {
		h.looks = nil // another clock
	}
	if r.Join > 1 && g.state == "off" {
		for _, l := range h.looks[max(0, len(h.looks)-r.Join+1):] {
			if l.excess >= on && l.state != "" {
				g.state = l.state
			}
		}
	}
	h.looks = append(h.looks, g)
	for len(h.looks) > maxLooks || h.looks[0].at < f.At-blinkWindow {
		h.looks = h.looks[1:]
	}
}

// shine is by how much the brightest quarter of a lamp's box is above the darker half of the frame around it, and the
// colour of all that shines.
func shine(m *image.YCbCr, box image.Rectangle) (rgb [3]float64, excess float64) {
	size := image.Rect(0, 0, m.Rect.Dx(), m.Rect.Dy())
	around := box.Inset(-5).Intersect(size)
	step := max(1, int(math.Sqrt(float64(around.Dx())*float64(around.Dy())/2000)))
	var in, out [][3]float64
	for y := around.Min.Y; y < around.Max.Y; y += step {
		for x := around.Min.X; x < around.Max.X; x += step {
			c := m.COffset(m.Rect.Min.X+x, m.Rect.Min.Y+y)
			l, cb, cr := float64(m.Y[y*m.YStride+x]), float64(m.Cb[c])-128, float64(m.Cr[c])-128
			p := [3]float64{l + 1.402*cr, l - 0.344136*cb - 0.714136*cr, l + 1.772*cb}
			if image.Pt(x, y).In(box) {
				in = append(in, p)
			} else if !image.Pt(x, y).In(box.Inset(-1)) {
				out = append(out, p)
			}
		}
	}
	brightest := func(p [3]float64) float64 { return max(p[0], p[1], p[2]) }
	order := func(a, b [3]float64) int { return cmp.Compare(brightest(a), brightest(b)) }
	mean := func(of [][3]float64) (m [3]float64) {
		for _, p := range of {
			for i := range m {
				m[i] += p[i] / float64(len(of))
			}
		}
		return m
	}
	slices.SortFunc(in, order)
	slices.SortFunc(out, order)
	ground := mean(out[:len(out)/2])
	core := mean(in[len(in)*3/4:])
	excess = brightest(core) - brightest(ground)
	lit := in[:0]
	for _, p := range in {
		if brightest(p)-brightest(ground) > excess/3 {
			lit = append(lit, p)
		}
	}
	rgb = mean(lit)
	for i := range rgb {
		rgb[i] = max(0, rgb[i]-ground[i])
	}
	return rgb, excess
}

// colourOf names a colour by hue; empty for one between blue and red.
func colourOf(c [3]float64) string {
	high, low := max(c[0], c[1], c[2]), min(c[0], c[1], c[2])
	if high <= 0 || (high-low)/high < 0.3 {
		return "white"
	}
	hue := 180 / math.Pi * math.Atan2(math.Sqrt(3)*(c[1]-c[2]), 2*c[0]-c[1]-c[2])
	switch {
	case hue < -90 || hue > 170:
		return "blue"
	case hue < -40:
		return ""
	case hue < 22:
		return "red"
	case hue < 70:
		return "amber"
	}
	return "green"
}

// text is what the lamp shows: its state, and the rate where it blinks.
func (h *lampHistory) text() string {
	if colour, rate := h.blink(); rate > 0 {
		return fmt.Sprintf("%s, %.1f Hz", colour, rate)
	}
	return h.looks[len(h.looks)-1].state
}

// blink is the rate at which the lamp is lit anew, 0 where it does not blink evenly, or has stopped.
func (h *lampHistory) blink() (colour string, rate float64) {
	var rises []time.Duration
	edge, lit := time.Duration(0), ""
	for i, g := range h.looks {
		if g.state == "" {
			continue
		}
		if lit != "" && (g.state == "off") != (lit == "off") {
			edge = g.at
			if g.state != "off" {
				edge = (g.at + h.looks[i-1].at) / 2
				rises = append(rises, edge)
			}
		}
		if lit = g.state; lit != "off" {
			colour = lit
		}
	}
	n := len(rises)
	if n < leastEdges {
		return "", 0
	}
	first := n - leastEdges
	last := float64(rises[n-1]-rises[first]) / float64(n-1-first)
	for first > 0 && math.Abs(float64(rises[first]-rises[first-1])-last) <= unevenness*last {
		first--
	}
	for i := n - leastEdges + 1; i < n; i++ {
		if math.Abs(float64(rises[i]-rises[i-1])-last) > unevenness*last {
			return "", 0
		}
	}
	if float64(h.looks[len(h.looks)-1].at-edge) > 1.1*last {
		return "", 0
	}
	return colour, float64(n-1-first) / (rises[n-1] - rises[first]).Seconds()
}

// span is how long the lamp has been looked at, as far as that is kept.
func (h *lampHistory) span() time.Duration { return h.looks[len(h.looks)-1].at - h.looks[0].at }

// undecided says that a lamp changed lately without a rate.
func (h *lampHistory) undecided() bool {
	if _, rate := h.blink(); rate > 0 {
		return false
	}
	seen := map[bool]bool{}
	for _, g := range h.looks {
		if g.state != "" {
			seen[g.state == "off"] = true
		}
	}
	return len(seen) > 1
}

// seen tells of the last picture.
func (h *lampHistory) seen(r Region) Seen {
	now := h.looks[len(h.looks)-1]
	_, on := r.lampLimits()
	s := Seen{State: Same, Text: h.text(), Statistic: now.excess, Limit: on}
	if s.Text == "" {
		s.State = NotRead
		s.Why = fmt.Sprintf("the lamp is %.0f grey levels above its surroundings, between off and lit, or of a "+
			"colour between blue and red: teach it with a picture of off and one of lit", now.excess)
	}
	return s
}

// parts takes a lamp's text apart.
func parts(text string) (colour string, rate float64) {
	colour, hz, _ := strings.Cut(text, ", ")
	rate, _ = strconv.ParseFloat(strings.TrimSuffix(hz, " Hz"), 64)
	return colour, rate
}

// teachLamp learns how bright a lamp is when off and when lit.
func teachLamp(r Region, lessons []Lesson) (Region, error) {
	r.Lamp = LampRegion{Off: math.Inf(-1), On: math.Inf(1)}
	for _, l := range lessons {
		_, excess := shine(l.Frame.Image, r.Box)
		if strings.EqualFold(strings.TrimSpace(l.Text), "off") {
			r.Lamp.Off = max(r.Lamp.Off, excess)
		} else {
			r.Lamp.On = min(r.Lamp.On, excess)
		}
	}
	off, on := r.Lamp.Off, r.Lamp.On
	switch {
	case math.IsInf(off, 0) || math.IsInf(on, 0):
		r.Lamp = LampRegion{}
		return r, fmt.Errorf("lamp %q: give a picture with the text off and one of it lit", r.Name)
	case on-off < 6:
		r.Lamp = LampRegion{}
		return r, fmt.Errorf("lamp %q is %.0f grey levels above its surroundings when off and %.0f when lit: draw "+
			"the box around the lamp alone, or give it less light from outside", r.Name, off, on)
	}
	return r, nil
}
