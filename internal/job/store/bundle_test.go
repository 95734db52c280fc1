package store_test

import (
	"archive/zip"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"provoke/internal/job/event"
	"provoke/internal/job/store"
)

// exported is a job with two runs, of which the second is exported.
func exported(t testing.TB) (*store.Job, []byte, store.Bundle) {
	t.Helper()
	j, _ := newJob(t)
	first := newRun(t, j)
	first.Close(time.Now(), event.Done, "")
	w := newRun(t, j)
	a, err := j.Attach("photo.jpg", []byte("a photo"))
	if err != nil {
		t.Fatal(err)
	}
	add(t, w, event.Note{Text: "µ <b>\x1b[31m"}, event.Attached{Attachment: a})
	if _, err := w.Close(time.Now(), event.Done, ""); err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	b, err := j.Export(w.Run(), &out)
	if err != nil {
		t.Fatal(err)
	}
	return j, out.Bytes(), b
}

func imported(t testing.TB, bundle []byte) (*store.Job, store.Bundle, error) {
	t.Helper()
	j, _ := newJob(t)
	b, err := j.Import(bytes.NewReader(bundle), int64(len(bundle)), time.Now(), "belt.zip")
	return j, b, err
}

func TestARunIsVerifiedAndTakenInOnAnotherMachine(t *testing.T) {
	_, bundle, wrote := exported(t)
	j, read, err := imported(t, bundle)
	if err != nil {
		t.Fatal(err)
	}
	if read != wrote {
		t.Errorf("wrote %+v, read %+v", wrote, read)
	}
	v, err := j.Verify()
	if err != nil || !v.Complete() || len(v.Runs) != 1 || v.Runs[0].Run != 2 ||
		v.Runs[0].Has(wrote.Head) != wrote.Records || v.Runs[0].Late != 1 {
		t.Errorf("%+v %v", v, err)
	}
	// Runs of its own follow with the next number.
	if w := newRun(t, j); w.Run() != 3 {
		t.Errorf("the next run is %d", w.Run())
	}
	if v, _ := j.Verify(); !v.OK() {
		t.Errorf("%+v", v)
	}
}

func TestANumberThatIsTakenIsRefused(t *testing.T) {
	j, bundle, _ := exported(t)
	if _, err := j.Import(bytes.NewReader(bundle), int64(len(bundle)), time.Now(), "belt.zip"); err == nil ||
		!strings.Contains(err.Error(), "has a run 2 already") {
		t.Errorf("%v", err)
	}
	if v, _ := j.Verify(); !v.Complete() {
		t.Errorf("%+v", v)
	}
}

// TestAManifestIsReadBySha256sum: the manifest is in the format of a program that is everywhere.
func TestAManifestIsReadBySha256sum(t *testing.T) {
	program, err := exec.LookPath("sha256sum")
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("outside check skipped: no sha256sum")
		}
		t.Skip("outside check skipped: no sha256sum")
	}
	_, bundle, _ := exported(t)
	dir := t.TempDir()
	for name, data := range unpack(t, bundle) {
		os.MkdirAll(filepath.Dir(filepath.Join(dir, name)), 0o755)
		os.WriteFile(filepath.Join(dir, name), data, 0o644)
	}
	c := exec.Command(program, "-c", "--strict", "MANIFEST.sha256")
	c.Dir = dir
	if out, err := c.CombinedOutput(); err != nil {
		t.Errorf("%v\n%s", err, out)
	}
}

func unpack(t testing.TB, bundle []byte) map[string][]byte {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(bundle), int64(len(bundle)))
	if err != nil {
		t.Fatal(err)
	}
	out := map[string][]byte{}
	for _, f := range z.File {
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		out[f.Name], _ = io.ReadAll(r)
		r.Close()
	}
	return out
}

// pack packs files, with a manifest that fits them unless there is one.
func pack(t testing.TB, files map[string][]byte, withManifest bool) []byte {
	t.Helper()
	if withManifest {
		var text strings.Builder
		for _, name := range slices.Sorted(maps.Keys(files)) {
			if name != "MANIFEST.sha256" {
				sum := sha256.Sum256(files[name])
				fmt.Fprintf(&text, "%s  %s\n", hex.EncodeToString(sum[:]), name)
			}
		}
		files["MANIFEST.sha256"] = []byte(text.String())
	}
	var out bytes.Buffer
	z := zip.NewWriter(&out)
	for _, name := range slices.Sorted(maps.Keys(files)) {
		w, _ := z.Create(name)
		w.Write(files[name])
	}
	z.Close()
	return out.Bytes()
}

func TestABundleThatWasChangedIsRefusedAndNothingTakenIn(t *testing.T) {
	_, bundle, _ := exported(t)
	photo := ""
	for name := range unpack(t, bundle) {
		if strings.HasPrefix(name, "attachments/") && string(unpack(t, bundle)[name]) == "a photo" {
			photo = name
		}
	}
	records := func(f map[string][]byte, change func(string) string) {
		f["journal.jsonl"] = []byte(change(string(f["journal.jsonl"])))
	}
	for what, c := range map[string]struct {
		change   func(f map[string][]byte)
		manifest bool // made to fit
		says     string
	}{
		"a record": {func(f map[string][]byte) {
			records(f, func(s string) string { return strings.Replace(s, "µ", "m", 1) })
		}, false, "journal.jsonl is not the file that the manifest names"},
		"a record and the manifest": {func(f map[string][]byte) {
			records(f, func(s string) string { return strings.Replace(s, "µ", "m", 1) })
		}, true, "is not as it was written"},
		"the order": {func(f map[string][]byte) { records(f, swapLines) }, true, "record"},
		"another run's record": {func(f map[string][]byte) {
			records(f,
				func(s string) string { return s + `{"run":7}` + "\n" })
		}, true, "runs 2 and 7"},
		"a key that nobody knows": {func(f map[string][]byte) {
			records(f, func(s string) string { return strings.Replace(s, `{"run"`, `{"x":1,"run"`, 1) })
		}, true, "unknown field"},
		"no records": {func(f map[string][]byte) { f["journal.jsonl"] = nil }, true, "no record"},
		"a photo": {func(f map[string][]byte) { f[photo] = []byte("b photo") },
			true, "not the file that was attached"},
		"a photo that is missing": {func(f map[string][]byte) { delete(f, photo) }, true, "photo.jpg is missing"},
		"a file that nobody names": {func(f map[string][]byte) {
			f["attachments/"+strings.Repeat("0",
				64)] = []byte("x")
		}, true, "no record names"},
		"a file that leaves its folder": {func(f map[string][]byte) { f["attachments/../../x"] = []byte("x") },
			true, "does not belong there"},
		"a file that is not listed": {func(f map[string][]byte) {
			f["attachments/"+strings.Repeat("0",
				64)] = []byte("x")
		}, false, "is not in its manifest"},
		"no manifest": {func(f map[string][]byte) { delete(f, "MANIFEST.sha256") }, false,
			"MANIFEST.sha256 is missing"},
		"a name with a control character": {func(f map[string][]byte) {
			f["attachments.json"] = []byte(strings.Replace(string(f["attachments.json"]), "photo.jpg", `ph\u001b[2Joto`,
				1))
		}, true, "name"},
	} {
		t.Run(what, func(t *testing.T) {
			files := unpack(t, bundle)
			c.change(files)
			j, _, err := imported(t, pack(t, files, c.manifest))
			if !errors.Is(err, store.ErrBundle) || !strings.Contains(err.Error(), c.says) {
				t.Errorf("%v", err)
			}
			if runs, _ := j.Runs(); len(runs) != 0 {
				t.Errorf("%d runs were taken in", len(runs))
			}
			if v, err := j.Verify(); err != nil || !v.OK() || v.Attachments != 0 {
				t.Errorf("%+v %v", v, err)
			}
		})
	}
	if _, _, err := imported(t, []byte("no zip at all")); !errors.Is(err, store.ErrBundle) {
		t.Errorf("%v", err)
	}
	for cut := range len(bundle) / 37 {
		if _, _, err := imported(t, bundle[:cut*37]); err == nil {
			t.Fatalf("cut at %d it was taken in", cut*37)
		}
	}
}

func swapLines(s string) string {
	l := strings.SplitAfter(s, "\n")
	l[1], l[2] = l[2], l[1]
	return strings.Join(l, "")
}

// TestABundleThatSwellsIsRefused: a few kilobytes that unpack to more than a file may have.
func TestABundleThatSwellsIsRefused(t *testing.T) {
	_, bundle, _ := exported(t)
	files := unpack(t, bundle)
	files["attachments/"+strings.Repeat("0", 64)] = make([]byte, store.MaxAttachment+1)
	packed := pack(t, files, true)
	if len(packed) > 1<<20 {
		t.Fatalf("packed it has %d bytes", len(packed))
	}
	if _, _, err := imported(t, packed); !errors.Is(err, store.ErrBundle) ||
		!strings.Contains(err.Error(), "too long") {
		t.Errorf("%v", err)
	}
}
