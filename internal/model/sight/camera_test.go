package sight_test

import (
	"image"
	"image/color"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"provoke/internal/model/sight"
)

const each = 40 * time.Millisecond // 25 pictures a second

// film is a scene as a camera delivers it: sheets are drawn once.
type film struct {
	scene
	rng    *rand.Rand
	sheets map[string][]float32
}

func filmOf(s scene, seed uint64) *film {
	s.sub, s.blur = 4, max(1, s.blur)
	return &film{s, rand.New(rand.NewPCG(seed, 3)), map[string][]float32{}}
}

// next is the picture after 40 ms; the sheet is drawn anew where the key is.
func (f *film) next(key string, change func(s *scene)) sight.Frame {
	f.at += each
	s := f.scene
	if change != nil {
		change(&s)
	}
	if f.sheets[key] == nil {
		f.sheets[key] = s.sheet()
	}
	return s.expose(f.sheets[key], f.rng)
}

func (f *film) learn(t testing.TB, n int, regions ...sight.Region) *sight.Eye {
	t.Helper()
	eye, err := sight.New(regions)
	if err != nil {
		t.Fatal(err)
	}
	for range n {
		eye.Learn(f.next("", nil))
	}
	if err := eye.Learnt(); err != nil {
		t.Fatal(err)
	}
	return eye
}

func watching(kind sight.Kind, box image.Rectangle) sight.Region {
	return sight.Region{Name: string(kind), Kind: kind, Box: box}
}

func showing(text string) scene {
	s := usual(sevenSegments())
	s.text = text
	return s
}

func state(t testing.TB, got sight.Seen, want sight.State, why string) {
	t.Helper()
	if got.State != want || !strings.Contains(got.Why, why) {
		t.Fatalf("got %+v, want %s because of %q", got, want, why)
	}
}

func TestAChangeOfOneDigitFor200MillisecondsIsFound(t *testing.T) {
	n := 100
	if *long {
		n = 20_000
	}
	found, read, all := 0, 0, 0
	rng := rand.New(rand.NewPCG(9, 9))
	for group := range n / 50 {
		for _, face := range []*face{sevenSegments(), dotMatrix()} {
			s := usual(face)
			s.noise, s.blur, s.quality = uniform(rng, 1, 4), rng.IntN(2), 0
			s.text = "12.3"
			f := filmOf(s, uint64(group))
			f.quality = 60 + rng.IntN(31)
			eye := f.learn(t, 25, watching(sight.Change, s.box), s.taught(t, rng))
			for range 25 {
				other := []string{"12.8", "12.2", "72.3", "13.3", "11.3"}[rng.IntN(5)]
				changed, digits := false, false
				for k := range 8 { // 200 ms are five pictures, and those before and after show what was
					text := s.text
					if k >= 1 && k < 6 {
						text = other
					}
					got := eye.Look(f.next(text, func(s *scene) { s.text = text }))
					changed = changed || got[0].State == sight.Changed
					digits = digits || got[1].State == sight.Changed && got[1].Text == other
				}
				all++
				if changed {
					found++
				}
				if digits {
					read++
				}
			}
		}
	}
	t.Logf("figure: sight: one digit for 200 ms: %.2f %% of %d found as a change, %.2f %% read",
		100*float64(found)/float64(all), all, 100*float64(read)/float64(all))
	if 100*found < 99*all || 100*read < 99*all {
		t.Error("less than 99 %")
	}
}

// A camera on a shelf for hours: noise of the sensor, light that drifts by 20 %, a table that shakes by a third of a
// pixel; half of the films through a JPEG.
func TestNothingIsFoundWhereNothingChanges(t *testing.T) {
	n := 5_000
	if *long {
		n = 2_000_000
	}
	frames, alarms, blind := 0, 0, 0
	for group := 0; frames < n; group++ {
		rng := rand.New(rand.NewPCG(uint64(group), 5))
		s := showing([]string{"12.3", "-88.8", "-1"}[group%3])
		s.w, s.h, s.box, s.display = 120, 80, image.Rect(30, 24, 90, 44), image.Rect(30, 24, 90, 44)
		s.noise, s.print, s.blur = uniform(rng, 0.6, 5), rng.Uint64(), 2
		f := filmOf(s, uint64(group))
		if group%8 == 0 {
			f.quality = 60 + rng.IntN(31)
		}
		eye := f.learn(t, 50, watching(sight.Change, s.box))
		base := f.sheets[""]
		var sheets [][]float32
		for range 8 {
			sheets = append(sheets, moved(base, s.w, s.h, uniform(rng, -0.33, 0.33), uniform(rng, -0.33, 0.33)))
		}
		size := 500
		if *long {
			size = 5000
		}
		drifted := make([]float32, len(base))
		for k := range size {
			f.at += each
			sheet := base
			if k%2 == 0 {
				sheet = sheets[k/2%len(sheets)]
			}
			gain := float32(1 + 0.2*math.Sin(float64(k)/300))
			for i, v := range sheet {
				drifted[i] = v * gain
			}
			got := eye.Look(f.expose(drifted, f.rng))[0]
			frames++
			switch got.State {
			case sight.Same:
			case sight.Changed:
				if alarms++; alarms < 10 {
					t.Logf("group %d, picture %d: %+v", group, k, got)
				}
			default:
				if blind++; blind < 10 {
					t.Logf("group %d, picture %d: %+v", group, k, got)
				}
			}
		}
	}
	t.Logf("figure: sight: %d false alarms and %d pictures not seen in %d: at most 1 in %d (95 %%)", alarms, blind,
		frames,
		frames/3)
	if alarms > 0 || blind > frames/10000 {
		t.Error("found a change where there is none")
	}
}

// moved is a sheet between its pixels, by cubic interpolation after Catmull and Rom.
func moved(v []float32, w, h int, x, y float64) []float32 {
	along := func(v []float32, w, h int, x float64) []float32 { // and turned over, so that two make both ways
		x = -x
		k := int(math.Floor(x))
		t := x - float64(k)
		weights := [4]float64{((2-t)*t - 1) * t / 2, ((3*t-5)*t*t + 2) / 2, ((4-3*t)*t + 1) * t / 2,
			(t - 1) * t * t / 2}
		out := make([]float32, len(v))
		for j := range h {
			for i := range w {
				var s float64
				for n, a := range weights {
					s += a * float64(v[j*w+min(max(i+k+n-1, 0), w-1)])
				}
				out[i*h+j] = float32(s)
			}
		}
		return out
	}
	return along(along(v, w, h, x), h, w, y)
}

func TestADisplayThatDimsInConstantLightIsSeen(t *testing.T) {
	f := filmOf(showing("12.3"), 1)
	eye := f.learn(t, 30, watching(sight.Change, f.box))
	state(t, eye.Look(f.next("dim", func(s *scene) { s.dim = 0.85 }))[0], sight.Changed, "")
	state(t, eye.Look(f.next("", nil))[0], sight.Same, "")
}

func TestLightThatDriftsIsFollowed(t *testing.T) {
	f := filmOf(showing("12.3"), 1)
	eye := f.learn(t, 30, watching(sight.Change, f.box))
	for _, light := range []float64{1, 0.95, 0.9, 0.85, 0.8, 0.75, 0.7, 1.05, 1.1, 1.2} {
		key := string(rune(int(light * 100)))
		got := eye.Look(f.next(key, func(s *scene) { s.light = light }))[0]
		if got.State != sight.Same {
			t.Errorf("light %.2f: %+v", light, got)
		}
		// and what shines by itself does not follow it
		got = eye.Look(f.next("self"+key, func(s *scene) {
			s.light, s.ink, s.ground = light, s.ink/light, s.ground/light
		}))[0]
		if got.State != sight.Same {
			t.Errorf("light %.2f of the surroundings alone: %+v", light, got)
		}
	}
}

func TestAKnockIsNeitherWellNorUpset(t *testing.T) {
	f := filmOf(showing("12.3"), 1)
	rng := rand.New(rand.NewPCG(1, 1))
	eye := f.learn(t, 30, watching(sight.Change, f.box), f.taught(t, rng))
	shifts := [][2]float64{{2.2, 0}, {0, -3}, {5, 4}, {12, -8}, {24, 0}, {-24, 0}, {-30, 11}}
	n := 40
	if *long {
		n = 5000
	}
	for range n {
		if x, y := uniform(rng, -34, 34), uniform(rng, -20, 20); math.Hypot(x, y) > 2 {
			shifts = append(shifts, [2]float64{x, y})
		}
	}
	for _, by := range shifts {
		clear(f.sheets)
		for _, got := range eye.Look(f.next("moved", func(s *scene) { s.x, s.y = by[0], by[1] })) {
			if got.State != sight.CannotSee || got.Text != "" || math.Hypot(by[0], by[1]) < 30 &&
				math.Abs(by[1]) < 12 &&
				!strings.Contains(got.Why, "moved") {
				t.Errorf("moved by %v: %+v", by, got)
			}
		}
	}
	if !t.Failed() {
		t.Logf("figure: sight: knocks of 2 to 39 pixels: 0 of %d taken for the product", len(shifts))
	}
	clear(f.sheets)
	for _, got := range eye.Look(f.next("", nil)) {
		state(t, got, sight.Same, "")
	}
}

func TestAHandInFrontIsNeitherWellNorUpset(t *testing.T) {
	n := 2
	if *long {
		n = 200
	}
	pictures := 0
	for seed := range n {
		rng := rand.New(rand.NewPCG(uint64(seed), 1))
		f := filmOf(showing("12.3"), uint64(seed))
		eye := f.learn(t, 30, watching(sight.Change, f.box), f.taught(t, rng))
		wide := 40 + rng.IntN(60)
		for x := -wide; x < f.w; x += 7 { // passes from left to right, over the whole height
			hand := image.Rect(x, 0, x+wide, f.h)
			pictures++
			covers := hand.Overlaps(f.box.Inset(-2))
			for _, got := range eye.Look(f.next(hand.String(), func(s *scene) { s.hand = hand })) {
				switch {
				case covers && (got.State != sight.CannotSee || !strings.Contains(got.Why, "in front")):
					t.Errorf("hand at %v: %+v", hand, got)
				case got.State == sight.Changed || got.Text != "" && got.Text != "12.3":
					t.Errorf("hand at %v: %+v", hand, got)
				}
			}
		}
		for _, got := range eye.Look(f.next("", nil)) {
			state(t, got, sight.Same, "")
		}
	}
	if !t.Failed() {
		t.Logf("figure: sight: a hand that passes: 0 of %d pictures taken for the product", pictures)
	}
}

// A finger that hides a display and little else of a large picture.
func TestAFingerInFrontOfARegionIsToldFromAChange(t *testing.T) {
	s := showing("12.3")
	s.w, s.h = 480, 360
	f := filmOf(s, 1)
	far := watching(sight.Change, image.Rect(300, 200, 340, 240))
	far.Name = "far"
	eye := f.learn(t, 30, watching(sight.Change, f.box), far)
	got := eye.Look(f.next("finger", func(s *scene) { s.hand = image.Rect(80, 20, 170, 100) }))
	state(t, got[0], sight.CannotSee, "around the region")
	state(t, got[1], sight.Same, "")
}

func TestAReferenceThatChangesAccusesTheCamera(t *testing.T) {
	f := filmOf(showing("12.3"), 1)
	rng := rand.New(rand.NewPCG(1, 1))
	reference := watching(sight.Reference, image.Rect(8, 8, 32, 24))
	eye := f.learn(t, 30, watching(sight.Change, f.box), f.taught(t, rng), reference)
	for _, got := range eye.Look(f.next("", nil)) {
		state(t, got, sight.Same, "")
	}
	// Stripes of 6 grey levels are below what the surroundings call a change.
	got := eye.Look(f.next("", func(s *scene) { s.rf = 6 }))
	state(t, got[2], sight.Changed, "cells deviate")
	state(t, got[0], sight.CannotSee, "the camera is disturbed")
	state(t, got[1], sight.CannotSee, "the camera is disturbed")
	if got[1].Text != "" || got[1].HasValue {
		t.Errorf("a value from a disturbed camera: %+v", got[1])
	}
}

func TestTheSamePictureAgainIsFrozen(t *testing.T) {
	f := filmOf(showing("12.3"), 1)
	f.quality = 80
	eye := f.learn(t, 30, watching(sight.Change, f.box))
	once := f.next("", nil)
	state(t, eye.Look(once)[0], sight.Same, "")
	once.At += each
	state(t, eye.Look(once)[0], sight.Frozen, "once more")
	again := *once.Image // the same, coded anew: a few levels differ
	again.Y = slices.Clone(again.Y)
	for i := range 40 {
		again.Y[i*300] ^= 1
	}
	state(t, eye.Look(sight.Frame{Image: &again, At: once.At + each})[0], sight.Frozen, "once more")
	state(t, eye.Look(f.next("", nil))[0], sight.Same, "")
}

func TestACameraThatRepeatsItselfIsNoBaseline(t *testing.T) {
	f := filmOf(showing("12.3"), 1)
	eye, err := sight.New([]sight.Region{watching(sight.Change, f.box)})
	if err != nil {
		t.Fatal(err)
	}
	once := f.next("", nil)
	for range 40 {
		eye.Learn(once)
	}
	if err := eye.Learnt(); err == nil || !strings.Contains(err.Error(), "same picture again") {
		t.Errorf("learnt from one picture: %v", err)
	}
}

// A third of the places is lit in each picture, another third in the next.
func multiplexed(k int) func(place int) float64 {
	return func(place int) float64 {
		if place%3 == k%3 {
			return 1
		}
		return 0.1
	}
}

func TestAMultiplexedDisplayIsReadFromSeveralPictures(t *testing.T) {
	bright, dark := showing("12.345"), showing("12.345")
	dark.ink, dark.ground = 40, 170
	t.Run("bright", func(t *testing.T) { readMultiplexed(t, bright) })
	t.Run("dark", func(t *testing.T) { readMultiplexed(t, dark) })
}

func readMultiplexed(t *testing.T, s scene) {
	f := filmOf(s, 2)
	k := 0
	shoot := func(text string) sight.Frame {
		k++
		return f.next(text+string(rune('a'+k%3)), func(s *scene) { s.text, s.share = text, multiplexed(k) })
	}
	var lessons []sight.Lesson
	for _, text := range lessonTexts {
		for range 9 {
			lessons = append(lessons, sight.Lesson{Frame: shoot(text), Text: text})
		}
	}
	r, err := sight.Teach(s.digits(), lessons)
	if err != nil {
		t.Fatal(err)
	}
	if r.Join != 3 {
		t.Errorf("a cycle of three pictures takes %d to be joined", r.Join)
	}
	eye, err := sight.New([]sight.Region{r, watching(sight.Change, s.box)})
	if err != nil {
		t.Fatal(err)
	}
	for range 60 {
		eye.Learn(shoot("13.013"))
	}
	values := 8
	if *long {
		values = 2000
	}
	last := "13.013"
	read, all := 0, 0
	for range values {
		text := anyText(s, f.rng)
		if all == 0 {
			text = "7" // almost nothing is lit: pictures that differ little are not the same
		}
		for i := range 10 {
			got := eye.Look(shoot(text))
			all++
			if got[0].Text != "" {
				read++
			}
			if got[0].Text != "" && got[0].Text != text && (got[0].Text != last || i > 4) {
				t.Fatalf("%q after %q, picture %d: read %q", text, last, i, got[0].Text)
			}
			if i >= 5 && got[0].Text != text {
				t.Errorf("%q, picture %d: %+v", text, i, got[0])
			}
			if want := sight.Changed; i >= 3 && text != "13.013" && got[1].State != want {
				t.Errorf("change to %q, picture %d: %+v", text, i, got[1])
			}
		}
		last = text
	}
	t.Logf("figure: sight: multiplexed over 3 pictures: %d values, 0 read wrongly; %d of %d pictures read, 5 after "+
		"each change are not",
		values, read, all)
	for i := range 12 {
		if got := eye.Look(shoot("13.013"))[1]; i > 3 && got.State != sight.Same {
			t.Errorf("back: %+v", got)
		}
	}
}

func TestALampIsToldByColourAndRate(t *testing.T) {
	colours := map[string]color.RGBA{"red": {220, 20, 20, 255}, "amber": {230, 130, 10, 255}, "green": {20, 200, 50,
		255},
		"blue": {30, 60, 230, 255}, "white": {220, 220, 220, 255}}
	for name, c := range colours {
		f := filmOf(showing("12.3"), 1)
		f.quality = 75
		eye, err := sight.New([]sight.Region{watching(sight.Lamp, lampAt)})
		if err != nil {
			t.Fatal(err)
		}
		if got := eye.Look(f.next("", nil))[0]; got.Text != "off" {
			t.Errorf("%s, off: %+v", name, got)
		}
		if got := eye.Look(f.next("", func(s *scene) { s.lamp = c }))[0]; got.Text != name {
			t.Errorf("%s: %+v", name, got)
		}
	}
}

func TestALampThatStopsBlinkingHasChanged(t *testing.T) {
	for _, period := range []int{4, 13, 25, 50} { // pictures
		f := filmOf(showing("12.3"), 1)
		eye, err := sight.New([]sight.Region{watching(sight.Lamp, lampAt)})
		if err != nil {
			t.Fatal(err)
		}
		k := 0
		blinking := func(period int) sight.Frame {
			k++
			return f.next("", func(s *scene) {
				if k%period < period/2 {
					s.lamp = color.RGBA{220, 20, 20, 255}
				}
			})
		}
		for range 30 {
			eye.Learn(blinking(period))
		}
		if period == 50 {
			if err := eye.Learnt(); err == nil || !strings.Contains(err.Error(), "blinks") {
				t.Errorf("half a hertz is known after a second: %v", err)
			}
		}
		for range 170 {
			eye.Learn(blinking(period))
		}
		if err := eye.Learnt(); err != nil {
			t.Fatal(err)
		}
		want := 25 / float64(period)
		for range 100 {
			got := eye.Look(blinking(period))[0]
			var rate float64
			if _, text, ok := strings.Cut(got.Text, "red, "); ok {
				rate = number(text)
			}
			if got.State != sight.Same || math.Abs(rate-want) > 0.1*want {
				t.Fatalf("%.2f Hz: %+v", want, got)
			}
		}
		// A hand passes: nothing is known until the rate is known again, and then it is what it was.
		hand := func(s *scene) { s.hand = image.Rect(100, 0, 200, 96) }
		state(t, eye.Look(f.next("hand", hand))[0], sight.CannotSee, "in front")
		for i := range 5 * period {
			got := eye.Look(blinking(period))[0]
			if got.State == sight.Changed || i > 4*period && got.State != sight.Same {
				t.Fatalf("%.2f Hz, picture %d after a hand: %+v", want, i, got)
			}
		}
		for i := range 2 * period {
			got := eye.Look(f.next("", func(s *scene) { s.lamp = color.RGBA{220, 20, 20, 255} }))[0]
			if i > period*3/2 && (got.State != sight.Changed || got.Text != "red") {
				t.Errorf("%.2f Hz, lit for %d pictures: %+v", want, i, got)
			}
		}
	}
}

func number(text string) (v float64) {
	for i, c := range strings.TrimSuffix(text, " Hz") {
		if c == '.' {
			return v + float64(text[i+1]-'0')/10
		}
		v = 10*v + float64(c-'0')
	}
	return v
}

// A lamp with a bright lens looks lit beside a dark panel until it is taught.
func TestALampIsTaughtWhatOffIs(t *testing.T) {
	f := filmOf(showing("12.3"), 1)
	lens := func(s *scene) { s.lamp = color.RGBA{60, 60, 60, 255} }
	lit := func(s *scene) { s.lamp = color.RGBA{150, 150, 150, 255} }
	r := watching(sight.Lamp, lampAt)
	eye, err := sight.New([]sight.Region{r})
	if err != nil {
		t.Fatal(err)
	}
	if got := eye.Look(f.next("", lens))[0]; got.Text != "white" {
		t.Errorf("the scene does not show what is taught here: %+v", got)
	}
	r, err = sight.Teach(r, []sight.Lesson{{Frame: f.next("", lens), Text: "off"}, {Frame: f.next("", lit),
		Text: "on"}})
	if err != nil {
		t.Fatal(err)
	}
	if eye, err = sight.New([]sight.Region{r}); err != nil {
		t.Fatal(err)
	}
	for text, how := range map[string]func(*scene){"off": lens, "white": lit} {
		if got := eye.Look(f.next("", how))[0]; got.Text != text {
			t.Errorf("%s: %+v", text, got)
		}
	}
	if _, err := sight.Teach(r, []sight.Lesson{{Frame: f.next("", lens), Text: "off"},
		{Frame: f.next("", lens), Text: "on"}}); err == nil || !strings.Contains(err.Error(), "when lit") {
		t.Errorf("taught that off is lit: %v", err)
	}
}

// BenchmarkSixRegions prints what share of one core 25 pictures a second of 640 × 480 take, with displays that are
// read, and with displays that nothing can be read of, where every pose is tried again and again.
func BenchmarkSixRegions(b *testing.B) {
	for name, text := range map[string]string{"read": "12.345", "not read": "EEEEE"} {
		b.Run(name, func(b *testing.B) {
			segments['E'] = "afged"
			defer delete(segments, 'E')
			s := usual(sevenSegments())
			s.w, s.h, s.text = 640, 480, text
			f := filmOf(s, 1)
			one := f.taught(b, f.rng)
			regions := []sight.Region{watching(sight.Change, image.Rect(300, 200, 420, 300)),
				watching(sight.Lamp, lampAt), watching(sight.Reference, image.Rect(500, 400, 560, 440))}
			for _, again := range []string{"first", "second", "third"} {
				one.Name = again
				regions = append(regions, one)
			}
			eye := f.learn(b, 25, regions...)
			var pictures []sight.Frame
			for range 8 {
				pictures = append(pictures, f.next("", nil))
			}
			b.ResetTimer()
			for i := 0; b.Loop(); i++ {
				for k, got := range eye.Look(pictures[i%8]) {
					if got.State != sight.Same && (name == "read" || k < 3) {
						b.Fatalf("%+v", got)
					}
				}
			}
			b.ReportMetric(100*25*b.Elapsed().Seconds()/float64(b.N), "%core")
		})
	}
}
