package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"slices"
	"time"

	"provoke/internal/job/event"
	"provoke/internal/run/selftest"
	"provoke/internal/terminal"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
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

// selftestJSON is the stable form of the counts.
type selftestJSON struct {
	Messages     int            `json:"messages"`
	FaultKinds   int            `json:"fault_kinds"`
	Faults       int            `json:"faults_tried"`
	FaultVerdict map[string]int `json:"fault_verdicts"`
	OffCause     float64        `json:"rf_off_after_cause_s"`
	Changes      int            `json:"changes_tried"`
	OffLevel     float64        `json:"off_level_in_a_step_that_counts_s"`
	OverRating   float64        `json:"over_a_rating_s"`
	Kills        map[string]int `json:"kills"`
	KillsWithRF  int            `json:"kills_with_rf_on"`
	KillsEarly   int            `json:"kills_before_a_run"`
	TakenUp      int            `json:"runs_taken_up_again"`
	Acknowledged int            `json:"points_acknowledged"`
	Lost         int            `json:"points_lost"`
	OffDeath     float64        `json:"rf_off_after_death_s"`
	OffStop      float64        `json:"rf_off_after_stop_s"`
	Again        int            `json:"rf_on_again_after_stop"`
	AgainFor     float64        `json:"rf_on_again_for_s"`
	Breaches     []string       `json:"breaches"`
}

// Run does both samples and prints the counts.
func (c *selftestCommand) Run(w *terminal.World) error {
	for _, n := range []int{c.Faults, c.Changes, c.Kills} {
		if n < 0 || n > 100000 {
			return terminal.WithCode(terminal.ExitUsage, errors.New("--faults, --changes and --kills count from 0 to 100000"))
		}
	}
	ctx, stop := interruptible(w)
	defer stop()
	began := time.Now()
	faults := selftest.SampleResult{}
	var err error
	if c.Faults > 0 {
		if faults, err = (selftest.Sample{Cases: c.Faults, Seed: c.Seed, Tell: c.tell(w, "faults", c.Faults)}).Do(ctx); err != nil {
			return stopped(ctx, err)
		}
	}
	drawn := selftest.DrawChanges(c.Changes, c.Seed)
	changes, err := selftest.TryChanges(ctx, drawn, c.tell(w, "changes", len(drawn)))
	if err != nil {
		return stopped(ctx, err)
	}
	kills, dir, err := c.kill(ctx, w)
	if err != nil {
		return stopped(ctx, err)
	}
	breaches := slices.Concat(faults.Breaches, changes.Breaches, kills.Breaches)
	if c.JSON {
		err = terminal.PrintJSON(w.Stdout, c.json(faults, changes, kills, breaches))
	} else {
		c.print(w, faults, changes, kills, breaches, time.Since(began))
	}
	if err == nil && len(breaches) > 0 {
		return fmt.Errorf("self-test: %s; the jobs of the kills are in %s", english.Count(len(breaches), "breach", "breaches"), dir)
	}
	return err
}

// stopped words an end by the operator as one.
func stopped(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		return terminal.WithCode(terminal.ExitStopped, fmt.Errorf("self-test: %w", context.Cause(ctx)))
	}
	return err
}

// kill does the kills, in a folder that stays only when there was a breach.
func (c *selftestCommand) kill(ctx context.Context, w *terminal.World) (k selftest.KillsResult, dir string, err error) {
	if c.Kills == 0 {
		return k, "", nil
	}
	if dir, err = os.MkdirTemp("", "provoke-selftest-"); err != nil {
		return k, "", fmt.Errorf("self-test: make a folder for its jobs: %w", err)
	}
	defer func() {
		if len(k.Breaches) == 0 {
			os.RemoveAll(dir)
		}
	}()
	program, err := os.Executable()
	if err != nil {
		return k, dir, fmt.Errorf("self-test: find this program: %w", err)
	}
	trials := selftest.Kills{Program: program, Dir: dir, Trials: c.Kills, Seed: c.Seed, Tell: c.tell(w, "kills", c.Kills)}
	k, err = trials.Do(ctx)
	return k, dir, err
}

// tell shows how far a sample has come.
func (c *selftestCommand) tell(w *terminal.World, what string, of int) func(int) {
	return func(done int) {
		if w.Terminal {
			terminal.Overwrite(w.Stderr, fmt.Sprintf("%s: %d of %d   ", what, done, of))
			if done == of {
				terminal.Overwrite(w.Stderr, "                              ")
				terminal.Overwrite(w.Stderr, "")
			}
		}
	}
}

func (c *selftestCommand) print(w *terminal.World, f selftest.SampleResult, x selftest.ChangesResult, k selftest.KillsResult, breaches []string, took time.Duration) {
	t := terminal.Table(w.Stdout)
	if c.Faults > 0 {
		c.printFaults(t, f)
	}
	if c.Changes > 0 {
		printChanges(t, x)
	}
	if c.Kills > 0 {
		c.printKills(t, k)
	}
	fmt.Fprintf(t, "breaches\t%d\n", len(breaches))
	t.Flush()
	for _, b := range breaches {
		fmt.Fprintln(w.Stdout, "  ", b)
	}
	if c.Kills > 0 && k.WithRF == 0 {
		fmt.Fprintln(w.Stdout, "RF was on in none of the kills, so they show nothing of how soon it goes off: try more with --kills")
	}
	fmt.Fprintf(w.Stdout, "on the simulated bench, in %v; provoke rehearse does the like on your own bench\n", rf.Duration(took.Round(time.Second)))
}

func (c *selftestCommand) printFaults(t io.Writer, f selftest.SampleResult) {
	fmt.Fprintf(t, "messages of a run × kinds of fault\t%d × %d = %d\n", messagesOf(f), len(selftest.All()), f.Possible)
	fmt.Fprintf(t, "faults tried\t%d\n", f.Cases)
	for _, v := range slices.Sorted(maps.Keys(f.Verdicts)) {
		words := string(v)
		if v == "" {
			words = "the bench was not opened"
		}
		if v == event.RFNotKnownOff {
			words += " (and it said so)"
		}
		fmt.Fprintf(t, "  %s\t%d\n", words, f.Verdicts[v])
	}
	fmt.Fprintf(t, "longest from the recorded cause to RF off\t%v\n", shortly(f.OnAfter))
}

func printChanges(t io.Writer, x selftest.ChangesResult) {
	fmt.Fprintf(t, "changes behind the program's back\t%d of %d\n", x.Cases, len(selftest.Changes()))
	for _, v := range slices.Sorted(maps.Keys(x.Verdicts)) {
		fmt.Fprintf(t, "  %s\t%d\n", v, x.Verdicts[v])
	}
	fmt.Fprintf(t, "longest off its level in a step that counts\t%v (promised a tenth of the dwell, or two readings)\n", shortly(x.Off))
	fmt.Fprintf(t, "longest over a rating\t%v (promised %v)\n", shortly(x.Over), rf.Duration(selftest.OverRatingFor))
}

func messagesOf(f selftest.SampleResult) (n int) {
	for _, m := range f.Messages {
		n += m
	}
	return n
}

func (c *selftestCommand) printKills(t io.Writer, k selftest.KillsResult) {
	fmt.Fprintf(t, "ends of a running program\t%d\n", c.Kills)
	for _, e := range selftest.Ends() {
		fmt.Fprintf(t, "  %s\t%d\n", e, k.Trials[e])
	}
	fmt.Fprintf(t, "  of them with RF on\t%d\n", k.WithRF)
	fmt.Fprintf(t, "  before there was a run\t%d\n", k.Early)
	fmt.Fprintf(t, "runs taken up again, with the same findings\t%d\n", k.TakenUp)
	fmt.Fprintf(t, "points acknowledged\t%d\n", k.Acknowledged)
	fmt.Fprintf(t, "points lost\t%d\n", k.Lost)
	fmt.Fprintf(t, "longest from death to RF off\t%v (promised %v)\n", shortly(k.OffDeath), rf.Duration(selftest.OffAfterDeath))
	if k.Trials[selftest.Stopped] > 0 {
		fmt.Fprintf(t, "longest from a stop to RF off\t%v (promised %v)\n", shortly(k.OffStop), rf.Duration(selftest.OffAfterStop))
		fmt.Fprintf(t, "RF on again when a stopped program went on\t%d times, for %v at most (promised %v)\n", k.Again, shortly(k.AgainFor), rf.Duration(selftest.OnAgainFor))
	}
}

// shortly rounds a time to milliseconds, and what is shorter to microseconds.
func shortly(d time.Duration) rf.Duration {
	if d < time.Millisecond {
		return rf.Duration(d.Round(time.Microsecond))
	}
	return rf.Duration(d.Round(time.Millisecond))
}

func (c *selftestCommand) json(f selftest.SampleResult, x selftest.ChangesResult, k selftest.KillsResult, breaches []string) selftestJSON {
	out := selftestJSON{Messages: messagesOf(f), FaultKinds: len(selftest.All()), Faults: f.Cases, FaultVerdict: map[string]int{}, Kills: map[string]int{},
		Changes: x.Cases, OffLevel: x.Off.Seconds(), OverRating: x.Over.Seconds(),
		OffCause: f.OnAfter.Seconds(), KillsWithRF: k.WithRF, KillsEarly: k.Early, TakenUp: k.TakenUp, Acknowledged: k.Acknowledged, Lost: k.Lost, OffDeath: k.OffDeath.Seconds(), OffStop: k.OffStop.Seconds(), Again: k.Again, AgainFor: k.AgainFor.Seconds(),
		Breaches: append([]string{}, breaches...)}
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
