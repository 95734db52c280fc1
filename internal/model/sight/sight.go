// Package sight reads a product's display and lamps from pictures: whether a region changed against a baseline
// without RF, what a lamp shows, what digits stand on a display that it was taught. It works on decoded pictures
// alone: no camera, no file, no clock. What it cannot see it says, with the reason; it never guesses.
//
// cells.go holds what the whole picture tells (light, a knock, a hand in front, noise), digits.go reads digits that
// teach.go has learnt, lamp.go lamps. docs/confidence.md, "What a camera sees", has the statistics and what they
// are worth.
package sight

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/color"
	"math"
	"time"
)

// Frame is one picture: luminance and colour, as a JPEG decodes to.
type Frame struct {
	Image *image.YCbCr
	// At is when the picture was exposed, on any clock that only goes forward.
	At time.Duration
}

// FromImage makes a frame of any picture.
func FromImage(m image.Image, at time.Duration) Frame {
	if y, ok := m.(*image.YCbCr); ok {
		return Frame{y, at}
	}
	b := m.Bounds()
	y := image.NewYCbCr(image.Rect(0, 0, b.Dx(), b.Dy()), image.YCbCrSubsampleRatio444)
	for j := range b.Dy() {
		for i := range b.Dx() {
			c := color.YCbCrModel.Convert(m.At(b.Min.X+i, b.Min.Y+j)).(color.YCbCr)
			y.Y[j*y.YStride+i], y.Cb[j*y.CStride+i], y.Cr[j*y.CStride+i] = c.Y, c.Cb, c.Cr
		}
	}
	return Frame{y, at}
}

// Kind is what a region is watched for.
type Kind string

// The kinds of regions.
const (
	Change    Kind = "change"    // whether it looks as it did in the baseline
	Lamp      Kind = "lamp"      // on, off, colour, rate of blinking
	Digits    Kind = "digits"    // what stands on a display
	Reference Kind = "reference" // something that never changes: when it does, the camera is disturbed
)

// Region is a part of the picture that is watched.
type Region struct {
	Name string
	Kind Kind
	// Box is in pixels, from the upper left corner of the picture. That of digits is drawn around the row, so that
	// all places are equally wide.
	Box image.Rectangle
	// Join is how many pictures are joined so that every digit of a multiplexed display is lit in one of them; 0:
	// found out from lessons and baseline. A lamp with Join is lit when it is lit in one of so many pictures; 0: in
	// each by itself.
	Join   int
	Digits DigitsRegion
	Lamp   LampRegion
}

// State is what a look at a region found.
type State string

// The states.
const (
	Same      State = "same"       // as in the baseline; of a lamp and of digits: shows what it showed then
	Changed   State = "changed"    // not as in the baseline; of a lamp and of digits: shows something else
	CannotSee State = "cannot see" // the picture tells nothing of the region, neither well nor upset
	NotRead   State = "not read"   // the region is seen, what it shows cannot be told with certainty
	Frozen    State = "frozen"     // the camera delivered the picture before once more
)

// Seen is what one picture tells of one region.
type Seen struct {
	Region string
	State  State
	// Value is the number that digits show.
	Value    float64
	HasValue bool
	// Text is what digits or a lamp show: "-12.5", "off", "red, 2.0 Hz"; empty where nothing was read.
	Text string
	// Confidence of digits is the least margin to the second best glyph at any place: 1 is where a glyph lies, 0 the
	// middle between the two. It is no probability. Why says at which place and between which glyphs. 0 for other
	// kinds.
	Confidence float64
	// Statistic is compared with Limit. Change and reference: the largest deviation of a cell in standard deviations
	// of the baseline, changed above. Digits: the least correlation of a place, not read below. Lamp: brightness
	// above its surroundings, lit from there on.
	Statistic, Limit float64
	Why              string
}

// Eye watches the regions of one camera. It is used by one goroutine.
type Eye struct {
	watches []*watch
	base    baseline
	refused error // why a picture of the baseline was not taken
	last    *image.YCbCr
	cells   cells
	before  cells // of the picture before
}

// watch is one region and what is known of it.
type watch struct {
	Region
	area   area
	ring   area    // around it
	reader *reader // digits
	lamp   lampHistory
	known  map[string]bool // texts of the baseline
	unsure bool            // a lamp that changed in the baseline, at no rate
}

// Limits of what is watched at all.
const (
	leastBox   = 8       // pixels on either side of a region
	maxRegions = 64      // regions of a camera
	maxSide    = 4096    // pixels on either side of a picture
	maxWatched = 4 << 20 // pixels of all regions
	maxJoin    = 16      // pictures joined
)

// New makes an eye for the regions of one camera. Digits have to be taught before.
func New(regions []Region) (*Eye, error) {
	if len(regions) == 0 || len(regions) > maxRegions {
		return nil, fmt.Errorf("%d regions to watch: draw at least one, at most %d", len(regions), maxRegions)
	}
	e := &Eye{}
	names, watched := map[string]bool{}, 0
	for i, r := range regions {
		w := &watch{Region: r, known: map[string]bool{}}
		if err := check(r); err != nil {
			return nil, err
		}
		if names[r.Name] {
			return nil, fmt.Errorf("region %q stands twice (number %d): give each its own name", r.Name, i+1)
		}
		names[r.Name] = true
		if watched += r.Box.Dx() * r.Box.Dy(); watched > maxWatched {
			return nil, fmt.Errorf("the regions have more than %d pixels: draw them around what matters", maxWatched)
		}
		if r.Kind == Digits {
			var err error
			if w.reader, err = newReader(r); err != nil {
				return nil, err
			}
		}
		e.watches = append(e.watches, w)
	}
	return e, nil
}

// check refuses what no picture could make sense of.
func check(r Region) error {
	b := r.Box
	switch {
	case r.Name == "":
		return errors.New("a region has no name: give it one")
	case r.Kind != Change && r.Kind != Lamp && r.Kind != Digits && r.Kind != Reference:
		return fmt.Errorf("region %q is of kind %q: change, lamp, digits and reference are known", r.Name, r.Kind)
	case b.Min.X < 0 || b.Min.Y < 0 || b.Max.X > maxSide || b.Max.Y > maxSide:
		return fmt.Errorf("region %q: its box %v reaches out of any picture: pixels count from 0 at the upper "+
			"left corner", r.Name, b)
	case b.Dx() < leastBox || b.Dy() < leastBox:
		return fmt.Errorf("region %q: its box is %d × %d pixels, at least %d × %d are needed: draw it larger or "+
			"bring the camera nearer", r.Name, b.Dx(), b.Dy(), leastBox, leastBox)
	case r.Join < 0 || r.Join > maxJoin:
		return fmt.Errorf("region %q joins %d pictures: at most %d, 0 to find it out", r.Name, r.Join, maxJoin)
	}
	return nil
}

// whole says what is wrong with a picture itself; nil where nothing is.
func whole(m *image.YCbCr) error {
	if m == nil {
		return errors.New("there is no picture")
	}
	w, h := m.Rect.Dx(), m.Rect.Dy()
	if w < 4*cell || h < 4*cell || w > maxSide || h > maxSide {
		return fmt.Errorf("the picture is %d × %d pixels: between %d and %d on either side are looked at", w, h, 4*cell,
			maxSide)
	}
	last := m.COffset(m.Rect.Max.X-1, m.Rect.Max.Y-1)
	if m.YStride < w || len(m.Y) < (h-1)*m.YStride+w || last < 0 || len(m.Cb) <= last || len(m.Cr) <= last {
		return errors.New("the picture is damaged: it holds fewer pixels than it says")
	}
	return nil
}

// fits says what is wrong with a picture for these regions and this baseline.
func (e *Eye) fits(m *image.YCbCr) error {
	if err := whole(m); err != nil {
		return err
	}
	size := image.Rect(0, 0, m.Rect.Dx(), m.Rect.Dy())
	for _, w := range e.watches {
		if !w.Box.In(size) {
			return fmt.Errorf("region %q: its box %v reaches out of the picture of %d × %d pixels: draw it again",
				w.Name, w.Box, size.Dx(), size.Dy())
		}
	}
	if e.base.n > 0 && size.Size() != image.Pt(e.base.w, e.base.h) {
		return fmt.Errorf("the picture is %d × %d pixels and was %d × %d in the baseline: set the camera back, or "+
			"learn again", size.Dx(), size.Dy(), e.base.w, e.base.h)
	}
	return nil
}

// Learn takes a picture of the baseline, without RF. Noise is learnt from the first 250; what digits and lamps show,
// from all.
func (e *Eye) Learn(f Frame) {
	if e.refused = e.fits(f.Image); e.refused != nil {
		return
	}
	if e.equals(f.Image) {
		e.base.repeated++
		return
	}
	if e.base.n == 0 {
		e.base.lay(f.Image, e.watches)
	}
	e.cells.take(f.Image)
	if e.base.n < e.base.most {
		light := e.base.learn(f.Image, e.cells, e.before)
		for _, w := range e.watches {
			w.ring.learn(e.cells, light)
			w.area.learn(e.cells, light)
		}
	}
	for _, w := range e.watches {
		switch w.Kind {
		case Lamp:
			w.lamp.look(w.Region, f)
			w.known[w.lamp.text()] = true
			w.unsure = w.lamp.undecided()
		case Digits:
			if s := w.reader.look(f.Image); s.Text != "" {
				w.known[s.Text] = true
			}
		}
	}
	e.remember(f.Image)
}

// Learnt says why the baseline is not enough yet, and nil when it is.
func (e *Eye) Learnt() error {
	if e.refused != nil {
		return fmt.Errorf("the last picture of the baseline could not be used: %w", e.refused)
	}
	if err := e.base.enough(); err != nil {
		return err
	}
	for _, w := range e.watches {
		if w.unsure {
			return fmt.Errorf("lamp %q has changed, and how often it blinks is not known yet: go on with the "+
				"baseline for at least three of its periods", w.Name)
		}
	}
	return nil
}

// Look says what one picture tells of each region, in the order of New. Before the baseline is learnt, digits and
// lamps are read all the same, without a watch over the camera.
func (e *Eye) Look(f Frame) []Seen {
	out := make([]Seen, len(e.watches))
	if err := e.fits(f.Image); err != nil {
		for i, w := range e.watches {
			out[i] = Seen{Region: w.Name, State: CannotSee, Why: err.Error()}
		}
		return out
	}
	e.cells.take(f.Image)
	// The picture before once more: every pixel, or closer than two pictures of this sensor came in the baseline.
	frozen := e.equals(f.Image) ||
		e.base.n > 1 && e.cells.apart(e.before, e.base.outside.at) < repeatShare*e.base.nearest
	learnt := e.Learnt()
	var view view
	if learnt == nil && !frozen {
		e.base.settle(e.watches)
		view = e.base.view(e.cells)
	}
	for i, w := range e.watches {
		s := Seen{Region: w.Name, State: Frozen, Why: "the camera delivered the picture before once more"}
		if !frozen {
			s = w.look(f, view, learnt)
			s.Region = w.Name
		}
		out[i] = s
	}
	e.blame(out)
	e.remember(f.Image)
	return out
}

// look judges one region. What a hand or a knock hides is not joined with later pictures.
func (w *watch) look(f Frame, v view, learnt error) Seen {
	if learnt == nil {
		why := v.blind
		if share := v.changed(&w.ring); why == "" && share > ringShare {
			why = fmt.Sprintf("%.0f %% of what lies around the region changed: something stands in front of it",
				100*share)
		}
		if why != "" {
			w.area.recent.recent, w.lamp = nil, lampHistory{}
			if w.reader != nil {
				w.reader.forget()
			}
			return Seen{State: CannotSee, Why: why}
		}
	}
	var s Seen
	switch w.Kind {
	case Change, Reference:
		if learnt != nil {
			return Seen{State: CannotSee, Why: learnt.Error()}
		}
		s = w.area.look(v)
	case Lamp:
		w.lamp.look(w.Region, f)
		s = w.lamp.seen(w.Region)
	case Digits:
		s = w.reader.look(f.Image)
	}
	if learnt == nil && s.State == Same && s.Text != "" && len(w.known) > 0 {
		s.State = w.against(s.Text)
		if s.State == NotRead {
			s.Text, s.Why = "", "the lamp blinked in the baseline, and its rate now is not known yet"
		}
	}
	return s
}

// against compares a text with those of the baseline. A rate of blinking may be off by a fifth, and takes its time.
func (w *watch) against(text string) State {
	if w.known[text] && w.Kind == Digits {
		return Same
	}
	colour, rate := parts(text)
	slowest := math.Inf(1)
	for k := range w.known {
		c, r := parts(k)
		if r > 0 && c == colour && math.Abs(r-rate) <= 0.2*r+0.1 {
			return Same
		}
		if r > 0 {
			slowest = min(slowest, r)
		}
	}
	blinks := !math.IsInf(slowest, 0)
	switch {
	case blinks && rate == 0 && w.lamp.span().Seconds() < (leastEdges+0.5)/slowest:
		return NotRead
	case !blinks && w.known[text]:
		return Same
	}
	return Changed
}

// blame takes what was seen back where a reference changed: then it is the camera.
func (e *Eye) blame(out []Seen) {
	for i, w := range e.watches {
		if w.Kind != Reference || out[i].State != Changed {
			continue
		}
		for j, s := range out {
			if e.watches[j].Kind != Reference {
				out[j] = Seen{Region: s.Region, State: CannotSee, Statistic: s.Statistic, Limit: s.Limit,
					Why: fmt.Sprintf("the reference %q changed, which never does by itself: the camera is disturbed",
						w.Name)}
			}
		}
		return
	}
}

// equals says whether a picture's luminance is that of the one before.
func (e *Eye) equals(m *image.YCbCr) bool {
	if e.last == nil || e.last.Rect.Size() != m.Rect.Size() {
		return false
	}
	w := m.Rect.Dx()
	for y := range m.Rect.Dy() {
		if !bytes.Equal(m.Y[y*m.YStride:][:w], e.last.Y[y*e.last.YStride:][:w]) {
			return false
		}
	}
	return true
}

// remember keeps a copy of a picture's luminance: the caller may use its memory again.
func (e *Eye) remember(m *image.YCbCr) {
	if e.last == nil || e.last.Rect.Size() != m.Rect.Size() {
		e.last = image.NewYCbCr(image.Rect(0, 0, m.Rect.Dx(), m.Rect.Dy()), image.YCbCrSubsampleRatio420)
	}
	w := m.Rect.Dx()
	for y := range m.Rect.Dy() {
		copy(e.last.Y[y*e.last.YStride:][:w], m.Y[y*m.YStride:][:w])
	}
	e.before.v, e.cells.v = e.cells.v, e.before.v
	e.before.w, e.before.h = e.cells.w, e.cells.h
}
