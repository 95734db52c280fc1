// Package session carries out what is to be done at a bench: a run of a plan, a sweep of a source by itself, the runs
// of a study. It reads and checks the files, claims the bench, opens the instruments, starts the watcher, has the run
// armed, runs the engine into the journal of a job, and says at the terminal what is going on. Perform does a run from
// its files to its verdict; a Desk does the same for a page; Off silences a bench.
package session

import (
	"errors"
	"fmt"
	"os"
	"time"

	"provoke/internal/bench/camera"
	"provoke/internal/bench/claim"
	"provoke/internal/bench/driver"
	"provoke/internal/bench/dut"
	"provoke/internal/bench/scpi"
	"provoke/internal/files/catalog"
	"provoke/internal/findings/evidence"
	"provoke/internal/job/event"
	"provoke/internal/job/fixing"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/job/store"
	"provoke/internal/model/chain"
	"provoke/internal/run/engine"
	"provoke/internal/run/watcher"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

// Order is one run as a person asks for it: by the run command, by the demo, or on the page.
type Order struct {
	PlanFile    string
	JobFile     string
	Label       string
	Changed     string
	Operator    string
	Room        string
	Temperature string
	Humidity    string
	// Armed: the person has accepted the worst case beforehand; otherwise it is asked for.
	Armed  bool
	Resume bool
	// Alone: the person has accepted that nothing but this program can end RF while it lives.
	Alone bool
	// Again is the run of the job whose every frequency is exposed again, those found at the edges of
	// its bands too; 0 for none.
	Again int
	// Fix makes it a fixing loop; nil for a run of the plan. Followed is then told of every change of it, from the
	// run's goroutine.
	Fix      *fixing.Asked
	Followed func(*fixing.Loop)
	// Point is where a fixing loop begins by hand; 0 Hz for nowhere. Level is the current there.
	Point rf.Frequency
	Level rf.Current
	begin engine.Command // that goes there
	// FootSwitch is what keys of a foot switch mean.
	FootSwitch map[terminal.Key]engine.Want
	// OverTest says who accepted levels above the one wanted; empty for what the plan says.
	OverTest string
	// Asked begins to ask, beside the preparations, what else is known of the bench's equipment, and returns how to get
	// what it was told, with RF still off; it must not keep the run. nil asks nobody.
	Asked func(*catalog.Bench) (told func() []string)
	// Progress replaces the status line.
	Progress func(engine.Status)
	// Ready is the plan as it was read and checked beforehand; nil: the plan file is read now.
	Ready *Prepared
	// OperatorSays replaces signals and typed lines; nil: listen to them.
	OperatorSays <-chan engine.Command
	// Begun is told the run's number, and the job that it is written to, before RF.
	Begun func(run int, job *store.Job)
	// watched is told every look at the product.
	watched func(engine.Look)
	// awake keeps the machine from going to sleep while RF may be on; nil for a run without RF.
	awake *watcher.Awake
	// asks is told where a bench that is set by hand asks a person.
	asks func(*engine.Desk)
	// page is what pages hand over of the browser's camera, and sees is told the monitors; nil where no page is served.
	page *camera.Handed
	sees func([]dut.Monitor)
}

// Perform does a run from its files to its verdict. The error carries the exit code.
func Perform(w *terminal.World, o Order) (engine.Result, error) {
	out, err := perform(w, o)
	return out.Result, err
}

// perform does a run, or lets a source sweep by itself where a sweep is ready: the same way from the job to the
// verdict.
func perform(w *terminal.World, o Order) (engine.Swept, error) {
	job, leave, err := OpenJob(o.JobFile, o.Resume)
	if err != nil {
		return engine.Swept{}, err
	}
	defer leave()
	if o.Resume {
		of := noLoops
		if o.Fix != nil {
			of = loops
		}
		if o.Again, o.OverTest, o.Fix, err = asBefore(job, o.Fix, of); err != nil {
			return engine.Swept{}, err
		}
	}
	pr := o.Ready
	if pr == nil {
		if pr, err = prepare(w, Request{PlanFile: o.PlanFile, Again: o.Again, Fix: o.Fix}, job,
			o.OverTest); err != nil {
			return engine.Swept{}, err
		}
	}
	if err := checkBaseline(job, pr.Plan); err != nil {
		return engine.Swept{}, err
	}
	if o.page == nil && pr.byBrowser() {
		return engine.Swept{}, terminal.WithCode(terminal.ExitRefused, dut.ErrNoPage)
	}
	if o.Point > 0 {
		if o.begin, err = pr.pointAt(o.Point, o.Level); err != nil {
			return engine.Swept{}, err
		}
	}
	part, err := resumed(job, o, pr)
	if err != nil {
		return engine.Swept{}, err
	}
	if part.left, err = leftByWatcher(w, o.JobFile); err != nil {
		return engine.Swept{}, err
	}
	out, err := carryOut(w, o, pr, part, job)
	return out, rescued(job, err)
}

// rescued adds to the error of a run whose job was taken away where it is now.
func rescued(job *store.Job, err error) error {
	if !errors.Is(err, store.ErrGone) {
		return err
	}
	to, lost := job.Rescue()
	if lost != nil {
		return errors.Join(err, lost)
	}
	return errors.Join(err, fmt.Errorf("what was recorded until then is in %s: give it the job's name, then go on "+
		"with --resume", to))
}

// carryOut opens the instruments and runs the engine.
func carryOut(w *terminal.World, o Order, pr *Prepared, part part, job *store.Job) (out engine.Swept, err error) {
	told := func() []string { return nil }
	if o.Asked != nil && pr.Plan.Kind != plan.Baseline {
		told = o.Asked(pr.Bench)
	}
	options := driver.Options{Default: withinDeadMan(pr.Plan)}
	desk := deskFor(pr.Bench)
	if desk != nil {
		options.Person = desk
		if o.asks != nil {
			o.asks(desk)
		}
	}
	bench, err := ClaimBench(w, pr.Bench, claim.Runs, o.JobFile)
	if err != nil {
		return out, err
	}
	defer bench.Release()
	rig, err := driver.OpenBench(w.Ctx, pr.Bench, options)
	if err != nil {
		return out, fmt.Errorf("open the bench: %w", err)
	}
	defer rig.Close()
	if err := bench.Add(claim.Keys(pr.Bench, rig.Identified)); err != nil {
		return out, err
	}
	var watching Watching
	known := true // RF is known to be off; a panic on the way leaves it false
	defer func() { watching.End(w, known) }()
	if pr.Plan.Kind != plan.Baseline {
		if watching, err = StartWatching(w, pr.Bench, rig, bench, o.JobFile, o.Alone); err != nil {
			return out, err
		}
		o.awake = watcher.KeepAwake()
		defer o.awake.Release()
		for _, words := range told() {
			fmt.Fprintln(w.Stderr, "provoke: warning:", words)
		}
		if err := askToArm(w, o, pr, rig, watching.words()); err != nil {
			return out, err
		}
	}
	cfg := engine.Config{
		Plan: pr.Plan, Chain: pr.Chain, Rig: rig, Points: pr.points, Closed: part.closed, UpsetAt: part.upsetAt,
		Earlier:      part.steps,
		FirstAttempt: part.attempt,
		Armed:        armed(o, pr, watching.words()), Watcher: watching.Guard(), Watched: o.watched, Now: w.Now,
		Slept: watcher.Slept,
		Desk:  desk, Reset: resetterOf(pr.Bench, rig, w), OfferReset: offerReset(w, o, desk != nil),
	}
	if cfg.Monitors, err = openMonitors(pr, rig, o.page); err != nil {
		return out, err
	}
	if o.sees != nil {
		o.sees(cfg.Monitors)
	}
	for _, o := range catalog.OnlookersOf(pr.Bench.Monitors) {
		fmt.Fprintf(w.Stderr, "%s on until the run ends: %s\n", o.Device, o.Says)
	}
	if pr.Sweep == nil && pr.Fixing == nil {
		if cfg.Program, err = plan.NewProgram(pr.Plan, pr.points); err != nil {
			return out, fmt.Errorf("make the program: %w", err)
		}
	}
	sync, hangUp, err := syncLine(w, pr.Sweep)
	if err != nil {
		return out, err
	}
	defer hangUp()
	writer, err := part.writer(w, job, o, pr, rig)
	if err != nil {
		return out, err
	}
	cfg.Journal, cfg.Run, cfg.Attach = writer, writer.Run(), job.Attach
	watching.of(cfg.Run)
	if o.Begun != nil {
		o.Begun(cfg.Run, job)
	}
	if pr.Fixing != nil {
		if err := pr.follow(job, &cfg); err != nil {
			return out, err
		}
		cfg.Followed = o.Followed
		if w.Simulated {
			cfg.Countdown = engine.DefaultCountdown / 40 // as fast as the demo
		}
		fmt.Fprintln(w.Stderr, pr.loopWords())
	}
	var stop func()
	if pr.Fixing != nil && o.OperatorSays == nil {
		var line *loopLine
		line, stop = o.attendLoop(w, cfg.Run)
		cfg.Operator, cfg.Progress, cfg.Followed = line.out, line.show, line.followed
		if o.Point > 0 {
			line.say(o.begin)
		}
	} else {
		cfg.Operator, cfg.Progress, stop = o.attended(w, desk, cfg.Run)
	}
	defer stop()
	known = false
	if pr.Sweep != nil {
		out, err = engine.RunSweep(w.Ctx, cfg, pr.Sweep, sync)
	} else {
		out.Result, err = engine.Run(w.Ctx, cfg)
	}
	known = out.Verdict != event.RFNotKnownOff
	if !known && err == nil {
		err = errors.New(out.Safing.How)
	}
	if err == nil {
		err = doubtFixture(w, job, cfg.Run, pr.Chain)
	}
	return out, terminal.WithCode(ExitOf(out.Result), err)
}

// attended returns what the operator says and where the run tells how far it is: the page's, or those of the terminal
// until stop.
func (o Order) attended(w *terminal.World, desk *engine.Desk, run int) (operator <-chan engine.Command,
	progress func(engine.Status), stop func()) {
	operator, progress = o.OperatorSays, o.Progress
	deaf, clear := func() {}, func() {}
	if operator == nil {
		operator, deaf = listenToOperator(w, desk)
	}
	if progress == nil {
		line := newStatusLine(w, fmt.Sprintf("run %d", run))
		progress, clear = line.show, line.block.Close
	}
	return operator, progress, func() { clear(); deaf() }
}

// doubtFixture tells, and notes in the run, when its currents are those of a jig although the clamp
// should have been on the cable.
func doubtFixture(w *terminal.World, job *store.Job, run int, c *chain.Chain) error {
	r, err := result.All(job.Records(run, 1))
	if err != nil {
		return terminal.Damage(err)
	}
	words := evidence.StillInJig(r, c)
	if words == "" {
		return nil
	}
	fmt.Fprintf(w.Stderr, "run %d: %s\n", run, words)
	_, err = job.Annotate(run, w.Now(), event.Note{By: "provoke", Text: words})
	return err
}

// withinDeadMan is how long one exchange with an instrument is waited for when neither bench file nor
// command table say: short enough that an instrument that does not answer is named as the cause
// before the dead-man acts, the question why it did not answer included.
func withinDeadMan(p *plan.Plan) time.Duration {
	return min(scpi.DefaultTimeout, 6*p.DeadMan.Std()/10)
}

// ExitOf returns the exit code of a verdict.
func ExitOf(res engine.Result) int {
	switch res.Verdict.Kind() {
	case event.RFNotKnownOff:
		return terminal.ExitRFUnknown
	case event.TrippedEnd:
		return terminal.ExitTripped
	case event.Stopped:
		return terminal.ExitStopped
	case event.Incomplete, event.TimeUp:
		return terminal.ExitIncomplete
	case event.Failed:
		return terminal.ExitError
	}
	return terminal.ExitDone
}

// OpenJob opens the job file, or makes it. leave closes it, and takes away one that was made for a
// run which never began.
func OpenJob(file string, resume bool) (job *store.Job, leave func(), err error) {
	_, missing := os.Stat(file)
	if !errors.Is(missing, os.ErrNotExist) || resume {
		job, err = store.Open(file)
		if info, serr := os.Stat(file); err == nil || !errors.Is(err, store.ErrNotAJob) || serr != nil ||
			info.Size() > 0 || store.Written(file) {
			return job, func() { job.Close() }, err
		}
		// The program that was making the job was killed before anything was in it.
		if err := os.Remove(file); err != nil {
			return nil, nil, fmt.Errorf("take up the empty job %s: %w", file, err)
		}
	}
	job, err = store.Create(file)
	return job, func() {
		_, none := job.Newest()
		job.Close()
		if errors.Is(none, store.ErrNoRun) {
			os.Remove(file)
		}
	}, err
}
