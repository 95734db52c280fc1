package session

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"provoke/internal/bench/claim"
	"provoke/internal/run/engine"
	"provoke/internal/run/watcher"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

// Off switches RF off, whoever drives the bench.
func (d *Desk) Off(ctx context.Context, why string) ([]string, error) {
	stuck := d.Tell(engine.Command{Want: engine.Abort, Text: why})
	if stuck == nil && !d.slow() {
		return nil, nil
	}
	if errors.Is(stuck, ErrIdle) {
		stuck = nil
	}
	// A run that does not listen may hang: its bench is silenced without it.
	benches, err := d.benches()
	if err != nil {
		return nil, errors.Join(stuck, err)
	}
	if len(benches) == 0 {
		return nil, errors.Join(stuck, fmt.Errorf("no run takes the wish here, and %s holds no bench file to silence",
			d.dir))
	}
	var words []string
	err = stuck
	for _, file := range benches {
		said, oneErr := d.silenceFile(context.WithoutCancel(ctx), file, why)
		words, err = append(words, said...), errors.Join(err, oneErr)
	}
	return words, err
}

// abortWithin is how long a run may take to end after RF off was asked for before the bench is
// silenced past it.
const abortWithin = 3 * time.Second

// slow reports that RF off was asked for earlier and the run has not ended: the engine may hang.
func (d *Desk) slow() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.aborted.IsZero() {
		d.aborted = time.Now()
	}
	return d.state.Underway && time.Since(d.aborted) > abortWithin
}

// silenceFile silences the instruments of one bench file.
func (d *Desk) silenceFile(ctx context.Context, file, why string) ([]string, error) {
	name := filepath.Base(file)
	b, _, err := LoadBench(file)
	if b == nil {
		return nil, err
	}
	var words []string
	rep, openErr := silenceBench(ctx, b, watcher.Silencing{Why: why}, claim.Silences,
		func(what string) { words = append(words, name+": "+what) })
	for _, s := range rep.Steps {
		result := s.Result
		if openErr != nil && result == openErr.Error() {
			result = "could not be reached"
		}
		words = append(words, fmt.Sprintf("%s: %s: %s", name, s.What, result))
	}
	if !rep.Quiet && openErr != nil {
		return words, fmt.Errorf("%s: %w", name, openErr)
	}
	if !rep.Quiet {
		return words, fmt.Errorf("%s: %s", name, rep.How)
	}
	words = append(words, fmt.Sprintf("%s: RF %s (%v)", name, rep.How, rf.Duration(rep.Took.Round(time.Millisecond))))
	if b.Amplifier != nil && !b.Amplifier.Present() {
		words = append(words, fmt.Sprintf("%s: the amplifier %s has no remote interface: switch it off by hand", name,
			b.Amplifier.ID))
	}
	return words, nil
}

// benches returns the bench files of the folder that can be read.
func (d *Desk) benches() ([]string, error) {
	entries, err := os.ReadDir(d.dir)
	if err != nil {
		return nil, fmt.Errorf("look for bench files: %w", err)
	}
	var out []string
	for _, e := range entries {
		ext := filepath.Ext(e.Name())
		if !e.Type().IsRegular() || ext != ".yaml" && ext != ".yml" || strings.HasPrefix(e.Name(), ".") {
			continue
		}
		file := filepath.Join(d.dir, e.Name())
		data, err := terminal.ReadText(file)
		if err != nil || kindOf(data) != "bench" {
			continue
		}
		out = append(out, file)
	}
	return out, nil
}
