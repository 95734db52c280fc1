package web

import (
	"errors"
	"fmt"
	"os"
	"sync"

	"provoke/internal/findings/analysis"
	"provoke/internal/job/event"
	"provoke/internal/job/fixing"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/job/store"
	"provoke/internal/tell"
)

// keptFolds is how many runs stay folded in memory.
const keptFolds = 8

// journal reads a job file and keeps the folds of its runs up to date. The job may not exist yet.
type journal struct {
	mu    sync.Mutex
	path  string
	over  chan struct{} // closed when another job is opened; nil where nobody waits for that
	left  *store.Job    // the job before, which a request may still read
	job   *store.Job
	folds map[int]*folded
	clock int
}

type folded struct {
	run      result.Run
	loop     *fixing.Loop // of a run of the fixing loop
	next     int64
	used     int
	headline string // of the records before told
	told     int64
}

// open returns the job for reading; nil without an error when the file does not exist yet.
func (j *journal) open() (*store.Job, error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.opened()
}

func (j *journal) opened() (*store.Job, error) {
	if j.job != nil {
		return j.job, nil
	}
	if _, err := os.Stat(j.path); errors.Is(err, os.ErrNotExist) || j.path == "" {
		return nil, nil
	}
	job, err := store.OpenReadOnly(j.path)
	if err == nil {
		j.job = job
	}
	return job, err
}

// file is the job file that is open, or will be once it exists.
func (j *journal) file() string {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.path
}

// turned returns a channel that is closed when another job is opened.
func (j *journal) turned() <-chan struct{} {
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.over == nil {
		j.over = make(chan struct{})
	}
	return j.over
}

// turn reads another job file from now on.
func (j *journal) turn(path string) error {
	j.mu.Lock()
	defer j.mu.Unlock()
	var err error
	if j.left != nil {
		err = j.left.Close()
	}
	j.left, j.job, j.folds, j.path = j.job, nil, nil, path
	if j.over != nil {
		close(j.over)
		j.over = nil
	}
	return err
}

func (j *journal) close() error {
	j.mu.Lock()
	defer j.mu.Unlock()
	var errs []error
	for _, job := range []*store.Job{j.job, j.left} {
		if job != nil {
			errs = append(errs, job.Close())
		}
	}
	j.job, j.left, j.folds = nil, nil, nil
	return errors.Join(errs...)
}

// runs lists the runs of the job; none when the job does not exist.
func (j *journal) runs() ([]store.RunInfo, error) {
	job, err := j.open()
	if job == nil {
		return nil, err
	}
	return job.Runs()
}

// newest returns the number of the newest run that was done on the bench; 0 for none.
func (j *journal) newest() (int, error) {
	runs, err := j.runs()
	for i := len(runs) - 1; i >= 0; i-- {
		if runs[i].Opened.RunKind != event.LaboratoryKind {
			return runs[i].Run, err
		}
	}
	return 0, err
}

// errNoRun is what a page says of a run that is not there.
var errNoRun = errors.New("this job has no such run")

// with calls look with the fold of a run, up to date. The fold is lent: look keeps nothing of it.
func (j *journal) with(run int, look func(*result.Run) error) error {
	j.mu.Lock()
	defer j.mu.Unlock()
	job, err := j.opened()
	if err != nil {
		return err
	}
	if job == nil {
		return errNoRun
	}
	f := j.folds[run]
	if f == nil {
		f = &folded{next: 1}
	}
	for rec, err := range job.Records(run, f.next) {
		if err != nil && !errors.Is(err, event.ErrUnreadable) {
			if errors.Is(err, store.ErrNoRun) {
				return fmt.Errorf("%w: %d", errNoRun, run)
			}
			return err
		}
		f.run.Apply(rec)
		f.next = rec.Seq + 1
	}
	if f.run.Records == 0 {
		return fmt.Errorf("%w: %d", errNoRun, run)
	}
	j.keep(run, f)
	return look(&f.run)
}

// follow calls look with the fold of a run and the state of its fixing loop, which is nil for another kind of run. It
// goes on where the call before ended; both are lent.
func (j *journal) follow(run int, look func(*result.Run, *fixing.Loop) error) error {
	return j.with(run, func(r *result.Run) error {
		f := j.folds[run]
		switch {
		case r.Opened.RunKind != plan.Fixing:
		case f.loop == nil:
			f.loop = fixing.Of(r)
		default:
			f.loop.Follow(r)
		}
		return look(r, f.loop)
	})
}

// keep remembers a fold and forgets the one that was not used for longest.
func (j *journal) keep(run int, f *folded) {
	if j.folds == nil {
		j.folds = map[int]*folded{}
	}
	j.clock++
	f.used = j.clock
	j.folds[run] = f
	for len(j.folds) > keptFolds {
		oldest := run
		for n, g := range j.folds {
			if g.used < j.folds[oldest].used {
				oldest = n
			}
		}
		delete(j.folds, oldest)
	}
}

// headline returns what every face says of a run first. It is worked out anew when records were added.
func (j *journal) headline(run int) (text string, err error) {
	err = j.with(run, func(r *result.Run) error {
		f := j.folds[run]
		if f.told != f.next {
			f.headline, _ = tell.Headline(analysis.Of(*r, nil))
			f.told = f.next
		}
		text = f.headline
		return nil
	})
	return text, err
}

// run returns a copy of the fold of a run that stays as it is.
func (j *journal) run(n int) (result.Run, error) {
	var out result.Run
	err := j.with(n, func(r *result.Run) error { out = r.Clone(); return nil })
	return out, err
}

// all returns copies of the folds of every run of the job, by number: what a laboratory reported too.
func (j *journal) all() ([]result.Run, error) {
	infos, err := j.runs()
	if err != nil {
		return nil, err
	}
	var out []result.Run
	for _, i := range infos {
		r, err := j.run(i.Run)
		if err != nil {
			return nil, fmt.Errorf("read run %d: %w", i.Run, err)
		}
		out = append(out, r)
	}
	return out, nil
}
