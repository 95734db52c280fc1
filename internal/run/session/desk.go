package session

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
	"time"

	"provoke/internal/bench/camera"
	"provoke/internal/bench/dut"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/store"
	"provoke/internal/run/engine"
	"provoke/internal/run/watcher"
	"provoke/internal/terminal"
)

// Desk does runs for the page, with the same code as the run command: see perform.
type Desk struct {
	w    *terminal.World
	dir  string
	file string // of the job

	opening sync.Mutex // the job file is opened for writing by one at a time

	mu       sync.Mutex
	state    State
	operator chan engine.Command
	running  *store.Job
	done     chan struct{}
	aborted  time.Time // when RF off was first asked for in this run; zero before
	looks    []engine.Look
	seen     uint64        // number of the last look
	prompts  *engine.Desk  // of a bench that is set by hand; nil for others
	cameras  []dut.Monitor // of the run that is being done
	lookout  *lookout      // of a camera that is set up
	unseen   *time.Timer   // switches it off

	page camera.Handed // pictures of the browser's camera
}

// NewDesk returns the desk of a job and of the folder with its bench and plan files.
func NewDesk(w *terminal.World, dir, job string) *Desk {
	quiet := *w
	quiet.Terminal = false
	done := make(chan struct{})
	close(done)
	return &Desk{w: &quiet, dir: dir, file: job, done: done}
}

// Finished returns a channel that is closed while no run is being done.
func (d *Desk) Finished() <-chan struct{} {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.done
}

// Open turns the desk to another job file. Nothing that was prepared for the job before is begun any more.
func (d *Desk) Open(file string) error {
	return d.Idle(func() error {
		d.mu.Lock()
		defer d.mu.Unlock()
		d.file, d.state, d.looks = file, State{}, nil
		return nil
	})
}

// Idle does something while no run is being done here; none begins before it is done.
func (d *Desk) Idle(do func() error) error {
	d.opening.Lock()
	defer d.opening.Unlock()
	if d.State().Underway {
		return ErrUnderway
	}
	return do()
}

func (d *Desk) job() string {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.file
}

// Prepare reads and checks a plan and what it names.
func (d *Desk) Prepare(r Request) (*Prepared, error) {
	file := d.job()
	asked := func(pr *Prepared) *Prepared {
		if pr == nil {
			pr = &Prepared{}
		}
		pr.Asked, pr.jobFile = r, file
		return pr
	}
	job, err := readJob(file)
	if err != nil {
		return asked(nil), err
	}
	if job != nil {
		defer job.Close()
	}
	overTest := ""
	if r.Resume {
		if job == nil {
			return asked(nil), errors.New("there is no run to go on with yet")
		}
		if r.Again, overTest, r.Fix, err = asBefore(job, nil, anyRun); err != nil {
			return asked(nil), err
		}
	}
	var pr *Prepared
	if d.sweeps(r.PlanFile) {
		pr, err = ReadAndCheckSweep(r.PlanFile)
	} else if pr, err = readAndCheck(r, job, overTest); err == nil && job != nil {
		if err = checkBaseline(job, pr.Plan); err == nil {
			_, err = resumed(job, Order{Resume: r.Resume}, pr)
		}
	}
	return asked(pr), err
}

// Left is what a watcher left beside the job; nil for nothing, or what cannot be read.
func (d *Desk) Left() *watcher.Report {
	left, _ := watcher.Left(d.job()) // what is no report is told when a run begins
	return left
}

// sweeps reports that a file describes a free sweep. What cannot be read is told by whoever reads it.
func (d *Desk) sweeps(file string) bool {
	data, err := terminal.ReadText(file)
	return err == nil && kindOf(data) == "sweep"
}

// readJob opens the job for reading; nil when it does not exist.
func readJob(file string) (*store.Job, error) {
	if _, err := os.Stat(file); errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	return store.OpenReadOnly(file)
}

// Calibration returns the calibration run that a substitution replays.
func (d *Desk) Calibration(p *plan.Plan) (*plan.Calibrated, error) {
	job, err := readJob(d.job())
	if err != nil {
		return nil, err
	}
	if job == nil {
		return nil, errors.New("substitution replays a calibration run, and there is no run yet: run a plan of kind " +
			"calibration first")
	}
	defer job.Close()
	return CalibrationOf(job, p)
}

// Start begins a run and returns once it has its number, or what kept it from that.
func (d *Desk) Start(pr *Prepared, wishes Wishes) (int, error) {
	p := pr.Asked
	d.mu.Lock()
	if d.state.Underway {
		d.mu.Unlock()
		return 0, ErrUnderway
	}
	if pr.jobFile != d.file {
		d.mu.Unlock()
		return 0, fmt.Errorf("this was checked for the job %s, and another one is open now: check the plan again",
			filepath.Base(pr.jobFile))
	}
	operator, done := make(chan engine.Command, 16), make(chan struct{})
	d.unsee()
	d.state = State{Underway: true, Began: time.Now(), Chain: pr.Chain, Fixture: pr.Plan.Fixture}
	if n := len(pr.Plan.Grid); n > 0 {
		d.state.Low, d.state.High = pr.Plan.Grid[0], pr.Plan.Grid[n-1]
	}
	d.operator, d.done, d.looks, d.aborted = operator, done, nil, time.Time{}
	d.mu.Unlock()

	begun, ended := make(chan int, 1), make(chan error, 1)
	d.opening.Lock() // until the run holds the job
	var once sync.Once
	release := func() { once.Do(d.opening.Unlock) }
	o := Order{PlanFile: p.PlanFile, JobFile: pr.jobFile, Label: wishes.Label, Changed: wishes.Changed,
		Operator: wishes.Operator, Room: wishes.Room,
		Temperature: wishes.Temperature, Humidity: wishes.Humidity, Armed: true, Alone: wishes.Alone, Resume: p.Resume,
		Again: p.Again, Fix: p.Fix, Ready: pr, OperatorSays: operator,
		Progress: d.told, watched: d.watched, page: &d.page, sees: d.sees,
		asks: func(prompts *engine.Desk) {
			d.mu.Lock()
			d.prompts = prompts
			d.mu.Unlock()
		},
		Begun: func(run int, job *store.Job) {
			d.mu.Lock()
			d.state.Run, d.running = run, job
			d.mu.Unlock()
			release()
			begun <- run
		}}
	enough := d.wantPictures(pr)
	go func() {
		defer close(done)
		defer enough()
		res, err := d.perform(o)
		if res.Verdict == event.RFNotKnownOff { // the page says so too
			terminal.Alarm(d.w.Stderr)
		}
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
func (d *Desk) perform(o Order) (engine.Result, error) {
	if o.Ready.Sweep == nil {
		return Perform(d.w, o)
	}
	out, _, err := PerformSweep(d.w, o, "")
	// the journal holds the verdict; this may be about the plan that is written after it
	if err != nil && out.Verdict != "" {
		fmt.Fprintln(d.w.Stderr, "provoke: the sweep:", err)
	}
	return out.Result, err
}

// ended notes that no run is being done any more.
func (d *Desk) ended(res engine.Result, err error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.state.Underway, d.running, d.operator, d.prompts, d.cameras = false, nil, nil, nil, nil
	d.state.Status.RFOn = false
	if err != nil && res.Verdict == "" {
		d.state.Failed = err.Error()
	}
}

// told is the engine's Progress.
func (d *Desk) told(s engine.Status) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.state.Status, d.state.At = s, d.w.Now()
}

// Tell passes a wish on to the engine.
func (d *Desk) Tell(c engine.Command) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.operator == nil {
		return ErrIdle
	}
	select {
	case d.operator <- c:
		return nil
	default:
		return errors.New("the run takes no wishes at the moment; press “RF off” again, or use the generator's own " +
			"switch")
	}
}

// Answer answers what a person at the bench is asked.
func (d *Desk) Answer(number int, text string) error {
	d.mu.Lock()
	prompts := d.prompts
	d.mu.Unlock()
	if prompts == nil {
		return ErrIdle
	}
	return prompts.Reply(number, text)
}

// State says what is going on.
func (d *Desk) State() State {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.state
}

// WithJob lends the job open for writing.
func (d *Desk) WithJob(do func(*store.Job) error) error {
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
	job, leave, err := OpenJob(d.job(), false)
	if err != nil {
		return err
	}
	defer leave()
	return do(job)
}

// Written reports that some program writes the job.
func (d *Desk) Written() bool { return store.Written(d.job()) }
