package archive

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"provoke/internal/job/event"
	"provoke/internal/job/result"
	"provoke/internal/job/store"
)

// Pull writes a job of the archive as a job file, record for record. A file that exists is refused, and none is left
// where what the archive holds does not verify.
func (a *Archive) Pull(ctx context.Context, j Job, path string) error {
	err := a.within(ctx, false, func(t tx) error {
		return store.Restore(path, func(to *store.Restorer) error {
			for _, r := range j.Runs {
				if err := a.pullRun(ctx, t, r, to); err != nil {
					return err
				}
			}
			return nil
		})
	})
	if err != nil {
		return fmt.Errorf("pull %s from %s: %w", j.Name, a.At(), err)
	}
	return nil
}

func (a *Archive) pullRun(ctx context.Context, t tx, r Run, to *store.Restorer) error {
	head := ""
	err := readRaws(ctx, t, r.ID, 0, func(x store.Raw) error {
		if x.Seq > r.Count {
			return nil // pushed since the job was looked up
		}
		head = x.Chain
		return to.Record(r.Number, x)
	})
	if err == nil && head != r.Head {
		err = fmt.Errorf("%w: run %d does not end as the archive says", store.ErrDamaged, r.Number)
	}
	if err != nil {
		return err
	}
	names := map[string]string{}
	if err := t.rows(ctx, "SELECT sha256, name FROM run_files WHERE run = ?", func(f [][]byte) error {
		names[string(f[0])] = string(f[1])
		return nil
	}, r.ID); err != nil {
		return err
	}
	for _, hash := range slices.Sorted(maps.Keys(names)) {
		data, err := fileIn(ctx, t, hash)
		if err != nil {
			return err
		}
		if err := to.File(hash, names[hash], data); err != nil {
			return err
		}
	}
	return nil
}

func fileIn(ctx context.Context, t tx, hash string) (data []byte, err error) {
	there := false
	err = t.rows(ctx, "SELECT bytes FROM files WHERE sha256 = ?", func(f [][]byte) error {
		data, there = slices.Clone(f[0]), true
		return nil
	}, hash)
	if err == nil && !there {
		err = fmt.Errorf("the archive holds no file %.12s…", hash)
	}
	return data, err
}

// Source tells from a job as the archive holds it.
type Source struct {
	archive *Archive
	ctx     context.Context
	job     Job
}

// Source returns what a job is told from.
func (a *Archive) Source(ctx context.Context, j Job) Source { return Source{a, ctx, j} }

// Heads are the runs as they were opened.
func (s Source) Heads() (out []result.Run, err error) {
	for _, r := range s.job.Runs {
		h := result.Run{Number: r.Number}
		err := s.archive.within(s.ctx, false, func(t tx) error {
			return t.rows(s.ctx, "SELECT seq, at, kind, body, chain FROM records WHERE run = ? AND (seq = 1 OR "+
				"kind = ?)",
				func(f [][]byte) error {
					rec, err := store.Raw{Seq: number(string(f[0])), At: string(f[1]), Kind: string(f[2]),
						Body:  string(f[3]),
						Chain: string(f[4])}.Decode(r.Number, new(event.Decoder))
					switch e := rec.Event.(type) {
					case event.Opened:
						h.Opened = e
					case event.Closed:
						h.Verdict = e.Verdict
					}
					return err
				}, r.ID, event.Closed{}.Kind())
		})
		if err != nil {
			return nil, err
		}
		out = append(out, h)
	}
	return out, nil
}

// Run folds a run.
func (s Source) Run(n int) (result.Run, error) {
	i := slices.IndexFunc(s.job.Runs, func(r Run) bool { return r.Number == n })
	if i < 0 {
		return result.Run{}, fmt.Errorf("the archive holds no run %d of %s", n, s.job.Name)
	}
	return result.All(func(yield func(event.Record, error) bool) {
		d := new(event.Decoder)
		stop := errors.New("enough")
		err := s.archive.within(s.ctx, false, func(t tx) error {
			return readRaws(s.ctx, t, s.job.Runs[i].ID, 0, func(x store.Raw) error {
				if x.Seq > s.job.Runs[i].Count {
					return nil
				}
				rec, err := x.Decode(n, d)
				if !yield(rec, err) {
					return stop
				}
				return nil
			})
		})
		if err != nil && !errors.Is(err, stop) {
			yield(event.Record{}, err)
		}
	})
}

// Attachment is a file of the job by its hash.
func (s Source) Attachment(hash string) (data []byte, err error) {
	err = s.archive.within(s.ctx, false, func(t tx) error {
		_, mine, err := one(s.ctx, t, "SELECT 1 FROM run_files f JOIN runs r ON r.id = f.run WHERE r.job = ? AND "+
			"f.sha256 = ? LIMIT 1", s.job.ID, hash)
		if err == nil && !mine {
			err = fmt.Errorf("attachment %.12s… is not in %s", hash, s.job.Name)
		}
		if err == nil {
			data, err = fileIn(s.ctx, t, hash)
		}
		return err
	})
	return data, err
}

// Verify follows the chains of a job as the archive holds them, and hashes its files.
func (a *Archive) Verify(ctx context.Context, j Job) error {
	err := a.within(ctx, false, func(t tx) error {
		for _, r := range j.Runs {
			c := store.NewCheck(r.Number)
			if err := readRaws(ctx, t, r.ID, 0, c.Follow); err != nil {
				return err
			}
			if c.Has(r.Head) != r.Count || c.Count < r.Count {
				return fmt.Errorf("%w: run %d has not the end that the archive lists", store.ErrDamaged, r.Number)
			}
			for _, hash := range slices.Sorted(maps.Keys(c.Files())) {
				if c.Files()[hash][0] == "" {
					continue
				}
				if _, err := fileIn(ctx, t, hash); err != nil {
					return fmt.Errorf("%w: run %d: %w", store.ErrDamaged, r.Number, err)
				}
			}
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("%s in %s: %w", j.Name, a.At(), err)
	}
	return nil
}

// Delete takes a job out, and records that.
func (a *Archive) Delete(ctx context.Context, j Job, who, why string) error {
	err := a.within(ctx, true, func(t tx) error {
		if err := a.lock(ctx, t, jobLock(j.Root)); err != nil {
			return err
		}
		now, err := a.jobs(ctx, t, "id = ?", j.ID)
		if err != nil || len(now) == 0 {
			return errors.Join(err, ErrNoJob)
		}
		heads := ""
		for _, r := range now[0].Runs {
			heads += fmt.Sprintf("run %d %s\n", r.Number, r.Head)
		}
		// Copies of its runs in other jobs did not count beside it: they do once those are derived again.
		if _, err := t.exec(ctx, "UPDATE jobs SET derived = '' WHERE id <> ? AND id IN (SELECT job FROM runs WHERE "+
			"root IN "+
			"(SELECT root FROM runs WHERE job = ?))", j.ID, j.ID); err != nil {
			return err
		}
		if err := a.forget(ctx, t, now[0]); err != nil {
			return err
		}
		for _, text := range []string{"DELETE FROM records WHERE run IN (SELECT id FROM runs WHERE job = ?)",
			"DELETE FROM run_files WHERE run IN (SELECT id FROM runs WHERE job = ?)", "DELETE FROM runs WHERE job = ?",
			"DELETE FROM jobs WHERE id = ?"} {
			if _, err := t.exec(ctx, text, j.ID); err != nil {
				return err
			}
		}
		if _, err := t.exec(ctx, "DELETE FROM files WHERE NOT EXISTS (SELECT 1 FROM run_files f WHERE f.sha256 = "+
			"files.sha256)"); err != nil {
			return err
		}
		_, err = t.exec(ctx, "INSERT INTO deletions (at, who, why, root, branch, name, heads) VALUES (?, ?, ?, ?, "+
			"?, ?, ?)",
			stamp(time.Now()), who, why, j.Root, j.Branch, j.Name, heads)
		return err
	})
	if err != nil {
		return fmt.Errorf("delete %s from %s: %w", j.Name, a.At(), err)
	}
	return nil
}
