package store

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"iter"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"time"

	"provoke/internal/job/event"
)

// Raw is a record as it stands in a job: the texts that its chain hash is over, and that hash.
type Raw struct {
	Seq                   int64
	At, Kind, Body, Chain string
}

// Raws yields the records of a run from a number on as they stand, unchecked.
func (j *Job) Raws(run int, from int64) iter.Seq2[Raw, error] {
	return func(yield func(Raw, error) bool) {
		if err := j.knows(run); err != nil {
			yield(Raw{}, fmt.Errorf("read run %d of %s: %w", run, shown(j.path), err))
			return
		}
		for p := range ahead(j.chunks(run, from)) {
			if p.err != nil {
				yield(Raw{}, fmt.Errorf("read run %d of %s: %w", run, shown(j.path), p.err))
				return
			}
			for _, r := range p.raws {
				if !yield(Raw{r.seq, r.at, r.kind, r.body, r.chain}, nil) {
					return
				}
			}
		}
	}
}

// First is the first record of a run as it stands.
func (j *Job) First(run int) (Raw, error) {
	raws, err := j.records(1, "SELECT "+columns+" FROM events WHERE run = ? AND seq = 1", run)
	if err == nil && len(raws) != 1 {
		err = fmt.Errorf("%w: run %d has no first record", ErrDamaged, run)
	}
	if err != nil {
		return Raw{}, fmt.Errorf("read run %d of %s: %w", run, shown(j.path), err)
	}
	r := raws[0]
	return Raw{r.seq, r.at, r.kind, r.body, r.chain}, nil
}

// NewCheck begins to check a run whose records come from anywhere.
func NewCheck(run int) *RunCheck {
	return &RunCheck{Run: run, chains: map[string]int64{}, names: map[string][]string{}}
}

// Follow checks one record more. It wraps ErrDamaged where the record is not the one that follows.
func (c *RunCheck) Follow(r Raw) error {
	if len(r.Body) > mostBody || len(r.Kind) > mostWords {
		return fmt.Errorf("%w: run %d: record %d is longer than any record that provoke writes", ErrDamaged, c.Run,
			r.Seq)
	}
	c.follow(&raw{r.Seq, r.At, r.Kind, r.Body, r.Chain})
	if len(c.Problems) > 0 {
		return fmt.Errorf("%w: run %d: %s", ErrDamaged, c.Run, c.Problems[0])
	}
	return nil
}

// Files are the hashes of the files that the records name, each with the names they give it; "" is the name of a
// curve, which is hashed and not always there.
func (c *RunCheck) Files() map[string][]string { return c.names }

// Vouched reports that a file's name is one that the records of a run give it.
func (c *RunCheck) Vouched(hash, name string) bool { return vouched(name, c.names[hash]) }

// Decode gives a raw record its meaning.
func (r Raw) Decode(run int, d *event.Decoder) (event.Record, error) {
	x := raw{r.Seq, r.At, r.Kind, r.Body, r.Chain}
	return x.record(run, d)
}

// Restorer fills a new job file with records as they stand elsewhere.
type Restorer struct {
	taking
	names map[string][]string
	files map[string]bool
}

// Restore makes a job file of records and files that fill gives in the order of runs and records. Nothing is left
// where anything of it does not verify.
func Restore(path string, fill func(*Restorer) error) error {
	if err := restore(path, fill); err != nil {
		return fmt.Errorf("write job %s: %w", shown(path), err)
	}
	return nil
}

func restore(path string, fill func(*Restorer) error) error {
	if _, err := os.Lstat(path); err == nil {
		return errors.New("the file exists already; choose another name")
	}
	half := filepath.Join(filepath.Dir(path), fmt.Sprintf(".%s-%d", filepath.Base(path), time.Now().UnixNano()))
	defer os.Remove(half)
	j, err := create(half, pageSize)
	if err != nil {
		return err
	}
	err = j.fill(fill)
	if err := errors.Join(err, j.Close()); err != nil {
		return err
	}
	os.Remove(lockPath(half))
	if err := os.Link(half, path); errors.Is(err, os.ErrExist) { // a rename would replace what came meanwhile
		return errors.New("the file exists already; choose another name")
	} else if err != nil {
		if err := os.Rename(half, path); err != nil {
			return plainPath(err)
		}
	}
	syncFolder(filepath.Dir(path))
	return nil
}

func (j *Job) fill(fill func(*Restorer) error) error {
	tx, err := j.write.Begin()
	if err != nil {
		return plain(err)
	}
	defer tx.Rollback()
	r := &Restorer{taking: taking{tx: tx, insertEvent: tx.Stmt(j.insertEvent), insertRun: tx.Stmt(j.insertRun)},
		names: map[string][]string{}, files: map[string]bool{}}
	if err := fill(r); err != nil {
		return err
	}
	if err := r.finish(); err != nil {
		return err
	}
	for _, hash := range slices.Sorted(maps.Keys(r.names)) {
		if names := r.names[hash]; !r.files[hash] && names[0] != "" {
			return fmt.Errorf("%w: attachment %s is missing", ErrDamaged, printable(names[0]))
		}
	}
	return plain(tx.Commit())
}

// Record takes the next record; with another number of a run than before it begins that run.
func (r *Restorer) Record(run int, x Raw) error {
	if r.check.chains == nil || run != r.check.Run {
		if err := r.finish(); err != nil {
			return err
		}
		r.check = *NewCheck(run)
		if err := r.begin(bundleLine{Run: run, At: x.At}); err != nil {
			return err
		}
	}
	if err := r.check.Follow(x); err != nil {
		return err
	}
	_, err := r.insertEvent.Exec(run, x.Seq, x.At, x.Kind, x.Body, x.Chain)
	return plain(err)
}

// finish lists the end of the run at hand.
func (r *Restorer) finish() error {
	if r.check.chains == nil {
		return nil
	}
	for hash, names := range r.check.names {
		r.names[hash] = append(r.names[hash], names...)
	}
	_, err := r.tx.Exec("UPDATE runs SET count = ?, head = ? WHERE run = ?", r.check.Count, r.check.Head, r.check.Run)
	return plain(err)
}

// File takes a file that records name.
func (r *Restorer) File(hash, name string, data []byte) error {
	if err := CheckAttachment(name, int64(len(data))); err != nil {
		return err
	}
	if sum := sha256.Sum256(data); hex.EncodeToString(sum[:]) != hash {
		return fmt.Errorf("%w: attachment %s is not the file that was attached", ErrDamaged, printable(name))
	}
	r.files[hash] = true
	if data == nil {
		data = []byte{}
	}
	_, err := r.tx.Exec("INSERT INTO attachments (sha256, name, bytes) VALUES (?, ?, ?) ON CONFLICT DO NOTHING", hash,
		name, data)
	return plain(err)
}
