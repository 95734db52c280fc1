// Package journal shows the journal of a job at the terminal, checks it, and takes it from one machine to another.
package journal

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"provoke/internal/job/event"
	"provoke/internal/job/store"
	"provoke/internal/terminal"
	"provoke/internal/units/english"
)

// Asked is what somebody wants of a journal.
type Asked struct {
	Job    string
	Number int    // of the run; 0 for all, or for the newest where one is meant
	Verify bool   // check that nothing was changed, removed or reordered
	Head   string // a chain hash noted elsewhere, that the run must hold
	Copy   string // file to copy the job to
	Export string // file of the bundle to write
	Import string // file of the bundle to take in
	JSON   bool
}

// Do prints, verifies or copies.
func (c Asked) Do(w *terminal.World) error {
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
		return terminal.Damage(err)
	}
	defer job.Close()
	terminal.TellLeftBehind(w, job)
	switch {
	case c.Export != "":
		return terminal.Damage(c.export(w, job))
	case c.Copy != "" && c.Verify:
		return terminal.WithCode(terminal.ExitUsage, errors.New("--copy verifies by itself; give --verify or --copy"))
	case c.Copy != "":
		return c.copy(w, job)
	case c.Verify:
		return c.verify(w, job)
	}
	return terminal.Damage(c.print(w, job))
}

// runs returns the runs that were asked for.
func (c Asked) runs(job *store.Job) ([]store.RunInfo, error) {
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

func (c Asked) print(w *terminal.World, job *store.Job) error {
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
		return fmt.Errorf("%s of %s cannot be read by this program and %s shown as written; a newer provoke may "+
			"know more", english.Count(unreadable, "record", "records"), c.Job, isAre(unreadable))
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
func (c Asked) printRun(w *terminal.World, job *store.Job, run int) (unreadable int, err error) {
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

func (c Asked) printRecord(out io.Writer, rec event.Record, unreadable bool) error {
	if c.JSON {
		return printRecordJSON(out, rec)
	}
	mark := ""
	if unreadable {
		mark = "CANNOT BE READ: "
	}
	_, err := fmt.Fprintf(out, "%6d  %s  %-13s  %s%s\n", rec.Seq, rec.At.Local().Format("15:04:05.000"),
		event.Printable(rec.Event.Kind()), mark, event.Line(rec.Event))
	return err
}

// RecordJSON is a record as --json prints it: the columns of the table, with the body as it stands
// in the journal.
type RecordJSON struct {
	Run   int             `json:"run"`
	Seq   int64           `json:"seq"`
	At    string          `json:"at"`
	Kind  string          `json:"kind"`
	Body  json.RawMessage `json:"body"`
	Chain string          `json:"chain"`
}

func printRecordJSON(out io.Writer, rec event.Record) error {
	j := RecordJSON{Run: rec.Run, Seq: rec.Seq, At: event.FormatTime(rec.At), Kind: rec.Event.Kind(), Chain: rec.Chain}
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

func (c Asked) copy(w *terminal.World, job *store.Job) error {
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
		return terminal.WithCode(terminal.ExitNotVerified, fmt.Errorf("the copy %s does not verify, since %s does not",
			c.Copy, c.Job))
	}
	if c.JSON {
		return printVerificationJSON(w.Stdout, v)
	}
	fmt.Fprintf(w.Stdout, "copied to %s: %s, %s, every record and attachment verified\n", event.Printable(c.Copy),
		english.Count(len(v.Runs), "run", "runs"), english.Count(v.Attachments, "attachment", "attachments"))
	return nil
}
