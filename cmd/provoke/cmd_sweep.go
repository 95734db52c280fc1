package main

import (
	"bufio"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"time"

	"provoke/internal/bench/claim"
	"provoke/internal/bench/driver"
	"provoke/internal/bench/dut"
	"provoke/internal/bench/guard"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/model/chain"
	"provoke/internal/model/sweep"
	"provoke/internal/run/engine"
	"provoke/internal/run/watcher"
	"provoke/internal/terminal"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// sweepCommand lets a generator sweep by itself and works out at which frequencies the product upset.
type sweepCommand struct {
	Sweep       string `arg:"" type:"path" help:"Sweep file"`
	Job         string `placeholder:"JOB.provoke" type:"path" help:"Job file; made when it is not there."`
	Plan        string `placeholder:"PLAN.yaml" type:"path" help:"Write the stepped plan around the bands here; NAME-stepped.yaml beside the sweep file without it."`
	Confirm     bool   `help:"Run the stepped plan at once."`
	Check       bool   `help:"Only check the file and its worst case over the whole span; touch nothing."`
	Label       string `help:"What this run is, in a few words." placeholder:"TEXT"`
	Operator    string `help:"Who stands at the bench." placeholder:"NAME"`
	Room        string `help:"Where the bench stands." placeholder:"TEXT"`
	Temperature string `help:"Temperature of the room, with its unit." placeholder:"TEXT"`
	Humidity    string `help:"Relative humidity of the room, with its unit." placeholder:"TEXT"`
	Arm         bool   `help:"Accept the worst case of the whole span without being asked."`

	AcceptSinglePath bool `help:"Accept that nothing but this program can switch RF off while it lives, because it holds the instruments' only connections."`
}

// Help is the long help.
func (sweepCommand) Help() string {
	return `The generator sweeps by itself; provoke watches the product and the clock and turns the time of every upset into a frequency. Up and
down cancel the latency of the product; two sweep times tell latency from the width of a band. Every answer has limits of error:
the sum of what the product's readings, the mark of the beginning and the generator's timing leave open.

The level is cleared at the worst frequency of the whole span. provoke cannot switch such a source off: the bench file names a
hardware_off, which the operator confirms before anything is armed; the run ends as "RF not known to be off" until the operator
confirms that it is off. A plan is written that steps around each band, to confirm or to reject it; --confirm runs it.

The beginning of a pass is marked by a key, by a sync line over a serial port or a socket, or by the analyser in zero span.
The exit codes are those of provoke run.`
}

// Run does the sweep.
func (c *sweepCommand) Run(w *terminal.World) error {
	pr, err := c.prepare(w)
	if err != nil {
		return err
	}
	if c.Check {
		return nil
	}
	if c.Job == "" {
		return terminal.WithCode(terminal.ExitUsage, errors.New("a sweep is journalled: name the job with --job"))
	}
	out, file, err := performSweep(w, performance{planFile: c.Sweep, jobFile: c.Job, label: c.Label, operator: c.Operator, room: c.Room, temperature: c.Temperature, humidity: c.Humidity, armed: c.Arm, ready: pr, alone: c.AcceptSinglePath}, c.Plan)
	if out.Verdict == "" {
		return err
	}
	printSwept(w, out)
	if out.Verdict == event.RFNotKnownOff {
		fmt.Fprint(w.Stderr, "\n*** RF IS NOT KNOWN TO BE OFF ***\n*** Switch the generator and the amplifier off by hand, now. ***\n\n")
	}
	if err != nil || file == "" {
		return err
	}
	fmt.Fprintf(w.Stdout, "stepped plan around the bands: %s\n", file)
	if !c.Confirm {
		fmt.Fprintf(w.Stdout, "see: provoke run %s --job %s\n", file, c.Job)
		return nil
	}
	return (&runCommand{Plan: file, Job: c.Job, Label: strings.TrimSpace(c.Label + " stepped around the bands of the sweep"), Operator: c.Operator, Room: c.Room, Temperature: c.Temperature, Humidity: c.Humidity, Arm: c.Arm, AcceptSinglePath: c.AcceptSinglePath}).Run(w)
}

// prepare reads and checks both files, and says what the sweep is.
func (c *sweepCommand) prepare(w *terminal.World) (*prepared, error) {
	pr, err := readAndCheckSweep(c.Sweep)
	if pr != nil {
		for _, p := range folded(pr.warnings) {
			fmt.Fprintln(w.Stderr, p)
		}
	}
	if err != nil {
		return nil, err
	}
	s, b := pr.sweep, pr.bench
	fmt.Fprintf(w.Stdout, "%s: %s at %s (%s at %s), %d passes, %v; within every rating over the whole span\n", s.Plan.Name, s.Plan.GridText, s.Plan.Drive, b.Source.Setting(s.Plan.Drive), b.Source.ID, len(s.Passes), totalOf(s.Passes))
	return pr, nil
}

// readAndCheckSweep reads a sweep file with its bench and clears the level over the whole span. What
// was found out comes with an error too, where the files could be read.
func readAndCheckSweep(file string) (*prepared, error) {
	data, err := terminal.ReadText(file)
	if err != nil {
		return nil, fmt.Errorf("read the sweep file: %w", err)
	}
	s, list := plan.ParseFreeSweep(file, data)
	if err := list.Err(); err != nil {
		return nil, err
	}
	b, more, err := loadBench(filepath.Join(filepath.Dir(file), filepath.FromSlash(s.Plan.BenchFile)))
	if err != nil {
		return nil, err
	}
	pr := &prepared{plan: s.Plan, sweep: s, bench: b, chain: chain.New(b), warnings: append(list.Warnings(), more.Warnings()...)}
	checked, problems := plan.CheckSweep(s, pr.chain)
	pr.checked = checked
	if err := problems.Err(); err != nil {
		return pr, terminal.WithCode(terminal.ExitRefused, fmt.Errorf("refused before RF: %w", err))
	}
	at := guard.Setting{Frequency: s.Plan.Grid[0], To: s.Plan.Grid[1], Level: s.Plan.Drive.Add(s.Plan.Modulation.CarrierOverLevel()), Modulation: s.Plan.Modulation}
	if err := guard.New(guard.Config{Chain: pr.chain, Fixture: s.Plan.Fixture}).WithinSpan(at); err != nil {
		return pr, terminal.WithCode(terminal.ExitRefused, fmt.Errorf("refused before RF: %w", err))
	}
	return pr, nil
}

func totalOf(passes []sweep.Sweep) rf.Duration {
	var total time.Duration
	for _, p := range passes {
		total += p.Time
	}
	return rf.Duration(total)
}

// performSweep opens the bench, sweeps, and writes the plan that steps around the bands found: into
// planFile, or beside the sweep file where that is empty. The plan's name is empty where no band was
// found.
func performSweep(w *terminal.World, o performance, planFile string) (engine.Swept, string, error) {
	out, err := carryOutSweep(w, o)
	if err != nil || len(out.Bands) == 0 {
		return out, "", err
	}
	text := o.ready.sweep.Stepped(out.Bands)
	if planFile == "" {
		planFile, err = writeApart(w, strings.TrimSuffix(o.planFile, filepath.Ext(o.planFile))+"-stepped", []byte(text))
	} else {
		err = os.WriteFile(planFile, []byte(text), 0o644)
	}
	if err != nil {
		return out, "", fmt.Errorf("write the stepped plan: %w", err)
	}
	return out, planFile, nil
}

// carryOutSweep opens the instruments and runs the engine.
func carryOutSweep(w *terminal.World, o performance) (engine.Swept, error) {
	pr := o.ready
	job, leave, err := openJob(o.jobFile, false)
	if err != nil {
		return engine.Swept{}, err
	}
	defer leave()
	desk := engine.NewDesk()
	if o.asks != nil {
		o.asks(desk)
	}
	bench, err := claimBench(w, pr.bench, claim.Runs, o.jobFile)
	if err != nil {
		return engine.Swept{}, err
	}
	defer bench.Release()
	rig, err := driver.OpenBench(w.Ctx, pr.bench, driver.Options{Default: withinDeadMan(pr.plan), Person: desk})
	if err != nil {
		return engine.Swept{}, fmt.Errorf("open the bench: %w", err)
	}
	defer rig.Close()
	if err := bench.Add(claim.Keys(pr.bench, rig.Identified)); err != nil {
		return engine.Swept{}, err
	}
	o.awake = watcher.KeepAwake()
	defer o.awake.Release()
	watched := "none: the source is set by hand, and nothing that is wired can end RF"
	var watching watching
	known := true // RF is known to be off; a panic on the way leaves it false
	defer func() { watching.end(w, known) }()
	if rig.Amplifier != nil {
		if watching, err = startWatching(w, o, pr.bench, rig, bench); err != nil {
			return engine.Swept{}, err
		}
		watched = watching.words()
	}
	if err := askToArm(w, o, pr, rig, watched); err != nil {
		return engine.Swept{}, err
	}
	monitors, err := openMonitors(pr, rig)
	if err != nil {
		return engine.Swept{}, err
	}
	sync, hangUp, err := syncLine(w, pr.sweep)
	if err != nil {
		return engine.Swept{}, err
	}
	defer hangUp()
	writer, err := part{attempt: 1}.writer(w, job, o, pr, rig)
	if err != nil {
		return engine.Swept{}, err
	}
	if o.begun != nil {
		o.begun(writer.Run(), job)
	}
	operator, progress := o.operatorSays, o.progress
	if operator == nil {
		var stop func()
		operator, stop = listenToOperator(w, desk)
		defer stop()
	}
	if progress == nil {
		line := newStatusLine(w, fmt.Sprintf("run %d", writer.Run()))
		defer line.clear()
		progress = line.show
	}
	watching.of(writer.Run())
	known = false
	out, err := engine.RunSweep(w.Ctx, engine.Config{
		Plan: pr.plan, Chain: pr.chain, Rig: rig, Monitors: monitors, Journal: writer, Run: writer.Run(),
		Armed: armed(o, pr, watched), Watcher: watching.guard(), Operator: operator, Progress: progress, Watched: o.watched, Now: w.Now, Slept: watcher.Slept,
		Desk: desk, Reset: resetterOf(pr.bench, rig, w),
	}, pr.sweep, sync)
	known = out.Verdict != event.RFNotKnownOff
	return out, rescued(job, terminal.WithCode(exitOf(out.Result), err))
}

// syncLine opens the sync line and delivers when its line comes.
func syncLine(w *terminal.World, s *plan.FreeSweep) (engine.Sync, func(), error) {
	if s.Marked != plan.ByLine {
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

// printSwept prints the bands with their limits.
func printSwept(w *terminal.World, out engine.Swept) {
	fmt.Fprintf(w.Stdout, "\n%s: %s in %s; %s\n", out.Verdict, english.Count(out.Upsets, "upset", "upsets"), english.Count(len(out.Passes), "pass", "passes"), terminal.RFWords(out.Safing.How))
	if len(out.Bands) == 0 {
		fmt.Fprintln(w.Stdout, "no band was found")
		return
	}
	t := terminal.Table(w.Stdout)
	fmt.Fprintln(t, "band from\tto\tlower end within\tupper end within\tlatency\tby")
	for _, b := range out.Bands {
		fmt.Fprintf(t, "%v\t%v\t%v to %v\t%v to %v\t%v (%v to %v)\t%s\n", b.Low, b.High, b.LowLeast, b.LowMost, b.HighLeast, b.HighMost,
			round(b.Latency), round(b.LatencyLeast), round(b.LatencyMost), b.Rests)
	}
	t.Flush()
	for _, b := range out.Bands {
		for _, n := range b.Notes {
			fmt.Fprintf(w.Stdout, "%v: %s\n", b.Low, n)
		}
	}
}

func round(d time.Duration) rf.Duration { return rf.Duration(d.Round(time.Millisecond)) }
