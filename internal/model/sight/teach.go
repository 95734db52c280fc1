package sight

import (
	"errors"
	"fmt"
	"image"
	"math"
	"slices"
	"strings"
	"unicode/utf8"

	"provoke/internal/units/english"
)

// Lesson is a picture whose value the engineer typed.
type Lesson struct {
	Frame Frame
	Text  string
}

const (
	alike      = 0.985 // correlation of two glyphs that cannot be told apart
	maxLessons = 1000
	maxGlyphs  = 2 * maxPlaces
)

// Teach learns a display's glyphs, where the row lies in its box, and how many pictures a multiplexed one takes, from
// pictures with their values. Lessons in a row with the same text are pictures of the same value: of a multiplexed
// display give as many as several of its cycles take. A lamp is taught with "off" and any other text for lit; that is
// only needed where it is not plainly brighter than its surroundings. Errors say which digit was never seen, which
// look alike, and which lesson does not go with the others.
func Teach(r Region, lessons []Lesson) (Region, error) {
	if err := check(r); err != nil {
		return r, err
	}
	if len(lessons) == 0 || len(lessons) > maxLessons {
		return r, fmt.Errorf("%q is taught by %d pictures: 1 to %d are needed", r.Name, len(lessons), maxLessons)
	}
	for i, l := range lessons {
		err := whole(l.Frame.Image)
		if err == nil && !r.Box.In(image.Rect(0, 0, l.Frame.Image.Rect.Dx(), l.Frame.Image.Rect.Dy())) {
			err = fmt.Errorf("its box %v reaches out of the picture", r.Box)
		}
		if err == nil && l.Frame.Image.Rect.Size() != lessons[0].Frame.Image.Rect.Size() {
			err = errors.New("the picture has another size than the first")
		}
		if err != nil {
			return r, fmt.Errorf("%q, lesson %d: %w", r.Name, i+1, err)
		}
	}
	switch r.Kind {
	case Digits:
		return teachDigits(r, lessons)
	case Lamp:
		return teachLamp(r, lessons)
	}
	return r, fmt.Errorf("%q is of kind %s: only digits and lamps are taught, the others learn from the baseline",
		r.Name,
		r.Kind)
}

// value is the pictures of one value.
type value struct {
	lesson int // of the first picture, from 1
	text   string
	cells  []string // of each place: a character, perhaps with its point; " " where blank
	crops  [][]float32
	crop   crop // all of them in one
	ink    float64
}

func teachDigits(r Region, lessons []Lesson) (Region, error) {
	join := r.Join
	r.Digits = DigitsRegion{Places: r.Digits.Places, OwnPoint: r.Digits.OwnPoint, Decimals: r.Digits.Decimals}
	if err := r.Digits.check(r); err != nil {
		return r, err
	}
	var values []*value
	for i, l := range lessons {
		if i == 0 || l.Text != lessons[i-1].Text {
			cells, err := parted(r, l.Text)
			if err != nil {
				return r, fmt.Errorf("digits %q, lesson %d: %w", r.Name, i+1, err)
			}
			values = append(values, &value{lesson: i + 1, text: l.Text, cells: cells})
		}
		r.Digits.Bare = r.Digits.Bare || strings.HasPrefix(strings.TrimLeft(l.Text, " +-−"), ".")
		r.Digits.Left = r.Digits.Left || strings.HasSuffix(l.Text, " ")
		v := values[len(values)-1]
		v.crop.take(l.Frame.Image, r)
		v.crops = append(v.crops, v.crop.v)
	}
	// A display is multiplexed where any of its values says so; the ink is dark where most pictures have it darker.
	dark := 0
	for _, v := range values {
		if darkInk(v.crops) {
			dark++
		}
	}
	r.Digits.Dark = 2*dark > len(values)
	if r.Join = max(1, join); join == 0 {
		for _, v := range values {
			r.Join = max(r.Join, joinOf(v.crops, r.Digits.Dark))
		}
	}
	for _, v := range values {
		if len(v.crops) < r.Join {
			return r, fmt.Errorf("digits %q: the display is multiplexed, and %d pictures show all of it; of %q "+
				"there are only %d: take more of the same value", r.Name, r.Join, v.text, len(v.crops))
		}
		v.crop.v, _ = spreadOf(v.crops, r.Join, r.Digits.Dark)
	}
	if err := complete(r, values); err != nil {
		return r, err
	}
	r.Digits.Pose = straighten(r, values)
	if err := learnGlyphs(&r, values); err != nil {
		return r, err
	}
	return r, readBack(r, values)
}

// parted gives a typed text to places, from the right.
func parted(r Region, text string) ([]string, error) {
	text = strings.ReplaceAll(text, "−", "-")
	if r.Digits.Decimals > 0 {
		text = strings.ReplaceAll(text, ".", "")
	}
	var cells []string
	for _, c := range text {
		switch {
		case c < ' ' || c == utf8.RuneError:
			return nil, fmt.Errorf("%q has a character that no display shows", text)
		case c == '.' && !r.Digits.OwnPoint:
			if len(cells) == 0 || strings.HasSuffix(cells[len(cells)-1], ".") || cells[len(cells)-1] == " " {
				return nil, fmt.Errorf("%q has a point without a digit before it", text)
			}
			cells[len(cells)-1] += "."
		default:
			cells = append(cells, string(c))
		}
	}
	if len(cells) > r.Digits.Places {
		return nil, fmt.Errorf("%q has %d characters, the display has %s: was it typed right, and is own_point "+
			"set where the point takes a place?", text, len(cells), english.Count(r.Digits.Places, "place", "places"))
	}
	return append(slices.Repeat([]string{" "}, r.Digits.Places-len(cells)), cells...), nil
}

// complete says which digits were never typed.
func complete(r Region, values []*value) error {
	seen := map[string]bool{}
	for _, v := range values {
		for _, c := range v.cells {
			seen[c[:1]] = true
		}
	}
	var missing []string
	for _, d := range strings.Split("0123456789", "") {
		if !seen[d] {
			missing = append(missing, d)
		}
	}
	switch len(missing) {
	case 0:
		return nil
	case 1:
		return fmt.Errorf("digits %q: the digit %s was never seen: let the product show it and type the value", r.Name,
			missing[0])
	}
	return fmt.Errorf("digits %q: the digits %s and %s were never seen: let the product show them and type the values",
		r.Name, strings.Join(missing[:len(missing)-1], ", "), missing[len(missing)-1])
}

// straighten finds width and tilt of the row by which equal characters at different places look most alike.
func straighten(r Region, values []*value) pose {
	agreement := func(p pose) float64 {
		sums := map[string]*[samples]float32{}
		for _, v := range values {
			for k, c := range v.cells {
				if c == " " {
					continue
				}
				var x [samples]float32
				v.crop.sample(r, p, k, 0, 0, &x)
				flatten(&x)
				norm := float32(1 / (math.Sqrt(dot(&x, &x)) + 1e-9))
				if sums[c] == nil {
					sums[c] = &[samples]float32{}
				}
				for i := range x {
					sums[c][i] += x[i] * norm
				}
			}
		}
		total := 0.0
		for _, s := range sums {
			total += math.Sqrt(dot(s, s))
		}
		return total
	}
	best, _ := climb(pose{}, pose{}, []int{2, 4}, 0, 5, agreement)
	return best
}

// learnGlyphs averages what was seen of each character, and what a point adds.
func learnGlyphs(r *Region, values []*value) error {
	means, counts := map[string]*[samples]float32{}, map[string]float32{}
	for _, v := range values {
		patches := make([][samples]float32, len(v.cells))
		for k := range v.cells {
			v.crop.sample(*r, r.Digits.Pose, k, 0, 0, &patches[k])
			v.ink = max(v.ink, spread(patches[k]))
		}
		if v.ink < leastGrey {
			return fmt.Errorf("digits %q, lesson %d: nothing is shown there, or too faintly: give it less light "+
				"from outside, or another exposure", r.Name, v.lesson)
		}
		r.Digits.Contrast += v.ink / float64(len(values))
		for k, c := range v.cells {
			if c == " " {
				continue
			}
			flatten(&patches[k])
			if means[c] == nil {
				means[c] = &[samples]float32{}
			}
			counts[c]++
			for i, g := range patches[k] {
				means[c][i] += g / float32(v.ink)
			}
		}
	}
	for c, m := range means {
		for i := range m {
			m[i] /= counts[c]
		}
	}
	var point *[samples]float32
	points, pairs := 0, float32(0)
	for c, m := range means {
		base, ok := strings.CutSuffix(c, ".")
		if !ok || base == "" {
			continue
		}
		points++
		if plain := means[base]; plain != nil {
			if point == nil {
				point = &[samples]float32{}
			}
			pairs++
			for i := range m {
				point[i] += m[i] - plain[i]
			}
		}
	}
	if points > 0 && point == nil {
		return fmt.Errorf("digits %q: no digit before the point was seen without it, so what is the point is not "+
			"known: show one of them elsewhere, or say how many digits stand behind a point that never moves", r.Name)
	}
	if point != nil {
		for i := range point {
			point[i] /= pairs
		}
		r.Digits.Point = coded(point)
	}
	for c, m := range means {
		base, pointed := strings.CutSuffix(c, ".")
		if pointed && base != "" {
			if means[base] != nil {
				continue
			}
			for i := range m {
				m[i] -= point[i]
			}
			c = base
		}
		r.Digits.Glyphs = append(r.Digits.Glyphs, Glyph{c, coded(m)})
	}
	if len(r.Digits.Glyphs) > maxGlyphs {
		return fmt.Errorf("digits %q: %d characters were typed, at most %d are told apart", r.Name,
			len(r.Digits.Glyphs),
			maxGlyphs)
	}
	slices.SortFunc(r.Digits.Glyphs, func(a, b Glyph) int { return strings.Compare(a.Text, b.Text) })
	return nil
}

// spread is the contrast of ink and ground at a place.
func spread(x [samples]float32) float64 {
	slices.Sort(x[:])
	return math.Max(float64(x[samples*95/100]-x[samples/5]), float64(x[samples*4/5]-x[samples*5/100]))
}

func coded(v *[samples]float32) []byte {
	out := make([]byte, samples)
	for i, g := range v {
		out[i] = byte(math.Round(float64(min(max(64*g+128, 0), 255))))
	}
	return out
}

// readBack compares the glyphs with each other and reads the lessons with them.
func readBack(r Region, values []*value) error {
	rd, err := newReader(r)
	if err != nil {
		return err
	}
	for i := range rd.glyphs {
		for j := range i {
			if rd.like[i][j] > alike {
				a, b := rd.glyphs[j].text, rd.glyphs[i].text
				return fmt.Errorf("digits %q: %s and %s look alike in these pictures (correlation %.3f, at most "+
					"%.3f): was every value typed right? Else bring the camera nearer, focus, or take another "+
					"exposure", r.Name, a, b, rd.like[i][j], alike)
			}
		}
	}
	for _, v := range values {
		rd.crop = v.crop
		places, ok := rd.places(rd.home)
		for k, q := range places {
			got := " "
			if q.glyph >= 0 {
				got = rd.glyphs[q.glyph].text
			}
			switch {
			case q.why != "":
				return fmt.Errorf("digits %q, lesson %d (%q): place %d from the left is not read back: %s. Was it "+
					"typed right, and was the picture steady?", r.Name, v.lesson, v.text, k+1, q.why)
			case ok && got != v.cells[k]:
				return fmt.Errorf("digits %q, lesson %d (%q): place %d from the left looks like %q as in the "+
					"other lessons, and %q was typed", r.Name, v.lesson, v.text, k+1, got, v.cells[k])
			}
		}
	}
	return nil
}
