package archive

import (
	"cmp"
	"context"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"iter"
	"maps"
	"regexp"
	"slices"
	"strings"
	"time"

	"provoke/internal/job/event"
	"provoke/internal/job/store"
)

// Pushing says how a job is pushed.
type Pushing struct {
	Name string // of the job file, without its folder
	Who  string
	// Branch keeps a copy of a job that went another way as a job of its own; without it that is refused.
	Branch bool
	// Again takes a job that was deleted from the archive.
	Again bool
}

// Pushed is what a push did.
type Pushed struct {
	Job      Job
	New      bool  // the archive did not have the job
	Runs     int   // runs that came or grew
	Records  int64 // new ones
	Files    int   // new attached files
	Ahead    []int // runs of which the archive holds more records than the file
	Clock    []int // runs whose clock was ahead of this machine's when they were opened
	Verified time.Duration
	Sent     time.Duration
}

// Errors of a push.
var (
	ErrAltered = errors.New("it differs from what the archive holds")
	ErrDeleted = errors.New("it was deleted from the archive")
)

// clockAhead is how far a record may lie in the future before that is told.
const clockAhead = time.Hour

// Push copies what the archive does not have of a job. The job is verified before anything goes in, what arrived is
// verified before it counts, and each run comes whole or not at all. Nothing is sent of a job one run of which is not
// what the archive holds of it: the error wraps ErrAltered.
func (a *Archive) Push(ctx context.Context, job *store.Job, p Pushing) (Pushed, error) {
	out, err := a.push(ctx, job, p)
	if err != nil {
		err = fmt.Errorf("push %s to %s: %w", p.Name, a.At(), err)
	}
	return out, err
}

func (a *Archive) push(ctx context.Context, job *store.Job, p Pushing) (out Pushed, err error) {
	began := time.Now()
	v, err := job.Verify()
	if err != nil {
		return out, err
	}
	if problems := problemsOf(v); len(problems) > 0 {
		return out, fmt.Errorf("%w, and nothing was sent: %s", store.ErrDamaged, strings.Join(problems, "; "))
	}
	if len(v.Runs) == 0 {
		return out, errors.New("the job holds no run yet")
	}
	first, err := job.First(v.Runs[0].Run)
	if err != nil {
		return out, err
	}
	root := first.Chain
	out.Verified = time.Since(began)
	if err := a.choose(ctx, job, v, root, p, &out); err != nil {
		return out, err
	}
	var batch []store.RunCheck
	records := int64(0)
	for i, c := range v.Runs {
		there := slices.IndexFunc(out.Job.Runs, func(r Run) bool { return r.Number == c.Run })
		switch {
		case there < 0 || out.Job.Runs[there].Count < c.Count:
			batch, records = append(batch, c), records+c.Count
		case out.Job.Runs[there].Count > c.Count:
			out.Ahead = append(out.Ahead, c.Run)
		}
		if last := i == len(v.Runs)-1; len(batch) > 0 && (last || records >= inOne) {
			if err := a.pushRuns(ctx, job, batch, p, &out); err != nil {
				return out, err
			}
			batch, records = nil, 0
		}
	}
	if out.Runs == 0 {
		return out, nil
	}
	return out, a.within(ctx, false, func(t tx) error {
		jobs, err := a.jobs(ctx, t, "id = ?", out.Job.ID)
		if err == nil && len(jobs) == 1 {
			out.Job = jobs[0]
		}
		return err
	})
}

func problemsOf(v store.Verification) []string {
	out := slices.Clone(v.Problems)
	for _, r := range v.Runs {
		for _, p := range r.Problems {
			out = append(out, fmt.Sprintf("run %d: %s", r.Run, p))
		}
	}
	return out
}

// jobLock is the number at which those who change a job of the archive wait for one another.
func jobLock(root string) int64 {
	b, _ := hex.DecodeString(root[:min(16, len(root))])
	return int64(binary.BigEndian.Uint64(append(b, make([]byte, 8)...)))
}

// choose finds the job of the archive that a file belongs to: one of whose runs none contradicts the file.
func (a *Archive) choose(ctx context.Context, job *store.Job, v store.Verification, root string, p Pushing,
	out *Pushed) error {
	var jobs []Job
	var deleted []string
	err := a.within(ctx, false, func(t tx) (err error) {
		if jobs, err = a.jobs(ctx, t, "root = ? ORDER BY branch", root); err != nil {
			return err
		}
		return t.rows(ctx, "SELECT at, who, why FROM deletions WHERE root = ? ORDER BY id", func(f [][]byte) error {
			deleted = append(deleted, fmt.Sprintf("on %.10s by %s (%s)", f[0], f[1], f[2]))
			return nil
		}, root)
	})
	if err != nil {
		return err
	}
	var why error // of the first
	for _, j := range jobs {
		err := differs(job, v, j)
		if err == nil {
			out.Job = j
			return nil
		}
		why = cmp.Or(why, err)
	}
	if why != nil && !p.Branch {
		return why
	}
	if len(jobs) == 0 && len(deleted) > 0 && !p.Again {
		return fmt.Errorf("%w %s: add --again if it is to come back", ErrDeleted, deleted[len(deleted)-1])
	}
	out.Job, out.New = Job{Root: root, Branch: 1, Name: p.Name}, true
	for _, j := range jobs {
		out.Job.Branch = max(out.Job.Branch, j.Branch+1)
	}
	return nil
}

// differs says where a file and a job of the archive contradict one another; nil where they do not.
func differs(job *store.Job, v store.Verification, j Job) error {
	for _, c := range v.Runs {
		i := slices.IndexFunc(j.Runs, func(r Run) bool { return r.Number == c.Run })
		if i < 0 {
			continue
		}
		there := j.Runs[i]
		first, err := job.First(c.Run)
		switch {
		case err != nil:
			return err
		case first.Chain != there.Root:
			return fmt.Errorf("%w: run %d of the file is another run than run %d of the archive: the job file was "+
				"copied, "+
				"and both copies went on. Push with --branch to keep both, as two jobs. Nothing was sent",
				ErrAltered, c.Run,
				c.Run)
		case there.Count <= c.Count && c.Has(there.Head) != there.Count:
			return fmt.Errorf("%w: record %d of run %d, or one before it, is another than the one pushed on %.10s: "+
				"the run "+
				"was altered afterwards, or a copy of the job was gone on with. Compare with provoke archive pull; "+
				"push with "+
				"--branch to keep both. Nothing was sent", ErrAltered, there.Count, c.Run, j.Pushed)
		}
	}
	return nil
}

// inOne is how many records are sent in one transaction before the next run has one of its own.
const inOne = 20000

// pushRuns sends what the archive lacks of runs, in one transaction: all of them, or none.
func (a *Archive) pushRuns(ctx context.Context, job *store.Job, runs []store.RunCheck, p Pushing, out *Pushed) error {
	did := Pushed{Job: out.Job}
	began := time.Now()
	err := a.within(ctx, true, func(t tx) error {
		if err := a.lock(ctx, t, jobLock(out.Job.Root)); err != nil {
			return err
		}
		var err error
		if did.Job.ID, err = a.jobRow(ctx, t, p, out); err != nil {
			return err
		}
		for _, c := range runs {
			if err := a.pushRun(ctx, t, job, c, &did); err != nil {
				return fmt.Errorf("run %d: %w", c.Run, err)
			}
		}
		if did.Runs == 0 { // another pushed them meanwhile
			return nil
		}
		// What was derived before is of what the job held before.
		if _, err := t.exec(ctx, "UPDATE jobs SET derived = '' WHERE id = ?", did.Job.ID); err != nil {
			return err
		}
		_, err = t.exec(ctx, "INSERT INTO pushes (at, who, program, root, name, runs, records) VALUES (?, ?, ?, ?, "+
			"?, ?, ?)",
			stamp(time.Now()), p.Who, a.program, out.Job.Root, p.Name, did.Runs, did.Records)
		return err
	})
	if err != nil {
		return err
	}
	out.Job.ID, out.Runs, out.Records, out.Files = did.Job.ID, out.Runs+did.Runs, out.Records+did.Records,
		out.Files+did.Files
	out.Clock = append(out.Clock, did.Clock...)
	out.Verified += did.Verified
	out.Sent += time.Since(began) - did.Verified
	return nil
}

// pushRun sends what the archive lacks of a run, and verifies what arrived.
func (a *Archive) pushRun(ctx context.Context, t tx, job *store.Job, c store.RunCheck, did *Pushed) error {
	r, err := a.runRow(ctx, t, job, did.Job.ID, c)
	if err != nil || r.Count >= c.Count {
		return err
	}
	n, err := load(ctx, t, job, r, c)
	if err != nil {
		return err
	}
	files, err := sendFiles(ctx, t, job, r.ID, &c)
	if err != nil {
		return err
	}
	begun := time.Now()
	if err := a.verify(ctx, t, r, c); err != nil {
		return err
	}
	did.Verified += time.Since(begun)
	if _, err := t.exec(ctx, "UPDATE runs SET count = ?, head = ?, closed = ?, imported = ? WHERE id = ?", c.Count,
		c.Head, flag(c.Closed), flag(c.Imported), r.ID); err != nil {
		return err
	}
	did.Runs, did.Records, did.Files = did.Runs+1, did.Records+n, did.Files+files
	if at, err := event.ParseTime(r.Opened); err == nil && time.Until(at) > clockAhead {
		did.Clock = append(did.Clock, c.Run)
	}
	return nil
}

func flag(is bool) int {
	if is {
		return 1
	}
	return 0
}

// jobRow is the job's row, which is made where it is not there.
func (a *Archive) jobRow(ctx context.Context, t tx, p Pushing, out *Pushed) (int64, error) {
	row, there, err := one(ctx, t, "SELECT id FROM jobs WHERE root = ? AND branch = ?", out.Job.Root, out.Job.Branch)
	if err == nil && !there {
		row, _, err = one(ctx, t, "INSERT INTO jobs (root, branch, name, pushed, derived, program) VALUES "+
			"(?, ?, ?, ?, '', '') RETURNING id", out.Job.Root, out.Job.Branch, p.Name, stamp(time.Now()))
	}
	if err != nil {
		return 0, err
	}
	return number(row[0]), nil
}

// runRow is a run as the archive has it now, made empty where it is not there.
func (a *Archive) runRow(ctx context.Context, t tx, job *store.Job, jobID int64, c store.RunCheck) (Run, error) {
	first, err := job.First(c.Run)
	r := Run{Number: c.Run, Opened: first.At, Root: first.Chain}
	if err != nil {
		return r, err
	}
	row, there, err := one(ctx, t, "SELECT id, root, opened, count, head FROM runs WHERE job = ? AND run = ?", jobID,
		c.Run)
	switch {
	case err != nil:
		return r, err
	case there:
		r.ID, r.Opened, r.Count, r.Head = number(row[0]), row[2], number(row[3]), row[4]
		if row[1] != r.Root || r.Count <= c.Count && c.Has(r.Head) != r.Count {
			return r, fmt.Errorf("%w: another pushed another run meanwhile", ErrAltered)
		}
		return r, nil
	}
	row, _, err = one(ctx, t, "INSERT INTO runs (job, run, root, opened, count, head, closed, imported) VALUES "+
		"(?, ?, ?, ?, 0, '', 0, 0) RETURNING id", jobID, c.Run, r.Root, r.Opened)
	if err == nil {
		r.ID = number(row[0])
	}
	return r, err
}

// load sends the records that follow the archive's.
func load(ctx context.Context, t tx, job *store.Job, r Run, c store.RunCheck) (n int64, err error) {
	next, stop := iter.Pull2(job.Raws(c.Run, r.Count+1))
	defer stop()
	row := make([]any, 6)
	err = t.load(ctx, "records", []string{"run", "seq", "at", "kind", "body", "chain"}, func() ([]any, error) {
		x, err, ok := next()
		if !ok || err != nil || x.Seq > c.Count {
			return nil, err
		}
		n++
		row[0], row[1], row[2], row[3], row[4], row[5] = r.ID, x.Seq, x.At, x.Kind, x.Body, x.Chain
		return row, nil
	})
	return n, err
}

var isHash = regexp.MustCompile(`^[0-9a-f]{64}$`)

// sendFiles sends the files that a run names and the archive lacks, in the order of their hashes, so that two who push
// at once wait for one another and never each for the other.
func sendFiles(ctx context.Context, t tx, job *store.Job, run int64, c *store.RunCheck) (n int, err error) {
	files := c.Files()
	for _, hash := range slices.Sorted(maps.Keys(files)) {
		if !isHash.MatchString(hash) && files[hash][0] == "" {
			continue // what a curve is named by need not be a hash
		}
		_, there, err := one(ctx, t, "SELECT 1 FROM files WHERE sha256 = ?", hash)
		if err != nil {
			return n, err
		}
		name, data, err := job.Attachment(hash) // checks the hash
		if err != nil && files[hash][0] == "" {
			continue // a curve of the bench file: hashed, not attached
		}
		if err != nil {
			return n, err
		}
		if !there {
			added, err := t.exec(ctx, "INSERT INTO files (sha256, bytes) VALUES (?, ?) ON CONFLICT DO NOTHING", hash,
				append([]byte{}, data...))
			if err != nil {
				return n, err
			}
			n += int(added)
		}
		if _, err := t.exec(ctx, "INSERT INTO run_files (run, sha256, name) VALUES (?, ?, ?) ON CONFLICT DO NOTHING",
			run,
			hash, name); err != nil {
			return n, err
		}
	}
	return n, nil
}

// verify reads what the database holds of a run now, and follows its chain to the end that was verified in the file.
func (a *Archive) verify(ctx context.Context, t tx, r Run, want store.RunCheck) error {
	c := store.NewCheck(r.Number)
	if err := readRaws(ctx, t, r.ID, 0, c.Follow); err != nil {
		return fmt.Errorf("what arrived is not what was sent: %w", err)
	}
	if c.Count != want.Count || c.Head != want.Head {
		return fmt.Errorf("%w: of %d records that were sent %d arrived", store.ErrDamaged, want.Count, c.Count)
	}
	return nil
}

// readRaws yields the records of a run behind a number.
func readRaws(ctx context.Context, t tx, run, behind int64, take func(store.Raw) error) error {
	return t.rows(ctx, "SELECT seq, at, kind, body, chain FROM records WHERE run = ? AND seq > ? ORDER BY seq",
		func(f [][]byte) error {
			return take(store.Raw{Seq: number(string(f[0])), At: string(f[1]), Kind: string(f[2]), Body: string(f[3]),
				Chain: string(f[4])})
		}, run, behind)
}
