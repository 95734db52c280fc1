package archive

import (
	"bytes"
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/jackc/pgx/v5/pgconn"
)

// oldest is the oldest PostgreSQL that is used.
const oldest = 15

// connectWithin is how long a server may take to answer, where its address does not say.
const connectWithin = 10 * time.Second

// schemaName holds all tables of the archive.
const schemaName = "provoke"

type server struct {
	mu   sync.Mutex // one transaction at a time
	c    *pgconn.PgConn
	conf *pgconn.Config
}

// openServer connects to a PostgreSQL server as libpq does: PG… variables, service and password files, TLS.
func openServer(ctx context.Context, address string) (engine, error) {
	conf, err := pgconn.ParseConfig(address)
	if err != nil {
		return nil, err // holds no password: pgconn leaves it out
	}
	if conf.ConnectTimeout == 0 {
		conf.ConnectTimeout = connectWithin
	}
	if conf.RuntimeParams["application_name"] == "" {
		conf.RuntimeParams["application_name"] = "provoke"
	}
	s := &server{conf: conf}
	if err := s.connect(ctx); err != nil {
		return nil, err
	}
	return s, nil
}

func (s *server) connect(ctx context.Context) error {
	c, err := pgconn.ConnectConfig(ctx, s.conf)
	if err != nil {
		return err
	}
	s.c = c
	major, _, _ := strings.Cut(c.ParameterStatus("server_version"), ".")
	if n, err := strconv.Atoi(leadingDigits(major)); err != nil || n < oldest {
		c.Close(ctx)
		return fmt.Errorf("the server is PostgreSQL %s; %d or newer is needed", c.ParameterStatus("server_version"),
			oldest)
	}
	if err := s.setUp(ctx); err != nil {
		c.Close(ctx)
		return err
	}
	return nil
}

func leadingDigits(s string) string {
	return s[:len(s)-len(strings.TrimLeft(s, "0123456789"))]
}

func (s *server) setUp(ctx context.Context) error {
	_, err := s.c.Exec(ctx, "SET search_path TO "+schemaName+"; SET client_encoding TO 'UTF8'; SET extra_float_digits "+
		"TO 1; SET standard_conforming_strings TO on; SET client_min_messages TO warning").ReadAll()
	return err
}

func (s *server) close() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
	defer cancel()
	return s.c.Close(ctx)
}

func (s *server) words() dialect {
	return dialect{id: "BIGINT GENERATED ALWAYS AS IDENTITY PRIMARY KEY", integer: "BIGINT", real: "DOUBLE PRECISION",
		bytes: "BYTEA",
		search: []string{
			"ALTER TABLE run_facts ADD COLUMN found tsvector GENERATED ALWAYS AS (to_tsvector('simple', words)) STORED",
			"CREATE INDEX run_words ON run_facts USING gin (found)",
		},
		match: "f.found @@ to_tsquery('simple', ?)",
		query: func(all []term) string {
			var parts []string
			for _, t := range all {
				quoted := "(" + strings.Join(t.words, " <-> ") + ")"
				if t.not {
					quoted = "!" + quoted
				}
				parts = append(parts, quoted)
			}
			return strings.Join(parts, " & ")
		},
		lock:   "SELECT pg_advisory_xact_lock(?)",
		tables: "SELECT count(*) FROM pg_tables WHERE schemaname = '" + schemaName + "' AND tablename = 'migrations'",
		begin:  "CREATE SCHEMA IF NOT EXISTS " + schemaName}
}

func (s *server) begin(ctx context.Context, writes bool) (tx, error) {
	s.mu.Lock()
	begin := "BEGIN"
	if !writes {
		begin = "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY"
	}
	err := errors.New("the connection to the server was lost")
	if !s.c.IsClosed() {
		_, err = s.c.Exec(ctx, begin).ReadAll()
	}
	if err != nil && s.c.IsClosed() { // a server that was started again meanwhile
		if err = s.connect(ctx); err == nil {
			_, err = s.c.Exec(ctx, begin).ReadAll()
		}
	}
	if err != nil {
		s.mu.Unlock()
		return nil, err
	}
	return &serverTx{s: s}, nil
}

type serverTx struct {
	s    *server
	done bool
}

func (t *serverTx) commit(ctx context.Context) error {
	if t.done {
		return nil
	}
	t.done = true
	defer t.s.mu.Unlock()
	tags, err := t.s.c.Exec(ctx, "COMMIT").ReadAll()
	if err == nil && len(tags) == 1 && tags[0].CommandTag.String() != "COMMIT" {
		err = errors.New("the server rolled the transaction back")
	}
	return err
}

func (t *serverTx) rollback() {
	if t.done {
		return
	}
	t.done = true
	defer t.s.mu.Unlock()
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	if _, err := t.s.c.Exec(ctx, "ROLLBACK").ReadAll(); err != nil {
		t.s.c.Close(ctx)
	}
}

// parameter writes a value as the text that PostgreSQL reads.
func parameter(v any) []byte {
	switch v := v.(type) {
	case nil:
		return nil
	case []byte:
		return []byte(`\x` + hex.EncodeToString(v))
	case float64:
		return strconv.AppendFloat(nil, v, 'g', -1, 64)
	case string:
		return []byte(v)
	}
	return fmt.Append(nil, v)
}

func parameters(args []any) [][]byte {
	out := make([][]byte, len(args))
	for i, a := range args {
		out[i] = parameter(a)
	}
	return out
}

func (t *serverTx) exec(ctx context.Context, text string, args ...any) (int64, error) {
	if len(args) == 0 { // several statements may stand in one
		results, err := t.s.c.Exec(ctx, text).ReadAll()
		if err != nil || len(results) == 0 {
			return 0, err
		}
		return results[len(results)-1].CommandTag.RowsAffected(), nil
	}
	r := t.s.c.ExecParams(ctx, numbered(text), parameters(args), nil, nil, nil).Read()
	return r.CommandTag.RowsAffected(), r.Err
}

const byteaOID = 17

func (t *serverTx) rows(ctx context.Context, text string, take func([][]byte) error, args ...any) error {
	r := t.s.c.ExecParams(ctx, numbered(text), parameters(args), nil, nil, nil)
	var taken error
	var hexed []int
	for i, f := range r.FieldDescriptions() {
		if f.DataTypeOID == byteaOID {
			hexed = append(hexed, i)
		}
	}
	for r.NextRow() {
		if taken != nil {
			continue
		}
		fields := r.Values()
		for _, i := range hexed {
			data, err := hex.DecodeString(strings.TrimPrefix(string(fields[i]), `\x`))
			if taken = err; err != nil {
				break
			}
			fields[i] = data
		}
		if taken == nil {
			taken = take(fields)
		}
	}
	_, err := r.Close()
	return errors.Join(taken, err)
}

// load sends rows by COPY, in its text format.
func (t *serverTx) load(ctx context.Context, table string, columns []string, next func() ([]any, error)) error {
	in := &copying{next: next}
	_, err := t.s.c.CopyFrom(ctx, in, fmt.Sprintf("COPY %s (%s) FROM STDIN", table, strings.Join(columns, ", ")))
	if e := in.end(); e != nil {
		return e
	}
	return err
}

// copying writes rows as COPY reads them. Where a connection is lost the client may still be reading when it has
// returned; from its end on nothing is read.
type copying struct {
	mu   sync.Mutex
	done bool
	next func() ([]any, error)
	out  bytes.Buffer
	err  error
}

// end waits for a read under way, and returns what went wrong with the rows.
func (c *copying) end() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.done = true
	if c.err == io.EOF {
		return nil
	}
	return c.err
}

// Read gives the client what comes next.
func (c *copying) Read(p []byte) (int, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.done {
		return 0, io.ErrClosedPipe
	}
	for c.err == nil && c.out.Len() < len(p) {
		row, err := c.next()
		if err == nil && row == nil {
			err = io.EOF
		}
		if err != nil {
			c.err = err
			break
		}
		for i, v := range row {
			if i > 0 {
				c.out.WriteByte('\t')
			}
			switch v := v.(type) {
			case nil:
				c.out.WriteString(`\N`)
			case string:
				escape(&c.out, v)
			default:
				c.out.Write(parameter(v))
			}
		}
		c.out.WriteByte('\n')
	}
	if c.out.Len() == 0 {
		return 0, c.err
	}
	return c.out.Read(p)
}

// escape writes a text so that COPY reads it as it is.
func escape(out *bytes.Buffer, text string) {
	for {
		i := strings.IndexAny(text, "\\\t\n\r")
		if i < 0 {
			out.WriteString(text)
			return
		}
		out.WriteString(text[:i])
		out.WriteByte('\\')
		switch text[i] {
		case '\t':
			out.WriteByte('t')
		case '\n':
			out.WriteByte('n')
		case '\r':
			out.WriteByte('r')
		default:
			out.WriteByte('\\')
		}
		text = text[i+1:]
	}
}
