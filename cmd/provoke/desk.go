package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"provoke/internal/bench/claim"
	"provoke/internal/faces/web"
	"provoke/internal/job/plan"
	"provoke/internal/job/store"
	"provoke/internal/run/engine"
	"provoke/internal/run/watcher"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

// keptLooks is how many looks at the product the desk remembers for pages that listen.
const keptLooks = 2000

// desk does runs for the page, with the same code as the run command: see perform. It is a
// web.Runner.
type desk struct {
	w    *terminal.World
	dir  string
	file string // of the job

	opening sync.Mutex // the job file is opened for writing by one at a time

	mu       sync.Mutex
	state    web.State
	operator chan engine.Command
	running  *store.Job
	done     chan struct{}
	aborted  time.Time // when RF off was first asked for in this run; zero before
	looks    []engine.Look
	seen     uint64       // number of the last look
	prompts  *engine.Desk // of a bench that is set by hand; nil for others
}

func newDesk(w *terminal.World, dir, job string) *desk {
	quiet := *w
	quiet.Terminal = false
	done := make(chan struct{})
	close(done)
	return &desk{w: &quiet, dir: dir, file: job, done: done}
}

// finished returns a channel that is closed while no run is being done.
func (d *desk) finished() <-chan struct{} {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.done
}

// Prepare reads and checks a plan and what it names.
func (d *desk) Prepare(r web.Request) (web.Prepared, error) {
	job, err := d.readJob()
	if err != nil {
		return web.Prepared{}, err
	}
	if job != nil {
		defer job.Close()
	}
	overTest := ""
	if r.Resume {
		if job == nil {
			return web.Prepared{}, errors.New("there is no run to go on with yet")
		}
		if r.Again, overTest, err = againOf(job); err != nil {
			return web.Prepared{}, err
		}
	}
	var pr *prepared
	if d.sweeps(r.PlanFile) {
		pr, err = readAndCheckSweep(r.PlanFile)
	} else if pr, err = readAndCheck(r.PlanFile, job, r.Again, overTest); err == nil && job != nil {
		err = checkBaseline(job, pr.plan)
	}
	if pr == nil {
		return web.Prepared{Request: r}, err
	}
	return web.Prepared{Request: r, Sweep: pr.sweep, Plan: pr.plan, Bench: pr.bench, Chain: pr.chain, Checked: pr.checked, Warnings: pr.warnings, Own: pr}, err
}

// sweeps reports that a file describes a free sweep. What cannot be read is told by whoever reads it.
func (d *desk) sweeps(file string) bool {
	data, err := terminal.ReadText(file)
	return err == nil && kindOf(data) == "sweep"
}

// readJob opens the job for reading; nil when it does not exist.
func (d *desk) readJob() (*store.Job, error) {
	if _, err := os.Stat(d.file); errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	return store.OpenReadOnly(d.file)
}

// Calibration returns the calibration run that a substitution replays.
func (d *desk) Calibration(p *plan.Plan) (*plan.Calibrated, error) {
	job, err := d.readJob()
	if err != nil {
		return nil, err
	}
	if job == nil {
		return nil, errors.New("substitution replays a calibration run, and there is no run yet: run a plan of kind calibration first")
	}
	defer job.Close()
	return calibrationOf(job, p)
}

// Start begins a run and returns once it has its number, or what kept it from that.
func (d *desk) Start(p web.Prepared, wishes web.Wishes) (int, error) {
	pr, ok := p.Own.(*prepared)
	if !ok {
		return 0, errors.New("this was not prepared here")
	}
	d.mu.Lock()
	if d.state.Underway {
		d.mu.Unlock()
		return 0, web.ErrUnderway
	}
	operator, done := make(chan engine.Command, 16), make(chan struct{})
	d.state = web.State{Underway: true, Began: time.Now()}
	d.operator, d.done, d.looks, d.aborted = operator, done, nil, time.Time{}
	d.mu.Unlock()

	begun, ended := make(chan int, 1), make(chan error, 1)
	d.opening.Lock() // until the run holds the job
	var once sync.Once
	release := func() { once.Do(d.opening.Unlock) }
	o := performance{planFile: p.PlanFile, jobFile: d.file, label: wishes.Label, changed: wishes.Changed, operator: wishes.Operator, room: wishes.Room,
		temperature: wishes.Temperature, humidity: wishes.Humidity, armed: true, alone: wishes.Alone, resume: p.Resume, again: p.Again, ready: pr, operatorSays: operator,
		progress: d.told, watched: d.watched,
		asks: func(prompts *engine.Desk) {
			d.mu.Lock()
			d.prompts = prompts
			d.mu.Unlock()
		},
		begun: func(run int, job *store.Job) {
			d.mu.Lock()
			d.state.Run, d.running = run, job
			d.mu.Unlock()
			release()
			begun <- run
		}}
	go func() {
		defer close(done)
		res, err := d.perform(o)
		release()
		d.ended(res, err)
		ended <- err
	}()
	select {
	case run := <-begun:
		return run, nil
	case err := <-ended:
		select {
		case run := <-begun: // a very short run
			return run, nil
		default:
		}
		if err == nil {
			err = errors.New("the run ended before it began")
		}
		return 0, err
	}
}

// perform does a run, or lets a source sweep by itself; the plan that steps around the bands found is
// then in the folder.
func (d *desk) perform(o performance) (engine.Result, error) {
	if o.ready.sweep == nil {
		return perform(d.w, o)
	}
	out, _, err := performSweep(d.w, o, "")
	if err != nil && out.Verdict != "" { // the journal holds the verdict; this may be about the plan that is written after it
		fmt.Fprintln(d.w.Stderr, "provoke: the sweep:", err)
	}
	return out.Result, err
}

// ended notes that no run is being done any more.
func (d *desk) ended(res engine.Result, err error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.state.Underway, d.running, d.operator, d.prompts = false, nil, nil, nil
	d.state.Status.RFOn = false
	if err != nil && res.Verdict == "" {
		d.state.Failed = err.Error()
	}
}

// told is the engine's Progress.
func (d *desk) told(s engine.Status) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.state.Status, d.state.At = s, d.w.Now()
}

// watched is the engine's Watched.
func (d *desk) watched(l engine.Look) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if len(d.looks) >= keptLooks {
		d.looks = append(d.looks[:0], d.looks[keptLooks/2:]...)
	}
	d.looks = append(d.looks, l)
	d.seen++
	newest := append([]engine.Look(nil), d.state.Looks...) // the old one is lent out
	for i, x := range newest {
		if x.Monitor == l.Monitor {
			newest[i] = l
			d.state.Looks = newest
			return
		}
	}
	d.state.Looks = append(newest, l)
}

// Tell passes a wish on to the engine.
func (d *desk) Tell(c engine.Command) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.operator == nil {
		return web.ErrIdle
	}
	select {
	case d.operator <- c:
		return nil
	default:
		return errors.New("the run takes no wishes at the moment; press “RF off” again, or use the generator's own switch")
	}
}

// Answer answers what a person at the bench is asked.
func (d *desk) Answer(number int, text string) error {
	d.mu.Lock()
	prompts := d.prompts
	d.mu.Unlock()
	if prompts == nil {
		return web.ErrIdle
	}
	return prompts.Reply(number, text)
}

// Off switches RF off, whoever drives the bench.
func (d *desk) Off(ctx context.Context, why string) ([]string, error) {
	stuck := d.Tell(engine.Command{Want: engine.Abort, Text: why})
	if stuck == nil && !d.slow() {
		return nil, nil
	}
	if errors.Is(stuck, web.ErrIdle) {
		stuck = nil
	}
	// A run that does not listen may hang: its bench is silenced without it.
	benches, err := d.benches()
	if err != nil {
		return nil, errors.Join(stuck, err)
	}
	if len(benches) == 0 {
		return nil, errors.Join(stuck, fmt.Errorf("no run takes the wish here, and %s holds no bench file to silence", d.dir))
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
func (d *desk) slow() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.aborted.IsZero() {
		d.aborted = time.Now()
	}
	return d.state.Underway && time.Since(d.aborted) > abortWithin
}

// silenceFile silences the instruments of one bench file.
func (d *desk) silenceFile(ctx context.Context, file, why string) ([]string, error) {
	name := filepath.Base(file)
	b, _, err := loadBench(file)
	if b == nil {
		return nil, err
	}
	var words []string
	rep, openErr := silenceBench(ctx, b, watcher.Silencing{Why: why}, claim.Silences, func(what string) { words = append(words, name+": "+what) })
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
		words = append(words, fmt.Sprintf("%s: the amplifier %s has no remote interface: switch it off by hand", name, b.Amplifier.ID))
	}
	return words, nil
}

// benches returns the bench files of the folder that can be read.
func (d *desk) benches() ([]string, error) {
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

// kindOf returns what a file says that it is: "bench", "plan", "sweep"; empty where it says nothing.
func kindOf(data []byte) string {
	for line := range strings.Lines(string(data)) {
		if rest, ok := strings.CutPrefix(line, "provoke:"); ok {
			kind, _, _ := strings.Cut(strings.Trim(rest, " \t\r\n\"'"), " ")
			return kind
		}
	}
	return ""
}

// State says what is going on.
func (d *desk) State() web.State {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.state
}

// Looks returns the looks after a number that are still remembered.
func (d *desk) Looks(after uint64) ([]engine.Look, uint64) {
	d.mu.Lock()
	defer d.mu.Unlock()
	first := d.seen - uint64(len(d.looks)) // number of the look before the first remembered
	from := max(after, first) - first
	if from >= uint64(len(d.looks)) {
		return nil, d.seen
	}
	return append([]engine.Look(nil), d.looks[from:]...), d.seen
}

// WithJob lends the job open for writing.
func (d *desk) WithJob(do func(*store.Job) error) error {
	d.opening.Lock()
	defer d.opening.Unlock()
	d.mu.Lock()
	job, done := d.running, d.done
	d.mu.Unlock()
	if job != nil {
		err := do(job)
		if err == nil {
			return nil
		}
		select { // the run may have ended, and closed the job, under our hands
		case <-done:
		case <-time.After(2 * time.Second):
			return err
		}
	}
	job, leave, err := openJob(d.file, false)
	if err != nil {
		return err
	}
	defer leave()
	return do(job)
}

// Written reports that some program writes the job.
func (d *desk) Written() bool { return store.Written(d.file) }

var _ web.Runner = (*desk)(nil)
