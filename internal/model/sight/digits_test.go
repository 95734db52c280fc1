package sight_test

import (
	"flag"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"

	"provoke/internal/model/sight"
)

var long = flag.Bool("long", false, "as many scenes as docs/confidence.md tells")

// any is a number of up to five places as a display shows it.
func anyText(s scene, rng *rand.Rand) string {
	decimals := rng.IntN(4)
	v := float64(rng.IntN(200000)-100000) / 10
	text := fmt.Sprintf("%.*f", decimals, v/[...]float64{1, 3, 40, 900}[decimals])
	limit := s.places
	if !s.face.ownPoint {
		limit++
	}
	digits := strings.Count(text, "") - 1
	if !s.face.ownPoint {
		digits -= strings.Count(text, ".")
	}
	for digits > s.places {
		text, digits = text[:len(text)-1], digits-1
	}
	return strings.TrimSuffix(text, ".")
}

func uniform(rng *rand.Rand, low, high float64) float64 { return low + (high-low)*rng.Float64() }

// kinds are the disturbances: each alters a scene of fair light.
var kinds = []struct {
	name string
	fair bool // at most 2 % not read
	do   func(s *scene, rng *rand.Rand)
}{
	{"fair light, another angle", true, func(s *scene, rng *rand.Rand) {}},
	{"noise of 4 to 12 grey levels", true, func(s *scene, rng *rand.Rand) { s.noise = uniform(rng, 4, 12) }},
	{"light of 60 to 130 %, a gradient", true, func(s *scene, rng *rand.Rand) {
		s.light, s.shade = uniform(rng, 0.6, 1.3), uniform(rng, -50, 50)
	}},
	{"the display at 35 to 100 %", true, func(s *scene, rng *rand.Rand) { s.dim = uniform(rng, 0.35, 1) }},
	{"out of focus", false, func(s *scene, rng *rand.Rand) { s.blur = 1 + rng.IntN(4) }},
	{"glare", false, func(s *scene, rng *rand.Rand) {
		s.glare = [4]float64{uniform(rng, 30, 170), uniform(rng, 20, 76), uniform(rng, 3, 40), uniform(rng, 40, 300)}
	}},
	{"all of these", false, func(s *scene, rng *rand.Rand) {
		s.light, s.shade, s.dim, s.noise = uniform(rng, 0.6, 1.3), uniform(rng, -40, 40), uniform(rng, 0.4, 1),
			uniform(rng, 1, 10)
		s.blur = rng.IntN(3)
		if rng.IntN(2) == 0 {
			s.glare = [4]float64{uniform(rng, 30, 170), uniform(rng, 20, 76), uniform(rng, 3, 40), uniform(rng, 20,
				200)}
		}
	}},
}

func faces(t testing.TB) []*face {
	return []*face{dejavu(t), liberation(t), sevenSegments(), dotMatrix()}
}

// otherwise is a scene as it is met after the lessons: another angle, light and JPEG.
func otherwise(s scene, rng *rand.Rand) scene {
	s.tilt, s.slant = uniform(rng, -0.035, 0.035), uniform(rng, -0.05, 0.05)
	s.size = uniform(rng, 0.97, 1.03)
	s.x, s.y = uniform(rng, -3, 3), uniform(rng, -3, 3)
	s.noise = uniform(rng, 0.8, 3)
	s.quality = 60 + rng.IntN(31)
	s.print = rng.Uint64()
	s.text = anyText(s, rng)
	return s
}

func TestNoDigitIsReadWrongly(t *testing.T) {
	n := 25
	if *long {
		n = 100_000/(len(kinds)*4) + 1
	}
	type count struct{ scenes, wrong, unread int }
	total := count{}
	rng := rand.New(rand.NewPCG(7, 1))
	taught := map[*face]sight.Region{}
	all := faces(t)
	for _, f := range all {
		taught[f] = usual(f).taught(t, rng)
	}
	for _, kind := range kinds {
		c := count{}
		reasons := map[string]int{}
		for _, f := range all {
			for range n {
				s := otherwise(usual(f), rng)
				kind.do(&s, rng)
				eye, err := sight.New([]sight.Region{taught[f]})
				if err != nil {
					t.Fatal(err)
				}
				got := eye.Look(s.shoot(rng))[0]
				c.scenes++
				switch {
				case got.State == sight.NotRead:
					c.unread++
					reasons[f.name+": "+got.Why]++
				case got.Text != s.text:
					c.wrong++
					t.Errorf("%s, %s: read %q where %q stands: %+v\n%+v", kind.name, f.name, got.Text, s.text, got, s)
				}
			}
		}
		if kind.fair && float64(c.unread) > 0.02*float64(c.scenes) {
			t.Errorf("%s: %d of %d scenes not read: %v", kind.name, c.unread, c.scenes, reasons)
		}
		t.Logf("figure: sight: %s: %d scenes, %d read wrongly, %.2f %% not read", kind.name, c.scenes, c.wrong,
			100*float64(c.unread)/float64(c.scenes))
		total.scenes, total.wrong = total.scenes+c.scenes, total.wrong+c.wrong
	}
	t.Logf("figure: sight: %d of %d independent scenes read wrongly: at most 1 in %d (95 %%)", total.wrong,
		total.scenes,
		total.scenes/3)
}
