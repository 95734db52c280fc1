package store

import (
	"bufio"
	"context"
	"crypto/sha256"
	"database/sql"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"provoke/internal/job/event"
	"provoke/internal/job/plan"
)

// TestMain lets this test binary be the other process: a writer to be killed, or a reader.
func TestMain(m *testing.M) {
	if path := os.Getenv("STORE_TEST_WRITE"); path != "" {
		otherWriter(path)
	}
	if path := os.Getenv("STORE_TEST_FOLLOW"); path != "" {
		otherFollower(path)
	}
	if path := os.Getenv("STORE_TEST_READ"); path != "" {
		otherReader(path)
	}
	os.Exit(m.Run())
}

// otherWriter appends notes for ever and prints the number of each once it is acknowledged.
func otherWriter(path string) {
	fail := func(err error) {
		fmt.Println("error:", err)
		os.Exit(1)
	}
	j, err := Open(path)
	if err != nil {
		fail(err)
	}
	w, err := j.ResumeRun(1)
	if err != nil {
		fail(err)
	}
	for {
		r, err := w.Append(time.Now(), event.Note{Text: "a point"}, event.Note{Text: "and its reading"})
		if err != nil {
			fail(err)
		}
		fmt.Println(r[1].Seq)
	}
}

// otherFollower follows run 1 to its closing record and prints how many records came in order.
func otherFollower(path string) {
	j, err := OpenReadOnly(path)
	if err != nil {
		fmt.Println("error:", err)
		os.Exit(1)
	}
	fmt.Println("following")
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	var n int64
	for r, err := range j.Follow(ctx, 1, 1) {
		if err != nil || r.Seq != n+1 {
			fmt.Println("error:", n, r.Seq, err)
			os.Exit(1)
		}
		n = r.Seq
		if _, ok := r.Event.(event.Closed); ok {
			break
		}
	}
	fmt.Println(n)
	os.Exit(0)
}

func other(t *testing.T, variable, path string) (*exec.Cmd, *bufio.Scanner) {
	t.Helper()
	c := exec.Command(os.Args[0])
	c.Env = append(os.Environ(), variable+"="+path)
	out, err := c.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	forgetPeak()
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	return c, bufio.NewScanner(out)
}

var noon = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)

// smallJob makes a job with pages of 512 bytes, so that cuts and flips can be tried everywhere.
func smallJob(t testing.TB) (*Job, *Writer, string) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "small.provoke")
	j, err := create(path, 512)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { j.Close() })
	w, err := j.NewRun(noon, event.Opened{RunKind: plan.Exposure, Label: "as received"})
	if err != nil {
		t.Fatal(err)
	}
	return j, w, path
}

func read(t testing.TB, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func count(j *Job, run int) (n int64, err error) {
	for _, err := range j.Records(run, 1) {
		if err != nil {
			return n, err
		}
		n++
	}
	return n, nil
}

func TestNoAcknowledgedRecordIsLostToKill(t *testing.T) {
	path := filepath.Join(t.TempDir(), "kill.provoke")
	j, err := Create(path)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := j.NewRun(noon, event.Opened{}); err != nil {
		t.Fatal(err)
	}
	j.Close()
	seed := rand.Uint64()
	random := rand.New(rand.NewPCG(seed, 1))
	var acknowledged int64
	for round := range 20 {
		c, lines := other(t, "STORE_TEST_WRITE", path)
		var timer *time.Timer
		for lines.Scan() {
			n, err := strconv.ParseInt(lines.Text(), 10, 64)
			if err != nil {
				t.Fatalf("round %d: %s", round, lines.Text())
			}
			acknowledged = n
			if timer == nil {
				timer = time.AfterFunc(time.Duration(random.Int64N(int64(40*time.Millisecond))), func() { c.Process.Kill() })
			}
		}
		c.Wait()
		r, err := OpenReadOnly(path)
		if err != nil {
			t.Fatalf("round %d, seed %d: %v", round, seed, err)
		}
		v, err := r.Verify()
		if err != nil || !v.OK() || v.Written {
			t.Fatalf("round %d, seed %d: %+v %v", round, seed, v, err)
		}
		if n := v.Runs[0].Count; n < acknowledged || n%2 != 1 {
			t.Fatalf("round %d, seed %d: %d records, acknowledged %d, two in each transaction", round, seed, n, acknowledged)
		}
		if r.LeftBehind() == "" {
			t.Errorf("round %d: nothing is said of the -wal that stays behind", round)
		}
		r.Close()
	}
	if acknowledged < 40 {
		t.Errorf("only %d records were acknowledged in all", acknowledged)
	}
	t.Logf("%d records acknowledged, none lost", acknowledged)
}

func TestAReaderInAnotherProcessMissesNothing(t *testing.T) {
	j, w, path := smallJob(t)
	c, lines := other(t, "STORE_TEST_FOLLOW", path)
	for range 200 {
		if _, err := w.Append(noon, event.Note{Text: "x"}); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := w.Close(noon, event.Done, ""); err != nil {
		t.Fatal(err)
	}
	var said []string
	for lines.Scan() {
		said = append(said, lines.Text())
	}
	if err := c.Wait(); err != nil || !slices.Equal(said, []string{"following", "202"}) {
		t.Errorf("%q %v", said, err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
}

// The log is cut everywhere, as a crash of the whole machine might leave it: what is there before
// the cut is read, and the job opens.
func TestALogCutAnywhereKeepsWhatWasAcknowledgedBefore(t *testing.T) {
	j, w, path := smallJob(t)
	type ack struct {
		size  int
		count int64
	}
	acks := []ack{{0, 0}}
	for i := range 4 {
		if _, err := w.Append(noon, event.Note{Text: strings.Repeat("x", 40*i)}); err != nil {
			t.Fatal(err)
		}
		acks = append(acks, ack{len(read(t, path+"-wal")), int64(i) + 2})
	}
	file, log := read(t, path), read(t, path+"-wal")
	j.Close()
	dir := t.TempDir()
	for cut := 0; cut <= len(log); cut++ {
		frame := (cut - 32 + 3) % (512 + 24) // the log has a header of 32 bytes, each page one of 24
		if cut%11 != 0 && frame > 6 {
			continue // every byte around a frame's end, every eleventh elsewhere
		}
		p := filepath.Join(dir, strconv.Itoa(cut)+".provoke")
		os.WriteFile(p, file, 0o644)
		os.WriteFile(p+"-wal", log[:cut], 0o644)
		var want int64
		for _, a := range acks {
			if a.size <= cut {
				want = a.count
			}
		}
		r, err := OpenReadOnly(p)
		if err != nil {
			t.Fatalf("cut at %d of %d: %v", cut, len(log), err)
		}
		n := int64(0)
		if runs, err := r.Runs(); err != nil {
			t.Fatalf("cut at %d: %v", cut, err)
		} else if len(runs) > 0 {
			n, err = count(r, 1)
			if err != nil {
				t.Fatalf("cut at %d: %v", cut, err)
			}
		}
		if n < want {
			t.Fatalf("cut at %d of %d: %d records, acknowledged before the cut %d", cut, len(log), n, want)
		}
		r.Close()
		for _, s := range []string{"", "-wal", "-shm"} {
			os.Remove(p + s)
		}
	}
}

// fullJob makes a closed job with every table in use, for damage.
func fullJob(t testing.TB) []byte {
	t.Helper()
	j, w, path := smallJob(t)
	a, err := j.Attach("photo.jpg", []byte(strings.Repeat("photo ", 100)))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.Append(noon, event.Attached{Attachment: a, Caption: "as it lay"}, event.OperatorMark{Text: strings.Repeat("dark ", 150)}); err != nil {
		t.Fatal(err)
	}
	if _, err := w.Close(noon, event.Done, ""); err != nil {
		t.Fatal(err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	return read(t, path)
}

// content is all that a job says, in one hash; it fails on any sign of damage.
func content(path string) (string, error) {
	j, err := OpenReadOnly(path)
	if err != nil {
		return "", err
	}
	defer j.Close()
	v, err := j.Verify()
	if err != nil {
		return "", err
	}
	if !v.Complete() || len(v.Unnamed) > 0 {
		return "", fmt.Errorf("%+v", v)
	}
	h := sha256.New()
	runs, err := j.Runs()
	if err != nil {
		return "", err
	}
	for _, r := range runs {
		fmt.Fprintf(h, "%+v\n", r)
		for rec, err := range j.Records(r.Run, 1) {
			if err != nil {
				return "", err
			}
			fmt.Fprintf(h, "%+v\n", rec)
			if a, ok := rec.Event.(event.Attached); ok {
				name, bytes, err := j.Attachment(a.SHA256)
				if err != nil {
					return "", err
				}
				fmt.Fprintf(h, "%s %s\n", name, bytes)
			}
		}
	}
	return fmt.Sprintf("%x", h.Sum(nil)), nil
}

func TestAFlippedBitIsNoticedOrChangesNothing(t *testing.T) {
	if testing.Short() {
		t.Skip("every bit of a file")
	}
	data := fullJob(t)
	path := filepath.Join(t.TempDir(), "flip.provoke")
	os.WriteFile(path, data, 0o644)
	want, err := content(path)
	if err != nil {
		t.Fatal(err)
	}
	noticed, harmless := 0, 0
	for i := 0; i < len(data); i += 3 {
		bad := slices.Clone(data)
		bad[i] ^= 1 << (i / 3 % 8)
		os.WriteFile(path, bad, 0o644)
		got, err := content(path)
		switch {
		case err != nil:
			noticed++
		case got == want:
			harmless++
		default:
			t.Errorf("bit %d of byte %d: the job says something else and nothing is noticed", i/3%8, i)
		}
	}
	t.Logf("%d bytes; %d flips noticed, %d changed nothing that is read", len(data), noticed, harmless)
}

func TestAJobFileCutAnywhereIsRefusedOrDoesNotVerify(t *testing.T) {
	data := fullJob(t)
	path := filepath.Join(t.TempDir(), "cut.provoke")
	for cut := 0; cut < len(data); cut += 7 {
		os.WriteFile(path, data[:cut], 0o644)
		if _, err := content(path); err == nil {
			t.Errorf("cut at %d of %d: nothing is noticed", cut, len(data))
		}
	}
}

func TestAFullDiskIsSaidAndLosesNothing(t *testing.T) {
	j, w, path := smallJob(t)
	var pages int
	if err := j.write.QueryRow("PRAGMA page_count").Scan(&pages); err != nil {
		t.Fatal(err)
	}
	if _, err := j.write.Exec(fmt.Sprintf("PRAGMA max_page_count = %d", pages+20)); err != nil {
		t.Fatal(err)
	}
	acknowledged, err := int64(1), error(nil)
	for err == nil {
		if _, err = w.Append(noon, event.Note{Text: strings.Repeat("x", 200)}); err == nil {
			acknowledged++
		}
	}
	if !errors.Is(err, ErrFull) {
		t.Errorf("full disk: %v", err)
	}
	t.Log(err)
	for range 2 {
		if _, err := w.Append(noon, event.Note{Text: "x"}); !errors.Is(err, ErrDead) || !errors.Is(err, ErrFull) {
			t.Errorf("after a failed append: %v", err)
		}
	}
	if _, err := w.Close(noon, event.Done, ""); !errors.Is(err, ErrDead) {
		t.Errorf("closing after a failed append: %v", err)
	}
	if _, err := j.NewRun(noon, event.Opened{}); !errors.Is(err, ErrDead) {
		t.Errorf("a new run after a failed append: %v", err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	if j, err = Open(path); err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	if w, err = j.ResumeRun(1); err != nil {
		t.Fatal(err)
	}
	if n, _ := w.Head(); n != acknowledged {
		t.Errorf("%d records, acknowledged %d", n, acknowledged)
	}
	if _, err := w.Append(noon, event.Resumed{Why: "there is room again"}); err != nil {
		t.Error(err)
	}
}

func TestARemovedJobFileIsNoticedAtTheNextAppend(t *testing.T) {
	_, w, path := smallJob(t)
	if err := os.Remove(path); err != nil {
		t.Skip("this system does not let an open file be removed")
	}
	if _, err := w.Append(noon, event.Note{Text: "x"}); err == nil || !strings.Contains(err.Error(), "removed or replaced") {
		t.Error(err)
	}
}

func alter(t *testing.T, path string, statements ...string) {
	t.Helper()
	db, err := sql.Open("sqlite", path)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	for _, s := range statements {
		if _, err := db.Exec(s); err != nil {
			t.Fatal(err)
		}
	}
}

func TestWhatWasAlteredWithSQLIsNoticed(t *testing.T) {
	data := fullJob(t)
	for _, c := range []struct{ what, sql, says string }{
		{"a changed record", `UPDATE events SET body = replace(body, 'dark', 'lark') WHERE seq = 3`, "record 3 (operator-mark) is not as it was written"},
		{"a changed time", `UPDATE events SET at = '2026-11-25T12:00:00.000000001Z' WHERE seq = 2`, "record 2"},
		{"a changed kind", `UPDATE events SET kind = 'note' WHERE seq = 3`, "record 3"},
		{"a removed record", `DELETE FROM events WHERE seq = 2`, "record 3 follows record 1"},
		{"a removed first record", `DELETE FROM events WHERE seq = 1`, "record 2 follows record 0"},
		{"a removed closing record", `DELETE FROM events WHERE seq = 4`, "3 records where 4 were written"},
		{"two records in another order", `UPDATE events SET seq = CASE seq WHEN 2 THEN -3 ELSE -2 END WHERE seq IN (2, 3); UPDATE events SET seq = -seq WHERE seq < 0`, "record 2"},
		{"an added record", `INSERT INTO events SELECT run, 5, at, kind, body, chain FROM events WHERE seq = 3`, "beyond the last"},
		{"a record of no run", `INSERT INTO events SELECT 9, 1, at, kind, body, chain FROM events WHERE seq = 1`, "not in the list of runs"},
		{"a removed run", `DELETE FROM events; DELETE FROM runs; INSERT INTO runs VALUES (2, '', 0, '')`, "run 1 is missing"},
		{"another opening time", `UPDATE runs SET opened = 'x'`, "another time of opening"},
		{"another end", `UPDATE runs SET head = 'x'`, "not the last that was written"},
		{"a changed attachment", `UPDATE attachments SET bytes = x'00'`, "is not the file that was attached"},
		{"a renamed attachment", `UPDATE attachments SET name = 'x'`, "was attached as photo.jpg"},
		{"a removed attachment", `DELETE FROM attachments`, "attachment photo.jpg is missing"},
	} {
		path := filepath.Join(t.TempDir(), "altered.provoke")
		os.WriteFile(path, data, 0o644)
		alter(t, path, c.sql)
		j, err := OpenReadOnly(path)
		if err != nil {
			t.Fatal(err)
		}
		v, err := j.Verify()
		if text := fmt.Sprintf("%+v", v); err != nil || v.OK() || !strings.Contains(text, c.says) {
			t.Errorf("%s: want %q in %s (%v)", c.what, c.says, text, err)
		}
		j.Close()
	}
	for _, c := range []struct {
		what, sql string
		is        error
	}{
		{"an added trigger", `CREATE TRIGGER t AFTER INSERT ON events BEGIN DELETE FROM attachments; END`, ErrDamaged},
		{"an added table", `CREATE TABLE t (x)`, ErrDamaged},
		{"a changed table", `ALTER TABLE attachments ADD COLUMN x TEXT`, ErrDamaged},
		{"a newer format", `PRAGMA user_version = 2`, ErrNewer},
		{"another program's file", `PRAGMA application_id = 1`, ErrNotAJob},
	} {
		path := filepath.Join(t.TempDir(), "altered.provoke")
		os.WriteFile(path, data, 0o644)
		alter(t, path, c.sql)
		for _, open := range []func(string) (*Job, error){Open, OpenReadOnly} {
			if _, err := open(path); !errors.Is(err, c.is) {
				t.Errorf("%s: %v", c.what, err)
			}
		}
	}
}

func TestWriteAheadThatDoesNotTakeIsRefused(t *testing.T) {
	db, err := sql.Open("sqlite", ":memory:")
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	if err := writeAhead(db); !errors.Is(err, ErrNoWriteAhead) || !strings.Contains(err.Error(), "network drive") {
		t.Error(err)
	}
}

func TestAReadOnlyFileIsRefusedForWritingAndReadOtherwise(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ro.provoke")
	os.WriteFile(path, fullJob(t), 0o444)
	if _, err := Open(path); err == nil || !strings.Contains(err.Error(), "read-only") {
		t.Error(err)
	}
	if _, err := content(path); err != nil {
		t.Error(err)
	}
	j, err := OpenReadOnly(path)
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	if _, err := j.Annotate(1, noon, event.Note{Text: "x"}); !errors.Is(err, ErrReadOnly) {
		t.Error(err)
	}
	if _, err := j.Attach("x", nil); !errors.Is(err, ErrReadOnly) {
		t.Error(err)
	}
}

func TestASettingsSayThatEveryRecordIsFlushed(t *testing.T) {
	j, _, _ := smallJob(t)
	for pragma, want := range map[string]string{"journal_mode": "wal", "synchronous": "2", "fullfsync": "1", "trusted_schema": "0", "foreign_keys": "1"} {
		var got string
		if err := j.write.QueryRow("PRAGMA " + pragma).Scan(&got); err != nil || got != want {
			t.Errorf("%s is %s (%v), want %s", pragma, got, err, want)
		}
	}
}

func TestAMissingLogIsSaidAfterACrash(t *testing.T) {
	j, _, path := smallJob(t)
	file := read(t, path) // as if only this file had been carried away
	j.Close()
	away := filepath.Join(t.TempDir(), "away.provoke")
	os.WriteFile(away, file, 0o644)
	j, err := Open(away)
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	if !strings.Contains(j.LeftBehind(), "there is no away.provoke-wal") {
		t.Error(j.LeftBehind())
	}
}
