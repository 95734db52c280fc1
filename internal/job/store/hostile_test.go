package store

import (
	"bytes"
	"database/sql"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"provoke/internal/job/event"
)

// A crafted job file: pages of the SQLite file format (https://www.sqlite.org/fileformat2.html,
// section 1) made by hand where SQLite itself would not write them.
type crafted struct{ pages [][]byte }

const craftedPage = 512

func craft(t testing.TB) *crafted {
	data := fullJob(t)
	c := &crafted{}
	for len(data) > 0 {
		c.pages = append(c.pages, slices.Clone(data[:craftedPage]))
		data = data[craftedPage:]
	}
	return c
}

// root returns the number of the root page of a table or index.
func (c *crafted) root(t testing.TB, name string) int {
	t.Helper()
	path := filepath.Join(t.TempDir(), "c.provoke")
	c.write(t, path, 0)
	db, err := sql.Open("sqlite", path)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	var root int
	if err := db.QueryRow("SELECT rootpage FROM sqlite_schema WHERE name = ?", name).Scan(&root); err != nil {
		t.Fatal(err)
	}
	return root
}

func (c *crafted) add(page []byte) int {
	c.pages = append(c.pages, page)
	return len(c.pages)
}

// write writes the file, made longer by a hole where size says so.
func (c *crafted) write(t testing.TB, path string, size int64) {
	t.Helper()
	data := bytes.Join(c.pages, nil)
	size = max(size, int64(len(data)))
	binary.BigEndian.PutUint32(data[28:], uint32(size/craftedPage)) // pages, by the header
	if err := os.WriteFile(path, data, 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(path, size); err != nil {
		t.Fatal(err)
	}
}

// interior is a page of a table's tree with as many children as there is room for, all of them one.
func interior(child int) []byte {
	p := make([]byte, craftedPage)
	n := (craftedPage - 12) / 7
	p[0] = 5
	binary.BigEndian.PutUint16(p[3:], uint16(n))
	at := craftedPage
	for i := range n {
		at -= 5
		binary.BigEndian.PutUint32(p[at:], uint32(child))
		p[at+4] = 1 // the key
		binary.BigEndian.PutUint16(p[12+2*i:], uint16(at))
	}
	binary.BigEndian.PutUint16(p[5:], uint16(at))
	binary.BigEndian.PutUint32(p[8:], uint32(child))
	return p
}

// swollen makes the list of runs 71^10 rows long, in ten pages.
func swollen(t testing.TB, path string) {
	c := craft(t)
	root := c.root(t, "runs")
	child := c.add(c.pages[root-1])
	for range 9 {
		child = c.add(interior(child))
	}
	c.pages[root-1] = interior(child)
	c.write(t, path, 0)
}

func varint(x uint64) []byte {
	out := []byte{byte(x & 0x7f)}
	for x >>= 7; x > 0; x >>= 7 {
		out = append([]byte{byte(x&0x7f) | 0x80}, out...)
	}
	return out
}

// endless makes the one record of the job 1,000,000,000 bytes long, in a page that follows itself;
// where makes it the body, or the hash of an attachment. The file has 2 GiB, nearly all of it a hole.
func endless(table string) func(t testing.TB, path string) {
	return func(t testing.TB, path string) {
		const long = 1_000_000_000
		c := craft(t)
		page := make([]byte, craftedPage)
		follow := c.add(page)
		copy(page[4:], bytes.Repeat([]byte{'x'}, craftedPage-4))
		binary.BigEndian.PutUint32(page, uint32(follow))
		text := func(n int) uint64 { return uint64(13 + 2*n) }
		var types []uint64
		var start []byte
		total := 0
		switch table {
		case "events": // run, seq, at, kind, body, chain
			at := event.FormatTime(noon)
			types = []uint64{1, 1, text(len(at)), text(4), text(long), text(64)}
			start = append([]byte{1, 1}, at+"note"+`{"text":"`...)
			total = 2 + len(at) + 4 + long + 64
		default: // sha256, rowid
			types = []uint64{text(long), 1}
			start = []byte("00")
			total = long + 1
		}
		var head []byte
		for _, x := range types {
			head = append(head, varint(x)...)
		}
		head = append(varint(uint64(len(head)+1)), head...)
		total += len(head)
		// Bytes of an index cell that stay on the page, by the format's formula.
		most, least := (craftedPage-12)*64/255-23, (craftedPage-12)*32/255-23
		local := least + (total-least)%(craftedPage-4)
		if local > most {
			local = least
		}
		payload := append(head, start...)
		payload = append(payload, bytes.Repeat([]byte{'x'}, max(0, local-len(payload)))...)[:local]
		cell := append(varint(uint64(total)), payload...)
		cell = binary.BigEndian.AppendUint32(cell, uint32(follow))
		leaf := make([]byte, craftedPage)
		leaf[0] = 10
		binary.BigEndian.PutUint16(leaf[3:], 1)
		binary.BigEndian.PutUint16(leaf[5:], uint16(craftedPage-len(cell)))
		binary.BigEndian.PutUint16(leaf[8:], uint16(craftedPage-len(cell)))
		copy(leaf[craftedPage-len(cell):], cell)
		name := "events"
		if table != "events" {
			name = "sqlite_autoindex_attachments_1"
		}
		c.pages[c.root(t, name)-1] = leaf
		c.write(t, path, 2<<30)
	}
}

// otherReader reads everything in a job in a process of its own, whose memory is measured.
func otherReader(path string) {
	say := func(what string, err error) { fmt.Printf("%s: %v\n", what, err) }
	j, err := OpenReadOnly(path)
	if err != nil {
		say("open", err)
		os.Exit(0)
	}
	if _, err := j.Runs(); err != nil {
		say("runs", err)
	}
	for _, err := range j.Records(1, 1) {
		if err != nil {
			say("records", err)
		}
	}
	_, _, err = j.Attachment(strings.Repeat("0", 64))
	say("attachment", err)
	v, err := j.Verify()
	say("verify", fmt.Errorf("%v %v", err, v.OK()))
	os.Exit(0)
}

func TestACraftedJobHasBoundsWhateverItClaims(t *testing.T) {
	for name, c := range map[string]struct {
		make func(testing.TB, string)
		says []string
	}{
		"a list of runs without an end":     {swollen, []string{"runs: ", "cannot be read behind run 1"}},
		"a record of a gigabyte":            {endless("events"), []string{"records: ", ErrDamaged.Error()}},
		"the hash of a file, of a gigabyte": {endless("attachments"), []string{"attachment: ", ErrDamaged.Error()}},
		"a job with a hole of two gigabytes": {func(t testing.TB, path string) { craft(t).write(t, path, 2<<30) },
			[]string{"verify: ", "false"}},
		"two gigabytes of nothing": {func(t testing.TB,
			path string) {
			os.WriteFile(path, nil, 0o644)
			os.Truncate(path, 2<<30)
		}, []string{"open: ", ErrNotAJob.Error()}},
		"two gigabytes behind a right header": {func(t testing.TB,
			path string) {
			c := craft(t)
			c.pages = c.pages[:1]
			c.write(t, path, 2<<30)
		}, []string{"open: "}},
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "crafted.provoke")
			c.make(t, path)
			begun := time.Now()
			p, out := other(t, "STORE_TEST_READ", path)
			end := time.AfterFunc(time.Minute, func() { p.Process.Kill() })
			defer end.Stop()
			var text strings.Builder
			for out.Scan() {
				text.WriteString(out.Text() + "\n")
			}
			p.Wait()
			for _, want := range c.says {
				if !strings.Contains(text.String(), want) {
					t.Errorf("it says\n%s, and not %q", text.String(), want)
				}
			}
			if strings.Contains(text.String(), "<nil> true") {
				t.Errorf("it verifies:\n%s", text.String())
			}
			peak := peakOf(p.ProcessState)
			t.Logf("figure: crafted job, %s: read and verified in %.1f s, %.0f MB at most", name,
				time.Since(begun).Seconds(), float64(peak)/1e6)
			if peak > 300e6 {
				t.Errorf("%d bytes of memory", peak)
			}
		})
	}
}

func TestARecordThatIsTooLongIsRefusedAndTheJournalGoesOn(t *testing.T) {
	_, w, _ := smallJob(t)
	_, err := w.Append(noon, event.Note{Text: strings.Repeat("µ", mostBody/2)})
	if err == nil || errors.Is(err, ErrDead) || !strings.Contains(err.Error(), "too long") {
		t.Errorf("%v", err)
	}
	if _, err := w.Append(noon, event.Note{Text: "short"}); err != nil {
		t.Error(err)
	}
}

// Records that are read a chunk at a time are those that are read one by one, and what only the reader of single
// records can tell is left to it.
func TestRecordsOfAChunkAreThoseReadOneByOne(t *testing.T) {
	j, w, _ := smallJob(t)
	for i := range 20 {
		if _, err := w.Append(noon, event.Note{Text: strings.Repeat("µ ", i)},
			event.OperatorMark{Text: "dark"}); err != nil {
			t.Fatal(err)
		}
	}
	query, err := j.read.Prepare(gathered)
	if err != nil {
		t.Fatal(err)
	}
	defer query.Close()
	same := func(from int64, size int, whole bool) {
		t.Helper()
		single, err := j.chunk(1, from, size)
		if err != nil {
			t.Fatal(err)
		}
		if got, ok := gather(query, 1, from, size); ok != whole || ok && !slices.Equal(got, single) {
			t.Errorf("from %d, %d at most: %v\n%v\n%v", from, size, ok, got, single)
		}
	}
	same(1, 7, true)
	same(5, 500, true)
	same(1000, 500, true) // none
	if _, err := w.Append(noon, event.Note{Text: strings.Repeat("x", mostChunk/chunk)}); err != nil {
		t.Fatal(err)
	}
	same(5, 500, false)
	same(1, 7, true)
	if _, err := j.write.Exec("DELETE FROM events WHERE run = 1 AND seq = 4"); err != nil {
		t.Fatal(err)
	}
	same(1, 7, false)
}

func TestLongRecordsAreReadAFewAtATime(t *testing.T) {
	if testing.Short() {
		t.Skip("long records")
	}
	j, _, _ := smallJob(t)
	for seq := range 5 {
		if _, err := j.write.Exec("INSERT INTO events VALUES (1, ?, 'x', 'note', ?, 'x')", seq+2,
			strings.Repeat("x", mostBody-1)); err != nil {
			t.Fatal(err)
		}
	}
	n := 0
	for p := range j.chunks(1, 1) {
		if p.err != nil || len(p.raws) > 3 {
			t.Fatalf("%d records at a time, %v", len(p.raws), p.err)
		}
		n += len(p.raws)
	}
	if n != 6 {
		t.Errorf("%d records", n)
	}
}

func TestAnEmptyFileIsAttachedAndVerifies(t *testing.T) {
	j, w, _ := smallJob(t)
	a, err := j.Attach("empty.csv", nil)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.Append(noon, event.Attached{Attachment: a}); err != nil {
		t.Fatal(err)
	}
	if v, err := j.Verify(); err != nil || !v.OK() || v.Attachments != 1 {
		t.Errorf("%+v %v", v, err)
	}
}

// FuzzJobFile: whatever stands in the file, reading ends, says no more than the file can hold, words
// its error, and a job that verifies with the head of the true one says what the true one says.
func FuzzJobFile(f *testing.F) {
	data := fullJob(f)
	path := filepath.Join(f.TempDir(), "fuzz.provoke")
	os.WriteFile(path, data, 0o644)
	want, err := content(path)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(uint16(28), []byte{0, 0, 0x40, 0}, uint16(len(data)))
	f.Add(uint16(100), []byte{5}, uint16(len(data)))
	f.Add(uint16(len(data)-600), []byte("{}"), uint16(len(data)))
	f.Add(uint16(0), []byte("SQLite"), uint16(512))
	f.Fuzz(func(t *testing.T, at uint16, change []byte, size uint16) {
		bad := slices.Clone(data)
		copy(bad[int(at)%len(bad):], change)
		path := filepath.Join(t.TempDir(), "fuzz.provoke")
		os.WriteFile(path, bad[:min(int(size), len(bad))], 0o644)
		if got, err := content(path); err == nil && got != want {
			t.Fatal("the job says something else and nothing is noticed")
		}
		told := func(text string) {
			if text != event.Printable(text) {
				t.Errorf("%q holds raw text", text)
			}
		}
		j, err := OpenReadOnly(path)
		if err != nil {
			told(err.Error())
			return
		}
		defer j.Close()
		said := 0
		runs, err := j.Runs()
		if err != nil {
			told(err.Error())
		}
		for _, r := range runs {
			for rec, err := range j.Records(r.Run, 1) {
				said += len(event.Line(rec.Event))
				if err != nil {
					told(err.Error())
				}
			}
		}
		v, err := j.Verify()
		if err != nil {
			told(err.Error())
		}
		for _, p := range v.Problems {
			told(p)
		}
		for _, r := range v.Runs {
			for _, p := range r.Problems {
				told(p)
			}
		}
		if len(runs) > len(bad) || said > 64*len(bad) {
			t.Fatalf("%d runs and %d bytes of text out of %d bytes", len(runs), said, len(bad))
		}
	})
}
