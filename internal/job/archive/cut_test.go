//go:build unix

package archive_test

import (
	"io"
	"net"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"provoke/internal/job/archive"
	"provoke/internal/job/store"
	"provoke/internal/tools/postgres"
)

// cutter is a line to a server that is cut for good once so many bytes went to the server.
type cutter struct {
	to   string
	left atomic.Int64
	sent atomic.Int64
	live net.Listener
}

func (c *cutter) serve() {
	for {
		from, err := c.live.Accept()
		if err != nil {
			return
		}
		to, err := net.Dial("unix", c.to)
		if err != nil {
			from.Close()
			continue
		}
		go func() { io.Copy(from, to); from.Close() }()
		go func() {
			defer to.Close()
			defer from.Close()
			buf := make([]byte, 4096)
			for {
				n, err := from.Read(buf)
				left := c.left.Add(-int64(n)) + int64(n)
				if over := left < int64(n); over || err != nil {
					to.Write(buf[:max(0, min(int64(n), left))])
					return
				}
				c.sent.Add(int64(n))
				if _, err := to.Write(buf[:n]); err != nil {
					return
				}
			}
		}()
	}
}

// wholeAfterTheNextPush pushes a job of three runs, and takes it out again once it is there record for record.
func wholeAfterTheNextPush(t *testing.T, a *archive.Archive, j *store.Job) {
	t.Helper()
	p := push(t, a, j)
	if len(p.Job.Runs) != 3 {
		t.Errorf("pushed again: %+v", p)
	}
	same(t, j, pulled(t, a, p.Job))
	if err := a.Delete(t.Context(), p.Job, "test", "the next"); err != nil {
		t.Fatal(err)
	}
	j.Close()
}

// TestAPushThatIsCutLeavesRunsWholeOrAbsent: the line to the server is cut after every part of a push.
func TestAPushThatIsCutLeavesRunsWholeOrAbsent(t *testing.T) {
	t.Parallel()
	server := postgres.Start(t)
	at := server.Database("jobs")
	a := open(t, at)
	u, err := url.Parse(at)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	c := &cutter{to: filepath.Join(u.Query().Get("host"), ".s.PGSQL.5432")}
	if c.live, err = net.Listen("unix", filepath.Join(dir, ".s.PGSQL.5432")); err != nil {
		t.Fatal(err)
	}
	defer c.live.Close()
	go c.serve()
	through := "postgres://owner@/jobs?sslmode=disable&host=" + url.QueryEscape(dir)
	c.left.Store(1 << 60)
	whole := filepath.Join(t.TempDir(), "whole.provoke")
	newJob(t, whole, 3, 60).Close()
	if err := pushOnce(t.Context(), through, whole); err != nil {
		t.Fatal(err)
	}
	total := c.sent.Load()
	const cuts = 15
	failed := 0
	for n := range cuts {
		path := filepath.Join(t.TempDir(), "cut.provoke")
		j := newJob(t, path, 3, 60)
		c.left.Store(total * int64(n) / cuts)
		if err := pushOnce(t.Context(), through, path); err != nil {
			failed++
		}
		// The server may still be at it.
		var jobs []archive.Job
		for end := time.Now().Add(5 * time.Second); ; time.Sleep(5 * time.Millisecond) {
			if jobs, err = a.Jobs(t.Context()); err != nil {
				t.Fatal(err)
			}
			if strings.TrimSpace(server.Psql("jobs", "SELECT count(*) FROM pg_stat_activity WHERE usename = "+
				"'owner' AND pid <> "+
				"pg_backend_pid() AND state = 'active'")) == "0" || time.Now().After(end) {
				break
			}
		}
		for _, k := range jobs {
			if err := a.Verify(t.Context(), k); err != nil {
				t.Errorf("cut after %d bytes: %v", total*int64(n)/cuts, err)
			}
		}
		wholeAfterTheNextPush(t, a, j)
	}
	if failed < cuts/2 {
		t.Errorf("%d of %d pushes were cut: little was shown", failed, cuts)
	}
	if n := strings.TrimSpace(server.Psql("jobs", "SELECT count(*) FROM provoke.records r WHERE NOT EXISTS (SELECT "+
		"1 FROM "+
		"provoke.runs u WHERE u.id = r.run)")); n != "0" {
		t.Errorf("%s records of no run are left", n)
	}
	t.Logf("figure: archive: a push of %d bytes cut at %d places: %d pushes failed, every run whole or absent, all "+
		"whole after the "+
		"next push", total, cuts, failed)
}

// TestAProgramThatIsKilledInAPushLeavesRunsWholeOrAbsent: a second program pushes into a folder and is killed ever
// later.
func TestAProgramThatIsKilledInAPushLeavesRunsWholeOrAbsent(t *testing.T) {
	if at := os.Getenv("PROVOKE_TEST_PUSH_AT"); at != "" { // it is that program
		if err := pushOnce(t.Context(), at, os.Getenv("PROVOKE_TEST_PUSH_JOB")); err != nil {
			t.Fatal(err)
		}
		return
	}
	t.Parallel()
	at := filepath.Join(t.TempDir(), "archive")
	a := open(t, at)
	const kills = 8
	killed, none, all := 0, 0, 0
	var takes time.Duration
	for n := range kills + 1 {
		path := filepath.Join(t.TempDir(), "killed.provoke")
		j := newJob(t, path, 3, 400)
		c := exec.Command(os.Args[0], "-test.run=^"+t.Name()+"$")
		c.Env = append(os.Environ(), "PROVOKE_TEST_PUSH_AT="+at, "PROVOKE_TEST_PUSH_JOB="+path)
		begun := time.Now()
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		if n == 0 { // how long it takes where nobody kills it
			if err := c.Wait(); err != nil {
				t.Fatal(err)
			}
			takes = time.Since(begun)
			j.Close()
			continue // a job of its own, which stays
		}
		time.Sleep(takes * time.Duration(n) / (kills + 1))
		c.Process.Kill()
		if c.Wait() != nil {
			killed++
		}
		jobs, err := a.Jobs(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		runs := 0
		for _, k := range jobs {
			runs += len(k.Runs)
			if err := a.Verify(t.Context(), k); err != nil {
				t.Errorf("killed after %d of %d parts of a push: %v", n, kills+1, err)
			}
		}
		switch runs - 3 {
		case 0:
			none++
		case 3:
			all++
		}
		wholeAfterTheNextPush(t, a, j)
	}
	if killed == 0 {
		t.Error("nothing was killed: nothing was shown")
	}
	t.Logf("figure: archive in a folder: %d of %d programs killed in a push; %d had pushed nothing, %d some runs, "+
		"%d all; every run whole or absent, all whole after the next push", killed, kills, none, kills-none-all, all)
}

// TestAClockThatIsAheadIsTold, and the run is kept as it is.
func TestAClockThatIsAheadIsTold(t *testing.T) {
	both(t, func(t *testing.T, at string) {
		a := open(t, at)
		ahead := newJob(t, filepath.Join(t.TempDir(), "ahead.provoke"), 0, 0)
		addRunAt(t, ahead, time.Now().Add(365*24*time.Hour), 2)
		if p := push(t, a, ahead); len(p.Clock) != 1 || p.Clock[0] != 1 {
			t.Errorf("a clock a year ahead: %+v", p)
		}
		fine := newJob(t, filepath.Join(t.TempDir(), "fine.provoke"), 0, 0)
		addRunAt(t, fine, time.Now().Add(-time.Minute), 2)
		if p := push(t, a, fine); len(p.Clock) != 0 {
			t.Errorf("a clock that is right: %+v", p)
		}
	})
}
