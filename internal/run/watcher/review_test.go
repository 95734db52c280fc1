//go:build linux

package watcher_test

import (
	"io"
	"path/filepath"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// A pipe that nobody reads stands for a disk that hangs: opening it for writing does not come back.
func TestADiskThatHangsDoesNotKeepTheWatcherFromSilencing(t *testing.T) {
	t.Parallel()
	sim, b := lit(t)
	job := filepath.Join(t.TempDir(), "j.provoke")
	if err := unix.Mkfifo(job+"-watcher-new", 0o600); err != nil {
		t.Skip("this system has no such pipes:", err)
	}
	p := byHand(t, b, job)
	io.WriteString(p.in, "run 3\n.\n")
	p.in.Close()
	offWithin(t, func() bool { return sim.State().On }, 5*time.Second)
	select {
	case err := <-p.done:
		if err == nil {
			t.Error("not told that the report is not on the disk")
		}
	case <-time.After(10 * time.Second):
		t.Error("the watcher does not end")
	}
}

func TestAWatcherThatIsAbandonedSilencesTheBench(t *testing.T) {
	sim, b := lit(t)
	w := start(t, b, "")
	if !sim.State().On {
		t.Fatal("RF is not on")
	}
	w.Abandon()
	offWithin(t, func() bool { return sim.State().On }, 5*time.Second)
	if err := w.Release(); err != nil {
		t.Error(err)
	}
}
