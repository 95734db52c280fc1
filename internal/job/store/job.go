package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"provoke/internal/job/event"
	"provoke/internal/job/lockfile"
)

// Job is an open job file. Its methods may be called from several goroutines.
type Job struct {
	path     string
	left     string // what an abrupt end left behind, in words
	readOnly bool
	identity os.FileInfo // of the file as it was opened, to notice that it was removed or replaced
	lock     *lockfile.File
	write    *sql.DB // one connection; nil when read-only
	read     *sql.DB
	wake     *bell

	insertRun, moveEnd, insertEvent *sql.Stmt

	mu     sync.Mutex // one append at a time
	dead   error      // why the journal takes no more records
	closed bool
	tails  map[int]*tail // of the runs that this Job has written to
}

// Create makes a new job file and opens it for writing. A file that exists already is refused.
func Create(path string) (*Job, error) {
	j, err := create(path, pageSize)
	if err != nil {
		return nil, fmt.Errorf("create job %s: %w", shown(path), err)
	}
	return j, nil
}

func create(path string, page int) (*Job, error) {
	if err := checkName(filepath.Base(path)); err != nil {
		return nil, err
	}
	lock, err := takeLock(path)
	if err != nil {
		return nil, plainPath(err)
	}
	if err := createFile(path, page); err != nil {
		lock.Remove()
		return nil, err
	}
	return openWith(path, lock)
}

// createFile writes the empty tables, all of them in the file itself, with no log beside it.
func createFile(path string, page int) error {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o666)
	if errors.Is(err, os.ErrExist) {
		return errors.New("the file exists already; open it, or choose another name")
	}
	if err != nil {
		return plainPath(err)
	}
	f.Close()
	err = func() error {
		name, err := dsn(path, "rw")
		if err != nil {
			return err
		}
		db, err := sql.Open("sqlite", name)
		if err != nil {
			return err
		}
		db.SetMaxOpenConns(1)
		statements := []string{fmt.Sprintf("PRAGMA page_size = %d", page), "BEGIN IMMEDIATE"}
		for _, t := range schema {
			statements = append(statements, t.text)
		}
		statements = append(statements, fmt.Sprintf("PRAGMA application_id = %d", ApplicationID),
			fmt.Sprintf("PRAGMA user_version = %d", FormatVersion), "COMMIT")
		for _, s := range statements {
			if _, err := db.Exec(s); err != nil {
				db.Close()
				return plain(err)
			}
		}
		return db.Close()
	}()
	if err != nil {
		os.Remove(path)
		return err
	}
	syncFolder(filepath.Dir(path))
	return nil
}

// Open opens a job for writing. It wraps ErrHeld when another process, or another Job of this one,
// writes it, ErrNotAJob, ErrNewer, ErrDamaged or ErrNoWriteAhead for what it cannot use.
func Open(path string) (*Job, error) {
	j, err := openToWrite(path)
	if err != nil {
		return nil, fmt.Errorf("open job %s: %w", shown(path), err)
	}
	return j, nil
}

func openToWrite(path string) (*Job, error) {
	info, err := checkFile(path)
	if err != nil {
		return nil, err
	}
	if info.Mode().Perm()&0o222 == 0 {
		return nil,
			errors.New("the file is read-only; make it writable, or work on a copy (provoke journal JOB --copy FILE)")
	}
	lock, err := takeLockPatiently(path)
	if err != nil {
		return nil, plainPath(err)
	}
	return openWith(path, lock)
}

// openWith opens the file for writing under a lock that is held, and releases the lock on failure.
func openWith(path string, lock *lockfile.File) (*Job, error) {
	j := &Job{path: path, lock: lock, left: leftBehind(path), wake: bellOf(path), tails: map[int]*tail{}}
	err := j.openWriter()
	if err == nil {
		err = j.openReaders()
	}
	if err != nil {
		j.closeFiles()
		lock.Remove()
		return nil, err
	}
	return j, nil
}

func (j *Job) openWriter() (err error) {
	if j.identity, err = checkFile(j.path); err != nil {
		return err
	}
	_, noLog := os.Stat(j.path + "-wal")
	name, err := dsn(j.path, "rw")
	if err != nil {
		return err
	}
	if j.write, err = sql.Open("sqlite", name); err != nil {
		return plain(err)
	}
	j.write.SetMaxOpenConns(1)
	if err := checkIdentity(j.write); err != nil {
		return err
	}
	var mode string
	if err := j.write.QueryRow("PRAGMA journal_mode").Scan(&mode); err != nil {
		return plain(err)
	}
	if mode == "wal" && noLog != nil {
		j.left = fmt.Sprintf("%[1]s was not closed in order and there is no %[1]s-wal beside it: if one was left "+
			"where the job came from, its newest records are in there", filepath.Base(j.path))
	}
	if err := writeAhead(j.write); err != nil {
		return err
	}
	return j.prepare()
}

// prepare makes the statements of an append ready.
func (j *Job) prepare() error {
	for _, s := range []struct {
		into **sql.Stmt
		text string
	}{
		{&j.insertRun, "INSERT INTO runs (run, opened, count, head) VALUES (?, ?, ?, ?)"},
		{&j.moveEnd, "UPDATE runs SET count = ?, head = ? WHERE run = ? AND count = ? AND head = ?"},
		{&j.insertEvent, "INSERT INTO events (run, seq, at, kind, body, chain) VALUES (?, ?, ?, ?, ?, ?)"},
	} {
		var err error
		if *s.into, err = j.write.Prepare(s.text); err != nil {
			return plain(err)
		}
	}
	return nil
}

// OpenReadOnly opens a job for reading, also while another process writes it.
func OpenReadOnly(path string) (*Job, error) {
	j, err := openToRead(path)
	if err != nil {
		return nil, fmt.Errorf("open job %s: %w", shown(path), err)
	}
	return j, nil
}

func openToRead(path string) (*Job, error) {
	info, err := checkFile(path)
	if err != nil {
		return nil, err
	}
	j := &Job{path: path, readOnly: true, identity: info, wake: bellOf(path)}
	if !lockfile.Held(lockPath(path)) {
		j.left = leftBehind(path)
	}
	if err := j.openReaders(); err != nil {
		return nil, err
	}
	if err := checkIdentity(j.read); err != nil {
		j.closeFiles()
		return nil, err
	}
	return j, nil
}

func (j *Job) openReaders() error {
	name, err := dsn(j.path, "ro")
	if err != nil {
		return err
	}
	j.read, err = sql.Open("sqlite", name)
	if err != nil {
		return plain(err)
	}
	j.read.SetMaxOpenConns(4)
	j.read.SetMaxIdleConns(4)
	return nil
}

// Close ends the use of the job. A job open for writing is brought back to one file; where somebody
// still reads it, the last reader's system leaves an empty -wal, which loses nothing.
func (j *Job) Close() error {
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.closed {
		return nil
	}
	j.closed = true
	j.wake.ring()
	err := j.read.Close()
	if j.write != nil {
		err = errors.Join(err, j.fold())
		err = errors.Join(err, j.write.Close())
		j.lock.Remove()
	}
	if err != nil {
		return fmt.Errorf("close job %s: %w", shown(j.path), plain(err))
	}
	return nil
}

// fold moves the write-ahead log into the file and leaves that mode. Readers may be in the way: the
// records are safe in the log, so that is no error.
func (j *Job) fold() error {
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	c, err := j.write.Conn(ctx)
	if err != nil {
		return err
	}
	defer c.Close()
	c.ExecContext(ctx, "PRAGMA busy_timeout = 200")
	c.ExecContext(ctx, "PRAGMA wal_checkpoint(TRUNCATE)")
	c.ExecContext(ctx, "PRAGMA journal_mode = DELETE")
	return nil
}

func (j *Job) closeFiles() {
	if j.read != nil {
		j.read.Close()
	}
	if j.write != nil {
		j.write.Close()
	}
}

// Path returns the name under which the job was opened.
func (j *Job) Path() string { return j.path }

// Written reports that a process, this one included, has the job at path open for writing.
func Written(path string) bool { return lockfile.Held(lockPath(path)) }

// LeftBehind says in words what an abrupt end of the program before left beside the file; it is
// empty after an orderly end.
func (j *Job) LeftBehind() string { return j.left }

func leftBehind(path string) string {
	info, err := os.Stat(path + "-wal")
	if err != nil || info.Size() == 0 {
		return ""
	}
	base := filepath.Base(path)
	return fmt.Sprintf("%s-wal belongs to %s: the program that wrote the job ended abruptly, and its newest records "+
		"are in there; keep the two together", base, base)
}

// checkFile refuses what cannot be a job before SQLite sees it.
func checkFile(path string) (os.FileInfo, error) {
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, os.ErrNotExist):
		if _, e := os.Stat(path + "-wal"); e == nil {
			return nil, fmt.Errorf("there is no such file, but its -wal is here: bring the job back beside it")
		}
		return nil, errors.New("there is no such file")
	case err != nil:
		return nil, plainPath(err)
	case info.IsDir():
		return nil, errors.New("this is a folder, not a job file")
	case !info.Mode().IsRegular():
		return nil, ErrNotAJob
	case info.Size() == 0:
		return nil, fmt.Errorf("%w: it is empty", ErrNotAJob)
	case !hasHeader(path):
		return nil, ErrNotAJob
	}
	return info, nil
}

// hasHeader reports that a file begins as a database does, or cannot be read. SQLite takes away the log beside one that
// does not, with the records in it.
func hasHeader(path string) bool {
	f, err := os.Open(path)
	if err != nil {
		return true // told by whoever opens it
	}
	defer f.Close()
	const begins = "SQLite format 3\x00"
	head := make([]byte, len(begins))
	_, err = io.ReadFull(f, head)
	return err == nil && string(head) == begins
}

// checkThere notices that the file was removed or replaced while it is open: what is written then
// would be lost at the end.
func (j *Job) checkThere() error {
	info, err := os.Stat(j.path)
	if err != nil || !os.SameFile(info, j.identity) {
		return fmt.Errorf("the file %s %w", shown(j.path), ErrGone)
	}
	return nil
}

func lockPath(path string) string { return path + "-lock" }

// takeLockPatiently tries for half a second: a reader looks at the lock for an instant, and a program that
// was killed while it started another leaves the lock to that one until it is under way.
func takeLockPatiently(path string) (lock *lockfile.File, err error) {
	for range 50 {
		if lock, err = takeLock(path); !errors.Is(err, ErrHeld) {
			return lock, err
		}
		time.Sleep(10 * time.Millisecond)
	}
	return nil, err
}

// takeLock takes a job's lock, or says who has it.
func takeLock(path string) (*lockfile.File, error) {
	lock, err := lockfile.Take(lockPath(path), fmt.Sprintf("process %d", os.Getpid()))
	var held *lockfile.HeldError
	if errors.As(err, &held) {
		return nil, heldBy(held.By)
	}
	return lock, err
}

func heldBy(who string) error {
	who = printable(strings.TrimSpace(who))
	if who == "" {
		return ErrHeld
	}
	return fmt.Errorf("%w (%s); wait for its end, or read the job meanwhile", ErrHeld, who)
}

// plainPath takes the path out of an error that names the file a second time.
func plainPath(err error) error {
	var pe *os.PathError
	if errors.As(err, &pe) {
		return fmt.Errorf("%s: %w", pe.Op, pe.Err)
	}
	return err
}

// checkName refuses a file name that could not be shown in one line.
func checkName(name string) error {
	switch {
	case name == "" || name == "." || name == "..":
		return errors.New("a file needs a name")
	case len(name) > 255:
		return fmt.Errorf("the name is %d bytes long; 255 are allowed", len(name))
	case printable(name) != name:
		return fmt.Errorf("the name %q has control characters in it; rename the file", name)
	}
	return nil
}

// printable is how this package shows what others have named.
func printable(s string) string { return event.Printable(s) }

func shown(path string) string { return printable(path) }
