package sight

import (
	"cmp"
	"fmt"
	"image"
	"math"
	"slices"
	"strconv"
	"strings"
)

const (
	gridW, gridH = 12, 18 // samples of a place
	samples      = gridW * gridH
	maxPlaces    = 32

	leastCorrelation = 0.83 // of a place with its glyph
	leastMargin      = 0.50 // of the way from the middle between two glyphs to the one that is read
	mostResidual     = 0.45 // of the ink's contrast, in any square of 3 × 3 samples
	blankShare       = 0.40 // of the weakest glyph: a place without a square of 3 × 3 samples above it is blank
	leastPoint       = 0.78 // correlation of what stands where a point would be
	leastInk         = 0.60 // of the row's ink: a place that is weaker is half lit
	mostInk          = 1.60
	groundShare      = 0.35 // of the row's ink that a blank place may differ from the ground of the others
	leastContrast    = 0.08 // of the ink in the lessons, and
	leastGrey        = 6.0  // grey levels that the row's ink has to have
)

// DigitsRegion is how a row of digits is parted and what its glyphs look like. Places, OwnPoint and Decimals are
// given, the others are learnt by Teach.
type DigitsRegion struct {
	// Places stand side by side, equally wide, over the whole box.
	Places int
	// OwnPoint is for displays whose decimal point takes a place; else it stands within the place of the digit before
	// it.
	OwnPoint bool
	// Decimals is how many digits stand behind a point that never moves (printed, or always lit); 0: the point is
	// read.
	Decimals int

	Dark     bool    // ink darker than the ground
	Contrast float64 // of the ink in the lessons, in grey levels
	Glyphs   []Glyph
	Point    []byte     // what a point adds to a glyph
	Bare     bool       // a number may begin with its point
	Left     bool       // a number may stand to the left of blanks
	Pose     [6]float64 // where the row lies in the box
}

// Glyph is what a character looks like at a place: 12 × 18 samples, ink over ground as (b − 128)/64, without a plane.
type Glyph struct {
	Text    string
	Pattern []byte
}

// pose is where the row lies: shift in widths and heights of a place, change of width, slant, tilt, change of height.
type pose [6]float64

// bounds are how far a pose may lie from that of the lessons, and the first step of the search for it.
var bounds = pose{0.35, 0.25, 0.08, 0.15, 0.09, 0.12}
var everyWay = []int{0, 1, 2, 3, 4, 5}
var steps = pose{0.08, 0.06, 0.02, 0.05, 0.015, 0.03}

// glyph is a pattern ready to be compared: no mean, no plane.
type glyph struct {
	text   string
	v      [samples]float32
	square float64
}

// reader reads one row.
type reader struct {
	Region
	glyphs []glyph // those without a point first
	plain  int     // how many have none
	like   [][]float64
	weak   float64 // the weakest glyph's square of 3 × 3 samples, in ink
	spot   []int   // samples around a point
	home   pose
	pose   pose
	misses int // pictures since a row was read
	recent joiner
	texts  [][]string // of each place, of the pictures before
	crop   crop
}

// crop is the region's part of a picture in squares of d pixels, with a margin.
type crop struct {
	w, h   int
	d      float64
	x0, y0 int
	v      []float32
}

func newReader(r Region) (*reader, error) {
	d := r.Digits
	if err := d.check(r); err != nil {
		return nil, err
	}
	if len(d.Glyphs) == 0 {
		return nil, fmt.Errorf("digits %q were not taught: type what stands there, for a few pictures", r.Name)
	}
	rd := &reader{Region: r, home: d.Pose, pose: d.Pose, weak: 1}
	point, err := pattern(r.Name, d.Point)
	if err != nil && d.Point != nil {
		return nil, err
	}
	for _, g := range d.Glyphs {
		v, err := pattern(r.Name, g.Pattern)
		if err != nil {
			return nil, err
		}
		rd.add(g.Text, v)
	}
	rd.plain = len(rd.glyphs)
	if d.Point != nil {
		rd.spot = around(&point)
		for _, g := range rd.glyphs[:rd.plain] {
			v := g.v
			for i := range v {
				v[i] += point[i]
			}
			rd.add(g.text+".", v)
		}
	}
	rd.like = make([][]float64, len(rd.glyphs))
	for i := range rd.glyphs {
		for j := range rd.glyphs {
			rd.like[i] = append(rd.like[i], likeness(&rd.glyphs[i], &rd.glyphs[j]))
		}
	}
	return rd, nil
}

// check refuses a row that cannot be read.
func (d DigitsRegion) check(r Region) error {
	switch {
	case d.Places < 1 || d.Places > maxPlaces:
		return fmt.Errorf("digits %q have %d places: count those of the display, 1 to %d", r.Name, d.Places, maxPlaces)
	case r.Box.Dx() < 6*d.Places || r.Box.Dy() < 9:
		return fmt.Errorf("digits %q: %d places in %d × %d pixels are too small, each needs 6 × 9: bring the "+
			"camera nearer", r.Name, d.Places, r.Box.Dx(), r.Box.Dy())
	case d.Decimals < 0 || d.Decimals >= d.Places && d.Decimals > 0:
		return fmt.Errorf("digits %q have %d digits behind the point and %d places", r.Name, d.Decimals, d.Places)
	case d.Decimals > 0 && d.OwnPoint:
		return fmt.Errorf("digits %q have a point that never moves and one that takes a place: keep one of the two",
			r.Name)
	}
	for _, p := range d.Pose {
		if math.IsNaN(p) || math.Abs(p) > 1 {
			return fmt.Errorf("digits %q: what was learnt is damaged: teach them again", r.Name)
		}
	}
	return nil
}

func pattern(name string, b []byte) (v [samples]float32, err error) {
	if len(b) != samples {
		return v, fmt.Errorf("digits %q: what was learnt is damaged (%d samples in place of %d): teach them again",
			name,
			len(b), samples)
	}
	for i, b := range b {
		v[i] = (float32(b) - 128) / 64
	}
	return v, nil
}

func (rd *reader) add(text string, v [samples]float32) {
	g := glyph{text: text, v: v}
	flatten(&g.v)
	g.square = dot(&g.v, &g.v)
	rd.glyphs = append(rd.glyphs, g)
	rd.weak = min(rd.weak, residual(&g.v, &g, 0))
}

// around are the samples within two of those where a point is.
func around(point *[samples]float32) (out []int) {
	most := slices.Max(point[:])
	most = max(most, -slices.Min(point[:]))
	for i := range point {
		near := false
		for j, p := range point {
			near = near || abs(p) > most/2 && max(abs(float32(i%gridW-j%gridW)), abs(float32(i/gridW-j/gridW))) <= 2
		}
		if near {
			out = append(out, i)
		}
	}
	return out
}

// pointed is the correlation of what stands beside a glyph with a point: a spot of glare is broader.
func (rd *reader) pointed(x *[samples]float32, q *place) float64 {
	base, full := &rd.glyphs[q.glyph-rd.plain].v, &rd.glyphs[q.glyph].v
	var a, b, aa, bb, ab float64
	for _, i := range rd.spot {
		u, v := float64(x[i])-q.ink*float64(base[i]), float64(full[i]-base[i])
		a, b, aa, bb, ab = a+u, b+v, aa+u*u, bb+v*v, ab+u*v
	}
	n := float64(len(rd.spot))
	return (ab - a*b/n) / math.Sqrt((aa-a*a/n)*(bb-b*b/n)+1e-9)
}

// likeness is the correlation of two glyphs.
func likeness(a, b *glyph) float64 {
	return dot(&a.v, &b.v) / math.Sqrt(a.square*b.square+1e-12)
}

func dot(a, b *[samples]float32) float64 {
	var s, t, u, w float32
	for i := 0; i < samples; i += 4 {
		s += a[i] * b[i]
		t += a[i+1] * b[i+1]
		u += a[i+2] * b[i+2]
		w += a[i+3] * b[i+3]
	}
	return float64(s + t + u + w)
}

// flatten takes mean and plane from samples and returns the mean: a gradient of light is no ink.
func flatten(v *[samples]float32) float64 {
	const mx, my = (gridW - 1) / 2., (gridH - 1) / 2.
	const sxx, syy = gridH * gridW * (gridW*gridW - 1) / 12., gridW * gridH * (gridH*gridH - 1) / 12.
	var s, sx, sy float32
	for j := range gridH {
		var row float32
		for i := range gridW {
			g := v[j*gridW+i]
			row += g
			sx += g * (float32(i) - mx)
		}
		s += row
		sy += row * (float32(j) - my)
	}
	mean, kx, ky := s/samples, sx/sxx, sy/syy
	for j := range gridH {
		for i := range gridW {
			v[j*gridW+i] -= mean + kx*(float32(i)-mx) + ky*(float32(j)-my)
		}
	}
	return float64(mean)
}

// take averages the region's part of a picture into squares as large as the samples allow.
func (c *crop) take(m *image.YCbCr, r Region) {
	pw, ph := float64(r.Box.Dx())/float64(r.Digits.Places), float64(r.Box.Dy())
	d := max(1, int(min(pw/gridW, ph/gridH)))
	margin := int(0.5*pw) + d
	box := image.Rect(r.Box.Min.X-margin, r.Box.Min.Y-margin, r.Box.Max.X+margin, r.Box.Max.Y+margin)
	box = box.Intersect(image.Rect(0, 0, m.Rect.Dx(), m.Rect.Dy()))
	c.w, c.h, c.d, c.x0, c.y0 = box.Dx()/d, box.Dy()/d, float64(d), box.Min.X, box.Min.Y
	c.v = make([]float32, c.w*c.h)
	for y := range c.h {
		to := c.v[y*c.w:][:c.w]
		for k := range d {
			row := m.Y[(c.y0+y*d+k)*m.YStride+c.x0:][:c.w*d]
			for x := range to {
				var s int
				for _, p := range row[x*d : x*d+d] {
					s += int(p)
				}
				to[x] += float32(s)
			}
		}
		for x := range to {
			to[x] /= float32(d * d)
		}
	}
}

// sample takes one place out of the crop, moved by (mx, my) samples besides.
func (c *crop) sample(r Region, p pose, place int, mx, my float64, to *[samples]float32) {
	pw, ph := float64(r.Box.Dx())/float64(r.Digits.Places), float64(r.Box.Dy())
	cx, cy := float64(r.Box.Min.X+r.Box.Max.X)/2, float64(r.Box.Min.Y+r.Box.Max.Y)/2
	u := float64(r.Box.Min.X) + float64(place)*pw + (0.5+mx)*pw/gridW - cx
	v := float64(r.Box.Min.Y) + (0.5+my)*ph/gridH - cy
	du, dv := pw/gridW, ph/gridH
	// In squares of the crop, whose middles lie at whole numbers.
	x := (cx+(1+p[2])*u+p[3]*v+p[0]*pw-float64(c.x0))/c.d - 0.5
	y := (cy+p[4]*u+(1+p[5])*v+p[1]*ph-float64(c.y0))/c.d - 0.5
	xu, yu := float32((1+p[2])*du/c.d), float32(p[4]*du/c.d)
	xv, yv := p[3]*dv/c.d, (1+p[5])*dv/c.d
	w, h := c.w, c.h
	right, low := float32(w)-1.001, float32(h)-1.001
	for j := range gridH {
		fx, fy := float32(x+float64(j)*xv), float32(y+float64(j)*yv)
		row := to[j*gridW:][:gridW]
		for i := range row {
			px, py := min(max(fx, 0), right), min(max(fy, 0), low)
			ix, iy := int(px), int(py)
			ax, ay := px-float32(ix), py-float32(iy)
			k := iy*w + ix
			a, b := c.v[k:k+2:k+2], c.v[k+w:k+w+2:k+w+2]
			top := a[0] + ax*(a[1]-a[0])
			row[i] = top + ay*(b[0]+ax*(b[1]-b[0])-top)
			fx, fy = fx+xu, fy+yu
		}
	}
}

// goodness is how well the row goes with any glyphs at a pose: the correlation of all places together.
func (rd *reader) goodness(p pose) float64 {
	var x [samples]float32
	var got, all float64
	for k := range rd.Digits.Places {
		rd.crop.sample(rd.Region, p, k, 0, 0, &x)
		flatten(&x)
		all += dot(&x, &x)
		best := 0.0
		for i := range rd.glyphs[:rd.plain] {
			g := &rd.glyphs[i]
			if s := dot(&x, &g.v); s > 0 {
				best = max(best, s*s/g.square)
			}
		}
		got += best
	}
	return got / (all + 1e-9)
}

// seek looks for the pose over all that is allowed.
func (rd *reader) seek() pose {
	var starts []pose
	for _, dx := range [3]float64{-0.2, 0, 0.2} {
		for _, dy := range [3]float64{-0.14, 0, 0.14} {
			for _, tilt := range [3]float64{-0.045, 0, 0.045} {
				p := rd.home
				p[0], p[1], p[4], p[3] = p[0]+dx, p[1]+dy, p[4]+tilt, p[3]-tilt
				starts = append(starts, p)
			}
		}
	}
	value := map[pose]float64{}
	for _, p := range starts {
		value[p] = rd.goodness(p)
	}
	slices.SortFunc(starts, func(a, b pose) int { return cmp.Compare(value[b], value[a]) })
	var best pose
	most := -1.0
	for _, s := range starts[:3] {
		if p, g := climb(s, rd.home, everyWay, 0, 3, rd.goodness); g > most {
			best, most = p, g
		}
	}
	return best
}

// forget drops pictures that wait to be joined.
func (rd *reader) forget() { rd.recent.recent, rd.texts = nil, nil }

// look reads one picture.
func (rd *reader) look(m *image.YCbCr) Seen {
	rd.crop.take(m, rd.Region)
	rd.recent.join, rd.recent.dark = max(1, rd.Join), rd.Digits.Dark
	if rd.crop.v = rd.recent.push(rd.crop.v); rd.crop.v == nil {
		return Seen{State: NotRead, Limit: leastCorrelation, Why: rd.recent.waits()}
	}
	places, ok := rd.places(rd.pose)
	if !ok && rd.misses%4 == 0 { // looking elsewhere takes long, and everywhere longer
		p, _ := climb(rd.pose, rd.home, everyWay, 1, 2, rd.goodness)
		if places, ok = rd.places(p); !ok && rd.misses%16 == 0 {
			if near, good := rd.places(rd.seek()); good {
				places, ok = near, good
			}
		}
	}
	if rd.misses++; ok {
		rd.misses = 0
	}
	s := rd.tell(places, ok)
	return rd.settled(s, places, ok, rd.recent.join)
}

// place is what stands at one place.
type place struct {
	glyph, rival        int // −1: blank
	correlation, margin float64
	ink                 float64 // grey levels
	peak                float64 // of any square of samples, grey levels
	mean                float64
	mx, my              float64 // samples beside the pose of the row
	why                 string
}

// places reads every place at a pose, which is kept where all of them are read.
func (rd *reader) places(p pose) ([]place, bool) {
	out := make([]place, rd.Digits.Places)
	row := 0.0
	for k := range out {
		out[k] = rd.place(p, k)
		if out[k].correlation >= leastCorrelation {
			row = max(row, out[k].ink)
		}
	}
	if row < leastContrast*rd.Digits.Contrast || row < leastGrey {
		for k := range out {
			out[k].why = "nothing is shown there, or too faintly"
		}
		return out, false
	}
	var grounds []float64
	for k := range out {
		q := &out[k]
		if q.peak < blankShare*rd.weak*row {
			q.glyph, q.why = -1, ""
			continue
		}
		if q.why == "" && (q.ink < leastInk*row || q.ink > mostInk*row) {
			q.why = fmt.Sprintf("%q is lit %.0f %% as brightly as the brightest", rd.glyphs[q.glyph].text,
				100*q.ink/row)
		}
		grounds = append(grounds, rd.ground(p, k, q.mx, q.my))
	}
	ground := quantile(grounds, 0.5)
	ok := true
	for k := range out {
		if q := &out[k]; q.glyph < 0 && math.Abs(q.mean-ground) > groundShare*row {
			q.why = "nothing is seen there, and the ground is not that of the other places: glare, or something " +
				"in front"
		}
		ok = ok && out[k].why == ""
	}
	if ok {
		rd.pose = p
	}
	return out, ok
}

// place reads one place: at the pose of the row, and where that does not do up to a sample beside it.
func (rd *reader) place(p pose, k int) place {
	best := rd.compare(p, k, 0, 0)
	if best.why == "" {
		return best
	}
	var x, y float64
	for _, step := range [2]float64{0.6, 0.3} {
		for _, d := range [4][2]float64{{1, 0}, {-1, 0}, {0, 1}, {0, -1}} {
			if q := rd.compare(p, k, x+step*d[0], y+step*d[1]); q.correlation > best.correlation {
				best, x, y = q, x+step*d[0], y+step*d[1]
			}
		}
	}
	return best
}

// compare takes the glyph that correlates best, and says why it is not good enough.
func (rd *reader) compare(p pose, k int, mx, my float64) place {
	var x [samples]float32
	rd.crop.sample(rd.Region, p, k, mx, my, &x)
	q := place{mean: flatten(&x), mx: mx, my: my}
	square := dot(&x, &x)
	var n [4 * maxPlaces]float64
	scores := n[:0]
	for i := range rd.glyphs {
		g := &rd.glyphs[i]
		s := dot(&x, &g.v) / math.Sqrt(g.square*square+1e-9)
		if scores = append(scores, s); s > scores[q.glyph] {
			q.glyph = i
		}
	}
	g := &rd.glyphs[q.glyph]
	q.correlation = scores[q.glyph]
	q.ink = q.correlation * math.Sqrt(square/g.square)
	q.margin, q.rival = 1, q.glyph
	for i, s := range scores {
		if m := (q.correlation - s) / (1 - rd.like[q.glyph][i]); i != q.glyph && m < q.margin {
			q.margin, q.rival = m, i
		}
	}
	q.peak = q.ink
	if q.correlation < leastCorrelation {
		q.peak = residual(&x, g, 0)
	}
	switch {
	case q.correlation < leastCorrelation:
		q.why = fmt.Sprintf("nothing that was taught is like it: %q correlates best, by %.2f (limit %.2f)", g.text,
			q.correlation, leastCorrelation)
	case q.margin < leastMargin:
		q.why = fmt.Sprintf("between %q and %q: margin %.2f (limit %.2f)", g.text, rd.glyphs[q.rival].text, q.margin,
			leastMargin)
	default:
		if r := residual(&x, g, q.ink) / q.ink; r > mostResidual {
			q.why = fmt.Sprintf("%q with a part that does not belong to it, %.2f of the ink (limit %.2f)", g.text, r,
				mostResidual)
		} else if q.glyph >= rd.plain && rd.pointed(&x, &q) < leastPoint {
			q.why = fmt.Sprintf("%q with something beside it that is not quite a point", g.text)
		}
	}
	return q
}

// ground is the level that a fifth of a place's samples lie below, above for dark ink.
func (rd *reader) ground(p pose, k int, mx, my float64) float64 {
	var x [samples]float32
	rd.crop.sample(rd.Region, p, k, mx, my, &x)
	if rd.Digits.Dark {
		return float64(quantile(x[:], 0.8))
	}
	return float64(quantile(x[:], 0.2))
}

// residual is the largest mean deviation from a glyph in this ink, in any square of 3 × 3 samples, in grey levels.
func residual(x *[samples]float32, g *glyph, ink float64) float64 {
	var worst float32
	for j := 0; j+3 <= gridH; j++ {
		for i := 0; i+3 <= gridW; i++ {
			var s float32
			for _, k := range [3]int{j * gridW, (j + 1) * gridW, (j + 2) * gridW} {
				for l := k + i; l < k+i+3; l++ {
					s += x[l] - float32(ink)*g.v[l]
				}
			}
			worst = max(worst, s, -s)
		}
	}
	return float64(worst) / 9
}

// tell puts places together to a text and a value.
func (rd *reader) tell(places []place, ok bool) Seen {
	s := Seen{State: Same, Confidence: 1, Statistic: 1, Limit: leastCorrelation}
	var text strings.Builder
	for k, q := range places {
		if q.why != "" {
			return Seen{State: NotRead, Statistic: q.correlation, Limit: leastCorrelation,
				Why: fmt.Sprintf("place %d from the left: %s", k+1, q.why)}
		}
		if rd.Digits.Decimals > 0 && k == len(places)-rd.Digits.Decimals {
			text.WriteByte('.')
		}
		if q.glyph < 0 {
			text.WriteByte(' ')
			continue
		}
		text.WriteString(rd.glyphs[q.glyph].text)
		s.Statistic = min(s.Statistic, q.correlation)
		if q.margin <= s.Confidence {
			s.Confidence = q.margin
			s.Why = fmt.Sprintf("least margin %.2f, at place %d from the left, of %q against %q; least correlation",
				q.margin,
				k+1, rd.glyphs[q.glyph].text, rd.glyphs[q.rival].text)
		}
	}
	s.Why += fmt.Sprintf(" %.2f", s.Statistic)
	s.Text = strings.TrimSpace(text.String())
	if strings.ContainsAny(s.Text, "0123456789") && strings.Trim(s.Text, "0123456789+-−. ") == "" {
		number := strings.TrimSuffix(strings.Replace(s.Text, "−", "-", 1), ".")
		v, err := strconv.ParseFloat(number, 64)
		if err != nil || places[len(places)-1].glyph < 0 && !rd.Digits.Left || !rd.Digits.Bare &&
			strings.HasPrefix(strings.TrimLeft(number, "+-"), ".") {
			return Seen{State: NotRead, Statistic: s.Statistic, Limit: leastCorrelation,
				Why: fmt.Sprintf("%q would be read, which is no number as the lessons have them", s.Text)}
		}
		s.Value, s.HasValue = v, true
	}
	return s
}

// settled holds a joined reading back until every place shows the same in as many pictures in a row as are joined: a
// join over a change shows both digits, one over the other, for one picture less.
func (rd *reader) settled(s Seen, places []place, ok bool, join int) Seen {
	if join == 1 {
		return s
	}
	now := make([]string, len(places))
	for k, q := range places {
		switch {
		case q.why != "":
			now[k] = "?"
		case q.glyph >= 0:
			now[k] = rd.glyphs[q.glyph].text
		}
	}
	rd.texts = append(rd.texts[max(0, len(rd.texts)-join+1):], now)
	if !ok {
		return s
	}
	for k := range now {
		for _, before := range rd.texts {
			if len(rd.texts) < join || before[k] != now[k] {
				return Seen{State: NotRead, Statistic: s.Statistic, Limit: s.Limit,
					Why: fmt.Sprintf("place %d from the left has to show the same in %d pictures in a row", k+1, join)}
			}
		}
	}
	return s
}
