package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"iter"
	"strconv"
	"strings"
	"time"

	"provoke/internal/job/event"
)

// chunk is how many records one look into the file takes: a reader holds no transaction open
// between two of them, so it never keeps the writer's log from being folded into the file.
const chunk = 500

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
	runs, err := j.list()
	if err != nil {
		return nil, fmt.Errorf("list the runs of %s: %w", shown(j.path), err)
	}
	for i := range runs {
		j.describe(&runs[i])
	}
	return runs, nil
}

// list returns the runs with their ends. A list whose numbers do not rise is damaged: a crafted one
// has no end.
func (j *Job) list() ([]RunInfo, error) {
	rows, err := j.read.Query("SELECT run, count, " + words("head") + " FROM runs ORDER BY run")
	if err != nil {
		return nil, plain(err)
	}
	defer rows.Close()
	var runs []RunInfo
	for rows.Next() {
		var r RunInfo
		var head sql.NullString
		if err := rows.Scan(&r.Run, &r.Count, &head); err != nil {
			return nil, plain(err)
		}
		if n := len(runs); !head.Valid || n > 0 && r.Run <= runs[n-1].Run {
			return nil, fmt.Errorf("%w: its list of runs cannot be read behind run %d", ErrDamaged, r.Run)
		}
		r.Head = head.String
		runs = append(runs, r)
	}
	return runs, plain(rows.Err())
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
	first, err := j.records(1, "SELECT "+columns+" FROM events WHERE run = ? AND seq = 1", r.Run)
	if err == nil && len(first) != 1 {
		err = fmt.Errorf("%w: run %d has no first record", ErrDamaged, r.Run)
	}
	if err != nil {
		r.Err = err
		return
	}
	rec, err := first[0].record(r.Run, new(event.Decoder))
	opened, ok := rec.Event.(event.Opened)
	if err == nil && !ok {
		err = fmt.Errorf("%w: run %d begins with a record of kind %q", ErrDamaged, r.Run, rec.Event.Kind())
	}
	r.At, r.Opened, r.Err = rec.At, opened, err
	j.findClosing(r)
}

func (j *Job) findClosing(r *RunInfo) {
	for before := r.Count + 1; before > 1; {
		last, err := j.records(16, "SELECT "+columns+
			" FROM events WHERE run = ? AND seq < ? ORDER BY seq DESC LIMIT 16", r.Run, before)
		if err != nil || len(last) == 0 {
			r.Err = errors.Join(r.Err, err)
			return
		}
		for _, raw := range last {
			if raw.kind == (event.Closed{}).Kind() {
				rec, err := raw.record(r.Run, new(event.Decoder))
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

// columns are those of a raw record: its number, the lengths of its texts, and all of them in one,
// since each column costs as much as the rest of a row. Where one is longer than any of ours, the texts are NULL and
// are not read. (octet_length looks at the head of a row only.)
var columns = columnsUpTo(mostBody)

func columnsUpTo(longest int) string {
	return fmt.Sprintf("seq, (octet_length(body) << %[1]d) | (octet_length(at) << %[2]d) | "+
		"(octet_length(kind) << %[3]d) | octet_length(chain) AS lengths, "+
		"iif((octet_length(at) | octet_length(kind) | octet_length(chain)) <= %[4]d AND octet_length(body) <= %[5]d, "+
		"at || kind || chain || body, NULL) AS texts", 3*wordBits, 2*wordBits, wordBits, mostWords, longest)
}

// gathered are the records of a chunk in one row, since a row costs as much as a record in it: how many there are, the
// first and the last number, how many are no longer than usual, and all lengths and texts in order (SQLite keeps the
// order of a limited subquery, https://www.sqlite.org/lang_aggfunc.html#group_concat tells of the others).
var gathered = "SELECT count(*), min(seq), max(seq), count(texts), group_concat(lengths, ' '), " +
	"group_concat(texts, '') FROM (SELECT " + columnsUpTo(mostChunk/chunk) +
	" FROM events WHERE run = ? AND seq >= ? ORDER BY seq LIMIT ?)"

func words(column string) string {
	return fmt.Sprintf("iif(octet_length(%[1]s) <= %[2]d, %[1]s, NULL)", column, mostWords)
}

// raw is a record as it stands in the table.
type raw struct {
	seq                   int64
	at, kind, body, chain string
}

// records returns the records of a query, as many as fit mostChunk; there is room for so many.
func (j *Job) records(room int, query string, args ...any) ([]raw, error) {
	rows, err := j.read.Query(query, args...)
	if err != nil {
		return nil, plain(err)
	}
	defer rows.Close()
	out := make([]raw, 0, room)
	var seq, lengths, texts any // what the driver made; a scan into these makes no copy
	for size := 0; size < mostChunk && rows.Next(); {
		if err := rows.Scan(&seq, &lengths, &texts); err != nil {
			return nil, plain(err)
		}
		r, ok := parted(seq, lengths, texts)
		if !ok {
			return nil, fmt.Errorf("%w: record %v is longer than any record that provoke writes", ErrDamaged, seq)
		}
		size += len(r.body)
		out = append(out, r)
	}
	return out, plain(rows.Err())
}

// parted takes the texts of a raw record apart.
func parted(seq, lengths, texts any) (r raw, ok bool) {
	number, ok1 := seq.(int64)
	n, ok2 := lengths.(int64)
	text, ok3 := texts.(string)
	if !ok1 || !ok2 || !ok3 || long(n) != len(text) {
		return raw{}, false
	}
	at := int(n >> (2 * wordBits) & mostWords)
	kind := at + int(n>>wordBits&mostWords)
	chain := kind + int(n&mostWords)
	return raw{number, text[:at], event.KindName(text[at:kind]), text[chain:], text[kind:chain]}, true
}

// long is how long the texts of a record are together.
func long(lengths int64) int {
	return int(lengths>>(3*wordBits) + lengths>>(2*wordBits)&mostWords + lengths>>wordBits&mostWords +
		lengths&mostWords)
}

// gather returns the records of a chunk at once; not ok where one is missing, unusually long or damaged, which the
// reader of single records tells in its order.
func gather(query *sql.Stmt, run int, from int64, size int) (out []raw, ok bool) {
	var count, usual int
	var first, last sql.NullInt64
	var lengths, texts sql.NullString
	err := query.QueryRow(run, from, size).Scan(&count, &first, &last, &usual, &lengths, &texts)
	if err != nil || usual != count || count > 0 && last.Int64-first.Int64 != int64(count-1) {
		return nil, false
	}
	out = make([]raw, 0, count)
	for rest, text := lengths.String, texts.String; len(out) < count; {
		var word string
		word, rest, _ = strings.Cut(rest, " ")
		n, err := strconv.ParseInt(word, 10, 64)
		if err != nil || n < 0 || long(n) > len(text) {
			return nil, false
		}
		r, ok := parted(first.Int64+int64(len(out)), n, text[:long(n)])
		if !ok {
			return nil, false
		}
		if out, text = append(out, r), text[long(n):]; len(out) == count && text+rest != "" {
			return nil, false
		}
	}
	return out, true
}

// record decodes a raw record. With an error that wraps event.ErrUnreadable the record is whole,
// its event an event.Unknown.
func (r *raw) record(run int, d *event.Decoder) (event.Record, error) {
	at, err := event.ParseTime(r.at)
	if err != nil {
		return event.Record{Run: run, Seq: r.seq, Event: event.Unknown{KindName: r.kind, Body: []byte(r.body)},
				Chain: r.chain},
			fmt.Errorf("%w: record %d of run %d: %v", ErrDamaged, r.seq, run, err)
	}
	e, err := d.Unmarshal(r.kind, r.body)
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
		var d event.Decoder
		for p := range parts {
			p.decode(run, &d)
			if !yield(p) {
				return
			}
		}
	}
}

func (p *part) decode(run int, d *event.Decoder) {
	p.records = make([]decodedRecord, len(p.raws))
	for i := range p.raws {
		p.records[i].Record, p.records[i].err = p.raws[i].record(run, d)
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
		query, err := j.read.Prepare(gathered)
		if err != nil {
			yield(part{err: plain(err)})
			return
		}
		defer query.Close()
		for size := 64; ; size = min(size*4, chunk) {
			raws, ok := gather(query, run, from, size)
			var err error
			if !ok {
				raws, err = j.chunk(run, from, size)
			}
			if !yield(part{raws: raws, err: err}) || err != nil || len(raws) == 0 {
				return
			}
			from = raws[len(raws)-1].seq + 1
		}
	}
}

func (j *Job) chunk(run int, from int64, size int) ([]raw, error) {
	return j.records(size, "SELECT "+columns+" FROM events WHERE run = ? AND seq >= ? ORDER BY seq LIMIT ?", run, from,
		size)
}

// Follow yields the records of a run from seq on, those there already and those to come, until ctx
// is done, the job is closed or the caller stops; it goes on after the closing record, since notes
// may follow. A follower takes what it can when it can: it never delays the writer and misses
// nothing. Errors are as for Records; the run need not exist yet.
func (j *Job) Follow(ctx context.Context, run int, from int64) iter.Seq2[event.Record, error] {
	return func(yield func(event.Record, error) bool) {
		var d event.Decoder
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
			p.decode(run, &d)
			ok := true
			if next, ok = yieldAll(run, next, p.records, yield); !ok {
				return
			}
			if len(raws) > 0 {
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
