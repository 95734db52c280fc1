package store

import (
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"provoke/internal/job/event"
)

// taking is one import under way: everything goes into one transaction.
type taking struct {
	tx                     *sql.Tx
	insertEvent, insertRun *sql.Stmt
	check                  RunCheck
	opened                 string
	attached               int
}

// records takes the records in, each checked against the end of the chain before it.
func (t *taking) records(r *bundleReader) error {
	t.check = RunCheck{chains: map[string]int64{}, names: map[string][]string{}}
	err := r.lines(func(l bundleLine) error {
		if t.check.Count == 0 {
			if err := t.begin(l); err != nil {
				return err
			}
		}
		if l.Run != t.check.Run {
			return fmt.Errorf("%w: it holds records of runs %d and %d", ErrBundle, t.check.Run, l.Run)
		}
		if len(l.Body) > mostBody || len(l.Kind) > mostWords {
			return fmt.Errorf("%w: record %d is longer than any record that provoke writes", ErrBundle, l.Seq)
		}
		t.check.follow(&raw{l.Seq, l.At, l.Kind, l.Body, l.Chain})
		if len(t.check.Problems) > 0 {
			return fmt.Errorf("%w: run %d: %s", ErrBundle, l.Run, t.check.Problems[0])
		}
		_, err := t.insertEvent.Exec(l.Run, l.Seq, l.At, l.Kind, l.Body, l.Chain)
		return plain(err)
	})
	if err == nil && t.check.Count == 0 {
		err = fmt.Errorf("%w: it holds no record", ErrBundle)
	}
	return err
}

// begin sees that the run's number is free, and lists the run.
func (t *taking) begin(l bundleLine) error {
	if l.Run < 1 || l.Run > 1<<31 {
		return fmt.Errorf("%w: it holds a run %d", ErrBundle, l.Run)
	}
	var there int
	if err := t.tx.QueryRow("SELECT count(*) FROM runs WHERE run = ?", l.Run).Scan(&there); err != nil {
		return plain(err)
	}
	if there > 0 {
		return fmt.Errorf("this job has a run %d already, and a run keeps its number because every hash holds it: "+
			"import it into a job file of its own", l.Run)
	}
	t.check.Run, t.opened = l.Run, l.At
	_, err := t.insertRun.Exec(l.Run, l.At, 0, "")
	return plain(err)
}

// attachments takes in the files that records name, and no others.
func (t *taking) attachments(r *bundleReader) error {
	names, err := r.names()
	if err != nil {
		return err
	}
	for _, hash := range slices.Sorted(maps.Keys(t.check.names)) {
		given := t.check.names[hash]
		if r.isNotThere(hash) {
			if given[0] == "" {
				continue // a curve of the bench file
			}
			return fmt.Errorf("%w: attachment %s is missing", ErrBundle, printable(given[0]))
		}
		data, err := r.whole(bundleFolder + hash)
		if err != nil {
			return err
		}
		if sum := sha256.Sum256(data); hex.EncodeToString(sum[:]) != hash {
			return fmt.Errorf("%w: attachment %s is not the file that was attached", ErrBundle, printable(given[0]))
		}
		if names[hash] == "" || !vouched(names[hash], given) {
			return fmt.Errorf("%w: %s does not give attachment %s the name that the records give it", ErrBundle,
				bundleNames, printable(given[0]))
		}
		if _, err := t.tx.Exec("INSERT INTO attachments (sha256, name, bytes) VALUES (?, ?, ?) ON CONFLICT DO NOTHING",
			hash, names[hash], data); err != nil {
			return plain(err)
		}
		t.attached++
		delete(r.files, bundleFolder+hash)
	}
	for name := range r.files {
		if strings.HasPrefix(name, bundleFolder) {
			return fmt.Errorf("%w: it holds a file that no record names: %s", ErrBundle, name)
		}
	}
	return nil
}

// end chains the record of the import on and lists the run's end.
func (t *taking) end(at time.Time, e event.Imported) error {
	tail := tail{count: t.check.Count, head: t.check.Head, closed: t.check.Closed}
	rows, err := tail.encode(t.check.Run, at, []event.Event{e})
	if err != nil {
		return err
	}
	r := rows[0]
	if _, err := t.insertEvent.Exec(t.check.Run, r.Seq, event.FormatTime(r.At), r.kind, string(r.body),
		r.Chain); err != nil {
		return plain(err)
	}
	_, err = t.tx.Exec("UPDATE runs SET count = ?, head = ? WHERE run = ?", tail.count, tail.head, t.check.Run)
	return plain(err)
}
