package hearing

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"strings"
	"testing"
)

// sampled is a function of time in parts of full scale, in 16 bits.
func sampled(rate float64, window, channels int, at func(seconds float64, channel int) float64) []int16 {
	out := make([]int16, 0, window*channels)
	for i := range window {
		for c := range channels {
			v := math.Round(fullScale * at(float64(i)/rate, c))
			out = append(out, int16(min(max(v, math.MinInt16), math.MaxInt16)))
		}
	}
	return out
}

func sine(amplitude, hz float64) func(float64, int) float64 {
	return func(s float64, _ int) float64 { return amplitude * math.Sin(2*math.Pi*hz*s+0.3) }
}

func ear(t *testing.T, rate float64, channels int, from, to float64, window int) *Ear {
	t.Helper()
	e, err := New(rate, channels, from, to, window)
	if err != nil {
		t.Fatal(err)
	}
	return e
}

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: %.3f dBFS, want %.3f ± %g", what, got, want, within)
	}
}

func TestTheLevelOfASineIsItsAmplitudeUnderFullScale(t *testing.T) {
	e := ear(t, 48000, 1, 900, 1100, 4800)
	for _, hz := range []float64{930, 997, 1000, 1003.7, 1070} { // between the lines as well
		for _, dB := range []float64{-0.1, -6, -40, -60} {
			h := e.Hear(sampled(48000, 4800, 1, sine(math.Pow(10, dB/20), hz)))
			near(t, fmt.Sprintf("%g Hz at %g dBFS", hz, dB), h.Level, dB, 0.05)
			if h.Clipped || h.Dead {
				t.Errorf("%g Hz at %g dBFS: %+v", hz, dB, h)
			}
		}
	}
	near(t, "at the end of the band", e.Hear(sampled(48000, 4800, 1, sine(0.1, 1100))).Level, -20-0.79, 0.05)
	if h := e.Hear(sampled(48000, 4800, 1, sine(0.5, 1300))); h.Level > -85 || math.Abs(h.Whole+6.02) > 0.05 {
		t.Errorf("a tone beside the band: %+v", h)
	}
}

func TestASquareWaveAndADirectVoltageHaveTheLevelsOfTheirSeries(t *testing.T) {
	square := func(s float64, _ int) float64 {
		if math.Mod(s*1000+1e-9, 1) < 0.5 {
			return 0.5 + 0.2
		}
		return -0.5 + 0.2
	}
	// 4/π of its amplitude is the first line, a third of that the third.
	h := ear(t, 48000, 1, 900, 1100, 4800).Hear(sampled(48000, 4800, 1, square))
	near(t, "first line", h.Level, 20*math.Log10(0.5*4/math.Pi), 0.05)
	near(t, "all of them", h.Whole, 20*math.Log10(0.5)+3.01, 0.05)
	h = ear(t, 48000, 1, 2900, 3100, 4800).Hear(sampled(48000, 4800, 1, square))
	near(t, "third line", h.Level, 20*math.Log10(0.5*4/math.Pi/3), 0.15)
}

func TestNoiseHasItsShareOfTheBandAndScattersAsItIsSaid(t *testing.T) {
	const amplitude, windows = 0.1, 600
	r := rand.New(rand.NewPCG(1, 2))
	for _, band := range [][2]float64{{2000, 4000}, {3000, 3200}} {
		e := ear(t, 16000, 1, band[0], band[1], 1600)
		lines := (band[1]-band[0])/10 + 1
		var power, sum, square float64
		for range windows {
			level := e.Hear(sampled(16000, 1600, 1, func(float64, int) float64 {
				return amplitude * (2*r.Float64() - 1)
			})).Level
			power += math.Pow(10, level/10) / windows
			sum += level / windows
			square += level * level / windows
		}
		want := 10 * math.Log10(2*amplitude*amplitude/3*lines/800)
		near(t, fmt.Sprint(band), 10*math.Log10(power), want, 0.15)
		got, said := math.Sqrt(square-sum*sum), Scatter(band[1]-band[0], 0.1)
		t.Logf("figure: band %v: noise scatters by %.2f dB, said %.2f dB", band, got, said)
		if got < 0.85*said || got > 1.15*said {
			t.Errorf("band %v: noise scatters by %.2f dB, said %.2f dB", band, got, said)
		}
	}
}

func TestWhatIsCutOffAndWhatIsDeadIsTold(t *testing.T) {
	e := ear(t, 16000, 2, 900, 1100, 1600)
	if h := e.Hear(sampled(16000, 1600, 2, sine(1.4, 440))); !h.Clipped {
		t.Errorf("3 dB over full scale: %+v", h)
	}
	if h := e.Hear(sampled(16000, 1600, 2, sine(0.99, 440))); h.Clipped {
		t.Errorf("just below full scale: %+v", h)
	}
	// Each channel has an offset of its own.
	if h := e.Hear(sampled(16000, 1600, 2, func(_ float64, c int) float64 { return 0.1 * float64(c) })); !h.Dead ||
		h.Clipped || h.Level != Floor {
		t.Errorf("nothing but a direct voltage: %+v", h)
	}
	one := sampled(16000, 1600, 2, func(float64, int) float64 { return 1 })
	if h := e.Hear(one); !h.Dead || h.Clipped {
		t.Errorf("stuck at the end of the scale: %+v", h)
	}
	one[777]--
	if e.Hear(one).Dead {
		t.Error("one sample that differs is life")
	}
}

func TestABandThatAWindowCannotTellIsRefused(t *testing.T) {
	for _, c := range []struct {
		from, to float64
		want     string
	}{{10, 100, "nothing below 20 Hz"}, {3000, 7990, "nothing above 7980 Hz"}, {3000, 3030, "less than 40 Hz apart"}} {
		if _, err := New(16000, 1, c.from, c.to, 1600); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%v: %v", c, err)
		}
	}
	if _, err := New(16000, 1, 3000, 3040, 1600); err != nil {
		t.Error(err)
	}
}

func TestLevelsAreThoseOfScipy(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	var in strings.Builder
	var got []Heard
	for range 40 {
		rate, channels, window := []float64{8000, 16000, 44100, 48000}[r.IntN(4)], 1+r.IntN(3), 400+r.IntN(1200)
		line := rate / float64(window)
		from := line * (2 + 100*r.Float64())
		to := from + line*(5+60*r.Float64())
		tone, loud, noise := from+(to-from)*(2*r.Float64()-0.5), 0.9*r.Float64(), 0.1*r.Float64()
		samples := sampled(rate, window, channels, func(s float64, c int) float64 {
			return loud/float64(c+1)*math.Sin(2*math.Pi*tone*s) + noise*r.NormFloat64() + 0.01*float64(c)
		})
		got = append(got, ear(t, rate, channels, from, to, window).Hear(samples))
		fmt.Fprintln(&in, rate, channels, from, to, window)
		fmt.Fprintln(&in, strings.Trim(fmt.Sprint(samples), "[]"))
	}
	run := exec.Command("/usr/bin/python3", "testdata/level.py")
	run.Stdin = strings.NewReader(in.String())
	out, err := run.CombinedOutput()
	if err != nil {
		if os.Getenv("CI") == "true" || !strings.Contains(string(out)+err.Error(), "No module") &&
			!strings.Contains(err.Error(), "no such file") {
			t.Fatalf("python3: %v\n%s", err, out)
		}
		t.Skip("outside check skipped: python3 with scipy is not installed")
	}
	lines := strings.Split(strings.TrimSpace(string(out)), "\n")
	if len(lines) != len(got) {
		t.Fatalf("%d answers to %d questions", len(lines), len(got))
	}
	for i, l := range lines {
		var level, whole float64
		if _, err := fmt.Sscan(l, &level, &whole); err != nil {
			t.Fatal(err)
		}
		near(t, "in the band", got[i].Level, level, 1e-6)
		near(t, "as a whole", got[i].Whole, whole, 1e-6)
	}
}
