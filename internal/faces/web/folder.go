package web

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"sort"
	"strings"
	"sync"

	"provoke/internal/files/document"
)

// folder is the folder of bench and plan files. Nothing outside it is reached.
type folder struct {
	dir  string
	root *os.Root

	mu sync.Mutex // one change at a time
}

func openFolder(dir string) (*folder, error) {
	root, err := os.OpenRoot(dir)
	if err != nil {
		return nil, fmt.Errorf("open the folder of the bench and plan files: %w", err)
	}
	return &folder{dir: dir, root: root}, nil
}

func (f *folder) close() error { return f.root.Close() }

// fileName is what a bench or plan file may be called on the page.
var fileName = regexp.MustCompile(`^[\p{L}\p{N}_][\p{L}\p{N} ._+-]{0,99}\.ya?ml$`)

// largestFile is the largest bench or plan file that is shown or written.
const largestFile = 1 << 19

// fileOf is one bench or plan file.
type fileOf struct {
	Name string
	Kind string // "bench", "plan", "sweep" or "cable"
}

// list returns the bench, plan, sweep or cable files, by name; every kind where kind is empty.
func (f *folder) list(kind string) ([]fileOf, error) {
	entries, err := fs.ReadDir(f.root.FS(), ".")
	if err != nil {
		return nil, fmt.Errorf("read the folder: %w", err)
	}
	var out []fileOf
	for _, e := range entries {
		if !e.Type().IsRegular() || !fileName.MatchString(e.Name()) {
			continue
		}
		if k := f.kindOf(e.Name()); k != "" && (kind == "" || k == kind) {
			out = append(out, fileOf{e.Name(), k})
		}
	}
	sort.Slice(out, func(i, j int) bool { return out[i].Name < out[j].Name })
	return out, nil
}

var headLine = regexp.MustCompile(`(?m)^provoke:\s*["']?(bench|plan|sweep|cable)\b`)

// kindOf reads what a file says that it is.
func (f *folder) kindOf(name string) string {
	file, err := f.root.Open(name)
	if err != nil {
		return ""
	}
	defer file.Close()
	head := make([]byte, 4096)
	n, _ := io.ReadFull(file, head)
	if m := headLine.FindSubmatch(head[:n]); m != nil {
		return string(m[1])
	}
	return ""
}

// read returns a bench or plan file.
func (f *folder) read(name string) ([]byte, error) {
	if !fileName.MatchString(name) {
		return nil, withStatus(http.StatusBadRequest, "%q is not the name of a bench or plan file", name)
	}
	data, err := f.beside(name)
	if err != nil {
		return nil, &statusError{http.StatusNotFound, err}
	}
	return data, nil
}

// beside returns the bytes of a file below the folder, such as a curve that a bench names.
func (f *folder) beside(name string) ([]byte, error) {
	file, err := f.root.Open(filepath.FromSlash(name))
	if err != nil {
		return nil, plainPath(err)
	}
	data, err := document.ReadFile(file, name, document.MaximumTable)
	if err != nil {
		return nil, plainPath(err)
	}
	return data, nil
}

// plainPath keeps the folder's place out of messages that name the file already.
func plainPath(err error) error {
	var pe *fs.PathError
	if errors.As(err, &pe) {
		return fmt.Errorf("%s: %w", pe.Path, pe.Err)
	}
	return err
}

// stamp names the bytes of a file, so that nobody overwrites what he has not seen.
func stamp(data []byte) string {
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:8])
}

// free returns a name that no file of the folder has yet: "plan.yaml", "plan-2.yaml".
func (f *folder) free(stem string) string {
	name := stem + ".yaml"
	for n := 2; n < 1000; n++ {
		if _, err := f.beside(name); errors.Is(err, fs.ErrNotExist) {
			break
		}
		name = fmt.Sprintf("%s-%d.yaml", stem, n)
	}
	return name
}

// write replaces a bench or plan file, in one go, when it is still the one that was shown. An empty
// stamp means that the file must not exist.
func (f *folder) write(name string, data []byte, shown string) error {
	if !fileName.MatchString(name) {
		return withStatus(http.StatusBadRequest,
			"%q cannot be the name of a bench or plan file: letters, digits, spaces and . _ + - and the ending .yaml",
			name)
	}
	if len(data) > largestFile {
		return withStatus(http.StatusRequestEntityTooLarge, "a bench or plan file may have %d kB", largestFile>>10)
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	old, err := f.beside(name)
	switch {
	case err == nil && shown == "":
		return withStatus(http.StatusConflict, "%s is there already; choose another name", name)
	case err == nil && stamp(old) != shown:
		return withStatus(http.StatusConflict,
			"%s was changed by somebody else meanwhile; load it again and make your change anew", name)
	case err != nil && !errors.Is(err, fs.ErrNotExist):
		return withStatus(http.StatusConflict, "write %s: %w", name, err)
	case err != nil && shown != "":
		return withStatus(http.StatusConflict, "%s was removed meanwhile", name)
	}
	return f.replace(name, data)
}

// replace writes beside and renames, so that a crash leaves the old file or the new one.
func (f *folder) replace(name string, data []byte) error {
	part := "." + name + ".part"
	file, err := f.root.OpenFile(part, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o644)
	if err != nil {
		return fmt.Errorf("write %s: %w", name, plainPath(err))
	}
	_, err = file.Write(data)
	if err == nil {
		err = file.Sync()
	}
	if err = errors.Join(err, file.Close()); err == nil {
		err = f.root.Rename(part, name)
	}
	if err != nil {
		f.root.Remove(part)
		return fmt.Errorf("write %s: %w", name, plainPath(err))
	}
	return nil
}

var curveName = regexp.MustCompile(`[^\p{L}\p{N}._+-]+`)

// addCurve keeps a curve file under its own name, or that name with a number when another file has
// it. A file that is there already with the same bytes is used as it is.
func (f *folder) addCurve(name string, data []byte) (string, error) {
	name = strings.Trim(curveName.ReplaceAllString(path.Base(strings.ReplaceAll(name, "\\", "/")), "-"), ".-")
	ext := path.Ext(name)
	if len(name) <= len(ext) || len(name) > 100 {
		return "", withStatus(http.StatusBadRequest,
			"the file needs a name of its own and an ending such as .csv or .s2p")
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	for n := 1; n < 100; n++ {
		try := name
		if n > 1 {
			try = fmt.Sprintf("%s-%d%s", strings.TrimSuffix(name, ext), n, ext)
		}
		old, err := f.beside(try)
		if err == nil && bytes.Equal(old, data) {
			return try, nil
		}
		if errors.Is(err, fs.ErrNotExist) {
			return try, f.replace(try, data)
		}
	}
	return "", withStatus(http.StatusConflict, "too many files are called %s", name)
}
