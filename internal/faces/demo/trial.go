package demo

import (
	"provoke/internal/bench/simbench"
	"provoke/internal/faces/web"
)

// trialSpeed is how many times faster than the clock the bench of a trial runs: slow enough to watch.
const trialSpeed = 8

// Trial is the simulated bench that a page brings up when somebody wants to try without instruments. The zero value
// is ready.
type Trial struct{ sim *simbench.Bench }

// Start brings the bench up, where it is not up yet, and returns its file with a plan in coarse steps.
func (t *Trial) Start() (web.Simulated, error) {
	if t.sim == nil {
		sim := simbench.New(simbench.Config{Seed: 1, Speed: trialSpeed})
		if err := sim.Listen("127.0.0.1:0"); err != nil {
			sim.Close()
			return web.Simulated{}, err
		}
		t.sim = sim
	}
	values := valuesFor(t.sim, trialSpeed)
	values["Bench"] = "simulated-bench.yaml"
	plan, err := filled(demoExposure, values)
	return web.Simulated{Bench: t.sim.BenchFile(), Plan: plan, Hands: handsAt(t.sim)}, err
}

// Close ends the bench.
func (t *Trial) Close() {
	if t.sim != nil {
		t.sim.Close()
	}
}
