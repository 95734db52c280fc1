package sweep

import "math"

// varies is the share by which a product's latency is taken to differ, either way, from one upset to
// the next. It is an assumption; what the looks leave open comes on top.
const varies = 0.1

// line is a limit a + b·τ of an end of a band, by the latency τ.
type line struct{ a, b float64 }

func (l line) at(tau float64) float64 { return l.a + l.b*tau }

// fit holds every limit that sightings set to one band: of its lower end, of its higher end and of the
// latency. The lower end lies below the higher one.
type fit struct {
	lowLeast, lowMost, highLeast, highMost []line
	tauLeast, tauMost                      float64
}

// span is a figure with its half-width.
type span struct{ mid, half float64 }

func (s span) from() float64 { return s.mid - s.half }
func (s span) to() float64   { return s.mid + s.half }

// late limits an end whose passing was seen at a place, later by the latency; k is the rate with its
// sign, scale a share of what the reading leaves open.
func late(at span, k, scale float64) (least, most line) {
	j := min(scale, 1) * varies
	least, most = line{at.mid - scale*at.half, -k * (1 + j)}, line{at.mid + scale*at.half, -k * (1 - j)}
	if k < 0 {
		least.b, most.b = most.b, least.b
	}
	return least, most
}

// region is the range of latencies, and of each end at some latency in it, that the limits allow.
type region struct{ tau, low, high [2]float64 }

// solve works out what the limits allow; ok is false where they contradict each other. For a given
// latency each end lies between the highest of its lower limits and the lowest of its higher ones, both
// of which are piecewise straight, so the extremes lie at an end of the range of latencies or where two
// limits cross.
func (f fit) solve() (r region, ok bool) {
	lowMost, highLeast := append(append([]line{}, f.lowMost...), f.highMost...),
		append(append([]line{}, f.highLeast...), f.lowLeast...)
	t1, t2 := f.tauLeast, f.tauMost
	for _, pair := range [2][2][]line{{f.lowLeast, lowMost}, {f.highLeast, f.highMost}} {
		for _, l := range pair[0] {
			for _, m := range pair[1] {
				d, k := m.a-l.a, l.b-m.b // l(τ) ≤ m(τ) is k·τ ≤ d
				switch {
				case k > 0:
					t2 = min(t2, d/k)
				case k < 0:
					t1 = max(t1, d/k)
				case d < 0:
					return r, false
				}
			}
		}
	}
	if t1 > t2 {
		return r, false
	}
	r.tau = [2]float64{t1, t2}
	r.low = [2]float64{-highestOf(f.lowLeast, -1, t1, t2), highestOf(lowMost, 1, t1, t2)}
	r.high = [2]float64{-highestOf(highLeast, -1, t1, t2), highestOf(f.highMost, 1, t1, t2)}
	return r, true
}

// highestOf returns the highest value over a range of latencies of the lowest of some lines times sign.
func highestOf(lines []line, sign, t1, t2 float64) float64 {
	lowest := func(tau float64) float64 {
		y := math.Inf(1)
		for _, l := range lines {
			y = min(y, sign*l.at(tau))
		}
		return y
	}
	best := max(lowest(t1), lowest(t2))
	for i, l := range lines {
		for _, m := range lines[:i] {
			if tau := (m.a - l.a) / (l.b - m.b); tau > t1 && tau < t2 {
				best = max(best, lowest(tau))
			}
		}
	}
	return best
}
