package document

import (
	"bytes"
	"fmt"
	"io"
	"io/fs"
	"strings"

	"provoke/internal/files/problem"
)

// MaximumTable is the size of the largest file of figures that is read, in bytes; what reads the
// figures may set a lower bound of its own.
const MaximumTable = 64 << 20

// ReadFile returns the bytes of an opened file of at most so many bytes, and closes it. A longer one
// is a problem of the file, told before it is read; one that grows on without an end (a device, a
// pipe) is given up at the bound.
func ReadFile(f fs.File, name string, most int64) ([]byte, error) {
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, err
	}
	if info.Size() > most {
		return nil, tooLong(name, fmt.Sprintf("the file has %d bytes; at most %d are read", info.Size(), most), most)
	}
	data := bytes.NewBuffer(make([]byte, 0, info.Size()+bytes.MinRead)) // does not grow for a file that says its size
	n, err := data.ReadFrom(io.LimitReader(f, most+1))
	switch {
	case err != nil:
		return nil, err
	case n > most:
		return nil, tooLong(name, fmt.Sprintf("the file goes on beyond %d bytes; no more are read", most), most)
	}
	return data.Bytes(), nil
}

func tooLong(name, what string, most int64) error {
	hint := "name the right file, or thin out its points"
	if most == MaximumSize {
		hint = "put long curves into a CSV or Touchstone file beside it"
	}
	if strings.HasSuffix(name, ".provoke") {
		what = "this is a job by its name, not a file of text"
		hint = "name the bench or plan file; provoke findings reads a job"
	}
	return problem.List{{File: name, What: what, Hint: hint}}.Err()
}
