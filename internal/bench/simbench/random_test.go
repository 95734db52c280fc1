package simbench

import (
	"math"
	"math/rand/v2"
	"testing"
)

// Φ(1) = 84.13 %, Φ(0) = 50 %, Φ(−1) = 15.87 % of exposures drive a band over its onset.
func TestARandomOnsetUpsetsWithTheProbabilityOfItsSpread(t *testing.T) {
	const n = 20_000
	for at, want := range map[float64]float64{2: 0.8413, 0: 0.5, -2: 0.1587} { // dB over the onset, spread 2 dB
		c := &chance{spread: 2, rand: rand.New(rand.NewPCG(1, 2)), shift: make([]float64, 1), rested: []bool{true}}
		upsets := 0
		for range n {
			for range 3 { // several changes of level within one exposure are one chance
				drive := []float64{math.Pow(10, at/10)}
				if c.move(drive); drive[0] >= 1 {
					upsets++
					break
				}
			}
			c.move([]float64{0.001})
		}
		if got := float64(upsets) / n; math.Abs(got-want) > 0.012 {
			t.Errorf("%g dB over the onset: %.4f of exposures upset, want %.4f", at, got, want)
		}
	}
	drive := []float64{0.5}
	if (*chance)(nil).move(drive); drive[0] != 0.5 {
		t.Error("a bench without chance moves its onsets")
	}
}
