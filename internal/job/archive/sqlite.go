package archive

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"unicode"

	"modernc.org/sqlite"
)

// SQLite's own lower knows the letters of ASCII only.
func init() {
	sqlite.MustRegisterDeterministicScalarFunction("lower", 1,
		func(_ *sqlite.FunctionContext, args []driver.Value) (driver.Value, error) {
			switch x := args[0].(type) {
			case string:
				return strings.ToLower(x), nil
			case []byte:
				return strings.ToLower(string(x)), nil
			}
			return args[0], nil
		})
}

// fileName is the embedded archive in its folder.
const fileName = "archive.sqlite"

// applicationID marks the file: "PrvA".
const applicationID = 0x50727641

type embedded struct{ db *sql.DB }

// openEmbedded opens the archive of a folder; create makes one where there is none.
func openEmbedded(ctx context.Context, folder string, create bool) (engine, error) {
	path := filepath.Join(folder, fileName)
	info, err := os.Stat(folder)
	switch {
	case errors.Is(err, os.ErrNotExist) && create:
		err = os.MkdirAll(folder, 0o777)
	case err == nil && !info.IsDir():
		return nil, fmt.Errorf("%s is a file: an embedded archive is a folder", folder)
	}
	if err != nil {
		return nil, fmt.Errorf("no archive there: %w", err)
	}
	if _, err := os.Stat(path); err != nil && !create {
		return nil, fmt.Errorf("%s holds no archive yet: push a job to begin one", folder)
	}
	abs, err := filepath.Abs(path)
	if err != nil {
		return nil, err
	}
	slash := filepath.ToSlash(abs)
	if !strings.HasPrefix(slash, "/") {
		slash = "/" + slash
	}
	query := "_pragma=busy_timeout(60000)&_pragma=foreign_keys(1)&" +
		"_pragma=journal_mode(wal)&_pragma=synchronous(full)&_pragma=cache_size(-65536)"
	if !create && !writable(path) { // a folder that may only be read; nobody writes it, or its log would be there
		query = "mode=ro&_pragma=query_only(1)"
		if _, err := os.Stat(path + "-wal"); err != nil {
			query += "&immutable=1"
		}
	}
	u := url.URL{Scheme: "file", Path: slash, RawQuery: query}
	db, err := sql.Open("sqlite", u.String())
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(1)
	var id int64
	if err := db.QueryRowContext(ctx, "PRAGMA application_id").Scan(&id); err != nil {
		db.Close()
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	var tables int
	if err := db.QueryRowContext(ctx, "SELECT count(*) FROM sqlite_schema").Scan(&tables); err == nil && id == 0 &&
		tables == 0 {
		_, err = db.ExecContext(ctx, fmt.Sprintf("PRAGMA application_id = %d", applicationID))
		id = applicationID
		if err != nil {
			db.Close()
			return nil, fmt.Errorf("%s: %w", path, err)
		}
	}
	if id != applicationID {
		db.Close()
		return nil, fmt.Errorf("%s is no archive of provoke", path)
	}
	return embedded{db}, nil
}

// writable reports that a file and its folder may be written.
func writable(path string) bool {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return false
	}
	f.Close()
	probe, err := os.CreateTemp(filepath.Dir(path), ".probe")
	if err != nil {
		return false
	}
	probe.Close()
	return os.Remove(probe.Name()) == nil
}

func (e embedded) close() error { return e.db.Close() }

func (e embedded) words() dialect {
	return dialect{id: "INTEGER PRIMARY KEY", integer: "INTEGER", real: "REAL", bytes: "BLOB", strict: " STRICT",
		tables: "SELECT count(*) FROM sqlite_schema WHERE type = 'table' AND name = 'migrations'",
		search: []string{
			"CREATE VIRTUAL TABLE run_words USING fts5(words, content='run_facts', content_rowid='run', " +
				"tokenize='unicode61')",
			"CREATE TRIGGER words_in AFTER INSERT ON run_facts BEGIN INSERT INTO run_words(rowid, words) VALUES " +
				"(new.run, new.words); END",
			"CREATE TRIGGER words_out AFTER DELETE ON run_facts BEGIN INSERT INTO run_words(run_words, rowid, words) " +
				"VALUES ('delete', old.run, old.words); END",
		},
		match: "f.run IN (SELECT rowid FROM run_words WHERE run_words MATCH ?)",
		query: func(all []term) string {
			var with, without []string
			for _, t := range all {
				if quoted := `"` + strings.Join(t.words, " ") + `"`; t.not {
					without = append(without, quoted)
				} else {
					with = append(with, quoted)
				}
			}
			text := strings.Join(with, " AND ")
			if len(without) > 0 {
				text = "(" + text + ") NOT (" + strings.Join(without, " OR ") + ")"
			}
			return text
		}}
}

func (e embedded) begin(ctx context.Context, writes bool) (tx, error) {
	c, err := e.db.Conn(ctx)
	if err != nil {
		return nil, err
	}
	begin := "BEGIN"
	if writes {
		begin = "BEGIN IMMEDIATE"
	}
	if _, err := c.ExecContext(ctx, begin); err != nil {
		c.Close()
		return nil, err
	}
	return &embeddedTx{c: c}, nil
}

type embeddedTx struct {
	c    *sql.Conn
	done bool
}

func (t *embeddedTx) end(text string) error {
	if t.done {
		return nil
	}
	t.done = true
	_, err := t.c.ExecContext(context.Background(), text)
	return errors.Join(err, t.c.Close())
}

func (t *embeddedTx) commit(context.Context) error { return t.end("COMMIT") }
func (t *embeddedTx) rollback()                    { t.end("ROLLBACK") }

func (t *embeddedTx) exec(ctx context.Context, text string, args ...any) (int64, error) {
	r, err := t.c.ExecContext(ctx, text, args...)
	if err != nil {
		return 0, err
	}
	return r.RowsAffected()
}

func (t *embeddedTx) rows(ctx context.Context, text string, take func([][]byte) error, args ...any) error {
	rows, err := t.c.QueryContext(ctx, text, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	columns, err := rows.Columns()
	if err != nil {
		return err
	}
	fields, into := make([][]byte, len(columns)), make([]any, len(columns))
	raw := make([]sql.RawBytes, len(columns))
	for i := range raw {
		into[i] = &raw[i]
	}
	for rows.Next() {
		if err := rows.Scan(into...); err != nil {
			return err
		}
		for i := range raw {
			fields[i] = raw[i]
		}
		if err := take(fields); err != nil {
			return err
		}
	}
	return rows.Err()
}

func (t *embeddedTx) load(ctx context.Context, table string, columns []string, next func() ([]any, error)) error {
	s, err := t.c.PrepareContext(ctx, fmt.Sprintf("INSERT INTO %s (%s) VALUES (%s)", table, strings.Join(columns, ", "),
		"?"+strings.Repeat(", ?", len(columns)-1)))
	if err != nil {
		return err
	}
	defer s.Close()
	for {
		row, err := next()
		if err != nil || row == nil {
			return err
		}
		if _, err := s.ExecContext(ctx, row...); err != nil {
			return err
		}
	}
}

// wordsOf parts a text into words.
func wordsOf(text string) []string {
	return strings.FieldsFunc(text, func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) })
}
