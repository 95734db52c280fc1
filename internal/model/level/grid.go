package level

import (
	"fmt"
	"math"
	"sort"
	"strings"

	"provoke/internal/units/rf"
)

// MaximumFrequencies is the largest number of frequencies that a grid may have.
const MaximumFrequencies = 100_000

// sameFrequency is the relative difference below which two frequencies of a grid are one.
const sameFrequency = 1e-9

// Grid is a set of frequencies, described rather than listed. The zero Grid is empty, which is an
// error when its frequencies are asked for.
type Grid struct {
	text string
	make func() ([]float64, error)
}

// GridPercent goes from low to high, each frequency a fixed share above the one before; high is
// appended when it is not hit. 150 kHz to 80 MHz in 1 % steps has 633 frequencies.
func GridPercent(low, high rf.Frequency, step rf.Fraction) Grid {
	return Grid{
		fmt.Sprintf("%v to %v in %v steps", low, high, step),
		func() ([]float64, error) {
			if !(step > 0 && step <= 1) {
				return nil, fmt.Errorf("a step of %v must be above 0 %% and at most 100 %%", step)
			}
			return geometric(low, high, 1+float64(step))
		},
	}
}

// GridPerDecade goes from low to high in equal ratios, the given number of steps to a decade; high
// is appended when it is not hit. RTCA DO-160 counts 100 frequencies to a decade with both its
// ends, which is 99 steps.
func GridPerDecade(low, high rf.Frequency, steps int) Grid {
	return Grid{
		fmt.Sprintf("%v to %v, %d steps per decade", low, high, steps),
		func() ([]float64, error) {
			if steps < 1 || steps > MaximumFrequencies {
				return nil, fmt.Errorf("%d steps per decade must be between 1 and %d", steps, MaximumFrequencies)
			}
			return geometric(low, high, math.Pow(10, 1/float64(steps)))
		},
	}
}

// GridLinear goes from low to high in steps of equal hertz; high is appended when it is not hit.
func GridLinear(low, high, step rf.Frequency) Grid {
	return Grid{
		fmt.Sprintf("%v to %v in %v steps", low, high, step),
		func() ([]float64, error) {
			if !step.Known() {
				return nil, fmt.Errorf("the step must be above 0 Hz")
			}
			if err := checkEnds(low, high); err != nil {
				return nil, err
			}
			return series(float64(low), float64(high), (high.Hz()-low.Hz())/step.Hz(), func(i int) float64 {
				return low.Hz() + float64(i)*step.Hz()
			})
		},
	}
}

// GridList is the frequencies given.
func GridList(frequencies ...rf.Frequency) Grid {
	given := append([]rf.Frequency(nil), frequencies...)
	return Grid{
		listText(given),
		func() ([]float64, error) {
			if err := tooMany(float64(len(given))); err != nil {
				return nil, err
			}
			out := make([]float64, len(given))
			for i, f := range given {
				if !f.Known() {
					return nil, fmt.Errorf("frequency %d of the list must be above 0 Hz", i+1)
				}
				out[i] = f.Hz()
			}
			return out, nil
		},
	}
}

// GridAround is a dense grid round each of the given frequencies: from span below to span above in
// equal ratios, the frequency itself and both ends among them.
func GridAround(centres []rf.Frequency, span, step rf.Fraction) Grid {
	given := append([]rf.Frequency(nil), centres...)
	return Grid{
		fmt.Sprintf("%s ± %v in %v steps", listText(given), span, step),
		func() ([]float64, error) {
			if !(span > 0 && span < 1) {
				return nil, fmt.Errorf("a span of ± %v must be above 0 %% and below 100 %%", span)
			}
			if !(step > 0 && step <= 1) {
				return nil, fmt.Errorf("a step of %v must be above 0 %% and at most 100 %%", step)
			}
			return around(given, func(c rf.Frequency) ([]float64, error) {
				low, high := rf.Frequency(float64(c)*(1-float64(span))), rf.Frequency(float64(c)*(1+float64(span)))
				up, err := geometric(c, high, 1+float64(step))
				if err != nil {
					return nil, err
				}
				down, err := geometricDown(c, low, 1+float64(step))
				return append(down, up...), err
			})
		},
	}
}

// GridAroundLinear is a dense grid round each of the given frequencies: from span below to span
// above in steps of equal hertz, the frequency itself and both ends among them.
func GridAroundLinear(centres []rf.Frequency, span, step rf.Frequency) Grid {
	given := append([]rf.Frequency(nil), centres...)
	return Grid{
		fmt.Sprintf("%s ± %v in %v steps", listText(given), span, step),
		func() ([]float64, error) {
			if !span.Known() || !step.Known() {
				return nil, fmt.Errorf("span and step must be above 0 Hz")
			}
			return around(given, func(c rf.Frequency) ([]float64, error) {
				if c <= span {
					return nil, fmt.Errorf("a span of ± %v round %v reaches down to 0 Hz", span, c)
				}
				n := span.Hz() / step.Hz()
				up, err := series(c.Hz(), c.Hz()+span.Hz(), n,
					func(i int) float64 { return c.Hz() + float64(i)*step.Hz() })
				if err != nil {
					return nil, err
				}
				down, err := series(c.Hz(), c.Hz()-span.Hz(),
					n, func(i int) float64 { return c.Hz() - float64(i)*step.Hz() })
				return append(down, up...), err
			})
		},
	}
}

// GridUnion is all frequencies of several grids; those that differ by less than 1 part in 10⁹ are
// one.
func GridUnion(grids ...Grid) Grid {
	given := append([]Grid(nil), grids...)
	var texts []string
	for _, g := range given {
		texts = append(texts, g.String())
	}
	return Grid{
		strings.Join(texts, " and "),
		func() ([]float64, error) {
			var all []float64
			for _, g := range given {
				fs, err := g.hertz()
				if err != nil {
					return nil, fmt.Errorf("%v: %w", g, err)
				}
				all = append(all, fs...)
				if err := tooMany(float64(len(all))); err != nil {
					return nil, err
				}
			}
			return all, nil
		},
	}
}

// Empty reports that the grid was not given.
func (g Grid) Empty() bool { return g.make == nil }

// String says how the grid was asked for: "150 kHz to 80 MHz in 1 % steps".
func (g Grid) String() string {
	if g.Empty() {
		return "no frequencies"
	}
	return g.text
}

// Frequencies returns the frequencies, ascending and without repeats. It refuses an empty grid,
// ends that are not in order, and more than MaximumFrequencies.
func (g Grid) Frequencies() ([]rf.Frequency, error) {
	raw, err := g.hertz()
	if err != nil {
		return nil, fmt.Errorf("frequencies %v: %w", g, err)
	}
	sort.Float64s(raw)
	var out []rf.Frequency
	for _, f := range raw {
		if n := len(out); n > 0 && f-float64(out[n-1]) <= sameFrequency*f {
			continue
		}
		out = append(out, rf.Frequency(f))
	}
	if len(out) == 0 {
		return nil, fmt.Errorf("the grid has no frequencies")
	}
	return out, nil
}

func (g Grid) hertz() ([]float64, error) {
	if g.Empty() {
		return nil, fmt.Errorf("no frequencies were given")
	}
	return g.make()
}

func checkEnds(low, high rf.Frequency) error {
	switch {
	case !low.Known() || !high.Known():
		return fmt.Errorf("start and stop must be above 0 Hz")
	case high < low:
		return fmt.Errorf("the stop %v is below the start %v", high, low)
	}
	return nil
}

func tooMany(n float64) error {
	if !(n <= MaximumFrequencies) {
		return fmt.Errorf("more than %d frequencies: widen the steps or narrow the band", MaximumFrequencies)
	}
	return nil
}

func geometric(low, high rf.Frequency, ratio float64) ([]float64, error) {
	if err := checkEnds(low, high); err != nil {
		return nil, err
	}
	if !(ratio > 1) {
		return nil, fmt.Errorf("the step is too small to tell two frequencies apart")
	}
	return series(low.Hz(), high.Hz(), math.Log(high.Hz()/low.Hz())/math.Log(ratio), func(i int) float64 {
		return low.Hz() * math.Pow(ratio, float64(i))
	})
}

func geometricDown(from, to rf.Frequency, ratio float64) ([]float64, error) {
	if err := checkEnds(to, from); err != nil {
		return nil, err
	}
	return series(from.Hz(), to.Hz(), math.Log(from.Hz()/to.Hz())/math.Log(ratio), func(i int) float64 {
		return from.Hz() * math.Pow(ratio, -float64(i))
	})
}

// series returns f(0), f(1), … up to steps, and stop itself; a point that rounding sets within the
// merging distance of stop gives way to it.
func series(start, stop, steps float64, f func(int) float64) ([]float64, error) {
	if err := tooMany(steps + 1); err != nil {
		return nil, err
	}
	out := []float64{start}
	for i := 1; i <= int(steps); i++ {
		x := f(i)
		if math.Abs(x-stop) <= sameFrequency*stop {
			break
		}
		out = append(out, x)
	}
	if stop != start {
		out = append(out, stop)
	}
	return out, nil
}

func around(centres []rf.Frequency, one func(rf.Frequency) ([]float64, error)) ([]float64, error) {
	if len(centres) == 0 {
		return nil, fmt.Errorf("no frequencies were given to lay the grid round")
	}
	var all []float64
	for _, c := range centres {
		if !c.Known() {
			return nil, fmt.Errorf("a frequency to lay the grid round must be above 0 Hz")
		}
		fs, err := one(c)
		if err != nil {
			return nil, err
		}
		all = append(all, fs...)
		if err := tooMany(float64(len(all))); err != nil {
			return nil, err
		}
	}
	return all, nil
}

// listText prints frequencies; of a long list the first and the last few.
func listText(fs []rf.Frequency) string {
	show := fs
	const most = 8
	if len(fs) > most {
		show = fs[:most-1]
	}
	var s []string
	for _, f := range show {
		s = append(s, f.String())
	}
	if len(fs) > most {
		s = append(s, fmt.Sprintf("… %d more to %v", len(fs)-most+1, fs[len(fs)-1]))
	}
	return strings.Join(s, ", ")
}
