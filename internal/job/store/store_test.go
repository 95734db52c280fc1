package store_test

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/store"
	"provoke/internal/units/rf"
)

var start = time.Date(2026, 11, 25, 9, 30, 0, 123456789, time.UTC)

func newJob(t testing.TB) (*store.Job, string) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "belt weigher #1 100%?.provoke")
	j, err := store.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { j.Close() })
	return j, path
}

func newRun(t testing.TB, j *store.Job) *store.Writer {
	t.Helper()
	w, err := j.NewRun(start, event.Opened{RunKind: plan.Exposure, Mode: plan.ClosedLoop, Label: "as received"})
	if err != nil {
		t.Fatal(err)
	}
	return w
}

func note(text string) event.Event { return event.Note{Text: text} }

func add(t testing.TB, w *store.Writer, events ...event.Event) []event.Record {
	t.Helper()
	r, err := w.Append(start, events...)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func all(t testing.TB, j *store.Job, run int) []event.Record {
	t.Helper()
	var out []event.Record
	for r, err := range j.Records(run, 1) {
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, r)
	}
	return out
}

func texts(records []event.Record) []string {
	var out []string
	for _, r := range records {
		if n, ok := r.Event.(event.Note); ok {
			out = append(out, n.Text)
		}
	}
	return out
}

func verify(t testing.TB, j *store.Job) store.Verification {
	t.Helper()
	v, err := j.Verify()
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func TestWhatWasAppendedIsReadBackInOrder(t *testing.T) {
	j, path := newJob(t)
	w := newRun(t, j)
	var want []event.Record
	want = append(want, add(t, w, event.Intent{Step: plan.Step{Number: 1, Offset: -6, Purpose: plan.Sweep,
		Point: plan.Point{Frequency: 27.12e6, Drive: rf.DBm(-27.4)}}, Attempt: 1})...)
	want = append(want, add(t, w, note("a"), note("b"))...)
	closed, err := w.Close(start.Add(time.Minute), event.Done, "")
	if err != nil {
		t.Fatal(err)
	}
	want = append(want, closed)
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	if left := others(t, path); len(left) > 0 {
		t.Errorf("after closing, the job is not one file: %v", left)
	}
	r, err := store.OpenReadOnly(path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	got := all(t, r, 1)
	if len(got) != 5 || !slices.EqualFunc(got[1:],
		want, func(a, b event.Record) bool { return reflect.DeepEqual(a, b) }) {
		t.Errorf("read back %+v, appended %+v", got, want)
	}
	runs, err := r.Runs()
	if err != nil || len(runs) != 1 || runs[0].Opened.Label != "as received" || !runs[0].HasClosed ||
		runs[0].Closed.Count != 4 || !runs[0].At.Equal(start) {
		t.Errorf("runs: %+v, %v", runs, err)
	}
	if v := verify(t, r); !v.Complete() || v.Runs[0].Head != closed.Chain {
		t.Errorf("verification: %+v", v)
	}
}

// others lists what lies beside the job file.
func others(t testing.TB, path string) []string {
	t.Helper()
	entries, err := os.ReadDir(filepath.Dir(path))
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, e := range entries {
		if e.Name() != filepath.Base(path) {
			names = append(names, e.Name())
		}
	}
	return names
}

func TestLateNotesDoNotBreakTheClosingRecord(t *testing.T) {
	j, path := newJob(t)
	w := newRun(t, j)
	closed, err := w.Close(start, event.Done, "")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.Append(start, note("x")); !errors.Is(err, store.ErrClosedRun) {
		t.Errorf("append after closing: %v", err)
	}
	if _, err := j.ResumeRun(1); !errors.Is(err, store.ErrClosedRun) {
		t.Errorf("resume after closing: %v", err)
	}
	if _, err := j.Annotate(1, start, event.Hold{Why: "x"}); err == nil {
		t.Error("a hold was added as a remark")
	}
	a, err := j.Attach("photo.jpg", []byte("not really a photo"))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := j.Annotate(1, start, note("the ferrite was the small one"),
		event.Attached{Attachment: a}); err != nil {
		t.Fatal(err)
	}
	j.Close()
	j, err = store.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	if _, err := j.Annotate(1, start, note("one more")); err != nil {
		t.Fatal(err)
	}
	v := verify(t, j)
	if !v.Complete() || v.Runs[0].Late != 3 || v.Runs[0].Has(closed.Chain) != 2 || v.Attachments != 1 {
		t.Errorf("verification: %+v", v)
	}
	if runs, _ := j.Runs(); !runs[0].HasClosed || runs[0].Count != 5 {
		t.Errorf("runs: %+v", runs)
	}
}

func TestARunIsResumedAndASecondWriterIsRefused(t *testing.T) {
	j, path := newJob(t)
	w := newRun(t, j)
	add(t, w, note("a"))
	if _, err := store.Open(path); !errors.Is(err, store.ErrHeld) {
		t.Errorf("second writer: %v", err)
	}
	if _, err := j.ResumeRun(1); !errors.Is(err, store.ErrHeld) {
		t.Errorf("second writer of a run: %v", err)
	}
	if _, err := j.ResumeRun(2); !errors.Is(err, store.ErrNoRun) {
		t.Errorf("no such run: %v", err)
	}
	j.Close()
	j, err := store.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	if v := verify(t, j); v.Complete() || !v.OK() || v.Runs[0].Closed {
		t.Errorf("an open run: %+v", v)
	}
	w, err = j.ResumeRun(1)
	if err != nil {
		t.Fatal(err)
	}
	add(t, w, event.Resumed{Why: "crash"}, note("b"))
	if got := texts(all(t, j, 1)); !slices.Equal(got, []string{"a", "b"}) {
		t.Errorf("notes %q", got)
	}
}

func TestAFollowerSeesAllInOrderHoweverSlow(t *testing.T) {
	j, path := newJob(t)
	other, err := store.OpenReadOnly(path)
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	done := make(chan int64, 3)
	for i, from := range []*store.Job{j, other, j} {
		go func() {
			var n int64
			for r, err := range from.Follow(ctx, 1, 1) {
				if err != nil || r.Seq != n+1 {
					t.Errorf("follower %d: after record %d comes %d (%v)", i, n, r.Seq, err)
					break
				}
				n = r.Seq
				if i == 2 && n%50 == 0 {
					time.Sleep(10 * time.Millisecond) // a slow page
				}
				if _, ok := r.Event.(event.Closed); ok {
					break
				}
			}
			done <- n
		}()
	}
	w := newRun(t, j)
	for range 300 {
		add(t, w, note("x"))
	}
	if _, err := w.Close(start, event.Done, ""); err != nil {
		t.Fatal(err)
	}
	for range 3 {
		if n := <-done; n != 302 {
			t.Errorf("a follower saw %d of 302 records", n)
		}
	}
}

func TestAnEventThatCannotBeWrittenLeavesTheJournalAlive(t *testing.T) {
	j, _ := newJob(t)
	w := newRun(t, j)
	for _, e := range []event.Event{event.Closed{}, event.Opened{}, event.Unknown{KindName: "warp"}, nil} {
		if _, err := w.Append(start, note("a"), e); err == nil {
			t.Errorf("%T was appended", e)
		}
	}
	add(t, w, note("b"))
	if got := texts(all(t, j, 1)); !slices.Equal(got, []string{"b"}) {
		t.Errorf("notes %q", got)
	}
}

func TestACopyOfAJobInUseVerifies(t *testing.T) {
	j, path := newJob(t)
	w := newRun(t, j)
	add(t, w, note("a"))
	r, err := store.OpenReadOnly(path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	target := filepath.Join(t.TempDir(), "a copy's name.provoke")
	if err := r.CopyTo(target); err != nil {
		t.Fatal(err)
	}
	if err := r.CopyTo(target); err == nil {
		t.Error("a file that exists was overwritten")
	}
	c, err := store.Open(target)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if got := texts(all(t, c, 1)); !slices.Equal(got, []string{"a"}) {
		t.Errorf("notes %q", got)
	}
	if v := verify(t, c); !v.OK() {
		t.Errorf("verification: %+v", v)
	}
}

func TestWhatIsNotAJobIsRefusedClearly(t *testing.T) {
	dir := t.TempDir()
	write := func(name, content string) string {
		p := filepath.Join(dir, name)
		if err := os.WriteFile(p, []byte(content), 0o644); err != nil {
			t.Fatal(err)
		}
		return p
	}
	for _, c := range []struct{ path, says string }{
		{filepath.Join(dir, "missing.provoke"), "there is no such file"},
		{dir, "folder"},
		{write("empty.provoke", ""), "not a provoke job"},
		{write("text.provoke", strings.Repeat("photo ", 2000)), "not a provoke job"},
		{write("short.provoke", "x"), "not a provoke job"},
	} {
		for name, open := range map[string]func(string) (*store.Job, error){"open": store.Open,
			"read": store.OpenReadOnly} {
			if _, err := open(c.path); err == nil || !strings.Contains(err.Error(), c.says) {
				t.Errorf("%s %s: %v", name, filepath.Base(c.path), err)
			}
		}
	}
	if _, err := store.Create(write("there.provoke", "x")); err == nil ||
		!strings.Contains(err.Error(), "exists already") {
		t.Errorf("create over a file: %v", err)
	}
	if _, err := store.Create(filepath.Join(dir, "a\x1b[2Jb.provoke")); err == nil ||
		strings.Contains(err.Error(), "\x1b") {
		t.Errorf("a name with control characters: %q", err)
	}
	if _, err := store.Create(filepath.Join(dir, "nowhere", "a.provoke")); err == nil {
		t.Error("created in a folder that is not there")
	}
}

func TestAttachmentsAreKeptOnceByTheirHash(t *testing.T) {
	j, _ := newJob(t)
	a, err := j.Attach("bench.yaml", []byte("x"))
	if err != nil {
		t.Fatal(err)
	}
	b, err := j.Attach("the same.yaml", []byte("x"))
	if err != nil || a.SHA256 != b.SHA256 {
		t.Fatal(err)
	}
	// SHA-256 of "x", from sha256sum.
	if a.SHA256 != "2d711642b726b04401627ca9fbac32f5c8530fb1903cc4db02258717921a4881" {
		t.Error(a.SHA256)
	}
	name, bytes, err := j.Attachment(a.SHA256)
	if err != nil || name != "bench.yaml" || string(bytes) != "x" {
		t.Errorf("%q %q %v", name, bytes, err)
	}
	if _, _, err := j.Attachment("nothing"); err == nil {
		t.Error("an attachment that is not there")
	}
	if _, err := j.Attach("a\nb", nil); err == nil {
		t.Error("a name with a line feed was taken")
	}
	if _, err := j.Attach("big", make([]byte, store.MaxAttachment+1)); err == nil ||
		!strings.Contains(err.Error(), "64 MiB") {
		t.Errorf("too big: %v", err)
	}
	if v := verify(t, j); !v.OK() || len(v.Unnamed) != 1 {
		t.Errorf("%+v", v)
	}
}

func TestReadersAndAWriterThatComesAndGoesDoNotDisturbEachOther(t *testing.T) {
	j, path := newJob(t)
	newRun(t, j)
	j.Close()
	stop := make(chan struct{})
	var readers sync.WaitGroup
	for range 2 {
		readers.Go(func() {
			for {
				select {
				case <-stop:
					return
				default:
				}
				r, err := store.OpenReadOnly(path)
				if err != nil {
					t.Error(err)
					return
				}
				if v, err := r.Verify(); err != nil || !v.OK() {
					t.Errorf("%+v %v", v, err)
				}
				r.Close()
			}
		})
	}
	for range 15 {
		j, err := store.Open(path)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := j.Annotate(1, start, note("x")); err != nil {
			t.Error(err)
		}
		if err := j.Close(); err != nil {
			t.Error(err)
		}
	}
	close(stop)
	readers.Wait()
	r, err := store.OpenReadOnly(path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if n := len(all(t, r, 1)); n != 16 {
		t.Errorf("%d records, 16 were written", n)
	}
}

func TestAFileThatABenchNamesInAFolderVerifiesUnderItsOwnName(t *testing.T) {
	j, _ := newJob(t)
	a, err := j.Attach("clamp.csv", []byte("x"))
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"curves/clamp.csv", `curves\clamp.csv`, "clamp.csv"} {
		opened := event.Opened{Files: []event.Attachment{{Name: name, SHA256: a.SHA256}}}
		if _, err := j.NewRun(start, opened); err != nil {
			t.Fatal(err)
		}
	}
	if v := verify(t, j); !v.OK() || len(v.Unnamed) > 0 {
		t.Errorf("%+v", v)
	}
	if _, err := j.NewRun(start, event.Opened{Files: []event.Attachment{{Name: "amplifier.csv",
		SHA256: strings.Repeat("0", 64)}}}); err != nil {
		t.Fatal(err)
	}
	if v := verify(t, j); v.OK() || v.Problems[0] != "attachment amplifier.csv is missing" {
		t.Errorf("%+v", v)
	}
}
