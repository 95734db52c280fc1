package sight

import (
	"fmt"
	"math"
	"slices"
)

// joiner keeps the last pictures of a region, as many as are joined.
type joiner struct {
	join   int
	dark   bool
	recent [][]float32
}

// push takes a picture in and returns the join; nil while pictures are missing.
func (j *joiner) push(v []float32) []float32 {
	if len(j.recent) > 0 && len(j.recent[0]) != len(v) {
		j.recent = nil
	}
	join := j.join
	if join == 0 {
		join = maxJoin
	}
	j.recent = append(j.recent[max(0, len(j.recent)-join+1):], slices.Clone(v))
	if len(j.recent) < join {
		return nil
	}
	return joined(j.recent, j.dark)
}

func (j *joiner) waits() string {
	return fmt.Sprintf("%d of %d pictures to be joined", len(j.recent), j.join)
}

// joined is the brightest of each value over pictures, the darkest where what is shown is dark.
func joined(pictures [][]float32, dark bool) []float32 {
	if len(pictures) == 1 {
		return pictures[0]
	}
	out := slices.Clone(pictures[0])
	for _, p := range pictures[1:] {
		for i, v := range p {
			if dark {
				out[i] = min(out[i], v)
			} else {
				out[i] = max(out[i], v)
			}
		}
	}
	return out
}

// spreadOf is mean and variance of each value over every run of joined pictures.
func spreadOf(series [][]float32, join int, dark bool) (mean, variance []float32) {
	runs := len(series) - join + 1
	sum, squares := make([]float64, len(series[0])), make([]float64, len(series[0]))
	for t := range runs {
		for i, v := range joined(series[t:t+join], dark) {
			sum[i] += float64(v)
			squares[i] += float64(v) * float64(v)
		}
	}
	mean, variance = make([]float32, len(sum)), make([]float32, len(sum))
	for i, s := range sum {
		m := s / float64(runs)
		mean[i], variance[i] = float32(m), float32(max(0, squares[i]/float64(runs)-m*m))
	}
	return mean, variance
}

func average(v []float32) float64 {
	var sum float64
	for _, x := range v {
		sum += float64(x)
	}
	return sum / float64(len(v))
}

// darkInk says whether what is shown is darker than the ground: over all pictures, the darkest lie farther from the
// middle than the brightest.
func darkInk(series [][]float32) bool {
	high, low := slices.Clone(joined(series, false)), slices.Clone(joined(series, true))
	return quantile(low, 0.5)-quantile(low, 0.03) > quantile(high, 0.97)-quantile(high, 0.5)
}

// spreadOfMax is the variance of the largest of 1, 2, … 8 standard normal values.
var spreadOfMax = [...]float64{1, 0.682, 0.559, 0.492, 0.448, 0.416, 0.392, 0.373}

// joinOf finds how many pictures a whole cycle of a multiplexed display takes: the fewest whose join is as steady as
// that of any larger number, beside what the join does to noise.
func joinOf(series [][]float32, dark bool) int {
	var spread []float64
	for j := 1; j <= len(spreadOfMax) && j <= len(series)/2; j++ {
		_, variance := spreadOf(series, j, dark)
		spread = append(spread, average(variance)/spreadOfMax[j-1])
	}
	for j, s := range spread {
		if s <= 2*slices.Min(spread)+leastSD*leastSD {
			return j + 1
		}
	}
	return 1
}

// quantile sorts values and returns the one below which a share of them lies.
func quantile[T float32 | float64](v []T, share float64) T {
	if len(v) == 0 {
		return 0
	}
	slices.Sort(v)
	return v[int(share*float64(len(v)-1))]
}

// climb goes uphill from a pose along some of its parameters, one after the other, with steps that are halved.
func climb(p, home pose, along []int, first, rounds int, good func(pose) float64) (pose, float64) {
	best := good(p)
	for round := range rounds {
		scale := math.Pow(0.5, float64(first+round))
		for again := true; again; {
			again = false
			for _, i := range along {
				for _, sign := range [2]float64{1, -1} {
					q := p
					q[i] += sign * scale * steps[i]
					if math.Abs(q[i]-home[i]) > bounds[i] {
						continue
					}
					if g := good(q); g > best+1e-4 {
						p, best, again = q, g, round == 0
						break
					}
				}
			}
		}
	}
	return p, best
}
