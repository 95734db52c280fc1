package session

import (
	"errors"
	"fmt"

	"provoke/internal/bench/driver"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/job/store"
	"provoke/internal/run/watcher"
	"provoke/internal/terminal"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// part is what an earlier, interrupted part of the run left behind.
type part struct {
	run     int // 0 for a new run
	closed  []plan.Outcome
	upsetAt map[rf.Frequency]rf.Current // lowest measured, of those
	steps   []*result.Step              // those steps
	attempt int
	// from is the closed run whose steps a new run takes over, as carried; 0 for none.
	from    int
	carried []event.Event
	left    *watcher.Report // of what the watcher of an earlier run did; nil for none
}

// resumed finds the run to take up again, when asked to.
func resumed(job *store.Job, o Order, pr *Prepared) (part, error) {
	if !o.Resume {
		return part{attempt: 1}, nil
	}
	of := noLoops
	if pr.Fixing != nil {
		of = loops
	}
	n, err := newestOf(job, of)
	if errors.Is(err, store.ErrNoRun) { // the program that made the job was killed before it came to a run
		return part{attempt: 1}, nil
	}
	if err != nil {
		return part{}, err
	}
	if pr.Sweep != nil {
		return part{}, errors.New("a sweep is not gone on with where it was cut off: begin it anew, without resuming")
	}
	r, err := result.All(job.Records(n, 1))
	if err != nil {
		return part{}, fmt.Errorf("read run %d: %w", n, err)
	}
	switch {
	case (r.Verdict == event.Done || r.Verdict == event.DoneUpset) && r.Opened.Fixing == nil:
		return part{}, fmt.Errorf("run %d is done: there is nothing to resume; leave --resume away to begin a new run",
			n)
	case r.Opened.Plan.SHA256 != sha256Of(pr.Plan.Bytes):
		return part{}, fmt.Errorf("run %d was begun with another plan (%s): resume it with that one, which `provoke "+
			"journal` can write out, or begin a new run", n, r.Opened.Plan.Name)
	case r.Opened.Bench.SHA256 != sha256Of(pr.Bench.Bytes):
		return part{}, fmt.Errorf("run %d was begun with another bench file (%s): a resumed run needs the same bench",
			n, r.Opened.Bench.Name)
	}
	if err := sameInputs(n, r.Opened, pr); err != nil {
		return part{}, err
	}
	p := part{run: n, closed: r.Outcomes(), upsetAt: r.UpsetAt(), steps: r.Steps, attempt: 1}
	if r.Verdict != "" { // its journal is closed: a new run takes its steps over
		p.run, p.from = 0, n
		p.carried, err = closedSteps(job, n)
		return p, err
	}
	if r.Now.Active {
		p.attempt = r.Now.Attempt + 1
	}
	if len(r.Abandoned) > 0 {
		p.attempt = r.Abandoned[len(r.Abandoned)-1].Attempt + 1
	}
	return p, nil
}

// sort is which runs are meant.
type sort int

// Runs of any kind, fixing loops, and all others.
const (
	anyRun sort = iota
	loops
	noLoops
)

// newestOf returns the newest run of a sort that was done on the bench: what a laboratory reported is none.
func newestOf(job *store.Job, of sort) (int, error) {
	runs, err := job.Runs()
	for i := len(runs) - 1; i >= 0; i-- {
		loop := runs[i].Opened.RunKind == plan.Fixing
		if runs[i].Opened.RunKind != event.LaboratoryKind && (of == anyRun || loop == (of == loops)) {
			return runs[i].Run, nil
		}
	}
	return 0, errors.Join(err, store.ErrNoRun)
}

// sameInputs refuses a resumed run whose levels would not be those of its first part: another calibration,
// or another file behind a name in bench or plan.
func sameInputs(n int, was event.Opened, pr *Prepared) error {
	if pr.cal != nil && pr.cal.Run != was.Calibration {
		return fmt.Errorf("run %d replays calibration run %d, and the newest is run %d now: a resumed run needs the "+
			"same one; begin a new run", n, was.Calibration, pr.cal.Run)
	}
	now := map[string]int{}
	for _, files := range []map[string][]byte{pr.Bench.Files, pr.Plan.Files} {
		for name, data := range files {
			now[name+"\x00"+sha256Of(data)]++
		}
	}
	for _, f := range was.Files {
		if now[f.Name+"\x00"+f.SHA256]--; now[f.Name+"\x00"+f.SHA256] < 0 {
			return fmt.Errorf("run %d was begun with another %s: a resumed run needs the same files; `provoke "+
				"journal` can write out the one that was used, or begin a new run", n, f.Name)
		}
	}
	return nil
}

// writer opens the journal of a new run, or of the one to resume.
func (p part) writer(w *terminal.World, job *store.Job, o Order, pr *Prepared, rig *driver.Rig) (*store.Writer, error) {
	if p.run != 0 {
		writer, err := job.ResumeRun(p.run)
		if err != nil {
			return nil, err
		}
		if err := journalLeft(w, job, p.left, writer); err != nil {
			return nil, err
		}
		_, err = writer.Append(w.Now(), event.Resumed{Why: "taken up again with --resume"})
		return writer, err
	}
	if err := journalLeft(w, job, p.left, nil); err != nil {
		return nil, err
	}
	opened, err := opened(w, job, o, pr, rig)
	if err != nil {
		return nil, err
	}
	opened.Resumes, opened.Continues = p.from != 0, p.from
	writer, err := job.NewRun(w.Now(), opened)
	if err != nil || p.from == 0 {
		return writer, err
	}
	_, err = writer.Append(w.Now(), append([]event.Event{event.Resumed{
		Why: fmt.Sprintf("goes on with run %d, whose %s follow", p.from,
			english.Count(len(p.carried), "closed step", "closed steps"))}}, p.carried...)...)
	return writer, err
}

// closedSteps returns the closed steps of a run as they were journalled, and of a fixing loop what hands did.
func closedSteps(job *store.Job, run int) ([]event.Event, error) {
	var out []event.Event
	for rec, err := range job.Records(run, 1) {
		if err != nil {
			return nil, fmt.Errorf("read run %d: %w", run, err)
		}
		switch rec.Event.(type) {
		case event.StepClosed, event.HandsIn, event.HandsOut, event.Reference:
			out = append(out, rec.Event)
		}
	}
	return out, nil
}
