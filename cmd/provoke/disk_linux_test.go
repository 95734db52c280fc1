package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/job/store"
	"provoke/internal/run/engine"
	"provoke/internal/terminal"
)

// onDisk does the exposure by the path of `provoke run` with its job in a folder of its own; ruin is done
// to it once RF is on at the fourth step. It returns when RF was off after that.
func onDisk(t *testing.T, p *person, file string, resume bool, ruin func()) (res engine.Result, off time.Duration, err error) {
	t.Helper()
	var ruined atomic.Int64 // when
	began := time.Now()
	seen := make(chan time.Duration, 1)
	res, err = perform(p.desk.w, performance{planFile: filepath.Join(p.dir, "exposure.yaml"), jobFile: file, armed: true, resume: resume,
		operator: "A. Invented", operatorSays: make(chan engine.Command), progress: func(s engine.Status) {
			if ruin == nil || ruined.Load() != 0 || s.Phase != "exposing" || !s.RFOn || s.Done < 3 {
				return
			}
			ruin()
			ruined.Store(int64(time.Since(began)))
			go func() {
				for p.sim.State().On && time.Since(began) < time.Minute {
					time.Sleep(time.Millisecond)
				}
				seen <- time.Since(began) - time.Duration(ruined.Load())
			}()
		}})
	if st := p.sim.State(); st.On || st.Operating {
		t.Errorf("after the end: %+v", st)
	}
	if ruin == nil {
		return res, 0, err
	}
	if ruined.Load() == 0 {
		t.Fatalf("nothing was ruined: %q %v", res.Verdict, err)
	}
	return res, <-seen, err
}

// instead puts another file in the place of the open write-ahead log, as a disk does that takes nothing
// more: writing fails in the system's call.
func instead(t *testing.T, file, other string) {
	fds, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		t.Error(err)
	}
	n := 0
	for _, e := range fds {
		if to, _ := os.Readlink("/proc/self/fd/" + e.Name()); to != file+"-wal" {
			continue
		}
		var fd int
		fmt.Sscan(e.Name(), &fd)
		mode := unix.O_RDONLY
		if other == "/dev/full" {
			mode = unix.O_RDWR
		}
		ours, err := unix.Open(other, mode|unix.O_CLOEXEC, 0)
		if err == nil {
			err = unix.Dup3(ours, fd, unix.O_CLOEXEC)
			unix.Close(ours)
		}
		if err != nil {
			t.Error(err)
		}
		n++
	}
	if n == 0 {
		t.Error("the log is not open")
	}
}

// recorded folds the only run of a job.
func recorded(t *testing.T, file string) *result.Run {
	t.Helper()
	job, err := store.OpenReadOnly(file)
	if err != nil {
		t.Fatal(err)
	}
	defer job.Close()
	if v, err := job.Verify(); err != nil || !v.OK() {
		t.Errorf("the journal does not verify: %+v %v", v, err)
	}
	r, err := result.All(job.Records(1, 1))
	if err != nil {
		t.Fatal(err)
	}
	return &r
}

// A disk that takes nothing more in mid-run ends in RF off; what was acknowledged is there, and the run
// is taken up again with the findings of an undisturbed one.
func TestADiskThatTakesNothingMoreLosesNothing(t *testing.T) {
	p := besieged(t)
	whole := filepath.Join(t.TempDir(), "whole.provoke")
	if _, _, err := onDisk(t, p, whole, false, nil); err != nil {
		t.Fatal(err)
	}
	for name, x := range map[string]struct{ log, words string }{
		"read-only": {"", "the disk reported an error"},
		"full":      {"/dev/full", "the disk is full"},
	} {
		t.Run(name, func(t *testing.T) {
			file := filepath.Join(t.TempDir(), "job.provoke")
			other := x.log
			if other == "" {
				other = file + "-wal"
			}
			res, off, err := onDisk(t, p, file, false, func() { instead(t, file, other) })
			t.Logf("figure: RF off %v after the disk took nothing more", off.Round(time.Millisecond))
			if err == nil || !strings.Contains(err.Error(), "write the journal") || !strings.Contains(err.Error(), x.words) {
				t.Errorf("told as: %v", err)
			}
			if res.Verdict != event.Failed {
				t.Errorf("the verdict is %q", res.Verdict)
			}
			r := recorded(t, file)
			if r.Verdict != "" || len(r.Steps) < 3 || !r.Now.Active {
				t.Errorf("the journal says %q with %d steps, a step underway: %t", r.Verdict, len(r.Steps), r.Now.Active)
			}
			if _, _, err := onDisk(t, p, file, true, nil); err != nil {
				t.Fatalf("taken up again: %v", err)
			}
			if again, want := recorded(t, file), recorded(t, whole); found(again) != found(want) || again.Verdict != want.Verdict {
				t.Errorf("taken up again %q:\n%s\nnot %q:\n%s", again.Verdict, found(again), want.Verdict, found(want))
			}
		})
	}
}

// A job that is taken away in mid-run ends in RF off, and is not told as written.
func TestAJobThatIsTakenAwayEndsInRFOff(t *testing.T) {
	p := besieged(t)
	for name, ruin := range map[string]func(file string) error{
		"removed": os.Remove,
		"replaced": func(file string) error {
			if err := os.WriteFile(file+"-other", []byte("another file"), 0o644); err != nil {
				return err
			}
			return os.Rename(file+"-other", file)
		},
		"with its folder": func(file string) error { return os.RemoveAll(filepath.Dir(file)) },
		"its folder renamed": func(file string) error {
			return os.Rename(filepath.Dir(file), filepath.Dir(file)+"-elsewhere")
		},
	} {
		t.Run(name, func(t *testing.T) {
			file := filepath.Join(t.TempDir(), "folder", "job.provoke")
			if err := os.Mkdir(filepath.Dir(file), 0o755); err != nil {
				t.Fatal(err)
			}
			res, off, err := onDisk(t, p, file, false, func() {
				if err := ruin(file); err != nil {
					t.Error(err)
				}
			})
			t.Logf("figure: RF off %v after the job was taken away", off.Round(time.Millisecond))
			if err == nil || !strings.Contains(err.Error(), "was removed or replaced while the job was open") {
				t.Errorf("told as: %v", err)
			}
			if res.Verdict != event.Failed || exitOf(res) != terminal.ExitError {
				t.Errorf("the verdict is %q", res.Verdict)
			}
			if name == "removed" || name == "replaced" { // the open file lives on, and is put beside its place
				kept := filepath.Join(filepath.Dir(file), "job-rescued.provoke")
				if err == nil || !strings.Contains(err.Error(), kept) {
					t.Errorf("the rescued job is not named: %v", err)
				}
				before := recorded(t, kept)
				if before.Verdict != "" || len(before.Steps) < 3 {
					t.Errorf("rescued: %q with %d steps", before.Verdict, len(before.Steps))
				}
				if err := os.Rename(kept, file); err != nil {
					t.Fatal(err)
				}
				if _, _, err := onDisk(t, p, file, true, nil); err != nil {
					t.Errorf("taken up again: %v", err)
				}
			}
			if name == "its folder renamed" {
				r := recorded(t, filepath.Join(filepath.Dir(file)+"-elsewhere", "job.provoke"))
				if r.Verdict != "" || len(r.Steps) < 3 || r.Opened.RunKind != plan.Exposure {
					t.Errorf("in its new place it says %q with %d steps", r.Verdict, len(r.Steps))
				}
			}
		})
	}
}
