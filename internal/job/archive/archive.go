// Package archive keeps the jobs of many benches in one database: in a folder, as SQLite, or on a PostgreSQL server.
// Records are copied as they stand, with their chains, and a job comes back record for record. What is derived from
// them for questions stands in tables of its own, with the version of the program that derived it, and can be made
// anew at any time. A bench never waits for an archive: a job is pushed when it is there. docs/archive.md.
package archive

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"strings"
	"time"

	"provoke/internal/job/event"
	"provoke/internal/job/result"
)

// Archive is one that is open. Its methods may be called from several goroutines; they take turns.
type Archive struct {
	at      string
	program string
	say     dialect
	engine  engine
}

// Open opens the archive at a folder or at a PostgreSQL server (postgres://…, without a password in it). create
// begins one where there is none. program is the version of this program.
func Open(ctx context.Context, at, program string, create bool) (*Archive, error) {
	a := &Archive{at: at, program: program}
	err := a.open(ctx, create)
	if err != nil {
		if a.engine != nil {
			a.engine.close()
		}
		return nil, fmt.Errorf("archive %s: %w", a.At(), err)
	}
	return a, nil
}

func (a *Archive) open(ctx context.Context, create bool) (err error) {
	switch {
	case a.at == "":
		return errors.New("it has no address: give --at a folder or postgres://…")
	case !OnServer(a.at) && (strings.Contains(a.at, "://") || strings.HasPrefix(a.at, "host=")):
		return errors.New("that is neither a folder nor a server's address: postgres://USER@HOST:PORT/DATABASE is " +
			"expected")
	}
	if OnServer(a.at) {
		if err := noPassword(a.at); err != nil {
			return err
		}
		a.engine, err = openServer(ctx, a.at)
	} else {
		a.engine, err = openEmbedded(ctx, a.at, create)
	}
	if err != nil {
		return err
	}
	a.say = a.engine.words()
	return a.migrate(ctx, create)
}

// OnServer reports that an archive's address names a server, and not a folder.
func OnServer(at string) bool {
	return strings.HasPrefix(at, "postgres://") || strings.HasPrefix(at, "postgresql://")
}

// noPassword refuses an address with a password: it would stand in the list of processes and in the shell's history.
func noPassword(at string) error {
	u, err := url.Parse(at)
	if err != nil {
		return errors.New("the address cannot be read: postgres://USER@HOST:PORT/DATABASE is expected")
	}
	_, has := u.User.Password()
	for name := range u.Query() {
		has = has || strings.EqualFold(name, "password") || strings.EqualFold(name, "sslpassword")
	}
	if has {
		return errors.New("the address holds a password, which everybody on this machine could read: leave it out, " +
			"and " +
			"put it into ~/.pgpass (PostgreSQL's password file) or the variable PGPASSWORD")
	}
	return nil
}

// At is the address, without a password in any case.
func (a *Archive) At() string { return Shown(a.at) }

// Shown is an address as it may be printed: without a password.
func Shown(at string) string {
	if !OnServer(at) {
		return at
	}
	u, err := url.Parse(at)
	if err != nil {
		return "postgres://…"
	}
	if u.User != nil {
		u.User = url.User(u.User.Username())
	}
	u.RawQuery = ""
	return u.String()
}

// Close ends its use.
func (a *Archive) Close() error { return a.engine.close() }

// within does something in one transaction.
func (a *Archive) within(ctx context.Context, writes bool, do func(tx) error) error {
	t, err := a.engine.begin(ctx, writes)
	if err != nil {
		return err
	}
	defer t.rollback()
	if err := do(t); err != nil {
		return err
	}
	return t.commit(ctx)
}

func stamp(t time.Time) string { return event.FormatTime(t.Round(0).UTC()) }

// Job is one that the archive holds.
type Job struct {
	ID     int64
	Root   string // the chain hash of the first record of its first run: it names the job wherever a copy lies
	Branch int    // 1, or more for a copy that went another way
	Name   string // of the file that was pushed first
	Pushed string
	// Derived is the integrity hash of what its findings were derived from, by Program.
	Derived, Program string
	Runs             []Run
}

// Run is one run of a job in the archive.
type Run struct {
	ID       int64
	Number   int
	Root     string
	Opened   string
	Count    int64
	Head     string
	Closed   bool
	Imported bool
}

// Stale reports that findings were not derived from what the job holds now.
func (j Job) Stale() bool { return j.Derived != j.Integrity() }

// Integrity is the integrity hash of the job as its report prints it.
func (j Job) Integrity() string {
	var ends []result.Run
	for _, r := range j.Runs {
		ends = append(ends, result.Run{Number: r.Number, Head: r.Head})
	}
	return result.Integrity(ends)
}

const jobColumns = "id, root, branch, name, pushed, derived, program"

// ErrNoJob is wrapped where an archive does not hold the job that is named.
var ErrNoJob = errors.New("the archive holds no such job")

// Find finds the one job with a name, or whose root or a head of whose runs begins with eight digits or more.
func (a *Archive) Find(ctx context.Context, name string) (Job, error) {
	var found []Job
	err := a.within(ctx, false, func(t tx) (err error) {
		found, err = a.jobs(ctx, t, "name = ? ORDER BY id", name)
		if err == nil && len(found) == 0 && len(name) >= 8 && strings.Trim(name, "0123456789abcdef") == "" {
			found, err = a.jobs(ctx, t, "root LIKE ? OR id IN (SELECT job FROM runs WHERE head LIKE ? OR root LIKE ?) "+
				"ORDER BY id", name+"%", name+"%", name+"%")
		}
		return err
	})
	switch {
	case err != nil:
		return Job{}, err
	case len(found) == 0:
		return Job{}, fmt.Errorf("%s: %w: name it as its file was named, or by eight first digits or more of a hash",
			name,
			ErrNoJob)
	case len(found) > 1:
		var roots []string
		for _, j := range found {
			roots = append(roots, fmt.Sprintf("%.12s (branch %d, pushed %.10s)", j.Runs[len(j.Runs)-1].Head,
				j.Branch, j.Pushed))
		}
		return Job{}, fmt.Errorf("%s: %d jobs have that name: name one by its hash: %s", name, len(found),
			strings.Join(roots, ", "))
	}
	return found[0], nil
}

// Jobs lists all jobs.
func (a *Archive) Jobs(ctx context.Context) (out []Job, err error) {
	err = a.within(ctx, false, func(t tx) (err error) { out, err = a.jobs(ctx, t, "1 = 1 ORDER BY id"); return err })
	return out, err
}

// StaleJobs lists those whose findings are not of what they hold now; with olderToo, or not by this version of the
// program.
func (a *Archive) StaleJobs(ctx context.Context, olderToo bool) (out []Job, err error) {
	where, args := "derived = '' ORDER BY id", []any{}
	if olderToo {
		where, args = "derived = '' OR program <> ? ORDER BY id", []any{a.program}
	}
	err = a.within(ctx, false, func(t tx) (err error) { out, err = a.jobs(ctx, t, where, args...); return err })
	return out, err
}

func (a *Archive) jobs(ctx context.Context, t tx, where string, args ...any) ([]Job, error) {
	var out []Job
	at := map[int64]int{}
	err := t.rows(ctx, "SELECT "+jobColumns+" FROM jobs WHERE "+where, func(f [][]byte) error {
		s := texts(f)
		at[number(s[0])] = len(out)
		out = append(out, Job{ID: number(s[0]), Root: s[1], Branch: int(number(s[2])), Name: s[3], Pushed: s[4],
			Derived: s[5], Program: s[6]})
		return nil
	}, args...)
	if err != nil {
		return nil, err
	}
	take := func(f [][]byte) error {
		s := texts(f)
		if i, ok := at[number(s[0])]; ok {
			out[i].Runs = append(out[i].Runs, Run{number(s[1]), int(number(s[2])), s[3], s[4], number(s[5]), s[6],
				s[7] == "1", s[8] == "1"})
		}
		return nil
	}
	const columns = "SELECT job, id, run, root, opened, count, head, closed, imported FROM runs"
	if len(out) > 20 {
		return out, t.rows(ctx, columns+" ORDER BY job, run", take)
	}
	for _, j := range out {
		if err := t.rows(ctx, columns+" WHERE job = ? ORDER BY run", take, j.ID); err != nil {
			return nil, err
		}
	}
	return out, nil
}
