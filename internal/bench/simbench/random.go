package simbench

import (
	"math"
	"math/rand/v2"
)

// quietBelow is how far below its onset a band must be for the next exposure to count as a new one.
const quietBelow = 10 // dB

// chance moves the onset of every band by a normal deviate that is drawn anew for each exposure.
type chance struct {
	spread float64 // dB
	rand   *rand.Rand
	shift  []float64 // dB, of the exposure that is on
	rested []bool
}

// RandomOnset makes the product upset with a probability: at each exposure its onsets lie a normal
// deviate of the given spread, in dB, from where they are drawn, so that it upsets with the
// probability Φ((level − onset)/spread). An exposure begins when the level comes from 10 dB below the
// onset or lower. A spread of 0 ends it.
func (b *Bench) RandomOnset(spread float64, seed uint64) {
	b.do(func(p *plant) { p.randomOnset(spread, seed) })
}

func (p *plant) randomOnset(spread float64, seed uint64) {
	p.chance = nil
	if spread > 0 {
		n := len(p.bands)
		p.chance = &chance{spread, rand.New(rand.NewPCG(seed, 0x0b5e)), make([]float64, n), make([]bool, n)}
		for i := range p.chance.rested {
			p.chance.rested[i] = true
		}
	}
}

// move turns the drives of all bands into those of the exposure that is on.
func (c *chance) move(drive []float64) {
	if c == nil {
		return
	}
	for i := range drive {
		if i >= len(c.shift) {
			return
		}
		quiet := drive[i] < math.Pow(10, -float64(quietBelow)/10)
		if !quiet && c.rested[i] {
			c.shift[i] = c.spread * c.rand.NormFloat64()
		}
		c.rested[i] = quiet
		drive[i] *= math.Pow(10, -c.shift[i]/10)
	}
}
