package store

import (
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"path/filepath"
	"strings"

	_ "modernc.org/sqlite" // the driver that database/sql finds under "sqlite"
)

const (
	// ApplicationID stands in the header of every job file: "PrvK" read as a big-endian number.
	ApplicationID = 0x5072764b
	// FormatVersion is the newest version of the tables, kept as SQLite's user_version.
	FormatVersion = 1

	// Bounds of what is taken from a job file, whatever it claims of itself. A file can be made in which
	// a few pages hold each other, and a record without an end: SQLite's own memory, of the whole
	// process, is bounded too, with room for the attachments that four readers look at.
	mostMemory = 512 << 20
	mostBody   = 16 << 20 // bytes of a record
	mostChunk  = 32 << 20 // bytes of records that are read at a time
	wordBits   = 10
	mostWords  = 1<<wordBits - 1 // bytes of a time, a kind, a hash

	pageSize = 8192 // a record of a usual step fits a page twice at least, so it needs no overflow page
)

// schema is version 1 of the tables, frozen: SQLite keeps these very texts in the file, and opening
// compares them.
var schema = []struct{ name, text string }{
	{"runs", `CREATE TABLE runs (
  run INTEGER NOT NULL PRIMARY KEY,
  opened TEXT NOT NULL,
  count INTEGER NOT NULL,
  head TEXT NOT NULL
) STRICT`},
	{"events", `CREATE TABLE events (
  run INTEGER NOT NULL REFERENCES runs (run),
  seq INTEGER NOT NULL,
  at TEXT NOT NULL,
  kind TEXT NOT NULL,
  body TEXT NOT NULL,
  chain TEXT NOT NULL,
  PRIMARY KEY (run, seq)
) STRICT, WITHOUT ROWID`},
	{"attachments", `CREATE TABLE attachments (
  sha256 TEXT NOT NULL PRIMARY KEY,
  name TEXT NOT NULL,
  bytes BLOB NOT NULL
) STRICT`},
}

// dsn names a file to the driver. The path is made absolute and escaped, so that "?", "#" and "%"
// in a name stay part of the name.
func dsn(path, mode string) (string, error) {
	abs, err := filepath.Abs(path)
	if err != nil {
		return "", err
	}
	slash := filepath.ToSlash(abs)
	if !strings.HasPrefix(slash, "/") {
		slash = "/" + slash // a Windows drive: file:///C:/…
	}
	u := url.URL{Scheme: "file", Path: slash}
	q := url.Values{"mode": {mode}, "_txlock": {"immediate"}, "_pragma": {
		"busy_timeout(5000)", "synchronous(FULL)", "fullfsync(1)", "checkpoint_fullfsync(1)",
		"foreign_keys(1)", "trusted_schema(0)", "cell_size_check(1)", fmt.Sprintf("hard_heap_limit(%d)", mostMemory),
	}}
	return "file://" + u.EscapedPath() + "?" + q.Encode(), nil
}

// checkIdentity refuses what is not a job file, and one that a newer program wrote.
func checkIdentity(db *sql.DB) error {
	var id, version int64
	if err := db.QueryRow("PRAGMA application_id").Scan(&id); err != nil {
		return plain(err)
	}
	if err := db.QueryRow("PRAGMA user_version").Scan(&version); err != nil {
		return plain(err)
	}
	switch {
	case id != ApplicationID:
		return ErrNotAJob
	case version > FormatVersion:
		return fmt.Errorf("%w: its tables are version %d, this program knows 1 to %d; use the provoke that wrote it, "+
			"or a newer one", ErrNewer, version, FormatVersion)
	case version < 1:
		return fmt.Errorf("%w (its version number is %d)", ErrNotAJob, version)
	}
	return checkSchema(db)
}

// checkSchema refuses a file whose tables are not the ones of its version: an added trigger or
// view could make it show what was never recorded.
func checkSchema(db *sql.DB) error {
	rows, err := db.Query("SELECT name, coalesce(sql, '') FROM sqlite_schema WHERE name NOT LIKE 'sqlite_autoindex_%'")
	if err != nil {
		return plain(err)
	}
	defer rows.Close()
	found := map[string]string{}
	for rows.Next() {
		var name, text string
		if err := rows.Scan(&name, &text); err != nil {
			return plain(err)
		}
		found[name] = text
	}
	if err := rows.Err(); err != nil {
		return plain(err)
	}
	for _, t := range schema {
		if found[t.name] != t.text {
			return fmt.Errorf("%w: its table %q is missing or was changed", ErrDamaged, t.name)
		}
		delete(found, t.name)
	}
	for name := range found {
		return fmt.Errorf("%w: it holds %q, which is no part of a job", ErrDamaged, name)
	}
	return nil
}

// writeAhead switches the file to write-ahead logging and reads back that it took, with every
// other setting that durability rests on.
func writeAhead(db *sql.DB) error {
	var mode string
	if err := db.QueryRow("PRAGMA journal_mode = WAL").Scan(&mode); err != nil {
		return plain(err)
	}
	if mode != "wal" {
		return fmt.Errorf("%w (its journal mode stayed %q)", ErrNoWriteAhead, mode)
	}
	for _, want := range []struct {
		pragma string
		value  int
	}{{"synchronous", 2}, {"foreign_keys", 1}, {"busy_timeout", 5000}, {"query_only", 0}} {
		var got int
		if err := db.QueryRow("PRAGMA " + want.pragma).Scan(&got); err != nil {
			return plain(err)
		}
		if got != want.value {
			return fmt.Errorf("the setting %s is %d where it must be %d for records to be safe", want.pragma,
				got, want.value)
		}
	}
	return nil
}

// Sentinel errors of this package; a caller may branch on them with errors.Is.
var (
	ErrNotAJob      = errors.New("this is not a provoke job file")
	ErrNewer        = errors.New("this job was written by a newer provoke")
	ErrDamaged      = errors.New("the job file is damaged")
	ErrHeld         = errors.New("the job is in use by another run")
	ErrNoWriteAhead = errors.New("the folder does not carry the shared memory that a job needs (a network drive or a " +
		"cloud folder?); put the job on a local disk")
	ErrReadOnly  = errors.New("the job is open for reading only")
	ErrFull      = errors.New("the disk is full; make room, then go on with --resume")
	ErrClosedRun = errors.New("the run is closed; only notes and attachments may follow")
	ErrNoRun     = errors.New("no such run in this job")
	ErrDead      = errors.New("the journal failed earlier and takes no more records")
)

// plain words an error of SQLite for the person at the bench by its primary result code
// (https://www.sqlite.org/rescode.html).
func plain(err error) error {
	var coded interface {
		error
		Code() int
	}
	if !errors.As(err, &coded) {
		return err
	}
	switch coded.Code() & 0xff {
	case 5, 6: // SQLITE_BUSY, SQLITE_LOCKED
		return fmt.Errorf("another program kept the file locked for longer than 5 s: %w", err)
	case 8: // SQLITE_READONLY
		return fmt.Errorf("the file or its folder is read-only: %w", err)
	case 10: // SQLITE_IOERR
		return fmt.Errorf("the disk reported an error (a full disk, or a drive that was pulled?): %w", err)
	case 7: // SQLITE_NOMEM
		return fmt.Errorf("%w: it asks for more than %d MiB of memory: %w", ErrDamaged, mostMemory>>20, err)
	case 11: // SQLITE_CORRUPT
		return fmt.Errorf("%w: %w", ErrDamaged, err)
	case 13: // SQLITE_FULL
		return fmt.Errorf("%w: %w", ErrFull, err)
	case 14: // SQLITE_CANTOPEN
		return fmt.Errorf("the file or its folder cannot be opened (missing, or no permission): %w", err)
	case 26: // SQLITE_NOTADB
		return fmt.Errorf("%w: %w", ErrNotAJob, err)
	}
	return err
}
