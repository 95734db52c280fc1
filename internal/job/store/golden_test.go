package store_test

import (
	"bufio"
	"encoding/json"
	"flag"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"provoke/internal/job/event"
	"provoke/internal/job/store"
)

var writeGolden = flag.Bool("write-golden", false,
	"write the golden job anew; only before the version is published, a published one must never change")

// goldenJob is a job of version 1: the canned run of package event and one that was left open. It
// must stay readable for ever, and readable by other programs from docs/journal.md alone.
const goldenJob = "testdata/job-v1.provoke"

// goldenLaboratory is a job that holds what a laboratory reported, a kind of record that joined
// version 1 after goldenJob was written.
const goldenLaboratory = "testdata/laboratory-v1.provoke"

// goldenByHand is a job of a bench that is set by hand, kinds of record that joined version 1 later.
const goldenByHand = "testdata/byhand-v1.provoke"

func TestTheGoldenJobOfABenchByHandStaysReadable(t *testing.T) {
	j, err := store.OpenReadOnly(goldenByHand)
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	v := verify(t, j)
	if !v.OK() || len(v.Runs) != 2 || !v.Runs[0].Closed || v.Runs[0].Late != 1 {
		t.Errorf("%+v", v)
	}
	if n := len(all(t, j, 1)); n != 10 {
		t.Errorf("%d records, 9 and a late note were written", n)
	}
}

func TestTheGoldenJobStaysReadable(t *testing.T) {
	if *writeGolden {
		writeJob(t, goldenJob, "../event/testdata/journal-v1.jsonl")
		writeJob(t, goldenLaboratory, "../event/testdata/laboratory-v1.jsonl")
		writeJob(t, goldenByHand, "../event/testdata/byhand-v1.jsonl")
	}
	j, err := store.OpenReadOnly(goldenJob)
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	v := verify(t, j)
	if !v.OK() || len(v.Runs) != 2 || !v.Runs[0].Closed || v.Runs[0].Late != 1 || v.Runs[1].Closed ||
		v.Attachments != 2 || len(v.Unnamed) > 0 {
		t.Errorf("%+v", v)
	}
	if n := len(all(t, j, 1)); n != 18 {
		t.Errorf("%d records, 18 were written", n)
	}
}

func writeJob(t *testing.T, path, from string) {
	if _, err := os.Stat(path); err == nil {
		return // a golden job is written once
	}
	j, err := store.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	// the canned run names their hashes
	for name, content := range map[string]string{"bench.yaml": "test", "plan.yaml": "test2"} {
		if _, err := j.Attach(name, []byte(content)); err != nil {
			t.Fatal(err)
		}
	}
	f, err := os.Open(from)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var w *store.Writer
	for s := bufio.NewScanner(f); s.Scan(); {
		at, e := cannedLine(t, s.Bytes())
		switch e := e.(type) {
		case event.Opened:
			w, err = j.NewRun(at, e)
		case event.Closed:
			_, err = w.Close(at, e.Verdict, e.Why)
		default:
			_, err = w.Append(at, e)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if _, err := j.Annotate(1, start.Add(time.Hour), event.Note{Text: "a late note"}); err != nil {
		t.Fatal(err)
	}
	if _, err := j.NewRun(start.Add(2*time.Hour), event.Opened{Label: "left open"}); err != nil {
		t.Fatal(err)
	}
}

func cannedLine(t *testing.T, line []byte) (time.Time, event.Event) {
	t.Helper()
	var l struct {
		At, Kind string
		Body     json.RawMessage
	}
	if err := json.Unmarshal(line, &l); err != nil {
		t.Fatal(err)
	}
	at, err := event.ParseTime(l.At)
	if err != nil {
		t.Fatal(err)
	}
	e, err := event.Unmarshal(l.Kind, l.Body)
	if err != nil {
		t.Fatal(err)
	}
	return at, e
}

// The program is the one printed in docs/journal.md, run by another language's SQLite and SHA-256:
// what the document says is enough to verify a job.
func TestTheProgramInTheDocumentVerifiesAJob(t *testing.T) {
	const python = "/usr/bin/python3"
	if _, err := os.Stat(python); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal(err)
		}
		t.Skip("outside check skipped: no python3 here")
	}
	doc, err := os.ReadFile("../../../docs/journal.md")
	if err != nil {
		t.Fatal(err)
	}
	_, program, ok := strings.Cut(string(doc), "```python\n")
	program, _, ok2 := strings.Cut(program, "```")
	if !ok || !ok2 {
		t.Fatal("docs/journal.md has no program in it")
	}
	script := filepath.Join(t.TempDir(), "verify.py")
	if err := os.WriteFile(script, []byte(program), 0o644); err != nil {
		t.Fatal(err)
	}
	verifies := func(path string) (string, error) {
		out, err := exec.Command(python, "-I", script, path).CombinedOutput()
		return string(out), err
	}
	j, err := store.OpenReadOnly(goldenJob)
	if err != nil {
		t.Fatal(err)
	}
	v := verify(t, j)
	j.Close()
	out, err := verifies(goldenJob)
	if err != nil {
		t.Fatal(out)
	}
	for _, r := range v.Runs {
		if !strings.Contains(out, r.Head) {
			t.Errorf("the head of run %d is another in\n%s", r.Run, out)
		}
	}
	data, err := os.ReadFile(goldenJob)
	if err != nil {
		t.Fatal(err)
	}
	altered := filepath.Join(t.TempDir(), "altered.provoke")
	if err := os.WriteFile(altered, []byte(strings.Replace(string(data), "went dark", "went dull", 1)),
		0o644); err != nil {
		t.Fatal(err)
	}
	if out, err := verifies(altered); err == nil || !strings.Contains(out, "is not as it was written") {
		t.Errorf("an altered job: %s %v", out, err)
	}
}

func TestTheDocumentShowsEveryEventAsItIsWritten(t *testing.T) {
	doc, err := os.ReadFile("../../../docs/journal.md")
	if err != nil {
		t.Fatal(err)
	}
	for _, kind := range event.Kinds() {
		_, section, ok := strings.Cut(string(doc), "\n### "+kind+"\n")
		_, example, ok2 := strings.Cut(section, "```json\n")
		example, _, _ = strings.Cut(example, "\n```")
		if !ok || !ok2 {
			t.Errorf("docs/journal.md has no example of kind %q", kind)
			continue
		}
		e, err := event.Unmarshal(kind, []byte(example))
		if err != nil {
			t.Errorf("the example of kind %q: %v", kind, err)
			continue
		}
		if _, body, _ := event.Marshal(e); string(body) != example {
			t.Errorf("the example of kind %q is written as\n%s", kind, body)
		}
	}
}
