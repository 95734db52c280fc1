package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"iter"
	"time"

	"provoke/internal/event"
)

// chunk is how many records one look into the file takes: a reader holds no transaction open
// between two of them, so it never keeps the writer's log from being folded into the file.
const chunk = 2000

// poll is how often a follower looks when the writer is another process.
const poll = 50 * time.Millisecond

// RunInfo is a run in the list of a job.
type RunInfo struct {
	Run    int
	At     time.Time // when it was opened
	Opened event.Opened
	Count  int64  // records, late notes included
	Head   string // chain hash of the last record
	// Closed is the closing record; HasClosed is false for a run that is open or was cut off.
	Closed    event.Closed
	HasClosed bool
	Ended     time.Time // of the closing record
	// Err says why the first or closing record cannot be read; Opened is then empty.
	Err error
}

// Runs lists the runs of the job by number.
func (j *Job) Runs() ([]RunInfo, error) {
	rows, err := j.read.Query("SELECT run, count, head FROM runs ORDER BY run")
	if err != nil {
		return nil, fmt.Errorf("list the runs of %s: %w", shown(j.path), plain(err))
	}
	defer rows.Close()
	var runs []RunInfo
	for rows.Next() {
		var r RunInfo
		if err := rows.Scan(&r.Run, &r.Count, &r.Head); err != nil {
			return nil, fmt.Errorf("list the runs of %s: %w", shown(j.path), plain(err))
		}
		runs = append(runs, r)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("list the runs of %s: %w", shown(j.path), plain(err))
	}
	for i := range runs {
		j.describe(&runs[i])
	}
	return runs, nil
}

// Newest returns the number of the newest run, or an error that wraps ErrNoRun.
func (j *Job) Newest() (int, error) {
	var run sql.NullInt64
	if err := j.read.QueryRow("SELECT max(run) FROM runs").Scan(&run); err != nil {
		return 0, fmt.Errorf("find the newest run of %s: %w", shown(j.path), plain(err))
	}
	if !run.Valid {
		return 0, fmt.Errorf("%s: %w: it holds no run yet", shown(j.path), ErrNoRun)
	}
	return int(run.Int64), nil
}

// describe fills a run from its first record and, from the end backwards past late notes, its
// closing record.
func (j *Job) describe(r *RunInfo) {
	first, err := j.records("SELECT seq, at, kind, body, chain FROM events WHERE run = ? AND seq = 1", r.Run)
	if err == nil && len(first) != 1 {
		err = fmt.Errorf("%w: run %d has no first record", ErrDamaged, r.Run)
	}
	if err != nil {
		r.Err = err
		return
	}
	rec, err := first[0].record(r.Run)
	opened, ok := rec.Event.(event.Opened)
	if err == nil && !ok {
		err = fmt.Errorf("%w: run %d begins with a record of kind %q", ErrDamaged, r.Run, rec.Event.Kind())
	}
	r.At, r.Opened, r.Err = rec.At, opened, err
	j.findClosing(r)
}

func (j *Job) findClosing(r *RunInfo) {
	for before := r.Count + 1; before > 1; {
		last, err := j.records("SELECT seq, at, kind, body, chain FROM events WHERE run = ? AND seq < ? ORDER BY seq DESC LIMIT 16", r.Run, before)
		if err != nil || len(last) == 0 {
			r.Err = errors.Join(r.Err, err)
			return
		}
		for _, raw := range last {
			if raw.kind == (event.Closed{}).Kind() {
				rec, err := raw.record(r.Run)
				r.Closed, r.HasClosed = rec.Event.(event.Closed)
				r.Ended = rec.At
				r.Err = errors.Join(r.Err, err)
				return
			}
			if !late(raw.kind) {
				return
			}
			before = raw.seq
		}
	}
}

// raw is a record as it stands in the table.
type raw struct {
	seq                   int64
	at, kind, body, chain string
}

func (j *Job) records(query string, args ...any) ([]raw, error) {
	rows, err := j.read.Query(query, args...)
	if err != nil {
		return nil, plain(err)
	}
	defer rows.Close()
	var out []raw
	for rows.Next() {
		var r raw
		var kind sql.RawBytes
		if err := rows.Scan(&r.seq, &r.at, &kind, &r.body, &r.chain); err != nil {
			return nil, plain(err)
		}
		r.kind = event.KindName(kind)
		out = append(out, r)
	}
	return out, plain(rows.Err())
}

// record decodes a raw record. With an error that wraps event.ErrUnreadable the record is whole,
// its event an event.Unknown.
func (r *raw) record(run int) (event.Record, error) {
	at, err := event.ParseTime(r.at)
	if err != nil {
		return event.Record{Run: run, Seq: r.seq, Event: event.Unknown{KindName: r.kind, Body: []byte(r.body)}, Chain: r.chain},
			fmt.Errorf("%w: record %d of run %d: %v", ErrDamaged, r.seq, run, err)
	}
	e, err := event.UnmarshalString(r.kind, r.body)
	if err != nil {
		err = fmt.Errorf("record %d of run %d: %w", r.seq, run, err)
	}
	return event.Record{Run: run, Seq: r.seq, At: at, Event: e, Chain: r.chain}, err
}

// Records yields the records of a run in order, from seq on (1 is the first). An error that wraps
// event.ErrUnreadable comes with its record, whose event is then an event.Unknown, and the
// iteration goes on if the caller lets it; any other error ends it. A missing record is an error
// that wraps ErrDamaged; whether the records are the ones that were written, Verify tells.
func (j *Job) Records(run int, from int64) iter.Seq2[event.Record, error] {
	return func(yield func(event.Record, error) bool) {
		if err := j.knows(run); err != nil {
			yield(event.Record{}, err)
			return
		}
		next := max(from, 1)
		for part := range ahead(decoded(run, ahead(j.chunks(run, next)))) {
			var ok bool
			if next, ok = yieldAll(run, next, part.records, yield); !ok {
				return
			}
			if part.err != nil {
				yield(event.Record{}, fmt.Errorf("read run %d of %s: %w", run, shown(j.path), part.err))
				return
			}
		}
	}
}

// part is some records that follow each other, or an error.
type part struct {
	raws    []raw
	records []decodedRecord
	err     error
}

type decodedRecord struct {
	event.Record
	err error
}

func decoded(run int, parts iter.Seq[part]) iter.Seq[part] {
	return func(yield func(part) bool) {
		for p := range parts {
			p.decode(run)
			if !yield(p) {
				return
			}
		}
	}
}

func (p *part) decode(run int) {
	p.records = make([]decodedRecord, len(p.raws))
	for i := range p.raws {
		p.records[i].Record, p.records[i].err = p.raws[i].record(run)
	}
	p.raws = nil
}

// ahead runs an iteration in a goroutine of its own, a little ahead of who takes from it, and ends
// it when that one stops.
func ahead[T any](seq iter.Seq[T]) iter.Seq[T] {
	return func(yield func(T) bool) {
		items, stop, ended := make(chan T, 1), make(chan struct{}), make(chan struct{})
		defer func() { close(stop); <-ended }()
		go func() {
			defer close(ended)
			defer close(items)
			for item := range seq {
				select {
				case items <- item:
				case <-stop:
					return
				}
			}
		}()
		for item := range items {
			if !yield(item) {
				return
			}
		}
	}
}

// yieldAll yields records that must begin at next, and returns what comes after them.
func yieldAll(run int, next int64, records []decodedRecord, yield func(event.Record, error) bool) (int64, bool) {
	for _, r := range records {
		if r.Seq != next {
			yield(event.Record{}, fmt.Errorf("%w: record %d of run %d is missing", ErrDamaged, next, run))
			return next, false
		}
		if !yield(r.Record, r.err) {
			return next, false
		}
		if r.err != nil && !errors.Is(r.err, event.ErrUnreadable) {
			return next, false
		}
		next++
	}
	return next, true
}

func (j *Job) knows(run int) error {
	var n int
	if err := j.read.QueryRow("SELECT count(*) FROM runs WHERE run = ?", run).Scan(&n); err != nil {
		return fmt.Errorf("read run %d of %s: %w", run, shown(j.path), plain(err))
	}
	if n == 0 {
		return fmt.Errorf("run %d of %s: %w", run, shown(j.path), ErrNoRun)
	}
	return nil
}

// chunks yields the raw records of a run from seq on until there are no more.
func (j *Job) chunks(run int, from int64) iter.Seq[part] {
	return func(yield func(part) bool) {
		for size := 64; ; size = min(size*4, chunk) {
			raws, err := j.chunk(run, from, size)
			if !yield(part{raws: raws, err: err}) || err != nil || len(raws) < size {
				return
			}
			from = raws[len(raws)-1].seq + 1
		}
	}
}

func (j *Job) chunk(run int, from int64, size int) ([]raw, error) {
	return j.records("SELECT seq, at, kind, body, chain FROM events WHERE run = ? AND seq >= ? ORDER BY seq LIMIT ?", run, from, size)
}

// Follow yields the records of a run from seq on, those there already and those to come, until ctx
// is done, the job is closed or the caller stops; it goes on after the closing record, since notes
// may follow. A follower takes what it can when it can: it never delays the writer and misses
// nothing. Errors are as for Records; the run need not exist yet.
func (j *Job) Follow(ctx context.Context, run int, from int64) iter.Seq2[event.Record, error] {
	return func(yield func(event.Record, error) bool) {
		next := max(from, 1)
		tick := time.NewTicker(poll)
		defer tick.Stop()
		for ctx.Err() == nil {
			rung := j.wake.next()
			if j.isClosed() {
				return
			}
			raws, err := j.chunk(run, next, chunk)
			if err != nil {
				if ctx.Err() == nil && !j.isClosed() {
					yield(event.Record{}, fmt.Errorf("follow run %d of %s: %w", run, shown(j.path), err))
				}
				return
			}
			p := part{raws: raws}
			p.decode(run)
			ok := true
			if next, ok = yieldAll(run, next, p.records, yield); !ok {
				return
			}
			if len(raws) == chunk {
				continue
			}
			select {
			case <-rung:
			case <-tick.C:
			case <-ctx.Done():
			}
		}
	}
}

func (j *Job) isClosed() bool {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.closed
}
