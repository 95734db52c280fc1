package session

import (
	"bufio"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"time"

	"provoke/internal/bench/dut"
	"provoke/internal/bench/guard"
	"provoke/internal/job/plan"
	"provoke/internal/model/chain"
	"provoke/internal/model/sweep"
	"provoke/internal/run/engine"
	"provoke/internal/terminal"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// ReadAndCheckSweep reads a sweep file with its bench and clears the level over the whole span. What
// was found out comes with an error too, where the files could be read.
func ReadAndCheckSweep(file string) (*Prepared, error) {
	data, err := terminal.ReadText(file)
	if err != nil {
		return nil, fmt.Errorf("read the sweep file: %w", err)
	}
	s, list := plan.ParseFreeSweep(file, data)
	if err := list.Err(); err != nil {
		return nil, err
	}
	b, more, err := LoadBench(filepath.Join(filepath.Dir(file), filepath.FromSlash(s.Plan.BenchFile)))
	if err != nil {
		return nil, err
	}
	pr := &Prepared{Plan: s.Plan, Sweep: s, Bench: b, Chain: chain.New(b),
		Warnings: append(list.Warnings(), more.Warnings()...)}
	checked, problems := plan.CheckSweep(s, pr.Chain)
	pr.Checked = checked
	if err := problems.Err(); err != nil {
		return pr, terminal.WithCode(terminal.ExitRefused, fmt.Errorf("refused before RF: %w", err))
	}
	at := guard.Setting{Frequency: s.Plan.Grid[0], To: s.Plan.Grid[1],
		Level: s.Plan.Drive.Add(s.Plan.Modulation.CarrierOverLevel()), Modulation: s.Plan.Modulation}
	if err := guard.New(guard.Config{Chain: pr.Chain, Fixture: s.Plan.Fixture}).WithinSpan(at); err != nil {
		return pr, terminal.WithCode(terminal.ExitRefused, fmt.Errorf("refused before RF: %w", err))
	}
	return pr, nil
}

// PerformSweep lets the source of the sweep that is ready sweep, by the same way as a run, and writes the plan that
// steps around the bands found: into
// planFile, or beside the sweep file where that is empty. The plan's name is empty where no band was
// found.
func PerformSweep(w *terminal.World, o Order, planFile string) (engine.Swept, string, error) {
	out, err := perform(w, o)
	if err != nil || len(out.Bands) == 0 {
		return out, "", err
	}
	text := o.Ready.Sweep.Stepped(out.Bands)
	if planFile == "" {
		planFile, err = WriteBeside(w, o.PlanFile, "stepped", []byte(text))
	} else {
		err = os.WriteFile(planFile, []byte(text), 0o644)
	}
	if err != nil {
		return out, "", fmt.Errorf("write the stepped plan: %w", err)
	}
	return out, planFile, nil
}

// syncLine opens the sync line of a sweep that has one and delivers when its line comes.
func syncLine(w *terminal.World, s *plan.FreeSweep) (engine.Sync, func(), error) {
	if s == nil || s.Marked != plan.ByLine {
		return nil, func() {}, nil
	}
	pattern, err := regexp.Compile(s.SyncPattern)
	if err != nil {
		return nil, nil, fmt.Errorf("the pattern of the sync line: %w", err)
	}
	open, err := dut.TextLine(s.SyncAddress, s.SyncLine)
	if err != nil {
		return nil, nil, fmt.Errorf("the sync line: %w", err)
	}
	link, err := open(w.Ctx)
	if err != nil {
		return nil, nil, fmt.Errorf("open the sync line: %w", err)
	}
	out := make(chan time.Time, 16)
	go func() {
		defer close(out)
		for lines := bufio.NewScanner(link); lines.Scan(); {
			at := time.Now()
			if pattern.MatchString(lines.Text()) {
				select {
				case out <- at:
				default: // nobody waits: it is not the beginning of a pass
				}
			}
		}
	}()
	return engine.Sync(out), func() { link.Close() }, nil
}

// TotalOf is how long the passes of a sweep take in all.
func TotalOf(passes []sweep.Sweep) rf.Duration {
	var total time.Duration
	for _, p := range passes {
		total += p.Time
	}
	return rf.Duration(total)
}

// PrintSwept prints the bands with their limits.
func PrintSwept(w *terminal.World, out engine.Swept) {
	fmt.Fprintf(w.Stdout, "\n%s: %s in %s; %s\n", out.Verdict, english.Count(out.Upsets, "upset", "upsets"),
		english.Count(len(out.Passes), "pass", "passes"), terminal.RFWords(out.Safing.How))
	if len(out.Bands) == 0 {
		fmt.Fprintln(w.Stdout, "no band was found")
		return
	}
	t := terminal.Table(w.Stdout)
	fmt.Fprintln(t, "band from\tto\tlower end within\tupper end within\tlatency\tby")
	for _, b := range out.Bands {
		fmt.Fprintf(t, "%v\t%v\t%v to %v\t%v to %v\t%v (%v to %v)\t%s\n", b.Low, b.High, b.LowLeast, b.LowMost,
			b.HighLeast, b.HighMost,
			rf.Milliseconds(b.Latency), rf.Milliseconds(b.LatencyLeast), rf.Milliseconds(b.LatencyMost), b.Rests)
	}
	t.Flush()
	for _, b := range out.Bands {
		for _, n := range b.Notes {
			fmt.Fprintf(w.Stdout, "%v: %s\n", b.Low, n)
		}
	}
}
