package main

import (
	"flag"
	"os"
	"testing"

	"provoke/internal/selftest"
)

var (
	kills = flag.Int("kills", 60, "how often a running program is killed, stopped or cut off from power")
	lanes = flag.Int("kill-lanes", 4, "how many of them at a time")
)

// TestAnEndAtAnyInstantLosesNothingAndLeavesRFOff kills, stops and cuts off running programs at random
// instants, and takes their runs up again.
func TestAnEndAtAnyInstantLosesNothingAndLeavesRFOff(t *testing.T) {
	n := *kills
	if testing.Short() {
		n = 6
	}
	k := selftest.Kills{Program: os.Args[0], Dir: t.TempDir(), Trials: n, Lanes: *lanes, Seed: 1}
	sum, err := k.Do(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, b := range sum.Breaches {
		t.Error(b)
	}
	if sum.WithRF == 0 || sum.Acknowledged == 0 {
		t.Errorf("%d of the trials had RF on, %d steps were acknowledged: nothing was shown", sum.WithRF, sum.Acknowledged)
	}
	t.Logf("figure: trials %v, in %d of them RF was on; %d steps acknowledged, %d lost; RF off at the latest %v after death (promised %v), %v after a stop (promised %v)",
		sum.Trials, sum.WithRF, sum.Acknowledged, sum.Lost, sum.OffDeath, selftest.OffAfterDeath, sum.OffStop, selftest.OffAfterStop)
}
