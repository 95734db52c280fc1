package store

import (
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"fmt"
	"os"
	"slices"
	"strings"

	"provoke/internal/job/event"
	"provoke/internal/job/lockfile"
)

// Verification is what came of checking a whole job.
type Verification struct {
	Runs []RunCheck
	// Attachments is the number of attached files.
	Attachments int
	// Problems are those of the file and its attachments; each run has its own.
	Problems []string
	// Unnamed are attached files that no record names: nothing is wrong with them, and nothing
	// vouches for their name.
	Unnamed []string
	// Written reports that a process writes the job now, so that an open run is no surprise.
	Written bool
}

// OK reports that nothing was changed, removed or reordered. A run without a closing record does not
// count against it: see Complete.
func (v Verification) OK() bool {
	for _, r := range v.Runs {
		if len(r.Problems) > 0 {
			return false
		}
	}
	return len(v.Problems) == 0
}

// Complete reports that OK holds and that every run has its closing record.
func (v Verification) Complete() bool {
	for _, r := range v.Runs {
		if !r.Closed {
			return false
		}
	}
	return v.OK()
}

// RunCheck is what came of checking one run.
type RunCheck struct {
	Run     int
	Count   int64
	Head    string // chain hash of the last record
	Closed  bool   // false: the run is open, or was cut
	Verdict event.Verdict
	Late    int64 // notes and attachments after the closing record
	// Imported: it came from another job, with its number.
	Imported bool
	// Problems in words, in the order in which they were met.
	Problems []string
	// chains holds what Has looks up.
	chains map[string]int64
	// names maps the hash of every file that a record names to the names it gives.
	names map[string][]string
}

// Has returns the number of the record whose chain hash this is, or begins with these 12 digits or
// more; 0 when there is none. A hash noted elsewhere (in a report) vouches for every record up to it.
func (c RunCheck) Has(head string) int64 {
	if seq := c.chains[head]; seq > 0 || len(head) < 12 {
		return seq
	}
	for chain, seq := range c.chains {
		if strings.HasPrefix(chain, head) {
			return seq
		}
	}
	return 0
}

// Verify checks everything: SQLite's own structure, the chain of every run, what the list of runs
// says of them, and every attachment. The error is for a job that could not be checked at all; what
// the check found stands in the Verification.
func (j *Job) Verify() (Verification, error) {
	v := Verification{Written: lockfile.Held(lockPath(j.path))}
	if err := j.checkStructure(&v); err != nil {
		return v, fmt.Errorf("verify %s: %w", shown(j.path), err)
	}
	runs, err := j.list()
	if err != nil {
		return v, fmt.Errorf("verify %s: %w", shown(j.path), err)
	}
	want := 1
	for _, r := range runs {
		run := r.Run
		c, err := j.checkRun(run)
		if err != nil {
			c.problem("it cannot be read: %v", err)
		}
		if run != want && !c.Imported && len(v.Problems) == 0 {
			v.Problems = append(v.Problems, fmt.Sprintf("run %d is missing", want))
		}
		want = run + 1
		v.Runs = append(v.Runs, c)
	}
	if err := j.checkAttachments(&v); err != nil {
		v.Problems = append(v.Problems, fmt.Sprintf("the attachments cannot be read: %v", err))
	}
	return v, nil
}

// checkStructure asks SQLite whether the file is sound, and for records of runs that are not listed.
func (j *Job) checkStructure(v *Verification) error {
	rows, err := j.read.Query("PRAGMA integrity_check(10)")
	if err != nil {
		return plain(err)
	}
	defer rows.Close()
	for rows.Next() {
		var said string
		if err := rows.Scan(&said); err != nil {
			return plain(err)
		}
		if said != "ok" {
			v.Problems = append(v.Problems, "the file is damaged: "+printable(said))
		}
	}
	if err := rows.Err(); err != nil {
		return plain(err)
	}
	if err := j.checkSize(v); err != nil {
		return err
	}
	if len(v.Problems) > 0 {
		return nil // in a file that is not sound, counting may have no end
	}
	var strays int
	if err := j.read.QueryRow("SELECT count(DISTINCT run) FROM events WHERE run NOT IN (SELECT run FROM runs)").Scan(
		&strays); err != nil {
		return plain(err)
	}
	if strays > 0 {
		v.Problems = append(v.Problems, fmt.Sprintf("there are records of %d runs that are not in the list of runs",
			strays))
	}
	return nil
}

// checkSize compares the length of a job that was closed in order with what its header says: a cut
// that took nothing but unused room is a cut all the same.
func (j *Job) checkSize(v *Verification) error {
	var mode string
	var size, pages int64
	if err := j.read.QueryRow("PRAGMA journal_mode").Scan(&mode); err != nil {
		return plain(err)
	}
	if err := j.read.QueryRow("PRAGMA page_size").Scan(&size); err != nil {
		return plain(err)
	}
	if err := j.read.QueryRow("PRAGMA page_count").Scan(&pages); err != nil {
		return plain(err)
	}
	info, err := os.Stat(j.path)
	if err != nil {
		return plainPath(err)
	}
	if mode != "wal" && info.Size() != size*pages {
		v.Problems = append(v.Problems, fmt.Sprintf(
			"the file has %d bytes where its header says %d: it was cut, or something was added", info.Size(),
			size*pages))
	}
	return nil
}

func (c *RunCheck) problem(format string, args ...any) {
	if len(c.Problems) < 20 {
		c.Problems = append(c.Problems, printable(fmt.Sprintf(format, args...)))
	}
}

// checkRun follows the chain of one run from its first record to its last. What the list of runs
// says is read first: records that come while it works are beyond it and are left alone.
func (j *Job) checkRun(run int) (RunCheck, error) {
	c := RunCheck{Run: run, chains: map[string]int64{}, names: map[string][]string{}}
	if err := j.knows(run); err != nil {
		return c, err
	}
	var opened, head string
	var count int64
	if err := j.read.QueryRow("SELECT "+words("opened")+", count, "+words("head")+" FROM runs WHERE run = ?",
		run).Scan(&opened, &count, &head); err != nil {
		return c, plain(err)
	}
	for p := range ahead(j.chunks(run, 0)) {
		if p.err != nil {
			return c, p.err
		}
		for i := range p.raws {
			if p.raws[i].seq > count {
				break
			}
			c.follow(&p.raws[i])
		}
	}
	if c.Count != count {
		c.problem("it has %d records where %d were written", c.Count, count)
	}
	if c.Head != head {
		c.problem("its last record is not the last that was written")
	}
	if first, err := j.records(1, "SELECT "+columns+" FROM events WHERE run = ? AND seq = 1", run); err == nil &&
		len(first) == 1 && first[0].at != opened {
		c.problem("the list of runs gives another time of opening than its first record")
	}
	if extra, err := j.beyond(run, count); err != nil {
		return c, err
	} else if extra {
		c.problem("it has records beyond the last that was written")
	}
	return c, nil
}

// beyond reports records after the end that the list of runs gives, when nobody is writing them: the
// list and the records are read in one statement, so a writer at work cannot come between.
func (j *Job) beyond(run int, count int64) (bool, error) {
	var last, listed int64
	err := j.read.QueryRow("SELECT coalesce(max(seq), 0), (SELECT count FROM runs WHERE run = ?1) FROM events WHERE "+
		"run = ?1", run).Scan(&last, &listed)
	return last > listed || listed < count, plain(err)
}

// follow checks one record against the end of the chain so far and makes it the end.
func (c *RunCheck) follow(r *raw) {
	if r.seq != c.Count+1 {
		c.problem("record %d follows record %d", r.seq, c.Count)
	}
	at, err := event.ParseTime(r.at)
	if err != nil {
		c.problem("record %d: %v", r.seq, err)
	}
	if event.ChainHash(c.Head, c.Run, c.Count+1, at, r.kind, []byte(r.body)) != r.chain {
		c.problem("record %d (%s) is not as it was written, or a record before it is missing", r.seq, r.kind)
	}
	c.place(r)
	c.Count, c.Head = r.seq, strings.Clone(r.chain) // a part of the whole record
	c.chains[c.Head] = r.seq
}

// place checks that a record may stand where it stands: opened first and only there, nothing but
// notes and attachments after the closing record, which must name the end before it.
func (c *RunCheck) place(r *raw) {
	opened, closed := event.Opened{}.Kind(), event.Closed{}.Kind()
	if (r.kind == opened) != (c.Count == 0) {
		c.problem("record %d is of kind %q, which may not stand there", r.seq, r.kind)
	}
	if c.Closed {
		c.Late++
		if !late(r.kind) {
			c.problem("record %d (%s) comes after the closing record", r.seq, r.kind)
		}
	}
	if r.kind != closed && r.kind != opened && !late(r.kind) {
		return
	}
	e, err := event.UnmarshalString(r.kind, r.body)
	if err != nil {
		c.problem("record %d: %v", r.seq, err)
		return
	}
	switch e := e.(type) {
	case event.Opened:
		c.name(e.Bench)
		c.name(e.Plan)
		for _, file := range e.Files {
			c.name(file)
		}
		for _, curve := range e.Curves {
			if curve.SHA256 != "" {
				c.names[curve.SHA256] = append(c.names[curve.SHA256], "")
			}
		}
	case event.Attached:
		c.name(e.Attachment)
	case event.TraceRead:
		c.name(e.Attachment)
	case event.LogRead:
		c.name(e.Attachment)
	case event.Imported:
		c.Imported = true
	case event.Closed:
		if e.Count != c.Count || e.Head != c.Head {
			c.problem("the closing record names %d records and another end than the chain has before it", e.Count)
		}
		c.Closed, c.Verdict = true, e.Verdict
	}
}

func (c *RunCheck) name(a event.Attachment) {
	if a.SHA256 != "" {
		c.names[a.SHA256] = append(c.names[a.SHA256], a.Name)
	}
}

// checkAttachments hashes every attached file again, and misses none that a record names.
func (j *Job) checkAttachments(v *Verification) error {
	named := map[string][]string{}
	for _, r := range v.Runs {
		for hash, names := range r.names {
			named[hash] = append(named[hash], names...)
		}
	}
	rows,
		err := j.read.Query(fmt.Sprintf(
		"SELECT %s, %s, octet_length(bytes) <= %[3]d, iif(octet_length(bytes) <= %[3]d, bytes, NULL) FROM "+
			"attachments ORDER BY sha256", words("sha256"), words("name"), MaxAttachment))
	if err != nil {
		return plain(err)
	}
	defer rows.Close()
	last := ""
	for rows.Next() {
		var hash, name string
		var bytes sql.RawBytes
		var fits bool
		if err := rows.Scan(&hash, &name, &fits, &bytes); err != nil {
			return plain(err)
		}
		if v.Attachments++; !fits || v.Attachments > 1 && hash <= last {
			return fmt.Errorf("%w: behind attachment %.12s…", ErrDamaged, printable(hash))
		}
		last = hash
		if sum := sha256.Sum256(bytes); hex.EncodeToString(sum[:]) != hash {
			v.Problems = append(v.Problems, fmt.Sprintf("attachment %s is not the file that was attached",
				printable(name)))
		}
		v.checkName(hash, name, named)
		delete(named, hash)
	}
	if err := rows.Err(); err != nil {
		return plain(err)
	}
	for _, names := range named {
		if names[0] != "" { // the curves of a bench file are hashed, not attached
			v.Problems = append(v.Problems, fmt.Sprintf("attachment %s is missing", printable(names[0])))
		}
	}
	return nil
}

// checkName holds the name in the table against those that records give the file.
func (v *Verification) checkName(hash, name string, named map[string][]string) {
	names, ok := named[hash]
	if !ok {
		v.Unnamed = append(v.Unnamed, printable(name))
		return
	}
	if vouched(name, names) {
		return
	}
	v.Problems = append(v.Problems, fmt.Sprintf("attachment %s was attached as %s", printable(name),
		printable(names[0])))
}

// vouched reports that a file's name is one that records give it; a curve of a bench file has none there.
func vouched(name string, given []string) bool {
	return slices.ContainsFunc(given, func(n string) bool { return n == "" || withoutFolders(n) == name })
}

// CopyTo writes the whole job, as it is now, into a new single file, also while it is being written.
// A file that exists is refused.
func (j *Job) CopyTo(path string) error {
	if err := copyInto(j.read, path); err != nil {
		return fmt.Errorf("copy %s to %s: %w", shown(j.path), shown(path), err)
	}
	return nil
}

func copyInto(db *sql.DB, path string) error {
	if _, err := os.Lstat(path); err == nil {
		return fmt.Errorf("the file exists already; choose another name")
	}
	if _, err := db.Exec("VACUUM INTO ?", path); err != nil {
		os.Remove(path)
		return plain(err)
	}
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return plainPath(err)
	}
	defer f.Close()
	return f.Sync()
}

// withoutFolders returns the last part of a name that a bench file may write with its folders.
func withoutFolders(name string) string {
	return name[strings.LastIndexAny(name, `/\`)+1:]
}
