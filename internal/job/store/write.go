package store

import (
	"database/sql"
	"errors"
	"fmt"
	"time"

	"provoke/internal/job/event"
)

// tail is the end of a run's chain.
type tail struct {
	count   int64  // records so far; the next has seq count+1
	head    string // chain hash of the last
	closed  bool   // a closing record is there
	writing bool   // a Writer has it
}

// Writer appends to one open run of a job. Its methods may be called from several goroutines.
type Writer struct {
	job *Job
	run int
}

// NewRun opens a run with the next number; opened becomes its first record. A zero Version becomes
// the version of this program.
func (j *Job) NewRun(at time.Time, opened event.Opened) (*Writer, error) {
	if opened.Version == 0 {
		opened.Version = event.Version
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	if err := j.writable(); err != nil {
		return nil, fmt.Errorf("open a run: %w", err)
	}
	var run int
	if err := j.write.QueryRow("SELECT coalesce(max(run), 0) + 1 FROM runs").Scan(&run); err != nil {
		return nil, fmt.Errorf("open a run: %w", plain(err))
	}
	t := &tail{writing: true}
	if _, err := j.append(run, t, at, []event.Event{opened}); err != nil {
		return nil, fmt.Errorf("open run %d: %w", run, err)
	}
	j.tails[run] = t
	return &Writer{j, run}, nil
}

// ResumeRun goes on with a run that has no closing record. The run is verified first: nothing is
// chained onto damage. It wraps ErrNoRun, ErrClosedRun or ErrDamaged.
func (j *Job) ResumeRun(run int) (*Writer, error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	t, err := j.tail(run)
	if err == nil && t.closed {
		err = ErrClosedRun
	}
	if err == nil && t.writing {
		err = ErrHeld
	}
	if err != nil {
		return nil, fmt.Errorf("resume run %d: %w", run, err)
	}
	t.writing = true
	return &Writer{j, run}, nil
}

// Leave ends the writing without a closing record: the run stays open, and may be resumed.
func (w *Writer) Leave() {
	w.job.mu.Lock()
	defer w.job.mu.Unlock()
	if t := w.job.tails[w.run]; t != nil {
		t.writing = false
	}
}

// Run returns the number of the run.
func (w *Writer) Run() int { return w.run }

// Head returns the number of records so far and the chain hash of the last.
func (w *Writer) Head() (count int64, head string) {
	w.job.mu.Lock()
	defer w.job.mu.Unlock()
	t := w.job.tails[w.run]
	return t.count, t.head
}

// Append writes events as one durable transaction: when it returns without an error they are on the
// disk, all of them, and it returns their records exactly as a reader gets them. An event that
// cannot be encoded is refused before anything is written. After any other error the whole job takes
// no more records (ErrDead), since what is on the disk is no longer known for sure.
func (w *Writer) Append(at time.Time, events ...event.Event) ([]event.Record, error) {
	for _, e := range events {
		switch e.(type) {
		case event.Opened, event.Closed:
			return nil,
				fmt.Errorf("append to run %d: a record of kind %q is written by opening or closing the run only", w.run,
					e.Kind())
		}
	}
	return w.appendAny(at, events)
}

func (w *Writer) appendAny(at time.Time, events []event.Event) ([]event.Record, error) {
	w.job.mu.Lock()
	defer w.job.mu.Unlock()
	t := w.job.tails[w.run]
	if t.closed {
		return nil, fmt.Errorf("append to run %d: %w", w.run, ErrClosedRun)
	}
	records, err := w.job.append(w.run, t, at, events)
	if err != nil {
		return nil, fmt.Errorf("append to run %d: %w", w.run, err)
	}
	return records, nil
}

// Close writes the closing record with the count and the head of the chain before it, and ends the
// writer. It returns the closing record.
func (w *Writer) Close(at time.Time, verdict event.Verdict, why string) (event.Record, error) {
	w.job.mu.Lock()
	defer w.job.mu.Unlock()
	t := w.job.tails[w.run]
	if t.closed {
		return event.Record{}, fmt.Errorf("close run %d: %w", w.run, ErrClosedRun)
	}
	closed := event.Closed{Verdict: verdict, Why: why, Count: t.count, Head: t.head}
	records, err := w.job.append(w.run, t, at, []event.Event{closed})
	if err != nil {
		return event.Record{}, fmt.Errorf("close run %d: %w", w.run, err)
	}
	t.closed, t.writing = true, false
	return records[0], nil
}

// Annotate adds notes and attachments to a run, open or closed. After the closing record they are
// chained on like any other record, so the count and head that the closing record names still
// hold, and a report made before them still verifies.
func (j *Job) Annotate(run int, at time.Time, events ...event.Event) ([]event.Record, error) {
	for _, e := range events {
		if !late(e.Kind()) {
			return nil, fmt.Errorf("add to run %d: a record of kind %q is no note, attachment, trace or log",
				run, e.Kind())
		}
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	t, err := j.tail(run)
	if err != nil {
		return nil, fmt.Errorf("add to run %d: %w", run, err)
	}
	records, err := j.append(run, t, at, events)
	if err != nil {
		return nil, fmt.Errorf("add to run %d: %w", run, err)
	}
	return records, nil
}

// late reports that records of this kind may follow the closing record.
func late(kind string) bool { return event.Late(kind) }

func (j *Job) writable() error {
	switch {
	case j.closed:
		return errors.New("the job was closed")
	case j.readOnly:
		return ErrReadOnly
	case j.dead != nil:
		return fmt.Errorf("%w: %w", ErrDead, j.dead)
	}
	return nil
}

// tail returns the end of a run's chain, which it verifies when this Job has not written to it yet.
func (j *Job) tail(run int) (*tail, error) {
	if err := j.writable(); err != nil {
		return nil, err
	}
	if t := j.tails[run]; t != nil {
		return t, nil
	}
	c, err := j.checkRun(run)
	if err != nil {
		return nil, err
	}
	if len(c.Problems) > 0 {
		return nil, fmt.Errorf("%w: %s", ErrDamaged, c.Problems[0])
	}
	t := &tail{count: c.Count, head: c.Head, closed: c.Closed}
	j.tails[run] = t
	return t, nil
}

// append encodes events, writes them behind the tail in one transaction, and moves the tail. The
// caller holds j.mu.
func (j *Job) append(run int, t *tail, at time.Time, events []event.Event) ([]event.Record, error) {
	if err := j.writable(); err != nil {
		return nil, err
	}
	if len(events) == 0 {
		return nil, nil
	}
	next := *t
	rows, err := next.encode(run, at, events)
	if err != nil {
		return nil, err
	}
	if err := j.commit(run, *t, next, rows); err != nil {
		j.dead = err
		return nil, err
	}
	*t = next
	j.wake.ring()
	records := make([]event.Record, len(rows))
	for i, r := range rows {
		records[i] = r.Record
	}
	return records, nil
}

type row struct {
	event.Record
	kind string
	body []byte
}

// encode chains events onto the tail and returns their rows.
func (t *tail) encode(run int, at time.Time, events []event.Event) ([]row, error) {
	at = at.Round(0).UTC() // a record has no monotonic clock
	if y := at.Year(); y < 1 || y > 9999 {
		return nil, fmt.Errorf("the time %v cannot be written", at)
	}
	rows := make([]row, len(events))
	for i, e := range events {
		kind, body, err := event.Marshal(e)
		if err != nil {
			return nil, err
		}
		if len(body) > mostBody {
			return nil,
				fmt.Errorf("a %s record of %.1f MiB is too long, %d MiB are allowed: thin out its points, or attach "+
					"it as a file", kind, float64(len(body))/(1<<20), mostBody>>20)
		}
		read, err := event.Unmarshal(kind, body)
		if err != nil {
			return nil, err
		}
		t.count++
		t.head = event.ChainHash(t.head, run, t.count, at, kind, body)
		rows[i] = row{event.Record{Run: run, Seq: t.count, At: at, Event: read, Chain: t.head}, kind, body}
	}
	return rows, nil
}

// commit writes rows and the new end of the run; it fails where the end is not the one expected,
// which means that something else wrote to the run.
func (j *Job) commit(run int, before, after tail, rows []row) error {
	if err := j.checkThere(); err != nil {
		return err
	}
	tx, err := j.write.Begin()
	if err != nil {
		return plain(err)
	}
	defer tx.Rollback()
	if before.count == 0 {
		_, err = tx.Stmt(j.insertRun).Exec(run, event.FormatTime(rows[0].At), after.count, after.head)
	} else {
		var changed sql.Result
		changed, err = tx.Stmt(j.moveEnd).Exec(after.count, after.head, run, before.count, before.head)
		if err == nil {
			if n, e := changed.RowsAffected(); e != nil || n != 1 {
				return fmt.Errorf("another program wrote to run %d although this one holds the job", run)
			}
		}
	}
	if err != nil {
		return plain(err)
	}
	insert := tx.Stmt(j.insertEvent)
	for _, r := range rows {
		if _, err := insert.Exec(run, r.Seq, event.FormatTime(r.At), r.kind, string(r.body), r.Chain); err != nil {
			return plain(err)
		}
	}
	return plain(tx.Commit())
}
