package main

import (
	"errors"
	"fmt"
	"maps"
	"os"
	"slices"
	"time"

	"provoke/internal/event"
	"provoke/internal/rf"
	"provoke/internal/selftest"
)

type selftestCommand struct {
	Faults int    `default:"48" help:"How many faults of instruments are tried, each in a run of its own (${default})."`
	Kills  int    `default:"12" help:"How often a running provoke is killed, stopped or cut off from power (${default})."`
	Seed   uint64 `default:"1" help:"Which faults and which instants are drawn (${default})."`
	JSON   bool   `name:"json" help:"Print the counts as JSON."`
}

// Help says what is done and what it takes.
func (c *selftestCommand) Help() string {
	return `Shows on this machine what a run survives. Everything is done against the simulated bench: no instrument of
yours is touched. An instrument is made absent, deaf, silent, late, wrong or out of order at random messages of a
run; running programs are killed, stopped, or their job taken as it lies on the disk. Checked are the simulated
cable (no rating exceeded, RF never left on unless the program says so), the journal (whole, cause first, no late
reading counted) and that a run taken up again finds the same. Takes about a minute.`
}

// selftestJSON is the stable form of the counts.
type selftestJSON struct {
	Messages     int            `json:"messages"`
	FaultKinds   int            `json:"fault_kinds"`
	Faults       int            `json:"faults_tried"`
	FaultVerdict map[string]int `json:"fault_verdicts"`
	Kills        map[string]int `json:"kills"`
	KillsWithRF  int            `json:"kills_with_rf_on"`
	Acknowledged int            `json:"points_acknowledged"`
	Lost         int            `json:"points_lost"`
	OffDeath     float64        `json:"rf_off_after_death_s"`
	OffStop      float64        `json:"rf_off_after_stop_s"`
	Breaches     []string       `json:"breaches"`
}

// Run does both samples and prints the counts.
func (c *selftestCommand) Run(w *world) error {
	if c.Faults < 0 || c.Kills < 0 || c.Faults > 100000 || c.Kills > 100000 {
		return withCode(exitUsage, errors.New("--faults and --kills count from 0 to 100000"))
	}
	ctx, stop := interruptible(w)
	defer stop()
	began := time.Now()
	faults, err := selftest.Sample{Cases: c.Faults, Seed: c.Seed, Tell: c.tell(w, "faults", c.Faults)}.Do(ctx)
	if err != nil {
		return err
	}
	dir, err := os.MkdirTemp("", "provoke-selftest-")
	if err != nil {
		return fmt.Errorf("self-test: make a folder for its jobs: %w", err)
	}
	program, err := os.Executable()
	if err != nil {
		return fmt.Errorf("self-test: find this program: %w", err)
	}
	kills := selftest.KillsResult{}
	if c.Kills > 0 {
		k := selftest.Kills{Program: program, Dir: dir, Trials: c.Kills, Seed: c.Seed, Tell: c.tell(w, "kills", c.Kills)}
		if kills, err = k.Do(ctx); err != nil {
			return err
		}
	}
	breaches := append(slices.Clone(faults.Breaches), kills.Breaches...)
	if len(breaches) == 0 {
		os.RemoveAll(dir)
	}
	if c.JSON {
		err = printJSON(w.stdout, c.json(faults, kills, breaches))
	} else {
		c.print(w, faults, kills, breaches, time.Since(began))
	}
	if err == nil && len(breaches) > 0 {
		return fmt.Errorf("self-test: %s; the jobs of the kills are in %s", count(len(breaches), "breach", "breaches"), dir)
	}
	return err
}

// tell shows how far a sample has come.
func (c *selftestCommand) tell(w *world, what string, of int) func(int) {
	return func(done int) {
		if w.terminal {
			overwrite(w.stderr, fmt.Sprintf("%s: %d of %d   ", what, done, of))
			if done == of {
				overwrite(w.stderr, "                              ")
				overwrite(w.stderr, "")
			}
		}
	}
}

func (c *selftestCommand) print(w *world, f selftest.SampleResult, k selftest.KillsResult, breaches []string, took time.Duration) {
	messages := 0
	for _, n := range f.Messages {
		messages += n
	}
	t := table(w.stdout)
	fmt.Fprintf(t, "faults tried\t%d of %d (%d messages of a run × %d kinds)\n", f.Cases, f.Possible, messages, len(selftest.All()))
	for _, v := range slices.Sorted(maps.Keys(f.Verdicts)) {
		words := string(v)
		if v == "" {
			words = "the bench was not opened"
		}
		if v == event.RFNotKnownOff {
			words += " (and it said so)"
		}
		fmt.Fprintf(t, "  ended\t%s: %d\n", words, f.Verdicts[v])
	}
	for _, e := range selftest.Ends() {
		fmt.Fprintf(t, "%s\t%d\n", e, k.Trials[e])
	}
	fmt.Fprintf(t, "  with RF on\t%d\n", k.WithRF)
	fmt.Fprintf(t, "points acknowledged\t%d\n", k.Acknowledged)
	fmt.Fprintf(t, "points lost\t%d\n", k.Lost)
	fmt.Fprintf(t, "longest from death to RF off\t%v (promised %v)\n", shortly(k.OffDeath), rf.Duration(selftest.OffAfterDeath))
	fmt.Fprintf(t, "longest from a stop to RF off\t%v (promised %v)\n", shortly(k.OffStop), rf.Duration(selftest.OffAfterStop))
	fmt.Fprintf(t, "breaches\t%d\n", len(breaches))
	t.Flush()
	for _, b := range breaches {
		fmt.Fprintln(w.stdout, "  ", b)
	}
	fmt.Fprintf(w.stdout, "on the simulated bench, in %v; provoke rehearse does the like on your own bench\n", rf.Duration(took.Round(time.Second)))
}

func shortly(d time.Duration) rf.Duration { return rf.Duration(d.Round(time.Millisecond)) }

func (c *selftestCommand) json(f selftest.SampleResult, k selftest.KillsResult, breaches []string) selftestJSON {
	out := selftestJSON{FaultKinds: len(selftest.All()), Faults: f.Cases, FaultVerdict: map[string]int{}, Kills: map[string]int{},
		KillsWithRF: k.WithRF, Acknowledged: k.Acknowledged, Lost: k.Lost, OffDeath: k.OffDeath.Seconds(), OffStop: k.OffStop.Seconds(),
		Breaches: append([]string{}, breaches...)}
	for _, n := range f.Messages {
		out.Messages += n
	}
	for v, n := range f.Verdicts {
		words := string(v)
		if v == "" {
			words = "not opened"
		}
		out.FaultVerdict[words] = n
	}
	for e, n := range k.Trials {
		out.Kills[string(e)] = n
	}
	return out
}
