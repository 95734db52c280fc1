package simbench

import (
	"math"
	"math/rand/v2"
	"time"
)

// wander moves the onsets of all bands of the product together, as a product does that warms up. Its zero value
// stands still.
type wander struct {
	decibels float64
	period   time.Duration // bench time
	began    time.Duration
	turns    [2]float64 // of the two faster sines in a period
	shares   [3]float64 // of decibels
}

// WanderPeriod is the period in bench time that the hand takes where it names none. LargestMove is by how many dB it
// lets onsets wander or spread at most.
const (
	WanderPeriod = 30 * time.Minute
	LargestMove  = 20.0
)

// Wander lets the product's onsets wander: from now on they lie decibels·(±0.6·sin(2πt/T) ± 0.25·sin(2πa·t/T) ±
// 0.15·sin(2πb·t/T)) higher, with t in bench time from now on, T the period, a from 2 to 4 and b from 5 to 9; a, b and
// the signs are drawn from the seed. So they never lie further off than decibels, and begin where they were.
// 0 dB ends it, and the onsets are back at once.
func (b *Bench) Wander(decibels float64, period time.Duration, seed uint64) {
	b.do(func(p *plant) { p.startWander(decibels, period, seed) })
}

func (p *plant) startWander(decibels float64, period time.Duration, seed uint64) {
	p.wander, p.wandered = wander{}, 0
	if decibels <= 0 || period <= 0 {
		return
	}
	r := rand.New(rand.NewPCG(seed, 0x77616e64))
	p.wander = wander{decibels, period, p.at, [2]float64{uniform(r, 2, 4), uniform(r, 5, 9)},
		[3]float64{0.6, 0.25, 0.15}}
	for i := range p.wander.shares {
		p.wander.shares[i] *= float64(2*r.IntN(2) - 1)
	}
}

// at returns by how many dB the onsets are moved at a bench time.
func (w *wander) at(t time.Duration) float64 {
	if w.decibels == 0 {
		return 0
	}
	x := 2 * math.Pi * (t - w.began).Seconds() / w.period.Seconds()
	slow, faster, fastest := math.Sin(x), math.Sin(w.turns[0]*x), math.Sin(w.turns[1]*x)
	return w.decibels * (w.shares[0]*slow + w.shares[1]*faster + w.shares[2]*fastest)
}

// advanceWander brings the bench up to a time in slices in which an onset moves by a thousandth of the whole
// or, over a long time that nobody looked, by a little more.
func (p *plant) advanceWander(t time.Duration) {
	for p.wander.decibels > 0 && p.now.on && p.at < t {
		p.advanceSteady(min(t, p.at+max(p.wander.period/20000, (t-p.at)/5000, time.Millisecond)))
		p.drives()
	}
}
