package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"

	"provoke/internal/job/event"
	"provoke/internal/job/store"
	"provoke/internal/terminal"
	"provoke/internal/units/english"
)

// journalCommand prints a job's journal record by record, verifies it, or copies the job.
type journalCommand struct {
	Job    string `arg:"" help:"The job file, NAME.provoke."`
	Number int    `name:"run" placeholder:"N" help:"Only this run; without it all runs."`
	Verify bool   `help:"Check that nothing was changed, removed or reordered; exit code 22 when it was, or when a run has no closing record."`
	Head   string `placeholder:"HASH" help:"With --verify: a chain hash noted elsewhere, as in a report; the run (the newest, or --run) must hold it."`
	Copy   string `placeholder:"FILE" help:"Copy the whole job into a new file, also while a run writes it."`
	Export string `placeholder:"FILE.zip" help:"Write one run (the newest, or --run) as a bundle that another machine verifies and imports."`
	Import string `placeholder:"FILE.zip" help:"Verify a bundle and take its run into the job, which is made when it is not there."`
	JSON   bool   `name:"json" help:"Print one JSON object per record, or the result of the check as one object."`
}

// Run prints, verifies or copies.
func (c *journalCommand) Run(w *terminal.World) error {
	if c.Head != "" && !c.Verify {
		return terminal.WithCode(terminal.ExitUsage, errors.New("--head needs --verify"))
	}
	if c.Import != "" {
		return c.importRun(w)
	}
	job, err := store.OpenReadOnly(c.Job)
	if err != nil {
		if c.Verify && (errors.Is(err, store.ErrNotAJob) || errors.Is(err, store.ErrDamaged)) {
			return terminal.WithCode(terminal.ExitNotVerified, err)
		}
		return damage(err)
	}
	defer job.Close()
	tellLeftBehind(w, job)
	switch {
	case c.Export != "":
		return damage(c.export(w, job))
	case c.Copy != "" && c.Verify:
		return terminal.WithCode(terminal.ExitUsage, errors.New("--copy verifies by itself; give --verify or --copy"))
	case c.Copy != "":
		return c.copy(w, job)
	case c.Verify:
		return c.verify(w, job)
	}
	return damage(c.print(w, job))
}

// damage gives an error about a damaged job its exit code.
func damage(err error) error {
	if errors.Is(err, store.ErrDamaged) {
		return terminal.WithCode(terminal.ExitNotVerified, err)
	}
	return err
}

// tellLeftBehind passes on what an abrupt end of a run left beside the job.
func tellLeftBehind(w *terminal.World, job *store.Job) {
	if left := job.LeftBehind(); left != "" {
		fmt.Fprintln(w.Stderr, "provoke: note:", left)
	}
}

// runs returns the runs that were asked for.
func (c *journalCommand) runs(job *store.Job) ([]store.RunInfo, error) {
	runs, err := job.Runs()
	if err != nil || c.Number == 0 {
		return runs, err
	}
	for _, r := range runs {
		if r.Run == c.Number {
			return []store.RunInfo{r}, nil
		}
	}
	return nil, fmt.Errorf("%s has no run %d; it holds %s", c.Job, c.Number, english.Count(len(runs), "run", "runs"))
}

func (c *journalCommand) print(w *terminal.World, job *store.Job) error {
	runs, err := c.runs(job)
	if err != nil {
		return err
	}
	if len(runs) == 0 && !c.JSON {
		fmt.Fprintf(w.Stdout, "%s holds no run yet\n", event.Printable(c.Job))
	}
	unreadable := 0
	for i, r := range runs {
		if !c.JSON {
			if i > 0 {
				fmt.Fprintln(w.Stdout)
			}
			fmt.Fprintln(w.Stdout, headline(r))
		}
		n, err := c.printRun(w, job, r.Run)
		if err != nil {
			return err
		}
		unreadable += n
	}
	if unreadable > 0 {
		return fmt.Errorf("%s of %s cannot be read by this program and %s shown as written; a newer provoke may know more", english.Count(unreadable, "record", "records"), c.Job, isAre(unreadable))
	}
	return nil
}

func isAre(n int) string {
	if n == 1 {
		return "is"
	}
	return "are"
}

// headline tells a run in one line.
func headline(r store.RunInfo) string {
	at := r.At.Local()
	end := "open, or cut off: it has no closing record"
	if r.HasClosed {
		end = string(r.Closed.Verdict)
	}
	label := ""
	if r.Opened.Label != "" {
		label = " “" + r.Opened.Label + "”"
	}
	return event.Printable(fmt.Sprintf("run %d%s, %s, %s", r.Run, label, at.Format("2006-01-02 15:04:05 -07:00"), end))
}

// printRun prints the records of a run and returns how many could not be read.
func (c *journalCommand) printRun(w *terminal.World, job *store.Job, run int) (unreadable int, err error) {
	for rec, err := range job.Records(run, 1) {
		switch {
		case errors.Is(err, event.ErrUnreadable):
			unreadable++
		case err != nil:
			return unreadable, err
		}
		if err := c.printRecord(w.Stdout, rec, err != nil); err != nil {
			return unreadable, fmt.Errorf("print the journal: %w", err)
		}
	}
	return unreadable, nil
}

func (c *journalCommand) printRecord(out io.Writer, rec event.Record, unreadable bool) error {
	if c.JSON {
		return printRecordJSON(out, rec)
	}
	mark := ""
	if unreadable {
		mark = "CANNOT BE READ: "
	}
	_, err := fmt.Fprintf(out, "%6d  %s  %-13s  %s%s\n", rec.Seq, rec.At.Local().Format("15:04:05.000"), event.Printable(rec.Event.Kind()), mark, event.Line(rec.Event))
	return err
}

// recordJSON is a record as --json prints it: the columns of the table, with the body as it stands
// in the journal.
type recordJSON struct {
	Run   int             `json:"run"`
	Seq   int64           `json:"seq"`
	At    string          `json:"at"`
	Kind  string          `json:"kind"`
	Body  json.RawMessage `json:"body"`
	Chain string          `json:"chain"`
}

func printRecordJSON(out io.Writer, rec event.Record) error {
	j := recordJSON{Run: rec.Run, Seq: rec.Seq, At: event.FormatTime(rec.At), Kind: rec.Event.Kind(), Chain: rec.Chain}
	if u, ok := rec.Event.(event.Unknown); ok {
		j.Body = u.Body
		if !json.Valid(u.Body) {
			j.Body, _ = json.Marshal(string(u.Body))
		}
	} else {
		_, body, err := event.Marshal(rec.Event)
		if err != nil {
			return err
		}
		j.Body = body
	}
	enc := json.NewEncoder(out)
	enc.SetEscapeHTML(false)
	return enc.Encode(j)
}

func (c *journalCommand) copy(w *terminal.World, job *store.Job) error {
	if err := job.CopyTo(c.Copy); err != nil {
		return err
	}
	made, err := store.OpenReadOnly(c.Copy)
	if err != nil {
		return err
	}
	defer made.Close()
	v, err := made.Verify()
	if err != nil {
		return err
	}
	if !v.OK() {
		printVerification(w.Stdout, v)
		return terminal.WithCode(terminal.ExitNotVerified, fmt.Errorf("the copy %s does not verify, since %s does not", c.Copy, c.Job))
	}
	if c.JSON {
		return printVerificationJSON(w.Stdout, v)
	}
	fmt.Fprintf(w.Stdout, "copied to %s: %s, %s, every record and attachment verified\n", event.Printable(c.Copy), english.Count(len(v.Runs), "run", "runs"), english.Count(v.Attachments, "attachment", "attachments"))
	return nil
}

func (c *journalCommand) verify(w *terminal.World, job *store.Job) error {
	v, err := job.Verify()
	if err != nil {
		return terminal.WithCode(terminal.ExitNotVerified, err)
	}
	if c.Number != 0 {
		if err := keepRun(&v, c.Number); err != nil {
			return fmt.Errorf("verify %s: %w", c.Job, err)
		}
	}
	if c.JSON {
		err = printVerificationJSON(w.Stdout, v)
	} else {
		printVerification(w.Stdout, v)
	}
	if err != nil {
		return err
	}
	proven, err := c.checkHead(w, v)
	if err != nil {
		return terminal.WithCode(terminal.ExitNotVerified, err)
	}
	return terminal.WithCode(terminal.ExitNotVerified, c.verdict(v, proven))
}

func keepRun(v *store.Verification, run int) error {
	for _, r := range v.Runs {
		if r.Run == run {
			v.Runs = []store.RunCheck{r}
			return nil
		}
	}
	return fmt.Errorf("there is no run %d; the job holds %s", run, english.Count(len(v.Runs), "run", "runs"))
}

// checkHead looks for the hash in the newest of the runs checked, and returns the run that it
// proves complete: the one whose last record it is.
func (c *journalCommand) checkHead(w *terminal.World, v store.Verification) (proven int, err error) {
	if c.Head == "" {
		return 0, nil
	}
	if len(v.Runs) == 0 {
		return 0, fmt.Errorf("verify %s: there is no run that could hold the hash", c.Job)
	}
	r := v.Runs[len(v.Runs)-1]
	seq := r.Has(strings.ToLower(strings.TrimRight(strings.TrimSpace(c.Head), "…")))
	switch {
	case seq == 0:
		return 0, fmt.Errorf("verify %s: run %d holds no record with the hash %.20s (at least 12 digits are needed): it is another run, or the run was rewritten or cut", c.Job, r.Run, event.Printable(c.Head))
	case c.JSON:
	case seq == r.Count:
		fmt.Fprintf(w.Stdout, "the hash given is that of the last record of run %d\n", r.Run)
	default:
		fmt.Fprintf(w.Stdout, "the hash given is that of record %d of run %d; %s since\n", seq, r.Run, english.Count(int(r.Count-seq), "record was added", "records were added"))
	}
	if seq == r.Count {
		proven = r.Run
	}
	return proven, nil
}

// verdict returns why the job does not verify, or nil.
func (c *journalCommand) verdict(v store.Verification, proven int) error {
	if !v.OK() {
		return fmt.Errorf("%s does not verify: it was damaged or altered", c.Job)
	}
	for i, r := range v.Runs {
		beingWritten := v.Written && i == len(v.Runs)-1
		if !r.Closed && !beingWritten && r.Run != proven {
			return fmt.Errorf("run %d of %s has no closing record: it was left open (go on with: provoke run … --resume) or cut; nothing says which", r.Run, c.Job)
		}
	}
	return nil
}

func printVerification(out io.Writer, v store.Verification) {
	for _, r := range v.Runs {
		end := "open or cut: no closing record"
		switch {
		case r.Closed && r.Late > 0:
			end = fmt.Sprintf("closed: %s; %s after closing", r.Verdict, english.Count(int(r.Late), "note or attachment", "notes and attachments"))
		case r.Closed:
			end = "closed: " + string(r.Verdict)
		}
		fmt.Fprintf(out, "run %d: %s, head %s, %s\n", r.Run, english.Count(int(r.Count), "record", "records"), r.Head, event.Printable(end))
		for _, p := range r.Problems {
			fmt.Fprintf(out, "\tDAMAGE: %s\n", p)
		}
	}
	for _, p := range v.Problems {
		fmt.Fprintf(out, "DAMAGE: %s\n", p)
	}
	fmt.Fprintf(out, "%s\n", english.Count(v.Attachments, "attachment", "attachments"))
	for _, u := range v.Unnamed {
		fmt.Fprintf(out, "\t%s is named by no record\n", u)
	}
	if v.Written {
		fmt.Fprintln(out, "a run is writing this job now")
	}
}

// verificationJSON is what --verify --json prints.
type verificationJSON struct {
	Verified    bool           `json:"verified"` // nothing was changed, removed or reordered
	Complete    bool           `json:"complete"` // and every run has its closing record
	Runs        []runCheckJSON `json:"runs"`
	Attachments int            `json:"attachments"`
	Problems    []string       `json:"problems"`
	Unnamed     []string       `json:"unnamed"`
	Written     bool           `json:"beingWritten"`
}

type runCheckJSON struct {
	Run      int      `json:"run"`
	Count    int64    `json:"count"`
	Head     string   `json:"head"`
	Closed   bool     `json:"closed"`
	Verdict  string   `json:"verdict,omitempty"`
	Late     int64    `json:"late"`
	Problems []string `json:"problems"`
}

func printVerificationJSON(out io.Writer, v store.Verification) error {
	j := verificationJSON{Verified: v.OK(), Complete: v.Complete(), Runs: []runCheckJSON{}, Attachments: v.Attachments, Problems: list(v.Problems), Unnamed: list(v.Unnamed), Written: v.Written}
	for _, r := range v.Runs {
		j.Runs = append(j.Runs, runCheckJSON{r.Run, r.Count, r.Head, r.Closed, string(r.Verdict), r.Late, list(r.Problems)})
	}
	return terminal.PrintJSON(out, j)
}

// list makes an empty list print as [].
func list(s []string) []string {
	if s == nil {
		return []string{}
	}
	return s
}
