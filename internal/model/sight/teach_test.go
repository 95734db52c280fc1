package sight_test

import (
	"encoding/json"
	"image"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"provoke/internal/model/sight"
)

func TestTeachSaysWhatIsMissing(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	s := usual(sevenSegments())
	lesson := func(shown, typed string) sight.Lesson {
		s.text = shown
		return sight.Lesson{Frame: s.shoot(rng), Text: typed}
	}
	var whole []sight.Lesson
	for _, text := range lessonTexts {
		whole = append(whole, lesson(text, text))
	}
	without := func(drop ...string) (out []sight.Lesson) {
		for _, l := range whole {
			if !slices.ContainsFunc(drop, func(d string) bool { return strings.Contains(l.Text, d) }) {
				out = append(out, l)
			}
		}
		return out
	}
	faint := s
	faint.ink = faint.ground + 3
	faint.text = "1"
	for name, c := range map[string]struct {
		lessons []sight.Lesson
		change  func(r *sight.Region)
		want    string
	}{
		"two digits never seen": {without("9", "8"), nil, "the digits 7, 8 and 9 were never seen"},
		"one digit never seen":  {without("4"), nil, "the digit 4 was never seen"},
		"one value typed wrong": {append(slices.Clone(whole), lesson("444", "445")), nil,
			`looks like "4" as in the other lessons`},
		"a blank that is none": {append(slices.Clone(whole), lesson("1234", "234")), nil,
			`place 2 from the left looks like "1"`},
		"more than the display": {append(slices.Clone(whole), lesson("1", "123456")), nil,
			"has 6 characters, the display has 5 places"},
		"a point alone": {append(slices.Clone(whole), lesson("1", ".1")), nil,
			"a point without a digit before it"},
		"nothing to be seen": {append(slices.Clone(whole), sight.Lesson{Frame: faint.shoot(rng), Text: "1"}),
			nil, "too faintly"},
		"no lesson": {nil, nil, "taught by 0 pictures"},
		"no places": {whole, func(r *sight.Region) { r.Digits.Places = 0 },
			"count those of the display"},
		"too small": {whole, func(r *sight.Region) { r.Digits.Places = 30 }, "too small"},
		"of another kind": {whole, func(r *sight.Region) { r.Kind = sight.Change },
			"only digits and lamps are taught"},
		"a box out of the picture": {whole, func(r *sight.Region) { r.Box = r.Box.Add(image.Pt(100, 0)) },
			"reaches out of the picture"},
		"no picture": {[]sight.Lesson{{Text: "1"}}, nil, "lesson 1: there is no picture"},
	} {
		r := s.digits()
		if c.change != nil {
			c.change(&r)
		}
		if _, err := sight.Teach(r, c.lessons); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", name, err, c.want)
		}
	}
}

// The same picture taught as 3 and as 8: nothing could tell them apart.
func TestTeachNamesGlyphsThatLookAlike(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	s := usual(sevenSegments())
	var lessons []sight.Lesson
	for _, text := range lessonTexts {
		s.text = strings.ReplaceAll(text, "3", "8") // a broken display
		lessons = append(lessons, sight.Lesson{Frame: s.shoot(rng), Text: text})
	}
	if _, err := sight.Teach(s.digits(), lessons); err == nil || !strings.Contains(err.Error(), "3 and 8 look alike") {
		t.Error(err)
	}
}

func TestADigitThatWasNotTaughtIsNotRead(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	s := usual(sevenSegments())
	r := s.taught(t, rng)
	segments['A'], segments['E'], segments['F'] = "abcefg", "afged", "afge"
	segments['x'], segments['y'] = "acdefg"[:5], "abdefg"  // a segment that failed
	segments['B'], segments['D'] = "abcdefghi", "abcdefhi" // with a bar where no digit has ink
	defer func() {
		for _, c := range "AEFxyBD" {
			delete(segments, c)
		}
	}()
	for _, text := range []string{"A", "E", "F", "x", "y", "1A", "-E", "12F4", "B", "12D"} {
		for range 10 {
			o := otherwise(s, rng)
			o.text = text
			eye, err := sight.New([]sight.Region{r})
			if err != nil {
				t.Fatal(err)
			}
			if got := eye.Look(o.shoot(rng))[0]; got.State != sight.NotRead || got.Text != "" || got.HasValue {
				t.Fatalf("%q: %+v", text, got)
			}
		}
	}
}

// A place that is lit by half, or that paper lies over, is not taken for a digit or for a blank.
func TestAPlaceThatIsHalfLitOrCoveredIsNotRead(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	s := usual(sevenSegments())
	r := s.taught(t, rng)
	s.text = "12345"
	for name, c := range map[string]struct {
		change func(*scene)
		why    string
	}{
		"half lit": {func(s *scene) {
			s.share = func(place int) float64 { return []float64{1, 1, 0.45, 1, 1}[place] }
		}, "as brightly as the brightest"},
		"covered": {func(s *scene) { s.hand = image.Rect(20, 0, 66, 96) }, "the ground is not that of the other " +
			"places"},
	} {
		o := s
		c.change(&o)
		eye, err := sight.New([]sight.Region{r})
		if err != nil {
			t.Fatal(err)
		}
		t.Log(name)
		state(t, eye.Look(o.shoot(rng))[0], sight.NotRead, c.why)
	}
}

// Two values one over the other, as a slow display shows them while it changes: read as one of the two, or not at
// all.
func TestAChangingDigitIsOneOfTheTwoOrNotRead(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	for _, f := range []*face{sevenSegments(), dotMatrix()} {
		s := usual(f)
		r := s.taught(t, rng)
		eye, err := sight.New([]sight.Region{r})
		if err != nil {
			t.Fatal(err)
		}
		for range 150 {
			from, to := rng.IntN(10), rng.IntN(10)
			a, b := s, s
			a.text, b.text = "10"+string(rune('0'+from))+"07", "10"+string(rune('0'+to))+"07"
			first, second := a.sheet(), b.sheet()
			share := float32(rng.Float64())
			for i := range first {
				first[i] += share * (second[i] - first[i])
			}
			if got := eye.Look(a.expose(first, rng))[0]; got.Text != "" && got.Text != a.text && got.Text != b.text {
				t.Fatalf("%s between %s and %s, %.2f: %+v", f.name, a.text, b.text, share, got)
			}
		}
	}
}

func TestWhatWasLearntIsTheSameAfterItWasStored(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	s := usual(sevenSegments())
	r := s.taught(t, rng)
	stored, err := json.Marshal(r)
	if err != nil {
		t.Fatal(err)
	}
	var back sight.Region
	if err := json.Unmarshal(stored, &back); err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(r, back) {
		t.Error("something of a region is not kept in JSON")
	}
	if again := s.taughtAs(t, rand.New(rand.NewPCG(1, 1)), r); !reflect.DeepEqual(r, again) {
		t.Error("a display that is taught anew keeps something of what it was taught before")
	}
	back.Digits.Glyphs[0].Pattern = back.Digits.Glyphs[0].Pattern[1:]
	if _, err := sight.New([]sight.Region{back}); err == nil || !strings.Contains(err.Error(), "damaged") {
		t.Errorf("a pattern that lacks a sample: %v", err)
	}
}

func TestSignPointAndBlanksAreRead(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	s := usual(sevenSegments())
	eye, err := sight.New([]sight.Region{s.taught(t, rng)})
	if err != nil {
		t.Fatal(err)
	}
	for text, want := range map[string]float64{"-12.5": -12.5, "0.001": 0.001, "7": 7, "-0.4": -0.4, "88888": 88888,
		"123.": 123} {
		s.text = text
		if got := eye.Look(s.shoot(rng))[0]; got.Text != text || !got.HasValue || got.Value != want ||
			got.Confidence <= 0 ||
			!strings.Contains(got.Why, "margin") {
			t.Errorf("%q: %+v", text, got)
		}
	}
	s.text = "--"
	if got := eye.Look(s.shoot(rng))[0]; got.Text != "--" || got.HasValue {
		t.Errorf("two dashes are no number: %+v", got)
	}
	for _, text := range []string{"1 2", "1-", "1.2.3", "12 "} {
		s.text = text
		if got := eye.Look(s.shoot(rng))[0]; got.State != sight.NotRead || got.Text != "" {
			t.Errorf("%q is no number: %+v", text, got)
		}
	}
	s.text = ""
	state(t, eye.Look(s.shoot(rng))[0], sight.NotRead, "nothing is shown")
}

// Spots of glare where a point would stand, broader than a point is.
func TestGlareIsNoPoint(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	s := usual(sevenSegments())
	r := s.taught(t, rng)
	for range 200 {
		o := s
		o.text = "1234"
		o.glare = [4]float64{64 + 24*float64(rng.IntN(4)) + uniform(rng, -6, 2), uniform(rng, 55, 65), uniform(rng,
			3.5, 10),
			uniform(rng, 60, 250)}
		eye, err := sight.New([]sight.Region{r})
		if err != nil {
			t.Fatal(err)
		}
		if got := eye.Look(o.shoot(rng))[0]; got.Text != "" && got.Text != o.text {
			t.Fatalf("glare %v: %+v", o.glare, got)
		}
	}
}

// A display whose point is printed on its window: the value has it, the text that is typed may.
func TestAPointThatNeverMovesIsPutIn(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	s := usual(sevenSegments())
	r := s.digits()
	r.Digits.Decimals = 2
	var lessons []sight.Lesson
	for _, text := range []string{"12345", "-6789", "10023"} {
		s.text = text
		lessons = append(lessons, sight.Lesson{Frame: s.shoot(rng), Text: text[:3] + "." + text[3:]})
	}
	r, err := sight.Teach(r, lessons)
	if err != nil {
		t.Fatal(err)
	}
	eye, err := sight.New([]sight.Region{r})
	if err != nil {
		t.Fatal(err)
	}
	s.text = "-5670"
	if got := eye.Look(s.shoot(rng))[0]; got.Text != "-56.70" || got.Value != -56.7 {
		t.Errorf("%+v", got)
	}
}

func TestDarkDigitsOnLightGroundAreRead(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	for _, f := range []*face{sevenSegments(), dotMatrix()} {
		s := usual(f)
		s.ink, s.ground = 50, 160
		r := s.taught(t, rng)
		if !r.Digits.Dark {
			t.Errorf("%s: the ink is taken for light", f.name)
		}
		for range 50 {
			o := otherwise(s, rng)
			eye, err := sight.New([]sight.Region{r})
			if err != nil {
				t.Fatal(err)
			}
			if got := eye.Look(o.shoot(rng))[0]; got.Text != o.text {
				t.Errorf("%s %q: %+v", f.name, o.text, got)
			}
		}
	}
}

func TestWhatNoPictureCouldShowIsRefused(t *testing.T) {
	box := image.Rect(10, 10, 40, 40)
	many := make([]sight.Region, 65)
	for i := range many {
		many[i] = watching(sight.Change, box)
	}
	for name, c := range map[string]struct {
		regions []sight.Region
		want    string
	}{
		"none":      {nil, "draw at least one"},
		"many":      {many, "at most 64"},
		"no name":   {[]sight.Region{{Kind: sight.Change, Box: box}}, "no name"},
		"a kind":    {[]sight.Region{{Name: "a", Kind: "colour", Box: box}}, "are known"},
		"one pixel": {[]sight.Region{watching(sight.Change, image.Rect(5, 5, 6, 6))}, "1 × 1 pixels"},
		"upside down": {[]sight.Region{watching(sight.Lamp, image.Rectangle{Min: box.Max, Max: box.Min})},
			"draw it larger"},
		"left of all": {[]sight.Region{watching(sight.Change, box.Add(image.Pt(-20, 0)))}, "out of any picture"},
		"far away":    {[]sight.Region{watching(sight.Change, box.Add(image.Pt(1<<40, 0)))}, "out of any picture"},
		"twice":       {[]sight.Region{watching(sight.Change, box), watching(sight.Change, box)}, "stands twice"},
		"large":       {[]sight.Region{watching(sight.Change, image.Rect(0, 0, 4096, 1025))}, "around what matters"},
		"joins many":  {[]sight.Region{{Name: "a", Kind: sight.Change, Box: box, Join: 17}}, "at most 16"},
		"never taught": {[]sight.Region{{Name: "a", Kind: sight.Digits, Box: box,
			Digits: sight.DigitsRegion{Places: 2}}}, "not taught"},
	} {
		if _, err := sight.New(c.regions); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", name, err, c.want)
		}
	}
}

func TestHostilePicturesAreTold(t *testing.T) {
	f := filmOf(showing("12.3"), 1)
	rng := rand.New(rand.NewPCG(1, 1))
	eye := f.learn(t, 30, watching(sight.Change, f.box), f.taught(t, rng), watching(sight.Lamp, lampAt))
	grey := func(w, h int, level uint8) sight.Frame {
		m := image.NewGray(image.Rect(3, 5, 3+w, 5+h))
		for i := range m.Pix {
			m.Pix[i] = level + uint8(i%2)
		}
		return sight.FromImage(m, f.at)
	}
	damaged := f.next("", nil)
	damaged.Image.Y = damaged.Image.Y[:100]
	colourless := f.next("", nil)
	colourless.Image.Cb = nil
	for name, c := range map[string]struct {
		frame sight.Frame
		want  string
	}{
		"no picture":   {sight.Frame{}, "no picture"},
		"black":        {grey(f.w, f.h, 0), "black"},
		"white":        {grey(f.w, f.h, 254), "% of the picture"},
		"another size": {grey(320, 240, 100), "was 200 × 96 in the baseline"},
		"smaller":      {grey(60, 40, 100), "reaches out of the picture"},
		"one pixel":    {grey(1, 1, 100), "the picture is 1 × 1 pixels"},
		"damaged":      {damaged, "damaged"},
		"no colour":    {colourless, "damaged"},
	} {
		for _, got := range eye.Look(c.frame) {
			if got.State != sight.CannotSee || !strings.Contains(got.Why, c.want) || got.HasValue || got.Text != "" {
				t.Errorf("%s: %+v, want %q", name, got, c.want)
			}
		}
	}
	for _, got := range eye.Look(f.next("", nil)) {
		if got.State != sight.Same {
			t.Errorf("after all of them: %+v", got)
		}
	}
}

func TestABaselineSaysWhatItLacks(t *testing.T) {
	f := filmOf(showing("12.3"), 1)
	start := func(r sight.Region) *sight.Eye {
		eye, err := sight.New([]sight.Region{r})
		if err != nil {
			t.Fatal(err)
		}
		return eye
	}
	few := start(watching(sight.Change, f.box))
	for range 24 {
		few.Learn(f.next("", nil))
	}
	full := start(watching(sight.Change, image.Rect(0, 0, f.w, f.h)))
	black := start(watching(sight.Change, f.box))
	outside := start(watching(sight.Change, image.Rect(190, 0, 210, 20)))
	for range 30 {
		full.Learn(f.next("", nil))
		black.Learn(f.next("black", func(s *scene) { s.light, s.noise = 0, 0.7 }))
		outside.Learn(f.next("", nil))
	}
	resized := start(watching(sight.Change, f.box))
	resized.Learn(f.next("", nil))
	other := f.scene
	other.w = 240
	resized.Learn(other.shoot(f.rng))
	for want, eye := range map[string]*sight.Eye{"24 of 25 pictures": few, "the regions fill the picture": full,
		"the pictures are black": black, "reaches out of the picture": outside, "was 200 × 96": resized} {
		if err := eye.Learnt(); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want %q", err, want)
		}
		if got := eye.Look(f.next("", nil))[0]; got.State != sight.CannotSee {
			t.Errorf("%s: %+v", want, got)
		}
	}
}

// Whatever a camera delivers: one answer for each region, in order, with a reason where there is none; no text and no
// value but those of digits and lamps that were read; finite figures.
func FuzzLook(f *testing.F) {
	rng := rand.New(rand.NewPCG(1, 1))
	s := showing("12.3")
	digits := s.taught(f, rng)
	f.Add([]byte{200, 96, 1, 2, 3}, uint16(200), uint16(96), int16(30), int16(20))
	f.Add([]byte{0}, uint16(16), uint16(16), int16(0), int16(0))
	f.Add([]byte{255, 0}, uint16(333), uint16(17), int16(-5), int16(900))
	f.Fuzz(func(t *testing.T, content []byte, w, h uint16, x, y int16) {
		w, h = w%400, h%300
		box := image.Rect(int(x), int(y), int(x)+len(content)%90, int(y)+int(h)%70)
		moved := digits
		moved.Name, moved.Box = "moved", box.Add(image.Pt(3, 3))
		var regions []sight.Region
		for _, r := range []sight.Region{digits, moved, watching(sight.Change, box), watching(sight.Lamp, box),
			{Name: "joined", Kind: sight.Change, Box: box, Join: int(w % 20)}, watching(sight.Reference, box)} {
			if _, err := sight.New([]sight.Region{r}); err == nil {
				regions = append(regions, r)
			}
		}
		eye, err := sight.New(regions)
		if err != nil {
			t.Fatal(err)
		}
		for k := range 30 {
			m := image.NewYCbCr(image.Rect(-3, 2, -3+int(w), 2+int(h)), image.YCbCrSubsampleRatio(k%2*2))
			for i := range m.Y {
				if len(content) > 0 {
					m.Y[i] = content[(i*(k/28+1)+k)%len(content)]
				}
			}
			frame := sight.Frame{Image: m, At: time.Duration(k) * each}
			if k < 27 {
				eye.Learn(frame)
				continue
			}
			seen := eye.Look(frame)
			if len(seen) != len(regions) {
				t.Fatalf("%d answers for %d regions", len(seen), len(regions))
			}
			for i, got := range seen {
				kind := regions[i].Kind
				if got.Region != regions[i].Name {
					t.Errorf("answer %d is of %q", i, got.Region)
				}
				if (got.State == sight.CannotSee || got.State == sight.NotRead || got.State == sight.Frozen) &&
					(got.Why == "" || got.Text != "" || got.HasValue) {
					t.Errorf("%+v", got)
				}
				if got.State == sight.Changed && kind == sight.Change && !(got.Statistic > got.Limit) {
					t.Errorf("changed without a reason: %+v", got)
				}
				if got.Value-got.Value != 0 || got.Statistic-got.Statistic != 0 || got.Confidence < 0 ||
					got.Confidence > 1 {
					t.Errorf("%+v", got)
				}
			}
		}
	})
}
