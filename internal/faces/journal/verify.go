package journal

import (
	"fmt"
	"io"
	"provoke/internal/job/event"
	"provoke/internal/job/store"
	"provoke/internal/terminal"
	"provoke/internal/units/english"
	"strings"
)

func (c Asked) verify(w *terminal.World, job *store.Job) error {
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
func (c Asked) checkHead(w *terminal.World, v store.Verification) (proven int, err error) {
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
		return 0, fmt.Errorf("verify %s: run %d holds no record with the hash %.20s (at least 12 digits are "+
			"needed): it is another run, or the run was rewritten or cut", c.Job, r.Run, event.Printable(c.Head))
	case c.JSON:
	case seq == r.Count:
		fmt.Fprintf(w.Stdout, "the hash given is that of the last record of run %d\n", r.Run)
	default:
		fmt.Fprintf(w.Stdout, "the hash given is that of record %d of run %d; %s since\n", seq, r.Run,
			english.Count(int(r.Count-seq), "record was added", "records were added"))
	}
	if seq == r.Count {
		proven = r.Run
	}
	return proven, nil
}

// verdict returns why the job does not verify, or nil.
func (c Asked) verdict(v store.Verification, proven int) error {
	if !v.OK() {
		return fmt.Errorf("%s does not verify: it was damaged or altered", c.Job)
	}
	for i, r := range v.Runs {
		beingWritten := v.Written && i == len(v.Runs)-1
		if !r.Closed && !beingWritten && r.Run != proven {
			return fmt.Errorf("run %d of %s has no closing record: it was left open (go on with: provoke run … "+
				"--resume) or cut; nothing says which", r.Run, c.Job)
		}
	}
	return nil
}

func printVerification(out io.Writer, v store.Verification) {
	for _, r := range v.Runs {
		end := "open or cut: no closing record"
		switch {
		case r.Closed && r.Late > 0:
			end = fmt.Sprintf("closed: %s; %s after closing", r.Verdict,
				english.Count(int(r.Late), "note or attachment", "notes and attachments"))
		case r.Closed:
			end = "closed: " + string(r.Verdict)
		}
		fmt.Fprintf(out, "run %d: %s, head %s, %s\n", r.Run, english.Count(int(r.Count), "record", "records"), r.Head,
			event.Printable(end))
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
	j := verificationJSON{Verified: v.OK(), Complete: v.Complete(), Runs: []runCheckJSON{}, Attachments: v.Attachments,
		Problems: list(v.Problems), Unnamed: list(v.Unnamed), Written: v.Written}
	for _, r := range v.Runs {
		j.Runs = append(j.Runs, runCheckJSON{r.Run, r.Count, r.Head, r.Closed, string(r.Verdict), r.Late,
			list(r.Problems)})
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
