package terminal

import (
	"fmt"

	"provoke/internal/job/result"
	"provoke/internal/job/store"
	"provoke/internal/tell"
	"provoke/internal/units/english"
)

// jobSource tells from a job file; what cannot be read of it is said on stderr.
type jobSource struct {
	w   *World
	job *store.Job
}

// Heads are the runs as they were opened.
func (s jobSource) Heads() ([]result.Run, error) {
	infos, err := s.job.Runs()
	if err != nil {
		return nil, Damage(err)
	}
	var out []result.Run
	for _, i := range infos {
		out = append(out, result.Run{Number: i.Run, Opened: i.Opened, Verdict: i.Closed.Verdict})
	}
	return out, nil
}

// Run folds a run.
func (s jobSource) Run(number int) (result.Run, error) { return ReadRun(s.w, s.job, number) }

// Attachment reads a file of the job.
func (s jobSource) Attachment(hash string) ([]byte, error) {
	_, data, err := s.job.Attachment(hash)
	return data, err
}

// Book tells from a job that is open; without a world nothing is said of records that cannot be read.
func Book(w *World, job *store.Job) *tell.Book { return tell.Open(jobSource{w, job}) }

// OpenBook opens a job to tell from it; what it returns beside the book closes the job.
func OpenBook(w *World, name string) (*tell.Book, func() error, error) {
	job, err := store.OpenReadOnly(name)
	if err != nil {
		return nil, nil, Damage(err)
	}
	TellLeftBehind(w, job)
	return Book(w, job), job.Close, nil
}

// ReadRun folds one run and says on stderr when records of it could not be read.
func ReadRun(w *World, job *store.Job, number int) (result.Run, error) {
	r, err := result.All(job.Records(number, 1))
	if err != nil {
		return r, fmt.Errorf("read run %d of %s: %w", number, job.Path(), Damage(err))
	}
	if r.Unreadable > 0 && w != nil {
		fmt.Fprintf(w.Stderr,
			"provoke: %s of run %d cannot be read by this program and are passed over; see provoke journal\n",
			english.Count(r.Unreadable, "record", "records"), number)
	}
	return r, nil
}
