package watcher

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"time"

	"provoke/internal/bench/guard"
	"provoke/internal/files/document"
	"provoke/internal/job/event"
	"provoke/internal/units/rf"
)

// Report is what a watcher did, as it lies beside the job until the next start has journalled it.
type Report struct {
	Process int       `json:"process"` // the watcher's
	Run     int       `json:"run,omitempty"`
	Cause   string    `json:"cause"`
	At      time.Time `json:"at"`
	// Watching: nothing has happened yet; the file's time is the watcher's last sign of life.
	Watching bool             `json:"watching,omitempty"`
	Done     bool             `json:"done"` // false while it is still at it
	Quiet    bool             `json:"quiet"`
	How      string           `json:"how"`
	Took     rf.Duration      `json:"took"`
	Steps    []event.SafeStep `json:"steps,omitempty"`
}

// File returns the name of the report beside a job.
func File(job string) string { return job + "-watcher" }

// Left reads the report that a watcher left beside a job; nil when there is none.
func Left(job string) (*Report, error) {
	f, err := os.Open(File(job))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read what the watcher left: %w", err)
	}
	data, err := document.ReadFile(f, File(job), longestReport)
	if err != nil {
		return nil, fmt.Errorf("read what the watcher left: %w; remove the file when it is no report of a watcher", err)
	}
	return parseReport(job, data)
}

// longestReport is how many bytes of a report are read.
const longestReport = 1 << 20

func parseReport(job string, data []byte) (*Report, error) {
	var r Report
	if err := json.Unmarshal(data, &r); err != nil {
		return nil, fmt.Errorf("read what the watcher left: %s is no report of a watcher: %w", File(job), err)
	}
	return &r, nil
}

// Await is Left for whoever wants to use the bench: it waits until a watcher that still watches or is
// silencing the bench has done so, at most so long. A watcher that ended with its run, as when the
// power fails, has done nothing: nil.
func Await(job string, most time.Duration) (*Report, error) {
	for end := time.Now().Add(most); ; time.Sleep(50 * time.Millisecond) {
		r, err := Left(job)
		if err != nil || r == nil || r.Done {
			return r, err
		}
		info, err := os.Stat(File(job))
		alive := err == nil && touched(job, info.ModTime())
		switch {
		case !alive && r.Watching:
			Remove(job)
			return nil, nil
		case !alive || !time.Now().Before(end):
			return r, nil
		}
	}
}

// touched reports that a watcher gave a sign of life a moment ago, by the time of its report. One in the
// future says only that the clock was set: whoever lives touches it again.
func touched(job string, at time.Time) bool {
	age := time.Since(at)
	if age > -deadAfter {
		return age < deadAfter
	}
	for end := time.Now().Add(deadAfter / 3); time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
		if info, err := os.Stat(File(job)); err == nil && !info.ModTime().Equal(at) {
			return true
		}
	}
	return false
}

// Remove takes the report away once it is journalled.
func Remove(job string) error { return os.Remove(File(job)) }

// Safed is the report as it is journalled.
func (r *Report) Safed() event.Safed {
	return event.Safed{Cause: r.Cause, Quiet: r.Quiet, How: r.How, Took: r.Took, Steps: r.Steps, By: "watcher"}
}

// String says in a sentence what the watcher did.
func (r *Report) String() string {
	at := r.At.Local().Format("2006-01-02 15:04:05")
	switch {
	case r.Watching:
		return "a watcher is watching this job's run"
	case !r.Done:
		return fmt.Sprintf("at %s the watcher began to silence the bench (%s), and did not say how that ended: RF "+
			"not known to be off", at, r.Cause)
	case !r.Quiet:
		return fmt.Sprintf("at %s the watcher tried to silence the bench (%s): %s", at, r.Cause, r.How)
	}
	return fmt.Sprintf("at %s the watcher silenced the bench (%s); RF %s", at, r.Cause, r.How)
}

func (r *Report) take(rep guard.Report) {
	r.Quiet, r.How, r.Took, r.Steps = rep.Quiet, rep.How, rf.Duration(rep.Took), nil
	for _, s := range rep.Steps {
		r.Steps = append(r.Steps, event.SafeStep{What: s.What, Result: s.Result})
	}
}

// touch is a sign of life.
func touch(job string) {
	if job != "" {
		now := time.Now()
		os.Chtimes(File(job), now, now)
	}
}

// write puts the report beside the job, whole or not at all, and on the disk.
func (r *Report) write(job string) error {
	if job == "" {
		return nil
	}
	data, err := json.MarshalIndent(r, "", "  ")
	if err != nil {
		return err
	}
	name := File(job)
	f, err := os.OpenFile(name+"-new", os.O_CREATE|os.O_WRONLY|os.O_TRUNC, 0o644)
	if err != nil {
		return err
	}
	_, err = f.Write(append(data, '\n'))
	err = errors.Join(err, f.Sync(), f.Close())
	if err != nil {
		return err
	}
	return os.Rename(name+"-new", name)
}
