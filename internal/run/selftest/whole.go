package selftest

import (
	"context"
	"fmt"
	"os"
	"slices"
	"time"

	"provoke/internal/terminal"
	"provoke/internal/units/english"
)

// Whole is the self-test as a person asks for it: so many faults, changes and kills, and what came of them.
type Whole struct {
	Faults, Changes, Kills int
	Seed                   uint64
	JSON                   bool // print the counts as JSON
}

// Do does the samples and prints the counts.
func (c Whole) Do(w *terminal.World) error {
	ctx, stop := w.Interruptible()
	defer stop()
	line := terminal.NewBlock(w, 0)
	defer line.Close()
	began := time.Now()
	faults := SampleResult{}
	var err error
	if c.Faults > 0 {
		if faults, err = (Sample{Cases: c.Faults, Seed: c.Seed,
			Tell: tell(line, "faults", c.Faults)}).Do(ctx); err != nil {
			return stopped(ctx, err)
		}
	}
	drawn := DrawChanges(c.Changes, c.Seed)
	changes, err := TryChanges(ctx, drawn, tell(line, "changes", len(drawn)))
	if err != nil {
		return stopped(ctx, err)
	}
	kills, dir, err := c.kill(ctx, line)
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
		return fmt.Errorf("self-test: %s; the jobs of the kills are in %s",
			english.Count(len(breaches), "breach", "breaches"), dir)
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
func (c Whole) kill(ctx context.Context, line *terminal.Block) (k KillsResult, dir string, err error) {
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
	trials := Kills{Program: program, Dir: dir, Trials: c.Kills, Seed: c.Seed, Tell: tell(line, "kills", c.Kills)}
	k, err = trials.Do(ctx)
	return k, dir, err
}

// tell shows how far a sample has come.
func tell(line *terminal.Block, what string, of int) func(int) {
	return func(done int) { line.Show(fmt.Sprintf("%s: %d of %d", what, done, of)) }
}
