//go:build unix

package main

import (
	"bufio"
	"net/http"
	"net/http/cookiejar"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"provoke/internal/job/result"
	"provoke/internal/job/store"
)

// demoServed is `provoke demo --serve` as a process of its own.
func demoServed(t *testing.T, dir string) (*exec.Cmd, *person) {
	t.Helper()
	c := exec.Command(os.Args[0])
	c.Args = []string{"provoke", "demo", "--serve", "--dir", dir, "--speed", "20"}
	c.Stderr = os.Stderr
	out, err := c.StdoutPipe()
	if err == nil {
		err = c.Start()
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Process.Kill(); c.Wait() })
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		t.Fatal(err)
	}
	s := &served{dir: dir, enter: strings.TrimSpace(line)}
	s.address, _, _ = strings.Cut(s.enter, "/enter")
	jar, _ := cookiejar.New(nil)
	p := &person{served: s, t: t, client: &http.Client{Jar: jar, Timeout: 10 * time.Second}}
	p.get(strings.TrimPrefix(s.enter, s.address))
	return c, p
}

// The demo's program is killed in the middle of a run and started again in the same folder: what was acknowledged is
// in the job that was set aside, and the watcher's report of it does not become one about the new job.
func TestTheDemoThatIsKilledAndStartedAgainKeepsWhatWasRecorded(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	c, p := demoServed(t, dir)
	job := filepath.Join(dir, "belt-weigher.provoke")
	p.begin("baseline.yaml", "to be killed")
	before := 0
	for end := time.Now().Add(20 * time.Second); before < 6; time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("%d records", before)
		}
		before = recordsOf(t, job)
	}
	c.Process.Signal(syscall.SIGKILL)
	c.Wait()
	if info, err := os.Stat(job + "-wal"); err != nil || info.Size() == 0 {
		t.Fatalf("the kill left no log, so that this shows nothing: %v", err)
	}
	again, _ := demoServed(t, dir)
	if kept := recordsOf(t, filepath.Join(dir, "belt-weigher.before-1.provoke")); kept < before {
		t.Errorf("%d of %d records were kept", kept, before)
	}
	if left, _ := filepath.Glob(job + "-wal*"); len(left) > 0 {
		t.Errorf("left behind: %q", left)
	}
	again.Process.Signal(syscall.SIGTERM)
}

// recordsOf counts the records of a job's first run; 0 while there is none.
func recordsOf(t *testing.T, file string) int {
	t.Helper()
	job, err := store.OpenReadOnly(file)
	if err != nil {
		return 0
	}
	defer job.Close()
	r, err := result.All(job.Records(1, 1))
	if err != nil {
		return 0
	}
	return int(r.Records)
}
