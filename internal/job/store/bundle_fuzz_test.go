package store_test

import (
	"bytes"
	"errors"
	"testing"
	"time"

	"provoke/internal/job/store"
)

// FuzzBundle: whatever a bundle holds, with a manifest that fits it or without, a run is taken in whole
// and verifies, or it is refused as no whole bundle and the job holds what it held.
func FuzzBundle(f *testing.F) {
	_, bundle, _ := exported(f)
	files := unpack(f, bundle)
	f.Add(files["journal.jsonl"], files["attachments.json"], []byte("a photo"), "x", []byte("x"), true)
	f.Add(files["journal.jsonl"], []byte("[]"), []byte("a photo"), "", []byte(nil), true)
	f.Add(files["journal.jsonl"], []byte("null"), []byte("b photo"), "../../x", []byte("x"), false)
	f.Add([]byte(`{"run":1,"seq":1,"at":"","kind":"opened\n","body":"{}","chain":""}`), files["attachments.json"],
		[]byte(nil), "attachments/../x", []byte("x"), true)
	f.Fuzz(func(t *testing.T, journal, names, photo []byte, extra string, content []byte, fits bool) {
		packed := map[string][]byte{"MANIFEST.sha256": files["MANIFEST.sha256"], "README.txt": files["README.txt"],
			"journal.jsonl": journal, "attachments.json": names}
		for name, data := range files {
			if len(name) > len("attachments/") && name[:12] == "attachments/" {
				packed[name] = data
				if string(data) == "a photo" {
					packed[name] = photo
				}
			}
		}
		if extra != "" {
			packed[extra] = content
		}
		job, _ := newJob(t)
		zip := pack(t, packed, fits)
		b, err := job.Import(bytes.NewReader(zip), int64(len(zip)), time.Now(), "x.zip")
		v, e := job.Verify()
		if e != nil || !v.OK() {
			t.Fatalf("the job does not verify: %+v, %v", v, e)
		}
		switch {
		case err == nil && (len(v.Runs) != 1 || v.Runs[0].Run != b.Run || v.Runs[0].Has(b.Head) == 0):
			t.Fatalf("%+v was taken in, and the job holds %+v", b, v)
		case err != nil && (len(v.Runs) != 0 || v.Attachments != 0):
			t.Fatalf("refused (%v), and the job holds %+v", err, v)
		case err != nil && !errors.Is(err, store.ErrBundle):
			t.Fatalf("the refusal is %v", err)
		}
	})
}
