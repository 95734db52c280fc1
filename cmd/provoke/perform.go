package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"provoke/internal/bench/claim"
	"provoke/internal/bench/driver"
	"provoke/internal/bench/dut"
	"provoke/internal/bench/guard"
	"provoke/internal/bench/scpi"
	"provoke/internal/files/catalog"
	"provoke/internal/files/problem"
	"provoke/internal/findings/evidence"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/job/store"
	"provoke/internal/model/chain"
	"provoke/internal/run/engine"
	"provoke/internal/run/watcher"
	"provoke/internal/terminal"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// performance is one run as a person asks for it: by the run command, by the demo, or on the page.
type performance struct {
	planFile    string
	jobFile     string
	label       string
	changed     string
	operator    string
	room        string
	temperature string
	humidity    string
	// armed: the person has accepted the worst case beforehand; otherwise it is asked for.
	armed  bool
	resume bool
	// alone: the person has accepted that nothing but this program can end RF while it lives.
	alone bool
	// again is the run of the job whose every frequency is exposed again, those found at the edges of
	// its bands too; 0 for none.
	again int
	// overTest says who accepted levels above the one wanted; empty for what the plan says.
	overTest string
	// progress replaces the status line.
	progress func(engine.Status)
	// ready is the plan as it was read and checked beforehand; nil: the plan file is read now.
	ready *prepared
	// operator replaces signals and typed lines; nil: listen to them.
	operatorSays <-chan engine.Command
	// begun is told the run's number, and the job that it is written to, before RF.
	begun func(run int, job *store.Job)
	// watched is told every look at the product.
	watched func(engine.Look)
	// awake keeps the machine from going to sleep while RF may be on; nil for a run without RF.
	awake *watcher.Awake
	// asks is told where a bench that is set by hand asks a person.
	asks func(*engine.Desk)
}

// prepared is everything that a run needs before an instrument is touched.
type prepared struct {
	plan    *plan.Plan
	sweep   *plan.FreeSweep // of a source that sweeps by itself; nil otherwise
	bench   *catalog.Bench
	chain   *chain.Chain
	checked plan.Checked
	points  func(rf.Frequency) (plan.Point, error)
	cal     *plan.Calibrated
	// warnings of the files and of the check.
	warnings problem.List
}

// beside returns a function that reads files by names relative to a file.
func beside(file string) func(string) ([]byte, error) {
	return func(name string) ([]byte, error) {
		return terminal.ReadTable(filepath.Join(filepath.Dir(file), filepath.FromSlash(name)))
	}
}

// loadBench reads a bench file with everything that it names.
func loadBench(file string) (*catalog.Bench, problem.List, error) {
	data, err := terminal.ReadText(file)
	if list, ok := problem.ListOf(err); ok {
		return nil, list, err
	}
	if err != nil {
		return nil, nil, fmt.Errorf("read the bench file: %w", err)
	}
	b, list := catalog.Parse(file, data, beside(file))
	if b != nil {
		_, tables := driver.TablesOf(b)
		list = append(list, tables...)
	}
	return b, list, list.Err()
}

// loadPlan reads a plan file and the bench file that it names.
func loadPlan(file string) (*plan.Plan, *catalog.Bench, problem.List, error) {
	data, err := terminal.ReadText(file)
	if err != nil {
		return nil, nil, nil, fmt.Errorf("read the plan file: %w", err)
	}
	p, list := plan.Parse(file, data, beside(file))
	if p != nil && p.Profile.Checked.On > time.Now().Format(time.DateOnly) {
		list = append(list, problem.Problem{File: file, What: "profile_checked: on: " + p.Profile.Checked.On + " is a day to come", Hint: "write the day on which the profile was compared with the standard"})
	}
	if p == nil || p.BenchFile == "" {
		return p, nil, list, list.Err()
	}
	benchFile := filepath.Join(filepath.Dir(file), filepath.FromSlash(p.BenchFile))
	b, more, err := loadBench(benchFile)
	if _, ok := problem.ListOf(err); err != nil && !ok {
		return p, nil, list, errors.Join(list.Err(), err)
	}
	list = append(list, more...)
	return p, b, list, list.Err()
}

// folded puts several warnings of the bench file that no rating and no watching rests on into one line.
func folded(list problem.List) problem.List {
	first, n := 0, 0
	for i, p := range list {
		if p.Aside {
			first, n = i, n+1
		}
	}
	if n < 2 {
		return list
	}
	one := problem.Problem{File: list[first].File, Warning: true, What: fmt.Sprintf("%d warnings that no rating and no watching rests on", n), Hint: "provoke bench " + list[first].File + " shows them"}
	return append(slices.DeleteFunc(slices.Clone(list), func(p problem.Problem) bool { return p.Aside }), one)
}

// prepare reads, checks and refuses; job may be nil. It prints the warnings.
func prepare(w *terminal.World, planFile string, job *store.Job, again int, overTest string) (*prepared, error) {
	pr, err := readAndCheck(planFile, job, again, overTest)
	if pr != nil {
		for _, warning := range folded(pr.warnings) {
			fmt.Fprintln(w.Stderr, warning)
		}
	}
	if err != nil {
		return nil, err
	}
	return pr, nil
}

// readAndCheck reads a plan with its bench and checks it against every rating; job may be nil. What
// was found out comes back with an error too, as far as it goes.
func readAndCheck(planFile string, job *store.Job, again int, overTest string) (*prepared, error) {
	p, b, list, err := loadPlan(planFile)
	if err != nil {
		return nil, err
	}
	if again > 0 {
		if err := exposeAgain(job, p, again); err != nil {
			return nil, err
		}
	}
	if overTest != "" {
		p.OverTest = overTest
	}
	raising, err := raise(job, p, b, again)
	if err != nil {
		return nil, err
	}
	pr := &prepared{plan: p, bench: b, chain: chain.New(b)}
	if p.Mode == plan.Substitution && p.Kind != plan.Baseline && p.Kind != plan.Calibration {
		if pr.cal, err = calibrationOf(job, p); err != nil {
			return nil, err
		}
	}
	checked, more := plan.Check(p, pr.chain, pr.cal)
	pr.checked = checked
	pr.warnings = append(append(list.Warnings(), raising...), more.Warnings()...)
	if pr.cal != nil && pr.cal.Bench != sha256Of(b.Bytes) {
		pr.warnings = append(pr.warnings, problem.Problem{File: p.File, Field: "mode", Warning: true,
			What: fmt.Sprintf("calibration run %d was made with another bench file: its drives give its currents only with the same generator, pads, amplifier and clamp", pr.cal.Run),
			Hint: "calibrate again where one of them was changed"})
	}
	if len(checked.Refusals) > 0 {
		return pr, terminal.WithCode(terminal.ExitRefused, fmt.Errorf("refused before RF: the plan would exceed a rating\n%w", more.Err()))
	}
	if err := more.Err(); err != nil {
		return pr, err
	}
	if pr.points, err = plan.Points(p, pr.chain, pr.cal); err != nil {
		return pr, fmt.Errorf("compute the plan's levels: %w", err)
	}
	return pr, nil
}

// exposeAgain adds every frequency at which a run of the job exposed the product to a plan's grid.
func exposeAgain(job *store.Job, p *plan.Plan, again int) error {
	if job == nil {
		return errors.New("exposing the frequencies of an earlier run again needs the job: name it with --job")
	}
	r, err := result.All(job.Records(again, 1))
	if err != nil {
		return fmt.Errorf("read run %d, to expose its frequencies again: %w", again, err)
	}
	for _, s := range r.Steps {
		p.Grid = append(p.Grid, s.Step.Point.Frequency)
	}
	slices.Sort(p.Grid)
	p.Grid = slices.Compact(p.Grid)
	p.GridText += fmt.Sprintf("; and every frequency of run %d", again)
	return nil
}

// calibrationOf returns the calibration run of a job that a plan replays.
func calibrationOf(job *store.Job, p *plan.Plan) (*plan.Calibrated, error) {
	if job == nil {
		return nil, errors.New("substitution replays a calibration run of the same job: name the job with --job")
	}
	runs, err := job.Runs()
	if err != nil {
		return nil, err
	}
	for i := len(runs) - 1; i >= 0; i-- {
		n := runs[i].Run
		if p.CalibrationRun != 0 && p.CalibrationRun != n {
			continue
		}
		r, err := result.All(job.Records(n, 1))
		if err != nil {
			return nil, fmt.Errorf("read run %d: %w", n, err)
		}
		if r.Opened.RunKind != plan.Calibration || r.Verdict != event.Done && r.Verdict != event.Incomplete {
			continue
		}
		cal := &plan.Calibrated{Run: n, Loop: catalog.Fixture(r.Opened.Fixture).LoopImpedance(), Bench: r.Opened.Bench.SHA256,
			Label: r.Opened.Label, At: r.OpenedAt, Fixture: catalog.Fixture(r.Opened.Fixture)}
		for _, s := range r.Steps {
			if !s.Outcome.NotReached && !s.Outcome.Skipped && s.Step.Purpose != plan.DriftCheck {
				cal.Points = append(cal.Points, plan.CalibratedAt{Frequency: s.Step.Point.Frequency, Drive: s.Drive, Current: s.Current, Forward: s.Forward})
			}
		}
		return cal, nil
	}
	if p.CalibrationRun != 0 {
		return nil, fmt.Errorf("the plan replays calibration run %d, and the job has no finished calibration run of that number", p.CalibrationRun)
	}
	return nil, errors.New("substitution replays a calibration run, and this job has none that finished: run a plan of kind calibration first")
}

// perform does a run from its files to its verdict. The error carries the exit code.
func perform(w *terminal.World, o performance) (engine.Result, error) {
	job, leave, err := openJob(o.jobFile, o.resume)
	if err != nil {
		return engine.Result{}, err
	}
	defer leave()
	if o.resume {
		if o.again, o.overTest, err = againOf(job); err != nil {
			return engine.Result{}, err
		}
	}
	pr := o.ready
	if pr == nil {
		if pr, err = prepare(w, o.planFile, job, o.again, o.overTest); err != nil {
			return engine.Result{}, err
		}
	}
	if err := checkBaseline(job, pr.plan); err != nil {
		return engine.Result{}, err
	}
	part, err := resumed(job, o, pr)
	if err != nil {
		return engine.Result{}, err
	}
	if part.left, err = leftByWatcher(w, o.jobFile); err != nil {
		return engine.Result{}, err
	}
	res, err := carryOut(w, o, pr, part, job)
	return res, rescued(job, err)
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
	return errors.Join(err, fmt.Errorf("what was recorded until then is in %s: give it the job's name, then go on with --resume", to))
}

// carryOut opens the instruments and runs the engine.
func carryOut(w *terminal.World, o performance, pr *prepared, part part, job *store.Job) (engine.Result, error) {
	options := driver.Options{Default: withinDeadMan(pr.plan)}
	desk := deskFor(pr.bench)
	if desk != nil {
		options.Person = desk
		if o.asks != nil {
			o.asks(desk)
		}
	}
	bench, err := claimBench(w, pr.bench, claim.Runs, o.jobFile)
	if err != nil {
		return engine.Result{}, err
	}
	defer bench.Release()
	rig, err := driver.OpenBench(w.Ctx, pr.bench, options)
	if err != nil {
		return engine.Result{}, fmt.Errorf("open the bench: %w", err)
	}
	defer rig.Close()
	if err := bench.Add(claim.Keys(pr.bench, rig.Identified)); err != nil {
		return engine.Result{}, err
	}
	var watching watching
	known := true // RF is known to be off; a panic on the way leaves it false
	defer func() { watching.end(w, known) }()
	if pr.plan.Kind != plan.Baseline {
		if watching, err = startWatching(w, o, pr.bench, rig, bench); err != nil {
			return engine.Result{}, err
		}
	}
	if pr.plan.Kind != plan.Baseline {
		o.awake = watcher.KeepAwake()
		defer o.awake.Release()
		if err := askToArm(w, o, pr, rig, watching.words()); err != nil {
			return engine.Result{}, err
		}
	}
	monitors, err := openMonitors(pr, rig)
	if err != nil {
		return engine.Result{}, err
	}
	program, err := plan.NewProgram(pr.plan, pr.points)
	if err != nil {
		return engine.Result{}, fmt.Errorf("make the program: %w", err)
	}
	writer, err := part.writer(w, job, o, pr, rig)
	if err != nil {
		return engine.Result{}, err
	}
	watching.of(writer.Run())
	if o.begun != nil {
		o.begun(writer.Run(), job)
	}
	operator := o.operatorSays
	if operator == nil {
		var stopListening func()
		operator, stopListening = listenToOperator(w, desk)
		defer stopListening()
	}
	progress := o.progress
	if progress == nil {
		line := newStatusLine(w, fmt.Sprintf("run %d", writer.Run()))
		defer line.clear()
		progress = line.show
	}
	known = false
	res, err := engine.Run(w.Ctx, engine.Config{
		Plan: pr.plan, Chain: pr.chain, Rig: rig, Monitors: monitors, Journal: writer, Run: writer.Run(),
		Points: pr.points, Program: program, Closed: part.closed, UpsetAt: part.upsetAt, FirstAttempt: part.attempt,
		Armed: armed(o, pr, watching.words()), Watcher: watching.guard(), Operator: operator, Progress: progress, Watched: o.watched, Now: w.Now, Slept: watcher.Slept,
		Desk: desk, Reset: resetterOf(pr.bench, rig, w), OfferReset: offerReset(w, o, desk != nil),
	})
	known = res.Verdict != event.RFNotKnownOff
	if err == nil {
		err = doubtFixture(w, job, writer.Run(), pr.chain)
	}
	return res, terminal.WithCode(exitOf(res), err)
}

// doubtFixture tells, and notes in the run, when its currents are those of a jig although the clamp
// should have been on the cable.
func doubtFixture(w *terminal.World, job *store.Job, run int, c *chain.Chain) error {
	r, err := result.All(job.Records(run, 1))
	if err != nil {
		return damage(err)
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

// exitOf returns the exit code of a verdict.
func exitOf(res engine.Result) int {
	switch res.Verdict.Kind() {
	case event.RFNotKnownOff:
		return terminal.ExitRFUnknown
	case event.TrippedEnd:
		return terminal.ExitTripped
	case event.Stopped:
		return terminal.ExitStopped
	case event.Incomplete:
		return terminal.ExitIncomplete
	case event.Failed:
		return terminal.ExitError
	}
	return terminal.ExitDone
}

// openJob opens the job file, or makes it. leave closes it, and takes away one that was made for a
// run which never began.
func openJob(file string, resume bool) (job *store.Job, leave func(), err error) {
	_, missing := os.Stat(file)
	if !errors.Is(missing, os.ErrNotExist) || resume {
		job, err = store.Open(file)
		if info, serr := os.Stat(file); err == nil || !errors.Is(err, store.ErrNotAJob) || serr != nil || info.Size() > 0 || store.Written(file) {
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

// checkBaseline refuses an exposure whose newest baseline had more false alarms than the plan
// accepts.
func checkBaseline(job *store.Job, p *plan.Plan) error {
	if p.Kind != plan.Exposure && p.Kind != plan.Control {
		return nil
	}
	runs, err := job.Runs()
	if err != nil {
		return err
	}
	for i := len(runs) - 1; i >= 0; i-- {
		r, err := result.All(job.Records(runs[i].Run, 1))
		if err != nil {
			return fmt.Errorf("read run %d: %w", runs[i].Run, err)
		}
		if r.Opened.RunKind != plan.Baseline {
			continue
		}
		if r.Upsets > p.AcceptFalseAlarms {
			return fmt.Errorf("refused: baseline run %d had %s without any RF: widen the monitor's tolerance, quiet the product, or accept them with accept_false_alarms: %d in the plan",
				r.Number, english.Count(r.Upsets, "false alarm", "false alarms"), r.Upsets)
		}
		return nil
	}
	return nil
}

// askToArm shows the worst case at every rating and asks for a yes.
func askToArm(w *terminal.World, o performance, pr *prepared, rig *driver.Rig, watched string) error {
	if o.armed {
		return nil
	}
	fmt.Fprintf(w.Stdout, "%s: %s, %s\nthe clamp has to be %s now\n\n", pr.plan.Name, pr.plan.Kind, pr.plan.Mode, fixtureWords(pr.plan.Fixture))
	if pr.cal != nil {
		fmt.Fprintf(w.Stdout, "replays %v\n\n", pr.cal)
	}
	printWorst(w.Stdout, pr.checked)
	fmt.Fprintf(w.Stdout, "\nWatcher: %s.\nSleep: %s.\n", watched, o.awake.Words())
	proved, unproved := engine.Proof(rig, pr.bench, pr.plan, pr.sweep != nil)
	for _, x := range proved {
		fmt.Fprintf(w.Stdout, "Level: %s.\n", x)
	}
	for _, x := range unproved {
		fmt.Fprintf(w.Stdout, "Level not proved in the dwell: %s.\n", x)
	}
	if pr.bench.Interlock != nil {
		fmt.Fprintf(w.Stdout, "Interlock: asked every %v while RF is on; a polled interlock is no safety function.\n", rf.Duration(guard.InterlockEvery))
	}
	fmt.Fprint(w.Stdout, "\nInjected current burns and radiates. RF off before touching cable, clamp or probe; outside a shielded\n"+
		"room local spectrum law applies; a machine under test may move.\n\nType arm and press Enter to go on, anything else to stop: ")
	text, _ := w.Line(w.Ctx)
	if strings.TrimSpace(text) != "arm" {
		return terminal.WithCode(terminal.ExitStopped, errors.New("not armed: nothing was switched on"))
	}
	return nil
}

// offerReset asks whether a product that shows an error before any RF is to be reset. With --arm, from the page,
// and where somebody answers prompts of the bench meanwhile, it is done without a question, and said.
func offerReset(w *terminal.World, o performance, prompts bool) func(context.Context, string) bool {
	if o.armed || prompts {
		return nil
	}
	return func(ctx context.Context, why string) bool {
		fmt.Fprintf(w.Stdout, "\n%s.\nType reset and press Enter to have it reset now (it can start or move), anything else to stop: ", why)
		text, _ := w.Line(ctx)
		return strings.TrimSpace(text) == "reset"
	}
}

func printWorst(out io.Writer, c plan.Checked) {
	t := terminal.Table(out)
	fmt.Fprintln(t, "worst case of the run\tat\tlevel\trating\theadroom")
	for _, x := range c.Worst {
		fmt.Fprintf(t, "%s %s\t%v\t%v %s\t%v\t%v\n", x.Node.ID, x.Node.Place, x.Frequency, x.Node.Compared(), x.Node.Counted(), x.Node.Rating, x.Node.Margin())
	}
	t.Flush()
}

func armed(o performance, pr *prepared, watched string) event.Armed {
	a := event.Armed{By: o.operator, DeadMan: pr.plan.DeadMan, Watcher: watched, Suspend: o.awake.Words()}
	for _, x := range pr.checked.Worst {
		a.Worst = append(a.Worst, event.Worst{ID: x.Node.ID, Place: x.Node.Place, Frequency: x.Frequency,
			Peak: x.Node.Compared().String(), Rating: x.Node.Rating.String(), Headroom: x.Node.Margin()})
	}
	return a
}

// openMonitors makes the monitors of the bench as the plan changes them.
func openMonitors(pr *prepared, rig *driver.Rig) ([]dut.Monitor, error) {
	if pr.plan.Kind == plan.Calibration {
		return nil, nil // nothing is connected to the jig
	}
	specs, list := pr.plan.MonitorsOf(pr.bench)
	if err := list.Err(); err != nil {
		return nil, err
	}
	var out []dut.Monitor
	for _, s := range specs {
		m, err := dut.New(s, dut.Options{Meter: rig.Meters[s.ID], Capture: rig.Captures[s.ID]})
		if err != nil {
			return nil, fmt.Errorf("monitor %s: %w", s.ID, err)
		}
		out = append(out, m)
	}
	if len(out) == 0 {
		return nil, errors.New("the bench has no monitor of the product: an exposure that nobody watches shows nothing; add one under monitors")
	}
	return out, nil
}

// againOf returns which run the newest run of a job repeats the frequencies of; 0 for none.
// overTest is what it says of levels above the one wanted.
func againOf(job *store.Job) (again int, overTest string, err error) {
	n, err := job.Newest()
	if errors.Is(err, store.ErrNoRun) {
		return 0, "", nil
	}
	if err != nil {
		return 0, "", err
	}
	r, err := result.All(job.Records(n, 1))
	return r.Opened.Again, r.Opened.OverTest, err
}

// part is what an earlier, interrupted part of the run left behind.
type part struct {
	run     int // 0 for a new run
	closed  []plan.Outcome
	upsetAt map[rf.Frequency]rf.Current // lowest measured, of those
	attempt int
	// from is the closed run whose steps a new run takes over, as carried; 0 for none.
	from    int
	carried []event.Event
	left    *watcher.Report // of what the watcher of an earlier run did; nil for none
}

// resumed finds the run to take up again, when asked to.
func resumed(job *store.Job, o performance, pr *prepared) (part, error) {
	if !o.resume {
		return part{attempt: 1}, nil
	}
	n, err := job.Newest()
	if errors.Is(err, store.ErrNoRun) { // the program that made the job was killed before it came to a run
		return part{attempt: 1}, nil
	}
	if err != nil {
		return part{}, err
	}
	r, err := result.All(job.Records(n, 1))
	if err != nil {
		return part{}, fmt.Errorf("read run %d: %w", n, err)
	}
	switch {
	case r.Verdict == event.Done || r.Verdict == event.DoneUpset:
		return part{}, fmt.Errorf("run %d is done: there is nothing to resume; leave --resume away to begin a new run", n)
	case r.Opened.Plan.SHA256 != sha256Of(pr.plan.Bytes):
		return part{}, fmt.Errorf("run %d was begun with another plan (%s): resume it with that one, which `provoke journal` can write out, or begin a new run", n, r.Opened.Plan.Name)
	case r.Opened.Bench.SHA256 != sha256Of(pr.bench.Bytes):
		return part{}, fmt.Errorf("run %d was begun with another bench file (%s): a resumed run needs the same bench", n, r.Opened.Bench.Name)
	}
	if err := sameInputs(n, r.Opened, pr); err != nil {
		return part{}, err
	}
	p := part{run: n, closed: r.Outcomes(), upsetAt: r.UpsetAt(), attempt: 1}
	if r.Verdict != "" { // its journal is closed: a new run takes its steps over
		p.run, p.from = 0, n
		p.carried, err = closedSteps(job, n)
		return p, err
	}
	if r.Now.Active {
		p.attempt = r.Now.Attempt + 1
	}
	if len(r.Abandoned) > 0 {
		p.attempt = r.Abandoned[len(r.Abandoned)-1].Attempt + 1
	}
	return p, nil
}

// sameInputs refuses a resumed run whose levels would not be those of its first part: another calibration,
// or another file behind a name in bench or plan.
func sameInputs(n int, was event.Opened, pr *prepared) error {
	if pr.cal != nil && pr.cal.Run != was.Calibration {
		return fmt.Errorf("run %d replays calibration run %d, and the newest is run %d now: a resumed run needs the same one; begin a new run", n, was.Calibration, pr.cal.Run)
	}
	now := map[string]int{}
	for _, files := range []map[string][]byte{pr.bench.Files, pr.plan.Files} {
		for name, data := range files {
			now[name+"\x00"+sha256Of(data)]++
		}
	}
	for _, f := range was.Files {
		if now[f.Name+"\x00"+f.SHA256]--; now[f.Name+"\x00"+f.SHA256] < 0 {
			return fmt.Errorf("run %d was begun with another %s: a resumed run needs the same files; `provoke journal` can write out the one that was used, or begin a new run", n, f.Name)
		}
	}
	return nil
}

// writer opens the journal of a new run, or of the one to resume.
func (p part) writer(w *terminal.World, job *store.Job, o performance, pr *prepared, rig *driver.Rig) (*store.Writer, error) {
	if p.run != 0 {
		writer, err := job.ResumeRun(p.run)
		if err != nil {
			return nil, err
		}
		if err := journalLeft(w, job, p.left, writer); err != nil {
			return nil, err
		}
		_, err = writer.Append(w.Now(), event.Resumed{Why: "taken up again with --resume"})
		return writer, err
	}
	if err := journalLeft(w, job, p.left, nil); err != nil {
		return nil, err
	}
	opened, err := opened(w, job, o, pr, rig)
	if err != nil {
		return nil, err
	}
	opened.Resumes, opened.Continues = p.from != 0, p.from
	writer, err := job.NewRun(w.Now(), opened)
	if err != nil || p.from == 0 {
		return writer, err
	}
	_, err = writer.Append(w.Now(), append([]event.Event{event.Resumed{
		Why: fmt.Sprintf("goes on with run %d, whose %s follow", p.from, english.Count(len(p.carried), "closed step", "closed steps"))}}, p.carried...)...)
	return writer, err
}

// closedSteps returns the closed steps of a run as they were journalled.
func closedSteps(job *store.Job, run int) ([]event.Event, error) {
	var out []event.Event
	for rec, err := range job.Records(run, 1) {
		if err != nil {
			return nil, fmt.Errorf("read run %d: %w", run, err)
		}
		if e, ok := rec.Event.(event.StepClosed); ok {
			out = append(out, e)
		}
	}
	return out, nil
}

// opened attaches the files as used and describes the run.
func opened(w *terminal.World, job *store.Job, o performance, pr *prepared, rig *driver.Rig) (event.Opened, error) {
	p, b := pr.plan, pr.bench
	e := event.Opened{
		Version: event.Version, Program: version, RunKind: p.Kind, Mode: p.Mode, Fixture: string(p.Fixture),
		Label: o.label, Changed: o.changed, Operator: o.operator, Room: o.room, Temperature: o.temperature, Humidity: o.humidity,
		Profile: event.Profile{ID: p.Profile.ID, Title: p.Profile.Title, Source: p.Profile.Source, Confidence: p.Profile.Confidence,
			Means: p.Profile.Means, Verified: p.Profile.Verified, Checked: p.Profile.Checked.String()},
		Modulation: p.Modulation, Dwell: p.Dwell, Resolution: p.Search.Resolution, Range: p.Search.Range, Edges: p.Edges,
		Search: event.SearchOf(p),
		Setup:  setupOf(b), Points: len(p.Grid), Equipment: equipmentOf(b, rig.Identified), Curves: curvesOf(b),
	}
	e.Again, e.Stretches = o.again, p.Stretches
	e.DecisionRule = p.Decision
	if len(p.Raised) > 0 {
		e.OverTest = p.OverTest
	}
	e.Levelling.Step = b.Source.Resolution
	e.Levelling.Spread, _ = b.ReadingsSpread()
	if pr.cal != nil {
		e.Calibration = pr.cal.Run
	}
	specs, _ := p.MonitorsOf(b)
	for _, m := range specs {
		e.Monitors = append(e.Monitors, event.Monitor{ID: m.ID, Kind: string(m.Kind), Unit: m.Unit, Tolerance: m.Tolerance, Latency: m.Latency})
	}
	var err error
	attach := func(name string, data []byte) event.Attachment {
		a, aerr := job.Attach(filepath.Base(name), data)
		err = errors.Join(err, aerr)
		return a
	}
	e.Bench, e.Plan = attach(b.File, b.Bytes), attach(p.File, p.Bytes)
	for _, files := range []map[string][]byte{b.Files, p.Files} {
		for _, name := range slices.Sorted(maps.Keys(files)) {
			a := attach(name, files[name])
			a.Name = name // as bench and plan name it
			e.Files = append(e.Files, a)
		}
	}
	if err != nil {
		return e, fmt.Errorf("attach the files as used: %w", err)
	}
	return e, nil
}

// listenToOperator turns signals, and on a terminal lines that are typed, into commands.
// An answer to a prompt is taken whether it is typed or comes from a file.
func listenToOperator(w *terminal.World, desk *engine.Desk) (<-chan engine.Command, func()) {
	out := make(chan engine.Command, 8)
	ctx, cancel := context.WithCancel(w.Ctx)
	go func() {
		first := true
		for {
			select {
			case <-ctx.Done():
				return
			case <-w.Signals:
				if first {
					fmt.Fprintln(w.Stderr, "\nfinishing safely; once more to switch RF off now")
					out <- engine.Command{Want: engine.Finish}
				} else {
					fmt.Fprintln(w.Stderr, "\nRF off now")
					out <- engine.Command{Want: engine.Abort}
				}
				first = false
			}
		}
	}()
	if w.Terminal || desk != nil {
		go typed(ctx, w, w.Typed(), desk, out)
	}
	return out, cancel
}

// typed reads what the operator types: u and Enter for "it upset now", h to hold, g to go on.
// While something is asked, a line is the answer.
func typed(ctx context.Context, w *terminal.World, lines *terminal.LineReader, desk *engine.Desk, out chan<- engine.Command) {
	for {
		line, ok := lines.Next(ctx, w.Stdin)
		if !ok {
			return
		}
		if p, asked := desk.Pending(); asked {
			desk.Reply(p.Number, line)
			continue
		}
		c := engine.Command{}
		switch word, rest, _ := strings.Cut(strings.TrimSpace(line), " "); word {
		case "u":
			c = engine.Command{Want: engine.Mark, Text: rest, At: time.Now()}
		case "h":
			c.Want = engine.HoldRun
		case "g":
			c.Want = engine.GoOn
		default:
			continue
		}
		select {
		case <-ctx.Done():
			return
		case out <- c:
		case <-time.After(time.Second):
		}
	}
}
