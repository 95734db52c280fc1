package store

import (
	"archive/zip"
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"io"
	"maps"
	"math"
	"regexp"
	"slices"
	"strings"
	"time"

	"provoke/internal/job/event"
)

// Names in a bundle. A bundle is a ZIP file: docs/journal.md describes it.
const (
	bundleManifest = "MANIFEST.sha256"
	bundleReadme   = "README.txt"
	bundleRecords  = "journal.jsonl"
	bundleNames    = "attachments.json"
	bundleFolder   = "attachments/"
)

// Bounds of a bundle that is imported, whatever it claims of itself.
const (
	mostBundleFiles = 20000
	mostDirectory   = 8 << 20 // bytes of the list of files at the end of a ZIP file
	mostRecordBytes = 2*mostBody + 4096
	mostManifest    = 8 << 20
	mostJournal     = 16 << 30
	// What a bundle unpacks to may be so many times its size, and some more: each record holds 32 bytes
	// of hash that no packing makes smaller.
	mostSwelling = 100
	moreSwelling = 256 << 20
)

// ErrBundle is wrapped by every error about a bundle that is not one, or not whole.
var ErrBundle = errors.New("not a whole bundle of a run")

const bundleText = `This is one run of a provoke job, to be verified and imported on another machine.

journal.jsonl      the run's records in order, one JSON object a line; body is the record's body exactly as it
                   stands in the job, and chain is the chain hash over it (docs/journal.md gives the bytes)
attachments.json   the attached files by hash, with the name under which each was first attached
attachments/       the attached files, each under its SHA-256
MANIFEST.sha256    SHA-256 of every other file; check with: sha256sum -c MANIFEST.sha256

There is no cryptographic signature: the hashes show accidents and careless changes. Who changes everything can
compute new hashes; a head hash that was noted elsewhere, as a report prints it, is what shows that.
`

// bundleLine is a record in a bundle. The body is text so that its bytes survive any JSON program.
type bundleLine struct {
	Run   int    `json:"run"`
	Seq   int64  `json:"seq"`
	At    string `json:"at"`
	Kind  string `json:"kind"`
	Body  string `json:"body"`
	Chain string `json:"chain"`
}

type bundleName struct {
	SHA256 string `json:"sha256"`
	Name   string `json:"name"`
}

// Bundle is what Export wrote or Import read.
type Bundle struct {
	Run         int
	Records     int64
	Head        string
	Attachments int
	Manifest    string // SHA-256 of the manifest, which stands for the whole
}

// Export writes one run with everything that it names as a bundle. A run that does not verify is not
// exported: the error wraps ErrDamaged.
func (j *Job) Export(run int, to io.Writer) (Bundle, error) {
	b, err := j.export(run, to)
	if err != nil {
		return b, fmt.Errorf("export run %d of %s: %w", run, shown(j.path), err)
	}
	return b, nil
}

func (j *Job) export(run int, to io.Writer) (Bundle, error) {
	c, err := j.checkRun(run)
	if err != nil {
		return Bundle{}, err
	}
	if len(c.Problems) > 0 {
		return Bundle{}, fmt.Errorf("%w: %s", ErrDamaged, c.Problems[0])
	}
	out := bundleWriter{zip: zip.NewWriter(to), sums: map[string]string{}}
	err = out.file(bundleReadme, func(w io.Writer) error { _, err := io.WriteString(w, bundleText); return err })
	if err == nil {
		err = out.file(bundleRecords, func(w io.Writer) error { return j.exportRecords(c, w) })
	}
	n := 0
	if err == nil {
		n, err = j.exportAttachments(c, &out)
	}
	if err != nil {
		return Bundle{}, err
	}
	manifest, err := out.end()
	return Bundle{Run: run, Records: c.Count, Head: c.Head, Attachments: n, Manifest: manifest}, err
}

// exportRecords writes the records that were verified and no later ones.
func (j *Job) exportRecords(c RunCheck, w io.Writer) error {
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false)
	for p := range ahead(j.chunks(c.Run, 0)) {
		if p.err != nil {
			return p.err
		}
		for _, r := range p.raws {
			if r.seq > c.Count {
				return nil
			}
			if err := enc.Encode(bundleLine{c.Run, r.seq, r.at, r.kind, r.body, r.chain}); err != nil {
				return err
			}
		}
	}
	return nil
}

func (j *Job) exportAttachments(c RunCheck, out *bundleWriter) (int, error) {
	var names []bundleName
	for _, sum := range slices.Sorted(maps.Keys(c.names)) {
		name, data, err := j.Attachment(sum)
		if err != nil {
			if c.names[sum][0] == "" {
				continue // a curve of the bench file: hashed, not attached
			}
			return 0, err
		}
		names = append(names, bundleName{sum, name})
		if err := out.file(bundleFolder+sum, func(w io.Writer) error {
			_,
				err := w.Write(data)
			return err
		}); err != nil {
			return 0, err
		}
	}
	return len(names), out.file(bundleNames, func(w io.Writer) error { return json.NewEncoder(w).Encode(names) })
}

type bundleWriter struct {
	zip  *zip.Writer
	sums map[string]string
}

// file writes one file and notes its hash.
func (b *bundleWriter) file(name string, write func(io.Writer) error) error {
	w, err := b.zip.Create(name)
	if err != nil {
		return err
	}
	sum := sha256.New()
	if err := write(io.MultiWriter(w, sum)); err != nil {
		return err
	}
	b.sums[name] = hex.EncodeToString(sum.Sum(nil))
	return nil
}

// end writes the manifest and returns its hash.
func (b *bundleWriter) end() (string, error) {
	var text strings.Builder
	for _, name := range slices.Sorted(maps.Keys(b.sums)) {
		fmt.Fprintf(&text, "%s  %s\n", b.sums[name], name)
	}
	sum := sha256.Sum256([]byte(text.String()))
	w, err := b.zip.Create(bundleManifest)
	if err == nil {
		_, err = io.WriteString(w, text.String())
	}
	return hex.EncodeToString(sum[:]), errors.Join(err, b.zip.Close())
}

// Import verifies a bundle and takes its run into the job under the run's own number, which is part of
// every chain hash and must be free here. Nothing is taken in when anything does not verify. A record
// of kind imported, chained on at the end, says where the run came from. from is the bundle's name.
func (j *Job) Import(in io.ReaderAt, size int64, at time.Time, from string) (Bundle, error) {
	b, err := j.importFrom(in, size, at, from)
	if err != nil {
		return b, fmt.Errorf("import %s into %s: %w", printable(from), shown(j.path), err)
	}
	return b, nil
}

func (j *Job) importFrom(in io.ReaderAt, size int64, at time.Time, from string) (Bundle, error) {
	r, err := openBundle(in, size)
	if err != nil {
		return Bundle{}, err
	}
	if err := r.checkSums(); err != nil {
		return Bundle{}, err
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	if err := j.writable(); err != nil {
		return Bundle{}, err
	}
	if err := j.checkThere(); err != nil {
		return Bundle{}, err
	}
	tx, err := j.write.Begin()
	if err != nil {
		return Bundle{}, plain(err)
	}
	defer tx.Rollback()
	t := taking{tx: tx, insertEvent: tx.Stmt(j.insertEvent), insertRun: tx.Stmt(j.insertRun)}
	if err := t.records(r); err != nil {
		return Bundle{}, err
	}
	if err := t.attachments(r); err != nil {
		return Bundle{}, err
	}
	if err := t.end(at, event.Imported{From: from, Manifest: r.manifest, Head: t.check.Head}); err != nil {
		return Bundle{}, err
	}
	if err := plain(tx.Commit()); err != nil {
		return Bundle{}, err
	}
	delete(j.tails, t.check.Run)
	j.wake.ring()
	return Bundle{Run: t.check.Run, Records: t.check.Count, Head: t.check.Head, Attachments: t.attached,
		Manifest: r.manifest}, nil
}

// bundleReader is a bundle whose file names and manifest fit together.
type bundleReader struct {
	files    map[string]*zip.File
	sums     map[string]string
	manifest string
}

var attachmentFile = regexp.MustCompile(`^attachments/[0-9a-f]{64}$`)

func openBundle(in io.ReaderAt, size int64) (*bundleReader, error) {
	list := &metered{in: in, left: mostDirectory}
	z, err := zip.NewReader(list, size)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrBundle, err)
	}
	if len(z.File) > mostBundleFiles {
		return nil, fmt.Errorf("%w: it holds %d files", ErrBundle, len(z.File))
	}
	list.left = math.MaxInt64
	r := &bundleReader{files: map[string]*zip.File{}, sums: map[string]string{}}
	unpacked := uint64(0)
	for _, f := range z.File {
		// A file that unpacks to more than it says fails when it is read.
		if unpacked += min(f.UncompressedSize64,
			math.MaxInt64/mostBundleFiles); unpacked > uint64(size)*mostSwelling+moreSwelling {
			return nil, fmt.Errorf("%w: it has %d bytes and unpacks to more than %d times that: nothing was unpacked",
				ErrBundle, size, mostSwelling)
		}
		switch known := f.Name == bundleManifest || f.Name == bundleReadme || f.Name == bundleRecords ||
			f.Name == bundleNames || attachmentFile.MatchString(f.Name); {
		case !known:
			return nil, fmt.Errorf("%w: it holds %s, which does not belong there", ErrBundle, printable(f.Name))
		case r.files[f.Name] != nil:
			return nil, fmt.Errorf("%w: it holds %s twice", ErrBundle, f.Name)
		}
		r.files[f.Name] = f
	}
	return r, r.readManifest()
}

// metered reads so many bytes and no more: a list of files has no other end than what is read.
type metered struct {
	in   io.ReaderAt
	left int64
}

func (m *metered) ReadAt(p []byte, off int64) (int, error) {
	if m.left -= int64(len(p)); m.left < 0 {
		return 0, errors.New("its list of files is too long")
	}
	return m.in.ReadAt(p, off)
}

// bound is how many bytes a file of a bundle may have.
func bound(name string) int64 {
	switch {
	case name == bundleRecords:
		return mostJournal
	case strings.HasPrefix(name, bundleFolder):
		return MaxAttachment
	}
	return mostManifest
}

// stream opens a file, bounded; whoever reads beyond the bound gets an error.
func (r *bundleReader) stream(name string) (io.ReadCloser, error) {
	f := r.files[name]
	if f == nil {
		return nil, fmt.Errorf("%w: %s is missing", ErrBundle, name)
	}
	in, err := f.Open()
	if err != nil {
		return nil, fmt.Errorf("%w: %s: %w", ErrBundle, name, err)
	}
	return struct {
		io.Reader
		io.Closer
	}{&bounded{in: in, left: bound(name), name: name}, in}, nil
}

type bounded struct {
	in   io.Reader
	left int64
	name string
}

// Read fails where a file goes on beyond its bound.
func (b *bounded) Read(p []byte) (int, error) {
	n, err := b.in.Read(p)
	if b.left -= int64(n); b.left < 0 {
		return 0, fmt.Errorf("%w: %s is too long", ErrBundle, b.name)
	}
	if err != nil && err != io.EOF {
		err = fmt.Errorf("%w: %s: %w", ErrBundle, b.name, err)
	}
	return n, err
}

func (r *bundleReader) whole(name string) ([]byte, error) {
	in, err := r.stream(name)
	if err != nil {
		return nil, err
	}
	defer in.Close()
	return io.ReadAll(in)
}

var manifestLine = regexp.MustCompile(`^([0-9a-f]{64})  (\S+)$`)

func (r *bundleReader) readManifest() error {
	text, err := r.whole(bundleManifest)
	if err != nil {
		return err
	}
	sum := sha256.Sum256(text)
	r.manifest = hex.EncodeToString(sum[:])
	for _, line := range strings.Split(strings.TrimSuffix(string(text), "\n"), "\n") {
		m := manifestLine.FindStringSubmatch(line)
		if m == nil || r.files[m[2]] == nil || m[2] == bundleManifest || r.sums[m[2]] != "" {
			return fmt.Errorf("%w: its manifest says %q", ErrBundle, printable(line))
		}
		r.sums[m[2]] = m[1]
	}
	for name := range r.files {
		if name != bundleManifest && r.sums[name] == "" {
			return fmt.Errorf("%w: %s is not in its manifest", ErrBundle, name)
		}
	}
	return nil
}

// checkSums hashes every file again.
func (r *bundleReader) checkSums() error {
	for _, name := range slices.Sorted(maps.Keys(r.sums)) {
		in, err := r.stream(name)
		if err != nil {
			return err
		}
		sum := sha256.New()
		_, err = io.Copy(sum, in)
		in.Close()
		if err != nil {
			return err
		}
		if err := same(sum, r.sums[name]); err != nil {
			return fmt.Errorf("%w: %s %w", ErrBundle, name, err)
		}
	}
	return nil
}

func same(sum hash.Hash, want string) error {
	if hex.EncodeToString(sum.Sum(nil)) != want {
		return errors.New("is not the file that the manifest names")
	}
	return nil
}

// lines yields the records of the bundle.
func (r *bundleReader) lines(take func(bundleLine) error) error {
	in, err := r.stream(bundleRecords)
	if err != nil {
		return err
	}
	defer in.Close()
	s := bufio.NewScanner(in)
	s.Buffer(make([]byte, 1<<20), mostRecordBytes)
	for s.Scan() {
		var l bundleLine
		d := json.NewDecoder(bytes.NewReader(s.Bytes()))
		d.DisallowUnknownFields()
		if err := d.Decode(&l); err != nil {
			return fmt.Errorf("%w: a record cannot be read: %w", ErrBundle, err)
		}
		if err := take(l); err != nil {
			return err
		}
	}
	if err := s.Err(); err != nil {
		return fmt.Errorf("%w: %w", ErrBundle, err)
	}
	return nil
}

// names returns the files' names by hash.
func (r *bundleReader) names() (map[string]string, error) {
	data, err := r.whole(bundleNames)
	if err != nil {
		return nil, err
	}
	var list []bundleName
	if err := json.Unmarshal(data, &list); err != nil {
		return nil, fmt.Errorf("%w: %s: %w", ErrBundle, bundleNames, err)
	}
	out := map[string]string{}
	for _, n := range list {
		if err := checkName(n.Name); err != nil {
			return nil, fmt.Errorf("%w: %w", ErrBundle, err)
		}
		out[n.SHA256] = n.Name
	}
	return out, nil
}

func (r *bundleReader) isNotThere(hash string) bool { return r.files[bundleFolder+hash] == nil }
