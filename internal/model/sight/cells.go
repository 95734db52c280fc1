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
	maxLearn   = 250 // the most that are taken

	falseAlarm  = 1e-8 // chance of a region's false alarm in a picture, were the noise Gaussian
	priorWeight = 15   // pictures that the region's mean variance counts as beside a cell's own
	leastSD     = 0.35 // grey levels: what rounding leaves of a cell's noise

	outsideZ     = 8.0  // standard deviations from which a cell outside of all regions has changed, and
	outsideGrey  = 6.0  // grey levels that it has to change besides
	hiddenShare  = 0.10 // of the picture outside of all regions: something stands in front
	ringShare    = 0.25 // of a region's own surroundings
	knock        = 1.5  // pixels that the picture may move
	unsteady     = 0.05 // pixels by which its movement is not known
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
		r0 := m.Y[(4*y)*m.YStride:][:4*c.w]
		r1 := m.Y[(4*y+1)*m.YStride:][:4*c.w]
		r2 := m.Y[(4*y+2)*m.YStride:][:4*c.w]
		r3 := m.Y[(4*y+3)*m.YStride:][:4*c.w]
		to := c.v[y*c.w:][:c.w]
		for x := range to {
			i := 4 * x
			a, b, d, e := r0[i:i+4:i+4], r1[i:i+4:i+4], r2[i:i+4:i+4], r3[i:i+4:i+4]
			sum := int(a[0]) + int(a[1]) + int(a[2]) + int(a[3]) + int(b[0]) + int(b[1]) + int(b[2]) + int(b[3]) +
				int(d[0]) + int(d[1]) + int(d[2]) + int(d[3]) + int(e[0]) + int(e[1]) + int(e[2]) + int(e[3])
			to[x] = float32(sum) / 16
		}
	}
}

// apart is the mean square between two pictures' cells; infinite where they cannot be compared.
func (c cells) apart(o cells) float64 {
	if len(c.v) != len(o.v) {
		return math.Inf(1)
	}
	var sum float32
	for i, v := range c.v {
		d := v - o.v[i]
		sum += d * d
	}
	return float64(sum) / float64(len(c.v))
}

// baseline is what the whole picture looked like without RF.
type baseline struct {
	w, h, n, repeated int
	settled           bool
	first             []float32 // cells of the first picture; later ones are brought to its light
	sum, squares      []float64
	pixels            []uint32
	outside           []int32 // cells of no region
	nearest           float64 // least mean square between two pictures
	last              light
	mean, sd, gx, gy  []float32 // of cells; g in grey levels for a picture that moved by one pixel
}

// light is how a picture differs from the baseline as a whole: grey level = gain·m + offset, moved by x and y pixels.
type light struct{ gain, offset, x, y float64 }

func (b *baseline) sized(m *image.YCbCr) error {
	if b.n > 0 && (m.Rect.Dx() != b.w || m.Rect.Dy() != b.h) {
		return fmt.Errorf("the picture is %d × %d pixels and was %d × %d in the baseline: set the camera back, or learn "+
			"again", m.Rect.Dx(), m.Rect.Dy(), b.w, b.h)
	}
	return nil
}

// lay parts the first picture into cells of regions, their surroundings, and the rest.
func (b *baseline) lay(m *image.YCbCr, watches []*watch) {
	b.w, b.h = m.Rect.Dx(), m.Rect.Dy()
	b.nearest, b.last = math.Inf(1), light{gain: 1}
	cw, ch := b.w/cell, b.h/cell
	b.sum, b.squares = make([]float64, cw*ch), make([]float64, cw*ch)
	b.pixels = make([]uint32, b.w*b.h)
	free := func(r image.Rectangle) bool {
		for _, w := range watches {
			if r.Overlaps(w.Box.Inset(-cell)) {
				return false
			}
		}
		return true
	}
	b.outside = nil
	for i := range cw * ch {
		r := image.Rect(0, 0, cell, cell).Add(image.Pt(i%cw*cell, i/cw*cell))
		open := free(r)
		if open {
			b.outside = append(b.outside, int32(i))
		}
		for _, w := range watches {
			if r.In(w.Box) {
				w.area.at = append(w.area.at, int32(i))
			} else if open && r.Overlaps(w.Box.Inset(-4*cell)) {
				w.area.ring = append(w.area.ring, int32(i))
			}
		}
	}
	if step := (len(b.outside) + mostOutside - 1) / mostOutside; step > 1 {
		kept := b.outside[:0]
		for i := 0; i < len(b.outside); i += step {
			kept = append(kept, b.outside[i])
		}
		b.outside = kept
	}
}

// learn takes a picture and returns its light against the first.
func (b *baseline) learn(m *image.YCbCr, c, before cells, repeated bool) light {
	if repeated {
		b.repeated++
		return b.last
	}
	if b.n == 0 {
		b.first = append([]float32(nil), c.v...)
	}
	b.settled = false
	b.n++
	b.nearest = min(b.nearest, c.apart(before))
	b.last = fit(c.v, b.first, nil, nil, b.outside, b.last)
	for i, v := range c.v {
		v := (float64(v) - b.last.offset) / b.last.gain
		b.sum[i] += v
		b.squares[i] += v * v
	}
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
	var mean float64
	for _, v := range b.first {
		mean += float64(v) / float64(len(b.first))
	}
	switch {
	case b.n > 0 && len(b.outside) < leastOutside:
		return errors.New("the regions fill the picture: what lies around them is needed to tell a knock, a hand and the " +
			"light from the product; draw them smaller or take the camera back")
	case b.repeated > 5 && b.repeated > b.n:
		return errors.New("the camera delivers the same picture again and again: that it froze could not be told from a " +
			"product that is well")
	case b.n < leastLearn:
		return fmt.Errorf("%d of %d pictures without RF are learnt", b.n, leastLearn)
	case mean < black:
		return errors.New("the pictures are black: take the cap off, or give light")
	}
	return nil
}

// settle works out means, noise and gradients once the baseline is whole.
func (b *baseline) settle(watches []*watch) {
	if b.settled {
		return
	}
	b.settled = true
	n := float64(b.n)
	b.mean, b.sd = make([]float32, len(b.sum)), make([]float32, len(b.sum))
	b.gx, b.gy = make([]float32, len(b.sum)), make([]float32, len(b.sum))
	var pooled float64
	variance := make([]float64, len(b.sum))
	for i := range b.sum {
		m := b.sum[i] / n
		b.mean[i] = float32(m)
		variance[i] = max(0, b.squares[i]/n-m*m) * n / (n - 1)
		pooled += variance[i] / float64(len(b.sum))
	}
	cw := b.w / cell
	for i := range b.sum {
		b.sd[i] = float32(shrunk(variance[i], pooled, n))
		b.gx[i], b.gy[i] = b.slope(i%cw*cell, i/cw*cell)
	}
	for _, w := range watches {
		w.area.settle(w.Join)
	}
}

// shrunk is a cell's standard deviation, drawn towards that of its neighbours as far as few pictures ask for it.
func shrunk(variance, pooled, n float64) float64 {
	v := ((n-1)*variance + priorWeight*pooled) / (n - 1 + priorWeight)
	return math.Max(leastSD, math.Sqrt(v*(1+1/n)))
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
// movement.
func fit(c, m, gx, gy []float32, at []int32, from light) light {
	p := [4]float64{from.gain - 1, from.offset, from.x, from.y}
	if gx == nil {
		p[2], p[3] = 0, 0
	}
	size := 2
	if gx != nil {
		size = 4
	}
	residuals := make([]float32, len(at))
	for _, reach := range [4]float32{3, 1.5, 0.7, 0.3} { // pixels that a picture may still lie off the fit
		var count [257]int
		q := [4]float32{float32(p[0]), float32(p[1]), float32(p[2]), float32(p[3])}
		for k, i := range at {
			r := c[i] - m[i] - q[0]*m[i] - q[1]
			if gx != nil {
				r -= q[2]*gx[i] + q[3]*gy[i]
			}
			residuals[k] = abs(r)
			count[int(min(4*residuals[k], 256))]++
		}
		median, below := 0, 0
		for below += count[0]; below < len(at)/2 && median < 256; below += count[median] {
			median++
		}
		cut := float32(max(2, 3*0.25*float64(median+1)))
		var a [4][5]float64
		used := 0.0
		for k, i := range at {
			if gx != nil && residuals[k] <= cut+reach*(abs(gx[i])+abs(gy[i])) || residuals[k] <= cut {
				used++
			} else {
				continue
			}
			row := [5]float64{float64(m[i]), 1, 0, 0, float64(c[i] - m[i])}
			if gx != nil {
				row[2], row[3] = float64(gx[i]), float64(gy[i])
			}
			for r := range size {
				for s := r; s < size; s++ {
					a[r][s] += row[r] * row[s]
				}
				a[r][4] += row[r] * row[4]
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
	b     *baseline
	c     cells
	light light
	blind string // why nothing can be seen in it
}

// view judges a picture as a whole.
func (b *baseline) view(c cells) view {
	v := view{b: b, c: c, light: fit(c.v, b.mean, b.gx, b.gy, b.outside, b.last)}
	var mean float64
	for _, g := range c.v {
		mean += float64(g) / float64(len(c.v))
	}
	moved := math.Hypot(v.light.x, v.light.y)
	share := v.changed(b.outside)
	switch {
	case mean < black:
		v.blind = "the picture is black"
	case share > hiddenShare:
		if x, y, ok := v.search(); ok {
			v.blind = fmt.Sprintf("the camera or the product was moved, by about %d pixels: put it back, or learn again",
				int(math.Round(math.Hypot(float64(x), float64(y)))))
			break
		}
		v.blind = fmt.Sprintf("%.0f %% of the picture outside of all regions changed: something stands in front, or the "+
			"camera is disturbed", 100*share)
	case moved > knock:
		v.blind = fmt.Sprintf("the camera or the product was moved, by about %.1f pixels: put it back, or learn again", moved)
	case v.light.gain < leastGain || v.light.gain > mostGain:
		v.blind = fmt.Sprintf("the light is %.2f times that of the baseline: learn again in this light", v.light.gain)
	}
	b.last = light{gain: 1}
	if v.blind == "" {
		b.last = v.light
	}
	return v
}

// off is how far a cell lies outside of all that the baseline lets expect, in grey levels: its mean in the light of the
// baseline (what shines by itself) or of now (what is lit), with the movement of the whole picture.
func (v *view) off(g, m, gx, gy float32) float64 {
	lit := float64(m)*v.light.gain + v.light.offset
	moved := v.light.x*float64(gx) + v.light.y*float64(gy)
	low, high := min(float64(m), lit), max(float64(m), lit)
	slack := 0.5*math.Abs(moved) + unsteady*float64(abs(gx)+abs(gy))
	low, high = low+min(moved, 0)-slack, high+max(moved, 0)+slack
	return max(low-float64(g), float64(g)-high, 0)
}

// changed is the share of cells that changed.
func (v *view) changed(at []int32) float64 {
	n := 0
	for _, i := range at {
		d := v.off(v.c.v[i], v.b.mean[i], v.b.gx[i], v.b.gy[i])
		if d > outsideGrey && d > outsideZ*float64(v.b.sd[i]) {
			n++
		}
	}
	return float64(n) / float64(max(1, len(at)))
}

// hidden says why a region alone cannot be seen.
func (v *view) hidden(ring []int32) string {
	if share := v.changed(ring); share > ringShare {
		return fmt.Sprintf("%.0f %% of what lies around the region changed: something stands in front of it", 100*share)
	}
	return ""
}

// search looks for a larger movement by which the picture goes with the baseline, in pixels.
func (v *view) search() (x, y int, ok bool) {
	const reach = 10
	step := max(1, len(v.b.outside)/600)
	sum := func(dx, dy int) float64 {
		var s float64
		n := 0
		for k := 0; k < len(v.b.outside); k += step {
			i := int(v.b.outside[k])
			cx, cy := i%v.c.w+dx, i/v.c.w+dy
			if cx < 0 || cy < 0 || cx >= v.c.w || cy >= v.c.h {
				continue
			}
			s += math.Abs(float64(v.c.v[cy*v.c.w+cx]) - float64(v.b.mean[i])*v.light.gain - v.light.offset)
			n++
		}
		return s / float64(max(1, n))
	}
	still := sum(0, 0)
	best := still
	for dy := -reach; dy <= reach; dy++ {
		for dx := -reach; dx <= reach; dx++ {
			if s := sum(dx, dy); s < best {
				best, x, y = s, dx*cell, dy*cell
			}
		}
	}
	return x, y, best < 0.6*still
}

// area is a region of change: its cells in the baseline, joined over the pictures of a multiplexed display.
type area struct {
	at, ring []int32
	series   [][]float32 // of the baseline, in the light of its first picture
	recent   [][]float32
	join     int
	dark     bool
	mean, sd []float32
	limit    float64
}

func (a *area) learn(c cells, l light) {
	v, now := make([]float32, len(a.at)), make([]float32, len(a.at))
	for k, i := range a.at {
		now[k] = c.v[i]
		v[k] = float32((float64(c.v[i]) - l.offset) / l.gain)
	}
	a.series = append(a.series, v)
	a.recent = append(a.recent[max(0, len(a.recent)-maxJoin+1):], now)
}

func (a *area) settle(join int) {
	if len(a.series) == 0 {
		return
	}
	a.dark = darkInk(a.series)
	if a.join = join; join == 0 {
		a.join = joinOf(a.series, a.dark)
	}
	windows := len(a.series) - a.join + 1
	n := float64(windows) / float64(a.join) // windows overlap
	a.mean, a.sd = make([]float32, len(a.at)), make([]float32, len(a.at))
	variance := make([]float64, len(a.at))
	var pooled float64
	for k := range a.at {
		var sum, squares float64
		for t := range windows {
			v := float64(joined(a.series[t:t+a.join], k, a.dark))
			sum, squares = sum+v, squares+v*v
		}
		m := sum / float64(windows)
		a.mean[k] = float32(m)
		variance[k] = max(0, squares/float64(windows)-m*m) * n / max(1, n-1)
		pooled += variance[k] / float64(len(a.at))
	}
	for k := range a.at {
		a.sd[k] = float32(shrunk(variance[k], pooled, n))
	}
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: n - 1 + priorWeight}
	a.limit = t.Quantile(1 - falseAlarm/2/float64(len(a.at)))
}

// look compares with the baseline: the statistic is the largest deviation of a cell in its standard deviations.
func (a *area) look(c cells, v view) Seen {
	now := make([]float32, len(a.at))
	for k, i := range a.at {
		now[k] = c.v[i]
	}
	a.recent = append(a.recent[max(0, len(a.recent)-a.join+1):], now)
	s := Seen{State: Same, Limit: a.limit}
	if len(a.recent) < a.join {
		s.State, s.Why = CannotSee, fmt.Sprintf("%d of %d pictures to be joined", len(a.recent), a.join)
		return s
	}
	n := 0
	for k, i := range a.at {
		z := v.off(joined(a.recent, k, a.dark), a.mean[k], v.b.gx[i], v.b.gy[i]) / float64(a.sd[k])
		s.Statistic = max(s.Statistic, z)
		if z > a.limit {
			n++
		}
	}
	if n > 0 {
		s.State = Changed
		s.Why = fmt.Sprintf("%d of %d cells deviate, at most by %.1f standard deviations of the baseline (limit %.1f)", n,
			len(a.at), s.Statistic, a.limit)
	}
	return s
}

// joined is the brightest of a cell over pictures, the darkest where what is shown is dark.
func joined(pictures [][]float32, k int, dark bool) float32 {
	v := pictures[0][k]
	for _, p := range pictures[1:] {
		if dark {
			v = min(v, p[k])
		} else {
			v = max(v, p[k])
		}
	}
	return v
}

// darkInk says whether what is shown is darker than the ground: over all pictures, the darkest lie farther from the
// middle than the brightest.
func darkInk(series [][]float32) bool {
	var high, low []float64
	for k := range series[0] {
		high = append(high, float64(joined(series, k, false)))
		low = append(low, float64(joined(series, k, true)))
	}
	return quantile(low, 0.5)-quantile(low, 0.03) > quantile(high, 0.97)-quantile(high, 0.5)
}

// spreadOfMax is the variance of the largest of 1, 2, … 8 standard normal values.
var spreadOfMax = [...]float64{1, 0.682, 0.559, 0.492, 0.448, 0.416, 0.392, 0.373}

// joinOf finds how many pictures a whole cycle of a multiplexed display takes: the fewest whose join is as steady as
// that of any larger number, beside what the join does to noise.
func joinOf(series [][]float32, dark bool) int {
	var spread []float64
	least := math.Inf(1)
	for j := 1; j <= len(spreadOfMax) && j <= len(series)/2; j++ {
		var all float64
		for k := range series[0] {
			var sum, squares float64
			for t := 0; t+j <= len(series); t++ {
				v := float64(joined(series[t:t+j], k, dark))
				sum, squares = sum+v, squares+v*v
			}
			n := float64(len(series) - j + 1)
			all += squares/n - sum/n*sum/n
		}
		spread = append(spread, all/float64(len(series[0]))/spreadOfMax[j-1])
		least = min(least, spread[j-1])
	}
	for j, s := range spread {
		if s <= 2*least+leastSD*leastSD {
			return j + 1
		}
	}
	return 1
}
