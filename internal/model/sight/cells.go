package sight

import (
	"errors"
	"fmt"
	"image"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

const (
	cell       = 4   // pixels on either side of a cell
	leastLearn = 25  // pictures of a baseline
	maxLearn   = 250 // the most that noise is learnt from, fewer where regions are large:
	keptValues = 1 << 24

	falseAlarm  = 1e-8 // chance of a region's false alarm in a picture, were the noise Gaussian
	priorWeight = 15   // pictures that the region's mean variance counts as beside a cell's own
	leastSD     = 0.6  // grey levels: what rounding in a JPEG may add as the light drifts, which no baseline shows
	unsteady    = 0.05 // pixels by which the movement of the picture is not known

	outsideZ     = 8.0  // standard deviations from which a cell outside of all regions has changed, and
	outsideGrey  = 6.0  // grey levels that it has to change besides
	hiddenShare  = 0.10 // of the picture outside of all regions: something stands in front
	ringShare    = 0.25 // of a region's own surroundings
	knock        = 1.0  // pixels that the picture may move; half where a quarter of hiddenShare changed
	leastGain    = 0.5
	mostGain     = 2.0
	black        = 4.0  // mean grey level of a picture that shows nothing
	repeatShare  = 0.05 // of the least difference of two pictures in the baseline
	mostOutside  = 5000 // cells that light and movement are judged by
	leastOutside = 100
)

// cells are the mean luminances of squares of 4 × 4 pixels.
type cells struct {
	w, h int
	v    []float32
}

func (c *cells) take(m *image.YCbCr) {
	c.w, c.h = m.Rect.Dx()/cell, m.Rect.Dy()/cell
	if len(c.v) != c.w*c.h {
		c.v = make([]float32, c.w*c.h)
	}
	for y := range c.h {
		to := c.v[y*c.w:][:c.w]
		clear(to)
		for k := range cell {
			row := m.Y[(cell*y+k)*m.YStride:][:cell*c.w]
			for x := range to {
				p := row[cell*x : cell*x+4 : cell*x+4]
				to[x] += float32(int(p[0])+int(p[1])+int(p[2])+int(p[3])) / (cell * cell)
			}
		}
	}
}

func (c *cells) mean() float64 {
	var sum float64
	for _, v := range c.v {
		sum += float64(v)
	}
	return sum / float64(len(c.v))
}

// apart is the mean square between some cells of two pictures; infinite where they cannot be compared. A display that
// shows little differs less from picture to picture than one that shows much: only what lies outside tells.
func (c *cells) apart(o cells, at []int32) float64 {
	if len(c.v) != len(o.v) {
		return math.Inf(1)
	}
	var sum float32
	for _, i := range at {
		sum += (c.v[i] - o.v[i]) * (c.v[i] - o.v[i])
	}
	return float64(sum) / float64(len(at))
}

// area is a set of cells: what they were in the baseline, joined over the pictures of a multiplexed display.
type area struct {
	at       []int32
	series   [][]float32 // of the baseline, in the light of its first picture
	recent   joiner
	mean, sd []float32
	gx, gy   []float32 // grey levels for a picture that moved by one pixel
	limit    float64
}

// of takes the area's cells out of a picture.
func (a *area) of(c cells) []float32 {
	v := make([]float32, len(a.at))
	for k, i := range a.at {
		v[k] = c.v[i]
	}
	return v
}

func (a *area) learn(c cells, l light) {
	now := a.of(c)
	a.recent.push(now)
	for k, v := range now {
		now[k] = float32((float64(v) - l.offset) / l.gain)
	}
	a.series = append(a.series, now)
}

// settle works out means, noise and gradients. A cell's variance is drawn towards that of the area as far as few
// pictures ask for it; the limit is Student's t for the largest of so many cells.
func (a *area) settle(b *baseline, join int) {
	if len(a.at) == 0 {
		return
	}
	a.recent.dark = darkInk(a.series)
	if a.recent.join = join; join == 0 {
		a.recent.join = joinOf(a.series, a.recent.dark)
	}
	mean, variance := spreadOf(a.series, a.recent.join, a.recent.dark)
	n := float64(len(a.series)-a.recent.join+1) / float64(a.recent.join) // runs of joined pictures overlap
	pooled := average(variance)
	a.mean, a.sd, a.gx, a.gy = mean, make([]float32, len(mean)), make([]float32, len(mean)), make([]float32, len(mean))
	for k, i := range a.at {
		v := (n*float64(variance[k]) + priorWeight*pooled) / (n - 1 + priorWeight)
		a.sd[k] = float32(math.Max(leastSD, math.Sqrt(v*(1+1/n))))
		a.gx[k], a.gy[k] = b.slope(int(i)%(b.w/cell)*cell, int(i)/(b.w/cell)*cell)
	}
	a.limit = distuv.StudentsT{Sigma: 1, Nu: n - 1 + priorWeight}.Quantile(1 - falseAlarm/2/float64(len(a.at)))
}

// look compares with the baseline: the statistic is the largest deviation of a cell in its standard deviations.
func (a *area) look(v view) Seen {
	s := Seen{State: Same, Limit: a.limit}
	now := a.recent.push(a.of(v.c))
	if now == nil {
		s.State, s.Why = CannotSee, a.recent.waits()
		return s
	}
	n := 0
	for k, g := range now {
		z := v.off(g, a, k) / float64(a.sd[k])
		s.Statistic = max(s.Statistic, z)
		if z > a.limit {
			n++
		}
	}
	if n > 0 {
		s.State = Changed
		s.Why = fmt.Sprintf("%d of %d cells deviate, at most by %.1f standard deviations of the baseline (limit "+
			"%.1f)", n, len(a.at), s.Statistic, a.limit)
	}
	return s
}

// baseline is what the whole picture looked like without RF.
type baseline struct {
	w, h, n, repeated int
	most              int // pictures that noise is learnt from
	settled           bool
	dark              bool     // black pictures
	pixels            []uint32 // sums
	outside           area     // cells of no region
	nearest           float64  // least mean square between two pictures
	last              light
}

// light is how a picture differs from the baseline as a whole: grey level = gain·m + offset, moved by x and y pixels.
type light struct{ gain, offset, x, y float64 }

// lay parts the first picture into cells of regions, their surroundings, and the rest.
func (b *baseline) lay(m *image.YCbCr, watches []*watch) {
	b.w, b.h = m.Rect.Dx(), m.Rect.Dy()
	b.nearest, b.last = math.Inf(1), light{gain: 1}
	b.pixels = make([]uint32, b.w*b.h)
	cw, ch := b.w/cell, b.h/cell
	var outside []int32
	for i := range cw * ch {
		r := image.Rect(0, 0, cell, cell).Add(image.Pt(i%cw*cell, i/cw*cell))
		open := true
		for _, w := range watches {
			open = open && !r.Overlaps(w.Box.Inset(-cell))
		}
		if open {
			outside = append(outside, int32(i))
		}
		for _, w := range watches {
			if r.In(w.Box) && (w.Kind == Change || w.Kind == Reference) {
				w.area.at = append(w.area.at, int32(i))
			} else if open && r.Overlaps(w.Box.Inset(-4*cell)) {
				w.ring.at = append(w.ring.at, int32(i))
			}
		}
	}
	all := 0
	for _, w := range watches {
		all += len(w.area.at) + len(w.ring.at)
	}
	b.most = min(max(keptValues/(all+mostOutside), leastLearn), maxLearn)
	step := len(outside)/mostOutside + 1
	for i := 0; i < len(outside); i += step {
		b.outside.at = append(b.outside.at, outside[i])
	}
}

// learn takes a picture and returns its light against the first.
func (b *baseline) learn(m *image.YCbCr, c, before cells) light {
	b.settled = false
	b.n++
	b.nearest = min(b.nearest, c.apart(before, b.outside.at))
	b.dark = c.mean() < black
	if b.n > 1 {
		b.last = fit(b.outside.of(c), b.outside.series[0], nil, nil, b.last)
	}
	b.outside.learn(c, b.last)
	for y := range b.h {
		to := b.pixels[y*b.w:][:b.w]
		for x, v := range m.Y[y*m.YStride:][:b.w] {
			to[x] += uint32(v)
		}
	}
	return b.last
}

// enough says what a baseline lacks.
func (b *baseline) enough() error {
	switch {
	case b.n > 0 && len(b.outside.at) < leastOutside:
		return errors.New("the regions fill the picture: what lies around them is needed to tell a knock, a hand " +
			"and the light from the product; draw them smaller or take the camera back")
	case b.repeated > 5 && b.repeated > b.n:
		return errors.New("the camera delivers the same picture again and again: that it froze could not be told " +
			"from a product that is well")
	case b.n < leastLearn:
		return fmt.Errorf("%d of %d pictures without RF are learnt", b.n, leastLearn)
	case b.dark:
		return errors.New("the pictures are black: take the cap off, or give light")
	}
	return nil
}

// settle works everything out once the baseline is whole.
func (b *baseline) settle(watches []*watch) {
	if b.settled {
		return
	}
	b.settled = true
	b.outside.settle(b, 1)
	for _, w := range watches {
		w.ring.settle(b, 1)
		w.area.settle(b, w.Join)
	}
}

// slope is what a cell's mean changes by when the picture moves by one pixel to the right, or down.
func (b *baseline) slope(x0, y0 int) (gx, gy float32) {
	at := func(x, y int) float64 {
		return float64(b.pixels[min(max(y, 0), b.h-1)*b.w+min(max(x, 0), b.w-1)])
	}
	var dx, dy float64
	for k := range cell {
		dx += at(x0-1, y0+k) + at(x0, y0+k) - at(x0+cell-1, y0+k) - at(x0+cell, y0+k)
		dy += at(x0+k, y0-1) + at(x0+k, y0) - at(x0+k, y0+cell-1) - at(x0+k, y0+cell)
	}
	scale := 2 * cell * cell * float64(b.n)
	return float32(dx / scale), float32(dy / scale)
}

// fit finds gain, offset and movement by least squares over cells of no region, leaving out those that do not go with
// the others (three times the median deviation). What the picture does not determine stays at a plain gain and no
// movement. Without gradients no movement is looked for.
func fit(c, m, gx, gy []float32, from light) light {
	p := [4]float64{from.gain - 1, from.offset, from.x, from.y}
	size := 4
	if gx == nil {
		size, p[2], p[3] = 2, 0, 0
		gx, gy = make([]float32, len(m)), make([]float32, len(m))
	}
	residuals := make([]float32, len(m))
	for _, reach := range [4]float32{3, 1.5, 0.7, 0.3} { // pixels that the picture may still lie off the fit
		var count [257]int
		q := [4]float32{float32(p[0]), float32(p[1]), float32(p[2]), float32(p[3])}
		for k, v := range c {
			residuals[k] = abs(v - m[k] - q[0]*m[k] - q[1] - q[2]*gx[k] - q[3]*gy[k])
			count[int(min(4*residuals[k], 256))]++
		}
		median, below := 0, count[0]
		for below < len(m)/2 && median < 256 {
			median++
			below += count[median]
		}
		cut := float32(max(2, 3*0.25*float64(median+1)))
		var a [4][5]float64
		used := 0.0
		for k, v := range c {
			if residuals[k] > cut+reach*(abs(gx[k])+abs(gy[k])) {
				continue
			}
			used++
			row := [5]float64{float64(m[k]), 1, float64(gx[k]), float64(gy[k]), float64(v - m[k])}
			for r := range size {
				for s := r; s < 5; s++ {
					a[r][s] += row[r] * row[s]
				}
			}
		}
		for r := range size {
			for s := range r {
				a[r][s] = a[s][r]
			}
			a[r][r] += 0.02*used + 1e-9
		}
		p = solve(a, size)
	}
	return light{1 + p[0], p[1], p[2], p[3]}
}

func abs(v float32) float32 { return max(v, -v) }

// solve eliminates a symmetric positive system; column 4 is the right side.
func solve(a [4][5]float64, n int) (x [4]float64) {
	for i := range n {
		for j := i + 1; j < n; j++ {
			f := a[j][i] / a[i][i]
			for k := i; k < 5; k++ {
				a[j][k] -= f * a[i][k]
			}
		}
	}
	for i := n - 1; i >= 0; i-- {
		x[i] = a[i][4]
		for k := i + 1; k < n; k++ {
			x[i] -= a[i][k] * x[k]
		}
		x[i] /= a[i][i]
	}
	return x
}

// view is one picture against the baseline.
type view struct {
	c     cells
	light light
	blind string // why nothing can be seen in it
}

const movedBy = "the camera or the product was moved, by about %.1f pixels or more: put it back, or learn again"

// view judges a picture as a whole.
func (b *baseline) view(c cells) view {
	o := &b.outside
	v := view{c: c, light: fit(o.of(c), o.mean, o.gx, o.gy, b.last)}
	moved, share := math.Hypot(v.light.x, v.light.y), v.changed(o)
	switch {
	case c.mean() < black:
		v.blind = "the picture is black"
	case moved > knock || moved > knock/2 && share > hiddenShare/4:
		v.blind = fmt.Sprintf(movedBy, moved)
	case share > hiddenShare:
		if by, ok := v.search(o); ok {
			v.blind = fmt.Sprintf(movedBy, by)
			break
		}
		v.blind = fmt.Sprintf("%.0f %% of the picture outside of all regions changed: something stands in front, "+
			"or the camera is disturbed", 100*share)
	case v.light.gain < leastGain || v.light.gain > mostGain:
		v.blind = fmt.Sprintf("the light is %.2f times that of the baseline: learn again in this light", v.light.gain)
	}
	b.last = light{gain: 1}
	if v.blind == "" {
		b.last = v.light
	}
	return v
}

// off is how far a cell lies outside of all that the baseline lets expect, in grey levels: its mean in the light of
// the baseline (what shines by itself) or of now (what is lit), with the movement of the whole picture.
func (v *view) off(g float32, a *area, k int) float64 {
	m := float64(a.mean[k])
	lit := m*v.light.gain + v.light.offset
	moved := v.light.x*float64(a.gx[k]) + v.light.y*float64(a.gy[k])
	slack := 0.5*math.Abs(moved) + unsteady*float64(abs(a.gx[k])+abs(a.gy[k]))
	low, high := min(m, lit)+min(moved, 0)-slack, max(m, lit)+max(moved, 0)+slack
	return max(low-float64(g), float64(g)-high, 0)
}

// changed is the share of cells that changed.
func (v *view) changed(a *area) float64 {
	n := 0
	for k, i := range a.at {
		if d := v.off(v.c.v[i], a, k); d > outsideGrey && d > outsideZ*float64(a.sd[k]) {
			n++
		}
	}
	return float64(n) / float64(max(1, len(a.at)))
}

// search looks for a larger movement by which the picture goes with the baseline, in pixels.
func (v *view) search(o *area) (by float64, ok bool) {
	const reach = 10
	step := max(1, len(o.at)/600)
	sum := func(dx, dy int) float64 {
		var s float64
		n := 0
		for k := 0; k < len(o.at); k += step {
			x, y := int(o.at[k])%v.c.w+dx, int(o.at[k])/v.c.w+dy
			if x >= 0 && y >= 0 && x < v.c.w && y < v.c.h {
				s += math.Abs(float64(v.c.v[y*v.c.w+x]) - float64(o.mean[k])*v.light.gain - v.light.offset)
				n++
			}
		}
		return s / float64(max(1, n))
	}
	still := sum(0, 0)
	best := still
	for dy := -reach; dy <= reach; dy++ {
		for dx := -reach; dx <= reach; dx++ {
			if s := sum(dx, dy); s < best {
				best, by = s, cell*math.Hypot(float64(dx), float64(dy))
			}
		}
	}
	return by, best < 0.6*still
}
