package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"provoke/internal/faces/journal"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/store"
	"provoke/internal/terminal"
)

var journalClock = time.Date(2026, 11, 25, 9, 30, 0, 0, time.UTC)

// journalJob makes a job with one closed run and, where asked, one that was left open.
func journalJob(t *testing.T, open bool) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "belt.provoke")
	j, err := store.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	opened := event.Opened{RunKind: plan.Exposure, Mode: plan.ClosedLoop, Label: "as received"}
	w, err := j.NewRun(journalClock, opened)
	if err == nil {
		_, err = w.Append(journalClock, event.OperatorMark{Text: "display \x1b[2J dark"})
	}
	if err == nil {
		_, err = w.Close(journalClock, event.DoneUpset, "")
	}
	if err == nil && open {
		_, err = j.NewRun(journalClock, opened)
	}
	if err != nil {
		t.Fatal(err)
	}
	return path
}

func journalRun(args ...string) (code int, out, errs string) {
	var o, e bytes.Buffer
	w := &terminal.World{Stdout: &o, Stderr: &e, Now: func() time.Time { return journalClock.Add(time.Hour) }}
	code = run(w, args)
	return code, o.String(), e.String()
}

// says runs a command line and checks its exit code and that it says every one of the words.
func says(t *testing.T, code int, args []string, words ...string) string {
	t.Helper()
	got, out, errs := journalRun(args...)
	if got != code {
		t.Errorf("provoke %s: exit code %d, want %d\n%s%s", strings.Join(args, " "), got, code, out, errs)
	}
	for _, w := range words {
		if !strings.Contains(out+errs, w) {
			t.Errorf("provoke %s does not say %q:\n%s%s", strings.Join(args, " "), w, out, errs)
		}
	}
	if strings.Contains(out+errs, "\x1b") {
		t.Errorf("provoke %s lets a control character through", strings.Join(args, " "))
	}
	return out
}

func TestTheJournalIsPrintedOneRecordPerLine(t *testing.T) {
	path := journalJob(t, true)
	out := says(t, 0, []string{"journal", path}, "run 1 “as received”", "operator-mark", `display \u001b[2J dark`,
		"done, with upsets", "run 2", "open, or cut off")
	if n := strings.Count(out, "\n"); n != 1+3+1+1+1 {
		t.Errorf("%d lines:\n%s", n, out)
	}
	says(t, 1, []string{"journal", path, "--run", "3"}, "no run 3")
	out = says(t, 0, []string{"journal", path, "--run", "1", "--json"})
	lines := strings.Split(strings.TrimSpace(out), "\n")
	previous := ""
	for _, l := range lines {
		var r journal.RecordJSON
		if err := json.Unmarshal([]byte(l), &r); err != nil {
			t.Fatal(err)
		}
		at, _ := event.ParseTime(r.At)
		if event.ChainHash(previous, r.Run, r.Seq, at, r.Kind, r.Body) != r.Chain {
			t.Errorf("the chain cannot be computed from what --json prints: %s", l)
		}
		previous = r.Chain
	}
	if len(lines) != 3 {
		t.Errorf("%d records", len(lines))
	}
}

func TestNotesAndPhotosJoinAClosedRunWhichGoesOnToVerify(t *testing.T) {
	path := journalJob(t, false)
	before := says(t, 0, []string{"journal", path, "--verify"}, "run 1: 3 records", "closed: done, with upsets")
	head := strings.Fields(strings.SplitAfter(before, "head ")[1])[0][:64]
	photo := filepath.Join(t.TempDir(), "photo.jpg")
	os.WriteFile(photo, []byte("x"), 0o644)
	says(t, 0, []string{"note", path, "the", "ferrite", "was", "the", "small", "one", "--by", "A. Engineer"},
		"run 1, record 4: the ferrite was the small one; by A. Engineer")
	says(t, 0, []string{"attach", path, photo, "--caption", "as it lay"}, "record 5: photo.jpg; “as it lay”")
	says(t, 0, []string{"journal", path, "--verify", "--head", head}, "2 notes and attachments after closing",
		"the hash given is that of record 3 of run 1; 2 records were added since", "1 attachment")
	says(t, 0, []string{"journal", path, "--verify", "--head", head[:16] + "…"}, "record 3")
	says(t, terminal.ExitNotVerified, []string{"journal", path, "--verify", "--head", strings.Repeat("0", 64)},
		"holds no record with the hash")
	says(t, terminal.ExitNotVerified, []string{"journal", path, "--verify", "--head", head[:11]}, "at least 12 digits")
	says(t, 0, []string{"journal", path, "--verify", "--json"}, `"complete": true`, `"late": 2`)
}

func TestARefusedAttachmentLeavesTheJobAsItWas(t *testing.T) {
	path := journalJob(t, false)
	dir := t.TempDir()
	good, big := filepath.Join(dir, "good.txt"), filepath.Join(dir, "big.mov")
	os.WriteFile(good, []byte("x"), 0o644)
	f, err := os.Create(big)
	if err != nil {
		t.Fatal(err)
	}
	f.Truncate(store.MaxAttachment + 1)
	f.Close()
	says(t, terminal.ExitError, []string{"attach", path, good, big}, "64 MiB are allowed", "nothing was attached")
	says(t, terminal.ExitError, []string{"attach", path, good, filepath.Join(dir, "missing")}, "there is no such file")
	says(t, terminal.ExitError, []string{"attach", path, dir}, "it is not a file")
	says(t, terminal.ExitError, []string{"attach", path, good, "--run", "7"}, "no such run")
	says(t, terminal.ExitUsage, []string{"note", path, " "}, "needs words")
	says(t, terminal.ExitUsage, []string{"note", path, strings.Repeat("x", 20000)}, "provoke attach")
	out := says(t, 0, []string{"journal", path, "--verify"}, "run 1: 3 records")
	if strings.Contains(out, "big") {
		t.Error(out)
	}
}

func TestAnOpenRunDoesNotVerifyUnlessItsHeadIsKnown(t *testing.T) {
	path := journalJob(t, true)
	out := says(t, terminal.ExitNotVerified, []string{"journal", path, "--verify"}, "run 2: 1 record", "open or cut",
		"no closing record")
	says(t, 0, []string{"journal", path, "--verify", "--run", "1"})
	head := strings.Fields(strings.SplitAfter(out, "head ")[2])[0][:64]
	says(t, 0, []string{"journal", path, "--verify", "--head", head}, "that of the last record of run 2")
}

func TestDamageIsToldWithItsExitCode(t *testing.T) {
	path := journalJob(t, false)
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	i := bytes.Index(data, []byte("[2J dark"))
	data[i+4] ^= 1
	os.WriteFile(path, data, 0o644)
	says(t, terminal.ExitNotVerified, []string{"journal", path, "--verify"},
		"DAMAGE: record 2 (operator-mark) is not as it was written")
	says(t, terminal.ExitNotVerified, []string{"note", path, "x"}, "damaged")
	says(t, terminal.ExitNotVerified, []string{"journal", path, "--copy", path + ".copy"}, "does not verify")
	os.WriteFile(path, data[:len(data)/2], 0o644)
	says(t, terminal.ExitNotVerified, []string{"journal", path, "--verify"})
	os.WriteFile(path, []byte("nothing of the kind"), 0o644)
	says(t, terminal.ExitNotVerified, []string{"journal", path, "--verify"}, "not a provoke job")
	says(t, terminal.ExitError, []string{"journal", path + "x"}, "no such file")
}

func TestAJobIsCopiedAndVerified(t *testing.T) {
	path := journalJob(t, true)
	target := filepath.Join(t.TempDir(), "copy.provoke")
	says(t, 0, []string{"journal", path, "--copy", target}, "2 runs", "verified")
	says(t, terminal.ExitError, []string{"journal", path, "--copy", target}, "exists already")
	says(t, 0, []string{"journal", target, "--run", "1", "--verify"})
}

func TestANoteIsRefusedWhileARunHoldsTheJob(t *testing.T) {
	path := journalJob(t, false)
	j, err := store.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	says(t, terminal.ExitError, []string{"note", path, "x"}, "in use by another run")
	says(t, 0, []string{"journal", path, "--verify"}, "a run is writing this job now")
}
