package store

import (
	"errors"
	"os"
	"path/filepath"
	"testing"
	"time"

	"provoke/internal/job/event"
)

// killedJob is a job as a program leaves it that is killed: its newest records are in the log only.
func killedJob(t *testing.T, dir, name string, notes int) string {
	t.Helper()
	from := filepath.Join(t.TempDir(), "j.provoke")
	j, err := Create(from)
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	w, err := j.NewRun(time.Now(), event.Opened{Program: "test", Label: "killed"})
	for range notes {
		if err == nil {
			_, err = w.Append(time.Now(), event.Note{Text: "a point"})
		}
	}
	if err != nil {
		t.Fatal(err)
	}
	to := filepath.Join(dir, name)
	for _, end := range []string{"", "-wal"} {
		data, err := os.ReadFile(from + end)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(to+end, data, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return to
}

func recordsOf(t *testing.T, path string) int {
	t.Helper()
	j, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	n := 0
	for _, err := range j.Records(1, 1) {
		if err != nil {
			t.Fatal(err)
		}
		n++
	}
	return n
}

// A job moves with what lies in its log, and with what a watcher left to be journalled.
func TestAJobMovesWithItsLog(t *testing.T) {
	dir := t.TempDir()
	from, to := killedJob(t, dir, "belt.provoke", 40), filepath.Join(dir, "belt.before-1.provoke")
	if err := os.WriteFile(from+"-watcher", []byte("{}"), 0o644); err != nil {
		t.Fatal(err)
	}
	if err := Move(from, to); err != nil {
		t.Fatal(err)
	}
	if n := recordsOf(t, to); n != 41 {
		t.Errorf("%d of 41 records after the move", n)
	}
	if _, err := os.Stat(to + "-watcher"); err != nil {
		t.Error(err)
	}
	left, _ := filepath.Glob(from + "*")
	if len(left) > 0 {
		t.Errorf("left behind: %q", left)
	}
}

// What cannot be opened moves as it lies, log included: somebody may still mend it.
func TestADamagedJobMovesAsItLies(t *testing.T) {
	dir := t.TempDir()
	from, to := filepath.Join(dir, "a.provoke"), filepath.Join(dir, "b.provoke")
	for _, name := range []string{from, from + "-wal"} {
		if err := os.WriteFile(name, []byte("what was here"), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if err := Move(from, to); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{to, to + "-wal"} {
		if data, err := os.ReadFile(name); string(data) != "what was here" {
			t.Errorf("%s: %q %v", name, data, err)
		}
	}
}

// A job that is written, and a name that is taken, also by a log alone, stay as they are.
func TestAJobThatIsWrittenAndANameThatIsTakenAreLeftAlone(t *testing.T) {
	dir := t.TempDir()
	from, to := killedJob(t, dir, "a.provoke", 3), filepath.Join(dir, "b.provoke")
	j, err := Open(from)
	if err != nil {
		t.Fatal(err)
	}
	if err := Move(from, to); !errors.Is(err, ErrHeld) {
		t.Errorf("while it is written: %v", err)
	}
	j.Close()
	if err := os.WriteFile(to+"-wal", []byte("of another job"), 0o644); err != nil {
		t.Fatal(err)
	}
	if err := Move(from, to); err == nil {
		t.Error("the log of another job was taken for its own")
	}
	if n := recordsOf(t, from); n != 4 {
		t.Errorf("%d of 4 records", n)
	}
}
