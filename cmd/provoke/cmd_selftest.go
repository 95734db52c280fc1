package main

import (
	"errors"

	"provoke/internal/run/selftest"
	"provoke/internal/terminal"
)

type selftestCommand struct {
	Faults  int    `default:"48" help:"How many faults of instruments are tried, each in a run of its own (${default})."`
	Changes int    `default:"16" help:"How many changes behind the program's back are tried: a front panel touched, standby, fold-back (${default})."`
	Kills   int    `default:"12" help:"How often a running provoke is killed, stopped or cut off from power (${default})."`
	Seed    uint64 `default:"1" help:"Which faults and which instants are drawn (${default})."`
	JSON    bool   `name:"json" help:"Print the counts as JSON."`
}

// Help says what is done and what it takes.
func (c *selftestCommand) Help() string {
	return `Shows on this machine what a run survives. Everything is done against the simulated bench: no instrument of
yours is touched. An instrument is made absent, deaf, silent, late, wrong or out of order at random messages of a
run; somebody touches a front panel, gear drops to standby and comes back or gives another level than it says;
running programs are killed, stopped, or their job taken as it lies on the disk with a torn last write.
Checked are the simulated cable (no rating exceeded, RF never left on unless the program says so), the journal
(whole, cause first, no late reading counted), that what was acknowledged is there, and that a run taken up again
finds the same as one that nobody disturbed. Takes about a minute; a thousand kills take 15 to 30. Exit code 1
when there was a breach.`
}

// Run does the samples and prints the counts.
func (c *selftestCommand) Run(w *terminal.World) error {
	for _, n := range []int{c.Faults, c.Changes, c.Kills} {
		if n < 0 || n > 100000 {
			return terminal.WithCode(terminal.ExitUsage,
				errors.New("--faults, --changes and --kills count from 0 to 100000"))
		}
	}
	return selftest.Whole{Faults: c.Faults, Changes: c.Changes, Kills: c.Kills, Seed: c.Seed, JSON: c.JSON}.Do(w)
}
