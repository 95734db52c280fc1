package report

import (
	"math"
	"strconv"

	"gonum.org/v1/plot"
)

// frequencyTicks labels a logarithmic frequency axis 1–3–10 with k and M: "150k" is not on it, but
// "100k", "300k", "1M", "3M" are. Over less than a decade and a half the labels are closer.
type frequencyTicks struct{}

// Ticks returns the labelled and the small ticks between two frequencies in hertz.
func (frequencyTicks) Ticks(low, high float64) []plot.Tick {
	if !(low > 0) || !(high > low) {
		return []plot.Tick{{Value: low, Label: hertzLabel(low)}}
	}
	decades := math.Log10(high / low)
	labelled := map[int]bool{1: true, 3: true}
	if decades < 1.5 {
		labelled = map[int]bool{1: true, 2: true, 3: true, 5: true, 7: true}
	}
	if decades < 0.6 {
		return evenTicks(low, high)
	}
	var out []plot.Tick
	for exp := math.Floor(math.Log10(low)); math.Pow(10, exp) <= high; exp++ {
		for digit := 1; digit <= 9; digit++ {
			v := float64(digit) * math.Pow(10, exp)
			if v < low*(1-1e-9) || v > high*(1+1e-9) {
				continue
			}
			t := plot.Tick{Value: v}
			if labelled[digit] {
				t.Label = hertzLabel(v)
			}
			out = append(out, t)
		}
	}
	return out
}

// evenTicks are for a narrow range, where a decade has nothing to say.
func evenTicks(low, high float64) []plot.Tick {
	var out []plot.Tick
	step := niceStep((high - low) / 6)
	for v := math.Ceil(low/step) * step; v <= high*(1+1e-9); v += step {
		out = append(out, plot.Tick{Value: v, Label: hertzLabel(v)})
	}
	return out
}

// hertzLabel prints a frequency as the trade writes it on an axis: 150k, 27M.
func hertzLabel(hz float64) string {
	for _, m := range []struct {
		scale float64
		sign  string
	}{{1e9, "G"}, {1e6, "M"}, {1e3, "k"}} {
		if hz >= m.scale*(1-1e-9) {
			return shortNumber(hz/m.scale) + m.sign
		}
	}
	return shortNumber(hz)
}

// shortNumber prints four significant digits without trailing zeros.
func shortNumber(x float64) string {
	y, err := strconv.ParseFloat(strconv.FormatFloat(x, 'g', 4, 64), 64)
	if err != nil || y == 0 {
		return "0"
	}
	return strconv.FormatFloat(y, 'f', -1, 64)
}

// niceStep returns 1, 2 or 5 times a power of ten, not below x.
func niceStep(x float64) float64 {
	base := math.Pow(10, math.Floor(math.Log10(x)))
	for _, m := range []float64{1, 2, 5} {
		if x <= m*base*(1+1e-9) {
			return m * base
		}
	}
	return 10 * base
}

// linearTicks are labelled ticks at round values, about n of them.
type linearTicks struct{ n float64 }

// Ticks returns the labelled ticks between two values.
func (t linearTicks) Ticks(low, high float64) []plot.Tick {
	if !(high > low) {
		return []plot.Tick{{Value: low, Label: shortNumber(low)}}
	}
	step := niceStep((high - low) / t.n)
	label := shortNumber
	if most := max(math.Abs(low), math.Abs(high)); most > 999*step { // four digits do not tell the ticks apart
		label = func(x float64) string {
			if most >= 1e9 {
				return strconv.FormatFloat(x, 'e', max(0, int(math.Ceil(math.Log10(most/step)))), 64)
			}
			return strconv.FormatFloat(x, 'f', max(0, int(math.Ceil(-math.Log10(step)-1e-9))), 64)
		}
	}
	var out []plot.Tick
	for i := math.Ceil(low/step - 1e-9); i*step <= high+step*1e-9; i++ {
		out = append(out, plot.Tick{Value: i * step, Label: label(i * step)})
	}
	return out
}
