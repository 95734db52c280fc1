// Package selftest shows on the user's own machine what the program survives: a sample of faults at
// the messages of a run, and of kills of a running program, both against the simulated bench. The
// tests run the same code exhaustively. It touches no real instrument.
package selftest

import (
	"fmt"
	"math"
	"strings"
	"sync"

	"provoke/internal/bench/simbench"
)

// Fault is one of the simulated bench.
type Fault = simbench.Fault

// seed of the simulated bench of every case.
const seed = 1

// edges are those of the product's first failing band.
var edges = sync.OnceValue(func() [2]float64 {
	sim := simbench.New(simbench.Config{Seed: seed})
	defer sim.Close()
	return sim.Edges(simbench.Original, simbench.CarrierHeldAM, 0.01)[0]
})

// planText is a short run with everything in it: first light, a frequency at which the product is
// well, one at which it upsets, with a threshold search, recovery and modulation.
func planText(modulation, dwell, deadMan string, more int) string {
	edges := edges()
	list := []string{hertz(edges[0] * 0.8), hertz(math.Sqrt(edges[0] * edges[1]))}
	for i := range more {
		list = append(list, hertz(edges[1]*(1.1+0.1*float64(i))))
	}
	return fmt.Sprintf(`provoke: plan 1
name: self-test
bench: bench.yaml
kind: exposure
mode: closed loop
level: iec-61000-4-6/level-2
grid:
  - list: [%s]
modulation: %s
dwell: %s
settle: 1 ms
recover_within: 200 ms
levelling: {above_budget: 20 dB, forward_ceiling: 20 dB}
search: {resolution: 2 dB, range: 8 dB, approach: 6 dB, confirm: 0}
dead_man: %s
monitors:
  SHOWN: {silence: 2 s}
  DMM1: {silence: 2 s}
`, strings.Join(list, ", "), modulation, dwell, deadMan)
}

func hertz(f float64) string { return fmt.Sprintf("%.0f Hz", f) }
