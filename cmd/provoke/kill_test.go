package main

import (
	"flag"
	"os"
	"testing"

	"provoke/internal/run/selftest"
)

var (
	trials = flag.Int("trials", 60, "how often a running program is killed, stopped or cut off from power")
	lanes  = flag.Int("trials-at-a-time", 3, "how many of them at a time")
)

// TestKilledAtAnyInstantItLosesNothingAndLeavesRFOff kills, stops and cuts off running programs at random
// instants, and takes their runs up again. A thousand of them, in about 20 minutes:
//
//	go test ./cmd/provoke -run Killed -trials 1000 -timeout 60m -v
func TestKilledAtAnyInstantItLosesNothingAndLeavesRFOff(t *testing.T) {
	t.Parallel()
	n := *trials
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
	if sum.WithRF == 0 || sum.Acknowledged == 0 || sum.TakenUp == 0 {
		t.Errorf("%d of the trials had RF on, %d steps were acknowledged, %d runs taken up again: nothing was shown",
			sum.WithRF, sum.Acknowledged, sum.TakenUp)
	}
	t.Logf("figure: trials %v, %d of them with instruments that take one connection, in %d of them RF was on, %d "+
		"before there was a run, %d runs taken up again (%d times once more, the machine was too busy); %d steps "+
		"acknowledged, %d lost; RF off at the latest %v after death (promised %v), %v after a stop (promised %v); on "+
		"again when a stopped program went on: %d times, for %v at most (promised %v)",
		sum.Trials, sum.OneClient, sum.WithRF, sum.Early, sum.TakenUp, sum.Starved, sum.Acknowledged, sum.Lost,
		sum.OffDeath, selftest.OffAfterDeath, sum.OffStop, selftest.OffAfterStop, sum.Again, sum.AgainFor,
		selftest.OnAgainFor)
}
